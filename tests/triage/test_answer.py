"""Answer first: go, don't go, or can't tell."""

from __future__ import annotations

from dataclasses import replace

import pytest

from collectors.site import SiteFacts
from rules.finding import Finding, NotJudged
from triage.answer import Answer, answer_of, lost_words, unjudged_lines
from triage.telling import alike, loss_words, places_of, since_words, where_of

FACTS = SiteFacts(id="s", name="Mill Lane", latitude=1, longitude=2, timezone="UTC", tariff_per_kwh=0.30, currency="EUR")
DEAD = Finding(
    site="s", fault="dead-input", unit="A", input=1, first_seen="2026-06-03", last_seen="2026-06-30", days=28,
    confidence=0.95, severity="high", loss_wh_per_day=2000.0, loss_wh_total=56000.0, action="visit",
    why="No voltage on 28 days.",
)  # fmt: skip
SILENT = replace(DEAD, fault="gateway-silent", unit=None, input=None, gateway="g", action="remote")
SHADE = replace(DEAD, fault="shading", input=2, action="watch", loss_wh_per_day=100.0, first_seen="2026-05-01")
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
def test_the_verdict_is_the_most_urgent_action(findings: tuple[Finding, ...], verdict: str, start: str) -> None:
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


def test_data_that_end_in_days_to_come_are_no_clean_bill() -> None:
    assert ask(today="2026-06-28").verdict == "fine"  # another day at the site, or a clock a little off
    answer = ask(today="2026-06-27")
    assert (answer.verdict, answer.headline[:42]) == ("unknown", "Can't tell: the data end on 30 Jun 2026, w")
    assert ask(DEAD, today="2026-06-27").verdict == "go"
    assert "still to come" in ask(DEAD, today="2026-06-27").age_note


def test_blind_for_the_whole_span_is_not_fine() -> None:
    assert ask(not_judged=(BLIND,)).headline == "Can't tell: no telemetry at all."
    assert ask(not_judged=(replace(BLIND, days=29),)).verdict == "fine"
    assert ask(not_judged=(replace(BLIND, unit="A"),)).verdict == "fine"


def test_one_rule_without_its_column_does_not_blind_the_others() -> None:
    swap = NotJudged(None, None, "swapped-record", "one plane only: a swap leaves no trace", 30)
    grid = NotJudged(None, None, "grid-out-of-range", "no ac_voltage_v or ac_frequency_hz", 30)
    answer = ask(not_judged=(swap, grid))
    assert (answer.verdict, answer.headline) == ("fine", "Don't go: no fault found in what could be judged up to 30 Jun 2026.")
    # A rule may count a day of the record that had no light.
    assert unjudged_lines([replace(swap, days=31)], 30)[0].split("(")[1].startswith("all 30 days)")


def test_a_site_of_which_most_inputs_were_never_heard_is_not_fine() -> None:
    dark = [NotJudged("A", n, "dead-input", "less than an hour of reported power in light", 30) for n in (1, 2, 3)]

    def asked(inputs: int) -> str:
        return answer_of(FACTS, [], dark, from_day="2026-06-01", to_day="2026-06-30", inputs=inputs).verdict

    assert (asked(4), asked(6)) == ("unknown", "fine")


def test_loss_counts_what_a_fault_takes_and_not_what_is_by_design() -> None:
    answer = ask(DEAD, SHADE, CLIP)
    assert answer.loss_wh_per_day == 2100.0
    assert answer.worth == "2.1 kWh a day (0.63 EUR) is being lost, 229.95 EUR in a year like this."
    # Shade is reckoned by its own year: 730 kWh of the dead input and 4 kWh, at 0.30 EUR.
    assert ask(DEAD, replace(SHADE, evidence={"loss_year_kwh": 4.0})).worth.endswith("220.20 EUR in a year like this.")


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
        "Shade, 4 inputs: overcast (3 to 6 days)",
        "Snow, whole site: no weather (30 days)",
        "Unit silent, unit B: no log (1 day)",
    )


