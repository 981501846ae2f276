"""soiling: output sinks slowly and comes back with rain or cleaning.

On the roof: dust, pollen, soot, droppings. Uneven over a plane it shows against
siblings; even, it shows only against clear sky or a sensor.

Looks at: the day level against siblings, and the plane's clear-day level
against expectation: a slow steady fall over a week or more, and steps back up.
What fell on one module at a stroke shows when the rain takes it (:mod:`rules.spells`).
Columns: ``dc_power_w`` or what it can be derived from.

Looks the same: ``weak-input`` (no slope), ``shading`` by a growing tree (bound
to sun position), the season (expectation takes it out only roughly: even
soiling without a sensor is judged with low confidence).
"""

from __future__ import annotations

from dataclasses import replace
from statistics import median

import numpy as np

from rules.alongmembers import Sunk
from rules.candidate import Candidate, RuleResult, Unjudged
from rules.case import Case
from rules.cleanest import beside_clean
from rules.days import runs_of
from rules.finding import Alternative, Threshold
from rules.levels import Levels, Segment, deficit_wh
from rules.ontime import on_time
from rules.planelevel import BRIGHT_DAYS, plane_level, sunless_days
from rules.ranks import Floats, Mask, median_of, row_quantile
from rules.resistance import resistive
from rules.sawteeth import FLAT, MIN_RESET, TOOTH, Teeth, at_once, from_onset, saw_teeth
from rules.siblings import nan_median
from rules.sinkingplanes import OWN, SENSOR_FASTEST, SURE, sinking_planes
from rules.spells import Spell, spells
from rules.witnessed import witnessed

COLUMNS = ("dc_power_w",)
NO_RAIN = Threshold(35, "days", "own reasoning: five weeks of dust on one module alone, and no rain that takes any")
SEVERAL = Threshold(3, "inputs", "own reasoning: parts age one by one, dust falls on several at once")
WITH_SKY = Threshold(0.5, "of the level's variance", "own reasoning: the sky changes from day to day, dirt grows over weeks")
IN_SUN = Threshold(0.5, "of the day's light", "own reasoning: most of it came with the sun out")
IN_DULL = Threshold(0.35, "of the day's light", "own reasoning: what a shadow takes is then a third and less")
DULL_DAYS = Threshold(3, "dull days", "own reasoning: two may agree by chance")
SHADE_SLOPE = Threshold(0.003, "per day", "own reasoning: the sun's path moves by a tenth in a month, and shadows with it")
STAYS = Threshold(0.5, "of what sunny days lack", "own reasoning: dirt takes as much of a dull sky, a shadow nearly nothing")
WASHED_SOME = Threshold(0.45, "of the drop", "own reasoning: a rain takes half of the dirt at least")
NO_SENSOR = "no irradiance sensor: dirt shows only beside cleaner siblings, or where it is deep"
DULL_RECORD = "too few bright days to see dirt gather"
TURNED = "turned from the sun these weeks: dirt that all of the plane shares does not show"
_LEFT_BY_RAIN = 0.12  # of the drop; rain leaves between nothing and a third (from memory)
_SEEN = 0.015  # ratio below clean: less can't be told from the scatter


