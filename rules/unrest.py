"""Units whose power falls and comes back several times a day, all inputs at once, while other units' does not.

A unit that stops for minutes stands in rows a quarter of an hour and more apart as a part of
its power missing; a counter read seldom shows the same. So stops that no row shows are seen in
the half hours: now one lacks a third, now the next but one. A shadow does
that at its hours and to one input before the next, broken cloud to all units of a roof.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rules.case import Case, once
from rules.days import first_to_last, span_mask
from rules.daytable import BIN_HOURS, STANDBY
from rules.finding import Threshold
from rules.held import held_bins
from rules.ranks import Floats, Mask, row_quantile

FALL = Threshold(0.2, "of the usual power", "own reasoning: six minutes of half an hour; siblings differ by some per cent")
LIT = Threshold(0.1, "of rated power", "own reasoning: a counter's steps are a good part of less")
PER_DAY = Threshold(2, "falls a day", "own reasoning: a shadow falls on a module once a day, seldom twice")
DAYS = Threshold(4, "days", "own reasoning: one bad day is weather or work on the roof")
FALLS = Threshold(12, "falls", "own reasoning: three a day on the fewest days")
SOUND = Threshold(0.2, "of the lit half hours", "own reasoning: between stops a unit makes all of its power")
RARELY = Threshold(0.1, "of its falls", "own reasoning: what other units do too is the sky's or the counters'")
WANDERS = Threshold(0.5, "of the falls", "own reasoning: a shadow's edges keep to a quarter of the hours, a stop has no hour")
MORE = Threshold(0.1, "of its falls", "own reasoning: what comes back as more than all was late, not lost")
STANDS = Threshold(1.0, "h at nothing a fall", "own reasoning: a start takes minutes (IEEE 1547-2018: 300 s), not hours")
OTHERS = Threshold(2, "units", "own reasoning: one other may be the ill one")
_OVER = 1.2  # of the usual power: what was late comes back


@dataclass(frozen=True)
class Unrest:
    """Days of unrest, from the first to the last with falls enough and with one at least, [D], and how many falls they hold."""

    days: Mask
    falls: int


@once
def restless(case: Case) -> dict[int, Unrest]:
    """Restless units, by position."""
    out: dict[int, Unrest] = {}
    units, lit = len(case.site.units), first_to_last(case.free_witness > 0)
    if units <= OTHERS.value or lit.stop == 0:
        return out
    level = _levels(case)[:, :, lit]
    falls = _falls(level)
    by_day = falls.sum(axis=2)
    total = by_day.sum(axis=0)
    for u in np.flatnonzero(total >= FALLS.value).tolist():
        if float(np.median(np.delete(total, u))) > RARELY.value * total[u]:
            continue
        days = by_day[:, u] >= PER_DAY.value
        if days.sum() < DAYS.value or by_day[days, u].sum() < FALLS.value:
            continue
        mine, known = level[days, u], np.isfinite(level[days, u])
        over = (known & (mine > _OVER)).sum()
        sound = (known & (mine > 1.0 - 0.5 * FALL.value)).sum()
        count = int(by_day[days, u].sum())
        hours = np.sort(falls[days, u].sum(axis=0))[::-1]
        quarter = int(np.ceil(np.count_nonzero(known.any(axis=0)) / 4))
        wanders = hours[:quarter].sum() <= WANDERS.value * count
        standing = case.table["symptom_slots"][days][:, case.inputs_of_unit(u), STANDBY].max(axis=1).sum()
        if standing > STANDS.value * count:
            continue
        if wanders and over <= MORE.value * count and sound >= SOUND.value * known.sum():
            where = np.flatnonzero(days)
            some = (by_day[:, u] > 0) & span_mask(case.day_count, [(where[0], where[-1])])
            out[u] = Unrest(some, int(by_day[some, u].sum()))
    return out


def _levels(case: Case) -> Floats:
    """Power of the best of each unit's inputs against siblings, over its own usual, [D, U, B]; NaN where not told."""
    days, inputs, bins = case.ratio.shape
    told = np.isfinite(case.ratio) & (case.free_witness > LIT.value * BIN_HOURS) & ~held_bins(case)[:, None, :]
    ratio = np.where(told, case.ratio, np.nan)
    usual = row_quantile(ratio.transpose(1, 0, 2).reshape(inputs, -1), 0.8)
    ratio /= np.maximum(usual, 0.1)[None, :, None]
    out = np.full((days, len(case.site.units), bins), np.nan)
    for n, u in enumerate(case.unit_of.tolist()):
        np.fmax(out[:, u], ratio[:, n], out=out[:, u])
    return out


def _falls(level: Floats) -> Mask:
    """Where a unit's level falls from that of the half hour told before, at most an hour ago, [D, U, B]."""
    before = np.full(level.shape, np.nan)
    before[..., 1:] = level[..., :-1]
    before[..., 2:] = np.where(np.isfinite(before[..., 2:]), before[..., 2:], level[..., :-2])
    with np.errstate(invalid="ignore"):
        return (before - level > FALL.value) & (level < 1.0 - FALL.value)
