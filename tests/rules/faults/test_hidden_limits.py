"""Limits that hold no level: what the sensor's light offers tells them."""

from __future__ import annotations

import numpy as np
import pytest

import rules.withheld as light
from tests.rules.conftest import MoveThreshold
from tests.rules.make import PMAX, Roof, case_of, findings, make_roof, only, run_rule


def _follows_load(roof: Roof, first: int = 6, last: int = 9, lifts: bool = True) -> Roof:
    """No more than a house's load is taken, that wanders between 0.15 and 0.4 of the modules' rating within minutes."""
    when = roof.when(first, last)
    steps = np.random.default_rng(4).uniform(0.15, 0.4, len(roof.ts))
    limit = np.convolve(steps, np.full(3, 1 / 3), "same")[:, None] * PMAX
    held = when[:, None] & (roof.power > limit)
    # Single-diode model: at half of its power a module lies some 10 % above its best voltage.
    roof.volts[held] *= 1.1 if lifts else 1.0
    roof.power = np.where(held, np.minimum(roof.power, limit), roof.power)
    return roof


def test_a_limit_that_follows_the_load() -> None:
    roof = _follows_load(make_roof(days=14, kinds="ccm"))
    found = only(findings(roof, "curtailment", roof.weather()))
    assert (found.unit, found.days, found.action) == (None, 4, "none")
    assert found.evidence["volts_ratio"] == pytest.approx(1.1, abs=0.03)
    assert found.loss_wh_total == pytest.approx(roof.lost_wh(), rel=0.2)


def test_without_a_sensor_nobody_knows() -> None:
    assert not findings(_follows_load(make_roof(days=14, kinds="ccm")), "curtailment")


def test_without_a_voltage_it_takes_more_days(threshold: MoveThreshold) -> None:
    roof = _follows_load(make_roof(days=14, kinds="ccm"))
    roof.without |= {"dc_voltage_v", "dc_current_a"}
    case = case_of(roof, roof.weather())
    assert only(run_rule("curtailment", case).candidates).days.sum() >= light.BLIND_DAYS.value
    threshold(light, "BLIND_DAYS", 9)
    assert not run_rule("curtailment", case_of(roof, roof.weather())).candidates


def test_a_voltage_that_stays_speaks_against_it() -> None:
    roof = _follows_load(make_roof(days=14, kinds="ccm"), lifts=False)
    assert not run_rule("curtailment", case_of(roof, roof.weather())).candidates


@pytest.mark.parametrize("lifts", [True, False])
def test_without_a_dim_hour_the_voltage_tells(lifts: bool, threshold: MoveThreshold) -> None:
    """Hourly rows pass the dim light of a clear morning and evening in one step."""
    case = case_of(roof := _follows_load(make_roof(days=14, kinds="c", step=3600), lifts=lifts), roof.weather())
    threshold(light, "DIM", 0.0)
    assert bool(run_rule("curtailment", case).candidates) is lifts


def test_what_takes_a_share_of_all_hours_is_none() -> None:
    """Dirt, or snow that lets some light through."""
    roof = make_roof(days=14, kinds="ccm")
    roof.power[roof.when(6, 9)] *= 0.55
    roof.without |= {"dc_voltage_v", "dc_current_a"}
    assert not run_rule("curtailment", case_of(roof, roof.weather())).candidates


@pytest.mark.parametrize(("name", "value"), [("SHORT", 0.1), ("HOURS", 24.0), ("FREE_DAYS", 99), ("VOLTS", 1.4), ("DAYS", 9)])
def test_thresholds_count(threshold: MoveThreshold, name: str, value: float) -> None:
    roof = _follows_load(make_roof(days=14, kinds="ccm"))
    threshold(light, name, value)
    assert not run_rule("curtailment", case_of(roof, roof.weather())).candidates


def _volt_watt(roof: Roof, answers: bool = True) -> Roof:
    """A grid at up to 1.09 of nominal for hours, and units that answer by IEEE 1547-2018's default curve.

    Volt-watt, category B: all of the rating up to 1.06 of nominal, 20 % at 1.10, straight between.
    """
    rng = np.random.default_rng(3)
    for day in range(4, roof.days):
        top, noon = rng.uniform(1.075, 1.09), rng.uniform(11.0, 13.0)
        when = roof.when(day, day)
        bump = 1.0 + (top - 1.0) * np.exp(-(((roof.hour[when] - noon) / 3.0) ** 4))
        roof.ac_volts[when] = 230.0 * bump[:, None]
        limit = PMAX * (1.0 - 0.8 * (bump - 1.06) / 0.04)
        if answers:
            roof.power[when] = np.minimum(roof.power[when], limit[:, None])
    return roof


def test_units_that_answer_a_high_voltage() -> None:
    roof = _volt_watt(make_roof(days=14, kinds="ccm"))
    found = only(findings(roof, "curtailment", roof.weather()))
    assert found.days >= 6
    assert "grid voltage" in found.why
    assert found.loss_wh_total == pytest.approx(roof.lost_wh(), rel=0.3)


def test_a_high_voltage_alone_is_no_limit() -> None:
    roof = _volt_watt(make_roof(days=14, kinds="ccm"), answers=False)
    assert not run_rule("curtailment", case_of(roof, roof.weather())).candidates


@pytest.mark.parametrize(("name", "value"), [("HIGH", 1.2), ("FALLS", 0.3), ("HALF_HOURS", 999), ("COSTS", 0.9), ("BITES", 20.0)])
def test_thresholds_of_the_voltage_count(threshold: MoveThreshold, name: str, value: float) -> None:
    roof = _volt_watt(make_roof(days=14, kinds="ccm"))
    threshold(light, name, value)
    assert light.by_grid_volts(case_of(roof, roof.weather())) is None
