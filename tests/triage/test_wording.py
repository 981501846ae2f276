"""Every fault has its words, and work that can hurt carries its cautions."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rules.finding import FAULT_SCOPES, Finding
from triage.wording import ACTION_WORDS, cautions, gather, wording

PLAIN = Finding(
    site="s", fault="dead-input", first_seen="2026-06-01", last_seen="2026-06-01", days=1, confidence=0.9,
    severity="high", loss_wh_per_day=1.0, loss_wh_total=1.0, action="visit", why="",
)  # fmt: skip


@pytest.mark.parametrize("fault", FAULT_SCOPES)
def test_every_fault_has_words_and_a_mark_of_its_own(fault: str) -> None:
    words = wording(fault)
    assert words.means.endswith(".")
    assert len(words.symbol) == 1
    assert words.symbol != "?"
    marks = [wording(other).symbol for other in FAULT_SCOPES]
    assert marks.count(words.symbol) == 1
    if words.work in ("roof", "board"):
        assert words.tools
        assert words.measure


def test_roof_work_is_told_to_isolate_first_and_to_defer_to_licensed_persons() -> None:
    # Common practice of PV work on roofs, as the issue lists it.
    text = " ".join(cautions([PLAIN])).lower()
    for needed in ("isolate ac first", "under load", "live in daylight", "height", "local codes", "licensed"):
        assert needed in text
    assert cautions([PLAIN])[0].startswith("Isolate AC first")


def test_a_remote_step_carries_the_cautions_of_the_visit_it_may_end_in() -> None:
    assert cautions([replace(PLAIN, action="remote")]) == cautions([PLAIN])


def test_nothing_to_climb_for_has_no_cautions() -> None:
    assert cautions([replace(PLAIN, action="watch"), replace(PLAIN, fault="clipping")]) == ()
    assert cautions([]) == ()


def test_each_caution_and_each_tool_stands_once() -> None:
    both = [PLAIN, replace(PLAIN, fault="idle-input"), replace(PLAIN, fault="site-outage")]
    for lines in (cautions(both), gather(both, "tools"), gather(both, "ask")):
        assert len(lines) == len(set(lines))
    assert any("breaker that trips again" in line for line in cautions(both))


def test_an_unknown_slug_shows_itself() -> None:
    assert wording("new-fault").title == "New fault"


def test_every_action_has_words() -> None:
    assert set(ACTION_WORDS) == {"visit", "remote", "watch", "none"}
