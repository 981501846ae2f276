"""The sky's brightness by irradiance in a plane, and the irradiance in a plane by the sky's measured parts."""

from __future__ import annotations

import numpy as np

from collectors.site import Plane
from rules.irradiance import clear_index_levels, plane_global
from rules.ranks import Floats, Mask
from rules.skylevels import CLEAR_AT, LEVELS, MONOTONE
from rules.sun import Sun

#: W/m² under a clear sky; less says nothing of the sky.
LIT_W_M2 = 30.0


def poa_levels(sun: Sun, facing: Plane) -> Floats:
    """A plane's irradiance under each of :data:`rules.skylevels.LEVELS`, W/m², [L, T]."""
    return clear_index_levels(sun, facing.azimuth_deg or 0.0, facing.tilt_deg or 0.0, LEVELS)


def index_by_poa(sun: Sun, poa: Floats, facing: Plane) -> tuple[Floats, Mask]:
    """Clear-sky index from irradiance in a plane, W/m², and where all planes may trust it, [T] each.

    Thin cloud may brighten a plane that the sun hardly reaches: there it speaks for itself alone.
    """
    levels = poa_levels(sun, facing)
    tells = levels[:CLEAR_AT].max(axis=0) <= MONOTONE * levels[CLEAR_AT - 1 : CLEAR_AT + 1].mean(axis=0)
    levels = np.maximum.accumulate(levels, axis=0)
    above = np.clip((levels <= np.nan_to_num(poa)[None]).sum(axis=0), 1, len(LEVELS) - 1)
    low = np.take_along_axis(levels, above[None] - 1, 0)[0]
    high = np.take_along_axis(levels, above[None], 0)[0]
    part = np.clip((poa - low) / np.maximum(high - low, 1e-3), 0, 1)
    index = LEVELS[above - 1] + part * (LEVELS[above] - LEVELS[above - 1])
    return np.where(np.isfinite(poa) & (levels[CLEAR_AT - 1] > LIT_W_M2), index, np.nan), tells


def poa_under(sun: Sun, index: Floats, facing: Plane) -> Floats:
    """A plane's irradiance at clear-sky indices, W/m², [T]: the inverse of :func:`index_by_poa`."""
    levels = poa_levels(sun, facing)
    high = np.clip(np.searchsorted(LEVELS, np.nan_to_num(index)), 1, len(LEVELS) - 1)
    part = (index - LEVELS[high - 1]) / (LEVELS[high] - LEVELS[high - 1])
    at_low, at_high = (np.take_along_axis(levels, at[None], 0)[0] for at in (high - 1, high))
    return np.asarray(at_low + part * (at_high - at_low))


def global_of(sun: Sun, ghi: Floats, dni: Floats, dhi: Floats) -> Floats:
    """Global horizontal irradiance, measured or the sum of its measured parts, W/m², [T]; NaN where neither is."""
    upward = np.maximum(np.cos(np.radians(sun.zenith_deg)), 0.0)
    return np.where(np.isfinite(ghi), ghi, dni * upward + dhi)


def transposed(sun: Sun, facing: Plane, ghi: Floats, dni: Floats, dhi: Floats) -> Floats:
    """Irradiance in a plane by two or three measured parts of the sky's, W/m², [T]; NaN where fewer are."""
    upward = np.maximum(np.cos(np.radians(sun.zenith_deg)), 0.0)
    ghi = global_of(sun, ghi, dni, dhi)
    dhi = np.where(np.isfinite(dhi), dhi, np.clip(ghi - dni * upward, 0.0, ghi))
    known = np.flatnonzero(np.isfinite(ghi) & np.isfinite(dhi))
    out = np.full(ghi.size, np.nan)
    if known.size:
        angles = facing.azimuth_deg or 0.0, facing.tilt_deg or 0.0
        out[known] = plane_global(sun.at(known), *angles, ghi=ghi[known], dhi=dhi[known])
    return out