def test_json_is_plain() -> None:
    shown = ask(DEAD).to_json()
    assert shown["verdict"] == "go"
    assert isinstance(shown["ask"], list)


def test_one_reason_at_one_place_is_said_once_with_what_would_help() -> None:
    reason = "no dc_voltage_v in good light"
    items = [NotJudged("A", n, fault, reason, 30) for fault in ("idle-input", "substring-loss") for n in (1, 2, 3, 4)]
    assert unjudged_lines(items, 30) == (
        "Idle input, part of the module bypassed, 4 inputs: no dc_voltage_v in good light (all 30 days). "
        "Export each input's DC voltage.",
    )


def test_a_few_dim_days_are_one_line() -> None:
    dim, cloudy = "less than an hour of reported power in light", "no clear spells long enough to see the sun's shadows"
    items = [NotJudged("A", n, fault, dim, n) for fault in ("dead-input", "idle-input") for n in range(1, 9)]
    items += [NotJudged("B", n, "shading", cloudy, 12) for n in range(1, 9)]
    assert unjudged_lines(items, 30) == (
        "On some days only (up to 12 of 30), for want of light or rows: dead input, idle input, shade.",
    )
    # On most of the days it is no passing thing.
    (line,) = unjudged_lines([NotJudged("B", 1, "shading", cloudy, 20)], 30)
    assert line.startswith("Shade, B/1: no clear spells")
    assert "(20 of 30 days). Wait for clear days" in line


def _units(count: int, fault: str = "unit-standby", **shared: object) -> list[Finding]:
    one = replace(DEAD, fault=fault, input=None, evidence=dict(shared))
    return [replace(one, unit=f"U{n}") for n in range(count)]


CAUSE = {"level": "branch", "name": "B2", "units": ["U0", "U1", "U2"], "tell_apart": "Voltage at the breaker."}


def test_units_of_one_branch_are_one_place_and_the_branch_comes_first() -> None:
    answer = ask(*_units(3, common_cause=CAUSE), DEAD)
    assert answer.headline.startswith("Go: unit on standby in good light (branch B2, 3 units); dead input (A/1).")
    assert answer.remote[0] == "Branch B2, 3 units alike: Voltage at the breaker."
    assert any("breaker that trips again" in line for line in answer.cautions)


def test_one_place_is_named_once() -> None:
    assert ask(DEAD, replace(DEAD, first_seen="2026-06-20")).headline == "Go: dead input (A/1)."


def test_many_of_a_kind_are_told_together() -> None:
    many, few = _units(14), _units(3, "restart-cycling")
    groups = alike([*many, *few], lambda f: f)
    assert [len(g) for g in groups] == [14, 1, 1, 1]
    assert where_of(groups[0]) == "14 units"
    assert places_of(groups[0]).endswith("U10, U11 and 2 more")
    assert where_of(groups[1]) == "unit U0"


def test_a_silence_nobody_has_counted_is_not_called_free() -> None:
    silent = replace(SILENT, loss_wh_per_day=0.0)
    assert loss_words([replace(silent, evidence={"counter_rise_wh": None})], FACTS) == "not known yet"
    assert loss_words([replace(silent, evidence={"counter_rise_wh": 4800.0})], FACTS) == "none"
    assert loss_words([DEAD], FACTS) == "2.0 kWh a day (0.60 EUR)"
    lost = replace(silent, loss_wh_total=0.0)
    assert lost_words(ask(lost), FACTS) == "not known yet"
    assert lost_words(ask(lost, DEAD), FACTS) == "56.0 kWh (16.80 EUR) and what is not known yet"


def test_what_was_there_on_the_first_day_may_be_older() -> None:
    assert since_words("2026-06-01", "2026-06-01") == "1 Jun 2026 or earlier (the record begins then)"
    assert since_words("2026-06-03", ask(DEAD).data_from) == "3 Jun 2026"
