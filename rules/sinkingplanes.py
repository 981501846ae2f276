"""Planes that sink against what the site's sky allows them, as dirt makes a whole roof sink (:mod:`rules.faults.soiling`)."""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.alongmembers import Sunk, along
from rules.case import Case
from rules.daytable import SKY
from rules.finding import Threshold
from rules.planelevel import DULL, SENSOR_DROP, plane_level, plane_scatter
from rules.ranks import Floats, median_of, quantile_of
from rules.sawteeth import FLAT, TOOTH, Teeth, at_once, from_onset, line_of, saw_teeth, spread_teeth
from rules.sensordrift import sensor_climbs
from rules.siblings import nan_median
from rules.washes import washes

SURE = Threshold(6.0, "standard errors of the slope", "own reasoning: levels are no independent draws; 2 would do if they were")
PLANE_SURE = Threshold(6.7, "standard errors of the slope", "own reasoning: a plane's level scatters with the day's sky")
BESIDE_SURE = Threshold(4.0, "standard errors of the slope", "own reasoning: with members that sink, only to tell how many do")
PLANE_DROP = Threshold(0.08, "ratio", "common practice: sensors and sky models agree within some 5 % over weeks")
PLANE_FASTEST = Threshold(0.013, "per day", "field studies: up to some 1 % a day in dry deserts (from memory), and our error")
SENSOR_SURE = Threshold(7.0, "standard errors of the slope", "own reasoning: no rain to speak for it, so surer than with one")
COLD_FRONT = Threshold(0.05, "ratio", "common practice: it cools the air by some 12 K, and modules make 0.4 % more a kelvin")
PER_KELVIN = Threshold(0.004, "per K", "common practice: crystalline modules make 0.3 to 0.5 % less a kelvin")
DRY_SLOPE = Threshold(0.0012, "per day", "own reasoning: a tenth of a sensor's or model's scale in three months may be its season")
MODEL_SLOPE = Threshold(0.0016, "per day", "computed with pvlib: 10 degrees of tilt noted wrongly bend six weeks of autumn by 7 %")
SENSOR_FASTEST = Threshold(0.02, "per day", "own reasoning: a dust storm; faster is snow, a clock or a fault")
TOLD = Threshold(0.7, "of the days", "own reasoning: a plane that tells of itself on fewer is not known to sink with the others")
HIGHEST = Threshold(1.25, "of the usual best", "own reasoning: best days are nearly clean; who makes far more was expected wrongly")
GUESSED_DROP = Threshold(0.18, "ratio", "own reasoning: nearly twice what a guessed sky may be off by")
ALONE_DROP = Threshold(0.25, "ratio", "own reasoning: a guessed sky may be off by a tenth, and another plane's the other way")
MEASURED_ALONE_DROP = Threshold(0.09, "ratio", "own reasoning: twice what a sensor and a plane's angles may part by in some weeks")
ALONE_FASTEST = Threshold(
    0.01, "per day", "field studies: up to some 1 % a day (from memory); a shadow that grows with the season takes more"
)
WINTER_DAYS = Threshold(25, "days", "own reasoning: in fewer the sun's path goes not down and up by as much")
WINTER_DEG = Threshold(6.0, "deg", "own reasoning: some six weeks of autumn and as many of spring")
WINTER_ALIKE = Threshold(
    0.7, "correlation", "own reasoning: half of what moves the level; dirt heeds rain and not the sun's height"
)
GUESSED_SLOPE = Threshold(0.004, "per day", "own reasoning: a guessed sky may be off by a tenth after some weeks of another season")
WASHED = Threshold(0.7, "of the drop", "own reasoning: one good rain takes most of the dirt, no haze goes overnight for good")
#: Share of a plane's drop by which its dirtier members stand out beside the others at most, where all are dirty.
OWN: Final = 0.7


def sinking_planes(case: Case, beside: dict[int, Sunk]) -> list[tuple[int, Teeth, Floats]]:
    """Planes that sink against expectation, each with its course of levels, [D].

    Dust falls on the whole roof: what all planes show together speaks for one
    that scatters too much to tell, if it sinks too.

    Parameters
    ----------
    beside : members that sank beside their siblings, by plane.
    """
    own = [plane_level(case, p) for p in range(len(case.names))]
    levels, drops = list(own), {p: sunk.drop for p, sunk in beside.items()}
    found = [
        _convincing(case, teeth_of(level, noise, PLANE_SURE.value)) or _dirtier(case, level, noise, drops.get(p))
        for p, (level, noise) in enumerate(levels)
    ]
    if len(levels) > 1 and not all(found):
        course, noise = _roof_course(case, levels)
        deepest = max(drops.values(), default=None)
        teeth = _convincing(case, teeth_of(course, noise, PLANE_SURE.value)) or _dirtier(case, course, noise, deepest)
        for p, (level, _) in enumerate(levels) if teeth else ():
            if teeth and found[p] is None and _slope_along(teeth, level) <= FLAT * teeth.slope and _told_along(teeth, level):
                found[p], levels[p] = teeth, (course, noise)
    found = _borne_out(case, found, levels)
    for p, sunk in beside.items():
        follows = None if found[p] else along(sunk, *own[p])
        if follows and _deeper(case, follows[0], sunk.drop):
            found[p], levels[p] = follows[0], (follows[1], own[p][1])
    if not all(found):
        by_rain = washes(case, own)
        levels = [level if teeth else mine for teeth, level, mine in zip(found, levels, own, strict=True)]
        found = [teeth or wash for teeth, wash in zip(found, by_rain, strict=True)]
    return [(p, teeth, levels[p][0]) for p, teeth in enumerate(found) if teeth and not _winters(case, own[p][0])]


