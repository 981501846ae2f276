"""How far the stamps of single units lie off those of their siblings.

Siblings share the sun and every cloud: one record moved against the others is seen
on clear days by its course and on broken ones by each cloud's edge. Shade takes from
one half of a day and gives nothing to the other; a moved record fits again once it is
moved back.
"""

from __future__ import annotations

from collections.abc import Collection

import numpy as np

from rules.case import Case
from rules.daytable import BIN_HOURS, BINS
from rules.finding import Threshold
from rules.ranks import Floats, Mask
from rules.siblings import nan_median

REACH = Threshold(240.0, "min", "own reasoning: farther off, half a winter's day has no counterpart left")
LIKE = Threshold(0.98, "1", "own reasoning: cosine of two siblings' half hours is 0.995 and more")
BETTER = Threshold(0.25, "of the misfit at once", "own reasoning: moved back, most of the misfit must go")
OTHER = Threshold(0.6, "of the misfit to another plane", "own reasoning: a swap fits the other plane")
BACK = Threshold(0.5, "of the loss", "own reasoning: a moved day keeps its energy; modules differ by a few per cent")
LEAD = Threshold(0.75, "of the largest on the plane", "own reasoning: of three units the others see half of it in each other")
LEAST = Threshold(24.0, "min", "own reasoning: half-hour bins see less only dimly, and it harms little")
RIGHT = Threshold(12.0, "min", "own reasoning: half of that")
UNITS = Threshold(2, "other units on the plane", "own reasoning: of two in all either may be the one that is off")
ALIKE = Threshold(20.0, "min", "own reasoning: one clock, seen by half-hour bins")
ALL = Threshold(0.8, "of the inputs that tell", "own reasoning: the common cause when nearly all share the symptom")
ENERGY = Threshold(0.5, "h", "own reasoning: less of a day has no course")


def beside_peak(low: Floats, top: Floats, high: Floats) -> Floats:
    """How far beside the middle one of three neighbours, one apart, the peak of the parabola through them lies."""
    bend = low - 2 * top + high
    bent = np.abs(bend) > 1e-12
    return np.where(bent, 0.5 * (low - high) / np.where(bent, bend, 1.0), 0.0)


def unit_lags(case: Case, foreign: Collection[int] = ()) -> tuple[Floats, Mask]:
    """Minutes by which each unit's record lies after its siblings', and the days on which that can be told, both [D, U].

    NaN where the record is not off, or where moving it does not mend it.

    Parameters
    ----------
    foreign : inputs whose records are another plane's: no witnesses.
    """
    power, beside = case.table["power"], _others(case, foreign)
    lag, best, off, right = _matched(power, beside)
    # A swapped record follows another plane's sun at the right hour.
    for p in range(len(case.names)):
        course = case.table["plane_typical"][:, p]
        norm = np.sqrt((power**2).sum(axis=2) * (course**2).sum(axis=1)[:, None]) + 1e-12
        other = (power * course[:, None]).sum(axis=2) / norm
        off &= (case.plane_of == p)[None, :] | (1 - best <= OTHER.value * (1 - other))
    # Siblings of the unit that is off seem off the other way, by less.
    for p in range(len(case.names)):
        mine = np.flatnonzero(case.plane_of == p)
        most = np.where(off[:, mine], np.abs(lag[:, mine]), 0.0).max(axis=1, keepdims=True)
        off[:, mine] &= np.abs(lag[:, mine]) >= LEAD.value * most
    units = len(case.site.units)
    out, told = np.full((case.day_count, units), np.nan), np.zeros((case.day_count, units), bool)
    for u in range(units):
        mine = case.inputs_of_unit(u)
        agreed = off[:, mine].any(axis=1) & ~right[:, mine].any(axis=1)
        out[agreed, u] = nan_median(np.where(off[:, mine], lag[:, mine], np.nan), 1)[agreed]
        told[:, u] = agreed | right[:, mine].any(axis=1)
    return out, told


