"""Units that fall short of the sky's light in their brightest hours on the days on which they are unduly hot.

A unit that is most of its plane has no siblings there: the sensor or the other
planes are the measure, and its own temperature is the witness. It is held against
the day's dimmer hours and its own sound days, so that dirt, ratings and the model's
error for that plane drop out. Shade at noon cools a unit; one that falls short just
when it is far hotter than the others, or than itself before, protects itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rules.case import Case
from rules.days import runs_of, span_mask
from rules.daytable import BIN_HOURS
from rules.finding import Threshold
from rules.held import held_bins
from rules.ranks import Floats, Mask, median_of, quantile_of

HOT_C = Threshold(60.0, "Celsius", "common practice: units in the shade under modules stay below on hot days")
OVER_K = Threshold(10.0, "K over other units", "own reasoning: units alike in one roof's wind and light differ by some kelvin")
JUMP_K = Threshold(15.0, "K over its own sound days", "own reasoning: bright days of one record differ by less in air temperature")
BRIGHT = Threshold(0.4, "of rated power", "own reasoning: with less light a unit's heat and limit are not reached")
SHORT = Threshold(0.08, "ratio", "own reasoning: the models of sky and module differ by some 3 % between noon and the dimmer hours")
DAYS = Threshold(4, "days", "own reasoning: a spell of haze is shorter")
MOST = Threshold(0.7, "of the hot days", "own reasoning: heat does the same on every hot day until it is mended")
OTHERS = Threshold(2, "units", "own reasoning: one other may be the cool or the hot one")
MANY_OTHERS = Threshold(6, "units", "own reasoning: not most of so many are built in without air")
CEILING = Threshold(0.4, "of the bright hours", "own reasoning: a unit that is too hot seldom reaches its rating meanwhile")
_SOUND = 2  # days without undue heat that tell a unit's own course
BRIGHT_HOURS = Threshold(0.75, "of the day's most light", "own reasoning: a unit gets hot in its brightest hours")
_LOW = 0.6  # of the day's most light: its dimmer hours


@dataclass(frozen=True)
class Overheated:
    """Days on which a unit falls short with its heat [D], what it lost of rated energy [D], h, and what is left of its usual part.

    ``over_k``: how much hotter it is than the other units, or than on its sound days; ``alone``: than the other units.
    """

    days: Mask
    lost_h: Floats
    ratio: float
    over_k: float
    alone: bool


def overheated(case: Case, u: int) -> Overheated | None:
    """A unit's days of falling short while unduly hot; None without any, or if only the unit itself shows the light."""
    inputs = case.inputs_of_unit(u)
    if not case.independent[case.plane_of[inputs]].all():
        return None
    owed, made = case.expected[:, inputs].mean(axis=1), case.table["power"][:, inputs].mean(axis=1)
    lit = (owed > 0) & ~held_bins(case)
    if not case.sensor_trust[0]:
        # Hours at which only its own plane sees the sun say nothing about the unit.
        for p in np.unique(case.plane_of[inputs]):
            lit &= np.isfinite(case.own_index(without=p))
    owed, made = np.where(lit, owed, 0.0), np.where(lit, made, 0.0)
    most = owed.max(axis=1, keepdims=True)
    bright = (owed >= BRIGHT_HOURS.value * most) & (owed > BRIGHT.value * BIN_HOURS)
    dim = (owed < _LOW * most) & (owed > 0.1 * BIN_HOURS)
    with np.errstate(invalid="ignore", divide="ignore"):
        high = (made * bright).sum(axis=1) / (owed * bright).sum(axis=1)
        beside = high / ((made * dim).sum(axis=1) / (owed * dim).sum(axis=1))
    at_limit = case.table["clipped_h"][:, inputs].max(axis=1) > CEILING.value * bright.sum(axis=1) * BIN_HOURS
    told = np.isfinite(beside) & (made.sum(axis=1) > 0) & ~at_limit
    over, own = _over(case, u, told)
    beyond = (np.nan_to_num(over) >= OVER_K.value) | (np.nan_to_num(own) >= JUMP_K.value)
    hot = beyond & (np.nan_to_num(case.table["temp_max"][:, u]) >= HOT_C.value)
    sound = told & ~hot
    if sound.sum() < _SOUND:
        sound = told  # hot from the first day on: what it made on its best days is the measure
        usual, level = (quantile_of(x[told], 0.8) for x in (beside, high))
    else:
        usual, level = median_of(beside[sound]), median_of(high[sound])
    short = told & (beside < (1.0 - SHORT.value) * usual) & (high < (1.0 - SHORT.value) * level)
    days = short & hot
    if days.sum() < DAYS.value or days.sum() < MOST.value * short.sum():
        return None
    first, last = max(runs_of(days, ~(told & hot), most=2), key=lambda run: int(days[run[0] : run[1] + 1].sum()))
    spell = span_mask(case.day_count, [(first, last)])
    days &= spell
    if days.sum() < max(DAYS.value, MOST.value * (hot & told & spell).sum()):
        return None
    lost = np.maximum(owed * level - made, 0.0).sum(axis=1) * days * len(inputs)
    if _others_too(case, u, days, bright):
        return None
    than_others = over[days & np.isfinite(over)]
    alone = than_others.size > 0 and median_of(than_others) >= OVER_K.value
    return Overheated(days, lost, median_of(high[days]) / level, median_of(np.fmax(over, own)[days]), alone)


def _over(case: Case, u: int, told: Mask) -> tuple[Floats, Floats]:
    """How much hotter a unit gets than the median of the others, and than on the coolest of its bright days, K, [D] each."""
    heat = case.table["temp_max"]
    mine, others = heat[:, u], np.delete(heat, u, axis=1)
    over = np.full(len(mine), np.nan)
    known = np.isfinite(others).sum(axis=1) >= OTHERS.value
    if known.any():
        over[known] = mine[known] - np.nanmedian(others[known], axis=1)
    bright = told & np.isfinite(mine)
    own = mine - (quantile_of(mine[bright], 0.1) if bright.any() else np.nan)
    # Many others tell better whether it is the unit or the day that is hot.
    return over, np.where(np.isfinite(others).sum(axis=1) >= MANY_OTHERS.value, np.nan, own)


def _others_too(case: Case, u: int, days: Mask, bright: Mask) -> bool:
    """Whether cooler units' inputs on the same planes made no more in the bright hours, [D, B], of some days, [D]."""
    heat, inputs = case.table["temp_max"][days], case.inputs_of_unit(u)
    with np.errstate(invalid="ignore"):
        cooler = np.flatnonzero(np.mean(heat[:, [u]] - heat >= OVER_K.value, axis=0) > MOST.value)
    beside = np.isin(case.unit_of, cooler) & np.isin(case.plane_of, case.plane_of[inputs])
    where = days[:, None] & bright
    made = case.table["power"].transpose(1, 0, 2)[:, where].sum(axis=1)
    return bool(beside.any()) and float(np.mean(made[inputs])) > (1.0 - SHORT.value) * median_of(made[beside])
