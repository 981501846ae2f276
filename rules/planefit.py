"""How well candidate planes fit a record's clear stamps, and where the likely ones lie.

The model of a plane's power is ``gain * base * (1 - sag * light)``: ``base`` is the
clear-sky power of a cell at air temperature, ``light`` the irradiance in kW/m²,
``gain`` what rating, dirt and age make of it, ``sag`` what heat and the unit's
curve take at full light.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rules.clearness import solar_days
from rules.finding import Threshold
from rules.irradiance import plane_effective
from rules.module import per_rated
from rules.ranks import Floats, Mask
from rules.sun import Sun

OWN_DATA: Final = "own data: a real array of known orientation and simulated ones, tests/real/test_real_orientation.py"
MIN_CLEAR_SAMPLES: Final = Threshold(24.0, "samples", "own choice: two short clear days at an hour")
#: Error floor of the result, added to the posterior's own spread.
MODEL_AZIMUTH_ERR: Final = Threshold(3.0, "deg", OWN_DATA)
MODEL_TILT_ERR: Final = Threshold(4.0, "deg", OWN_DATA)
#: What clear-sky, transposition and reflection models miss, as share of the highest power.
MODEL_ERROR: Final = Threshold(0.02, "ratio", OWN_DATA)
#: Their errors go together over a day: a record says as much as this many independent readings.
INDEPENDENT: Final = 8.0
#: Measured over modelled power per rated watt, mean and relative spread: dirt, losses, age, haze.
GAIN_PRIOR: Final = (0.95, 0.08)
#: How much power sags at 1000 W/m² against a cell at air temperature: heat (common practice: 20 to
#: 45 K at 0.3 to 0.5 %/K) and the unit's own curve; mean and spread.
SAG_PRIOR: Final = (0.15, 0.05)
#: Tilt of roofs, mean and spread, degrees (common practice: pitched ones have 15 to 45, modules on flat ones 5 to 15).
TILT_PRIOR: Final = (25.0, 15.0)
#: Sags that no module and unit go beyond.
_SAG_RANGE: Final = (0.02, 0.35)
#: Residuals beyond this share of the highest power count no further.
_OUTLIER: Final = 0.08
_MAX_SAMPLES: Final = 300
#: Rounds of weighting down what clouds and shade took away, and of solving for gain and sag in turn.
_WEIGHT_ROUNDS: Final = 4
_SOLVE_ROUNDS: Final = 3
_GRID: Final = np.meshgrid(np.arange(0.0, 360.0, 7.5), np.arange(0.0, 91.0, 6.0))
_AZIMUTHS: Final = _GRID[0].ravel()
_TILTS: Final = _GRID[1].ravel()


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


UNKNOWN: Final = Orientation(np.nan, np.nan, 180.0, 90.0, np.inf, np.nan, 0.0, 0)


@dataclass(frozen=True)
class Sample:
    """Clear stamps of a record, [S]; at ``capped`` stamps power is a lower bound.

    ``power`` is per watt of rating, ``day`` a local solar day's number, ``air_c`` in Celsius.
    """

    sun: Sun
    power: Floats
    day: NDArray[np.int64]
    capped: Mask
    air_c: Floats


def sample_of(sun: Sun, power: Floats, mask: Mask, air: Floats, capped: Mask) -> Sample:
    """The stamps of a mask [T], thinned evenly to some hundreds; all of a record's arrays are [T]."""
    rows = np.flatnonzero(mask & np.isfinite(power))
    if rows.size > _MAX_SAMPLES:
        rows = rows[np.linspace(0, rows.size - 1, _MAX_SAMPLES).astype(np.int64)]
    return Sample(sun.at(rows), power[rows], solar_days(sun)[rows], capped[rows], air[rows])


def clear_power(sun: Sun, azimuth: float | Floats, tilt: float | Floats, air: Floats) -> tuple[Floats, Floats]:
    """Clear-sky power per rated watt of a cell at air temperature, and the light in kW/m²; [T] or [K, T]."""
    light = plane_effective(sun, azimuth, tilt)
    return per_rated(None, light, air), light / 1000.0


@dataclass(frozen=True)
class Score:
    """How candidate planes fit, each [K]; ``misfit`` is minus twice their log posterior, ``residual`` over mean power."""

    misfit: Floats
    gain: Floats
    sag: Floats
    residual: Floats


