"""The grid as the units saw it: excursions from its window, the units that tripped, and what that cost."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rules.finding import Threshold
from rules.gridwindow import GridWindow
from rules.panel import Panel
from rules.ranks import F32, Mask
from rules.reduce.frame import Frame
from rules.reduce.slots import Features
from rules.reduce.symptoms import dark_units
from rules.siblings import nan_median

PART_ROW = Threshold(0.85, "of the owed", "own reasoning: clouds within minutes of a trip take less on average than its ramp")
BRINK = Threshold(0.02, "of the limit", "own reasoning: a mean of minutes under excursions of seconds, and meters good to 1 %")
SITE_SHARE = Threshold(0.5, "of units", "own reasoning: one meter may miss the excursion that its neighbours saw")
_RAMP_S = 300.0  # IEEE 1547-2018: up to 300 s of ramp after entering service
_LIVE_HZ = 10.0  # a lower reading is a meter without a grid
_NEVER = -(10**6)  # a slot long before any day


@dataclass(frozen=True)
class GridStates:
    """What the grid did to each unit in each slot, all bool[D, K, U].

    Attributes
    ----------
    high, low, off_frequency : the unit's own readings beyond a limit of its window.
    outside : the grid was outside the window, by the unit's readings or by those of most units.
    tripped : outside or waiting after it, with light and without production.
    recent : outside so shortly before that the unit may still wait or ramp.
    held_off : rows that may hold a part of such a wait.
    """

    high: Mask
    low: Mask
    off_frequency: Mask
    outside: Mask
    tripped: Mask
    recent: Mask
    held_off: Mask


def grid_states(panel: Panel, frame: Frame, nothing: Mask, window: GridWindow) -> GridStates:
    """Excursions and trips; ``nothing`` [D, K, N] are the readings of inputs that make nothing."""
    volts, hertz, gone = panel.ac_voltage_v, panel.ac_frequency_hz, window.gone_below_v
    lit = frame.units.any(frame.lit)
    high = volts > window.high_v
    low = (volts < window.low_v) & (volts > gone)
    off_frequency = ((hertz < window.low_hz) | (hertz > window.high_hz)) & (hertz > _LIVE_HZ)
    outside = high | low | off_frequency
    told = np.isfinite(volts) | np.isfinite(hertz)
    share = outside.sum(axis=2) / np.maximum(told.sum(axis=2), 1)
    outside = outside | (share >= SITE_SHARE.value)[:, :, None]
    dark = dark_units(panel, frame.units, nothing)
    # A row is a mean: on a day with excursions a unit that stands with its voltage on the brink has tripped again.
    brink = (volts > window.high_v * (1 - BRINK.value)) | ((volts < window.low_v * (1 + BRINK.value)) & (volts > gone))
    brink &= dark & outside.any(axis=(1, 2), keepdims=True)
    index = np.arange(panel.ts.shape[1])[None, :, None]
    last_out = np.maximum.accumulate(np.where(outside | brink, index, _NEVER), axis=1)
    reach = int(np.ceil((window.reconnect_s + _RAMP_S) / panel.step_s)) + 1
    recent = index - last_out <= reach
    tripped = recent & dark & lit
    # On such a day whoever stands still waits for the grid, whatever the voltage of that instant; the rows beside hold a part.
    held_off = recent | (dark & lit)
    held_off[:, 1:] |= held_off[:, :-1].copy()
    held_off[:, :-1] |= held_off[:, 1:].copy()
    held_off &= tripped.any(axis=1, keepdims=True)
    return GridStates(high, low, off_frequency, outside, tripped, recent, held_off)


def grid_features(panel: Panel, frame: Frame, grid: GridStates, window: GridWindow) -> Features:
    """Grid readings in the light, and hours and energy of trips."""
    hours = panel.hours
    volts, hertz, gone = panel.ac_voltage_v, panel.ac_frequency_hz, window.gone_below_v
    lit = frame.units.any(frame.lit)
    live = np.where(lit & (volts > gone), volts, np.nan)
    live_hz = np.where(lit & (hertz > _LIVE_HZ), hertz, np.nan)
    loss = np.zeros(grid.tripped.shape[::2])
    if grid.tripped.any():
        loss = _trip_loss(frame, grid.tripped, grid.recent & lit).sum(axis=1) * hours
    return {
        "volt_low_h": (grid.low & lit).sum(axis=1) * hours,
        "hz_out_h": (grid.off_frequency & lit).sum(axis=1) * hours,
        "ac_volts_max": np.fmax.reduce(live, axis=1),
        "ac_volts_min": np.fmin.reduce(live, axis=1),
        "ac_volts_med": nan_median(live, 1),
        "ac_hz_max": np.fmax.reduce(live_hz, axis=1),
        "ac_hz_min": np.fmin.reduce(live_hz, axis=1),
        "ac_dead_h": (lit & (volts <= gone)).sum(axis=1) * hours,
        "grid_trip_h": grid.tripped.sum(axis=1) * hours,
        "grid_loss": loss,
    }


def _trip_loss(frame: Frame, tripped: Mask, recent: Mask) -> F32:
    """What trips cost by row, [D, K, U]: all of it while nothing is made, the rest in rows that hold a part of the wait or ramp.

    Units trip together and leave no sibling: the share of clear sky before and after stands for the sky meanwhile.
    """
    clear = frame.units.sum(frame.clear)
    made, siblings = frame.units.sum(frame.made_or_0), frame.units.sum(np.nan_to_num(frame.reference))
    told = ~recent & ~tripped & (clear > 0.1) & (made > 0)
    share = np.where(told, np.clip(made / np.maximum(clear, 0.1), 0.0, 1.2), 0.0)
    rows = clear.shape[1]
    index = np.arange(rows)[None, :, None]
    before = np.maximum.accumulate(np.where(told, index, -1), axis=1)
    after = np.minimum.accumulate(np.where(told, index, rows)[:, ::-1], axis=1)[:, ::-1]
    total, count = np.zeros_like(clear), np.zeros_like(clear)
    for at, there in ((np.maximum(before, 0), before >= 0), (np.minimum(after, rows - 1), after < rows)):
        total += np.where(there, np.take_along_axis(share, at, 1), 0.0)
        count += there
    guess = np.where(siblings > 0.02, siblings, 0.5 * clear)
    owed = np.where(count > 0, total / np.maximum(count, 1) * clear, guess)
    lost = np.maximum(owed - made, 0.0)
    out: F32 = np.where(tripped | (recent & (made < PART_ROW.value * owed)), lost, 0.0).astype(np.float32)
    return out
