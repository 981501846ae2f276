from __future__ import annotations

import numpy as np
import pvlib
import pytest

import rules.resistance as rule
from rules.resistance import resistive
from tests.rules.conftest import MoveThreshold
from tests.rules.make import PMAX, VOC, Roof, case_of, findings, make_roof, only, run_rule


def _behind(roof: Roof, n: int, share: float, first: int = 0, last: int = 10**6, power_only: bool = False) -> Roof:
    """A resistance that takes ``share`` of full power, and so much less of less (Ohm's law at a steady voltage)."""
    when = roof.when(first, last)
    left = 1.0 - share * roof.power[:, n] / PMAX
    roof.power[when, n] *= left[when]
    if not power_only:
        roof.volts[when, n] *= left[when]
    return roof


def test_a_series_resistance_takes_a_share_that_grows_with_power() -> None:
    """Against pvlib's one-diode model: the loss over power of a module behind half an ohm is one figure within a twentieth."""
    light = np.array([200.0, 400.0, 600.0, 800.0, 1000.0])
    slope = 1.05 * 54 * 0.02569  # ideality 1.05, 54 cells in series, kT/q at 25 Celsius: as the module of make.py
    photo, dark, shunt = 12.95 * light / 1000.0, 12.95 * np.exp(-VOC / slope), 4e5 / light
    healthy, behind = (pvlib.pvsystem.singlediode(photo, dark, 0.2 + more, shunt, slope)["p_mp"].to_numpy() for more in (0.0, 0.5))
    assert healthy[-1] == pytest.approx(PMAX, rel=0.03)
    over = (1.0 - behind / healthy) / healthy
    assert over / over.mean() == pytest.approx(np.ones(len(light)), abs=0.05)


@pytest.mark.parametrize("power_only", [False, True])
def test_deeper_the_brighter_the_day(power_only: bool) -> None:
    roof = _behind(make_roof(days=20, kinds="cmomc"), 2, 0.25, first=6, power_only=power_only)
    if power_only:
        roof.without |= {"dc_voltage_v", "dc_current_a"}
    case = case_of(roof)
    told = resistive(case)
    assert list(told) == [2]
    assert np.flatnonzero(told[2].days)[0] in (6, 7)
    found = only(findings(roof))
    assert (found.fault, found.unit, found.input) == ("weak-input", "U2", 1)
    assert found.evidence["grows_with"] == "power"
    assert found.loss_wh_total == pytest.approx(roof.lost_wh(), rel=0.2)


def test_from_the_first_day_on() -> None:
    assert list(resistive(case_of(_behind(make_roof(days=15, kinds="cmomc"), 2, 0.25)))) == [2]


def test_no_rain_makes_it_dirt() -> None:
    """It came and went with a contact that was moved: dirt would have taken its share of dim light too."""
    roof = _behind(make_roof(days=24, kinds="cmomc"), 2, 0.25, 6, 16)
    assert [(f.fault, f.input) for f in findings(roof)] == [("weak-input", 1)]


def test_a_steady_share_is_none() -> None:
    roof = make_roof(days=20, kinds="cmomc")
    assert not resistive(case_of(roof.scale(2, 0.8, roof.when(6))))


def test_hours_of_shade_are_none() -> None:
    """A shadow takes the direct sun at its hours: the morning's loss over power is not the afternoon's."""
    roof = make_roof(days=20, kinds="cmomc")
    roof.shade(2, (80.0, 150.0), 70.0, 0.5)
    assert not resistive(case_of(roof))


def test_lost_current_is_none() -> None:
    """Power falls as behind a resistance while the voltage stays: something else limits the current."""
    roof = make_roof(days=20, kinds="cmomc")
    volts = roof.volts.copy()
    _behind(roof, 2, 0.25, first=6)
    roof.volts[:] = volts
    assert not resistive(case_of(roof))


@pytest.mark.parametrize(
    ("name", "value"),
    [("FALL", 0.4), ("STEADY", 0.001), ("MIN_DAYS", 99), ("SPAN", 0.01), ("GROWS", -1.0), ("HOURS", 0.001), ("STRAIGHT", 0.001)],
)
def test_thresholds_count(threshold: MoveThreshold, name: str, value: float) -> None:
    roof = _behind(make_roof(days=20, kinds="cmomc"), 2, 0.25, first=6)
    threshold(rule, name, value)
    resistive.cache_clear()  # type: ignore[attr-defined]
    assert not resistive(case_of(roof))


def test_a_resistance_is_no_dirt() -> None:
    roof = _behind(make_roof(days=20, kinds="cmomc"), 2, 0.25, first=6)
    assert not run_rule("soiling", case_of(roof)).candidates
