"""Day levels of inputs against siblings, and their steps and slopes over weeks."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from functools import cached_property, lru_cache
from itertools import pairwise
from statistics import median

import numpy as np
from numpy.typing import NDArray

from rules.case import Case, once
from rules.finding import Threshold
from rules.held import held_bins
from rules.ranks import Floats, Mask, median_of, nearest_rank, row_quantile, weighted_quantile
from rules.siblings import RANK, typical

STEP = Threshold(0.05, "ratio", "own reasoning: twice the day-to-day scatter of a level on a bad week")
#: How far the rank 0.7 of a spread of 1.5 % lies above its middle, as a factor (normal distribution).
_RANK_BIAS = 1.008
_NEXT_TO_NOTHING = 0.05  # ratio; an input that makes less says nothing about the others' day
_STEADY = 0.008  # twice the scatter of a healthy level from day to day (simulated roofs)
_USUAL = 0.8  # rank over days: a member ill for most of the record still has its healthy days there
_CALM, _CALM_AT = 0.35, 0.4538  # this quantile of |x|, and where it lies for a normal x, in standard deviations
_COMMON_SPREAD = 0.015  # modules of one type, sorted at the factory (common practice: 1 to 2 %)
WIDEST_SPREAD = 0.04  # modules of mixed deliveries; what lies further apart is ill
MIN_LIGHT = Threshold(0.6, "h", "own reasoning: 0.6 Wh per rated watt in the day, a heavily overcast day in winter")
KNEE_DAYS = Threshold(4, "judged days", "own reasoning: fewer points have any slope")
KNEE_GAIN = Threshold(0.25, "of the line's misfit", "own reasoning: a bend explains three quarters of what a line leaves")


@dataclass(frozen=True)
class Levels:
    """Relative day levels.

    ``level`` [D, N] is the input's upper ratio over its siblings' (1 is healthy);
    ``judged`` [D, N] days with enough light and rows; ``noise`` [N] robust
    scatter of the level from day to day; ``spread`` [N] robust spread of the
    members' usual levels on the input's plane. ``scale`` [D, N] is what the
    witness stands for: witness times scale is a healthy input's energy.
    """

    level: Floats
    judged: Mask
    noise: Floats
    spread: Floats
    scale: Floats

    @cached_property
    def segments(self) -> list[list[Segment]]:
        """Stretches without steps of every input."""
        return [segments(y, noise) for y, noise in zip(self.level.T, self.noise.tolist(), strict=True)]


@once
def relative_levels(case: Case) -> Levels:
    """Day levels normalised by the plane's own members, [D, N]."""
    # While a unit is held down its inputs share the limit by chance: only the other hours tell.
    free = ~held_bins(case)[:, None, :]
    if free.all():
        raw = case.day_level
    else:
        raw = weighted_quantile(case.ratio, np.where(free & np.isfinite(case.ratio), case.witness, 0.0), 0.7)
    level = raw.copy()
    for p in range(len(case.names)):
        inputs = np.flatnonzero(case.plane_of == p)
        if len(inputs) >= 3 and case.day_count:
            level[:, inputs] = among_members(raw[:, inputs])
    covered = case.table["seen_h"] >= 0.5 * np.maximum(case.table["lit_h"], 1e-6)
    judged = np.isfinite(level) & ((case.witness * free).sum(axis=2) >= MIN_LIGHT.value) & covered
    # A lone input against a guessed sky says something only on bright days.
    lone = case.members < 2
    if not case.sensor_trust[0]:
        sky = case.sky_index
        bright = np.where(np.isfinite(sky), sky, 0).sum(axis=1) / np.maximum(np.isfinite(sky).sum(axis=1), 1)
        judged[:, lone] &= (np.nan_to_num(bright) > 0.5)[:, None]
    noise = scatter_of(np.where(judged, level, np.nan))
    with np.errstate(invalid="ignore", divide="ignore"):
        scale = np.where(raw > 0, raw / level, np.nan)
    level = np.where(judged, level, np.nan)
    return Levels(level, judged, noise, _spread(case, level), scale)


def scatter_of(level: Floats) -> Floats:
    """Robust scatter of each input's levels from day to day, [N]; ``level`` is [D, N], NaN where not judged."""
    noise = np.full(level.shape[1], 0.02)
    if len(level) < 4:
        return noise
    judged = np.isfinite(level)
    order = np.argsort(~judged, axis=0, kind="stable")  # each input's judged days first
    y = np.take_along_axis(level, order, 0)
    # Second differences: a steady slope is no noise, nor are a few steps.
    calm = row_quantile(np.abs(np.diff(y, 2, axis=0)).T, _CALM)
    out: Floats = np.where(judged.sum(axis=0) >= 4, np.maximum(0.003, calm / _CALM_AT / np.sqrt(6)), noise)
    return out


