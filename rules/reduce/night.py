"""Features of the night as well as of the day: what is heard in the dark, counters, temperature, radio."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rules.finding import Threshold
from rules.gridwindow import GridWindow
from rules.panel import Panel
from rules.reduce.slots import Features, Units
from rules.siblings import nan_median

NIGHT_DEG = Threshold(-8.0, "degrees", "own reasoning: past civil twilight (-6 degrees) no module gives power")
NIGHT_POWER = Threshold(0.02, "W per rated W", "own reasoning: 8 W of a 400 W module, well above a meter's offset")


def round_the_clock_features(panel: Panel, units: Units, elevation: NDArray[np.float64], window: GridWindow) -> Features:
    """Features that the whole panel, not only its daytime, is asked for; ``elevation`` of the sun, degrees, [D, K]."""
    hours = panel.hours
    rated = np.array([ref.module.pmax_w if ref.module else np.nan for ref in panel.site.inputs])
    covered = panel.covered[:, :, None]
    night = (elevation < NIGHT_DEG.value)[:, :, None] & covered
    return {
        "night_power_h": (night & (panel.power_w > NIGHT_POWER.value * rated)).sum(axis=1) * hours,
        "night_rows_h": (night & panel.present).sum(axis=1) * hours,
        "unit_seen_h": (units.any(panel.present) & covered).sum(axis=1) * hours,
        "volt_high_h": ((panel.ac_voltage_v > window.high_v) & covered).sum(axis=1) * hours,
        "temp_max": np.fmax.reduce(panel.temperature_c, axis=1),
        "signal": nan_median(panel.signal_dbm, 1),
        **_counter_features(panel),
    }


def _counter_features(panel: Panel) -> Features:
    energy = panel.energy_wh
    told = np.isfinite(energy)
    some = told.any(axis=1)
    first = np.take_along_axis(energy, told.argmax(axis=1)[:, None, :], axis=1)[:, 0]
    last_index = energy.shape[1] - 1 - told[:, ::-1].argmax(axis=1)
    last = np.take_along_axis(energy, last_index[:, None, :], axis=1)[:, 0]
    top = np.fmax.accumulate(energy, axis=1)
    return {
        "counter_first": np.where(some, first, np.nan),
        "counter_last": np.where(some, last, np.nan),
        # A counter that only lost its last digit has not been reset: 1 Wh is most counters' step.
        "counter_reset": (energy < top - 1.0).any(axis=1).astype(float),
    }
