"""A level and a straight fall, told from steps, rains and shadows."""

from __future__ import annotations

import numpy as np
import pytest

from rules import ageing
from rules.ageing import ramp_of
from rules.levels import relative_levels
from tests.rules.make import Roof, case_of, findings, make_roof, only, run_rule

DAYS = 45


def _course(slope: float, onset: int = 5, noise: float = 0.004) -> np.ndarray:
    rng = np.random.default_rng(4)
    return 1.0 - slope * np.maximum(np.arange(DAYS) - onset, 0) + noise * rng.standard_normal(DAYS)


@pytest.mark.parametrize("slope", [0.0025, 0.004, 0.008])
@pytest.mark.parametrize("onset", [0, 5, 20])
def test_level_and_fall_are_found_again(slope: float, onset: int) -> None:
    found = ramp_of(_course(slope, onset), 0.004)
    if slope * (DAYS - onset) < ageing.LEAST_DROP.value:
        assert found is None
        return
    assert found is not None
    assert found.own == pytest.approx(1.0, abs=0.01)
    assert found.slope == pytest.approx(-slope, rel=0.05)
    assert abs(int(np.flatnonzero(found.days)[0]) - onset) <= 3


def test_what_is_no_ramp() -> None:
    flat, step, rain = np.ones(DAYS), np.where(np.arange(DAYS) < 20, 1.0, 0.8), _course(0.004)
    rain[25:] += 0.08
    for course in (flat, step, rain, _course(0.03, 30), _course(0.004, noise=0.06)):
        assert ramp_of(course, 0.004) is None
    assert ramp_of(np.full(DAYS, np.nan), 0.004) is None


def test_a_day_of_another_cause_bends_no_ramp() -> None:
    course = _course(0.004)
    course[[12, 30]] = 0.3
    found = ramp_of(course, 0.004)
    assert found is not None
    assert found.slope == pytest.approx(-0.004, rel=0.05)


def _sunk(per_day: float, hours: tuple[float, float] = (0.0, 24.0)) -> Roof:
    roof = make_roof(days=DAYS, kinds="cmccmcc", units=[["south", "south"]] * 4)
    for d in range(5, DAYS):
        roof.scale(2, max(0.3, 1.0 - per_day * (d - 5)), roof.when(d, d, *hours))
    return roof


@pytest.mark.parametrize("per_day", [0.003, 0.006])
def test_an_input_that_sinks_for_weeks_is_never_passed_over(per_day: float) -> None:
    """Published soiling rates are 0.1 to 0.5 % a dry day (from memory), and parts fail slowly, too: both cost as much."""
    roof = _sunk(per_day)
    found = only([f for f in findings(roof) if f.fault != "clipping"])
    assert (found.fault, found.unit, found.input) == ("weak-input", roof.site.inputs[2].key[0], roof.site.inputs[2].key[1])
    assert found.evidence["slope_per_day"] == pytest.approx(-per_day, rel=0.05)
    assert found.loss_wh_total == pytest.approx(roof.lost_wh([2]), rel=0.15)
    assert {a.fault for a in found.alternatives} >= {"soiling"}


def test_a_shadow_that_lengthens_with_the_season_is_no_ramp() -> None:
    case = case_of(_sunk(0.012, (5.0, 10.5)))
    ramp, levels = ageing.Ramp(1.0, -0.004, 0.2, np.arange(DAYS) >= 5), relative_levels(case)
    assert not ageing.at_every_hour(case, 2, ramp, levels.scale[:, 2])
    assert not [c for c in run_rule("weak-input", case).candidates if "no rain" in c.why]
