"""A unit's share of clear sky by its own heat: where it falls, and by how much (:mod:`rules.faults.hot_derating`)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from rules.case import Case
from rules.daytable import HEAT_BINS, HEAT_FROM_C, HEAT_STEP_C
from rules.finding import Threshold
from rules.held import ordered_days
from rules.ranks import Floats

HOT_C = Threshold(50.0, "Celsius", "common practice: derating starts at 50 to 80 Celsius inside, by make")
FURTHER = Threshold(0.02, "of clear sky", "common practice: derating takes 2 to 5 % a kelvin; bins are 5 K")
FALL = Threshold(0.07, "of the level", "own reasoning: models of sky and module miss by some 5 %")
PINNED_FALL = Threshold(0.045, "of the level", "own reasoning: a unit that holds one heat day after day does so by giving less")
PINNED_K = Threshold(1.6, "K", "own reasoning: the air of bright days alone differs by more")
PINNED_C = Threshold(65.0, "Celsius", "common practice: units derate from some 60 to 80 Celsius inside, by make")
PINNED_DAYS = Threshold(8, "bright days", "own reasoning: fewer may be one spell of weather")
PINNED_BRIGHT = Threshold(0.6, "of the brightest day", "own reasoning: with less light its limit is not reached")
WITHIN = Threshold(0.97, "of the day's cooler hours", "own reasoning: half of DROP; dirt takes no more from hot hours")
MIN_ENERGY = Threshold(0.25, "h", "own reasoning: a quarter of a full-sun hour in each of cool and hot")
#: Lower edges of the bins of heat, Celsius, [H].
LOWER_C: Final = HEAT_FROM_C + HEAT_STEP_C * (np.arange(HEAT_BINS) - 1)
#: A rise from one bin to the next, of clear sky, that is no scatter.
_RISES: Final = 0.02
#: A unit with less of clear sky at its best shows no level to fall from.
_LEAST_PEAK: Final = 0.6


@dataclass(frozen=True)
class Fall:
    """A unit's ``share`` of clear sky by its own heat, [H]; the bins in which it is highest and begins to fall for good."""

    share: Floats
    peak: int
    knee: int


def by_heat(case: Case, u: int) -> tuple[Floats, Floats]:
    """What a unit made, and what a clear sky's light would have given, by its own heat, [D, H]; 0 on days of an order."""
    free = ~ordered_days(case)[:, None]
    return case.table["heat_power"][:, u] * free, case.table["heat_light"][:, u] * free


def pinned(case: Case, u: int) -> bool:
    """Whether a unit gets as hot on one bright day as on the next: it holds itself at a limit, where others follow air and wind."""
    heat, light = case.table["temp_max"][:, u], case.table["heat_light"][:, u].sum(axis=1)
    top = heat[np.isfinite(heat) & (light > PINNED_BRIGHT.value * light.max(initial=0.0))]
    if len(top) < PINNED_DAYS.value:
        return False
    middle = float(np.median(top))
    return middle >= PINNED_C.value and 1.4826 * float(np.median(np.abs(top - middle))) <= PINNED_K.value


def falls(case: Case, u: int) -> list[Fall]:
    """Where a unit's share of clear sky by its own heat begins to fall for good.

    A unit that holds itself at one heat may begin twice, by less at first. Empty where
    the share does not fall, or not as heat makes it fall: by more with every kelvin.
    """
    power, light = by_heat(case, u)
    total = light.sum(axis=0)
    enough = total >= MIN_ENERGY.value * len(case.inputs_of_unit(u))
    if enough.sum() < 3:
        return []
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.where(enough, power.sum(axis=0) / total, np.nan)
    # Below the first edge a unit is cool because the sun is low: there the sky model is at its worst.
    if not enough[1:].any():
        return []
    peak = 1 + int(np.nanargmax(share[1:]))
    if share[peak] < _LEAST_PEAK:
        return []
    knees = [_knee(share, peak, least.value) for least in ((FALL, PINNED_FALL) if pinned(case, u) else (FALL,))]
    return [Fall(share, peak, knee) for knee in knees if knee is not None]


def _knee(share: Floats, peak: int, least: float) -> int | None:
    """Where a unit's share of clear sky by its own heat, [H], begins to fall by ``least`` for good; None where it does not."""
    fallen = np.flatnonzero((np.arange(HEAT_BINS) > peak) & (HOT_C.value <= LOWER_C) & (share < (1 - least) * share[peak]))
    if not fallen.size:
        return None
    knee = int(fallen[0])
    if (np.diff(share[knee - 1 :][np.isfinite(share[knee - 1 :])]) > _RISES).any():
        return None
    # A level that was only reached at a few cool hours is no measure.
    told = share[(np.arange(HEAT_BINS) >= knee) & np.isfinite(share)]
    return None if len(told) > 1 and told[-1] > told[0] - FURTHER.value else knee


def within_days(power: Floats, light: Floats, knee: int, inputs: int) -> bool:
    """Whether the unit gives less in the hot hours of a day than in its cooler ones: dirt that grows towards summer does not.

    ``power`` and ``light`` are [D, H]; True where too few days hold both.
    """
    before, after = slice(1, knee), slice(knee, None)
    cool, hot = light[:, before].sum(axis=1), light[:, after].sum(axis=1)
    told = np.minimum(cool, hot) >= 0.5 * MIN_ENERGY.value * inputs
    if told.sum() < 3:
        return True
    beside = (power[told][:, after].sum(axis=1) / hot[told]) / (power[told][:, before].sum(axis=1) / cool[told])
    return bool(np.median(beside) <= WITHIN.value)
