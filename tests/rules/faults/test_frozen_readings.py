from __future__ import annotations

import numpy as np
import pytest

import rules.faults.frozen_readings as rule
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
    assert not run_rule("frozen-readings", case).candidates


def test_power_alone_needs_more_rows(threshold: MoveThreshold) -> None:
    roof = _frozen()
    roof.without |= {"dc_voltage_v", "dc_current_a"}
    case = case_of(roof)
    assert run_rule("frozen-readings", case).candidates
    threshold(rule, "BLIND_ROWS", 200)
    assert not run_rule("frozen-readings", case).candidates


@pytest.mark.parametrize(("factor", "fires"), [(0.5, False), (2.0, True)])
def test_just_under_and_over_the_hours(factor: float, fires: bool) -> None:
    hours = factor * max(rule.MIN_HOURS.value, rule.MIN_ROWS.value / 12)
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
