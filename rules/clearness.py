"""Which spells of a record are clear sky, and whether an irradiance sensor can be believed.

References
----------
M. J. Reno, C. W. Hansen, "Identification of periods of clear sky irradiance
in time series of GHI measurements", Renewable Energy 90, 520-531, 2016: the
idea of judging level and smoothness in a moving window.  pvlib implements it
for irradiance on a regular grid (``pvlib.clearsky.detect_clearsky``); the
tests compare :func:`clear_spells` with it.
C. N. Long, E. G. Dutton, "BSRN Global Network recommended QC tests", 2002:
the physically possible limits.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, stats

from rules.finding import Threshold
from rules.sun import Sun

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

_OWN = (
    "own choice, compared with pvlib's detector on measured irradiance in tests/rules/test_physics_clear.py"
)
CLEAR_WINDOW: Final = Threshold(3600.0, "s", _OWN + "; at least three samples")
CLEAR_ROUGHNESS: Final = Threshold(0.03, "ratio", _OWN)
CLEAR_LEVEL: Final = Threshold(0.10, "ratio", _OWN)
CLEAR_MIN_ELEVATION: Final = Threshold(8.0, "deg", "own choice: below, air mass and horizon rule the signal")

SENSOR_GAIN_LEFT_ALONE: Final = Threshold(
    0.10, "ratio", "common practice: clear-sky models are good to some 10 %"
)
SENSOR_GAIN_FIXABLE: Final = Threshold(
    2.0, "ratio", "own choice: beyond it is another quantity, not a calibration"
)
SENSOR_GAIN_SPREAD: Final = Threshold(0.10, "ratio", "own choice")
SENSOR_DRIFT: Final = Threshold(
    0.12, "ratio over the record", "own choice: above the season's error of the model"
)
SENSOR_FROZEN: Final = Threshold(0.20, "share of daylight", "own choice")
SENSOR_IMPOSSIBLE: Final = Threshold(0.02, "share of daylight", "own choice")
SENSOR_SHIFT: Final = Threshold(
    1500.0, "s", "own choice: 25 minutes is more than averaging and equation of time"
)
SENSOR_SHADE: Final = Threshold(0.30, "ratio", "own choice")


def clear_spells(
    sun: Sun, signal: Floats, step_s: float, clear: Floats | None = None, gain: float | None = None
) -> Mask:
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
    lit = (sun.elevation_deg > CLEAR_MIN_ELEVATION.value) & (
        reference > 0.05 * np.nanmax(reference, initial=1.0)
    )
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


@dataclass(frozen=True)
class SensorTrust:
    """Whether an irradiance sensor can be believed.

    ``factor`` multiplies the readings (a wrong unit, a constant gain);
    ``reason`` says in a sentence why not, or what the factor mends, or "";
    ``days_used`` counts days with clear spells; ``usable`` [T] marks the
    readings to use (all False when not trusted); ``shift_s`` is how late the
    sensor's day runs, s.
    """

    trusted: bool
    factor: float
    reason: str
    days_used: int
    usable: Mask
    shift_s: float = 0.0


def trust_sensor(sun: Sun, measured: Floats, clear: Floats, step_s: float) -> SensorTrust:
    """Compare an irradiance sensor with clear sky, on its own clear spells.

    Looks, in this order, for too little data, a wrong unit, readings that
    stand still, a clock that is off, impossible values, a wrong gain, shade on
    the sensor, and drift.  A wrong unit or a steady gain up to twofold is
    mended by ``factor``; everything else makes the sensor untrusted.  A gain
    within 10 % is left alone: the clear-sky model is no better.

    Parameters
    ----------
    sun : [T], on the sensor's grid.
    measured : [T] irradiance as reported; NaN where missing.
    clear : [T] clear-sky irradiance in the sensor's plane, W/m².
    step_s : grid step, s.
    """
    nothing = np.zeros(measured.shape, dtype=bool)

    def distrust(reason: str, days: int = 0, shift_s: float = 0.0) -> SensorTrust:
        return SensorTrust(False, 1.0, reason, days, nothing, shift_s)

    known = np.isfinite(measured)
    lit = known & (sun.elevation_deg > CLEAR_MIN_ELEVATION.value) & (clear > 100.0)
    if lit.sum() * step_s < 6 * 3600.0:
        return distrust("fewer than six hours of daylight readings")
    factor, note = _unit_factor(measured[lit] / clear[lit], step_s)
    if factor == 0.0:
        top = float(np.quantile(measured[lit], 0.95))
        return distrust(f"no irradiance in any unit we know: the bright end of the readings is {top:.4g}")
    reading = measured * factor
    stuck = _stuck(reading, lit, step_s)
    if stuck.sum() > SENSOR_FROZEN.value * lit.sum():
        return distrust(f"the reading stands still in {stuck.sum() / lit.sum():.0%} of daylight")
    fine = lit & ~stuck
    shift = clock_shift(sun, reading, clear, fine | (known & (sun.elevation_deg < -6.0)))
    if abs(shift) > SENSOR_SHIFT.value and _light_at_night(sun, reading, known):
        return distrust(
            f"its day runs {abs(shift) / 60:.0f} min {'late' if shift > 0 else 'early'}", 0, shift
        )

    spells = clear_spells(sun, np.where(fine, reading, np.nan), step_s, clear)
    ratio = reading[spells] / clear[spells]
    day = solar_days(sun)[spells]
    days = np.unique(day)
    if days.size:
        by_day = np.array([np.median(ratio[day == d]) for d in days])
        gain = float(np.median(by_day))
        drift = _drift(days, by_day / gain)
        if abs(drift) > SENSOR_DRIFT.value:
            return distrust(f"drifts by {drift:+.0%} over the record", days.size)
        if abs(gain - 1.0) > SENSOR_GAIN_LEFT_ALONE.value:
            spread = float(np.quantile(by_day, 0.9) - np.quantile(by_day, 0.1)) / gain
            limit = SENSOR_GAIN_FIXABLE.value
            steady = 1.0 / limit < gain < limit and spread < SENSOR_GAIN_SPREAD.value
            if not steady or (days.size < 3 and not 0.75 < gain < 1.25):
                return distrust(f"reads {gain:.2f} of clear sky on its clear spells, not steadily", days.size)
            if days.size >= 3:
                factor, reading = factor / gain, reading / gain
                scaled = f"reads {gain:.2f} of clear sky on {days.size} clear days: scaled"
                note = f"{note} and {scaled}" if note else scaled
    too_much = _impossible(sun, reading, clear, fine, step_s)
    if too_much.sum() > SENSOR_IMPOSSIBLE.value * lit.sum():
        top = float(np.nanmax(reading[fine]))
        share = too_much.sum() / lit.sum()
        return distrust(
            f"more than the sky can give in {share:.0%} of daylight, up to {top:.0f} W/m²", days.size
        )
    shaded = _shaded_share(sun, reading, clear, fine & np.isin(solar_days(sun), days))
    if shaded > SENSOR_SHADE.value:
        return distrust(
            f"shaded: at some sun directions it never comes near clear sky ({shaded:.0%})", days.size
        )
    return SensorTrust(True, factor, note, int(days.size), known & ~stuck & ~too_much)


def solar_days(sun: Sun) -> NDArray[np.int64]:
    """Number of the local solar day of each stamp, [T]; midnight is half a day from the brightest hour."""
    turn = 2.0 * np.pi * (sun.ts % 86400) / 86400.0
    weight = sun.clear_ghi if sun.clear_ghi.any() else sun.elevation_deg - sun.elevation_deg.min()
    noon = np.arctan2(np.sum(weight * np.sin(turn)), np.sum(weight * np.cos(turn))) / (2.0 * np.pi) * 86400.0
    return np.asarray((sun.ts - int(noon) + 43200) // 86400, dtype=np.int64)


def clock_shift(sun: Sun, reading: Floats, clear: Floats, use: Mask) -> float:
    """How late a reading's day runs behind clear sky, s; 0 when that can't be told.

    The bright envelope by time of day (quarter hours, 80th percentile) is
    slid over that of clear sky; the best match wins, between quarters by a
    parabola.
    """
    if use.sum() < 48:
        return 0.0
    slot = (sun.ts[use] % 86400) // 900
    own, reference = _envelope(slot, reading[use], 0.8), _envelope(slot, clear[use], 0.8)
    seen = np.isfinite(own)
    if seen.sum() < 72 or np.nanmax(own) <= 0:
        return 0.0
    own = np.interp(np.arange(96), np.flatnonzero(seen), own[seen], period=96)
    reference = np.interp(np.arange(96), np.flatnonzero(seen), reference[seen], period=96)
    match = np.array([np.corrcoef(np.roll(reference, k), own)[0, 1] for k in range(-48, 48)])
    best = int(np.argmax(match))
    if match[best] < 0.9 or match[best] - match[48] < 0.005:
        return 0.0
    left, mid, right = match[best - 1], match[best], match[(best + 1) % 96]
    bend = left - 2.0 * mid + right
    return float(900.0 * (best - 48 + (0.5 * (left - right) / bend if bend < 0 else 0.0)))


def _envelope(slot: NDArray[np.int64], values: Floats, quantile: float, slots: int = 96) -> Floats:
    """Quantile of the values in each slot, [slots]; NaN where there are none."""
    order = np.lexsort((values, slot))
    sorted_slot, sorted_values = slot[order], values[order]
    start = np.searchsorted(sorted_slot, np.arange(slots))
    count = np.searchsorted(sorted_slot, np.arange(slots), side="right") - start
    pick = start + np.floor(quantile * np.maximum(count - 1, 0)).astype(np.int64)
    result = np.full(slots, np.nan)
    result[count > 0] = sorted_values[pick[count > 0]]
    return result


def _unit_factor(ratio: Floats, step_s: float) -> tuple[float, str]:
    """What turns the readings into W/m², from their bright end over clear sky; 0 when nothing does."""
    bright = float(np.quantile(ratio, 0.9))
    for factor, note in (
        (1.0, ""),
        (1000.0, "read as kW/m²"),
        (0.001, "read as mW/m²"),
        (3600.0 / step_s, "read as Wh/m² per interval"),
    ):
        if 1.0 / 2.2 < bright * factor < 2.2:
            return factor, note
    # A record under cloud alone is dark but still irradiance.
    return (1.0, "") if 0.05 < bright <= 1.0 / 2.2 else (0.0, "")


def _stuck(reading: Floats, lit: Mask, step_s: float) -> Mask:
    """Daylight readings equal to both neighbours for at least three steps and half an hour, [T]."""
    same = np.zeros(reading.shape, dtype=bool)
    same[1:] = np.abs(np.diff(reading)) <= 1e-9 * np.abs(reading[1:])
    length = max(2, int(np.ceil(1800.0 / step_s)))
    run = ndimage.binary_opening(same, np.ones(length, dtype=bool))
    return np.asarray(run & lit)


def _impossible(sun: Sun, reading: Floats, clear: Floats, fine: Mask, step_s: float) -> Mask:
    """More than cloud edges can add to clear sky, or far below zero, [T].

    Cloud enhancement lasts minutes: the longer the step, the less it may add
    (common practice: to 1.5 times clear sky at a minute, 1.2 at an hour).  BSRN's
    physically possible limit, 1.5 times extraterrestrial plus 100 W/m², always holds.
    """
    allowed = 1.5 - 0.3 * np.clip(np.log(step_s / 60.0) / np.log(60.0), 0.0, 1.0)
    with np.errstate(invalid="ignore"):
        over = (
            (reading > allowed * clear + 100.0) | (reading > 1.5 * sun.dni_extra + 100.0) | (reading < -50.0)
        )
    return np.asarray(over & fine)


def _light_at_night(sun: Sun, reading: Floats, known: Mask) -> bool:
    """Whether daylight is reported with the sun well down on three days in ten: shade can't do that."""
    deep = known & (sun.elevation_deg < -12.0)
    offset = float(np.median(reading[deep])) if deep.any() else 0.0
    day = solar_days(sun)
    dark = known & (sun.elevation_deg < -2.5)
    lit_days = np.unique(day[dark & (np.where(known, reading, 0.0) - offset > 15.0)]).size
    return lit_days > 0.3 * max(1, np.unique(day[dark]).size)


