from __future__ import annotations

import numpy as np
import pytest

from rules.gridwindow import grid_window
from tests.rules.make import make_roof


def test_the_site_file_decides() -> None:
    window = grid_window(make_roof(days=1).site)
    assert (window.low_v, window.high_v, window.low_hz, window.high_hz) == (207.0, 253.0, 47.5, 51.5)
    assert (window.reconnect_s, window.assumed) == (300.0, False)


@pytest.mark.parametrize(("seen", "nominal"), [(238.0, 240.0), (121.5, 120.0), (229.0, 230.0), (99.0, 100.0)])
def test_nominal_voltage_is_read_from_the_data(seen: float, nominal: float) -> None:
    window = grid_window(make_roof(days=1, grid="").site, np.full(50, seen, np.float32), np.full(50, 60.02, np.float32))
    assert (window.nominal_v, window.nominal_hz, window.assumed) == (nominal, 60.0, True)
    assert window.low_v == pytest.approx(0.88 * nominal)
    assert window.high_v == pytest.approx(1.10 * nominal)


def test_stand_ins_of_frequency() -> None:
    """IEEE 1547-2018 category II must-trip 58.5 and 61.2 Hz, enter service after 300 s (as abstracts quote it)."""
    window = grid_window(make_roof(days=1, grid="nominal_hz = 60.0\n").site)
    assert (window.low_hz, window.high_hz, window.reconnect_s) == (58.5, 61.2, 300.0)
    fifty = grid_window(make_roof(days=1, grid="").site)
    assert (fifty.nominal_hz, fifty.low_hz, fifty.high_hz) == (50.0, 47.5, 51.5)


def test_no_grid_is_far_below_the_window() -> None:
    window = grid_window(make_roof(days=1).site)
    assert window.gone_below_v < 0.5 * window.low_v
