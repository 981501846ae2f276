from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import rules.faults.site_outage as rule
import rules.record
import rules.standstill
from rules.case import Case
from rules.daytable import day_iso
from rules.engine import judge
from tests.rules.conftest import MoveThreshold
from tests.rules.make import FIRST_DAY, Roof, case_of, findings, make_roof, only, run_rule


def _out(roof: Roof, units: int = 5, hours: tuple[float, float] = (10.0, 14.0), volts: float = 0.0) -> Roof:
    for u in range(units):
        roof.standby(u, roof.when(5, 5, *hours))
        roof.ac_volts[roof.when(5, 5, *hours), u] = volts
    return roof


@pytest.fixture(scope="module")
def case() -> Case:
    return case_of(_out(make_roof()))


def test_fires(case: Case) -> None:
    found = only(judge(case.table).findings)
    assert (found.fault, found.unit, found.gateway, found.days) == ("site-outage", None, None, 1)
    assert found.evidence["hours"] == pytest.approx(4.0, abs=0.2)
    assert found.evidence["no_grid_voltage_h"] == pytest.approx(4.0, abs=0.2)


def test_loss_by_a_mean_sky(case: Case) -> None:
    """Nobody measured the sky meanwhile: the loss stands between a dull and a clear one."""
    true = _out(make_roof()).lost_wh()
    assert 0.4 * true < only(judge(case.table).findings).loss_wh_total < 1.2 * true


@pytest.mark.parametrize(("name", "value"), [("MIN_HOURS", 20.0), ("NOTHING", -1.0)])
def test_thresholds_count(case: Case, threshold: MoveThreshold, name: str, value: float) -> None:
    assert run_rule("site-outage", case).candidates
    threshold(rules.standstill if name == "NOTHING" else rule, name, value)
    threshold(rule, "ALL", 1.1)
    assert not run_rule("site-outage", case).candidates


def _walled(volts: float = 0.0) -> Roof:
    """A morning outage of a roof whose west wall has no sun yet."""
    planes = {"south": (180.0, 25.0), "west": (270.0, 88.0)}
    roof = make_roof(days=9, kinds="c", planes=planes)
    for u in range(5):
        roof.standby(u, roof.when(5, 5, 5.0, 11.0))
        roof.ac_volts[roof.when(5, 5, 5.0, 11.0), u] = volts
    return roof


def test_units_without_sun_need_not_be_lit() -> None:
    found = only(findings(_walled()))
    assert (found.fault, found.unit, found.days) == ("site-outage", None, 1)


def test_an_alarm_of_the_grid_in_the_log_stands_for_its_voltage() -> None:
    roof = _walled(volts=231.0)
    # Who stands while its grid is there was told to.
    assert only(run_rule("site-outage", case_of(roof)).candidates).fault == "curtailment"
    at = int(roof.ts[roof.when(5, 5, 5.0, 24.0)][0])
    serials = [unit.serial for unit in roof.site.units]
    events = pd.DataFrame({"ts": at, "source": serials, "event": "alarm", "detail": "no grid"})
    found = only(run_rule("site-outage", case_of(roof, events=events)).candidates)
    assert (found.fault, found.days.sum()) == ("site-outage", 1)
    fan = case_of(roof, events=events.assign(detail="fan"))
    assert only(run_rule("site-outage", fan).candidates).fault == "curtailment"


def test_how_many_units_must_stand(threshold: MoveThreshold) -> None:
    case = case_of(_walled())
    threshold(rule, "SOME", 0.9)
    threshold(rule, "HALF", 0.9)
    assert not run_rule("site-outage", case).candidates


@pytest.mark.parametrize(("factor", "fires"), [(0.6, False), (1.5, True)])
def test_just_under_and_over_the_hours(factor: float, fires: bool) -> None:
    roof = _out(make_roof(days=7), hours=(10.0, 10.0 + factor * rule.MIN_HOURS.value))
    assert bool(run_rule("site-outage", case_of(roof)).candidates) is fires


