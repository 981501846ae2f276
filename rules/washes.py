"""Rain that washes a whole roof: from one day to the next its planes make more, and go on so (:mod:`rules.faults.soiling`).

How fast dirt had gathered may be lost in small rains, a short record or a broken
sky: the wash alone tells how much lay there. Nothing else gives all planes more of
the same light at once, in dull weather, for days; snow does, and melts in the cold.
"""

from __future__ import annotations

import numpy as np

from rules.case import Case
from rules.cleanest import DEEPEST
from rules.finding import Threshold
from rules.levels import Segment
from rules.ranks import Floats, Mask, median_of
from rules.sawteeth import Teeth, line_of
from rules.snowsky import cold_days

SIDE_DAYS = Threshold(3, "judged days before and after", "own reasoning: one or two are weather")
STEP = Threshold(0.1, "ratio", "common practice: twice what a good sensor errs by or a cold front brings")
GUESSED_STEP = Threshold(0.13, "ratio", "own reasoning: a guessed sky may be off by a tenth from one air to the next")
ABOVE_NOISE = Threshold(5.0, "of the level's scatter", "own reasoning: the best of some dozens of places")
APART = Threshold(0.5, "of the step", "own reasoning: the worst day after lies plainly above the best one before")
DULLEST = Threshold(0.6, "of clear sky", "own reasoning: hours of rain leave no more, also where the rest of the day is bright")
BETWEEN = Threshold(3, "days", "own reasoning: more unseen days hide more than a rain")
GUESSED_BETWEEN = Threshold(8, "days", "own reasoning: a week of rain has no clear day to judge by")
TOGETHER = Threshold(0.5, "of the step", "own reasoning: one rain takes about as much from each plane of a roof")
RISING = Threshold(0.3, "of the step", "own reasoning: small rains take a little; what comes back by itself was no dirt")
NEAR = Threshold(8, "days each way", "own reasoning: what a plane makes later is another sky, or dirty again")


def washes(case: Case, levels: list[tuple[Floats, float]]) -> list[Teeth | None]:
    """What the largest wash of a roof took, by plane; None for planes without one.

    Parameters
    ----------
    levels : of each plane its course of day levels, [D], NaN where not judged, and its scatter.
    """
    none: list[Teeth | None] = [None] * len(levels)
    quiet = ~cold_days(case)[0]
    own = [_largest(case, level, noise, quiet) for level, noise in levels]
    found = [w for w in own if w is not None]
    if not found:
        return none
    step, last, first = max(found)
    steps = [_step_at(level, last, first) for level, _ in levels]
    if any(s is not None and s < TOGETHER.value * step for s in steps):
        return none
    teeth = [_teeth(level, noise, first) if s is not None else None for (level, noise), s in zip(levels, steps, strict=True)]
    return none if any(t is not None and t.parts[0].end - t.parts[0].start > RISING.value * t.drop for t in teeth) else teeth


def _largest(case: Case, level: Floats, noise: float, quiet: Mask) -> tuple[float, int, int] | None:
    """The largest step up of a course that a rain may have made, and the judged days on either side of it."""
    days, side = np.flatnonzero(np.isfinite(level)), int(SIDE_DAYS.value)
    if len(days) < 2 * side:
        return None
    around = np.lib.stride_tricks.sliding_window_view(level[days], side)
    before, after = around[:-side], around[side:]  # [K, side], of the days at which it may have rained
    step = np.median(after, axis=1) - np.median(before, axis=1)
    last, first = days[side - 1 : -side], days[side : len(days) - side + 1]
    least, between = (STEP, BETWEEN) if case.sensor_trust[0] else (GUESSED_STEP, GUESSED_BETWEEN)
    told = (step >= max(least.value, ABOVE_NOISE.value * noise)) & (step <= DEEPEST.value)
    told &= (after.min(axis=1) - before.max(axis=1) >= APART.value * step) & (first - last <= between.value)
    for k in np.flatnonzero(told).tolist():
        between_them = slice(last[k], first[k] + 1)
        told[k] = case.sky_mean[between_them].min() < DULLEST.value and quiet[between_them].all()
    if not told.any():
        return None
    best = int(np.where(told, step, 0.0).argmax())
    return float(step[best]), int(last[best]), int(first[best])


def _step_at(level: Floats, last: int, first: int) -> float | None:
    """By how much a course steps up between two days; None where too few days around tell."""
    near, side = int(NEAR.value), int(SIDE_DAYS.value)
    before, after = level[max(0, last - near) : last + 1], level[first : first + near + 1]
    before, after = before[np.isfinite(before)][-side:], after[np.isfinite(after)][:side]
    return None if min(len(before), len(after)) < 2 else median_of(after) - median_of(before)


def _teeth(level: Floats, noise: float, first: int) -> Teeth:
    """The one tooth that a wash ended, of the judged days before ``first``."""
    days, side = np.flatnonzero(np.isfinite(level[:first])), int(SIDE_DAYS.value)
    y = level[days]
    _, slope, line = line_of(days.astype(float), y)
    after = level[first:]
    clean = median_of(after[np.isfinite(after)][:side])
    drop = clean - median_of(y[-side:])
    scatter = float(np.sqrt(((y - line) ** 2).sum() / max(len(y) - 2, 1)))
    part = Segment(days, float(line[0]), float(line[-1]), slope, scatter)
    return Teeth([part], slope, drop / noise, 1, clean, drop, drop, by_wash=True)
