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
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rules.clearness import smooth_ratio, solar_days
from rules.finding import Threshold
from rules.irradiance import plane_effective
from rules.module import per_rated
from rules.sun import Sun

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

_OWN = "own data: a real array of known orientation and simulated ones, tests/real/test_real_orientation.py"
MIN_CLEAR_SAMPLES: Final = Threshold(24.0, "samples", "own choice: two short clear days at an hour")
#: Error floor of the result, added to the posterior's own spread.
MODEL_AZIMUTH_ERR: Final = Threshold(3.0, "deg", _OWN)
MODEL_TILT_ERR: Final = Threshold(4.0, "deg", _OWN)
#: What clear-sky, transposition and reflection models miss, as share of the highest power.
MODEL_ERROR: Final = Threshold(0.02, "ratio", _OWN)
#: Their errors go together over a day: a record says as much as this many independent readings.
_INDEPENDENT: Final = 8.0
#: Measured over modelled power per rated watt, mean and relative spread: dirt, losses, age, haze.
GAIN_PRIOR: Final = (0.95, 0.08)
#: How much power sags at 1000 W/m² against a cell at air temperature: heat (common practice: 20 to
#: 45 K at 0.3 to 0.5 %/K) and the unit's own curve; mean and spread.
SAG_PRIOR: Final = (0.15, 0.05)
MIN_SHIFT: Final = Threshold(1200.0, "s", _OWN)
#: Residuals beyond this share of the highest power count no further.
_OUTLIER: Final = 0.08
_MAX_SAMPLES: Final = 300
_GRID: Final = np.meshgrid(np.arange(0.0, 360.0, 7.5), np.arange(0.0, 91.0, 6.0))
_AZIMUTHS: Final = _GRID[0].ravel()
_TILTS: Final = _GRID[1].ravel()
#: First and last light: where power passes this share of its highest.
_EDGE: Final = 0.03


@dataclass(frozen=True)
class Orientation:
    """A plane's orientation as its power tells it.

    Angles in degrees, ``azimuth_deg`` clockwise from north; the errors are one
    standard deviation of the posterior.  ``residual`` is the root mean square misfit over the
    mean clear power, ``gain`` the measured over the modelled power (both per
    rated watt), ``shift_s`` how late the record's clock runs (0 unless asked
    for), ``days`` the clear days used.  NaN angles mean that it can't be told.
    """

    azimuth_deg: float
    tilt_deg: float
    azimuth_err_deg: float
    tilt_err_deg: float
    residual: float
    gain: float = 1.0
    shift_s: float = 0.0
    days: int = 0


_UNKNOWN: Final = Orientation(np.nan, np.nan, 180.0, 90.0, np.inf, np.nan, 0.0, 0)


