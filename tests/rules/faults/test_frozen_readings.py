from __future__ import annotations

import numpy as np
import pytest

import rules.faults.frozen_readings as rule
import rules.reduce.frozen
from rules.case import Case
from rules.engine import judge
from tests.rules.conftest import MoveThreshold
from tests.rules.make import Roof, case_of, findings, make_roof, only, run_rule


def _frozen(start: float = 8.0, end: float = 12.0) -> Roof:
    roof = make_roof(kinds="m")
    return roof.freeze(2, roof.when(5, 7, start, end))


@pytest.fixture(scope="module")
def case() -> Case:
    return case_of(_frozen())


def test_fires(case: Case) -> None:
    found = only(judge(case.table).findings)
    assert (found.fault, found.unit, found.input, found.days) == ("frozen-readings", "U2", 1, 3)
    assert found.evidence["longest_h"] == pytest.approx(4.0, abs=0.3)
    assert found.loss_wh_total == 0
    assert found.action == "remote"


@pytest.mark.parametrize(("name", "value"), [("MIN_HOURS", 20.0), ("MIN_ROWS", 200)])
def test_thresholds_count(case: Case, threshold: MoveThreshold, name: str, value: float) -> None:
    assert run_rule("frozen-readings", case).candidates
    threshold(rule, name, value)
    threshold(rule, "AGAIN_ROWS", 200)
    assert not run_rule("frozen-readings", case).candidates


def test_power_alone_needs_more_rows(threshold: MoveThreshold) -> None:
    roof = _frozen()
    roof.without |= {"dc_voltage_v", "dc_current_a"}
    case = case_of(roof)
    assert run_rule("frozen-readings", case).candidates
    threshold(rule, "BLIND_ROWS", 200)
    threshold(rule, "AGAIN_ROWS", 200)
    assert not run_rule("frozen-readings", case).candidates


@pytest.mark.parametrize(("factor", "fires"), [(0.6, False), (1.4, True)])
def test_just_under_and_over_the_hours(factor: float, fires: bool) -> None:
    hours = factor * rule.PLAIN_HOURS.value
    assert bool(run_rule("frozen-readings", case_of(_frozen(9.0, 9.0 + hours))).candidates) is fires


def test_a_clear_day_held_at_its_top() -> None:
    roof = make_roof(kinds="c", days=8)
    roof.freeze(2, roof.when(5, 6, 9, 15))
    assert only(findings(roof, "frozen-readings")).days == 2


def test_power_at_night(threshold: MoveThreshold) -> None:
    roof = make_roof(days=6, kinds="c")
    roof.heard[:, 2] = True
    night = (roof.sun_elevation < 0) | (roof.hour > 17)
    roof.power[night, 2], roof.volts[night, 2] = 90.0, 31.0
    roof.without |= {"ac_power_w"}  # a unit's power would speak for its other input too
    case = case_of(roof)
    found = only(run_rule("frozen-readings", case).candidates)
    assert found.inputs == (2,)
    assert found.evidence["night_h"] > rule.NIGHT_HOURS.value
    threshold(rule, "NIGHT_HOURS", 24.0)
    threshold(rule, "MIN_HOURS", 24.0)
    assert not run_rule("frozen-readings", case).candidates


def test_a_ceiling_is_flat_in_power_only() -> None:
    roof = make_roof(kinds="c", days=8, rated_va=600.0)
    roof.power[:] = np.minimum(roof.power, 600 / 2 / 0.96)
    assert {f.fault for f in findings(roof)} == {"clipping"}


def test_nil_is_not_judged_here() -> None:
    roof = make_roof(days=6)
    roof.dead(2, roof.when(2, 4))
    assert {f.fault for f in findings(roof)} == {"dead-input"}


def test_every_input_of_a_gateway_is_told_once() -> None:
    roof = make_roof(kinds="m", days=8)
    for n in range(10):
        roof.freeze(n, roof.when(3, 5, 8, 12))
    found = only(findings(roof))
    assert (found.fault, found.gateway, found.unit) == ("frozen-readings", "G1", None)
    # No sibling is left that changes.
    assert "siblings" not in found.why


def _counters_only() -> Roof:
    """An exporter of counters alone that repeats one for two days and then catches up."""
    roof = make_roof(kinds="c", days=9)
    roof.freeze(2, roof.when(4, 5))
    roof.without |= {"dc_power_w", "dc_voltage_v", "dc_current_a", "ac_power_w", "state"}
    return roof


