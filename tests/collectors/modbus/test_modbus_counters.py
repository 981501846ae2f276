"""Lifetime counters over their wrap, and resets."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from collectors.modbus.counters import MAX_INPUT_W, unwrap


def one(value: float, last: float, hours: float = 0.1, span: float = 2.0**32 / 1000) -> tuple[float, bool]:
    total, reset = unwrap(np.array([value]), np.array([span]), np.array([last]), np.array([hours]))
    return float(total[0]), bool(reset[0])


SPAN = 2.0**32 / 1000  # an acc32 in mWh


def test_ordinary_growth() -> None:
    assert one(1000.5, 1000.0) == (1000.5, False)


def test_first_reading_is_taken_as_it_is() -> None:
    assert one(1000.0, np.nan) == (1000.0, False)


def test_not_reported_stays_not_reported() -> None:
    total, reset = one(np.nan, 1000.0)
    assert np.isnan(total)
    assert not reset


def test_wrap_goes_on() -> None:
    total, reset = one(12.0, SPAN - 5.0)
    assert total == pytest.approx(SPAN + 12.0)
    assert not reset


def test_after_the_wrap_every_reading_is_continued() -> None:
    total, reset = one(30.0, SPAN + 12.0)
    assert total == pytest.approx(SPAN + 30.0)
    assert not reset


def test_reset_is_not_a_wrap() -> None:
    assert one(3.0, 500_000.0) == (3.0, True)


def test_long_gap_gives_a_wrap_the_benefit() -> None:
    below = MAX_INPUT_W * 24
    assert one(1.0, SPAN - below + 10, hours=24)[1] is False
    assert one(1.0, SPAN - below - 10, hours=24)[1] is True


def test_counter_without_end_never_wraps() -> None:
    assert one(3.0, 500_000.0, span=np.inf) == (3.0, True)


def test_float_noise_is_no_reset() -> None:
    assert one(999.8, 1000.0) == (999.8, False)


@given(st.integers(0, 2**32 - 1), st.lists(st.floats(0, 150), min_size=1, max_size=60))
def test_continued_counter_equals_the_energy_made(start: int, steps: list[float]) -> None:
    """Any start, any energy of up to 1.8 kW for 5 minutes a step: the total never jumps."""
    true, last = start / 1000, start / 1000
    for step in steps:
        true += step
        last, reset = one(true % SPAN, last, hours=5 / 60)
        assert not reset
        assert last == pytest.approx(true, abs=1e-3)
