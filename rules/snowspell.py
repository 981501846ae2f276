"""One spell of snow on a plane: the days of each input, and how they came back (:mod:`rules.faults.snow`)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rules.case import Case
from rules.daytable import BIN_HOURS, IDLE, MISSING, STANDBY
from rules.daytable import DARK as DARK_ROWS
from rules.finding import Threshold
from rules.ranks import Floats, Mask, median_of, quantile_of, row_quantile
from rules.snowsky import (
    ASLEEP,
    BRIGHT,
    COVERED,
    DARK,
    LATEST_DAYS,
    LOW,
    MAX_DAYS,
    STOOD,
    TRICKLE,
    Sky,
    counted_share,
    left_behind,
    uncovered_share,
)
from rules.unlit import most_unlit

DEEP_DAYS = Threshold(2, "days", "own reasoning: one such day may be a storm's")
DEEP = Threshold(0.22, "of what a thick overcast leaves", "own reasoning: no sky is that dark all day; a cover of snow is")
DEEPEST = Threshold(0.12, "of what a thick overcast leaves", "own reasoning: half of that again: one such day is no storm's")
NIL = Threshold(0.002, "of clear-sky energy", "own reasoning: above a meter's offset; units that stand by make nothing at all")
STILL = Threshold(0.4, "of lit hours", "own reasoning: an input that stopped at midday or before with the snow")
SLID_LIGHT = Threshold(0.15, "W per rated W under a clear sky", "own reasoning: above it cloud leaves a tenth")
SLID_UNDER = Threshold(0.07, "of clear sky", "own reasoning: less than fog and thick overcast leave")
SLID_FREE = Threshold(0.5, "of clear sky", "own reasoning: a module that is free; fog lifts more slowly")
SLID_HOURS = Threshold(1.5, "h", "own reasoning: longer than a start of the day in low cloud")
FELL = Threshold(0.5, "of the day before", "own reasoning: a cover halves the light at least; dull weather goes on from day to day")
HEARD = Threshold(0.6, "of the day's light", "own reasoning: most of the day speaks, and a link that is lost is lost for good")
PATCHY = Threshold(
    0.25, "of their middle", "own reasoning: under one cloud siblings differ by 1 to 2 %, meters in dim light by some more"
)
PATCHY_LEAST = Threshold(3, "inputs", "own reasoning: of two, one may have a fault of its own")
BACK = Threshold(0.85, "of the best of the plane", "own reasoning: modules of one type differ by less")
BACK_DAYS = Threshold(2, "bright days", "own reasoning: one alone may be another cause's")


@dataclass
class Spell:
    """A plane under snow: the days of each of its inputs, and how they came back; no inputs where it never clears."""

    plane: int
    start: int
    days: dict[int, Mask]
    uneven: bool
    elsewhere: bool
    deep: bool

    @property
    def first(self) -> int:
        return min((int(np.flatnonzero(d)[0]) for d in self.days.values() if d.any()), default=self.start)

    @property
    def last(self) -> int:
        return max((int(np.flatnonzero(d)[-1]) for d in self.days.values() if d.any()), default=self.start)


def spell_of(
    case: Case,
    p: int,
    inputs: np.ndarray,
    start: int,
    returning: bool,
    cold: Mask,
    sky: Sky,
    *,
    apart: bool = False,
    sure: bool = False,
) -> Spell | None:
    """The spell of snow on a plane that begins on a day; None where something else explains it.

    Parameters
    ----------
    inputs : of the plane, [M].
    returning : the day is the one on which inputs come back, and the snow lay before it.
    cold : [D], days on which snow may fall or lie.
    apart : the plane's units woke one after the other.
    sure : the plane's silence is not that of a link.
    """
    lightless = most_unlit(case, inputs, start)  # surely covered: they make no more in dull light than in bright
    spells, endless = _covered_days(case, p, inputs, start, returning, lightless, sky)
    # A silence of all at the end of a spell has no covered day after it: it may be anything,
    # unless their gateway heard others meanwhile.
    awake = ~sky.asleep[:, inputs].all(axis=1) | _heard_enough(case, p, sky)
    told = (awake | _alone_asleep(case, inputs) | sure) & np.any(list(spells.values()), axis=0)
    for days in spells.values():
        days[int(np.flatnonzero(told)[-1]) + 1 if told.any() else start :] = False
    latest = _last_together(spells, start)
    if latest is None:
        last_day = min(case.day_count, start + int(MAX_DAYS.value))
        return Spell(p, last_day - 1, {}, False, False, False) if endless else None
    freed_apart = _ends_apart(case, spells, start, sky.share[:, inputs])  # completes the days, too
    uneven = returning or apart or freed_apart or _patchy(spells, inputs, sky)
    # One dark day alone: snow leaves a trickle of light where a unit that stands by makes nothing at all.
    trickle = float(np.nanmax(np.append(sky.share[start, inputs], 0.0)))
    dull = sky.dull[start, p]
    deepest = lightless or (NIL.value < trickle < DEEP.value * dull and _whole(case, p, start) < DEEPEST.value * dull)
    nobody = float(np.nanmax(np.append(sky.share[start], 0.0))) < TRICKLE.value
    if (nobody or not sky.trusted) and not (uneven or sure or deepest) and trickle < TRICKLE.value:
        return None
    seen = [d for d in np.flatnonzero(np.any(list(spells.values()), axis=0)).tolist() if np.isfinite(sky.plane[d, p])]
    elsewhere = any(sky.expected[d, p] > max(0.12, 2.5 * sky.plane[d, p]) for d in seen)
    deep = deepest or sum(sky.plane[d, p] < DEEP.value * sky.dull[d, p] for d in seen) >= DEEP_DAYS.value
    _reach_back(case, p, start, spells, returning, cold, sky)
    return Spell(p, start, spells, uneven, elsewhere, deep)


def _covered_days(
    case: Case, p: int, inputs: np.ndarray, start: int, returning: bool, lightless: bool, sky: Sky
) -> tuple[dict[int, Mask], bool]:
    """Days from a start on which each input lay under snow, [D] by input, and whether some input never came free."""
    share = sky.share
    last_day = min(case.day_count, start + int(MAX_DAYS.value))
    spells = {n: np.zeros(case.day_count, bool) for n in inputs.tolist()}
    endless = False
    nobody_up: Mask = sky.asleep[:, inputs].all(axis=1) | (sky.plane[:, p] < TRICKLE.value)
    # Days on which all make plain power alike: something else holds them down, for the rest of a cover lies unevenly.
    several = len(inputs) > 1
    alike = [several and sky.plane[d, p] > BRIGHT.value and not left_behind(share[d, inputs]).any() for d in range(case.day_count)]
    for n, days in spells.items():
        if _ill_before(case, n, start, nobody_up):
            continue
        usual = _usual(n, start, inputs, sky)
        under = start > 0 and _awake_before(n, start, inputs, sky)
        for d in range(start, last_day):
            # A unit under snow sleeps: silence on a covered day belongs to it; a day without light changes nothing.
            if (sky.asleep[d, n] and not _free_early(case, n, d, inputs, sky)) or not np.isfinite(share[d, n]):
                days[d] = under and bool(sky.asleep[d, n] or case.table["lit_h"][d, n] > 1)
                continue
            reference = uncovered_share(p, d, inputs, sky)
            # The plane's own level says what is dark for all; an input lies longer when it falls behind the others.
            dark = sky.plane[d, p] < (COVERED.value if lightless else sky.cover(d, p)) and not returning and not sky.makes_it(d, p)
            if not ((share[d, n] < LOW.value * usual * reference and not (d > start and alike[d])) or dark):
                break
            days[d] = under = True
        else:
            if last_day - start == int(MAX_DAYS.value) < case.day_count - start:
                days[:], endless = False, True  # what never clears has another cause
    for n, days in spells.items():
        _back_whole(n, days, inputs, sky, _usual(n, start, inputs, sky))
        while days.any() and not np.isfinite(share[last := int(np.flatnonzero(days)[-1]), n]) and not sky.asleep[last, n]:
            days[last] = False  # no row of it that day
    return spells, endless


def _last_together(spells: dict[int, Mask], start: int) -> int | None:
    """The last day of a spell, by most of its inputs and some days of grace; None without a covered day.

    Drops, in place, the days of inputs that lie on after their siblings have been clear
    for days: those have another cause.
    """
    ends = np.array([np.flatnonzero(s)[-1] if s.any() else start - 1 for s in spells.values()])
    if not (ends >= start).any():
        return None
    latest = int(np.median(ends[ends >= start])) + LATEST_DAYS
    for days, end in zip(spells.values(), ends.tolist(), strict=True):
        days[latest + 1 if end <= latest else 0 :] = False
    return latest


def _ends_apart(case: Case, spells: dict[int, Mask], start: int, share: Floats) -> bool:
    """Whether inputs came free one after the other; ``share`` [D, M] is theirs of clear sky.

    Adds, in place, the mornings on which the snow slid off.
    """
    ends = {int(np.flatnonzero(days)[-1]) for days in spells.values() if days[start:].any()}
    uneven = len(ends) > 1 or _one_by_one(share, max(ends))
    for n, days in spells.items():
        end = int(np.flatnonzero(days)[-1]) if days.any() else -1
        for d in (end, end + 1) if days.any() else ():
            if start < d < case.day_count and _slid(case, n, d):
                days[d] = uneven = True
    return uneven


def _patchy(spells: dict[int, Mask], inputs: np.ndarray, sky: Sky) -> bool:
    """Whether members of a plane, beside what they usually make of each other, lay far apart on most days of a spell.

    One cloud takes the same part from all; a cover is thicker here and thinner there.
    """
    share = sky.share[:, inputs]
    if np.isfinite(share).any(axis=0).sum() < PATCHY_LEAST.value:
        return False
    covered = np.any(list(spells.values()), axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        beside = share / row_quantile(share, 0.5)[:, None]
    free = ~covered & (sky.best(inputs) > BRIGHT.value)
    if not free.any():
        return False
    usual = np.array([median_of(own[np.isfinite(own)]) for own in beside[free].T])
    apart = []
    for d in np.flatnonzero(covered & np.isfinite(sky.plane).any(axis=1)).tolist():
        level = beside[d] / usual
        level = level[np.isfinite(level)]
        if len(level) >= PATCHY_LEAST.value:
            apart.append(quantile_of(level, 0.8) - quantile_of(level, 0.2) >= PATCHY.value)
    return bool(apart) and sum(apart) > 0.5 * len(apart)


def _ill_before(case: Case, n: int, start: int, asleep: Mask) -> bool:
    """Whether the input was down on the days before the snow while its plane was not, which was ``asleep`` or dark on some, [D]."""
    hours = case.table["symptom_slots"][:, n].sum(axis=1)
    before = [d for d in range(max(0, start - 3), start) if case.table["lit_h"][d, n] > 1 and not asleep[d]]
    return bool(before) and all(hours[d] > 0.7 * case.table["lit_h"][d, n] for d in before)


def _whole(case: Case, p: int, d: int) -> float:
    """What a plane made of all of a day's clear-sky energy, whether heard or not."""
    made, clear = case.table["plane_typical"][d, p].sum(), case.table["plane_clear_all"][d, p].sum()
    return float(made / max(clear, 1e-6))


