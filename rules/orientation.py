"""Which way a plane faces, from its own power on clear spells; and whose plane a record fits.

No irradiance is needed: the shape of a clear day tells the azimuth, its change
with the sun's height the tilt.  A clock that is off looks like a turned plane
but also moves first and last light, which a turned plane hardly does; the two
are told apart by that.

References
----------
The idea of fitting clear-sky transposition to the power of a fixed array is
common; e.g. B. Meng et al., Solar Energy 195, 2020 (from memory).  The
clear-sky, transposition and module models are those of :mod:`rules.irradiance`
and :mod:`rules.module`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

import numpy as np

from rules.clearness import smooth_ratio, solar_days
from rules.edgelight import MIN_SHIFT, edge_shift, shifted
from rules.planefit import (
    GAIN_PRIOR,
    INDEPENDENT,
    MIN_CLEAR_SAMPLES,
    MODEL_ERROR,
    UNKNOWN,
    Orientation,
    candidates,
    clear_power,
    fit,
    sample_of,
    score,
)
from rules.ranks import Floats, Mask
from rules.sun import Sun

#: Gain of a record whose rating is unknown, mean and relative spread: power is then taken per its own
#: highest, which some 75 to 110 % of rating would give.
_SHAPE_PRIOR: Final = (GAIN_PRIOR[0], 0.3)
_TOP_OF_RATING: Final = 0.9
#: Stamps within this share of a ceiling are at it.
_AT_CEILING: Final = 0.985
#: Of what the same hour gave beside the clear sky some weeks before or after: the sun's path moves less than that (own reasoning).
_BESIDE_WEEKS: Final = 0.65
#: Share of a day's rows within a hair of its highest power that a clear sky gives to no plane (at most a sixth, by clear sky).
_FLAT: Final = 0.25
#: Rounds in which plane and clock are found in turn.
_SHIFT_ROUNDS: Final = 5


def infer_orientation(
    sun: Sun,
    per_rated_power: Floats,
    step_s: float,
    clear: Mask | None = None,
    temp_air_c: Floats | float = 20.0,
    ceiling: float | None = None,
    find_shift: bool = False,
    gain_prior: tuple[float, float] | None = GAIN_PRIOR,
    azimuth_deg: float | None = None,
    tilt_deg: float | None = None,
) -> Orientation:
    """Infer a plane's azimuth and tilt from its power.

    Parameters
    ----------
    sun : [T].
    per_rated_power : [T] DC (or AC) power per watt of rating; NaN where missing.
    step_s : grid step, s.
    clear : [T] stamps known to be clear; found from the power by default.
    temp_air_c : air temperature, Celsius.
    ceiling : power at which the record is cut off, same unit; by default it is
        looked for.  Stamps there only say "at least".
    find_shift : also estimate how late the clock runs; averages over long
        steps stamped at their start or end show up here too.  Hills and haze
        move first and last light as well, so less than 20 minutes is reported
        but the plane is fitted to the clock as it is.
    gain_prior : measured over modelled power, mean and relative spread; None
        when the rating is not known: then shape alone must do.
    azimuth_deg, tilt_deg : where one of the two is known, degrees: the other is told better then.

    Returns
    -------
    Orientation, with NaN angles when there are too few clear stamps.
    """
    air = np.broadcast_to(np.asarray(temp_air_c, dtype=np.float64), per_rated_power.shape)
    top = _top(per_rated_power, sun)
    if not top > 0.0:
        return UNKNOWN
    if ceiling is None:
        ceiling = _find_ceiling(per_rated_power, top)
    capped = per_rated_power >= _AT_CEILING * ceiling if ceiling is not None else np.zeros(sun.ts.shape, dtype=bool)
    capped = capped | _flat_tops(sun, per_rated_power)
    mask = _bright_smooth(sun, per_rated_power, step_s) if clear is None else clear
    azimuths, tilts = candidates(azimuth_deg, tilt_deg)
    unit, prior = (1.0, gain_prior) if gain_prior is not None else (top / _TOP_OF_RATING, _SHAPE_PRIOR)

    def fitted(at: Sun) -> tuple[Orientation, float]:
        return fit(sample_of(at, per_rated_power / unit, mask, air, capped), top / unit, prior, azimuths, tilts)

    best, sag = fitted(sun)
    still, moved, shift_s = best, sun, 0.0
    for _ in range(_SHIFT_ROUNDS if find_shift else 0):
        if not np.isfinite(best.azimuth_deg):
            break
        base, light = clear_power(moved, best.azimuth_deg, best.tilt_deg, air)
        model = np.minimum(unit * best.gain * base * (1.0 - sag * light), np.inf if ceiling is None else ceiling)
        more = edge_shift(moved, per_rated_power, model, top)
        shift_s += more
        if abs(shift_s) < MIN_SHIFT.value or abs(more) < 60.0:
            break
        moved = shifted(sun, -shift_s)
        best, sag = fitted(moved)
    if not np.isfinite(best.azimuth_deg):
        return best
    if best.residual > float(np.hypot(still.residual, MODEL_ERROR.value)):
        return still  # under the right clock a plane fits better: hills and trees move first and last light as well
    return replace(best, shift_s=shift_s)


def best_plane(
    sun: Sun,
    per_rated_power: Floats,
    planes: Mapping[str, tuple[float, float]],
    step_s: float,
    clear: Mask | None = None,
    temp_air_c: Floats | float = 20.0,
) -> tuple[str, dict[str, float]]:
    """Which of several planes a record's clear spells fit best.

    Parameters
    ----------
    planes : azimuth and tilt in degrees by name.
    others : as in :func:`infer_orientation`.

    Returns
    -------
    name : the plane with the smallest misfit, "" when it can't be told.
    residuals : root mean square misfit over mean clear power, by plane; each
        may choose its gain and sag within what is usual.
    """
    air = np.broadcast_to(np.asarray(temp_air_c, dtype=np.float64), per_rated_power.shape)
    top = _top(per_rated_power, sun)
    if not planes or not top > 0.0:
        return "", {}
    ceiling = _find_ceiling(per_rated_power, top)
    capped = per_rated_power >= _AT_CEILING * ceiling if ceiling is not None else np.zeros(sun.ts.shape, dtype=bool)
    mask = _bright_smooth(sun, per_rated_power, step_s) if clear is None else clear
    sample = sample_of(sun, per_rated_power, mask, air, capped)
    if sample.power.size < MIN_CLEAR_SAMPLES.value:
        return "", {}
    angles = np.array(list(planes.values()), dtype=np.float64)
    scores = score(sample, angles[:, 0], angles[:, 1], top, GAIN_PRIOR)
    # The posterior's misfit on the scale of a residual, so that an unusual gain counts against a plane too.
    values = np.sqrt(scores.misfit / INDEPENDENT) * MODEL_ERROR.value * top / float(sample.power.mean())
    residuals = dict(zip(planes, (float(v) for v in values), strict=True))
    return min(residuals, key=residuals.__getitem__), residuals


def _top(power: Floats, sun: Sun) -> float:
    lit = np.isfinite(power) & (sun.elevation_deg > 0.0)
    return float(np.quantile(power[lit], 0.995)) if lit.sum() >= 10 else 0.0


def _find_ceiling(power: Floats, top: float) -> float | None:
    """A flat top: more than one lit stamp in twenty within 1.5 % of the highest."""
    high = power[np.isfinite(power) & (power > 0.2 * top)]
    near = np.mean(np.abs(high / top - 1.0) < 0.015) if high.size else 0.0
    below = np.mean(np.abs(high / top - 0.97) < 0.015) if high.size else 0.0
    return top if near > 0.05 and near > 2.0 * below else None


def _flat_tops(sun: Sun, power: Floats) -> Mask:
    """Rows at the top of days on which much of the light gave just that, [T]: held down, they say no more than "at least"."""
    days, where = np.unique(solar_days(sun), return_inverse=True)
    known = np.isfinite(power) & (sun.elevation_deg > 0.0)
    top = np.zeros(days.size)
    np.maximum.at(top, where[known], power[known])
    made, at_top = known & (power > 0.2 * top[where]), known & (power >= _AT_CEILING * top[where])
    many, lit = (np.bincount(where, mask, minlength=days.size) for mask in (at_top, made))
    flat = (many >= 3) & (many >= _FLAT * np.maximum(lit, 1))
    return np.asarray(at_top & flat[where])


def _bright_smooth(sun: Sun, power: Floats, step_s: float) -> Mask:
    """Stamps where power is smooth and near the brightest of its time of day within some weeks, [T]."""
    lit = np.isfinite(power) & (sun.elevation_deg > 5.0) & (sun.clear_ghi > 30.0)
    ratio = np.full(power.shape, np.nan)
    np.divide(power, sun.clear_ghi, out=ratio, where=lit)
    smooth, _ = smooth_ratio(ratio, step_s)
    width = max(1800.0, step_s)
    slots = int(86400 // width)
    slot = ((sun.ts % 86400) // width).astype(np.int64) % slots
    window = (solar_days(sun) - solar_days(sun).min()) // 16
    cell = window * slots + slot
    best = np.full(int(cell.max()) + 1, -np.inf)
    np.maximum.at(best, cell[lit], power[lit])
    # A passing cloud's bright edge may top the envelope, so its neighbours need not reach it.
    near = lit & (power > 0.8 * best[cell])
    # Two weeks may be held down or dull throughout: the weeks beside them say what the same hour gives.
    highest = np.zeros((int(window.max()) + 3, slots))
    np.maximum.at(highest, (window[lit] + 1, slot[lit]), ratio[lit])
    beside = np.maximum(highest[:-2], highest[2:])
    near &= ~(ratio < _BESIDE_WEEKS * beside[window, slot])
    chosen = near & smooth
    return np.asarray(chosen if chosen.sum() >= MIN_CLEAR_SAMPLES.value else lit & (power > 0.93 * best[cell]))
