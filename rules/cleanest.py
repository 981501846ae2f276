"""Levels against the clean members of a plane where most are dirty (:mod:`rules.faults.soiling`).

What most members share passes for the day's common part: where most are dirty a
clean one seems to rise for days and to fall at a stroke with the rain. No module
does that; those that rise fastest are the measure of the others. Before any rain
the sky tells as much, where the plane sinks under it as fast as they rise.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial

import numpy as np

from rules.case import Case, once
from rules.finding import Threshold
from rules.levels import Levels, relative_levels, scatter_of
from rules.planelevel import SENSOR_DROP, plane_level
from rules.ranks import Floats
from rules.sawteeth import Teeth, saw_teeth
from rules.siblings import nan_median

RISES = Threshold(10.0, "standard errors of the slope", "own reasoning: surer than of dirt, for it turns a whole plane over")
FASTEST = Threshold(0.02, "per day", "own reasoning: a dust storm over all others; what rises faster heals from a fault")
WASHES = Threshold(0.4, "of the rise", "own reasoning: a rain takes half of the dirt at least; steps down have other causes")
DEEPEST = Threshold(0.5, "ratio", "own reasoning: no dirt takes more than half; what falls further fails")
MOVES = Threshold(4.0, "standard errors of the slope", "own reasoning: that dust lies unevenly needs less proof than where it lies")
ALIKE = Threshold(0.7, "of the fastest rise", "own reasoning: members a little dirty rise too, by less")
MEASURED = Threshold(6.0, "standard errors of the slope", "own reasoning: members that part speak for dust too, whatever the sky")
AS_FAST = Threshold(2.0, "times either way", "own reasoning: over a course that sinks by a half a steady level rises twice as fast")
_TOP = 2.0  # ratio; over any level, which falls as this less it rises


@once
def beside_clean(case: Case) -> Levels:
    """:func:`rules.levels.relative_levels`, planes that are mostly dirty against their clean members."""
    levels = relative_levels(case)
    course = np.ones((case.day_count, len(case.inputs)))
    for p in range(len(case.names)):
        mine = np.flatnonzero(case.plane_of == p)
        clean = mine[_rising(levels.level[:, mine], levels.noise[mine], partial(_sinks, case, p))]
        if clean.size:
            course[:, mine] = nan_median(levels.level[:, clean], 1)[:, None]
    if (course == 1.0).all():
        return levels
    level = levels.level / course
    return replace(levels, level=level, noise=scatter_of(level), scale=levels.scale * course)


def _sinks(case: Case, p: int) -> float:
    """How fast a plane sinks under its sky, per day; 0 where it does not."""
    teeth = saw_teeth(*plane_level(case, p), MEASURED.value, whole=True)
    return -teeth.slope if teeth and teeth.drop >= SENSOR_DROP.value else 0.0


def _rising(level: Floats, noise: Floats, measured: Callable[[], float]) -> np.ndarray:
    """Which members rise and fall as the clean one among dirty ones does, [M]; ``level`` is [D, M].

    ``measured`` asks how fast the plane sinks under its sky, per day.

    None rises if all others keep level with each other: dust falls unevenly, so the odd one follows another plane.
    """
    none = np.zeros(level.shape[1], bool)
    rises = [saw_teeth(_TOP - y, x, RISES.value) for y, x in zip(level.T, noise.tolist(), strict=True)]
    slope = np.array([-teeth.slope if teeth and _washed(teeth) else 0.0 for teeth in rises])
    if not slope.any():
        slope = np.array([-teeth.slope if teeth and _as_dust(teeth) else 0.0 for teeth in rises])
        if not slope.any() or not measured() / AS_FAST.value < slope.max() < measured() * AS_FAST.value:
            return none
    fastest = np.asarray(slope >= ALIKE.value * slope.max())
    moves = [k for k in np.flatnonzero(~fastest) if rises[k] or saw_teeth(level[:, k], float(noise[k]), MOVES.value)]
    return fastest if moves else none


def _as_dust(teeth: Teeth) -> bool:
    """Whether a rise is no steeper and no higher than dust on the others makes it."""
    return teeth.sure >= RISES.value and -teeth.slope <= FASTEST.value and teeth.drop <= DEEPEST.value


def _washed(teeth: Teeth) -> bool:
    """Whether a rise and its falls are as rain on the others makes them."""
    return bool(teeth.resets) and _as_dust(teeth) and teeth.washed >= WASHES.value * teeth.drop
