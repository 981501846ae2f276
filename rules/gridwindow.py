"""The grid window a site's units were set to, and sane stand-ins for unset keys.

Profiles are data; the site file chooses and local rules prevail.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from collectors.site import SiteDescription

#: Common nominal voltages, V, used to name an undeclared one (common practice).
_NOMINAL_V = np.array([100.0, 110.0, 120.0, 127.0, 208.0, 220.0, 230.0, 240.0, 277.0])
#: Readings of which a median is taken.
_ENOUGH = 5000


@dataclass(frozen=True)
class GridWindow:
    """Limits inside which a unit stays connected; V, Hz, s."""

    low_v: float
    high_v: float
    low_hz: float
    high_hz: float
    reconnect_s: float
    nominal_v: float
    nominal_hz: float
    assumed: bool

    @property
    def gone_below_v(self) -> float:
        """Below this there is no grid at all, V."""
        return 0.3 * self.nominal_v


def grid_window(site: SiteDescription, volts: NDArray[Any] | None = None, hertz: NDArray[Any] | None = None) -> GridWindow:
    """The declared window, completed.

    What the site file leaves out of the nominal values is told by readings of any
    shape, V and Hz; without any it is 230 V and 50 Hz.

    Undeclared limits are 0.88 and 1.10 of nominal and the must-trip frequencies
    58.5/61.2 Hz (IEEE 1547-2018 category II, as abstracts quote it) or 47.5/51.5 Hz
    at 50 Hz (EN 50549 practice, from memory); wait 300 s (IEEE 1547-2018 default).
    """
    grid = site.grid
    nominal_v, nominal_hz = grid.nominal_v, grid.nominal_hz
    if nominal_v is None:
        seen_v = _usual(volts, above=60.0, default=230.0)
        nominal_v = float(_NOMINAL_V[np.abs(_NOMINAL_V - seen_v).argmin()])
    if nominal_hz is None:
        nominal_hz = 60.0 if _usual(hertz, above=30.0, default=50.0) > 55 else 50.0
    sixty = nominal_hz > 55
    return GridWindow(
        low_v=grid.low_v or 0.88 * nominal_v,
        high_v=grid.high_v or 1.10 * nominal_v,
        low_hz=grid.low_hz or (58.5 if sixty else 47.5),
        high_hz=grid.high_hz or (61.2 if sixty else 51.5),
        reconnect_s=300.0 if grid.reconnect_s is None else grid.reconnect_s,
        nominal_v=nominal_v,
        nominal_hz=nominal_hz,
        assumed=None in (grid.low_v, grid.high_v, grid.low_hz, grid.high_hz),
    )


def _usual(readings: NDArray[Any] | None, above: float, default: float) -> float:
    """Median of the readings of a live grid, those above a bound; some thousands of them are enough."""
    live = readings[readings > above] if readings is not None else np.zeros(0)
    return float(np.median(live[:: max(1, live.size // _ENOUGH)])) if live.size else default