def _drift(days: NDArray[np.int64], gain: Floats) -> float:
    """Change of the daily gain over the record; 0 when short or not clearly a trend."""
    if days.size < 8 or days[-1] - days[0] < 14:
        return 0.0
    slope, _, low, high = stats.theilslopes(gain, days, 0.99)
    return float(slope * (days[-1] - days[0])) if low > 0.0 or high < 0.0 else 0.0


def _shaded_share(sun: Sun, reading: Floats, clear: Floats, fine: Mask) -> float:
    """Loss at the worst sun direction against the others; 0 when unknown.

    Seen on at least five days that have clear spells; in each 10 degree step
    of azimuth the brightest tenth of the ratios counts, so that cloudy
    mornings do not pass for shade.
    """
    use = fine & (sun.elevation_deg > 12.0)
    if use.sum() < 50:
        return 0.0
    slot = np.asarray(sun.azimuth_deg[use] // 10, dtype=np.int64) % 36
    ratio = reading[use] / clear[use]
    day = solar_days(sun)[use]
    top = _envelope(slot, ratio, 0.9, 36)
    days = np.array([np.unique(day[slot == s]).size for s in range(36)])
    top = top[(days >= 5) & np.isfinite(top)]
    return float(1.0 - top.min() / np.quantile(top, 0.75)) if top.size >= 4 else 0.0