def judge(case: Case) -> RuleResult:
    """Candidates for inputs that sink against siblings, and planes that sink together."""
    result = RuleResult()
    levels, told = beside_clean(case), witnessed(case)
    drifting: list[Candidate] = []
    for ref in case.inputs:
        n = ref.index
        if case.members[n] < 2 or n in resistive(case):
            continue  # dirt takes a share at any power
        level = np.where(told[:, n], levels.level[:, n], np.nan)
        teeth = _gathered(level, float(levels.noise[n]))
        if teeth and _as_dirt(case, n, teeth, levels):
            found = drifting if _drifts(teeth) else result.candidates
            found.append(_candidate(case, (n,), None, teeth, level, levels.scale[:, n], float(levels.spread[n]), ref.label))
        elif n in spells(case) and spells(case)[n].rained:
            result.candidates.append(_dropped(case, n, spells(case)[n]))
    sure, drifting = list(result.candidates), drifting if len(drifting) >= SEVERAL.value else []
    singles = [*sure, *drifting]
    # A clock that is off sets power beside another hour's light, the sensor's or the clear sky's.
    for p, teeth, level in sinking_planes(on_time(case), _beside(case, sure, levels)):
        inputs = tuple(int(n) for n in np.flatnonzero(case.plane_of == p))
        whole = _candidate(case, inputs, case.names[p], teeth, level, np.ones(case.day_count), None, f"Plane {case.names[p]}")
        beside = [c for c in sure if c.inputs[0] in inputs]
        if len(beside) >= 0.2 * len(inputs) and median_of(np.array([c.evidence["drop"] for c in beside])) > OWN * teeth.drop:
            continue  # some are as deep below their siblings as the plane below the sky: the others are clean
        # That the plane is dirty is as sure as that its dirtiest members are.
        if len(beside) > 1:
            whole = replace(whole, strength=max(whole.strength, *(c.strength for c in beside)))
        # What its dirtier members lose is part of the plane's loss.
        singles = [c for c in singles if c.inputs[0] not in inputs or (c.days & whole.days).sum() < 0.3 * c.days.sum()]
        result.candidates.append(whole)
    result.candidates = [*singles, *(c for c in result.candidates if c.plane is not None)]
    result.unjudged = _out_of_sight(case, {c.plane for c in result.candidates})
    return result


def _out_of_sight(case: Case, told: set[str | None]) -> list[Unjudged]:
    """Inputs of planes, none of them ``told`` dirty, whose own dirt could not show, or that of all alike."""
    days = int(case.light_days.sum())
    out: list[Unjudged] = []
    for p, name in enumerate(case.names if days else ()):
        if name in told:
            continue
        mine = np.flatnonzero(case.plane_of == p).tolist()
        if not case.sensor_trust[0]:
            out += [Unjudged(n, "soiling", NO_SENSOR, days) for n in mine]
        elif sunless_days(case, p).sum() > 0.5 * days:
            out += [Unjudged(n, "soiling", TURNED, days) for n in mine]
        elif np.isfinite(plane_level(case, p)[0]).sum() < BRIGHT_DAYS.value:
            out += [Unjudged(n, "soiling", DULL_RECORD, days) for n in mine]
    return out


def _gathered(level: Floats, noise: float) -> Teeth | None:
    """The saw-tooth in an input's course of levels, [D], from the day on which dirt begins to gather.

    A failing part may hold its level and then sink as well: so a rain must have given back what was lost.
    """
    teeth = saw_teeth(level, noise, SURE.value)
    late = from_onset(teeth, level, noise) if teeth and teeth.resets else None
    if teeth is None or late is None or late.sure < SURE.value or at_once(late, level):
        return teeth
    return late if teeth.washed >= WASHED_SOME.value * late.drop else teeth


def _dropped(case: Case, n: int, spell: Spell) -> Candidate:
    """What fell on one module at a stroke and went with the rain."""
    return Candidate(
        fault="soiling",
        scope="input",
        inputs=(n,),
        days=spell.days,
        loss_wh=deficit_wh(case, n, spell.days, spell.before),
        strength=0.85,
        why=(
            f"{case.inputs[n].label} made a steady {100 * spell.fall:.0f} % less than before for {int(spell.days.sum())} days "
            "and all of it again after a dull day: something lay on it until the rain."
        ),
        evidence={"drop": round(spell.fall, 3), "resets": 1},
        alternatives=(Alternative("weak-input", 0.25, "Whether somebody mended something that day: modules do not heal."),),
        lasting=True,
    )


def _beside(case: Case, singles: list[Candidate], levels: Levels) -> dict[int, Sunk]:
    """Members that sank below their siblings, by plane. One alone that no rain washed may have a fault of its own."""
    sunk: dict[int, list[Candidate]] = {}
    for c in singles:
        sunk.setdefault(int(case.plane_of[c.inputs[0]]), []).append(c)
    out = {}
    for p, found in sunk.items():
        if len(found) > 1 or found[0].evidence["resets"]:
            level = levels.level[:, [c.inputs[0] for c in found]]
            out[p] = Sunk(median(c.evidence["drop"] for c in found), nan_median(row_quantile(level.T, 0.9)[None] - level, 1))
    return out


