"""A unit whose own stamps are off, seen by its siblings' sun and clouds."""

from __future__ import annotations

import numpy as np
import pytest

import rules.faults.clock_shift
import rules.unitclock
from rules.unitclock import unit_lags
from tests.rules.conftest import MoveThreshold
from tests.rules.make import Roof, case_of, findings, make_roof, run_rule


def _moved(minutes: int, roof: Roof | None = None) -> Roof:
    """Unit U2's record so many minutes late."""
    roof = roof or make_roof(days=12, units=[["south"] * 2] * 5)
    for values in (roof.power, roof.volts, roof.heard):
        values[:, roof.inputs_of(1)] = np.roll(values[:, roof.inputs_of(1)], minutes // 5, axis=0)
    roof.healthy = roof.power.copy()
    return roof


@pytest.mark.parametrize("minutes", [45, 60, 120, -60])
def test_its_lag_is_read_from_its_siblings(minutes: int) -> None:
    lags, told = unit_lags(case_of(_moved(minutes)))
    assert np.nanmedian(lags[:, 1]) == pytest.approx(minutes, abs=6)
    assert np.isfinite(lags[:, 1]).sum() >= 8
    assert not np.isfinite(lags[:, [0, 2, 3, 4]]).any()
    assert told[:, 0].sum() >= 8


def test_it_is_a_clock_and_no_shade() -> None:
    found = findings(_moved(60))
    assert {(f.fault, f.unit, f.input) for f in found} == {("clock-shift", "U2", None)}
    assert found[0].evidence["shift_min"] == pytest.approx(60, abs=6)
    assert found[0].loss_wh_total == 0.0


def test_shade_of_half_a_day_gives_nothing_back() -> None:
    roof = make_roof(days=12, kinds="c")
    for n in roof.inputs_of(1):
        roof.shade(n, (200.0, 290.0), 60.0, 0.95)
    assert not [c for c in run_rule("clock-shift", case_of(roof)).candidates if c.scope == "unit"]


def test_shade_moves_a_course_and_leaves_its_ends() -> None:
    """A lopsided day beside lopsided siblings may look moved; it still starts and ends with them."""
    case, days = case_of(_moved(60)), np.ones(12, bool)
    ends_move = rules.faults.clock_shift._ends_move
    assert ends_move(case, case.inputs_of_unit(1), days, 60.0)
    assert not ends_move(case, case.inputs_of_unit(0), days, 60.0)
    assert not ends_move(case, case.inputs_of_unit(1), days, -60.0)
    assert ends_move(case, case.inputs_of_unit(0), np.zeros(12, bool), 60.0)


@pytest.mark.parametrize(
    ("name", "value"),
    [("LEAST", 200.0), ("LIKE", 1.1), ("BETTER", 0.0), ("BACK", 1.1), ("UNITS", 9), ("ENERGY", 99.0), ("LEAD", 1.1)],
)
def test_what_a_lag_must_show(threshold: MoveThreshold, name: str, value: float) -> None:
    case = case_of(_moved(60))
    assert np.isfinite(unit_lags(case)[0]).any()
    threshold(rules.unitclock, name, value)
    assert not np.isfinite(unit_lags(case)[0]).any()


@pytest.mark.parametrize(("name", "value"), [("UNIT_DAYS", 99), ("UNIT_SHARE", 1.1), ("UNIT_SPREAD", -1.0)])
def test_how_steady_it_must_be(threshold: MoveThreshold, name: str, value: float) -> None:
    case = case_of(_moved(60))
    assert run_rule("clock-shift", case).candidates
    threshold(rules.faults.clock_shift, name, value)
    assert not run_rule("clock-shift", case).candidates


def test_a_swapped_record_follows_another_planes_sun() -> None:
    planes = {"south": (135.0, 30.0), "west": (265.0, 30.0)}
    roof = make_roof(planes=planes, rated_va=None, units=[["south"]] * 5 + [["west"]] * 5)
    for column in (roof.power, roof.volts):
        column[:, [1, 7]] = column[:, [7, 1]]
    assert {f.fault for f in findings(roof) if f.fault != "clipping"} == {"swapped-record"}
