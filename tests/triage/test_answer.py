"""Answer first: go, don't go, or can't tell."""

from __future__ import annotations

from dataclasses import replace

import pytest

from collectors.site import SiteFacts
from rules.finding import Finding, NotJudged
from triage.answer import Answer, answer_of, unjudged_lines

FACTS = SiteFacts(
    id="s", name="Mill Lane", latitude=1, longitude=2, timezone="UTC", tariff_per_kwh=0.30, currency="EUR"
)
DEAD = Finding(
    site="s", fault="dead-input", unit="A", input=1, first_seen="2026-06-03", last_seen="2026-06-30", days=28,
    confidence=0.95, severity="high", loss_wh_per_day=2000.0, loss_wh_total=56000.0, action="visit",
    why="No voltage on 28 days.",
)  # fmt: skip
SILENT = replace(DEAD, fault="gateway-silent", unit=None, input=None, gateway="g", action="remote")
SHADE = replace(
    DEAD, fault="shading", input=2, action="watch", loss_wh_per_day=100.0, first_seen="2026-05-01"
)
CLIP = replace(DEAD, fault="clipping", action="none", loss_wh_per_day=50.0)
BLIND = NotJudged(None, None, "all", "no telemetry at all", 30)


def ask(*findings: Finding, not_judged: tuple[NotJudged, ...] = (), today: str | None = None) -> Answer:
    return answer_of(FACTS, findings, not_judged, from_day="2026-06-01", to_day="2026-06-30", today=today)


@pytest.mark.parametrize(
    ("findings", "verdict", "start"),
    [
        ((SHADE, DEAD, SILENT), "go", "Go: dead input (A/1). 1 more finding to try"),
        ((SHADE, SILENT), "desk", "Don't go yet, try from the desk first: gateway silent (gateway g)"),
        ((SHADE, CLIP), "watch", "Don't go, keep watching: shade (A/2)."),
        ((CLIP,), "fine", "Don't go: nothing to do. For information: inverter at its limit"),
        ((), "fine", "Don't go: no fault found up to 30 Jun 2026."),
    ],
)
def test_the_verdict_is_the_most_urgent_action(
    findings: tuple[Finding, ...], verdict: str, start: str
) -> None:
    answer = ask(*findings)
    assert answer.verdict == verdict
    assert answer.headline.startswith(start)


def test_old_data_say_nothing_about_today() -> None:
    assert ask(today="2026-07-02").verdict == "fine"
    answer = ask(today="2026-07-03")
    assert answer.verdict == "unknown"
    assert answer.headline == "Can't tell: the data end on 30 Jun 2026, 3 days ago."
    assert ask(DEAD, today="2026-07-20").verdict == "go"
    assert ask(DEAD, today="2026-07-20").age_note.startswith("The data end on 30 Jun 2026, 20 days ago")
    assert ask(DEAD, today="2026-07-01").age_note == ""


def test_a_site_without_readings_is_not_fine() -> None:
    answer = answer_of(FACTS, [], from_day="", to_day="", today="2026-07-01")
    assert (answer.verdict, answer.headline) == ("unknown", "Can't tell: there are no readings yet.")


def test_blind_for_the_whole_span_is_not_fine() -> None:
    assert ask(not_judged=(BLIND,)).headline == "Can't tell: no telemetry at all."
    assert ask(not_judged=(replace(BLIND, days=29),)).verdict == "fine"
    assert ask(not_judged=(replace(BLIND, unit="A"),)).verdict == "fine"


def test_loss_counts_what_a_fault_takes_and_not_what_is_by_design() -> None:
    answer = ask(DEAD, SHADE, CLIP)
    assert answer.loss_wh_per_day == 2100.0
    assert answer.worth == "2.1 kWh a day (0.63 EUR) is being lost, 229.95 EUR in a year at this rate."


def test_a_visit_is_weighed_against_the_loss() -> None:
    facts = FACTS.model_copy(update={"visit_cost": 120.0})
    answer = answer_of(facts, [DEAD], from_day="2026-06-01", to_day="2026-06-30")
    # 2 kWh x 0.30 EUR = 0.60 EUR a day; 120 / 0.60 = 200 days.
    assert answer.worth.endswith("a visit (120 EUR) equals 200 days of it.")


def test_since_is_the_earliest_of_what_needs_action() -> None:
    assert ask(DEAD, SHADE).since == "2026-06-03"
    assert ask(SHADE).since == "2026-05-01"
    assert ask().since is None


def test_questions_and_desk_steps_are_those_of_what_needs_action() -> None:
    answer = ask(SILENT, SHADE)
    assert any("router" in line for line in answer.ask)
    assert not any("tree" in line for line in answer.ask)
    assert answer.parts == ()  # nobody goes yet
    assert "unit of the same type" in ask(DEAD).parts
    assert ask(DEAD).cautions[0].startswith("Isolate AC first")
    assert ask(SHADE).cautions == ()


def test_like_cases_not_judged_are_gathered() -> None:
    items = [NotJudged("A", n, "shading", "overcast", 2 + n) for n in (1, 2, 3, 4)]
    items.append(NotJudged(None, None, "snow", "no weather", 30))
    items.append(NotJudged("B", None, "unit-silent", "no log", 1))
    assert unjudged_lines(items) == (
        "Shade, 4 places: overcast (3 to 6 days)",
        "Snow, whole site: no weather (30 days)",
        "Unit silent, unit B: no log (1 day)",
    )


def test_json_is_plain() -> None:
    shown = ask(DEAD).to_json()
    assert shown["verdict"] == "go"
    assert isinstance(shown["ask"], list)