def _usual(n: int, start: int, inputs: np.ndarray, sky: Sky) -> float:
    """What an input made of the best of its plane on the bright days before a spell, 1 at most: a weak one always stays behind."""
    best = sky.best(inputs)[:start]
    well = np.flatnonzero((best > DARK.value) & np.isfinite(sky.share[:start, n]))[-5:]
    return min(1.0, float(np.median(sky.share[well, n] / best[well]))) if well.size else 1.0


def _free_early(case: Case, n: int, d: int, inputs: np.ndarray, sky: Sky) -> bool:
    """Whether an input that was hardly heard on a day made in the day's first third what its best sibling made of that day."""
    clear = case.table["clear"][d, n]
    whole = np.cumsum(case.table["plane_clear_all"][d, case.plane_of[n]])
    early = whole < whole[-1] / 3.0
    best = float(np.nanmax(np.append(np.where(sky.asleep[d, inputs], np.nan, sky.share[d, inputs]), 0.0)))
    owed = float(clear[early].sum())
    return owed > 0.0 and best > 0.0 and float(case.table["power"][d, n, early].sum()) > LOW.value * best * owed


def _one_by_one(share: Floats, last: int) -> bool:
    """Whether members of a plane, shares [D, M], were far apart on the last day of a spell and alike on the next."""
    if last + 1 >= len(share) or not np.isfinite(share[last : last + 2]).all() or share.shape[1] < 2:
        return False
    (low, low_next), (high, high_next) = share[last : last + 2].min(axis=1), share[last : last + 2].max(axis=1)
    return bool(high > DARK.value and low < LOW.value * high and high_next > DARK.value and low_next > BACK.value * high_next)


