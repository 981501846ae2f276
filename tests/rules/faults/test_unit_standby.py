from __future__ import annotations

import numpy as np
import pytest

import rules.faults.unit_standby as rule
import rules.hard
from rules.case import Case
from rules.engine import judge
from tests.rules.conftest import MoveThreshold
from tests.rules.make import FIRST_DAY, VOC, Roof, case_of, findings, make_roof, only, run_rule


def _roof() -> Roof:
    roof = make_roof()
    roof.standby(1, roof.when(5, 9))
    return roof


@pytest.fixture(scope="module")
def case() -> Case:
    return case_of(_roof())


def test_fires(case: Case) -> None:
    found = only(judge(case.table).findings)
    assert (found.fault, found.unit, found.input, found.days) == ("unit-standby", "U2", None, 5)
    assert found.loss_wh_total == pytest.approx(_roof().lost_wh(), rel=0.2)


@pytest.mark.parametrize(("name", "value"), [("MIN_HOURS", 30.0), ("MIN_SHARE", 1.1)])
def test_thresholds_count(case: Case, threshold: MoveThreshold, name: str, value: float) -> None:
    assert run_rule("unit-standby", case).candidates
    threshold(rules.hard, name, value)
    threshold(rules.hard, "PLAIN_HOURS", 99.0)
    assert not run_rule("unit-standby", case).candidates


@pytest.mark.parametrize(("factor", "fires"), [(0.75, False), (1.3, True)])
def test_just_under_and_over_the_share_of_a_day(threshold: MoveThreshold, factor: float, fires: bool) -> None:
    threshold(rules.hard, "PLAIN_HOURS", 99.0)
    roof = make_roof(days=5, kinds="c")
    lit = case_of(roof).table["lit_h"][2, 2]
    hours = factor * max(rules.hard.MIN_HOURS.value, rules.hard.MIN_SHARE.value * lit)
    roof.standby(1, roof.when(2, 2, 9.0, 9.0 + hours))
    assert bool(run_rule("unit-standby", case_of(roof)).candidates) is fires


def test_found_on_its_first_full_day() -> None:
    roof = make_roof(days=6, kinds="c")
    roof.standby(1, roof.when(5, 5))
    assert only(findings(roof)).fault == "unit-standby"


def test_a_locked_fault_is_told() -> None:
    roof = make_roof(days=6)
    roof.standby(1, roof.when(2, 4), state="fault")
    assert "state fault" in only(findings(roof)).why


def test_without_states_power_and_voltage_suffice() -> None:
    roof = _roof()
    roof.without |= {"state"}
    assert only(findings(roof)).fault == "unit-standby"


def test_every_unit_at_once_is_an_outage() -> None:
    roof = make_roof(days=6)
    for u in range(5):
        roof.standby(u, roof.when(2, 3))
        roof.ac_volts[roof.when(2, 3), u] = 0.0
    assert {f.fault for f in findings(roof)} == {"site-outage"}


@pytest.mark.parametrize("profile", ["", "reconnect_s = 300\n"])
def test_the_wait_to_enter_service_is_no_fault(profile: str) -> None:
    """IEEE 1547-2018 (as abstracts quote it): 300 s to enter service and up to 300 s of ramp after a dip of 0.2 s."""
    roof = make_roof(days=8, kinds="c", grid="nominal_v = 230.0\n" + profile)
    for day in range(1, 8):
        for hour in (10.0, 13.0):
            wait = roof.when(day, day, hour, hour + 300 / 3600 + 1e-6)
            ramp = roof.when(day, day, hour + 300 / 3600, hour + 600 / 3600 + 1e-6)
            for u in range(5):
                roof.standby(u, wait, state="starting")
                for n in roof.inputs_of(u):
                    roof.scale(n, 0.5, ramp)
    assert findings(roof) == []


def test_rows_that_lack_are_not_judged() -> None:
    roof = make_roof(days=6)
    roof.silent(1, roof.when(2, 4))
    assert {(u.input, u.days) for u in run_rule("unit-standby", case_of(roof)).unjudged} == {(2, 3), (3, 3)}


