from __future__ import annotations

import numpy as np
import pytest

import rules.faults.restart_cycling as rule
from rules.case import Case
from rules.engine import judge
from rules.finding import Threshold
from rules.reduce import reduce_days
from tests.rules.conftest import MoveThreshold
from tests.rules.make import NO_WEATHER, Roof, case_of, findings, make_roof, only, run_rule


def _stops(roof: Roof, per_day: int, days: tuple[int, int], units: tuple[int, ...] = (1,)) -> Roof:
    for day in range(days[0], days[1] + 1):
        for k in range(per_day):
            start = 9.0 + 7.0 * k / per_day
            for u in units:
                roof.standby(u, roof.when(day, day, start, start + 0.3), state="starting")
    return roof


@pytest.fixture(scope="module")
def case() -> Case:
    return case_of(_stops(make_roof(kinds="c"), 5, (5, 8)))


def test_fires(case: Case) -> None:
    found = only(judge(case.table).findings)
    assert (found.fault, found.unit, found.input, found.days) == ("restart-cycling", "U2", None, 4)
    assert found.evidence["restarts"] == 20
    assert found.loss_wh_total == pytest.approx(_stops(make_roof(kinds="c"), 5, (5, 8)).lost_wh(), rel=0.2)
    assert found.action == "visit"


def test_just_under_and_over_the_count_of_a_day() -> None:
    few, enough = int(rule.PER_DAY.value) - 1, int(rule.PER_DAY.value)
    assert not run_rule("restart-cycling", case_of(_stops(make_roof(days=8, kinds="c"), few, (3, 6)))).candidates
    assert run_rule("restart-cycling", case_of(_stops(make_roof(days=8, kinds="c"), enough, (3, 6)))).candidates


def test_the_count_of_a_day_is_a_threshold(case: Case, threshold: MoveThreshold) -> None:
    threshold(rule, "PER_DAY", 6)
    threshold(rule, "RETURNS", 99)
    assert not run_rule("restart-cycling", case).candidates


def test_one_day_alone_must_be_plain(threshold: MoveThreshold) -> None:
    case = case_of(_stops(make_roof(days=6, kinds="c"), int(rule.ALONE.value) + 1, (3, 3)))
    assert run_rule("restart-cycling", case).candidates
    threshold(rule, "ALONE", 99)
    assert not run_rule("restart-cycling", case).candidates


def test_clouds_stop_siblings_too() -> None:
    assert not findings(make_roof(kinds="m"), "restart-cycling")


def test_every_unit_at_once_is_the_grid() -> None:
    roof = _stops(make_roof(days=8, kinds="c"), 5, (3, 6), units=(0, 1, 2, 3, 4))
    assert not findings(roof, "restart-cycling")


def test_rows_that_lack_are_a_weak_link() -> None:
    roof = make_roof(days=8, kinds="c")
    for day in range(3, 7):
        for k in range(8):
            roof.silent(1, roof.when(day, day, 8 + k, 8.3 + k))
    assert not findings(roof, "restart-cycling")


def test_standing_still_for_hours_is_standby() -> None:
    roof = make_roof(days=8, kinds="c")
    roof.standby(1, roof.when(3, 6, 9, 16))
    assert {f.fault for f in findings(roof)} == {"unit-standby"}


def test_hourly_rows_cannot_show_it() -> None:
    result = run_rule("restart-cycling", case_of(make_roof(days=5, step=3600)))
    assert not result.candidates
    assert {u.reason for u in result.unjudged} == {"rows too far apart to see restarts"}


def test_steps_of_a_counter_in_dim_light_are_no_restarts() -> None:
    """Whole watt-hours every five minutes are steps of 12 W: a module that makes 6 to 20 W counts 1 0 1 0 0 2."""
    roof = make_roof(kinds="c", units=[["south"]] * 4)
    roof.without = {"dc_power_w", "dc_voltage_v", "dc_current_a", "state", "ac_power_w"}
    roof.scale(2, np.where(roof.poa[:, 2] < 200, 0.12, 1.0), np.ones(len(roof.ts), bool))
    frame = roof.frame()
    frame["energy_total_wh"] = np.floor(frame["energy_total_wh"])
    table = reduce_days(roof.site, frame, NO_WEATHER)
    assert table["restarts"].sum() == 0


def test_a_unit_that_restarts_now_and_then_while_others_never_do() -> None:
    """Rows of a quarter of an hour see one of many stops a day."""
    roof = make_roof(days=20, kinds="c", step=900)
    for day in range(2, 20, 2):
        roof.standby(1, roof.when(day, day, 11.0, 11.5), state="starting")
    case = case_of(roof)
    found = only(run_rule("restart-cycling", case).candidates)
    assert (found.inputs, int(found.days.sum())) == ((2, 3), 9)
    assert only(findings(roof, "restart-cycling")).days == 9  # one trouble, one finding
    for name, value in (("HABIT", 99), ("HABIT_DAYS", 99), ("OTHERS", 9), ("SAID", 1.1), ("RARELY", -1.0)):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(rule, name, Threshold(value, "", "moved"))
            assert not run_rule("restart-cycling", case).candidates


