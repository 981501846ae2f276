"""Slots in which a unit gives all it can: at its rating, or at the flat top of a day."""

from __future__ import annotations

import numpy as np

from rules.compat.expected import expected_unit_ceiling_w
from rules.finding import Threshold
from rules.panel import Panel
from rules.ranks import Mask
from rules.reduce.frame import Frame
from rules.reduce.slots import Features

AT_RATING = Threshold(0.985, "of rated VA", "own reasoning: meters are good to 1 %, and a row's mean holds a dip")
AT_DC_CEILING = Threshold(0.97, "of the DC ceiling", "own reasoning: the unit's efficiency is known to some 2 %")
NEAR_TOP = Threshold(0.99, "of the day's highest", "own reasoning: a ceiling holds to a meter's accuracy")
TOP_LIGHT = Threshold(0.3, "W per rated W", "own reasoning: no unit is sized so small; a lower top is the weather's")
BEND = Threshold(1.07, "ratio", "own reasoning: clear-sky power along the top, highest over lowest; noon alone is flatter")
TOP_HOURS = Threshold(0.75, "h", "own reasoning: a passing cloud makes shorter plateaus")
TOP_ROWS = 3


def at_ceiling(panel: Panel, frame: Frame) -> tuple[Mask, Mask]:
    """Readings at a ceiling, and readings below the known ceiling of their unit, both [D, K, N]."""
    site = panel.site
    inverters = [site.inverters[u.inverter] if u.inverter else None for u in site.units]
    rated = np.array([(i.rated_va if i and i.rated_va else np.nan) for i in inverters])
    dc = np.array([(expected_unit_ceiling_w(i) if i else None) or np.nan for i in inverters])
    watts = frame.units.sum(np.nan_to_num(panel.power_w))
    ac = panel.ac_power_w
    rating_known = np.where(np.isfinite(ac), np.isfinite(rated), np.isfinite(dc))[:, :, frame.units.of]
    at_rating = np.where(np.isfinite(ac), ac >= AT_RATING.value * rated, watts >= AT_DC_CEILING.value * dc)[:, :, frame.units.of]
    return at_rating | _flat_top(panel, frame), rating_known & ~at_rating


def _flat_top(panel: Panel, frame: Frame) -> Mask:
    """The top of a day that is flat where a natural curve would have bent, [D, K, N]: ratings may be unknown or wrong."""
    top = frame.made_or_0.max(axis=1, keepdims=True)
    near_top = (frame.made_or_0 >= NEAR_TOP.value * top) & (top > TOP_LIGHT.value)
    lowest = np.where(near_top, frame.clear, np.inf).min(axis=1)
    highest = np.where(near_top, frame.clear, 0).max(axis=1)
    rows = near_top.sum(axis=1)
    flat = (rows * panel.hours >= TOP_HOURS.value) & (rows >= TOP_ROWS) & (highest / np.maximum(lowest, 1e-3) > BEND.value)
    return near_top & flat[:, None, :]


def ceiling_features(panel: Panel, frame: Frame, capped: Mask) -> Features:
    """Hours and level of the readings at a ceiling, ``capped`` [D, K, N]."""
    level = np.where(capped, frame.made_or_0, 0).max(axis=1)
    return {
        "clipped_h": capped.sum(axis=1) * panel.hours,
        "clip_level": np.where(capped.any(axis=1), level, np.nan),
    }
