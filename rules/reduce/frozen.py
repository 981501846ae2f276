"""Readings that stand still while the light moves: a record that froze, not a unit at its ceiling."""

from __future__ import annotations

import numpy as np

from rules.finding import Threshold
from rules.panel import Panel
from rules.ranks import Mask
from rules.reduce.frame import Frame
from rules.reduce.repeats import STUCK_ROWS, stuck_rows
from rules.reduce.slots import Features

STUCK_APART = Threshold(3, "rows", "own reasoning: half an hour on and more, voltage and power are others in their last digit")
FAR_APART_S = 1800
FINE_SHARE = Threshold(0.3, "of readings", "own reasoning: of tenths of a volt nine in ten are no whole ones")
MOST_REPEAT = Threshold(0.8, "of a plane's inputs", "own reasoning: some may be dead, or on another gateway")


def repeats_itself(panel: Panel, frame: Frame, below_ceiling: Mask) -> Mask:
    """Readings, [D, K, N], that stand still as no unit at a ceiling would.

    Parameters
    ----------
    below_ceiling : bool[D, K, N], readings below the known ceiling of their unit.
    """
    volts_told = np.isfinite(panel.voltage_v)
    # A ceiling leaves the voltage moving: what repeats to the last digit, voltage too, is a frozen record.
    told_rows = STUCK_APART.value if panel.step_s >= FAR_APART_S and _to_tenths(panel) else STUCK_ROWS
    frozen = (frame.repeats.held(frame.clear) >= told_rows) & volts_told
    # Without a voltage: what repeats below a known ceiling while its siblings go on is frozen as well.
    stuck = below_ceiling & ~volts_told & (frame.siblings >= 3)
    if stuck.any():
        stuck &= frame.repeats.held(frame.typical_or_0) >= stuck_rows(panel.step_s)
    return frozen | stuck


def frozen_features(panel: Panel, frame: Frame, clipped: Mask) -> Features:
    """Longest run of repeated readings, and their share of the light; ``clipped`` [D, K, N] are at a ceiling and don't count."""
    # Siblings, or failing them the sun itself, must have moved.
    by_sun = (frame.siblings < 2) | _all_repeat(panel, frame)
    held = np.where(by_sun, frame.repeats.held(frame.clear.astype(np.float32)), frame.repeats.held(frame.typical_or_0))
    held = np.where(clipped, 0, held)
    return {
        "frozen_h": held.max(axis=1) * panel.hours,
        "frozen_share": ((held > 0) & frame.lit).sum(axis=1) / np.maximum(frame.lit.sum(axis=1), 1),
    }


def _all_repeat(panel: Panel, frame: Frame) -> Mask:
    """Slots in which most inputs of a plane repeat themselves, voltage too, [D, K, N]: none is a witness of another.

    A limit on all of them holds their power, hardly ever their voltages.
    """
    same = frame.repeats.same & np.isfinite(panel.voltage_v)
    out = np.zeros_like(same)
    if not _to_tenths(panel):
        return out
    for p in range(int(frame.plane_index.max(initial=-1)) + 1):
        mine = frame.plane_index == p
        told = np.isfinite(panel.power_w[:, :, mine]).sum(axis=2)
        out[:, :, mine] = (same[:, :, mine].sum(axis=2) >= MOST_REPEAT.value * np.maximum(told, 1))[:, :, None]
    return out


def _to_tenths(panel: Panel) -> bool:
    """Whether voltages are read finer than in whole volts, which stand still by themselves under a limit."""
    volts = panel.voltage_v[np.isfinite(panel.voltage_v)]
    return bool(np.mean(volts != np.rint(volts)) > FINE_SHARE.value) if volts.size else False
