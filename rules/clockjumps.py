"""The night on which a clock of coarse rows jumped, and by how much (:mod:`rules.faults.clock_shift`)."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from rules.case import Case
from rules.daytable import BIN_HOURS
from rules.finding import Threshold
from rules.ranks import Floats
from rules.siblings import middle
from rules.sunclock import ends_of

COARSE = Threshold(1800.0, "s between rows", "own reasoning: a shift of an hour is two rows then, or one")
JUMP = Threshold(45.0, "min overnight", "own reasoning: summer time is 60; weather and rows of half an hour move an end by 30")
JUMP_DAYS = Threshold(4, "days each way", "own reasoning: the middle of four is not moved by one dull morning")
BESIDE = Threshold(0.5, "of the shift", "own reasoning: nearer to the shift than to a right clock")
ENDS = Threshold(0.4, "of the shift", "own reasoning: horizon and gloom move the ends of the day too, by less than a clock")
UNIT_SPREAD = Threshold(12.0, "min", "own reasoning: less than half a bin; shade moves its lag with the season and the sky")


def jumps(case: Case, power: Floats, edge: Floats, course: Floats) -> Floats:
    """Minutes by which a clock of coarse rows jumped against the part of the record that lies best, [D]; 0 elsewhere.

    Rows an hour apart hide a shift of an hour behind their own width, but not
    the night on which both ends of the day moved the same way and stayed so:
    the sun moves them minutes a week, clouds move them apart. Where the course is told
    before and after, it must have moved too: snow and gloom take both ends of some days.
    """
    out = np.zeros(case.day_count)
    if not len(out) or np.median(case.table["step_s"]) < COARSE.value:
        return out
    ends = ends_of(power) * BIN_HOURS * 60
    days = np.flatnonzero(np.isfinite(ends[0]))
    sun = ends_of((case.bin_elevation > 0.0)[:, None].astype(np.float64)) * BIN_HOURS * 60
    cuts, steps = _cuts(ends[:, days], sun[:, days], course[days], days)
    if len(cuts) == 1:
        return out
    level = np.cumsum(steps)
    parts = [days[a:b] for a, b in zip(cuts, [*cuts[1:], len(days)], strict=True)]
    lies = [middle(edge[part]) for part in parts]
    # A course is told to a row's width only: the mean of several says what lies between.
    told = [course[part][np.isfinite(course[part])] for part in parts]
    courses = [float(of.mean()) if of.size else np.nan for of in told]
    # Rows that open or close their hour lie half an hour off: of two parts that lie alike, the earlier is believed.
    best = min(range(len(cuts)), key=lambda i: (np.nan_to_num(abs(lies[i]), nan=1e6) // JUMP.value, i))
    for i, a in enumerate(cuts):
        last = days[cuts[i + 1] - 1] if i + 1 < len(cuts) else case.day_count - 1
        shift = level[i] - level[best]
        course_too = courses[i] - courses[best]
        if abs(shift) >= JUMP.value and not abs(course_too - shift) > BESIDE.value * abs(shift):
            out[days[a] : last + 1] = shift
    return out


def _cuts(ends: Floats, sun: Floats, course: Floats, days: NDArray[np.int64]) -> tuple[list[int], list[float]]:
    """Where the clock jumped, as positions of the first day after it with 0 first, and the minutes of each jump.

    Parameters
    ----------
    ends, sun : [2, K], first and last light of the record and of the sun, minutes of the day.
    course : [K], minutes by which the course lies after the clear sky's; NaN where not told.
    days : [K], positions of these days in the record.
    """
    near = int(JUMP_DAYS.value)
    cuts, steps = [0], [0.0]
    for k in range(near, len(days) - near + 1):
        moved = np.median(ends[:, k : k + near], axis=1) - np.median(ends[:, k - near : k], axis=1)
        night = ends[:, k] - ends[:, k - 1]
        both = moved[0] * moved[1] > 0 and np.abs(moved).min() >= JUMP.value and np.ptp(moved) <= JUMP.value
        if both and (np.abs(night) >= JUMP.value).all() and k - cuts[-1] >= near and days[k] - days[k - 1] <= near:
            cuts.append(k)
            steps.append(float(moved.mean()))
    for k, step in _course_cuts(ends - sun, course):
        if all(abs(k - other) >= near for other in cuts):
            at = int(np.searchsorted(cuts, k))
            cuts.insert(at, k)
            steps.insert(at, step)
    return cuts, steps


def _course_cuts(ends: Floats, course: Floats) -> Iterator[tuple[int, float]]:
    """Days, by number, on which the course of clear days jumped and stayed so, and the minutes of each jump.

    Gloom or snow around the night hides by how much the ends of the day moved then, not that both lie apart since.

    Parameters
    ----------
    ends : first and last light of each day after the sun's, [2, D], minutes.
    course : minutes by which the day lies late, [D]; NaN where not told.
    """
    told, near = np.flatnonzero(np.isfinite(course)), int(JUMP_DAYS.value)
    taken = 0
    for i in range(near - 1, len(told) - near + 2):
        before, after = told[max(i - near, 0) : i], told[i : i + near]
        was, became = (float(np.median(course[part])) for part in (before, after))
        step = became - was
        if i - taken < near - 1 or abs(step) < JUMP.value:
            continue
        # Hourly rows round a course to one hour or the next from day to day.
        apart = np.concatenate([course[told[taken:i]] - was, course[after] - became])
        if (np.abs(apart) > UNIT_SPREAD.value).sum() > 1:
            continue
        early, late = (np.median(ends[:, part[0] : part[-1] + 1], axis=1) for part in (before, after))
        if ((late - early) * np.sign(step)).min() < ENDS.value * abs(step):
            continue
        # The night from which on the ends lie nearer to those after than to those before.
        reach = np.arange(before[-2], after[1] + 1)
        to_early, to_late = (np.abs(ends[:, reach] - side[:, None]).sum(axis=0) for side in (early, late))
        cost = np.concatenate([[0.0], np.cumsum(to_early)]) + np.concatenate([np.cumsum(to_late[::-1])[::-1], [0.0]])
        yield int(reach[0] + np.argmin(cost[1:-1]) + 1), step
        taken = i