def _roof_course(case: Case, levels: list[tuple[Floats, float]]) -> tuple[Floats, float]:
    """Common course of the planes' levels, each over its own middle, [D], NaN where most are not known; and its scatter."""
    # Against a sensor each plane scatters by itself, and its variance tells its worth; under a guessed sky all err together.
    size = np.bincount(case.plane_of, minlength=len(levels)).astype(float)
    worth = np.array([noise**-2 for _, noise in levels]) if case.sensor_trust[0] else size
    even = np.stack([level / median_of(level[np.isfinite(level)]) for level, _ in levels])
    weight = np.where(np.isfinite(even), worth[:, None], 0.0)
    share = weight.sum(axis=0) / worth.sum()
    course = np.where(share > 0.5, (np.nan_to_num(even) * weight).sum(axis=0) / np.maximum(weight.sum(axis=0), 1e-9), np.nan)
    return course, plane_scatter(course)


def _borne_out(case: Case, found: list[Teeth | None], levels: list[tuple[Floats, float]]) -> list[Teeth | None]:
    """The teeth by plane without those that the other planes speak against: dust falls on all of them."""
    # A fall of one plane alone, that no rain ever ended, is its own expectation gone wrong.
    for p, teeth in enumerate(list(found)):
        if teeth and not teeth.resets and len(levels) > 1:
            others = [_slope_along(teeth, level) for q, (level, _) in enumerate(levels) if q != p]
            if all(slope > FLAT * teeth.slope for slope in others) and not _deep(teeth) and not _plainly_alone(case, teeth):
                found[p] = None
    # What a guessed sky says of one plane among several is an error of that guess, unless rain ended it.
    if not case.sensor_trust[0] and 2 * sum(map(bool, found)) < len(found):
        found = [teeth if teeth and (teeth.resets or _deep(teeth)) else None for teeth in found]
    return found


def _winters(case: Case, level: Floats) -> bool:
    """Whether a plane's course of levels, [D], goes down and up again with the noon sun's height: low sun, hills, snow."""
    known = np.isfinite(level)
    noon, level = case.bin_elevation.max(axis=1)[known], level[known]
    if len(level) < WINTER_DAYS.value or min(noon[0], noon[-1]) < noon.min() + WINTER_DEG.value:
        return False
    # By rank: a day under snow in between says nothing of the course.
    rank = np.argsort(np.argsort(np.stack([noon, level]), axis=1), axis=1)
    alike = np.asarray(np.corrcoef(rank))
    return float(alike[0, 1]) >= WINTER_ALIKE.value


def _deep(teeth: Teeth) -> bool:
    """Whether a fall is surely deeper than a season or a wrongly guessed sky could make it."""
    return teeth.drop >= ALONE_DROP.value and teeth.sure >= SENSOR_SURE.value


def _plainly_alone(case: Case, teeth: Teeth) -> bool:
    """Whether one plane falls against a sensor by more, and faster, than a wrongly noted angle or a season makes it."""
    far = teeth.drop >= MEASURED_ALONE_DROP.value and GUESSED_SLOPE.value <= -teeth.slope <= ALONE_FASTEST.value
    return far and case.sensor_trust[0] and teeth.sure >= SENSOR_SURE.value


def teeth_of(level: Floats, noise: float, least: float) -> Teeth | None:
    """The saw-tooth of a plane's or roof's course, [D], of scatter ``noise``; None where none is sure or it fell at a stroke.

    ``least`` : standard errors of the slope to be sure.
    """
    teeth = saw_teeth(level, noise, least, whole=True)
    if teeth is None or at_once(teeth, level):
        teeth = _later(teeth, level, noise, least) or spread_teeth(level, noise, least)
    return None if teeth is None or at_once(teeth, level) else teeth


def _later(teeth: Teeth | None, level: Floats, noise: float, least: float) -> Teeth | None:
    """Teeth that seem to fall at a stroke because dirt gathers only from some day on: from that day on, if a rain took it again."""
    late = from_onset(teeth, level, noise) if teeth and teeth.resets else None
    if teeth is None or late is None or late.sure < least or teeth.washed < WASHED.value * late.drop or at_once(late, level):
        return None
    return late