def _drifts(teeth: Teeth) -> bool:
    """Whether an input sank for weeks on end without a step up after rain: a part that ages, not dirt."""
    if len(teeth.parts) > 2 and teeth.resets > 1:
        return False  # small rains took what little there was, and it went on sinking at the same rate
    days = np.concatenate([s.days for s in teeth.parts])
    return teeth.washed < WASHED_SOME.value * teeth.drop and float(np.ptp(days)) >= NO_RAIN.value


def _as_dirt(case: Case, n: int, teeth: Teeth, levels: Levels) -> bool:
    """Whether an input sinks as dirt makes it sink, not as a failing part, a sudden fault or a shadow does."""
    level = levels.level[:, n]
    bends = _bends(teeth, levels.segments[n], level, float(levels.noise[n]))
    fast = -teeth.slope > SENSOR_FASTEST.value
    return not (bends or fast or goes_with_sky(case, n, level) or only_in_sun(case, n, teeth.clean, level))


def goes_with_sky(case: Case, n: int, level: Floats) -> bool:
    """Whether an input's level, [D], follows how sunny each day was: something hides the sun or part of the sky from it."""
    sunny = _sunny(case, n)
    days = np.isfinite(level) & np.isfinite(sunny)
    y, x = level[days] - level[days].mean(), sunny[days] - sunny[days].mean()
    both = float(x @ y)
    return both > 0.0 and both**2 >= WITH_SKY.value * float(x @ x) * float(y @ y)


def _sunny(case: Case, n: int) -> Floats:
    """How much of an input's light of each day came with the sun out, [D]; NaN without light."""
    owed = case.witness[:, n]
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray((np.nan_to_num(case.clear_weight) * owed).sum(axis=1) / owed.sum(axis=1))


def only_in_sun(case: Case, n: int, clean: float, level: Floats) -> bool:
    """Whether an input's level, [D], recovers on dull days and is low on the next sunny one: a shadow, for dust falls slower."""
    sunny, lacks = _sunny(case, n), clean - level
    known = np.isfinite(level) & np.isfinite(sunny)
    bright, dull = np.flatnonzero(known & (sunny >= IN_SUN.value)), np.flatnonzero(known & (sunny <= IN_DULL.value))
    at = np.searchsorted(bright, dull)
    dull, at = (x[(at > 0) & (at < len(bright))] for x in (dull, at))
    before, after = bright[at - 1], bright[at]
    owed = np.minimum(lacks[before], lacks[after])
    back = lacks[after] - lacks[dull] > SENSOR_FASTEST.value * (after - dull) + 0.5 * _SEEN
    hidden = back & (lacks[dull] < STAYS.value * owed)
    return bool(hidden.sum() >= max(DULL_DAYS.value, 0.5 * (owed >= 2.0 * _SEEN).sum()))


def _bends(teeth: Teeth, parts: list[Segment], level: Floats, noise: float) -> bool:
    """Whether the level holds still before or after it sinks, with no rain between: a part that fails, not dirt."""
    sinks = [k for k, s in enumerate(parts) if len(s.days) > TOOTH and s.slope < FLAT * teeth.slope]
    for k, s in enumerate(parts):
        if len(s.days) < TOOTH + 1 or s.slope < FLAT * teeth.slope:
            continue
        if sinks and sinks[0] < k < sinks[-1]:
            continue  # it sinks again afterwards: rain or chance, not a contact that has failed for good
        # Small rains hold a level up too, tooth by tooth.
        if np.max(np.diff(level[s.days]), initial=0.0) > max(MIN_RESET.value, 4.0 * noise):
            continue
        beside = [t for t in teeth.parts if t.days[0] < s.days[0] <= t.days[-1] or t.days[0] <= s.days[-1] < t.days[-1]]
        if any(len(np.intersect1d(t.days, s.days)) == len(s.days) for t in beside):
            return True
    return False