def score(sample: Sample, azimuth: Floats, tilt: Floats, top: float, gain_prior: tuple[float, float]) -> Score:
    """Fit gain and sag of candidate planes within what is usual for them.

    Both are held by priors: shape alone would trade a wrong sag, or a plane
    turned from the sun, for a wrong tilt.

    Parameters
    ----------
    azimuth, tilt : [K] degrees.
    top : the record's highest power, per watt of rating.
    gain_prior : mean and relative spread of the gain.
    """
    base, light = clear_power(sample.sun, azimuth[:, None], tilt[:, None], sample.air_c)
    bent = base * light
    count = sample.power.size
    bound = _OUTLIER * top
    scale = (MODEL_ERROR.value * top) ** 2 * count / INDEPENDENT
    gain_mean, gain_spread = gain_prior
    sag_mean, sag_spread = SAG_PRIOR
    gain, sag = np.full(len(azimuth), gain_mean), np.full(len(azimuth), sag_mean)
    weight = np.where(sample.capped, 0.0, 1.0)[None, :] * np.ones_like(base)
    residual = np.zeros_like(base)
    for _ in range(_WEIGHT_ROUNDS):
        bb, bc, cc = (np.einsum("ks,ks,ks->k", weight, u, v) for u, v in ((base, base), (base, bent), (bent, bent)))
        by, cy = (np.einsum("ks,ks,s->k", weight, u, sample.power) for u in (base, bent))
        for _ in range(_SOLVE_ROUNDS):
            sag = (gain * (gain * bc - cy) + scale * sag_mean / sag_spread**2) / (gain**2 * cc + scale / sag_spread**2)
            sag = np.clip(sag, *_SAG_RANGE)
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
        INDEPENDENT * loss / (MODEL_ERROR.value * top) ** 2
        + ((gain / gain_mean - 1.0) / gain_spread) ** 2
        + ((sag - sag_mean) / sag_spread) ** 2
    )
    return Score(misfit, gain, sag, np.sqrt(loss) / float(sample.power.mean()))


def candidates(azimuth_deg: float | None, tilt_deg: float | None) -> tuple[Floats, Floats]:
    """Planes to try, azimuths and tilts [K]: a grid over what isn't known."""
    if tilt_deg is not None:
        azimuths = np.arange(0.0, 360.0, 2.5)
        return azimuths, np.full(azimuths.shape, float(tilt_deg))
    if azimuth_deg is not None:
        tilts = np.arange(0.0, 91.0, 1.5)
        return np.full(tilts.shape, float(azimuth_deg)), tilts
    return _AZIMUTHS, _TILTS


def fit(sample: Sample, top: float, gain_prior: tuple[float, float], azimuths: Floats, tilts: Floats) -> tuple[Orientation, float]:
    """Orientation as the mean and spread of the posterior over candidate planes ([K] angles), and the best one's sag."""
    days = int(np.unique(sample.day).size)
    if sample.power.size < MIN_CLEAR_SAMPLES.value:
        return UNKNOWN, 0.0
    scores = score(sample, azimuths, tilts, top, gain_prior)
    # No direction is preferred: a grid cell counts by the solid angle that its normals fill. Steep roofs are rare.
    steep = ((tilts - TILT_PRIOR[0]) / TILT_PRIOR[1]) ** 2
    weight = np.exp(-0.5 * (scores.misfit - scores.misfit.min() + steep)) * np.sin(np.radians(np.maximum(tilts, 1.25)))
    weight /= weight.sum()
    # The mean of the planes' normals: where a flat plane faces is unknown, how flat it is may be known well.
    slope, way = np.radians(tilts), np.exp(1j * np.radians(azimuths))
    aside, up = complex(np.sum(weight * np.sin(slope) * way)), float(np.sum(weight * np.cos(slope)))
    tilt = float(np.degrees(np.arctan2(abs(aside), up))) if np.ptp(tilts) else float(tilts[0])
    mean = complex(np.sum(weight * way))
    spread = np.degrees(np.sqrt(max(0.0, -2.0 * np.log(max(min(abs(mean), 1.0), 1e-9)))))
    # One or two days can't contradict each other: the models' own error then weighs more.
    few = np.sqrt(1.0 + 2.0 / days)
    k = int(np.argmin(scores.misfit))
    return (
        Orientation(
            azimuth_deg=float(np.degrees(np.angle(aside)) % 360.0),
            tilt_deg=tilt,
            azimuth_err_deg=float(min(np.hypot(spread, MODEL_AZIMUTH_ERR.value * few), 180.0)),
            tilt_err_deg=float(np.hypot(np.sqrt(np.sum(weight * (tilts - tilt) ** 2)), MODEL_TILT_ERR.value * few)),
            residual=float(scores.residual[k]),
            gain=float(scores.gain[k]),
            days=days,
        ),
        float(scores.sag[k]),
    )
