"""How much of the sun's beam each input loses, by hour of the day and time of the year.

Shade bites the direct sun only and returns while the sun's path is nearly the
same. So the deficit of an input against its open siblings is held, hour by
hour over the days around, against the beam that reached them: the share of the
beam that is missing is the same on a clear and on a broken day, and nothing is
lost under an overcast.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pvlib.irradiance import aoi_projection

from rules.behind import DIM_HOUR, behind
from rules.case import Case
from rules.days import first_to_last, window_sum, with_neighbours
from rules.daytable import BIN_HOURS, BINS
from rules.finding import Threshold
from rules.ranks import Floats, Mask, weighted_quantile

BIN_LOSS = Threshold(0.12, "of the beam", "own reasoning: four times the spread of a module's ratio within a clear day")
LONE_LOSS = Threshold(0.25, "of the beam", "transposition models differ by some 10 % and more at low sun (own comparison)")
REPEAT = Threshold(0.6, "of the beam of days around", "own reasoning: a fixed thing shades on most clear days, chance does not")
AROUND = Threshold(8, "days each way", "own reasoning: the sun's path moves less than 4 degrees in a week (pvlib SPA)")
MIN_CLEAR = Threshold(3, "sunny days around", "own reasoning: two may agree by chance")
OPEN_SUN = Threshold(0.3, "h at full sun", "own reasoning: less open sun in a day tells no level")
FREE_RANK = Threshold(0.7, "quantile of a day", "own reasoning: what is left of a shadow's rim only takes; spread is some 1 %")
LOW_OPEN = Threshold(0.7, "of the usual level", "own reasoning: no sky's light that a module may lose makes up a third in sun")
BESIDE = Threshold(4, "half hours", "own reasoning: a shadow's edge wanders by two hours within the days that tell it")
SUNNY_BEAM = Threshold(0.3, "of irradiance", "own reasoning: less beam leaves a shadow of 3 % per tenth of it, lost in noise")
LONE_SUN_DEG = Threshold(15.0, "deg", "own reasoning: below, model error of a lone plane outweighs its shade")
LONE_INCIDENCE_DEG = Threshold(
    70.0, "deg", "own reasoning: beyond, 5 degrees in how a plane was noted change its beam by a quarter, as much as told shade"
)
LOW_SUN_DEG = Threshold(4.0, "deg", "common practice: horizon and haze below 5 degrees belong to the site")
#: Power under the edge of a bright cloud and under a dark one, of clear sky (common practice: 1.1 to 1.2, and 0.1).
_BRIGHTEST, _DARKEST = 1.15, 0.1
#: With less of its sunny hours free of shade an input cannot show its own level.
_FREE_SHARE = 0.15


@dataclass(frozen=True)
class ShadeMap:
    """Shade by day, input and half hour; every array [D, N, B].

    ``level`` [D, N] is the unshaded level of each input it was held against;
    ``share`` of the beam missing at that hour on the days around, 0 to 1;
    ``told`` where enough sunny days say so, ``shaded`` where it returns on most
    of them; ``sunny`` bins with enough beam to tell; ``held`` what the input would make unshaded, ``beam`` the part
    of it that comes straight from the sun, ``deficit`` what is missing, h.
    """

    level: Floats
    share: Floats
    told: Mask
    shaded: Mask
    sunny: Mask
    held: Floats
    beam: Floats
    deficit: Floats


def shade_map(case: Case) -> ShadeMap:
    """The shade of every input, from the case alone.

    First against each day's own level; an input found in shade is then held
    against its level in open sun, which a long shadow pulls down within a day.
    """
    first = _mapped(case, unshaded_level(case), np.arange(len(case.inputs)))
    found = np.flatnonzero(np.logical_or.reduce(first.shaded, axis=(0, 2)))
    if not found.size:
        return first
    free = _open_sun(case, first)
    level = _open_level(case, first, free)
    low = _low_in_the_open(case, free, level)[:, found]
    if low.any():
        first = _with(first, found, _mapped(case, unshaded_level(case)[:, found], found, low))
        level = _open_level(case, first, _open_sun(case, first))
    both = _with(first, found, _mapped(case, level[:, found], found, low))
    return replace(both, shaded=(first.shaded | both.shaded))


def _with(shade: ShadeMap, inputs: NDArray[np.int64], theirs: ShadeMap) -> ShadeMap:
    """The map with other arrays for some inputs."""
    out = {name: values.copy() for name, values in vars(shade).items()}
    for name, values in vars(theirs).items():
        out[name][:, inputs] = values
    return ShadeMap(**out)


def beside_mates(case: Case, shade: ShadeMap, inputs: NDArray[np.int64]) -> Floats:
    """Energy of inputs beyond what siblings made in sunny hours of the days around, [D, M, B]; NaN where not told.

    As a share of what each would make unshaded: what little is left in the
    dark differs by noise alone.
    """
    reach = int(AROUND.value)
    sunny, level = shade.sunny[:, inputs], shade.level[:, inputs, None]
    theirs = case.table["free_typical"][:, inputs] * level
    more = case.table["free_power"][:, inputs] - theirs
    # Siblings that make more than was thought possible are the measure themselves.
    held = window_sum(np.where(sunny, np.maximum(shade.held[:, inputs], theirs), 0.0), reach)
    told = shade.told[:, inputs] & (held >= DIM_HOUR * held.max(axis=2, keepdims=True))
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(told, window_sum(np.where(sunny, more, 0.0), reach) / held, np.nan)


def falling(shade: ShadeMap, shaded: Mask) -> Mask:
    """Bins in which a shadow falls on that very day, [D, N, B]: told ones, and the sunny ones beside them that lack as much.

    A shadow comes and goes without a gap; its first and last hours may not
    repeat often enough to be told, or siblings stand at their ceiling then.
    """
    if not shaded.any():
        return shaded
    lossy = shade.sunny & (shade.deficit > BIN_LOSS.value * shade.beam)
    out = shaded
    for _ in range(int(BESIDE.value)):
        out = out | (with_neighbours(out) & lossy)
    return out


def _open_sun(case: Case, shade: ShadeMap) -> Floats:
    """What siblings made in sunny bins free of an input's shade, h, [D, N, B]."""
    return np.where(with_neighbours(falling(shade, shade.shaded)) | ~shade.sunny, 0.0, case.free_witness)


