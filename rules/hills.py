"""What stands before a whole plane when the sun is low: a hill, a forest's edge, a house across the street.

Where all members of a plane lose alike no sibling tells, and a sensor on the
same roof stands behind the same hill. What tells is the edge: on clear days the
beam comes over the hill within minutes, at the same place of the sun day after
day, and never before; until then there is diffuse light alone. A plane noted
wrongly bends the course smoothly; fog and morning cloud lift at another hour
every day; a unit that sleeps makes nothing at all.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rules.case import Case, once
from rules.daytable import BIN_HOURS
from rules.finding import Threshold
from rules.ranks import Floats, Mask, median_of, nearest_rank

SEEN_DEG = Threshold(7.0, "deg", "common practice: haze rules below 5 degrees, and half an hour's row reaches 3 lower")
TOP_DEG = Threshold(
    14.0, "deg", "common practice: a horizon below some 10 to 15 degrees belongs to the site; roofs are planned with it"
)
DARK_DEG = Threshold(10.0, "deg", "own reasoning: so high the sun must have been seen hidden, not only at the end of a row")
BEAM = Threshold(0.5, "of a clear sky's light", "own reasoning: where the plane looks away from the sun nothing hides it")
BEHIND = Threshold(0.5, "of clear sky", "diffuse light is a tenth to a third of a clear sky's, more of it on a plane turned away")
DIFFUSE = Threshold(
    1.6,
    "of a clear sky's diffuse light, in the median",
    "a hill takes the beam and some of the sky; cloud brings more diffuse light, not less",
)
OPEN = Threshold(0.75, "of clear sky", "own reasoning: beam is back; transposition models differ by 8 %, haze takes as much")
STEP = Threshold(0.4, "of clear sky", "own reasoning: within an hour no smooth error of a plane's angles bends the course so much")
ZERO = Threshold(0.005, "of clear sky", "own reasoning: behind a hill diffuse light gives something, a unit asleep nothing")
NEAR_DEG = Threshold(3.0, "deg", "own reasoning: what the sun climbs in a quarter of an hour")
DAYS = Threshold(4, "days", "own reasoning: chance clouds do not lift at one place of the sun on four days")
SLOW_DAYS = Threshold(6, "days", "own reasoning: as above, where an hour's row lets an edge lie at few places")
LEAST_DIFFUSE = Threshold(0.02, "of clear sky", "own reasoning: no sky gives less")
OTHER_END = Threshold(1.3, "of clear sky", "own reasoning: transposition models differ by 8 %, haze and reflection add some")
AGREE = Threshold(0.7, "of the days with an edge", "own reasoning: later ones had cloud over the hill")
UNDER = Threshold(0.1, "of those days", "own reasoning: a single day's reading may be wrong; nothing shines through a hill")
OPEN_HOURS = Threshold(2.5, "h", "own reasoning: a plane free for less lies under snow, or is not lit at all")
HOURLY_S = Threshold(2400.0, "s", "between rows half an hour and an hour apart: the latter stand in every second half hour")
REACH = Threshold(
    10, "days", "own reasoning: the sun's path moves by 4 degrees of height in ten days at most (declination: 0.4 a day)"
)


@dataclass(frozen=True)
class Hill:
    """What hides the low sun from a whole plane; arrays [D, B], h of 1000 W/m2 at the plane's own level where energies.

    ``edges`` half hours behind it on days on which the sun was seen to come over
    it or to go; ``behind`` those of all days of the record between the first
    and last such; ``held`` what the plane would make without it under that
    day's sky, ``share`` what it made of clear sky; ``top_deg`` how high
    the sun stood as it came or went, in the median.
    """

    edges: Mask
    behind: Mask
    held: Floats
    share: Floats
    top_deg: float


@dataclass(frozen=True)
class _Course:
    """What a plane made of clear sky, [D, B].

    ``whole`` at any hour; ``share`` while the beam counts, ``diffuse`` the same over a clear sky's diffuse light alone.
    """

    whole: Floats
    share: Floats
    diffuse: Floats


@once
def hills(case: Case) -> dict[int, Hill]:
    """Planes that stand behind something as a whole at one end of the day or both, by number."""
    found = {}
    for p in range(len(case.names)):
        mine = np.flatnonzero(case.plane_of == p)
        if not mine.size:
            continue
        clear = case.table["clear"][:, mine].mean(axis=1) * case.plane_gain[p]
        made = case.table["typical"][:, mine].mean(axis=1)
        with np.errstate(invalid="ignore", divide="ignore"):
            whole = np.where(clear > 0.02 * BIN_HOURS, made / clear, np.nan)
        share = np.where(case.clear_beam[:, p] >= BEAM.value, whole, np.nan)
        diffuse = share / np.maximum(1.0 - case.clear_beam[:, p], LEAST_DIFFUSE.value)
        sides = [s for s in (_side(case, _Course(whole, share, diffuse), end) for end in (1, -1)) if s is not None]
        if not sides:
            continue
        edges, behind = (np.logical_or.reduce(masks) for masks in zip(*[s[:2] for s in sides], strict=True))
        # Under that day's sky, as it was while the plane stood free.
        free = np.isfinite(share) & ~behind
        sky = np.where(free, made, 0.0).sum(axis=1) / np.maximum(np.where(free, clear, 0.0).sum(axis=1), 1e-9)
        found[p] = Hill(edges, behind, clear * np.clip(sky, 0.0, 1.0)[:, None], share, max(s[2] for s in sides))
    return found


def _side(case: Case, course: _Course, end: int) -> tuple[Mask, Mask, float] | None:
    """Half hours behind a hill at one end of the day, [D, B]: where its edge was seen, and of all days between; and its height.

    Parameters
    ----------
    end : 1 the morning, -1 the evening.
    """
    turned, high = course.share[:, ::end], case.bin_elevation[:, ::end]
    top, behind = np.full(len(turned), np.nan), np.zeros(turned.shape, bool)
    slow = np.where(case.table["step_s"] >= HOURLY_S.value, 2, 1)
    for d in np.flatnonzero(case.light_days).tolist():
        top[d], last = _edge(turned[d], high[d], int(slow[d]))
        behind[d, : last + 1] = np.isfinite(turned[d, : last + 1])
    reach = int(REACH.value)
    window = np.lib.stride_tricks.sliding_window_view(np.pad(top, reach, constant_values=np.nan), 2 * reach + 1)
    low, count = nearest_rank(window, 0.3, 1)
    climbs = np.maximum.accumulate(high, axis=1) <= high  # until noon
    with np.errstate(invalid="ignore"):
        agree = (np.abs(window - low[:, None]) <= NEAR_DEG.value).sum(axis=1)
        lit = (turned >= OPEN.value) & climbs & (high >= SEEN_DEG.value) & (high < (low - 2 * NEAR_DEG.value)[:, None])
        around = np.lib.stride_tricks.sliding_window_view(np.pad(lit.any(axis=1), reach), 2 * reach + 1).sum(axis=1)
        stands = (agree >= DAYS.value) & (agree >= AGREE.value * count) & (around <= UNDER.value * agree) & (low >= TOP_DEG.value)
        here = stands & (np.abs(top - low) <= 2 * NEAR_DEG.value)
    behind &= here[:, None]
    # By a wrong clock, or known by a wrong azimuth, a plane makes more than a clear sky gives at the other end of its day.
    other = course.whole[here, ::end][:, np.argmax(high[here], axis=1).max(initial=0) :]
    if median_of(other[np.isfinite(other)]) > OTHER_END.value:
        return None
    need = SLOW_DAYS if (slow[here] > 1).any() else DAYS
    if here.sum() < need.value or median_of(course.diffuse[:, ::end][behind]) > DIFFUSE.value:
        return None
    where = np.flatnonzero(here)
    tops = np.interp(np.arange(len(top)), where, low[where])
    step = np.diff(high, axis=1, append=high[:, -1:])
    under = climbs & np.isfinite(turned) & (high - 0.5 * step <= tops[:, None])
    under[: where[0]] = under[where[-1] + 1 :] = False
    return behind[:, ::end], (behind | under)[:, ::end], median_of(low[where])


def _edge(share: Floats, high: Floats, width: int) -> tuple[float, int]:
    """Height of the sun, degrees, at which the beam comes to a plane, and the last half hour behind; NaN and -1 if none.

    Parameters
    ----------
    share, high : [B], in the order in which the sun climbs.
    width : half hours from one row to the next, 1 and more.
    """
    none = float("nan"), -1
    at = np.flatnonzero(np.isfinite(share) & (high >= SEEN_DEG.value))
    row = share[at]
    dark, bright = row <= BEHIND.value, row >= OPEN.value
    if bright.sum() * width * BIN_HOURS < OPEN_HOURS.value or not dark[0]:
        return none
    lit = int(bright.argmax())
    grey = lit - int(np.flatnonzero(dark[:lit])[-1]) - 1
    last = lit - 1 - grey
    if last < width - 1 or high[at[last]] < DARK_DEG.value:
        return none  # the row in which the sun rises, or its hour's end, is dark on any roof
    if grey > 1 or not dark[: last + 1].all() or not bright[lit : lit + 2].all():
        return none
    if at[lit] - at[last] > (grey + 1) * width or high[at[lit]] <= high[at[last]]:
        return none  # rows are lost between, or noon is
    before = float(row[: last + 1].mean())
    if row[lit] - row[last] < STEP.value or before < ZERO.value:
        return none
    low, top = float(high[at[last]]), float(high[at[lit]])
    if not grey:
        return 0.5 * (low + top), int(at[last])
    # The row between tells by its part of sun when the edge passed.
    sun = float(np.clip((row[last + 1] - before) / max(float(row[lit : lit + 2].max()) - before, 0.1), 0.0, 1.0))
    return low + 0.5 * (top - low) * (1.5 - sun), int(at[last])
