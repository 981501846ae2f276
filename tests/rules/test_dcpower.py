"""DC power from lifetime counters."""

from __future__ import annotations

import numpy as np
import pytest

from rules.dcpower import completed_power
from rules.ranks import F32


def _power(energy: list[float], step_s: int) -> F32:
    """Power of one input on one day that holds counters alone, W, [K]."""
    count = len(energy)
    nothing = np.full((1, count, 1), np.nan, np.float32)
    counted = np.array(energy, dtype=np.float64).reshape(1, count, 1)
    return completed_power(nothing, nothing, nothing, counted, nothing, np.zeros(1, np.int64), step_s)[0, :, 0]


def test_before_a_days_first_row_nothing_has_an_hour() -> None:
    """A unit wakes with its first row: what the counter holds then was counted at night's end or the day before."""
    power = _power([np.nan, 1000.0, 1000.1, 1010.1, 1030.1], 300)
    assert np.isnan(power[:2]).all()
    assert power[2:] == pytest.approx([1.2, 120.0, 240.0])


def test_an_hours_rise_belongs_to_its_middle() -> None:
    """A course that rises and falls about noon is as even in hourly rows: by the closing stamp it would come half an hour late."""
    hours = np.arange(6.0, 19.0)
    counted = 1000.0 + 300.0 * np.cumsum(np.clip(np.cos((hours - 12.5) / 12.0 * np.pi), 0.0, None))
    power = _power(counted.tolist(), 3600)
    centre = float(np.nansum(power * hours) / np.nansum(power))
    assert centre == pytest.approx(12.0, abs=0.1)


def test_a_blank_cell_is_not_filled_with_the_neighbours_power() -> None:
    """Of 240 W AC one input of a pair makes all: by energy's balance the blank one made nothing (96 % from DC to AC)."""
    power = np.array([[[250.0, np.nan], [np.nan, np.nan]]], np.float32)
    nothing = np.full_like(power, np.nan)
    ac_power = np.full((1, 2, 1), 240.0, np.float32)
    filled = completed_power(power, nothing, nothing, nothing.astype(np.float64), ac_power, np.zeros(2, np.int64), 600)
    assert filled[0].tolist() == [[250.0, pytest.approx(0.0, abs=1.0)], [pytest.approx(125.0), pytest.approx(125.0)]]