def test_a_counter_that_catches_up_stood_in_the_record_only(threshold: MoveThreshold) -> None:
    case = case_of(_counters_only())
    found = only([c for c in run_rule("frozen-readings", case).candidates if c.days[4:6].all()])
    assert found.inputs == (2,)
    assert "jumped" in found.why
    threshold(rule, "CAUGHT_UP", 2.0)
    assert not [c for c in run_rule("frozen-readings", case).candidates if c.days[4:6].all()]


def test_a_counter_that_stands_and_goes_on_was_a_stop() -> None:
    roof = _counters_only()
    roof.held.clear()
    for n in (2, 3):
        roof.power[roof.when(4, 5), n] = 0.0
    assert not run_rule("frozen-readings", case_of(roof)).candidates


def _hourly(days: int = 3) -> Roof:
    """An hourly record of power alone that repeats four readings a morning."""
    roof = make_roof(kinds="c", days=9, step=3600)
    roof.without |= {"dc_voltage_v", "dc_current_a"}
    for d in range(3, 3 + days):
        roof.freeze(2, roof.when(d, d, 6.5, 11.5))
    return roof


def test_a_few_repetitions_day_after_day(threshold: MoveThreshold) -> None:
    assert only(run_rule("frozen-readings", case_of(_hourly())).candidates).days.sum() == 3
    assert not run_rule("frozen-readings", case_of(_hourly(2))).candidates
    threshold(rule, "AGAIN_ROWS", 9)
    assert not run_rule("frozen-readings", case_of(_hourly())).candidates
    threshold(rule, "AGAIN_ROWS", 4)
    threshold(rule, "AGAIN_DAYS", 4)
    assert not run_rule("frozen-readings", case_of(_hourly())).candidates


def _level() -> Roof:
    """Hourly power alone, the same number from the first row of the day to the last, for two days."""
    roof = make_roof(kinds="c", days=9, step=3600)
    roof.without |= {"dc_voltage_v", "dc_current_a"}
    lit = roof.heard[:, 2] & roof.when(4, 5)
    roof.power[lit, 2] = 180.0
    return roof


@pytest.mark.parametrize(("name", "value"), [("LEVEL_BINS", 99), ("LEVEL_OVER", 999.0)])
def test_one_power_from_dawn_to_dusk(threshold: MoveThreshold, name: str, value: float) -> None:
    case = case_of(_level())
    assert rule._level_hours(case)[4:6, 2].min() >= 8.0
    assert rule._level_hours(case).astype(bool).sum() == 2
    threshold(rule, name, value)
    assert not rule._level_hours(case).any()


def test_an_order_that_holds_coarse_meters_is_not_frozen() -> None:
    """Whole watts and volts repeat under an export limit, on every input alike."""
    roof = make_roof(kinds="c", days=9)
    held = roof.when(3, 7)
    roof.power[held] = np.minimum(np.round(roof.power[held]), 150.0)
    roof.volts[held] = np.where(roof.power[held] == 150.0, 36.0, np.round(roof.volts[held]))
    assert {f.fault for f in findings(roof)} == {"curtailment"}


def test_some_day_must_be_plain(threshold: MoveThreshold) -> None:
    """Two hours of whole watts in the shade, day after day, are no frozen record; a morning of four hours is."""
    assert not run_rule("frozen-readings", case_of(_frozen(8.0, 10.2))).candidates
    case = case_of(_frozen())
    threshold(rule, "PLAIN_TOLD_HOURS", 9.0)
    assert not run_rule("frozen-readings", case).candidates


def test_a_site_whose_rows_all_repeat_is_told_by_the_sun(threshold: MoveThreshold) -> None:
    """Hourly rows, four of them alike in voltage and power on every input: no sibling is left that changes."""
    roof = make_roof(days=10, kinds="c", step=3600)
    for n in range(len(roof.site.inputs)):
        roof.freeze(n, roof.when(4, 7, 8.0, 12.5))
    found = only(findings(roof, "frozen-readings"))
    assert (found.days, found.unit, found.input) == (4, None, None)
    assert not findings(roof, "curtailment")
    threshold(rules.reduce.frozen, "MOST_REPEAT", 1.1)
    assert not findings(roof, "frozen-readings")


def test_power_at_night_by_a_wrong_clock_is_not_frozen() -> None:
    """A record five and a half hours late shows every evening's power by night."""
    roof = make_roof()
    roof.shift_s = np.where(roof.day >= 4, 330 * 60.0, 0.0)
    found = {f.fault for f in findings(roof)}
    assert "clock-shift" in found
    assert not found & {"frozen-readings", "patchy-comms"}