def test_without_grid_voltages_too() -> None:
    roof = _out(make_roof())
    roof.without |= {"ac_voltage_v", "ac_frequency_hz"}
    assert only(findings(roof)).fault == "site-outage"


def test_some_units_only_are_standby() -> None:
    found = findings(_out(make_roof(), units=2, volts=231.0))
    assert {f.fault for f in found} == {"unit-standby"}
    assert {f.unit for f in found} == {"U1", "U2"}


def test_voltage_outside_its_window_is_another_fault() -> None:
    assert {f.fault for f in findings(_out(make_roof(), volts=262.0))} == {"grid-out-of-range"}


def test_a_single_unit_says_it_by_its_grid_voltage() -> None:
    roof = _out(make_roof(units=[["south", "south"]]), units=1)
    assert {f.fault for f in findings(roof)} == {"site-outage"}


def _trips(days: int, hours: float = 1.2, volts: bool = False, **options: float) -> Roof:
    """All units stop together for a while on several days."""
    roof = make_roof(kinds="c", **options)  # type: ignore[arg-type]
    for d in range(3, 3 + days):
        for u in range(5):
            roof.standby(u, roof.when(d, d, 11.0, 11.0 + hours))
    if not volts:
        roof.without |= {"ac_voltage_v", "ac_frequency_hz", "state"}
    return roof


@pytest.mark.parametrize(("days", "fault"), [(2, "site-outage"), (5, "grid-out-of-range")])
def test_short_stops_day_after_day_are_the_supplys(days: int, fault: str) -> None:
    found = only(run_rule("site-outage", case_of(_trips(days))).candidates)
    assert (found.fault, found.days.sum()) == (fault, days)


@pytest.mark.parametrize(("name", "value"), [("SHORT_HOURS", 0.5), ("HABIT_DAYS", 9)])
def test_what_a_habit_is(threshold: MoveThreshold, name: str, value: float) -> None:
    threshold(rule, name, value)
    assert only(run_rule("site-outage", case_of(_trips(5))).candidates).fault == "site-outage"


def test_who_stands_for_hours_on_other_days_too_was_told_to(threshold: MoveThreshold) -> None:
    roof = _trips(5)
    for d in range(9, 12):
        for u in range(5):
            roof.standby(u, roof.when(d, d, 10.0, 14.0))
    case = case_of(roof)
    found = only(run_rule("site-outage", case).candidates)
    assert (found.fault, found.days.sum()) == ("site-outage", 8)
    threshold(rule, "HABIT_SHARE", 0.5)
    assert {c.fault for c in run_rule("site-outage", case).candidates} == {"site-outage", "grid-out-of-range"}


def test_stops_of_all_leave_no_unit_that_stands_for_itself() -> None:
    """On short days the same hour is much of the light: each unit alone is suspected of standing by."""
    roof = _trips(5, hours=1.9, first=FIRST_DAY - 160, latitude=57.0)
    assert run_rule("unit-standby", case_of(roof)).candidates
    found = only(findings(roof))
    assert (found.fault, found.unit) == ("grid-out-of-range", None)


def test_one_unit_silent_and_one_that_stands_for_longer_hide_no_order_to_all() -> None:
    roof = _out(make_roof(), hours=(11.0, 12.2), volts=231.0)
    roof.silent(0, roof.when(2, 9))
    roof.standby(4, roof.when(5, 5, 7.0, 17.0))
    assert only(run_rule("site-outage", case_of(roof)).candidates).fault == "curtailment"


def test_a_grid_voltage_that_is_told_decides(threshold: MoveThreshold) -> None:
    """Whoever stands with the grid there was told to: a supply that is gone shows no voltage."""
    case = case_of(_trips(5, volts=True))
    found = only(run_rule("site-outage", case).candidates)
    assert (found.fault, found.evidence["level"]) == ("curtailment", 0.0)
    threshold(rule, "UNITS", 9)
    assert not run_rule("site-outage", case).candidates
    threshold(rule, "UNITS", 3)
    threshold(rule, "THERE", 1.2)
    assert only(run_rule("site-outage", case).candidates).fault == "site-outage"


