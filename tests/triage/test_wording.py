"""Every fault has its words, and work that can hurt carries its cautions."""

from __future__ import annotations

import ast
from dataclasses import replace
from pathlib import Path

import pytest

import rules.faults
from rules.finding import FAULT_SCOPES, Finding
from triage.wording import ACTION_WORDS, cautions, gather, unjudged_words, wording

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


def _reasons() -> set[str]:
    """Every reason for which some rule says that it could not judge, read from the rules' own source."""
    found: set[str] = set()
    for path in Path(rules.faults.__path__[0]).glob("*.py"):
        tree = ast.parse(path.read_text("utf-8"))
        named: dict[str, set[str]] = {}
        for node in ast.walk(tree):
            if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name):
                texts = {c.value for c in ast.walk(node.value) if isinstance(c, ast.Constant) and isinstance(c.value, str)}
                named.setdefault(node.targets[0].id, set()).update(texts)
        for node in ast.walk(tree):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "Unjudged":
                reason = node.args[2]
                found |= {str(reason.value)} if isinstance(reason, ast.Constant) else named[getattr(reason, "id", "")]
    return found


def test_every_reason_not_to_judge_says_what_would_help() -> None:
    reasons = _reasons()
    assert len(reasons) > 15
    assert reasons == set(unjudged_words().helps)
    assert set(unjudged_words().passing) <= reasons


def test_work_on_a_roof_takes_a_lock_along_and_a_step_at_the_board_its_cautions() -> None:
    # Isolating before a connector is touched means locking off: common practice.
    for fault in ("dead-input", "idle-input", "substring-loss", "weak-input", "unit-standby", "unit-silent", "restart-cycling"):
        assert "lock-out kit" in wording(fault).tools
    assert any("nobody but a licensed person opens the board" in line for line in cautions([replace(PLAIN, fault="idle-input")]))
    assert not any("opens the board" in line for line in cautions([PLAIN]))