def _back_whole(n: int, days: Mask, inputs: np.ndarray, sky: Sky, usual: float) -> None:
    """Drop, in place, the days of an input that stayed behind and never recovered fully: that has another cause."""
    if not days.any():
        return
    end = int(np.flatnonzero(days)[-1])
    best = sky.best(inputs)
    after = np.arange(end + 1, min(len(days), end + 1 + int(MAX_DAYS.value)))
    after = after[(best[after] > BRIGHT.value) & np.isfinite(sky.share[after, n])]
    if after.size < BACK_DAYS.value or np.median(sky.share[after, n] / best[after]) >= BACK.value * usual:
        return
    days[np.nan_to_num(sky.share[:, n], nan=1.0) < LOW.value * best] = False


def _alone_asleep(case: Case, inputs: np.ndarray) -> Mask:
    """Days on which every unit of some inputs was silent while its gateway heard others, [D]."""
    units = np.unique(case.unit_of[inputs])
    own, lit = case.table["own_missing_h"][:, units], case.table["unit_lit_h"][:, units]
    out: Mask = (own > ASLEEP.value * lit).all(axis=1) & (lit.min(axis=1) > 0)
    return out


def _heard_enough(case: Case, p: int, sky: Sky) -> Mask:
    """Days on which rows of a plane speak for it though its units slept now and then, [D].

    They cover most of the light, or make next to nothing of it where a sensor sees the sun: a bad link's rows hold full power.
    """
    heard, whole = case.table["plane_clear"][:, p].sum(axis=1), case.table["plane_clear_all"][:, p].sum(axis=1)
    most = (whole > 0.0) & (heard >= HEARD.value * whole)
    with np.errstate(invalid="ignore"):
        dark = (sky.plane[:, p] < COVERED.value) & (sky.expected[:, p] > BRIGHT.value)
    return np.asarray(most | dark if sky.trusted else most)


