"""Spells in which one input made a steady share less, and then made all of it again.

Droppings and leaves fall at a stroke on one module, take a share at every hour
and go with the rain; modules do not heal. A spell that ends beside a rainy sky
is dirt; one that ends in dry weather was cleaned, uncovered or mended: the
record does not tell which.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rules.case import Case, once
from rules.finding import Threshold
from rules.levels import Levels, Segment, relative_levels
from rules.ranks import Mask

FALL = Threshold(0.06, "ratio", "own reasoning: against the input's own level module spread doesn't count")
DEEPEST = Threshold(0.3, "ratio", "own reasoning: more than that off one module at a stroke is a substring or a cover")
MIN_DAYS = Threshold(4, "judged days", "own reasoning: outlasts snow and a spell of odd weather")
AFTER = Threshold(3, "judged days", "own reasoning: one good day may be a chance")
EDGE = Threshold(0.6, "of the fall", "own reasoning: it came from one day to the next; what gathers is told by its slope")
BACK = Threshold(0.25, "of the fall", "own reasoning: rain leaves up to a quarter of what fell on a module")
DULL = Threshold(0.5, "of clear sky", "own reasoning: no rain falls from half a clear day's sky")


@dataclass(frozen=True)
class Spell:
    """A steady deficit between two healthy stretches.

    Its days [D], the share lost, the level before, and whether rain may have ended it.
    """

    days: Mask
    fall: float
    before: float
    rained: bool


@once
def spells(case: Case) -> dict[int, Spell]:
    """The longest such spell of each input, by position; of planes of three and more, where a fall has one owner."""
    out: dict[int, Spell] = {}
    if not case.day_count:
        return out
    levels = relative_levels(case)
    for n in np.flatnonzero(case.members >= 3).tolist():
        found = [s for s in _spells(case, levels, n) if s is not None]
        if found:
            out[n] = max(found, key=lambda s: int(s.days.sum()))
    return out


def _spells(case: Case, levels: Levels, n: int) -> list[Spell | None]:
    parts, noise = levels.segments[n], float(levels.noise[n])
    out: list[Spell | None] = []
    for i, before in enumerate(parts[:-2]):
        if len(before.days) < MIN_DAYS.value or not _even(before, FALL.value):
            continue
        for j in range(i + 2, len(parts)):
            low, after = parts[i + 1 : j], parts[j]
            if not all(_lies_low(s, before.end, noise) for s in low):
                break
            out.append(_spell(case, levels, n, before, low, after))
    return out


def _spell(case: Case, levels: Levels, n: int, before: Segment, low: list[Segment], after: Segment) -> Spell | None:
    where = np.concatenate([s.days for s in low])
    fall = 1.0 - float(np.median(levels.level[where, n])) / before.end
    back = abs(after.start / before.end - 1.0) < max(BACK.value * fall, 0.015) and len(after.days) >= AFTER.value
    sharp = (before.end - low[0].start) / before.end > EDGE.value * fall
    even = all(_even(s, 0.4 * fall) for s in (*low, after))
    if not (back and sharp and even) or len(where) < MIN_DAYS.value or fall > DEEPEST.value:
        return None
    days = np.zeros(case.day_count, bool)
    days[where[0] : after.days[0]] = True
    days &= np.isfinite(levels.level[:, n])
    # Rain in the last night, on the days that could not be judged, or on the day it ended.
    sky = case.sky_mean[where[-1] : after.days[0] + 1]
    return Spell(days, fall, before.end, bool((sky < DULL.value).any()))


def _lies_low(s: Segment, healthy: float, noise: float) -> bool:
    return 1.0 - s.middle / healthy > max(FALL.value, 4.0 * noise)


def _even(s: Segment, within: float) -> bool:
    return abs(s.start - s.end) < within and s.scatter < 0.5 * within
