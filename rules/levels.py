"""Day levels of inputs against siblings, and their steps and slopes over weeks."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from statistics import median

import numpy as np
from numpy.typing import NDArray

from rules.case import Case, Floats, Mask
from rules.finding import Threshold
from rules.ranks import median_of
from rules.siblings import typical

STEP = Threshold(0.05, "ratio", "own reasoning: twice the day-to-day scatter of a level on a bad week")
#: The rank 0.7 of a spread of 1.5 % lies so far above its middle.
_RANK_BIAS = 1.008
_COMMON_SPREAD = 0.015  # modules of one type, sorted at the factory (common practice: 1 to 2 %)
MIN_LIGHT = Threshold(0.6, "h", "own reasoning: 0.6 Wh per rated watt in the day, a heavily overcast day in winter")


@dataclass(frozen=True)
class Levels:
    """Relative day levels.

    ``level`` [D, N] is the input's upper ratio over its siblings' (1 is healthy);
    ``judged`` [D, N] days with enough light and rows; ``noise`` [N] robust
    scatter of the level from day to day; ``spread`` [N] robust spread of the
    members' usual levels on the input's plane.
    """

    level: Floats
    judged: Mask
    noise: Floats
    spread: Floats

    @cached_property
    def segments(self) -> list[list[Segment]]:
        """Stretches without steps of every input."""
        return [segments(y, noise) for y, noise in zip(self.level.T, self.noise.tolist(), strict=True)]


@lru_cache(maxsize=1)
def relative_levels(case: Case) -> Levels:
    """Day levels normalised by the plane's own members, [D, N]; three rules ask for those of one case."""
    raw = case.day_level
    level = raw.copy()
    for p in range(len(case.names)):
        inputs = np.flatnonzero(case.plane_of == p)
        if len(inputs) < 3:
            continue
        middle, count = typical(raw[:, inputs].astype(np.float32))
        # The typical rank 0.7 of levels sits on healthy members even if a good third is ill.
        norm = np.where(count >= 2, middle, np.nan) / _RANK_BIAS
        level[:, inputs] = raw[:, inputs] / norm[:, None]
    covered = case.table["seen_h"] >= 0.5 * np.maximum(case.table["lit_h"], 1e-6)
    judged = np.isfinite(level) & (case.witness.sum(axis=2) >= MIN_LIGHT.value) & covered
    # A lone input against a guessed sky says something only on bright days.
    lone = case.members < 2
    if not case.sensor_trust[0]:
        sky = case.sky_index
        bright = np.where(np.isfinite(sky), sky, 0).sum(axis=1) / np.maximum(np.isfinite(sky).sum(axis=1), 1)
        judged[:, lone] &= (np.nan_to_num(bright) > 0.5)[:, None]
    noise = np.full(level.shape[1], 0.02)
    for n in range(level.shape[1]):
        y = level[judged[:, n], n]
        if len(y) >= 4:
            noise[n] = max(0.004, 1.4826 * median_of(np.abs(np.diff(y))) / np.sqrt(2))
    level = np.where(judged, level, np.nan)
    return Levels(level, judged, noise, _spread(case, level))


def _spread(case: Case, level: Floats) -> Floats:
    """Robust spread of members' usual levels per plane, told to each input, [N]."""
    out = np.full(level.shape[1], _COMMON_SPREAD)
    usual = np.array([median_of(y[np.isfinite(y)]) for y in level.T])
    for p in range(len(case.names)):
        mine = np.flatnonzero(case.plane_of == p)
        good = usual[mine][np.isfinite(usual[mine])]
        if len(good) >= 5:
            # Upper half only: faults widen the lower one.
            top = good[good >= np.median(good)]
            out[mine] = max(_COMMON_SPREAD, 1.4826 * float(np.median(top - np.median(good))))
    return out


@dataclass(frozen=True)
class Segment:
    """A stretch without steps: positions of its judged days, its start and end level, slope per day."""

    days: np.ndarray
    start: float
    end: float
    slope: float
    scatter: float

    @property
    def middle(self) -> float:
        return 0.5 * (self.start + self.end)


def segments(level: Floats, noise: float) -> list[Segment]:
    """Cut one input's levels at steps up or down, and fit a robust line to each stretch.

    Parameters
    ----------
    level : [D], NaN where not judged.
    noise : day-to-day scatter.
    """
    days = np.flatnonzero(np.isfinite(level))
    if not days.size:
        return []
    y = level[days]
    plain = y.tolist()
    cuts = [0]
    threshold = max(STEP.value * 0.7, 4.0 * noise)
    k = 1
    while k < len(plain):
        # No step without a good part of it from one day to the next: most days are passed by so.
        if abs(plain[k] - plain[k - 1]) <= 0.5 * threshold:
            k += 1
            continue
        # statistics' median: numpy's takes 20 us for four numbers.
        jump = median(plain[k : k + 4]) - median(plain[max(cuts[-1], k - 4) : k])
        if abs(jump) > threshold and abs(plain[k] - plain[k - 1]) > 0.5 * abs(jump):
            cuts.append(k)
            k += 1
        k += 1
    out = []
    for i, start in enumerate(cuts):
        stop = cuts[i + 1] if i + 1 < len(cuts) else len(y)
        out.append(_fit(days[start:stop], y[start:stop]))
    return out


@lru_cache(maxsize=16)
def _pairs(count: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    return np.triu_indices(count, 1)


def _fit(days: np.ndarray, y: Floats) -> Segment:
    if len(days) < 3:
        middle = median(y.tolist())
        return Segment(days, middle, middle, 0.0, 0.0)
    i, j = _pairs(len(days))
    slope = median_of((y[j] - y[i]) / (days[j] - days[i]))  # Theil-Sen
    base = median_of(y - slope * days)
    scatter = 1.4826 * median_of(np.abs(y - base - slope * days))
    return Segment(days, base + slope * days[0], base + slope * days[-1], slope, scatter)


def deficit_wh(case: Case, n: int, days: Mask) -> Floats:
    """Witness minus recorded energy on days, Wh, [D]; never negative."""
    lost = np.maximum(case.witness[:, n].sum(axis=1) - case.energy[:, n], 0.0)
    return lost * case.rated[n] * days