def _dirtier(case: Case, level: Floats, noise: float, beside: float | None) -> Teeth | None:
    """The teeth of a plane or roof that sinks by more than its members do below their siblings; None if no member sinks.

    Members that sink tell of dust whatever the sky is like: then the plane's own fall needs less certainty.

    Parameters
    ----------
    level : [D], NaN where not judged; ``noise`` its scatter.
    beside : how far the members sank, ratio.
    """
    teeth = None if beside is None else teeth_of(level, noise, BESIDE_SURE.value)
    return teeth if teeth is not None and beside is not None and _deeper(case, teeth, beside) else None


def _deeper(case: Case, teeth: Teeth, beside: float) -> bool:
    """Whether a plane sinks by more than its members do ``beside`` their siblings, and no faster than dust makes it."""
    fastest = SENSOR_FASTEST if case.sensor_trust[0] else PLANE_FASTEST
    deep = teeth.drop >= max(SENSOR_DROP.value + _cold_front(case, teeth), beside / OWN)
    return deep and -teeth.slope <= fastest.value


def _convincing(case: Case, teeth: Teeth | None) -> Teeth | None:
    """The teeth of a plane or roof, if no haze, season or sensor explains them."""
    if teeth is None or not (teeth.resets or teeth.sure >= SURE.value):
        return None
    least = DRY_SLOPE if case.irradiance_source == "poa sensor" else MODEL_SLOPE
    if not teeth.resets and -teeth.slope < least.value:
        return None  # a season's or a sensor's drift
    washed, front = teeth.washed >= WASHED.value * teeth.drop, _cold_front(case, teeth)
    # A sensor that agrees with the inputs sees haze and season too: a plain fall against it, or one that a rain ended,
    # does not depend on our guess of the sky.
    given_back = teeth.resets > 0 and washed and teeth.washed >= SENSOR_DROP.value + front
    measured = case.sensor_trust[0] and (teeth.sure >= SENSOR_SURE.value or given_back)
    if case.sensor_trust[0] and teeth.clean > HIGHEST.value:
        return None
    if case.sensor_trust[0] and not teeth.resets and sensor_climbs(case, teeth):
        return None
    if measured and teeth.drop >= SENSOR_DROP.value + front:
        return teeth if -teeth.slope <= SENSOR_FASTEST.value else None
    if teeth.drop < PLANE_DROP.value + front:
        return None
    # Dust does not settle on a whole roof so fast: a wrong plane, clock or sensor looks like this.
    if -teeth.slope > PLANE_FASTEST.value:
        return None
    # Haze and season bend a guessed expectation: only a long plain fall or several resets convince.
    long = max(len(s.days) for s in teeth.parts)
    if teeth.resets < 2 and teeth.drop < 1.5 * PLANE_DROP.value and not (washed and case.sensor_trust[0]):
        return None
    # The end of a hazy or broken spell looks like one step up; rain takes most of the dirt.
    if teeth.resets == 1 and not washed:
        return None
    # Against a guessed sky one step up does not make the fall surer.
    if not case.sensor_trust[0] and teeth.resets < 2 and teeth.sure < PLANE_SURE.value:
        return None
    plain = teeth.resets > 0 or -teeth.slope >= GUESSED_SLOPE.value or teeth.drop >= GUESSED_DROP.value
    if not case.sensor_trust[0] and (long < 8 or not plain):
        return None
    return teeth


def _cold_front(case: Case, teeth: Teeth) -> float:
    """What a sensor must show more of a drop where nobody measured the air: cold days after rain look like a wash.

    Units that on bright days run no colder after it, nor hotter while the level sank, say that there was no such front.
    """
    if not case.sensor_trust[0] or np.isfinite(case.table["sky"][:, SKY.index("air")]).any():
        return 0.0
    units = nan_median(case.table["temp_max"], 1)
    days = np.flatnonzero(np.isfinite(units) & (case.sky_mean >= DULL.value * quantile_of(case.sky_mean, 0.9)))
    colder = []
    for s in teeth.parts:
        of, after = days[(days >= s.days[0]) & (days <= s.days[-1])], days[days > s.days[-1]][:TOOTH]
        if len(of) < 2 * TOOTH:
            return COLD_FRONT.value
        first, last = (median_of(units[d]) for d in (of[:TOOTH], of[-TOOTH:]))
        colder += [last - first, *([last - median_of(units[after])] if len(after) else [])]
    return min(COLD_FRONT.value, PER_KELVIN.value * max(0.0, *colder))


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
    """Whether another course, [D], is known on enough days of the teeth to tell for itself whether it sinks."""
    return float(np.isfinite(level[np.concatenate([s.days for s in teeth.parts])]).mean()) >= TOLD.value
