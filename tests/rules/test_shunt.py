from __future__ import annotations

import numpy as np
import pvlib
import pytest
from numpy.typing import NDArray

import rules.shunt as rule
from rules.givenback import given_back
from rules.shunt import drained, left_over, shunted
from tests.rules.conftest import MoveThreshold
from tests.rules.make import IMP, PMAX, VMP, VOC, Roof, case_of, findings, make_roof, only, run_rule

LIGHT = np.array([1.0, 20.0, 60.0, 100.0, 200.0, 300.0, 400.0, 600.0, 800.0, 1000.0, 1150.0])


def _one_diode(drain: float) -> NDArray[np.float64]:
    """Power by light of a module as that of make.py, W, by pvlib's one-diode model; a shunt takes ``drain`` of its full current."""
    slope = 1.05 * 54 * 0.02569  # ideality 1.05, 54 cells in series, kT/q at 25 Celsius
    photo, dark = 12.95 * LIGHT / 1000.0, 12.95 * np.exp(-VOC / slope)
    shunt = 1.0 / (LIGHT / 4e5 + drain * IMP / VMP)
    return np.asarray(pvlib.pvsystem.singlediode(photo, dark, 0.2, shunt, slope)["p_mp"])


def _leaking(roof: Roof, n: int, drain: float, first: int = 0, last: int = 10**6) -> Roof:
    healthy = _one_diode(0.0)
    left = np.interp(roof.power[:, n], healthy, _one_diode(drain) / healthy)
    return roof.scale(n, left, roof.when(first, last))


@pytest.mark.parametrize("drain", [0.05, 0.15])
def test_the_law_is_the_one_diode_models(drain: float) -> None:
    """Against pvlib's one-diode model (De Soto and others, 2006): within a hundredth of rated power, in any light."""
    healthy, leaking = _one_diode(0.0) / PMAX, _one_diode(drain) / PMAX
    assert left_over(healthy, drain) == pytest.approx(leaking, abs=0.012)


def test_what_is_left_tells_the_drain() -> None:
    power = np.linspace(0.05, 1.0, 20)
    assert drained(power, left_over(power, 0.1)) == pytest.approx(np.full(20, 0.1))


@pytest.mark.parametrize(("drain", "first"), [(0.06, 0), (0.06, 6), (0.18, 6)])
def test_most_of_the_dim_and_little_of_the_bright(drain: float, first: int) -> None:
    roof = _leaking(make_roof(days=20, kinds="cmomc"), 2, drain, first)
    case = case_of(roof)
    told = shunted(case)
    assert list(told) == [2]
    assert told[2].drain == pytest.approx(drain, rel=0.3)
    assert np.flatnonzero(told[2].days)[0] in (first, first + 1)
    found = only(findings(roof))
    assert (found.fault, found.unit, found.input) == ("weak-input", "U2", 1)
    assert found.loss_wh_total == pytest.approx(roof.lost_wh(), rel=0.2)


def test_shade_of_the_low_sun_is_none() -> None:
    """Both ends of the day in shadow cost most of their light too, but nothing under cloud."""
    roof = make_roof(days=20, kinds="cmomc")
    roof.shade(2, (0.0, 360.0), 30.0, 0.9)
    assert not shunted(case_of(roof))


@pytest.mark.parametrize("factor", [0.95, 0.85, 0.6])
def test_a_share_is_none(factor: float) -> None:
    roof = make_roof(days=20, kinds="cmomc")
    assert not shunted(case_of(roof.scale(2, factor, roof.when(6))))


def test_it_goes_when_the_module_is_changed_and_does_not_come_back() -> None:
    once = _leaking(make_roof(days=24, kinds="cmomc"), 2, 0.1, 4, 14)
    found = shunted(case_of(once))[2]
    assert found.days.tolist() == [4 <= d <= 14 for d in range(24)]
    again = _leaking(once, 2, 0.1, 18, 24)
    assert not shunted(case_of(again))


def test_below_its_units_lowest_voltage_a_leaking_module_makes_nothing() -> None:
    """At half its open voltage it lies under most trackers' range (common practice): in dim light even more is gone."""
    roof = make_roof(days=20, kinds="cmomc")
    dim = roof.power[:, 2] < 0.36 * PMAX
    roof = _leaking(roof, 2, 0.18, 6)
    roof.scale(2, np.where(dim, 0.3, 1.0), roof.when(6))
    assert shunted(case_of(roof))[2].drain == pytest.approx(0.18, rel=0.3)


def test_its_shadow_is_still_seen() -> None:
    roof = _leaking(make_roof(days=24, kinds="cmc"), 2, 0.06)
    assert not run_rule("shading", case_of(roof)).candidates
    roof = make_roof(days=24, kinds="cmocc")
    roof.shade(2, (150.0, 200.0), 80.0, 0.8)
    assert {(f.fault, f.input) for f in findings(_leaking(roof, 2, 0.06))} >= {("shading", 1)}


def test_what_was_taken_is_given_back() -> None:
    roof = _leaking(make_roof(days=20, kinds="cmomc"), 2, 0.1)
    case = case_of(roof)
    back = given_back(case, case)
    owed = np.where(back.table["typical"][:, 2] > 0, back.table["typical"][:, 2], np.nan)
    assert np.nanmedian(back.table["power"][:, 2] / owed) == pytest.approx(1.0, abs=0.03)
    healthy = case_of(make_roof(days=20, kinds="cmomc"))
    assert given_back(healthy, healthy) is healthy


@pytest.mark.parametrize(
    ("name", "value"),
    [("LIT", 0.6), ("DRAIN", 0.2), ("HEALTHY", 0.0), ("MIN_DAYS", 99), ("SPAN", 0.01), ("ALIKE", 0.001), ("SUNLESS", 9.0),
     ("DULL", 0.0), ("DULL_BINS", 10**6), ("DULL_DAYS", 99), ("ON", 9.0), ("MOST_DAYS", 2.0)],
)  # fmt: skip
def test_thresholds_count(threshold: MoveThreshold, name: str, value: float) -> None:
    roof = _leaking(make_roof(days=20, kinds="cmomc"), 2, 0.1, 6)
    assert shunted(case_of(roof))
    threshold(rule, name, value)
    shunted.cache_clear()  # type: ignore[attr-defined]
    assert not shunted(case_of(roof))


def test_less_than_a_counters_step_is_its_rounding() -> None:
    roof = make_roof(days=24, kinds="cmomc")
    case = case_of(_leaking(roof, 2, 0.06))
    assert set(shunted(case)) == {2}
    coarse = case_of(roof)
    coarse.table.fields["power"][:] = np.where(coarse.table["power"] > 0.0, np.maximum(coarse.table["power"], 0.04), 0.0)
    assert not shunted(coarse)
