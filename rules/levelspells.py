"""Runs of half hours at one level on one day, and what speaks for an order in each.

A natural course bends with the clear sky; the round top of a smooth one does not
for an hour or two, but the half hours beside it lead to it.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import median

import numpy as np

from rules.finding import Threshold
from rules.orders import LEVEL
from rules.ranks import Floats, Mask

TIGHT = Threshold(0.012, "ratio", "own reasoning: units under one order stay level to a meter's per cent")
BEND = Threshold(0.10, "ratio", "own reasoning: a natural course bends with the clear sky, five times the level's scatter")
BELOW = Threshold(0.95, "of clear sky", "own reasoning: model error is some 10 %, mostly taken out by the plane's gain")
FAR_BELOW = Threshold(0.80, "of clear sky", "own reasoning: where the sky's curve is flat, only a plain shortfall counts")
STRONG_HOURS = Threshold(1.5, "h", "own reasoning: no thin cloud keeps a level for so long against the sky's bend")
ALONE_HOURS = Threshold(2.5, "h", "own reasoning: one day alone must be plain")
PLAIN_HOURS = Threshold(4.0, "h", "own reasoning: half a day at one number while the sky's curve went up and down")
PLAIN_BEND = Threshold(0.25, "ratio", "own reasoning: a quarter of the sky's curve, twenty times the level's scatter")
FAIR_BEND = Threshold(0.07, "ratio", "own reasoning: near noon on three days, still five times the level's scatter")
DIP = Threshold(1.06, "of the share of clear sky", "own reasoning: dirt takes the same share at all hours, an order does not")
DIP_LIGHT = Threshold(0.35, "of the light of the run", "own reasoning: in lower light sky models are at their worst")
DIP_REACH = 6  # filled half hours on either side
EDGE = Threshold(0.25, "ratio", "own reasoning: an order begins or ends from one half hour to the next, in a sky that offered more")
CROWN_OVER = Threshold(0.04, "of the level", "own reasoning: what half hours beside, drawn on, may miss a natural noon by")
CROWN_FIT = Threshold(0.02, "of the level", "common practice: meters of units scatter by one or two per cent")
CROWN_HOURS = Threshold(3.0, "h", "own reasoning: a cosine stays within 1.2 % of its top for 1.5 to 2 h, with heat for 3")


@dataclass(frozen=True)
class LevelSpell:
    """A run of level half hours on one day.

    Positions, level, hours, whether the sky bent, share of clear sky, whether the
    units were level with each other, whether more was made just before or after,
    and whether the units made more of the sky in the hours around.
    """

    day: int
    bins: np.ndarray
    level: float
    hours: float
    bend: float
    share: float
    alike: bool
    edge: bool
    dips: bool

    @property
    def fair(self) -> bool:
        return self.hours >= STRONG_HOURS.value and self.bend >= FAIR_BEND.value and self.share < BELOW.value

    @property
    def strong(self) -> bool:
        return self.fair and self.bend >= BEND.value

    @property
    def plain(self) -> bool:
        """Long and far below the sky: whatever the units, no cloud does that."""
        return self.hours >= PLAIN_HOURS.value and self.bend >= PLAIN_BEND.value and self.share < FAR_BELOW.value

    @property
    def alone(self) -> bool:
        """Enough by itself where several units stood at the level."""
        if not self.fair or not self.alike or self.hours < ALONE_HOURS.value:
            return False
        far = self.share < FAR_BELOW.value and self.edge
        return far or (self.strong and (self.bend > 1.5 * BEND.value or self.hours >= PLAIN_HOURS.value))


def second_bins(level: Floats, wobble: Floats, tight: Mask) -> Mask:
    """Bins that could be the second of a spell, [D, B]: calm, at the level of the filled bin before."""
    index = np.where(np.isfinite(level), np.arange(level.shape[1]), -1)
    before = np.maximum.accumulate(index, axis=1)
    before = np.concatenate([np.full_like(before[:, :1], -1), before[:, :-1]], axis=1)
    there, at = before >= 0, np.maximum(before, 0)
    with np.errstate(invalid="ignore", divide="ignore"):
        same = np.abs(level / np.take_along_axis(level, at, 1) - 1.0) < LEVEL.value
        return same & there & tight & np.take_along_axis(tight, at, 1) & ~(wobble >= TIGHT.value)


def level_spells(
    d: int, level: Floats, wobble: Floats, tight: Mask, light: Floats, second: Mask, alike: Mask, width: float
) -> list[LevelSpell]:
    """Runs of two or more filled half hours at one level."""
    out: list[LevelSpell] = []
    filled = np.flatnonzero(np.isfinite(level)).tolist()
    levels, wobbles, tights = level.tolist(), wobble.tolist(), tight.tolist()
    # The first half hour of a run still holds the step down to it; an unknown wobble is none.
    joins = [tights[b] and not wobbles[b] >= TIGHT.value for b in filled]
    stop = 0
    for start in (np.flatnonzero(second[filled]) - 1).tolist():
        if start < stop:
            continue  # inside the spell before
        held, stop = levels[filled[start]], start + 1
        while stop < len(filled) and joins[stop] and abs(levels[filled[stop]] / held - 1) < LEVEL.value:
            stop += 1
            held = median([levels[b] for b in filled[start:stop]])
        at = np.array(filled[start:stop])
        curve = light[at].tolist()
        beside = [levels[b] for b in (*filled[max(start - 1, 0) : start], *filled[stop : stop + 1])]
        edge = any(other > (1 + EDGE.value) * held for other in beside)
        around = np.array([*filled[max(start - DIP_REACH, 0) : start], *filled[stop : stop + DIP_REACH]], dtype=int)
        around = around[light[around] > DIP_LIGHT.value * max(curve)]
        share = held / median(curve)
        if _is_crown(levels, filled, start, stop, held, width):
            continue
        dips = not around.size or float((level[around] / light[around]).max()) > DIP.value * share
        level_with = float(alike[at].mean()) >= 0.7
        out.append(LevelSpell(d, at, held, len(at) * width, max(curve) / min(curve) - 1, share, level_with, edge, dips))
    return out


def _is_crown(levels: list[float], filled: list[int], start: int, stop: int, held: float, width: float) -> bool:
    """Whether a run of level half hours is the round top of a smooth course.

    A clear day's noon stays within 1 % for an hour or two by itself. Then the two
    half hours on either side, drawn on as a parabola, lead to the level; an order
    cuts off what they lead to. Courses that clouds break lead nowhere.

    Parameters
    ----------
    levels : [B] of the day; ``filled`` the bins that hold one; the run is ``filled[start:stop]`` at ``held``.
    """
    if (stop - start) * width > CROWN_HOURS.value or start < 2 or stop + 2 > len(filled):
        return False
    beside = [*range(start - 2, start), *range(stop, stop + 2)]
    middle_of = (filled[start] + filled[stop - 1]) / 2
    run = np.array([filled[i] - middle_of for i in range(start, stop)])
    x, y = np.array([filled[i] - middle_of for i in beside]), np.array([levels[filled[i]] for i in beside]) / held
    course = np.polyfit(x, y, 2)
    missed = np.abs(np.polyval(course, x) - y).max()
    inside = np.abs(np.polyval(course, run) - 1.0).max()
    return bool(missed < CROWN_FIT.value and inside < CROWN_OVER.value)