@dataclass(frozen=True)
class _Sample:
    """Clear stamps of a record: sun, power and day, [S]; at ``capped`` stamps power is a lower bound."""

    sun: Sun
    power: Floats
    day: NDArray[np.int64]
    capped: Mask
    air_c: Floats


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
        return _UNKNOWN
    if ceiling is None:
        ceiling = _find_ceiling(per_rated_power, top)
    capped = per_rated_power >= 0.985 * ceiling if ceiling is not None else np.zeros(sun.ts.shape, dtype=bool)
    mask = _bright_smooth(sun, per_rated_power, step_s) if clear is None else clear
    # With no rating, power is taken per its own highest, which some 75 to 110 % of rating would give.
    azimuths, tilts = _candidates(azimuth_deg, tilt_deg)
    unit, prior = (1.0, gain_prior) if gain_prior is not None else (top / 0.9, (GAIN_PRIOR[0], 0.3))

    def fit(at: Sun) -> tuple[Orientation, float]:
        return _fit(_sample(at, per_rated_power / unit, mask, air, capped), top / unit, prior, azimuths, tilts)

    best, sag = fit(sun)
    moved, shift_s = sun, 0.0
    for _ in range(5 if find_shift else 0):
        if not np.isfinite(best.azimuth_deg):
            break
        base, light = _light(moved, best.azimuth_deg, best.tilt_deg, air)
        model = np.minimum(
            unit * best.gain * base * (1.0 - sag * light), np.inf if ceiling is None else ceiling
        )
        more = _edge_shift(moved, per_rated_power, model, top)
        shift_s += more
        if abs(shift_s) < MIN_SHIFT.value or abs(more) < 60.0:
            break
        moved = shifted(sun, -shift_s)
        best, sag = fit(moved)
    if not np.isfinite(best.azimuth_deg):
        return best
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
    capped = per_rated_power >= 0.985 * ceiling if ceiling is not None else np.zeros(sun.ts.shape, dtype=bool)
    mask = _bright_smooth(sun, per_rated_power, step_s) if clear is None else clear
    sample = _sample(sun, per_rated_power, mask, air, capped)
    if sample.power.size < MIN_CLEAR_SAMPLES.value:
        return "", {}
    angles = np.array(list(planes.values()), dtype=np.float64)
    score = _score(sample, angles[:, 0], angles[:, 1], top, GAIN_PRIOR)
    # The posterior in the residual's clothes, so that an unusual gain counts against a plane too.
    values = np.sqrt(score.misfit / _INDEPENDENT) * MODEL_ERROR.value * top / float(sample.power.mean())
    residuals = dict(zip(planes, (float(v) for v in values), strict=True))
    return min(residuals, key=residuals.__getitem__), residuals


def shifted(sun: Sun, by_s: float) -> Sun:
    """The sun as it stands ``by_s`` seconds later, on the same stamps, [T].

    Interpolated, so the ends repeat.
    """
    at = sun.ts + by_s

    def move(values: Floats) -> Floats:
        return np.asarray(np.interp(at, sun.ts, values))

    azimuth = np.radians(sun.azimuth_deg)
    turned = np.degrees(np.arctan2(move(np.sin(azimuth)), move(np.cos(azimuth)))) % 360.0
    return Sun(
        sun.ts,
        move(sun.elevation_deg),
        move(sun.zenith_deg),
        turned,
        move(sun.dni_extra),
        move(sun.clear_ghi),
        move(sun.clear_dni),
        move(sun.clear_dhi),
    )


def _top(power: Floats, sun: Sun) -> float:
    lit = np.isfinite(power) & (sun.elevation_deg > 0.0)
    return float(np.quantile(power[lit], 0.995)) if lit.sum() >= 10 else 0.0


def _find_ceiling(power: Floats, top: float) -> float | None:
    """A flat top: more than one lit stamp in twenty within 1.5 % of the highest."""
    high = power[np.isfinite(power) & (power > 0.2 * top)]
    near = np.mean(np.abs(high / top - 1.0) < 0.015) if high.size else 0.0
    below = np.mean(np.abs(high / top - 0.97) < 0.015) if high.size else 0.0
    return top if near > 0.05 and near > 2.0 * below else None


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
    chosen = near & smooth
    return np.asarray(
        chosen if chosen.sum() >= MIN_CLEAR_SAMPLES.value else lit & (power > 0.93 * best[cell])
    )


def _sample(sun: Sun, power: Floats, mask: Mask, air: Floats, capped: Mask) -> _Sample:
    rows = np.flatnonzero(mask & np.isfinite(power))
    if rows.size > _MAX_SAMPLES:
        rows = rows[np.linspace(0, rows.size - 1, _MAX_SAMPLES).astype(np.int64)]
    thin = Sun(
        *(
            getattr(sun, name)[rows]
            for name in (
                "ts",
                "elevation_deg",
                "zenith_deg",
                "azimuth_deg",
                "dni_extra",
                "clear_ghi",
                "clear_dni",
                "clear_dhi",
            )
        )
    )
    return _Sample(thin, power[rows], solar_days(sun)[rows], capped[rows], air[rows])


