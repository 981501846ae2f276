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

from rules.candidate import Candidate, RuleResult
from rules.case import Case
from rules.cleanest import beside_clean
from rules.days import runs_of
from rules.finding import Alternative, Threshold
from rules.levels import Levels, Segment, deficit_wh
from rules.ontime import on_time
from rules.planelevel import SENSOR_DROP, plane_level, plane_scatter
from rules.ranks import Floats, median_of
from rules.resistance import resistive
from rules.sawteeth import FLAT, MIN_RESET, TOOTH, Teeth, at_once, from_onset, line_of, saw_teeth, spread_teeth
from rules.spells import Spell, spells
from rules.witnessed import witnessed

COLUMNS = ("dc_power_w",)
SURE = Threshold(6.0, "standard errors of the slope", "own reasoning: levels are no independent draws; 2 would do if they were")
PLANE_SURE = Threshold(6.7, "standard errors of the slope", "own reasoning: a plane's level scatters with the day's sky")
BESIDE_SURE = Threshold(4.0, "standard errors of the slope", "own reasoning: with members that sink, only to tell how many do")
PLANE_DROP = Threshold(0.08, "ratio", "common practice: sensors and sky models agree within some 5 % over weeks")
PLANE_FASTEST = Threshold(0.013, "per day", "field studies: up to some 1 % a day in dry deserts (from memory), and our error")
SENSOR_SURE = Threshold(8.0, "standard errors of the slope", "own reasoning: no rain to speak for it, so surer than with one")
DRY_SLOPE = Threshold(0.0012, "per day", "own reasoning: a tenth of a sensor's or model's scale in three months may be its season")
SENSOR_FASTEST = Threshold(0.02, "per day", "own reasoning: a dust storm; faster is snow, a clock or a fault")
NO_RAIN = Threshold(35, "days", "own reasoning: five weeks of dust on one module alone, and no rain that takes any")
SEVERAL = Threshold(3, "inputs", "own reasoning: parts age one by one, dust falls on several at once")
WITH_SKY = Threshold(0.5, "of the level's variance", "own reasoning: the sky changes from day to day, dirt grows over weeks")
IN_SUN = Threshold(0.5, "of the day's light", "own reasoning: most of it came with the sun out")
IN_DULL = Threshold(0.35, "of the day's light", "own reasoning: what a shadow takes is then a third and less")
DULL_DAYS = Threshold(3, "dull days", "own reasoning: two may agree by chance")
TOLD = Threshold(0.7, "of the days", "own reasoning: a plane that tells of itself on fewer is not known to sink with the others")
HIGHEST = Threshold(1.25, "of the usual best", "own reasoning: best days are nearly clean; who makes far more was expected wrongly")
SHADE_SLOPE = Threshold(0.003, "per day", "own reasoning: the sun's path moves by a tenth in a month, and shadows with it")
STAYS = Threshold(0.5, "of what sunny days lack", "own reasoning: dirt takes as much of a dull sky, a shadow nearly nothing")
GUESSED_DROP = Threshold(0.18, "ratio", "own reasoning: nearly twice what a guessed sky may be off by")
ALONE_DROP = Threshold(0.25, "ratio", "own reasoning: a guessed sky may be off by a tenth, and another plane's the other way")
GUESSED_SLOPE = Threshold(0.004, "per day", "own reasoning: a guessed sky may be off by a tenth after some weeks of another season")
WASHED_SOME = Threshold(0.45, "of the drop", "own reasoning: a rain takes half of the dirt at least")
WASHED = Threshold(0.7, "of the drop", "own reasoning: one good rain takes most of the dirt, no haze goes overnight for good")
_LEFT_BY_RAIN = 0.12  # of the drop
_OWN = 0.7  # of the plane's drop: where all are dirty, the dirtier stand out by less
_SEEN = 0.015  # ratio under clean: less can't be told from the scatter


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
    for p, teeth, level in _sinking_planes(on_time(case), _beside(case, sure)):
        inputs = tuple(int(n) for n in np.flatnonzero(case.plane_of == p))
        whole = _candidate(case, inputs, case.names[p], teeth, level, np.ones(case.day_count), None, f"Plane {case.names[p]}")
        beside = [c for c in sure if c.inputs[0] in inputs]
        if len(beside) >= 0.2 * len(inputs) and median_of(np.array([c.evidence["drop"] for c in beside])) > _OWN * teeth.drop:
            continue  # as deep beside their siblings as the plane under the sky: the others are clean
        # That there is dirt is as sure as of its dirtiest members.
        if len(beside) > 1:
            whole = replace(whole, strength=max(whole.strength, *(c.strength for c in beside)))
        # Beside the plane's own loss its dirtier members are no second one.
        singles = [c for c in singles if c.inputs[0] not in inputs or (c.days & whole.days).sum() < 0.3 * c.days.sum()]
        result.candidates.append(whole)
    result.candidates = [*singles, *(c for c in result.candidates if c.plane is not None)]
    return result


