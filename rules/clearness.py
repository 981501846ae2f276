"""Which spells of a record are clear sky.

References
----------
M. J. Reno, C. W. Hansen, "Identification of periods of clear sky irradiance
in time series of GHI measurements", Renewable Energy 90, 520-531, 2016: the
idea of judging level and smoothness in a moving window.  pvlib implements it
for irradiance on a regular grid (``pvlib.clearsky.detect_clearsky``); the
tests compare :func:`clear_spells` with it.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from rules.finding import Threshold
from rules.ranks import Floats, Mask
from rules.sun import Sun

_OWN = "own choice, compared with pvlib's detector on measured irradiance in tests/rules/test_physics_clear.py"
CLEAR_WINDOW: Final = Threshold(3600.0, "s", _OWN + "; at least three samples")
CLEAR_ROUGHNESS: Final = Threshold(0.03, "ratio", _OWN)
CLEAR_LEVEL: Final = Threshold(0.10, "ratio", _OWN)
CLEAR_MIN_ELEVATION: Final = Threshold(8.0, "deg", "own choice: below, air mass and horizon rule the signal")


def clear_spells(sun: Sun, signal: Floats, step_s: float, clear: Floats | None = None, gain: float | None = None) -> Mask:
    """Where a record follows the clear sky, [T]; for steps of 1 to 60 minutes.

    Within a moving hour (at least three samples) the ratio of signal to clear
    sky must bend little (second difference, so that a wrong turbidity or
    temperature may tilt it) and stay at the level of the record's clear sky.
    That level is the brightest common one, so the signal may be a power in any
    unit; a record without one clear spell gives its smoothest bright ones.

    Parameters
    ----------
    sun : [T], on the signal's grid.
    signal : [T] irradiance or power; NaN is not clear.
    step_s : grid step, s.
    clear : [T] what the signal would be under clear sky, up to a constant;
        the clear global horizontal irradiance by default.
    gain : signal over ``clear`` under clear sky, when known.
    """
    reference = sun.clear_ghi if clear is None else clear
    lit = (sun.elevation_deg > CLEAR_MIN_ELEVATION.value) & (reference > 0.05 * np.nanmax(reference, initial=1.0))
    ratio = np.full(signal.shape, np.nan)
    np.divide(signal, reference, out=ratio, where=lit & np.isfinite(signal))
    smooth, level = smooth_ratio(ratio, step_s)
    if not smooth.any():
        return smooth
    if gain is None:
        gain = _clear_level(level[smooth])
    # The lower the sun, the more a wrong turbidity or horizon moves a clear ratio.
    low = np.clip((25.0 - sun.elevation_deg) / (25.0 - CLEAR_MIN_ELEVATION.value), 0.0, 1.0)
    allowed = CLEAR_LEVEL.value * (1.0 + low)
    with np.errstate(invalid="ignore"):
        return smooth & (np.abs(level / gain - 1.0) < allowed) & (np.abs(ratio / gain - 1.0) < 1.5 * allowed)


def smooth_ratio(ratio: Floats, step_s: float) -> tuple[Mask, Floats]:
    """Where the ratio bends little over the window, and its mean there; both [T]."""
    width = max(3, round(CLEAR_WINDOW.value / step_s) | 1)
    known = np.isfinite(ratio)
    filled = np.where(known, ratio, 0.0)
    whole = ndimage.minimum_filter1d(known.astype(np.uint8), width, mode="constant", cval=0).astype(bool)
    level = ndimage.uniform_filter1d(filled, width, mode="nearest")
    # Differences over about five minutes: at one minute they would only see the logger's noise.
    lag = max(1, round(300.0 / step_s))
    bend = np.zeros_like(filled)
    if filled.size > 2 * lag:
        bend[lag:-lag] = np.abs(filled[2 * lag :] - 2.0 * filled[lag:-lag] + filled[: -2 * lag])
    inner = max(1, width - 2 * lag)
    worst = ndimage.maximum_filter1d(bend, inner, mode="nearest")
    # A cloud's edge passes within minutes; over longer steps the clear ratio itself bends more.
    allowed = CLEAR_ROUGHNESS.value * max(1.0, (step_s / 300.0) ** 0.5)
    with np.errstate(invalid="ignore"):
        return whole & (level > 0.0) & (worst < allowed * np.maximum(level, 1e-12)), level


def _clear_level(levels: Floats) -> float:
    """The level at which bright smooth spells crowd: the mode of its logarithm above 0.6 of the brightest.

    Overcast can be smooth too, but its levels scatter; a snowy ground's bright
    mornings are few.
    """
    steps = np.round(np.log(levels) / 0.02).astype(np.int64)
    bright = steps > np.log(0.6 * float(np.quantile(levels, 0.95))) / 0.02
    counts = np.bincount(steps[bright] - steps[bright].min())
    crowd = int(np.argmax(np.convolve(counts, np.ones(5), mode="same"))) + int(steps[bright].min())
    return float(np.median(levels[np.abs(steps - crowd) <= 2]))


def solar_days(sun: Sun) -> NDArray[np.int64]:
    """Number of the local solar day of each stamp, [T]; midnight is half a day from the brightest hour."""
    turn = 2.0 * np.pi * (sun.ts % 86400) / 86400.0
    weight = sun.clear_ghi if sun.clear_ghi.any() else sun.elevation_deg - sun.elevation_deg.min()
    noon = np.arctan2(np.sum(weight * np.sin(turn)), np.sum(weight * np.cos(turn))) / (2.0 * np.pi) * 86400.0
    return np.asarray((sun.ts - int(noon) + 43200) // 86400, dtype=np.int64)
