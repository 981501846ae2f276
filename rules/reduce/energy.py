"""Energy by half hours: of each input, of its siblings, of a clear sky, and of whole planes."""

from __future__ import annotations

import numpy as np

from rules.finding import Threshold
from rules.panel import Panel
from rules.ranks import Mask
from rules.reduce.frame import Frame
from rules.reduce.slots import Features, bins_of, by_bin, mean_of_known

CAPPED_PLANE = Threshold(0.3, "of the plane's inputs", "own reasoning: the siblings' typical value is the rank 0.7 of a plane")


def energy_features(panel: Panel, frame: Frame, clipped: Mask, held_off: Mask) -> Features:
    """Energy by half hours, and the hours they hold.

    Parameters
    ----------
    clipped : bool[D, K, N], readings at a ceiling.
    held_off : bool[D, K, U], rows that may hold a part of a wait for the grid.
    """
    hours, bins = np.float32(panel.hours), bins_of(panel)
    covered = panel.covered[:, :, None]
    told = frame.told & covered
    made, typical, clear = frame.made_or_0, frame.typical_or_0, frame.clear
    planes = frame.plane_typical.shape[2]
    of_plane = [frame.plane_index == p for p in range(planes)]
    # Siblings at their ceiling say nothing about an input that is not (or is at another one).
    capped = np.stack([clipped[:, :, mine].mean(axis=2) > CAPPED_PLANE.value for mine in of_plane], axis=2)
    # Nor does a unit that waits for its grid: those at a branch's end trip first and most.
    free = told & ~clipped & ~capped[:, :, frame.plane_index] & ~held_off[:, :, frame.units.of]
    spoke = np.isfinite(frame.plane_typical) & covered
    of_all = np.stack([mean_of_known(np.where(told, frame.made, np.nan)[:, :, mine]) for mine in of_plane], axis=2)
    slot_values = {
        "power": np.where(told, made, 0),
        # At its ceiling an input owes no more than the ceiling.
        "typical": np.where(told, np.where(clipped, np.minimum(typical, made), typical), 0),
        "clear": np.where(told, np.where(clipped, np.minimum(clear, made), clear), 0),
        "free_power": np.where(free, made, 0),
        "free_typical": np.where(free, typical, 0),
        "plane_typical": np.where(spoke, np.nan_to_num(frame.plane_typical), 0),
        "plane_clear": np.where(spoke, frame.plane_clear, 0),
        "plane_clear_all": np.where(covered, frame.plane_clear, 0),
        "plane_power": np.nan_to_num(of_all),
    }
    return {
        **{name: by_bin(values, bins) * hours for name, values in slot_values.items()},
        **_hours_features(panel, frame),
    }


def _hours_features(panel: Panel, frame: Frame) -> Features:
    hours = np.float32(panel.hours)
    by_day = panel.covered & (frame.elevation > 0)
    return {
        "step_s": np.full(len(panel.days), panel.step_s, float),
        "covered_h": by_day.sum(axis=1) * hours,
        "clear_h": np.where(by_day, frame.plane_clear.max(axis=2), 0).sum(axis=1) * hours,
        "lit_h": frame.lit.sum(axis=1) * hours,
        "seen_h": (frame.lit & frame.told).sum(axis=1) * hours,
    }