def _low_in_the_open(case: Case, free: Floats, usual: Floats) -> Mask:
    """Days on which an input is as low at hours free of shade, [D, N]: what held it down then (snow, a fault) is no shadow.

    Parameters
    ----------
    free : :func:`_open_sun`; ``usual`` [D, N], :func:`_open_level`.
    """
    open_sun, made = free.sum(axis=2), np.nansum(case.ratio * free, axis=2)
    return np.asarray((open_sun > OPEN_SUN.value) & (made < LOW_OPEN.value * usual * open_sun))


def _open_level(case: Case, shade: ShadeMap, free: Floats) -> Floats:
    """Level against siblings in sunny bins free of shade (``free``: :func:`_open_sun`) on the days around, [D, N].

    The record's middle where hardly any is free, 1 where none ever is.
    """
    witness = np.where(shade.sunny, case.free_witness, 0.0)
    reach = int(AROUND.value)
    day, light = weighted_quantile(case.ratio, free, FREE_RANK.value), free.sum(axis=2)
    open_sun, made = window_sum(light, reach), window_sum(np.where(light > 0, day * light, 0.0), reach)
    enough = open_sun > np.maximum(_FREE_SHARE * window_sum(witness.sum(axis=2), reach), 0.2)
    with np.errstate(invalid="ignore", divide="ignore"):
        level = np.where(enough, np.clip(made / open_sun, 0.5, 1.06), np.nan)
        middle = weighted_quantile(level.T, enough.T.astype(float), 0.5)
    return np.where(enough, level, np.where(np.isfinite(middle), middle, 1.0)[None, :])


def _mapped(case: Case, usual: Floats, inputs: NDArray[np.int64], low: Mask | None = None) -> ShadeMap:
    """The shade of some inputs against their levels [D, M]; arrays [D, M, B].

    Days that are ``low`` for another reason, [D, M], say nothing.
    """
    level, lit = usual[:, :, None], _lit(case)
    direct = case.beam_share[:, case.plane_of[inputs], lit]
    # What counts as evidence: slots in which neither the input nor its siblings are at a ceiling.
    witness, ratio = case.free_witness[:, inputs, lit], case.ratio[:, inputs, lit]
    free, told = witness * level, np.isfinite(ratio)
    missing = free - np.where(told, ratio * witness, 0.0)
    hidden = clipping_may_hide(case, free, inputs, lit)
    if hidden is not None:
        missing = missing - np.minimum(hidden, np.maximum(missing, 0.0))
    lone = case.members[inputs] < 2
    lowest = np.where(lone, LONE_SUN_DEG.value, LOW_SUN_DEG.value)
    high = case.bin_elevation[:, None, lit] >= lowest[None, :, None]
    for k in np.flatnonzero(lone).tolist():
        high[:, k] &= _faces(case, int(inputs[k]))[:, lit]
    sunny = told & (direct >= SUNNY_BEAM.value) & high
    if low is not None:
        sunny &= ~low[:, :, None]
    beam = np.where(sunny, free * direct, 0.0)
    missing = np.where(sunny, missing, 0.0)
    need = np.where(lone, LONE_LOSS.value, BIN_LOSS.value)[None, :, None]
    # Of one or two there is no third to say which of them is wrong: two days are chance.
    few = case.members[inputs] <= 2
    fewest = np.where(few, MIN_CLEAR.value, min(MIN_CLEAR.value, max(2.0, len(beam) / 3.0)))[None, :, None]
    share, told, shaded = _repeated(beam, missing, sunny, need, fewest)
    held = case.witness[:, inputs, lit] * level
    beam = np.where(high, held * direct, 0.0)
    deficit = held - case.table["power"][:, inputs, lit]
    return ShadeMap(usual, *(_whole(values, lit) for values in (share, told, shaded, sunny, held, beam, deficit)))


