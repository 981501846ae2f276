"""Inputs that lose about as much power in dim light as in full sun: a path beside their cells.

A shunt draws ``U / R`` past the load, and a module's working voltage ``U`` hardly
moves: whatever the light, the same current is gone (Ohm's law; potential-induced
degradation and cell shunts, IEC TS 62804-1). Of a bright hour that is a small share, of a dim
one nearly all. A shadow takes nothing of a sky without sun; dirt takes one share of any light.

Where the light's current is no more than twice the shunt's, the voltage gives way:
of a source ``I`` with ``R`` across it no more than ``I^2 R / 4`` can be drawn, at half its open
voltage (maximum power transfer). So with ``P`` owed and ``c`` drained at full voltage there is left
``P - c`` of ``P`` over ``2 c``, and ``P^2 / 4 c`` below, both per rated watt.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rules.case import Case, once
from rules.days import first_to_last, runs_of, span_mask
from rules.daytable import BIN_HOURS
from rules.finding import Threshold
from rules.held import held_bins
from rules.levels import relative_levels
from rules.ranks import Floats, Mask, median_of, row_quantile

LIT = Threshold(0.06, "of rated power", "own reasoning: below it readings are whole watts and units start and stop")
DRAIN = Threshold(0.025, "of rated power", "own reasoning: units differ by 1 % of rating in what they need themselves")
HEALTHY = Threshold(
    0.06, "ratio", "own reasoning: tolerance of 3 % either way (common practice); at full sun a shunt is hardly seen"
)
MIN_DAYS = Threshold(4, "judged days", "own reasoning: as many as for a steady share")
SPAN = Threshold(0.4, "ratio of loads", "own reasoning: dim and bright hours must lie far apart to tell a share from an amount")
ALIKE = Threshold(
    0.35, "of the drain", "own reasoning: one amount in any light and at every hour; dirt takes half of it in half the light"
)
SUNLESS = Threshold(
    0.7, "of the drain", "own reasoning: a shadow takes nothing of a dull sky's light, and hardly a third where it hides sky too"
)
DULL = Threshold(0.2, "of the light", "own reasoning: with less direct sun in it no shadow is cast")
DULL_BINS = Threshold(8, "half hours", "own reasoning: four hours of dull sky")
DULL_DAYS = Threshold(2, "days", "own reasoning: one dull day may be a wet or snowy module")
ON = Threshold(0.5, "of the drain", "own reasoning: a day with less of it is one without")
MOST_DAYS = Threshold(0.8, "of the days", "own reasoning: a shunt is there every day once it is there")
_FEW = 4  # bins in a class or on a day say nothing
_CLASSES = 3  # of power, with as many bins each


@dataclass(frozen=True)
class Shunted:
    """An input with a shunt: its days [D], what it drains of rated power, and its share of its siblings' power before that."""

    days: Mask
    drain: float
    own: float


def left_over(power: Floats, drain: float | Floats) -> Floats:
    """What a shunt leaves of some power, both of rated power, any shape."""
    return np.where(power >= 2.0 * drain, power - drain, power**2 / np.maximum(4.0 * drain, 1e-9))