def _gathered(level: Floats, noise: float) -> Teeth | None:
    """The saw-tooth in an input's course of levels, [D], from the day on which dirt begins to gather.

    A part that fails may stay and then sink, too: a rain must have given back what was lost.
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


def _beside(case: Case, singles: list[Candidate]) -> dict[int, float]:
    """By how much members sank beside their siblings, by plane: the middle one's drop. One alone may have a fault of its own."""
    drops: dict[int, list[float]] = {}
    for c in singles:
        drops.setdefault(int(case.plane_of[c.inputs[0]]), []).append(c.evidence["drop"])
    return {p: median(values) for p, values in drops.items() if len(values) > 1}


def _sinking_planes(case: Case, beside: dict[int, float]) -> list[tuple[int, Teeth, Floats]]:
    """Planes that sink against expectation, each with its course of levels, [D].

    Dust falls on the whole roof: what all planes show together speaks for one
    that scatters too much to tell, if it sinks too. ``beside`` is :func:`_beside`.
    """
    levels = [plane_level(case, p) for p in range(len(case.names))]
    found = [
        _convincing(case, _teeth_of(level, noise, PLANE_SURE.value)) or _dirtier(case, level, noise, beside.get(p))
        for p, (level, noise) in enumerate(levels)
    ]
    if len(levels) > 1 and not all(found):
        # Against a sensor each plane scatters by itself, and its variance tells its worth; under a guessed sky all err together.
        size = np.bincount(case.plane_of, minlength=len(levels)).astype(float)
        worth = np.array([noise**-2 for _, noise in levels]) if case.sensor_trust[0] else size
        even = np.stack([level / median_of(level[np.isfinite(level)]) for level, _ in levels])
        weight = np.where(np.isfinite(even), worth[:, None], 0.0)
        share = weight.sum(axis=0) / worth.sum()
        roof = np.where(share > 0.5, (np.nan_to_num(even) * weight).sum(axis=0) / np.maximum(weight.sum(axis=0), 1e-9), np.nan)
        noise = plane_scatter(roof)
        deepest = max(beside.values(), default=None)
        teeth = _convincing(case, _teeth_of(roof, noise, PLANE_SURE.value)) or _dirtier(case, roof, noise, deepest)
        if teeth:
            for p, (level, _) in enumerate(levels):
                if found[p] is None and _slope_along(teeth, level) <= FLAT * teeth.slope and _told_along(teeth, level):
                    found[p], levels[p] = teeth, (roof, noise)
    # A fall of one plane alone, that no rain ever ended, is its own expectation gone wrong.
    for p, teeth in enumerate(list(found)):
        if teeth and not teeth.resets and len(levels) > 1:
            others = [_slope_along(teeth, level) for q, (level, _) in enumerate(levels) if q != p]
            if all(slope > FLAT * teeth.slope for slope in others) and not _deep(teeth):
                found[p] = None
    # Dust falls on all planes: what a guessed sky says of one among several is an error of that guess, unless rain ended it.
    if not case.sensor_trust[0] and 2 * sum(map(bool, found)) < len(found):
        found = [teeth if teeth and (teeth.resets or _deep(teeth)) else None for teeth in found]
    return [(p, teeth, levels[p][0]) for p, teeth in enumerate(found) if teeth]


def _deep(teeth: Teeth) -> bool:
    """Whether a fall is surely further than another plane's sky or a season may be off."""
    return teeth.drop >= ALONE_DROP.value and teeth.sure >= SENSOR_SURE.value


def _teeth_of(level: Floats, noise: float, least: float) -> Teeth | None:
    teeth = saw_teeth(level, noise, least, whole=True)
    if teeth is None or at_once(teeth, level):
        teeth = spread_teeth(level, noise, least)
    return None if teeth is None or at_once(teeth, level) else teeth