def _lit(case: Case) -> slice:
    """Bins from the first to the last in which anything was made or owed on any day: no working on the night."""
    return first_to_last((case.witness > 0) | (case.table["power"] > 0))


def _whole(values: NDArray[Any], lit: slice) -> NDArray[Any]:
    """All bins of the day, [..., B]: nothing in those left out."""
    out = np.zeros((*values.shape[:-1], BINS), values.dtype)
    out[..., lit] = values
    return out


def _faces(case: Case, n: int) -> Mask:
    """Bins in which the sun stands before an input's plane and not beside it, [D, B]."""
    plane = case.site.planes[case.names[case.plane_of[n]]]
    cosine = aoi_projection(plane.tilt_deg or 0.0, plane.azimuth_deg or 0.0, 90.0 - case.bin_elevation, case.bin_azimuth)
    return np.asarray(cosine >= np.cos(np.radians(LONE_INCIDENCE_DEG.value)))


def unshaded_level(case: Case) -> Floats:
    """Each input's own level against its siblings while no shadow is on it, [D, N]."""
    level = case.day_level
    # On a day mostly in shade the day's own level is too low: the input's usual level stands in.
    with np.errstate(invalid="ignore"):
        usual = weighted_quantile(level.T, np.isfinite(level.T).astype(float), 0.75)
    usual = np.where(np.isfinite(usual), np.minimum(usual, 1.05), 1.0)[None, :]
    out = np.minimum(np.where(np.isfinite(level), level, usual), 1.05 * usual)
    out = np.where(out > 0.8 * usual, out, np.minimum(usual, np.maximum(out, 0.3)))
    return np.where(behind(case), 1.0, out)


def clipping_may_hide(case: Case, held: Floats, inputs: NDArray[np.int64], lit: slice) -> Floats | None:
    """What moments at a unit's ceiling may take from a half hour without being seen in its rows, h, [D, M, lit]; None: nothing.

    Between passing clouds a unit touches its ceiling for minutes, and the row's
    mean lies below it. At most: the sky is either fully bright or dark.
    """
    clipped = case.table["clip_level"][:, inputs].T
    if not np.isfinite(clipped).any():
        return None
    with np.errstate(invalid="ignore"):
        known = weighted_quantile(clipped, np.isfinite(clipped).astype(float), 0.5)
    ceiling = np.where(np.isfinite(known), known, np.inf)[None, :, None] * BIN_HOURS
    clear = case.table["clear"][:, inputs, lit]
    bright, dark = _BRIGHTEST * clear, _DARKEST * clear
    with np.errstate(invalid="ignore", divide="ignore"):
        part = np.nan_to_num(np.clip((held - dark) / (bright - dark), 0.0, 1.0))
    return np.asarray(part * np.maximum(bright - ceiling, 0.0))


def _repeated(beam: Floats, missing: Floats, sunny: Mask, need: Floats, fewest: Floats) -> tuple[Floats, Mask, Mask]:
    """Share of the beam missing on the days around, where that is told, and where it repeats, [D, N, B] each."""
    reach = int(AROUND.value)
    lossy = (missing > need * beam) & sunny
    seen = window_sum(sunny.astype(np.int16), reach)
    weight = window_sum(beam, reach)
    told = (seen >= fewest) & (weight > 0)
    # An hour at which the beam was missing on two days is the least that repeats.
    some = np.flatnonzero((np.count_nonzero(lossy, axis=0) >= 2).any(axis=1))
    share, shaded = np.zeros(beam.shape), np.zeros(beam.shape, bool)
    if some.size:
        share[:, some], hit = _returning(beam[:, some], missing[:, some], lossy[:, some], weight[:, some], need[:, some])
        shaded[:, some] = told[:, some] & hit
    return share, told, shaded


def _returning(beam: Floats, missing: Floats, lossy: Mask, weight: Floats, need: Floats) -> tuple[Floats, Mask]:
    """Share of the beam missing on the days around, and where it was missing on most of them, [D, M, B] each."""
    reach = int(AROUND.value)
    hits = window_sum(lossy.astype(np.int16), reach)
    for_it = window_sum(beam * lossy, reach)
    # The shadow's edge wanders by a bin over weeks: a neighbour bin may vote half.
    side = np.zeros_like(for_it)
    side[..., 1:] += 0.125 * for_it[..., :-1]
    side[..., :-1] += 0.125 * for_it[..., 1:]
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.nan_to_num(np.clip(window_sum(missing, reach) / weight, 0.0, 1.0))
    votes = np.minimum(for_it + side, weight)
    return share, (hits >= 2) & (votes >= REPEAT.value * weight) & (share >= 0.8 * need)
