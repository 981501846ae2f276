"""How units run: restarts, states, dips below their reference, and output by temperature."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from collectors.columns import STATE_CODES
from rules.daytable import HEAT_BINS, HEAT_FROM_C, HEAT_STEP_C
from rules.finding import Threshold
from rules.panel import Panel
from rules.ranks import F32, Mask
from rules.reduce.frame import Frame
from rules.reduce.grid import GridStates
from rules.reduce.slots import Features
from rules.siblings import nan_median

STOPPED = Threshold(0.03, "of the reference", "own reasoning: an offset, or a row that ends with the stop")
RUNNING = Threshold(0.10, "of the reference", "own reasoning: a unit that came back, if only in a part of the row")
MEASURED_LIGHT = Threshold(0.1, "W per rated W", "own reasoning: below, units stop and start with the light itself")
COUNTED_LIGHT = Threshold(
    0.25, "W per rated W", "own reasoning: over minutes, a counter in whole watt-hours tells no stop from a step in less"
)
TOGETHER = Threshold(0.5, "of units in the light", "own reasoning: when half stop at once it is the grid or the site")
DIP = Threshold(0.93, "of the reference", "own reasoning: siblings differ by some per cent, module by module")
DIP_FLOOR = Threshold(0.2, "of the reference", "own reasoning: less is a stop or shade, and no holding back by heat")


def unit_features(panel: Panel, frame: Frame, grid: GridStates) -> Features:
    """Restarts, states, dips and output by temperature of each unit, [D, U, ...]."""
    hours, units, state = panel.hours, frame.units, panel.state
    reference = units.sum(np.where(frame.told, frame.reference, 0))
    made = units.sum(np.where(frame.told, frame.made_or_0, 0))
    # A counter's single steps in dim light look like stops: there the light must be worth several of them.
    dim = np.where(units.any(panel.measured), MEASURED_LIGHT.value, COUNTED_LIGHT.value)
    bright = reference > dim * np.maximum(units.sum(frame.told.astype(np.float32)), 1)
    present = units.any(panel.present)
    off = (present & bright & (made <= STOPPED.value * reference)) | (bright & (state >= STATE_CODES["starting"]))
    on = bright & (made >= RUNNING.value * reference) & ~off
    together = off.sum(axis=2) >= np.maximum(2, TOGETHER.value * bright.sum(axis=2))
    off &= ~together[:, :, None] & ~grid.tripped & ~grid.outside
    lit = units.any(frame.lit)
    starting = (state == STATE_CODES["starting"]) | (state == STATE_CODES["standby"])
    running = bright & ~off & ~grid.tripped
    return {
        "restarts": _stops(on, off),
        "start_h": (lit & starting).sum(axis=1) * hours,
        "fault_h": (lit & (state == STATE_CODES["fault"])).sum(axis=1) * hours,
        **_dip_features(panel, made, reference, running & present),
        **_heat_features(panel, frame, made, running),
    }


def _stops(on: Mask, off: Mask) -> NDArray[np.float64]:
    """How often a day a unit that had run stopped, [D, U], from its slots on and off, [D, K, U]."""
    index = np.arange(on.shape[1])[None, :, None]
    last_on = np.maximum.accumulate(np.where(on, index, -1), axis=1)
    last_off = np.maximum.accumulate(np.where(off, index, -1), axis=1)
    before_on = np.pad(last_on[:, :-1], ((0, 0), (1, 0), (0, 0)), constant_values=-1)
    before_off = np.pad(last_off[:, :-1], ((0, 0), (1, 0), (0, 0)), constant_values=-1)
    return (off & (before_on > before_off)).sum(axis=1).astype(float)


def _heat_features(panel: Panel, frame: Frame, made: F32, running: Mask) -> Features:
    """Energy made, by siblings and under a clear sky, by the unit's temperature, [D, U, H]."""
    days, units = len(panel.days), frame.units.count
    celsius = panel.temperature_c
    step = np.nan_to_num(np.floor((celsius - HEAT_FROM_C) / HEAT_STEP_C) + 1, nan=-1)
    warm = np.where(np.isfinite(celsius), np.clip(step, 0, HEAT_BINS - 1), -1).astype(np.int64)
    use = (warm >= 0) & running
    cell = (np.arange(days)[:, None, None] * units + np.arange(units)[None, None, :]) * HEAT_BINS + warm
    typical = frame.units.sum(np.where(frame.told, frame.typical_or_0, 0))
    clear = frame.units.sum(np.where(frame.told, frame.clear, 0))
    out: Features = {}
    for name, values in (("heat_power", made), ("heat_typical", typical), ("heat_light", clear)):
        total = np.bincount(cell[use], values[use], minlength=days * units * HEAT_BINS)
        out[name] = total.reshape(days, units, HEAT_BINS) * panel.hours
    return out


def _dip_features(panel: Panel, made: F32, reference: F32, use: Mask) -> Features:
    """Temperature of a unit while it gives less than its reference, against the other units'; all [D, K, U]."""
    celsius = panel.temperature_c
    dip = use & (made < DIP.value * reference) & (made > DIP_FLOOR.value * reference) & np.isfinite(celsius)
    middle = nan_median(celsius, 2)[:, :, None]
    count = np.maximum(dip.sum(axis=1), 1)
    return {
        "dip_h": dip.sum(axis=1) * panel.hours,
        "dip_temp": np.where(dip, celsius, 0).sum(axis=1) / count,
        "dip_over": np.where(dip, celsius - middle, 0).sum(axis=1) / count,
        "dip_loss": np.where(dip, reference - made, 0).sum(axis=1) * panel.hours,
    }