def _awake_before(n: int, start: int, inputs: np.ndarray, sky: Sky) -> bool:
    """Whether an input was heard on the last day before on which anybody of its plane was."""
    heard = np.flatnonzero(~sky.asleep[:start, inputs].all(axis=1))
    return bool(heard.size) and not sky.asleep[heard[-1], n]


def _reach_back(case: Case, p: int, start: int, spells: dict[int, Mask], returning: bool, cold: Mask, sky: Sky) -> None:
    """Add, in place, the days before the one that shows the snow: those on which it lay unseen, and the day it fell."""
    first = start
    asleep: Mask = np.all(sky.asleep[:, list(spells)], axis=1)
    dark = asleep | (np.nan_to_num(sky.plane[:, p], nan=1.0) < TRICKLE.value)
    while first > 0 and dark[first - 1] and cold[first - 1] and start - first < MAX_DAYS.value:
        first -= 1
    while first < start and not asleep[first]:
        first += 1
    if first < start and (first == 0 or counted_share(case, np.array(list(spells)), first, sky) >= STOOD.value):
        first = start
    for n, days in spells.items():
        days[first:start] = (days[start] or returning) and bool(np.isfinite(sky.share[:first, n]).any())
    start = first
    if returning:
        while first > 0 and start - first < LATEST_DAYS and cold[first - 1] and sky.plane[first - 1, p] <= DARK.value:
            first -= 1
        # An input that was free on the day itself lay under a thin cover before only if the light fell at once.
        well = sky.plane[first - 1, p] if first > 0 else np.nan
        sudden = bool(first < start and sky.plane[first, p] < FELL.value * well)
        for days in spells.values():
            days[first:start] = days[start] or sudden
    if first == 0 or not cold[first - 1] or returning:
        return
    d, bad = first - 1, (MISSING, STANDBY, IDLE, DARK_ROWS)
    expected = float(sky.expected[d, p])
    for n, days in spells.items():
        if not days[first] or not case.table["lit_h"][d, n] > 0.5:
            continue
        share = float(sky.share[d, n])
        still = case.table["symptom_slots"][d, n][list(bad)].sum() > STILL.value * case.table["lit_h"][d, n]
        low = sky.trusted and expected > 0.05 and share < LOW.value * expected
        days[d] = bool(still or low or _evening(case, n, d) < sky.cover(d, p))


def _slid(case: Case, n: int, d: int) -> bool:
    """Whether an input made a trickle in good morning light and then, within the hour, its share: the snow slid off."""
    clear, power = case.table["clear"][d, n], case.table["power"][d, n]
    light = np.flatnonzero(clear > SLID_LIGHT.value * BIN_HOURS)
    if light.size < 5:
        return False
    ratio = power[light] / clear[light]
    under = int(np.argmax(ratio > SLID_UNDER.value)) if (ratio > SLID_UNDER.value).any() else light.size
    width = max(BIN_HOURS, float(case.table["step_s"][d]) / 3600.0)
    return bool(under * width >= SLID_HOURS.value and (ratio[under : under + 3] >= SLID_FREE.value).any())


def _evening(case: Case, n: int, d: int) -> float:
    """Share of clear-sky energy an input made over the last third of a day's light; 1 where not told."""
    clear = case.table["clear"][d, n]
    total = np.cumsum(clear)
    if total[-1] <= 0.3:
        return 1.0
    late = total > 2 / 3 * total[-1]
    return float(case.table["power"][d, n, late].sum() / max(clear[late].sum(), 1e-6))