def drained(power: Floats, made: Floats) -> Floats:
    """What a shunt must drain to leave ``made`` of ``power``, the inverse of :func:`left_over`, any shape."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(made >= 0.5 * power, power - made, power**2 / (4.0 * made))


@once
def shunted(case: Case) -> dict[int, Shunted]:
    """Inputs whose loss is one amount in any light, by position."""
    out: dict[int, Shunted] = {}
    lit = first_to_last(case.free_witness > 0)
    if lit.stop == 0:
        return out
    levels = relative_levels(case)
    scale = np.where(np.isfinite(levels.scale), levels.scale, 1.0)[:, :, None]
    power, ratio = case.free_witness[:, :, lit] / BIN_HOURS, case.ratio[:, :, lit]
    told = np.isfinite(ratio) & ~held_bins(case)[:, None, lit] & (power > LIT.value) & levels.judged[:, :, None]
    told &= (case.members >= 2)[None, :, None]
    made, owed = np.where(told, ratio * power, np.nan), power * scale
    each = drained(owed, made)
    by_day = row_quantile(np.where(np.isfinite(each), each, np.nan).reshape(-1, each.shape[2]), 0.5).reshape(each.shape[:2])
    by_day = np.where(np.isfinite(each).sum(axis=2) >= _FEW, by_day, np.nan)
    for n in np.flatnonzero((by_day > DRAIN.value).sum(axis=0) >= MIN_DAYS.value).tolist():
        found = _judge(by_day[:, n], owed[:, n], made[:, n], case.beam_share[:, case.plane_of[n], lit])
        # A drain below a counter's step is its rounding, which takes as much of any light.
        if found is not None and found.drain * BIN_HOURS > case.least_step[n]:
            out[n] = found
    return out


def _judge(by_day: Floats, owed: Floats, made: Floats, beam: Floats) -> Shunted | None:
    """One input's shunt from its drain by day, [D], power owed and made, of rated power, and the direct sun's part, [D, B] each."""
    days = _days(by_day)
    if days is None:
        return None
    use = days[:, None] & np.isfinite(made)
    drain, own = _fit(owed[use], made[use])
    if drain < DRAIN.value or abs(own - 1.0) > HEALTHY.value:
        return None
    each = drained(owed * own, made)
    if not _one_amount(each, owed, use, drain):
        return None
    dull = use & (beam < DULL.value)
    if dull.sum() < DULL_BINS.value or dull.any(axis=1).sum() < DULL_DAYS.value:
        return None
    return Shunted(days, drain, own) if median_of(each[dull]) >= SUNLESS.value * drain else None


def _days(by_day: Floats) -> Mask | None:
    """Days of a shunt, [D], from the drain by day; None where it comes and goes, or is none."""
    known = np.isfinite(by_day)
    on = np.nan_to_num(by_day) > ON.value * median_of(by_day[known & (np.nan_to_num(by_day) > DRAIN.value)])
    runs = runs_of(on, ~known, most=2)
    if not runs:
        return None
    first, last = max(runs, key=lambda run: int(on[run[0] : run[1] + 1].sum()))
    days = span_mask(len(by_day), [(first, last)]) & known
    if (days & on).sum() < max(MIN_DAYS.value, MOST_DAYS.value * days.sum()):
        return None
    # A shunt ends when the module is changed; what comes and goes is not a shunt.
    return None if (on & ~span_mask(len(by_day), [(first, last)])).sum() >= MIN_DAYS.value else days


def _fit(owed: Floats, made: Floats) -> tuple[float, float]:
    """The drain, and the share of power made apart from it, from bins [K]: each in turn, the share by the brighter bins."""
    own = 1.0
    for _ in range(3):
        drain = median_of(drained(owed * own, made))
        bright = owed > max(2.0 * drain, np.quantile(owed, 0.5))
        if bright.sum() < _FEW:
            break
        own = float(np.clip(median_of((made[bright] + drain) / owed[bright]), 0.9, 1.1))
    return drain, own


def _one_amount(each: Floats, owed: Floats, use: Mask, drain: float) -> bool:
    """Whether the drain is one in dim and bright light and at every hour, [D, B] each."""
    power, found = owed[use], each[use]
    if len(power) < _CLASSES * _FEW:
        return False
    low, high = np.quantile(power, [1 / _CLASSES, 1 - 1 / _CLASSES])
    dim, bright = power <= low, power >= high
    if median_of(power[dim]) > SPAN.value * median_of(power[bright]):
        return False
    lit = [b for b in range(each.shape[1]) if use[:, b].sum() >= _FEW]
    parts = np.array([median_of(found[dim]), median_of(found[bright]), *(median_of(each[:, b][use[:, b]]) for b in lit)])
    light = np.array([median_of(power[dim]), median_of(power[bright]), *(median_of(owed[:, b][use[:, b]]) for b in lit)])
    # Where the shunt pulls the voltage down, it may fall below what the unit works at: then even more is lost.
    gives_way = light < 2.0 * drain
    within = (parts >= (1.0 - ALIKE.value) * drain) & (gives_way | (parts <= (1.0 + ALIKE.value) * drain))
    return bool(within[:2].all() and within[2:].mean() >= MOST_DAYS.value)
