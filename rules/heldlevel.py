"""Half hours in which the upper units stood at a level that was ordered."""

from __future__ import annotations

import numpy as np

from rules.case import Case
from rules.days import runs_of, with_neighbours
from rules.finding import Threshold
from rules.levelspells import BELOW, DIP, DIP_LIGHT, FAR_BELOW, STRONG_HOURS, level_spells, second_bins
from rules.loads import ALIKE_UNITS, LEAST_LEVEL, site_ceiling
from rules.orders import CALM, CROWD, LEVEL, SAME, crowded, days_at
from rules.ranks import Floats, Mask
from rules.siblings import middle, nan_median

RETURNS = Threshold(3, "spells", "own reasoning: the same number three times is an order")
STEPS = Threshold(20, "steps", "own reasoning: in fewer steps of the readings a grey sky stands still by itself")
AGAIN_DAYS = Threshold(5, "days", "own reasoning: an order to the same number within a week is the same order")
AGAIN_HOURS = Threshold(1.5, "h", "own reasoning: no cloud stands for three half hours at a number known before")


def ordered_bins(case: Case, light: Floats, own: Mask) -> Mask:
    """Bins at a level that was ordered, [D, B]."""
    table = case.table
    level, wobble, spread = table["cap_level"], table["cap_wobble"], table["cap_spread"]
    # With four units or fewer the upper and the middle one are the same: no spread to see.
    several = len(case.site.units) >= 5
    coarse = bool(np.median(table["step_s"]) > 900) if case.day_count else False
    tight = np.isfinite(level) & (level > _least(level, wobble)) & (light > 0.15)
    ceiling = site_ceiling(case, level)
    tight &= (level < ceiling) & ~own
    alike = (np.nan_to_num(spread, nan=1.0) < ALIKE_UNITS.value) & np.bool_(several)
    width = case.bin_hours
    second = second_bins(level, wobble, tight)
    days = np.flatnonzero(second.any(axis=1)).tolist()
    spells = [s for d in days for s in level_spells(d, level[d], wobble[d], tight[d], light[d], second[d], alike[d], width)]
    # A record that repeats itself is level too.
    stuck = np.median(table["frozen_h"], axis=1)
    out = np.zeros(level.shape, bool)
    for s in spells:
        like = [o for o in spells if abs(o.level / s.level - 1) < SAME.value]
        days_alike = {o.day for o in like if o.alike}
        strong = [o for o in like if o.strong and o.alike]
        repeated = s.strong and s.alike and len({o.day for o in strong}) >= (3 if coarse else 2)
        # Units of several planes, or too few to compare: only the number itself tells, and one more day is needed.
        repeated |= s.fair and len({o.day for o in like if o.fair}) >= 3
        repeated &= s.hours >= (3.0 if coarse else STRONG_HOURS.value)
        below = [o for o in like if o.alike and (o.strong or o.share < FAR_BELOW.value)]
        short = s.share < FAR_BELOW.value and s.alike and s.dips and len(below) >= RETURNS.value
        short &= bool(strong) or len(days_alike) >= 3 or (len(below) > RETURNS.value and len(days_alike) >= 2)
        single = not coarse and (s.alone or (s.plain and stuck[s.day] < 0.5 * s.hours))
        if single or repeated or short:
            out[s.day, s.bins] = True
    # Once a number is known for an order, shorter runs at it on its days are the same order.
    for s in spells:
        if not out[s.day, s.bins].all() and s.share < BELOW.value and (s.alike or not several):
            known = level[s.day][out[s.day]]
            if known.size and abs(s.level / float(np.median(known)) - 1) < SAME.value:
                out[s.day, s.bins] = True
    return out


def with_returns(case: Case, cap: Mask, light: Floats, own: Mask) -> Mask:
    """Bins of an order, with those in which its number came back under more light, [D, B].

    Readings may scatter too much, or clouds break the level too often, for a day
    to tell by itself. A number that stands out of the whole record counts on any
    day; one that a day told by itself counts within a week, and for longer.
    """
    level, wobble = case.table["cap_level"], case.table["cap_wobble"]
    width = case.bin_hours
    stuck = np.median(case.table["frozen_h"], axis=1)
    told = nan_median(np.where(cap, level, np.nan), 1)
    out = cap.copy()
    with np.errstate(invalid="ignore", divide="ignore"):
        brighter = (light > level / BELOW.value) & ~own
        far = (level > _least(level, wobble)) & (level < site_ceiling(case, level)) & (level < FAR_BELOW.value * light)
        for number in crowded(level[far & ~(wobble >= CALM.value)], CROWD.value):
            near = (np.abs(level / number - 1) < LEVEL.value) & brighter
            near &= _dips(level / light, light, near)[:, None]
            moved = stuck < 0.5 * near.sum(axis=1) * width
            out |= near & (days_at(near, wobble) & moved | cap.any(axis=1))[:, None]
        for d in np.flatnonzero(cap.any(axis=1)):
            near = (np.abs(level / told[d] - 1) < LEVEL.value) & brighter
            reach = int(AGAIN_DAYS.value)
            for o in range(max(int(d) - reach, 0), min(int(d) + reach + 1, len(cap))):
                runs = [run for run in runs_of(near[o]) if run[1] > run[0]]
                hours = sum(last - first + 1 for first, last in runs) * width
                if o == d or (hours >= AGAIN_HOURS.value and middle(wobble[o, near[o]]) < CALM.value):
                    out[o] |= near[o]
    return out


def _dips(share: Floats, light: Floats, near: Mask) -> Mask:
    """Days on which the units made more of the sky beside the bins near a number than in them, [D]; True with nothing beside.

    The clear noons of a dirty roof come out alike too.
    """
    held = nan_median(np.where(near, share, np.nan), 1)
    lit = light >= DIP_LIGHT.value * np.where(near, light, 0.0).max(axis=1, keepdims=True)
    beside = np.where(lit & ~with_neighbours(near) & np.isfinite(share), share, -np.inf).max(axis=1)
    out: Mask = np.isneginf(beside) | (beside > DIP.value * held)
    return out


def _least(level: Floats, wobble: Floats) -> float:
    """Level from which on a run of one number is no grey sky in the readings' steps."""
    return max(LEAST_LEVEL.value, STEPS.value * _step_of(level, wobble))


def _step_of(level: Floats, wobble: Floats) -> float:
    """Step in which levels are reported: the least gap between those that stood still for half an hour; 0 without."""
    still = np.unique(np.round(level[(wobble == 0.0) & np.isfinite(level)], 3))
    return float(np.diff(still).min()) if len(still) >= 3 else 0.0