def _dirtier(case: Case, level: Floats, noise: float, beside: float | None) -> Teeth | None:
    """The teeth of a plane or roof that sinks by more than members of it do beside their siblings; None if none do.

    Members that sink tell of dust, whatever the sky: the plane's own fall needs less certainty then.

    Parameters
    ----------
    level : [D], NaN where not judged; ``noise`` its scatter.
    beside : how far the members sank, ratio.
    """
    teeth = None if beside is None else _teeth_of(level, noise, BESIDE_SURE.value)
    if beside is None or teeth is None or beside > _OWN * teeth.drop or teeth.drop < SENSOR_DROP.value:
        return None
    fastest = SENSOR_FASTEST if case.sensor_trust[0] else PLANE_FASTEST
    return teeth if -teeth.slope <= fastest.value else None


def _convincing(case: Case, teeth: Teeth | None) -> Teeth | None:
    """The teeth of a plane or roof, if no haze, season or sensor explains them."""
    if teeth is None or not (teeth.resets or teeth.sure >= SURE.value):
        return None
    if not teeth.resets and -teeth.slope < DRY_SLOPE.value:
        return None  # a season's or a sensor's drift
    washed = teeth.washed >= WASHED.value * teeth.drop
    # A sensor that the inputs agree with knows haze and season: a plain fall against it, or what a rain gave back,
    # is no guess of ours.
    given_back = teeth.resets > 0 and washed and teeth.washed >= SENSOR_DROP.value
    measured = case.sensor_trust[0] and (teeth.sure >= SENSOR_SURE.value or given_back)
    if case.sensor_trust[0] and teeth.clean > HIGHEST.value:
        return None
    if measured and teeth.drop >= SENSOR_DROP.value:
        return teeth if -teeth.slope <= SENSOR_FASTEST.value else None
    if teeth.drop < PLANE_DROP.value:
        return None
    # No dust falls on a whole roof so fast: a wrong plane, clock or sensor does that.
    if -teeth.slope > PLANE_FASTEST.value:
        return None
    # Haze and season bend a guessed expectation: only a long plain fall or several resets convince.
    long = max(len(s.days) for s in teeth.parts)
    if teeth.resets < 2 and teeth.drop < 1.5 * PLANE_DROP.value and not (washed and case.sensor_trust[0]):
        return None
    # A change from broken to clear weather or from haze looks like one step up: the rain takes most of the dirt.
    if teeth.resets == 1 and not washed:
        return None
    # Nor does one step up make a fall surer against a guessed sky.
    if not case.sensor_trust[0] and teeth.resets < 2 and teeth.sure < PLANE_SURE.value:
        return None
    plain = teeth.resets > 0 or -teeth.slope >= GUESSED_SLOPE.value or teeth.drop >= GUESSED_DROP.value
    if not case.sensor_trust[0] and (long < 8 or not plain):
        return None
    return teeth


def _slope_along(teeth: Teeth, level: Floats) -> float:
    """Slope of another course over the same teeth, per day; 0 if it says nothing."""
    top = bottom = 0.0
    for s in teeth.parts:
        days = s.days[np.isfinite(level[s.days])]
        if len(days) >= TOOTH:
            moment, slope, _ = line_of(days.astype(float), level[days])
            top, bottom = top + slope * moment, bottom + moment
    return top / bottom if bottom else 0.0


def _told_along(teeth: Teeth, level: Floats) -> bool:
    """Whether another course, [D], is known on as good as all days of the teeth: it tells for itself whether it sinks."""
    return float(np.isfinite(level[np.concatenate([s.days for s in teeth.parts])]).mean()) >= TOLD.value


def _drifts(teeth: Teeth) -> bool:
    """Whether an input sank for weeks on end and no rain showed in it: a part that ages, not dirt."""
    if len(teeth.parts) > 2 and teeth.resets > 1:
        return False  # small rains took the little there was, and it sank on at the one rate
    days = np.concatenate([s.days for s in teeth.parts])
    return teeth.washed < WASHED_SOME.value * teeth.drop and float(np.ptp(days)) >= NO_RAIN.value