def test_planes_that_the_evening_leaves_at_other_hours() -> None:
    """Everybody stops at noon; the west wall has sun for hours after the east one."""
    planes = {"south": (95.0, 70.0), "west": (265.0, 70.0)}
    roof = make_roof(days=9, kinds="c", planes=planes)
    for u in range(5):
        roof.standby(u, roof.when(5, 5, 11.0, 24.0))
        roof.ac_volts[roof.when(5, 5, 11.0, 24.0), u] = 0.0
    found = only(findings(roof))
    assert (found.fault, found.unit, found.days) == ("site-outage", None, 1)


def test_a_clock_that_is_off_by_hours_is_no_outage(monkeypatch: pytest.MonkeyPatch) -> None:
    """Dark mornings and power at night."""
    roof = make_roof(days=9, kinds="c")
    weather = roof.weather()
    roof.heard[:] = True
    roof.shift_s = np.full(len(roof.ts), 5.5 * 3600.0)
    roof.without |= {"state", "dc_voltage_v"}
    case = case_of(roof, weather)
    assert not run_rule("site-outage", case).candidates
    with monkeypatch.context() as patch:
        patch.setattr(rule, "_makes_at_night", lambda case: np.zeros(case.day_count, bool))
        # On dull days nothing shows by night: the clock is known from the others.
        assert not run_rule("site-outage", case_of(roof, weather)).candidates
        patch.setattr(rule, "hours_off", lambda case: np.zeros((case.day_count, len(case.inputs))))
        assert run_rule("site-outage", case_of(roof, weather)).candidates
    # A grid that is gone for hours on one of its days is gone whatever the clock says.
    when = roof.when(5, 5, 10, 14)
    for u in range(5):
        roof.standby(u, when)
    roof.ac_volts[when] = 0.0
    assert only(run_rule("site-outage", case_of(roof, weather)).candidates).days.sum() == 1


@pytest.mark.parametrize(("volts", "fault"), [(252.0, "grid-out-of-range"), (208.0, "grid-out-of-range"), (231.0, "curtailment")])
def test_a_stop_at_the_edge_of_the_window_is_the_supplys(volts: float, fault: str) -> None:
    """Means of half an hour lie inside of 207 to 253 V (the site file's) while units trip on excursions of seconds."""
    found = only(run_rule("site-outage", case_of(_out(make_roof(), volts=volts))).candidates)
    assert (found.fault, found.days.sum()) == (fault, 1)


def test_how_near_the_edge_is(threshold: MoveThreshold) -> None:
    case = case_of(_out(make_roof(), volts=252.0))
    threshold(rule, "EDGE", 0.001)
    assert only(run_rule("site-outage", case).candidates).fault == "curtailment"


def _in_fault(known: bool) -> Roof:
    """All units in a fault state with their grid there; on other days it left its window, or not."""
    roof = make_roof(days=10, kinds="c")
    for u in range(5):
        roof.standby(u, roof.when(5, 5, 10.0, 14.0), "fault")
        if known:
            roof.standby(u, roof.when(7, 8, 11.0, 12.5))
            roof.ac_volts[roof.when(7, 8, 11.0, 12.5), u] = 256.0
    return roof


@pytest.mark.parametrize(("known", "fault"), [(True, "grid-out-of-range"), (False, "site-outage")])
def test_a_fault_state_on_a_supply_known_to_leave_its_window(known: bool, fault: str) -> None:
    found = only([c for c in run_rule("site-outage", case_of(_in_fault(known))).candidates if c.days[5]])
    assert found.fault == fault