@pytest.mark.parametrize(("hours", "fires"), [(2.0, False), (3.0, True)])
def test_an_afternoon_is_enough_on_the_longest_day(hours: float, fires: bool) -> None:
    """Less than a third of its light, but no cloud and no start-up stops one unit alone for so long."""
    roof = make_roof(days=5, kinds="c", first=FIRST_DAY + 30)
    roof.standby(1, roof.when(2, 2, 15.0, 15.0 + hours))
    assert bool(run_rule("unit-standby", case_of(roof)).candidates) is fires


@pytest.mark.parametrize(("trickle", "fires"), [(0.0, True), (0.03, False), (0.3, True)])
def test_a_trickle_is_no_standby(trickle: float, fires: bool) -> None:
    """Stops at noon; what it makes beside tells whether it was covered (common practice: snow lets some light through)."""
    roof = make_roof(days=9, kinds="c")
    for n in roof.inputs_of(1):
        roof.scale(n, trickle, roof.when(4, 6))
        if not trickle:
            roof.volts[roof.when(4, 6), n] = 0.95 * VOC
    roof.standby(1, roof.when(4, 6, 10.0, 14.0))
    assert bool(run_rule("unit-standby", case_of(roof)).candidates) is fires


def test_how_little_a_trickle_is(threshold: MoveThreshold) -> None:
    roof = make_roof(days=9, kinds="c")
    for n in roof.inputs_of(1):
        roof.scale(n, 0.03, roof.when(4, 6))
    roof.standby(1, roof.when(4, 6, 10.0, 14.0))
    case = case_of(roof)
    for name, value in (("TRICKLE", 0.04), ("HARDLY", 0.005), ("REST", 1.1)):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(rule, name, type(rule.REST)(value, "", ""))
            assert run_rule("unit-standby", case).candidates
    threshold(rule, "REST", 0.25)
    assert not run_rule("unit-standby", case).candidates


def test_starts_between_trips_of_the_grid_are_no_trickle() -> None:
    """A unit that stands still on a supply that leaves its window most days, and tries to start then."""
    roof = make_roof(days=12, kinds="c")
    for day in range(4, 12):
        out = roof.when(day, day, 10.0, 10.5)
        roof.ac_volts[out] = 266.0
        roof.power[roof.when(day, day, 10.0, 10.6)] = 0.0
    stands = roof.when(4, 11)
    roof.standby(1, stands, "fault")
    roof.power[np.ix_(roof.when(4, 11, 10.6, 14.0), roof.inputs_of(1))] = 6.0
    found = [c for c in run_rule("unit-standby", case_of(roof)).candidates if c.inputs == tuple(roof.inputs_of(1))]
    assert only(found).days.sum() >= 7


def test_hours_that_a_wrong_clock_moves_into_the_dark(monkeypatch: pytest.MonkeyPatch) -> None:
    roof = make_roof(days=10, kinds="c")
    roof.standby(1, roof.when(3, 8, 14.0, 17.0))
    case = case_of(roof)
    assert run_rule("unit-standby", case).candidates
    monkeypatch.setattr(rule, "unit_hours_off", lambda case: np.full((case.day_count, len(case.site.units)), 3.5))
    assert not run_rule("unit-standby", case).candidates


def test_snow_of_one_week_says_nothing_of_a_stop_in_another() -> None:
    roof = make_roof(days=20, kinds="c")
    for n in roof.inputs_of(1):
        roof.scale(n, 0.03, roof.when(2, 5))
    roof.standby(1, roof.when(2, 5, 10.0, 14.0))
    roof.standby(1, roof.when(12, 17))
    found = [c for c in run_rule("unit-standby", case_of(roof)).candidates if c.inputs == tuple(roof.inputs_of(1))]
    assert np.flatnonzero(only(found).days).tolist() == list(range(12, 18))
