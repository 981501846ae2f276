"""A plane's day level against what the site's sky allows it (:mod:`rules.faults.soiling`, :mod:`rules.cleanest`)."""

from __future__ import annotations

import numpy as np

from rules.case import Case, once
from rules.days import window_sum
from rules.finding import Threshold
from rules.held import held_bins, ordered_days
from rules.ontime import bins_late
from rules.ranks import Floats, Mask, median_of, nearest_rank, quantile_of, row_quantile, weighted_quantile

FREE = Threshold(0.9, "of the energy", "own reasoning: a tenth at the ceiling hides as much dirt")
HOUR_DAYS = Threshold(5, "days", "own reasoning: a middle of fewer is one of them")
DULL = Threshold(0.35, "of a bright day's", "common practice: performance is judged under more than a third of full light")
BRIGHT_DAYS = Threshold(8, "days", "own reasoning: fewer have no slope")
BESIDE_ORDER = Threshold(3, "days each way", "own reasoning: an order is not told on every cloudy day between")
LIT_H = Threshold(0.1, "h at full sun in a half hour", "own reasoning: under a fifth of full sun an expectation errs most")
LIT_BINS = Threshold(4, "half hours", "own reasoning: a middle of fewer is one of them")
SENSOR_DROP = Threshold(0.055, "ratio", "common practice: a good pyranometer errs by 2 to 5 %, steadily for weeks")


def plane_level(case: Case, p: int) -> tuple[Floats, float]:
    """Level of a plane against expectation, [D], and its scatter. Not to be written to."""
    return plane_levels(case)[p]


@once
def plane_levels(case: Case) -> list[tuple[Floats, float]]:
    """:func:`plane_level` of every plane."""
    return [_level(case, p) for p in range(len(case.names))]


def _level(case: Case, p: int) -> tuple[Floats, float]:
    share, clear = case.plane_share[:, p], case.table["plane_clear"][:, p]
    # Held down, a plane makes what was ordered; at its units' ceiling what they can.
    mine = np.flatnonzero(case.plane_of == p)
    free, made = (case.table[name][:, mine].sum(axis=1) for name in ("free_power", "power"))
    share = np.where(held_bins(case) | (free < FREE.value * made), np.nan, share)
    ill = (case.table["symptom_slots"][:, mine].sum(axis=2) >= 1.0).mean(axis=1) > 0.2
    # Units that trip and wait for their grid make less of the light too.
    ill |= case.tripped(p)
    # Under an order a plane makes what it is left, at the order's level or not, and on the days beside it may have held unseen.
    ill |= window_sum(ordered_days(case).astype(int), int(BESIDE_ORDER.value)) > 0
    # Stamps that are off set its power beside another hour's light.
    ill |= (bins_late(case)[:, mine] != 0.0).any(axis=1)
    if case.sensor_trust[0]:
        # Where the sensor is silent the sky is read from the inputs themselves: they say nothing about themselves.
        use = np.isfinite(share) & np.isfinite(case.sensor_sky(p)) & (clear > LIT_H.value) & ~ill[:, None]
        use &= np.isfinite(case.expected_share[:, p])
        owed = np.where(use, case.expected_share[:, p] * clear, 0.0)
        with np.errstate(invalid="ignore", divide="ignore"):
            ratio = np.where(owed > 0, share * clear / owed, np.nan)
            brightness = owed.sum(axis=1) / np.where(use, clear, 0.0).sum(axis=1)
        level = _by_day(ratio, owed)
        # What comes back at an hour of most days is the model's error, a shadow or a stamp; dirt takes of all hours.
        level = _by_day(ratio / _of_hours(ratio, level), owed)
        level[(use.sum(axis=1) < LIT_BINS.value) | (owed.sum(axis=1) < 0.5)] = np.nan
        level = _without_sky(_bright_enough(level, brightness), brightness)
    else:
        use = np.isfinite(share) & (clear > 0.15) & (np.nan_to_num(case.table["kt_wobble"], nan=1) < 0.04)
        level = row_quantile(np.where(use & ((use.sum(axis=1) >= 4) & ~ill)[:, None], share, np.nan), 0.75)
        # Without a sensor a dull day is no witness: keep days near the running top.
        plain = level.tolist()
        for d in np.flatnonzero(np.isfinite(level)).tolist():
            if plain[d] < max(v for v in plain[max(0, d - 6) : d + 7] if v == v) - 0.12:
                plain[d] = float("nan")
        level = np.array(plain)
    return level, plane_scatter(level)


def sunless_days(case: Case, p: int) -> Mask:
    """Days of light whose clearest sky would not lend a plane enough half hours to be judged by a sensor, [D]."""
    lit = (case.table["plane_clear_all"][:, p] > LIT_H.value).sum(axis=1)
    return np.asarray(case.light_days & (lit < LIT_BINS.value))


def _by_day(ratio: Floats, owed: Floats) -> Floats:
    """Middle of each day's ratios by what was owed, [D]; both [D, B]."""
    return weighted_quantile(ratio, np.where(np.isfinite(ratio), owed, 0.0), 0.5)


def _of_hours(ratio: Floats, level: Floats) -> Floats:
    """How a day's ratios, [D, B], lie about its level, [D], at each hour of most days, [B]; 1 where few days tell."""
    beside = ratio / level[:, None]
    told = np.isfinite(beside).sum(axis=0) >= HOUR_DAYS.value
    middle = nearest_rank(np.where(told, beside, np.nan), 0.5, 0)[0]
    return np.where(np.isfinite(middle), middle, 1.0)


def _bright_enough(level: Floats, brightness: Floats) -> Floats:
    """Levels, [D], without those of dull days, where enough days are bright: an expectation errs most under thick cloud."""
    known = np.isfinite(level) & np.isfinite(brightness)
    if not known.any():
        return level
    bright = known & (brightness >= DULL.value * quantile_of(brightness[known], 0.9))
    enough = bright.sum() >= max(BRIGHT_DAYS.value, 0.5 * known.sum())
    return np.where(bright, level, np.nan) if enough else level


def plane_scatter(level: Floats) -> float:
    """Scatter of a plane's level from day to day."""
    good = level[np.isfinite(level)]
    rise = np.diff(good)
    noise = 1.4826 * median_of(np.abs(rise - median_of(rise))) / np.sqrt(2) if len(good) > 4 else 0.05
    return float(max(noise, 0.008))


def _without_sky(level: Floats, brightness: Floats) -> Floats:
    """Levels without what goes with the day's brightness, [D]: an expectation errs the same way on every dull day.

    From day to day, so that dirt, which grows over weeks, stays in.
    """
    days = np.flatnonzero(np.isfinite(level) & np.isfinite(brightness))
    if len(days) < 8:
        return level
    rise, change = np.diff(level[days]), np.diff(brightness[days])
    kept = np.abs(rise) <= 3 * 1.4826 * median_of(np.abs(rise))
    if (change[kept] ** 2).sum() < 0.02:
        return level
    per = float((rise * change)[kept].sum() / (change[kept] ** 2).sum())
    out: Floats = level - per * (brightness - median_of(brightness[days]))
    return out