def test_rows_as_long_as_the_outage_are_means(threshold: MoveThreshold) -> None:
    """An hour's mean of 50 Hz for twenty minutes is 16.7 Hz: no frequency of any supply."""
    roof = make_roof(days=9, kinds="c", step=3600)
    for hour, share in ((10, 1 / 3), (11, 0.0), (12, 1 / 6)):
        when = roof.when(5, 5, hour, hour + 1)
        roof.power[when] *= share
        roof.ac_volts[when], roof.hertz[when] = 231.0 * share, 50.0 * share
    roof.without |= {"state"}
    found = only(findings(roof))
    assert (found.fault, found.unit, found.days) == ("site-outage", None, 1)
    threshold(rules.record, "NO_GRID_HZ", 1.0)
    threshold(rules.record, "NO_GRID_VOLTS", 0.01)
    assert "grid-out-of-range" in {f.fault for f in findings(roof)}


def test_an_hours_mean_of_a_voltage_there_and_gone_is_no_low_voltage(threshold: MoveThreshold) -> None:
    """230 V for twenty minutes of an hour read as 77 V, at a frequency that is averaged over what there was of it."""
    roof = make_roof(days=9, kinds="c", step=3600)
    for hour, share in ((10, 1 / 3), (11, 0.0), (12, 1 / 6)):
        when = roof.when(5, 5, hour, hour + 1)
        roof.power[when] *= share
        roof.ac_volts[when] = 231.0 * share
    assert only(findings(roof)).fault == "site-outage"
    case = case_of(roof)
    assert case.grid_went[5].all()
    assert not case.grid_outside_h.any()
    threshold(rules.record, "NO_GRID_VOLTS", 0.01)
    case = case_of(roof)
    assert not case.grid_went.any()
    assert (case.grid_outside_h[5] > 0).all()


def test_a_plane_of_few_that_the_sun_reaches_says_for_how_long() -> None:
    """Half of the units in the shade of the roof are not lit enough to be down: the stops of the others are none of an hour."""
    planes = {"south": (180.0, 25.0), "north": (0.0, 60.0)}
    units = [["south"]] * 2 + [["north"]] * 3
    roof = make_roof(days=14, kinds="c", planes=planes, units=units, latitude=58.0, first=FIRST_DAY - 90)
    for d in range(3, 8):
        for u in range(5):
            roof.standby(u, roof.when(d, d, 8.0, 16.0))
    roof.without |= {"ac_voltage_v", "ac_frequency_hz", "state"}
    found = run_rule("site-outage", case_of(roof)).candidates
    assert {c.fault for c in found} == {"site-outage"}
    assert found[0].evidence["hours"] > 20.0


@pytest.mark.parametrize(("hours", "told"), [((10, 12), 0), ((10, 11), 1)])
def test_single_readings_of_waits_an_hour_apart_are_no_outage(hours: tuple[int, int], told: int) -> None:
    """Units wait five minutes after a dip of their grid (IEEE 1547-2018: 300 s); an hourly reading may meet them twice a day."""
    roof = make_roof(days=9, kinds="c", step=3600)
    for hour in hours:
        for u in range(5):
            roof.standby(u, roof.when(5, 5, hour, hour + 1), "starting")
    assert len([c for c in run_rule("site-outage", case_of(roof)).candidates if c.days[5]]) == told


@pytest.mark.parametrize(
    ("lit", "stood", "enough", "every"), [(5, 4, True, True), (5, 3, False, True), (3, 3, True, False), (1, 1, False, False)]
)
def test_a_unit_that_the_sun_does_not_reach_has_no_hours_to_be_down_in(lit: int, stood: int, enough: bool, every: bool) -> None:
    """Planes to the north in winter: who stands in the light speaks for the site, if it is not one alone."""
    case = case_of(make_roof(days=4))
    case.table["lit_h"][:, 2 * lit :] = 0.0
    down = np.zeros((case.day_count, 5))
    down[2, :stood] = 4.0
    told = rule._most_lit(case, down)
    assert (told[0][2], told[1][2]) == (enough, every)
    assert not told[0][[0, 1, 3]].any()


@pytest.mark.parametrize(("fault_too", "fault"), [(False, "unit-standby"), (True, "site-outage")])
def test_one_unit_in_fault_beside_one_that_waits_are_two_faults(fault_too: bool, fault: str) -> None:
    """Two units stand still on a grid that is there: each for itself, unless both say fault."""
    roof = make_roof(days=8, kinds="c", units=[["south", "south"]] * 2)
    roof.standby(0, roof.when(4, 6), "fault")
    roof.standby(1, roof.when(4, 6), "fault" if fault_too else "standby")
    assert {f.fault for f in findings(roof)} == {fault}


