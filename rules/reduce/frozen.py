"""Readings that stand still while the light moves: a record that froze, not a unit at its ceiling."""

from __future__ import annotations

import numpy as np

from rules.panel import Panel
from rules.ranks import Mask
from rules.reduce.frame import Frame
from rules.reduce.repeats import STUCK_ROWS, stuck_rows
from rules.reduce.slots import Features


def repeats_itself(panel: Panel, frame: Frame, below_ceiling: Mask) -> Mask:
    """Readings, [D, K, N], that stand still as no unit at a ceiling would.

    Parameters
    ----------
    below_ceiling : bool[D, K, N], readings below the known ceiling of their unit.
    """
    volts_told = np.isfinite(panel.voltage_v)
    # A ceiling leaves the voltage moving: what repeats to the last digit, voltage too, is a frozen record.
    frozen = (frame.repeats.held(frame.clear) >= STUCK_ROWS) & volts_told
    # Without a voltage: what repeats below a known ceiling while its siblings go on is frozen as well.
    stuck = below_ceiling & ~volts_told & (frame.siblings >= 3)
    if stuck.any():
        stuck &= frame.repeats.held(frame.typical_or_0) >= stuck_rows(panel.step_s)
    return frozen | stuck


def frozen_features(panel: Panel, frame: Frame, clipped: Mask) -> Features:
    """Longest run of repeated readings, and their share of the light; ``clipped`` [D, K, N] are at a ceiling and don't count."""
    # Siblings, or failing them the sun itself, must have moved.
    few = frame.siblings < 2
    witness = np.where(few, frame.clear, frame.typical_or_0).astype(np.float32)
    held = np.where(clipped, 0, frame.repeats.held(witness))
    return {
        "frozen_h": held.max(axis=1) * panel.hours,
        "frozen_share": ((held > 0) & frame.lit).sum(axis=1) / np.maximum(frame.lit.sum(axis=1), 1),
    }