def _light(sun: Sun, azimuth: float | Floats, tilt: float | Floats, air: Floats) -> tuple[Floats, Floats]:
    """Clear-sky power per rated watt of a cell at air temperature, and the light in kW/m²; [T] or [K, T]."""
    light = plane_effective(sun, azimuth, tilt)
    return per_rated(None, light, air), light / 1000.0


@dataclass(frozen=True)
class _Score:
    """How candidate planes do, each [K]; ``misfit`` is minus twice their log posterior."""

    misfit: Floats
    gain: Floats
    sag: Floats
    residual: Floats


def _score(
    sample: _Sample, azimuth: Floats, tilt: Floats, top: float, gain_prior: tuple[float, float]
) -> _Score:
    """Fit gain and sag of candidate planes ([K] angles) within what is usual for them.

    The model is ``gain * base * (1 - sag * light)``.  Both are held by priors:
    shape alone would trade a wrong sag or a plane turned from the sun for a
    wrong tilt.
    """
    base, light = _light(sample.sun, azimuth[:, None], tilt[:, None], sample.air_c)
    bent = base * light
    count = sample.power.size
    bound = _OUTLIER * top
    scale = (MODEL_ERROR.value * top) ** 2 * count / _INDEPENDENT
    gain_mean, gain_spread = gain_prior
    sag_mean, sag_spread = SAG_PRIOR
    gain, sag = np.full(len(azimuth), gain_mean), np.full(len(azimuth), sag_mean)
    weight = np.where(sample.capped, 0.0, 1.0)[None, :] * np.ones_like(base)
    residual = np.zeros_like(base)
    for _ in range(4):
        bb, bc, cc = (
            np.einsum("ks,ks,ks->k", weight, u, v) for u, v in ((base, base), (base, bent), (bent, bent))
        )
        by, cy = (np.einsum("ks,ks,s->k", weight, u, sample.power) for u in (base, bent))
        for _ in range(3):
            sag = (gain * (gain * bc - cy) + scale * sag_mean / sag_spread**2) / (
                gain**2 * cc + scale / sag_spread**2
            )
            sag = np.clip(sag, 0.02, 0.35)
            norm = bb - 2.0 * sag * bc + sag**2 * cc
            hold = scale / (gain_spread * gain_mean) ** 2
            gain = (by - sag * cy + hold * gain_mean) / (norm + hold)
        residual = sample.power - gain[:, None] * (base - sag[:, None] * bent)
        residual[:, sample.capped] = np.maximum(residual[:, sample.capped], 0.0)
        # Tukey-like: what cloud or shade took away must not turn the plane.
        weight = 1.0 / (1.0 + (residual / bound) ** 2) ** 2
        weight[:, sample.capped] *= residual[:, sample.capped] > 0.0
    squared = residual**2
    loss = np.mean(squared / (1.0 + squared / bound**2), axis=1)
    misfit = (
        _INDEPENDENT * loss / (MODEL_ERROR.value * top) ** 2
        + ((gain / gain_mean - 1.0) / gain_spread) ** 2
        + ((sag - sag_mean) / sag_spread) ** 2
    )
    return _Score(misfit, gain, sag, np.sqrt(loss) / float(sample.power.mean()))


def _candidates(azimuth_deg: float | None, tilt_deg: float | None) -> tuple[Floats, Floats]:
    """Planes to try, azimuths and tilts [K]: a grid over what isn't known."""
    if tilt_deg is not None:
        azimuths = np.arange(0.0, 360.0, 2.5)
        return azimuths, np.full(azimuths.shape, float(tilt_deg))
    if azimuth_deg is not None:
        tilts = np.arange(0.0, 91.0, 1.5)
        return np.full(tilts.shape, float(azimuth_deg)), tilts
    return _AZIMUTHS, _TILTS