def _off_in_the_cold(minutes_apart: float = 0.0, step: int = 300) -> Roof:
    """Power alone, in the frost: nothing from late morning of day 5 until the morning of day 8, one unit after the other."""
    roof = make_roof(days=12, first=FIRST_DAY - 125, air_c=-3.0, kinds="c", step=step)
    for n in range(10):
        begun = roof.when(5, 5, 10.5 + n * minutes_apart / 60) | roof.when(6, 7) | roof.when(8, 8, 0, 9)
        roof.scale(n, 0.0, begun)
    roof.without |= {"state", "dc_voltage_v", "dc_current_a", "ac_voltage_v", "ac_frequency_hz"}
    return roof


def test_what_stops_all_at_one_moment_in_plain_light_is_no_snow() -> None:
    roof = _off_in_the_cold()
    found = only(findings(roof, weather=roof.weather()))
    assert (found.fault, found.first_seen, found.days) == ("site-outage", day_iso(FIRST_DAY - 125 + 5), 3)


@pytest.mark.parametrize(("minutes", "step", "off"), [(0.0, 300, 3), (0.0, 1800, 0), (4.0, 300, 0)])
def test_one_after_the_other_or_in_coarse_rows_it_may_be_snow(minutes: float, step: int, off: int) -> None:
    assert rule.switched_off(case_of(_off_in_the_cold(minutes, step))).sum() >= off
    assert off or not rule.switched_off(case_of(_off_in_the_cold(minutes, step))).any()


@pytest.mark.parametrize(("name", "value"), [("AT_ONCE", -1.0), ("FINE_ROWS", 60.0), ("FROM", 1.2)])
def test_what_a_switch_is(threshold: MoveThreshold, name: str, value: float) -> None:
    case = case_of(_off_in_the_cold(1.0))
    assert rule.switched_off(case).any()
    threshold(rule, name, value)
    if name == "AT_ONCE":
        case.table.fields["step_s"][:] = 1.0
    assert not rule.switched_off(case).any()


@pytest.mark.parametrize(("hours", "told"), [((10.5, 13.0), True), ((7.0, 9.5), False)])
def test_in_hardly_any_light_nobody_orders_units_to_sleep(hours: tuple[float, float], told: bool, threshold: MoveThreshold) -> None:
    case = case_of(_out(make_roof(kinds="o", first=FIRST_DAY - 125), hours=hours, volts=231.0))
    assert bool(run_rule("site-outage", case).candidates) is told
    threshold(rule, "PLAIN_LIGHT", 9.0 if told else 0.0)
    assert bool(run_rule("site-outage", case).candidates) is not told


def test_one_unit_that_sees_a_grid_at_another_hour_makes_no_order() -> None:
    """Its stamps are off: it stands without a grid, too, but later."""
    roof = _out(make_roof(), units=4)
    roof.standby(4, roof.when(5, 5, 14.2, 17.5))
    roof.ac_volts[roof.when(5, 5, 14.2, 17.5), 4] = 0.0
    assert {c.fault for c in run_rule("site-outage", case_of(roof)).candidates} == {"site-outage"}


def test_units_that_sleep_in_the_gloom_are_no_outage(threshold: MoveThreshold) -> None:
    """No voltage and no log say that the grid was gone, and next to nothing was lost."""
    roof = make_roof(days=9, kinds="c")
    for u in range(5):
        roof.standby(u, roof.when(5, 5, 10.0, 13.0))
    roof.without |= {"ac_voltage_v", "ac_frequency_hz"}
    assert only(run_rule("site-outage", case_of(roof)).candidates).fault == "site-outage"
    threshold(rule, "PLAIN_LIGHT", 24.0)
    assert not run_rule("site-outage", case_of(roof)).candidates