def _as_dirt(case: Case, n: int, teeth: Teeth, levels: Levels) -> bool:
    """Whether an input sinks as dirt makes it, and as no part that fails, no fault at a stroke and no shadow does."""
    level = levels.level[:, n]
    bends = _bends(teeth, levels.segments[n], level, float(levels.noise[n]))
    fast = -teeth.slope > SENSOR_FASTEST.value
    return not (bends or fast or _goes_with_sky(case, n, level) or _only_in_sun(case, n, teeth, level))


def _goes_with_sky(case: Case, n: int, level: Floats) -> bool:
    """Whether an input's level, [D], follows how much of each day was sunny: part of the sky is hidden from it, or its sun."""
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


def _only_in_sun(case: Case, n: int, teeth: Teeth, level: Floats) -> bool:
    """Whether an input's level, [D], is whole on dull days and low again on sunny ones, faster than dust falls: a shadow."""
    sunny, lacks = _sunny(case, n), teeth.clean - level
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
    """A level that stays before or after it sinks, with no rain between: a part that fails, not dirt."""
    sinks = [k for k, s in enumerate(parts) if len(s.days) > TOOTH and s.slope < FLAT * teeth.slope]
    for k, s in enumerate(parts):
        if len(s.days) < TOOTH + 1 or s.slope < FLAT * teeth.slope:
            continue
        if sinks and sinks[0] < k < sinks[-1]:
            continue  # it goes on sinking: no end of a contact, but rain or chance
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
    # Rain leaves something, between nothing and a third (from memory); the best of several less.
    left = _LEFT_BY_RAIN * teeth.drop / max(teeth.resets, 1)
    if spread is None:
        return teeth.clean + (left if teeth.resets else 0.0)
    if not teeth.resets:
        return max(teeth.clean, 1.0)
    rain, others = 1.0 / max(0.6 * left, 0.004) ** 2, 1.0 / spread**2
    return max(teeth.clean, ((teeth.clean + left) * rain + others) / (rain + others))


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
    found = teeth.parts
    days = np.zeros(case.day_count, bool)
    known = np.flatnonzero(np.isfinite(level))
    clean = _clean(teeth, spread)
    inside = np.arange(known[0], known[-1] + 1)
    below = np.clip(clean - np.interp(inside, known, level[known]), 0, None)
    dirty = below > _SEEN
    # The dirty days of the teeth, and those that hang on to them.
    touched = np.zeros(len(inside), bool)
    for s in found:
        touched |= (inside >= s.days[0]) & (inside <= s.days[-1])
    for first, last in runs_of(dirty | touched):
        if not touched[first : last + 1].any():
            dirty[first : last + 1] = False
    below = np.where(dirty | touched, below, 0.0)
    days[inside[dirty]] = True
    energy = sum(case.witness[:, n].sum(axis=1) * case.rated[n] for n in inputs)
    lost = np.zeros(case.day_count)
    lost[inside] = below * np.where(np.isfinite(scale[inside]), scale[inside], 1.0)
    if plane is not None:
        lost[inside] = below / np.maximum(clean - below, 0.1)
    return Candidate(
        fault="soiling",
        scope="plane" if plane is not None else "input",
        inputs=inputs,
        days=days,
        loss_wh=lost * energy,
        strength=float(np.clip(0.7 + 0.02 * teeth.sure + 0.1 * min(teeth.resets, 2), 0, 0.98)) * (1.0 if plane is None else 0.85),
        why=(
            f"{who} sank by {-100 * teeth.slope:.2f} % a day to {100 * teeth.drop:.0f} % below clean"
            + (f" and came back {teeth.resets} times." if teeth.resets > 1 else
               " and came back once." if teeth.resets else ".")
        ),
        evidence={"slope_per_day": round(teeth.slope, 5), "drop": round(teeth.drop, 3), "resets": teeth.resets,
                  "sure": round(teeth.sure, 1)},
        alternatives=(
            Alternative("weak-input", 0.15, "The level after the next good rain: dirt goes, weakness stays."),
            Alternative("shading", 0.1, "Whether the loss is the same at every hour: a growing tree bites at its own hours."),
        ),
        plane=plane,
        lasting=True,
        despite=(
            *(("shading",) if teeth.resets and -teeth.slope >= SHADE_SLOPE.value else ()),
            # Its clock was put right before, and days on which the grid or an order held it are not among its levels.
            *(("clock-shift", "grid-out-of-range", "curtailment") if plane is not None else ()),
        ),
    )  # fmt: skip
