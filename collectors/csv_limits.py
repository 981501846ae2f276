"""Values that cannot be true: they become empty and are counted, never zero.

A little below zero stays as read: a meter's offset at night is a measurement.
Where the site file gives ratings, the ceiling follows them: a module in cold,
cloud-edged light stays under twice its rating, and an open circuit under 1.5
times its rated voltage (common practice).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
from numpy.typing import NDArray

from collectors.csv_reading import Tally
from collectors.site import SiteDescription

#: column: (lowest, highest) that can be believed of a module-level unit; common practice.
LIMITS: Final[Mapping[str, tuple[float, float]]] = {
    "dc_voltage_v": (-1.0, 1500.0),
    "dc_current_a": (-1.0, 100.0),
    "dc_power_w": (-25.0, 100_000.0),
    "energy_total_wh": (0.0, 4e9),
    "ac_voltage_v": (0.0, 1000.0),
    "ac_frequency_hz": (0.0, 80.0),
    "ac_power_w": (-100.0, 100_000.0),
    "temperature_c": (-60.0, 150.0),
    "signal_dbm": (-150.0, 30.0),
    "ghi_w_m2": (-20.0, 2000.0),
    "poa_w_m2": (-20.0, 2500.0),
    "dni_w_m2": (-20.0, 1400.0),
    "dhi_w_m2": (-20.0, 1400.0),
    "temp_air_c": (-70.0, 65.0),
    "temp_module_c": (-70.0, 130.0),
    "wind_m_s": (0.0, 80.0),
}
_FACTOR = {"dc_voltage_v": ("voc_v", 1.5), "dc_current_a": ("isc_a", 2.5), "dc_power_w": ("pmax_w", 2.0)}


def limits_of(site: SiteDescription) -> dict[str, tuple[float, float]]:
    """:data:`LIMITS`, tightened by the ratings of the site's largest module where it gives them."""
    limits = dict(LIMITS)
    for column, (rating, factor) in _FACTOR.items():
        values = [getattr(ref.module, rating) if ref.module else None for ref in site.inputs]
        known = [v for v in values if v]
        if known and len(known) == len(values):
            low, high = limits[column]
            limits[column] = (low, min(high, factor * max(known)))
    return limits


def empty_impossible(
    columns: dict[str, NDArray[np.float64]],
    lines: NDArray[np.int64],
    limits: Mapping[str, tuple[float, float]],
    tally: Tally,
) -> None:
    """Set values outside ``limits`` to NaN, in place, and count them."""
    for name, values in columns.items():
        if name not in limits:
            continue
        low, high = limits[name]
        with np.errstate(invalid="ignore"):
            wrong = (values < low) | (values > high)
        if wrong.any():
            reason = f"{name} outside {low:g} to {high:g}"
            tally.empty(reason, lines[wrong].tolist(), name, values[wrong][:20].tolist())
            values[wrong] = np.nan
