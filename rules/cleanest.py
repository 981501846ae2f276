"""Levels against the clean members of a plane where most are dirty (:mod:`rules.faults.soiling`).

What most members share passes for the day's common part: where most are dirty a
clean one seems to rise for days and to fall at a stroke with the rain. No module
does that; those that rise fastest are the measure of the others.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from rules.case import Case, once
from rules.finding import Threshold
from rules.levels import Levels, relative_levels, scatter_of
from rules.ranks import Floats
from rules.sawteeth import Teeth, saw_teeth
from rules.siblings import nan_median

RISES = Threshold(10.0, "standard errors of the slope", "own reasoning: surer than of dirt, for it turns a whole plane over")
FASTEST = Threshold(0.02, "per day", "own reasoning: a dust storm over all others; what rises faster heals from a fault")
WASHES = Threshold(0.4, "of the rise", "own reasoning: a rain takes half of the dirt at least; steps down have other causes")
DEEPEST = Threshold(0.5, "ratio", "own reasoning: no dirt takes more than half; what falls further fails")
MOVES = Threshold(4.0, "standard errors of the slope", "own reasoning: that dust is uneven needs less than whom it fell on")
ALIKE = Threshold(0.7, "of the fastest rise", "own reasoning: members a little dirty rise too, by less")
_TOP = 2.0  # ratio; over any level, which falls as this less it rises


@once
def beside_clean(case: Case) -> Levels:
    """:func:`rules.levels.relative_levels`, planes that are mostly dirty against their clean members."""
    levels = relative_levels(case)
    course = np.ones((case.day_count, len(case.inputs)))
    for p in range(len(case.names)):
        mine = np.flatnonzero(case.plane_of == p)
        clean = mine[_rising(levels.level[:, mine], levels.noise[mine])]
        if clean.size:
            course[:, mine] = nan_median(levels.level[:, clean], 1)[:, None]
    if (course == 1.0).all():
        return levels
    level = levels.level / course
    return replace(levels, level=level, noise=scatter_of(level), scale=levels.scale * course)


def _rising(level: Floats, noise: Floats) -> np.ndarray:
    """Which members rise and fall as the clean one among dirty ones does, [M]; ``level`` is [D, M].

    None if all others keep still beside each other: dust falls unevenly, and the odd one follows another plane.
    """
    none = np.zeros(level.shape[1], bool)
    rises = [saw_teeth(_TOP - y, x, RISES.value) for y, x in zip(level.T, noise.tolist(), strict=True)]
    slope = np.array([-teeth.slope if teeth and _washed(teeth) else 0.0 for teeth in rises])
    if not slope.any():
        return none
    fastest = np.asarray(slope >= ALIKE.value * slope.max())
    moves = [k for k in np.flatnonzero(~fastest) if rises[k] or saw_teeth(level[:, k], float(noise[k]), MOVES.value)]
    return fastest if moves else none


def _washed(teeth: Teeth) -> bool:
    """Whether a rise and its falls are as rain on the others makes them."""
    as_dust = -teeth.slope <= FASTEST.value and teeth.drop <= DEEPEST.value
    return bool(teeth.resets) and teeth.sure >= RISES.value and as_dust and teeth.washed >= WASHES.value * teeth.drop