def test_without_a_voltage_a_unit_that_repeats_itself_is_at_no_ceiling() -> None:
    """Its value lies under the rating on file, and its siblings go on."""
    roof = make_roof(days=12, kinds="c", units=[["south"] * 2] * 5)
    for n in roof.inputs_of(1):
        roof.freeze(n, roof.when(5, 7, 9.0, 16.0))
    roof.without |= {"dc_voltage_v", "dc_current_a"}
    found = findings(roof)
    assert {(f.fault, f.unit) for f in found if f.fault != "clipping"} == {("frozen-readings", "U2")}


def test_a_whole_site_whose_counters_stand_while_it_shows_power(threshold: MoveThreshold) -> None:
    """All rows repeat the readings of one morning: no sibling changes, but no counter moves either."""
    roof = make_roof(kinds="c", days=10)
    for n in range(len(roof.site.inputs)):
        roof.freeze(n, roof.when(6, 8, 10.0, 24.0) | roof.when(7, 8))
    case = case_of(roof)
    found = run_rule("frozen-readings", case).candidates
    assert len({n for c in found for n in c.inputs}) == len(roof.site.inputs)
    assert all(c.days[7] for c in found)
    assert not np.array([rule._counted_nothing(case)[d] for d in (4, 5, 9)]).any()
    threshold(rule, "COUNTED_WH", 1e9)
    assert not rule._counted_nothing(case).any()


def test_an_input_that_stands_longer_than_an_order_holds_is_frozen_under_it() -> None:
    """All are held at one number around noon; one of them repeats itself from morning to evening."""
    roof = make_roof(days=10, kinds="c")
    noon = roof.when(2, 7, 11.0, 14.0)
    roof.power[noon] = np.minimum(roof.power[noon], 150.0 + 0.3 * np.random.default_rng(3).standard_normal(roof.power[noon].shape))
    roof.freeze(2, roof.when(3, 6, 7.0, 18.0))
    found = {(f.fault, f.unit, f.input) for f in findings(roof)}
    assert {("curtailment", None, None), ("frozen-readings", "U2", 1)} <= found


def test_whole_watts_of_a_sky_without_sun_are_not_frozen(threshold: MoveThreshold) -> None:
    """A wall that never sees the sun makes a dozen watts for hours, and readings have none between."""
    roof = make_roof(days=8, kinds="c", step=900)
    roof.power[:, 6:] = np.round(np.clip(roof.power[:, 6:] * 0.04, 0.0, 11.0))
    roof.power[roof.when(5, 6, 9.5, 10.0), 7] += 1.0
    roof.without |= {"dc_voltage_v", "dc_current_a"}
    assert not run_rule("frozen-readings", case_of(roof)).candidates
    threshold(rule, "BLIND_WATTS", 0.0)
    threshold(rule, "FAINT_HOURS", 3.0)
    assert run_rule("frozen-readings", case_of(roof)).candidates


def test_what_a_silence_of_all_hid_is_no_jump() -> None:
    """A contact that opens for hours a day, and a gateway that says nothing for some days between."""
    roof = make_roof(days=12, kinds="c")
    for day in (3, 4, 8, 9):
        roof.dead(2, roof.when(day, day, 10.0, 15.0))
    for u in range(5):
        roof.silent(u, roof.when(5, 7))
    assert not run_rule("frozen-readings", case_of(roof)).candidates


@pytest.mark.parametrize(("hours", "fires"), [(3.0, False), (4.0, True)])
def test_rows_an_hour_apart_need_few(hours: float, fires: bool) -> None:
    """Four equal readings of voltage and power, to the last digit, in as many hours."""
    roof = make_roof(days=8, kinds="m", step=3600)
    roof.freeze(2, roof.when(4, 4, 9.0, 9.0 + hours))
    assert bool(run_rule("frozen-readings", case_of(roof)).candidates) is fires


def test_power_alone_an_hour_apart() -> None:
    roof = make_roof(days=8, kinds="m", step=3600)
    roof.without |= {"dc_voltage_v", "dc_current_a"}
    roof.freeze(2, roof.when(4, 4, 9.0, 15.0))
    assert run_rule("frozen-readings", case_of(roof)).candidates


def test_a_counter_alone_that_catches_up_in_one_row() -> None:
    """No power is reported: the jump itself is read as one day's energy."""
    roof = make_roof(days=10, kinds="c")
    roof.without |= {"dc_voltage_v", "dc_current_a", "dc_power_w", "ac_power_w", "state"}
    roof.freeze(4, roof.when(4, 6) & ~roof.when(4, 4, 0.0, 9.0) & ~roof.when(6, 6, 11.0, 24.0))
    found = only([c for c in run_rule("frozen-readings", case_of(roof)).candidates if c.inputs == (4,)])
    assert set(np.flatnonzero(found.days).tolist()) >= {4, 5}
