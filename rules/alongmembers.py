"""A plane that goes along with its dirtier members (:mod:`rules.sinkingplanes`).

Dust lies unevenly: members a little dirtier than the others show beside them when it
gathers and when rain takes it, whatever the sky is like, for siblings share it. Whether
the others are dirty too is then no search for a slope in a plane's few clear days, but one
question: does its level follow the course that its members show, and how much deeper?
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from rules.finding import Threshold
from rules.ranks import Floats
from rules.sawteeth import MIN_DAYS, Teeth, line_of, saw_teeth

FOLLOWS = Threshold(2.5, "standard errors", "own reasoning: one known course, no search, and members that sink speak for dust")
LEAST_SCATTER = Threshold(0.008, "ratio", "own reasoning: as of a plane's level")


@dataclass(frozen=True)
class Sunk:
    """Members of a plane that sink beside their siblings.

    ``drop`` how far, ratio; ``course`` [D] how far they lie below their cleanest days together, ratio, NaN where unknown.
    """

    drop: float
    course: Floats


def along(sunk: Sunk, level: Floats, noise: float) -> tuple[Teeth, Floats] | None:
    """The saw-tooth of a plane as its members draw it, and the course of the plane's level by it, [D]; None if it follows them not.

    Parameters
    ----------
    level : of the plane, [D], NaN where not judged; ``noise`` its scatter from day to day.
    """
    both = np.isfinite(level) & np.isfinite(sunk.course)
    if both.sum() < MIN_DAYS.value or np.ptp(sunk.course[both]) < 0.5 * sunk.drop:
        return None
    x, y = sunk.course[both], level[both]
    moment, per, line = line_of(x, y)
    scatter = max(float(np.sqrt(((y - line) ** 2).sum() / (len(y) - 2))), noise, LEAST_SCATTER.value)
    sure = -per * float(np.sqrt(moment)) / scatter
    if sure < FOLLOWS.value:
        return None
    course = float(y.mean()) + per * (sunk.course - float(x.mean()))
    teeth = saw_teeth(course, LEAST_SCATTER.value, 0.0, whole=True)
    return None if teeth is None else (replace(teeth, sure=sure), course)