def _clean(teeth: Teeth, spread: float | None) -> float:
    """The level without any dirt: after rain, or where siblings stand, whichever is known better.

    Parameters
    ----------
    spread : of healthy siblings' levels; None for a whole plane, that has none.
    """
    # The best of several rains leaves less.
    left = _LEFT_BY_RAIN * teeth.drop / max(teeth.resets, 1)
    if spread is None:
        return teeth.clean + (left if teeth.resets else 0.0)
    if not teeth.resets:
        return max(teeth.clean, 1.0)
    rain, others = 1.0 / max(0.6 * left, 0.004) ** 2, 1.0 / spread**2
    return max(teeth.clean, ((teeth.clean + left) * rain + others) / (rain + others))


def _below_clean(teeth: Teeth, level: Floats, clean: float) -> tuple[Floats, Mask]:
    """How far a course of levels, [D], lies below clean on the days of the teeth and those joined to them; and the dirty days."""
    below, dirty = np.zeros(len(level)), np.zeros(len(level), bool)
    known = np.flatnonzero(np.isfinite(level))
    inside = np.arange(known[0], known[-1] + 1)
    under = np.clip(clean - np.interp(inside, known, level[known]), 0, None)
    low = under > _SEEN
    in_teeth = np.zeros(len(inside), bool)
    for s in teeth.parts:
        in_teeth |= (inside >= s.days[0]) & (inside <= s.days[-1])
    for first, last in runs_of(low | in_teeth):
        if not in_teeth[first : last + 1].any():
            low[first : last + 1] = False
    below[inside], dirty[inside] = np.where(low | in_teeth, under, 0.0), low
    return below, dirty


def _outruns_shade(teeth: Teeth, plane: str | None) -> bool:
    """Whether something sinks faster than a shadow that moves with the season makes it.

    A plane, of which the middle of its hours counts, even where no rain gave anything back.
    """
    fast = teeth.by_wash or -teeth.slope >= SHADE_SLOPE.value * (1.0 if teeth.resets else 2.0)
    return fast and (teeth.resets > 0 or plane is not None)


def _candidate(
    case: Case,
    inputs: tuple[int, ...],
    plane: str | None,
    teeth: Teeth,
    level: Floats,
    scale: Floats,
    spread: float | None,
    who: str,
) -> Candidate:
    """What sank: an input, or a ``plane`` by name.

    Parameters
    ----------
    level : its course of levels, [D], in which the teeth were found; NaN where not judged.
    scale : [D], what a level of 1 is of the siblings' power.
    spread : of healthy siblings' levels; None for a plane.
    """
    below, dirty = _below_clean(teeth, level, _clean(teeth, spread))
    energy = sum(case.witness[:, n].sum(axis=1) * case.rated[n] for n in inputs)
    if plane is None:
        lost = below * np.where(np.isfinite(scale), scale, 1.0)
    else:
        lost = below / np.maximum(_clean(teeth, spread) - below, 0.1)
    gathered = "lay" if teeth.by_wash else f"sank by {-100 * teeth.slope:.2f} % a day to"
    return Candidate(
        fault="soiling",
        scope="plane" if plane is not None else "input",
        inputs=inputs,
        days=dirty,
        loss_wh=lost * energy,
        strength=float(np.clip(0.7 + 0.02 * teeth.sure + 0.1 * min(teeth.resets, 2), 0, 0.98)) * (1.0 if plane is None else 0.85),
        why=(
            f"{who} {gathered} {100 * teeth.drop:.0f} % below clean"
            + (" until a dull day, and made all of it again from the next day on." if teeth.by_wash else
               f" and came back {teeth.resets} times." if teeth.resets > 1 else
               " and came back once." if teeth.resets else ".")
        ),
        evidence={"drop": round(teeth.drop, 3), "resets": teeth.resets}
        | ({} if teeth.by_wash else {"slope_per_day": round(teeth.slope, 5), "sure": round(teeth.sure, 1)}),
        alternatives=(
            Alternative("weak-input", 0.15, "The level after the next good rain: dirt goes, weakness stays."),
            Alternative("shading", 0.1, "Whether the loss is the same at every hour: a growing tree bites at its own hours."),
        ),
        plane=plane,
        lasting=True,
        despite=(
            *(("shading",) if _outruns_shade(teeth, plane) else ()),
            # A plane's levels are taken with its clock put right, and without days on which the grid or an order held it.
            *(("clock-shift", "grid-out-of-range", "curtailment") if plane is not None else ()),
        ),
    )  # fmt: skip