def test_units_that_stop_on_the_same_days_do_not_fail_by_themselves(threshold: MoveThreshold) -> None:
    """Two of five: a median of the others does not see them."""
    roof = make_roof(days=20, kinds="c", step=900)
    for day in range(2, 20, 2):
        for u in (1, 3):
            roof.standby(u, roof.when(day, day, 11.0, 11.5), state="starting")
    case = case_of(roof)
    assert not run_rule("restart-cycling", case).candidates
    threshold(rule, "TOGETHER", 1.1)
    assert len(run_rule("restart-cycling", case).candidates) == 2


def test_a_unit_on_a_weak_cable_restarts_by_its_grid() -> None:
    roof = make_roof(days=20, kinds="c", step=900)
    for day in range(2, 20, 2):
        roof.standby(1, roof.when(day, day, 11.0, 11.5), state="starting")
        roof.ac_volts[roof.when(day, day, 10.75, 11.25), 1] = 256.0
    assert not run_rule("restart-cycling", case_of(roof)).candidates


def test_a_supply_that_leaves_its_window_restarts_all_or_none() -> None:
    """One unit restarts for itself on days on which the grid trips all once."""
    roof = _stops(make_roof(days=8, kinds="c"), 9, (3, 6))
    for d in range(3, 7):
        roof.ac_volts[roof.when(d, d, 9.5, 10.2)] = 256.0
        for u in range(5):
            roof.standby(u, roof.when(d, d, 9.5, 10.3))
    found = {(f.fault, f.unit) for f in findings(roof)}
    assert found == {("grid-out-of-range", None), ("restart-cycling", "U2")}


def test_what_a_unit_stood_still_for_is_lost_though_its_plane_is_its_own() -> None:
    roof = make_roof(days=8, kinds="c", units=[["south", "south"], ["west", "west"]])
    _stops(roof, 9, (3, 6))
    found = only(findings(roof, "restart-cycling"))
    assert found.loss_wh_total == pytest.approx(roof.lost_wh(), rel=0.35)


def test_hourly_rows_show_no_habit() -> None:
    """A unit alone on its plane that stands by from the row on after which its sun is gone."""
    roof = make_roof(days=12, kinds="c", step=3600, units=[["south"] * 2, ["west"] * 2, ["west"] * 2])
    roof.standby(0, roof.when(0, 99, 15.0, 15.9))
    assert not run_rule("restart-cycling", case_of(roof)).candidates


def test_stops_in_pieces_beside_a_unit_that_stands_for_good() -> None:
    """With half of four units still at once no stop counts as one unit's; its pieces tell it."""
    units = (("south",) * 2,) * 4
    roof = _stops(make_roof(days=10, kinds="c", units=units), 5, (3, 8))
    roof.standby(0, roof.when(1, 9))
    found = {c.inputs: c for c in run_rule("restart-cycling", case_of(roof)).candidates}
    assert set(found) == {tuple(roof.inputs_of(1))}
    assert found[tuple(roof.inputs_of(1))].days.sum() >= 5


def test_one_stop_a_day_is_in_one_piece() -> None:
    roof = make_roof(days=10, kinds="c")
    roof.standby(1, roof.when(3, 8, 10.0, 14.0))
    assert not run_rule("restart-cycling", case_of(roof)).candidates


def test_a_contact_that_opens_once_a_day_when_warm_is_idle() -> None:
    """The unit of one module says that it starts, from the same hour on, until the evening."""
    roof = make_roof(days=16, kinds="cccccm", units=[["south"]] * 3 + [["west"]] * 2)
    roof.standby(1, roof.when(3, 14, 10.0, 17.0), state="starting")
    assert {(f.fault, f.unit) for f in findings(roof)} == {("idle-input", "U2")}


def test_rows_that_lack_the_power_of_the_input_that_works_are_no_stops(threshold: MoveThreshold) -> None:
    roof = make_roof(days=10, kinds="c")
    roof.without |= {"state", "ac_power_w", "energy_total_wh"}
    roof.idle(2, roof.when(3, 8, 9.0, 17.0))
    for k in range(4):
        empty = np.ix_(roof.when(3, 8, 10.0 + 1.5 * k, 10.2 + 1.5 * k), [3])
        roof.power[empty], roof.volts[empty] = np.nan, np.nan
    case = case_of(roof)
    assert not run_rule("restart-cycling", case).candidates
    threshold(rule, "MIN_HOURS", 99.0)
    assert run_rule("restart-cycling", case).candidates
