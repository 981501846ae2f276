"""How high the units stand together, half hour by half hour: an order to hold back shows as a level that does not move."""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.panel import Panel
from rules.ranks import F32
from rules.reduce.frame import Frame
from rules.reduce.slots import Features, bins_of, by_bin, mean_of_known

#: Rank of the units' load that is the site's level: an order holds the upper units, shaded ones lie below it.
UPPER_RANK: Final = 0.8
_RUNS = 0.01  # of rating; a unit with less does not run
_LIVE_HZ, _LIVE_V = 10.0, 30.0  # lower readings are meters without a grid


def site_level_features(panel: Panel, frame: Frame) -> Features:
    """Level of the upper units, its change from slot to slot, its spread, and the grid meanwhile: means of each bin, [D, B]."""
    upper, middle = (_ranked(_loads(panel, frame), rank) for rank in (UPPER_RANK, 0.5))
    upper = np.where(frame.lit.any(axis=2), upper, np.nan)
    slot_values = {
        "cap_level": upper,
        "cap_wobble": _change(upper, upper),
        "cap_spread": (upper - middle) / upper,
        "kt_wobble": _change(frame.sky, np.maximum(frame.sky, 0.02)),
        "hz_bin": mean_of_known(np.where(panel.ac_frequency_hz > _LIVE_HZ, panel.ac_frequency_hz, np.nan)),
        "volt_bin": mean_of_known(np.where(panel.ac_voltage_v > _LIVE_V, panel.ac_voltage_v, np.nan)),
    }
    bins = bins_of(panel)
    stack = np.stack(list(slot_values.values()), axis=2)
    total = by_bin(np.nan_to_num(stack), bins)
    count = by_bin(np.isfinite(stack).astype(np.float32), bins)
    mean = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    return {name: mean[:, i] for i, name in enumerate(slot_values)}


def _loads(panel: Panel, frame: Frame) -> F32:
    """Power of each unit over its rating (VA, or its modules' watts), [D, K, U]; NaN where it does not run."""
    site, units = panel.site, frame.units
    rating = np.array(
        [
            (site.inverters[unit.inverter].rated_va if unit.inverter else None) or sum(frame.rated[units.of == u])
            for u, unit in enumerate(site.units)
        ]
    )
    load = units.sum(np.nan_to_num(panel.power_w)) / rating
    return np.where(units.any(frame.told) & (load > _RUNS), load, np.nan).astype(np.float32)


def _ranked(load: F32, rank: float) -> F32:
    """Load at a rank (0 lowest, 1 highest) of the units that run, [D, K]; NaN where none does."""
    ordered = np.sort(load, axis=2)
    top = np.maximum(np.isfinite(ordered).sum(axis=2) - 1, 0)
    return np.take_along_axis(ordered, np.rint(rank * top).astype(int)[..., None], 2)[..., 0]


def _change(values: F32, against: F32) -> F32:
    """Change since the slot before, relative to ``against``, both [D, K]; NaN in the first slot."""
    out = np.full(values.shape, np.nan, np.float32)
    out[:, 1:] = np.abs(np.diff(values, axis=1)) / against[:, 1:]
    return out