def gateway_lags(case: Case, foreign: Collection[int] = ()) -> tuple[list[str], Floats, Mask]:
    """Minutes by which the records of each gateway lie after those of the others on its planes, and the days that tell.

    NaN where its units do not all lie off alike. Of two gateways each lies off the other: this does not say which is right.

    Returns
    -------
    gateways [G], minutes [D, G], told [D, G].
    """
    names = list(dict.fromkeys(ref.gateway or "" for ref in case.inputs))
    of = np.array([names.index(ref.gateway or "") for ref in case.inputs])
    out, told = np.full((case.day_count, len(names)), np.nan), np.zeros((case.day_count, len(names)), bool)
    sound = ~np.isin(np.arange(len(of)), list(foreign))
    power = case.table["power"]
    for g in range(len(names) if len(names) > 1 else 0):
        beside = np.zeros(power.shape)
        for p in np.unique(case.plane_of[of == g]):
            others = np.flatnonzero((case.plane_of == p) & (of != g) & sound)
            if len(np.unique(case.unit_of[others])) >= UNITS.value:
                beside[:, (case.plane_of == p) & (of == g)] = np.median(power[:, others], axis=1)[:, None]
        mine = np.flatnonzero((of == g) & sound & (beside.sum(axis=(0, 2)) > 0))
        if len(np.unique(case.unit_of[mine])) < UNITS.value:
            continue
        lag, _, off, right = _matched(power[:, mine], beside[:, mine])
        middle = nan_median(np.where(off, lag, np.nan), 1)
        with np.errstate(invalid="ignore"):
            alike = off & (np.abs(lag - middle[:, None]) <= ALIKE.value)
        count = (off | right).sum(axis=1)
        told[:, g] = count >= UNITS.value
        hit = told[:, g] & (alike.sum(axis=1) >= ALL.value * count)
        out[hit, g] = middle[hit]
    return names, out, told


def _matched(power: Floats, beside: Floats) -> tuple[Floats, Floats, Mask, Mask]:
    """Minutes by which each course lies after that beside it, how like they are moved, whether off, whether right, [D, N] each."""
    ok = (power.sum(axis=2) >= ENERGY.value) & (beside.sum(axis=2) >= ENERGY.value)
    norm = np.sqrt((power**2).sum(axis=2) * (beside**2).sum(axis=2)) + 1e-12
    # The product of one course with the other turned by any number of bins, all numbers at once (correlation theorem).
    turned = np.fft.irfft(np.fft.rfft(power) * np.fft.rfft(beside).conj(), BINS) / norm[:, :, None]
    shifts = np.arange(-int(REACH.value / 60 / BIN_HOURS), int(REACH.value / 60 / BIN_HOURS) + 1)
    score = turned[:, :, shifts % BINS]
    at = np.clip(score.argmax(axis=2), 1, len(shifts) - 2)
    low, top, high = (np.take_along_axis(score, (at + k)[:, :, None], 2)[:, :, 0] for k in (-1, 0, 1))
    fine = beside_peak(low, top, high)
    lag = (shifts[at] + np.clip(fine, -0.5, 0.5)) * BIN_HOURS * 60
    now = score[:, :, len(shifts) // 2]
    # Half hours smear a shift by part of one: the best of the parabola, not of the bin, counts.
    best = np.minimum(top - 0.25 * (low - high) * fine, 1.0)
    off = ok & (np.abs(lag) >= LEAST.value) & (best >= LIKE.value) & (1 - best <= BETTER.value * (1 - now))
    # What a moved record lacks in one half of the day it has in the other; shade gives nothing back.
    apart = power - beside
    gained, lost = np.maximum(apart, 0.0).sum(axis=2), np.maximum(-apart, 0.0).sum(axis=2)
    off &= np.minimum(gained, lost) >= BACK.value * np.maximum(gained, lost)
    return lag, best, off, ok & (np.abs(lag) < RIGHT.value)


def _others(case: Case, foreign: Collection[int]) -> Floats:
    """Middle course of the inputs of each input's plane that hang on other units, h, [D, N, B]; 0 where there are too few."""
    power = case.table["power"]
    out = np.zeros(power.shape)
    for p in range(len(case.names)):
        mine = np.flatnonzero(case.plane_of == p)
        sound = mine[~np.isin(mine, list(foreign))]
        for u in np.unique(case.unit_of[mine]):
            others = sound[case.unit_of[sound] != u]
            if len(np.unique(case.unit_of[others])) >= UNITS.value:
                out[:, mine[case.unit_of[mine] == u]] = np.median(power[:, others], axis=1)[:, None]
    return out


__all__ = ["beside_peak", "gateway_lags", "unit_lags"]