def _fit(
    sample: _Sample, top: float, gain_prior: tuple[float, float], azimuths: Floats, tilts: Floats
) -> tuple[Orientation, float]:
    """Mean and spread of the posterior over the candidate planes, angles [K]; the orientation and the sag."""
    days = int(np.unique(sample.day).size)
    if sample.power.size < MIN_CLEAR_SAMPLES.value:
        return _UNKNOWN, 0.0
    score = _score(sample, azimuths, tilts, top, gain_prior)
    # No direction is preferred: a grid cell counts by the solid angle that its normals fill.
    weight = np.exp(-0.5 * (score.misfit - score.misfit.min())) * np.sin(np.radians(np.maximum(tilts, 1.25)))
    weight /= weight.sum()
    mean = complex(np.sum(weight * np.exp(1j * np.radians(azimuths))))
    spread = np.degrees(np.sqrt(max(0.0, -2.0 * np.log(max(min(abs(mean), 1.0), 1e-9)))))
    tilt = float(np.sum(weight * tilts))
    # One or two days can't contradict each other: the models' own error then weighs more.
    few = np.sqrt(1.0 + 2.0 / days)
    k = int(np.argmin(score.misfit))
    return (
        Orientation(
            azimuth_deg=float(np.degrees(np.angle(mean)) % 360.0),
            tilt_deg=tilt,
            azimuth_err_deg=float(min(np.hypot(spread, MODEL_AZIMUTH_ERR.value * few), 180.0)),
            tilt_err_deg=float(
                np.hypot(np.sqrt(np.sum(weight * (tilts - tilt) ** 2)), MODEL_TILT_ERR.value * few)
            ),
            residual=float(score.residual[k]),
            gain=float(score.gain[k]),
            days=days,
        ),
        float(score.sag[k]),
    )


def _edge_shift(sun: Sun, power: Floats, model: Floats, top: float) -> float:
    """How much later first and last light come than in the model, s.

    Cloud only makes mornings late and evenings early, so the early quarter of
    the mornings and the late quarter of the evenings count.  A clock moves
    both ends alike; hills, trees and a wake-up threshold cut the day short, at
    one end or both: then the end that moved less says what the clock did.
    """
    day = solar_days(sun)
    days, where = np.unique(day, return_inverse=True)
    level = _EDGE * top

    def edges(values: Floats) -> tuple[Floats, Floats]:
        on = np.where(np.isfinite(values), values, 0.0) > level
        # Where it crosses between two stamps, by the straight line between them.
        before = np.concatenate([[0.0], values[:-1]])
        after = np.concatenate([values[1:], [0.0]])
        ts = sun.ts.astype(np.float64)
        gap_before = np.concatenate([[0.0], np.diff(ts)])
        gap_after = np.concatenate([np.diff(ts), [0.0]])
        with np.errstate(divide="ignore", invalid="ignore"):
            rise = ts - gap_before * np.clip(np.nan_to_num((values - level) / (values - before)), 0.0, 1.0)
            fall = ts + gap_after * np.clip(np.nan_to_num((values - level) / (values - after)), 0.0, 1.0)
        first = np.full(days.size, np.inf)
        last = np.full(days.size, -np.inf)
        np.minimum.at(first, where[on], rise[on])
        np.maximum.at(last, where[on], fall[on])
        return first, last

    first, last = edges(power)
    model_first, model_last = edges(model)
    known = np.isfinite(first) & np.isfinite(last) & np.isfinite(model_first) & np.isfinite(model_last)
    if known.sum() < 3:
        return 0.0
    morning = np.quantile(first[known] - model_first[known], 0.25)
    evening = np.quantile(last[known] - model_last[known], 0.75)
    if morning - evening < MIN_SHIFT.value:
        return float((morning + evening) / 2.0)
    # The day is cut short: at both ends alike, or at one, which must not pass for a clock.
    if morning * evening <= 0.0:
        return 0.0
    return float(np.sign(morning) * min(abs(morning), abs(evening)))
