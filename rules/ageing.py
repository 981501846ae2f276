"""Inputs that sink beside their siblings for weeks, at every hour, with nothing given back (:mod:`rules.faults.weak_input`).

A part that ages, or dirt that no rain takes: a ramp is neither the level of a weak module nor the saw-tooth of dirt.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rules.case import Case
from rules.finding import Threshold
from rules.ranks import Floats, Mask, median_of

LEAST_DAYS = Threshold(10, "judged days", "own reasoning: a slope over fewer days is weather")
LEAST_DROP = Threshold(0.08, "ratio", "own reasoning: over what siblings drift apart in a season (1 to 3 %, common practice)")
SURE = Threshold(10.0, "standard errors of the slope", "own reasoning: levels are no independent draws; 2 would do if they were")
EVEN = Threshold(0.2, "of the drop", "own reasoning: scatter about a straight fall; steps and weather leave more")
RISE = Threshold(0.02, "ratio", "own reasoning: less than a rain gives back of a dirty module, over a level's scatter")
FASTEST = Threshold(0.02, "per day", "own reasoning: as for dust storms; faster is another cause")
ODD = Threshold(4.0, "robust spreads", "own reasoning: single days of another cause")
EVERY_HOUR = Threshold(0.4, "of the drop", "own reasoning: a shadow that lengthens with the season spares a part of the day")
_LATE = 5  # judged days at the end, whose hours are asked


@dataclass(frozen=True)
class Ramp:
    """A level kept from the first day on, or until ``onset``, and a straight fall since.

    ``own`` level before, ``slope`` per day, ``drop`` at the last day; ``days`` [D] from the onset on.
    """

    own: float
    slope: float
    drop: float
    days: Mask


def ramp_of(level: Floats, noise: float) -> Ramp | None:
    """The ramp in a course of day levels, [D], NaN where not judged, of scatter ``noise``; None where there is none to be sure of.

    Least squares of a level and one bend; of all days for the bend the one that leaves least.
    """
    days = np.flatnonzero(np.isfinite(level))
    if len(days) < LEAST_DAYS.value:
        return None
    least = max(LEAST_DROP.value, 4.0 * noise)
    if median_of(level[days[:3]]) - median_of(level[days[-3:]]) < 0.5 * least:
        return None  # hardly any input sinks at all
    own, slope, at, rest = _bent(days, level[days])
    kept = np.abs(rest) <= ODD.value * max(1.4826 * median_of(np.abs(rest)), 0.003)
    if kept.sum() < LEAST_DAYS.value:
        return None
    days = days[kept]
    y = level[days]
    own, slope, at, rest = _bent(days, y)
    drop, run = -slope * float(days[-1] - at), days[days >= at]
    if drop < least or -slope > FASTEST.value or len(run) < LEAST_DAYS.value:
        return None
    scatter = float(np.sqrt(rest @ rest / (len(rest) - 3)))
    error = scatter / float(np.sqrt(((run - run.mean()) ** 2).sum()))
    if scatter > EVEN.value * drop or -slope < SURE.value * error:
        return None
    late = y[days >= at]
    after = np.array([median_of(late[k : k + 3]) - median_of(late[max(k - 3, 0) : k]) for k in range(1, len(late) - 1)])
    if after.max(initial=0.0) > max(RISE.value, 4.0 * noise):
        return None  # something was given back
    since = np.arange(len(level)) >= at
    return Ramp(own, slope, drop, since & np.isfinite(level))


def _bent(days: np.ndarray, y: Floats) -> tuple[float, float, float, Floats]:
    """Level, slope after it, day of the bend between them, and what this leaves of the levels, [M]."""
    t = days.astype(float)
    at = t[: len(t) - int(LEAST_DAYS.value) + 1]
    hinge = np.maximum(t[:, None] - at, 0.0)
    apart, beside = hinge - hinge.mean(axis=0), y - y.mean()
    slopes = (apart.T @ beside) / np.maximum((apart**2).sum(axis=0), 1e-12)
    left = ((beside[:, None] - apart * slopes) ** 2).sum(axis=0)
    k = int(left.argmin())
    own = float(y.mean() - slopes[k] * hinge[:, k].mean())
    return own, float(slopes[k]), float(at[k]), y - own - slopes[k] * hinge[:, k]


def at_every_hour(case: Case, n: int, ramp: Ramp, scale: Floats) -> bool:
    """Whether an input lacks its share in each third of the light of its last days: no shadow takes them all alike.

    Parameters
    ----------
    scale : [D], what a level of 1 is of the siblings' power.
    """
    days = np.flatnonzero(ramp.days)[-_LATE:]
    owed = (case.witness[days, n] * np.where(np.isfinite(scale[days]), scale[days], 1.0)[:, None]).sum(axis=0) * ramp.own
    made = case.table["power"][days, n].sum(axis=0)
    light = np.cumsum(owed)
    third = np.minimum((3.0 * (light - 0.5 * owed) / max(light[-1], 1e-9)).astype(int), 2)
    lacks = 1.0 - np.bincount(third, made, 3) / np.maximum(np.bincount(third, owed, 3), 1e-9)
    return bool(lacks.min() >= EVERY_HOUR.value * ramp.drop / ramp.own)