def among_members(raw: Floats) -> Floats:
    """Levels of a plane's members with each day's common part taken out, [D, M].

    Every member has a usual level of its own, its upper one: faults only take
    away. A day's common part is where the members stand against their usual
    levels. So no member's level moves because a neighbour falls ill.
    """
    middle, count = typical(raw.astype(np.float32))
    with np.errstate(divide="ignore"):
        height = np.where(raw > _NEXT_TO_NOTHING, np.log(raw), np.nan)
        # The typical rank 0.7 of levels sits on healthy members even if a good third is ill.
        common = np.where(count >= 2, np.log(np.maximum(middle, 1e-3)), np.nan)
    for _ in range(4):
        usual = nearest_rank(height - common[:, None], _USUAL, 0)[0]
        new = nearest_rank(height - usual, RANK.value, 1)[0]
        common = np.where(np.isfinite(new) & (count >= 2), new, common)
    for _ in range(3):
        beside = height - common[:, None]
        usual, _ = nearest_rank(beside, 0.5, 0)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", RuntimeWarning)
            unrest = np.nanmean(np.abs(beside - usual), axis=0)
        few = np.isfinite(beside).sum(axis=0) < 4
        unrest = np.where(np.isfinite(unrest) & ~few, unrest, 0.03)
        # Members that stay steady count most: dirt and rain move many of them at once.
        weight = np.where(np.isfinite(height), 1.0 / (unrest**2 + _STEADY**2), 0.0)
        new = weighted_quantile(height - usual, weight, 0.5)
        common = np.where(np.isfinite(new) & (count >= 2), new, common)
    usual = nearest_rank(height - common[:, None], _USUAL, 0)[0]
    if not np.isfinite(usual).any():
        return np.full(raw.shape, np.nan)
    healthy = float(nearest_rank(np.exp(usual), RANK.value, 0)[0]) / _RANK_BIAS
    out: Floats = raw / (np.exp(common) * healthy)[:, None]
    return out


def _spread(case: Case, level: Floats) -> Floats:
    """Robust spread of members' usual levels, told to each input, [N].

    Over all planes of the site: modules come from one delivery. A plane of few
    with an ill member would say too much of itself.
    """
    usual = np.array([median_of(y[np.isfinite(y)]) for y in level.T])
    apart = []
    for p in range(len(case.names)):
        mine = usual[case.plane_of == p]
        good = mine[np.isfinite(mine)]
        if len(good) >= 4:
            # Upper half only: faults widen the lower one.
            apart += [x for x in (good - median_of(good)).tolist() if x > 0]
    spread = 1.4826 * median_of(np.array(apart)) if len(apart) >= 3 else _COMMON_SPREAD
    # Few members say little about the spread of all.
    weight = min(len(apart) / 8.0, 1.0)
    return np.full(level.shape[1], np.clip(weight * spread + (1 - weight) * _COMMON_SPREAD, _COMMON_SPREAD, WIDEST_SPREAD))


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
    # No step without a good part of it from one day to the next: most days are passed by so.
    for k in (np.flatnonzero(np.abs(np.diff(y)) > 0.5 * threshold) + 1).tolist():
        if len(cuts) > 1 and k == cuts[-1] + 1:
            continue
        # statistics' median: numpy's takes 20 us for four numbers.
        jump = median(plain[k : k + 4]) - median(plain[max(cuts[-1], k - 4) : k])
        if abs(jump) > threshold and abs(plain[k] - plain[k - 1]) > 0.5 * abs(jump):
            cuts.append(k)
    out = []
    for i, start in enumerate(cuts):
        stop = cuts[i + 1] if i + 1 < len(cuts) else len(y)
        knees = [start, *_knees(days[start:stop], y[start:stop], noise, start), stop]
        out += [_fit(days[a:b], y[a:b]) for a, b in pairwise(knees)]
    return out


def _knees(days: NDArray[np.int64], y: Floats, noise: float, offset: int) -> list[int]:
    """Where a stretch bends between level and sinking, counted from ``offset``; at most two places.

    A contact that gets worse sinks and stays: level, slope, level. Each part keeps
    :data:`KNEE_DAYS`, and a bend must take away most of the misfit of the line.
    """
    least = int(KNEE_DAYS.value)
    if len(y) < 2 * least:
        return []
    least_misfit = max(1.2 * noise, 0.0035)
    apart = y - y.sum() / len(y)
    if float(apart @ apart) < 0.999 * least_misfit**2 * len(y):
        return []  # a line leaves even less
    t = (days - days[0]).astype(float)
    # What a line can follow: the mean and the slope, each of length 1 and at right angles.
    tilt = t - t.sum() / len(t)
    line = np.stack([np.full(len(t), len(t) ** -0.5), tilt / np.sqrt(tilt @ tilt)], axis=1)
    rest = y - line @ (line.T @ y)
    whole = float(rest @ rest)
    if np.sqrt(whole / len(y)) < least_misfit:
        return []
    # All bends at once: what each takes off the line's misfit, and each two together, by the normal equations
    # of the bends with the line taken out of them.
    at = np.arange(least, len(y) - least + 1)
    bend = np.maximum(t[:, None] - t[at], 0.0)
    bend -= line @ (line.T @ bend)
    own, gram = bend.T @ rest, bend.T @ bend
    size = np.diag(gram)
    gain = own**2 / size
    best, bends = whole - float(gain.max()), [int(at[gain.argmax()])]
    if len(y) >= 3 * least:
        det = np.outer(size, size) - gram**2
        far = (at[None, :] - at[:, None] >= least) & (det > 1e-9 * np.outer(size, size))
        with np.errstate(invalid="ignore", divide="ignore"):
            both = (np.outer(own**2, size) - 2.0 * np.outer(own, own) * gram + np.outer(size, own**2)) / det
        both = np.where(far, both, -np.inf)
        first, second = np.unravel_index(int(both.argmax()), both.shape)
        two = whole - float(both[first, second])
        if two < 0.4 * best:
            best, bends = two, [int(at[first]), int(at[second])]
    return [offset + k for k in bends] if best < KNEE_GAIN.value * whole else []


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


def deficit_wh(case: Case, n: int, days: Mask, own: float = 1.0) -> Floats:
    """What a healthy input would have made minus recorded energy on days, Wh, [D]; never negative.

    Parameters
    ----------
    own : the input's own healthy level, where its record shows it.
    """
    scale = relative_levels(case).scale[:, n]
    healthy = case.witness[:, n].sum(axis=1) * np.where(np.isfinite(scale), np.clip(scale, 0.8, 1.6), 1.0) * own
    return np.maximum(healthy - case.energy[:, n], 0.0) * case.rated[n] * days
