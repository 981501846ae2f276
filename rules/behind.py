"""Does something stand before an input? What it makes of the sun, of a dull sky, and at which hours.

An obstacle takes the direct sun and leaves most of the sky's own light; a fault
takes its share of any light. So inputs are held against their siblings under
either sky.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import numpy as np

from rules.case import Case, once
from rules.days import with_neighbours
from rules.daytable import BIN_HOURS
from rules.finding import Threshold
from rules.ranks import Floats, Mask

BEAM_LEAST = Threshold(0.6, "of siblings", "own reasoning: an input that makes more in the sun shows its own level at some hour")
BEAM_MORE = Threshold(0.3, "of siblings", "own reasoning: a fault takes a share of any light; what hides the sun leaves the sky's")
AS_MUCH = Threshold(0.85, "of the loss in the sun", "own reasoning: what hides all of the sun leaves a good part of the sky")
ALL_DAY = Threshold(0.9, "of the sunny light", "own reasoning: what shades a module lightly is small or far, and the sun passes it")
ASLEEP = Threshold(0.03, "of the day", "own reasoning: less is a standstill of the whole day, whatever the sky")
FREE_SUN = Threshold(0.8, "of siblings", "own reasoning: module spread and the rim; a unit at fault stops in open sun too")
#: Share of direct sun in the light, 0 to 1, below which the sky is dull: the light is the sky's own.
DULL_BEAM: Final = 0.2
#: Hours with less than this share of the brightest hour's light show no edge of a shadow: noise is as large.
DIM_HOUR: Final = 0.15
#: Share of direct sun in the light, 0 to 1, above which an hour is sunny.
_SUNNY_BEAM: Final = 0.6
#: Light that must have been seen under a dull sky and in the sun, h of full sun, before an input is said to stand behind something.
_DULL_LIGHT, _SUNNY_LIGHT = 0.8, 2.0
#: Most of the sunny light, as a share, in which such an input may make its part after all.
_NOW_AND_THEN: Final = 0.25
#: Light under either sky that tells whether as much is missing in both, h of full sun: a third of a dull day.
_ASKED_LIGHT: Final = 0.5
#: Hours that lose less than this share of the hour that loses most are the rim of a shadow.
_SHADE_RIM: Final = 0.05
#: Stops a day, on days with any, from which on an input falls asleep again and again.
_OFTEN: Final = 2.0
#: Least share of a day's light at hours without shade that tells how an input does there.
_FREE_LIGHT: Final = 0.15


@once
def behind(case: Case) -> Mask:
    """Inputs that lack most of the sun at all hours and little of a dull sky: they stand behind something, [N].

    No hour shows their own level, and they may fall asleep in the shadow.
    """
    works = case.energy > ASLEEP.value * case.witness.sum(axis=2)
    dull, sunny = (sky[:, case.plane_of] for sky in _skies(case))
    in_dull, light_dull = _made(case, works[:, :, None] & dull)
    in_sun, light_sun = _made(case, works[:, :, None] & sunny)
    _, light_whole = _made(case, works[:, :, None] & sunny & (np.nan_to_num(case.ratio) > BEAM_LEAST.value))
    told = (light_dull >= _DULL_LIGHT) & (light_sun >= _SUNNY_LIGHT) & ~_whole_at_some_hour(case, sunny)
    always = light_whole <= _NOW_AND_THEN * light_sun
    return np.asarray(told & always & (in_sun < BEAM_LEAST.value) & (in_dull > in_sun + BEAM_MORE.value))


def asleep_behind(case: Case, n: int, days: Mask) -> bool:
    """Whether an input that stands :func:`behind` something made its part of the dull sky on some days, [D], if there was any."""
    if not behind(case)[n]:
        return False
    where = np.zeros(case.ratio.shape, bool)
    where[days, n] = _skies(case)[0][days, case.plane_of[n]]
    ratio, light = _made(case, where)
    return bool(light[n] < BIN_HOURS or ratio[n] > 0.5 * BEAM_MORE.value)


def only_in_shadow(case: Case, n: int, days: Mask, shade: Mapping[str, Any]) -> bool:
    """Whether all that an input lacks on some days, [D], it lacks at the hours of a deep shadow.

    Parameters
    ----------
    shade : evidence of the shade finding: its ``depth``, and what the ``bins`` of the day lost.
    """
    lost = np.asarray(shade["bins"])
    free = ~with_neighbours(lost > _SHADE_RIM * lost.max())
    use = np.isfinite(case.ratio[days, n]) & free
    theirs = np.where(use, case.free_witness[days, n], 0.0)
    enough = theirs.sum() >= _FREE_LIGHT * case.free_witness[days, n].sum()
    made = np.nansum(case.ratio[days, n] * theirs)
    return bool(shade["depth"] >= BEAM_LEAST.value and enough and made >= FREE_SUN.value * theirs.sum())


def in_any_light(case: Case, n: int, days: Mask, shade: Mapping[str, Any]) -> bool:
    """Whether what looks like shade is none: on some days, [D], it takes as much of a dull sky as of the sun, at nearly all hours.

    One obstacle does so, too: one that hides most of the sky. But that takes
    most of the sun, and not the same at all hours, for the sun passes it. Where
    those days had no dull hours to ask, a light shadow that never ends is none.

    Parameters
    ----------
    shade : evidence of the shade finding: its ``depth``, and what the ``bins`` of the day lost.
    """
    at = np.zeros(case.ratio.shape, bool)
    at[days, n] = True
    dull, sunny = (sky[:, case.plane_of] for sky in _skies(case))
    (in_dull, light_dull), (in_sun, light_sun) = (_made(case, at & sky) for sky in (dull, sunny))
    lost = np.asarray(shade["bins"])
    theirs = np.where(sunny[:, n], case.free_witness[:, n], 0.0)[days].sum(axis=0)
    if theirs[lost > _SHADE_RIM * lost.max()].sum() < ALL_DAY.value * theirs.sum():
        return False
    if light_dull[n] >= _ASKED_LIGHT and light_sun[n] >= _ASKED_LIGHT:
        as_much = 1.0 - in_dull[n] >= AS_MUCH.value * (1.0 - in_sun[n])
        deep = shade["depth"] >= BEAM_LEAST.value and in_dull[n] > in_sun[n]
        return bool(as_much and not (deep and _hours_differ(case, n, at & sunny)))
    return bool(shade["depth"] < BEAM_LEAST.value)


def _skies(case: Case) -> tuple[Mask, Mask]:
    """Bins under a dull sky, and sunny ones, [D, P, B] each."""
    return case.beam_share < DULL_BEAM, case.beam_share > _SUNNY_BEAM


def _whole_at_some_hour(case: Case, sunny: Mask) -> Mask:
    """Inputs that make their siblings' power in the sun, [D, N, B], at some hour of fair light, [N]: no obstacle before them."""
    use = sunny & np.isfinite(case.ratio)
    theirs = np.where(use, case.free_witness, 0.0).sum(axis=0)
    made = np.where(use, case.ratio * case.free_witness, 0.0).sum(axis=0)
    fair = theirs > np.maximum(DIM_HOUR * theirs.max(axis=1, keepdims=True), _ASKED_LIGHT)
    # A unit that falls asleep in a shadow tries again and again; a bad contact opens once a day.
    stops = case.table["restarts"][:, case.unit_of]
    once_a_day = stops.sum(axis=0) < _OFTEN * np.maximum((stops > 0).sum(axis=0), 1)
    return np.asarray((fair & (made > FREE_SUN.value * theirs)).any(axis=1) & once_a_day)


def _hours_differ(case: Case, n: int, where: Mask) -> bool:
    """Whether an input makes far more of its siblings' power at one hour of the day than at another, in some bins, [D, N, B]."""
    use = where[:, n] & np.isfinite(case.ratio[:, n])
    theirs = np.where(use, case.free_witness[:, n], 0.0).sum(axis=0)
    hours = theirs > DIM_HOUR * theirs.max()
    made = np.where(use, case.ratio[:, n] * case.free_witness[:, n], 0.0).sum(axis=0)[hours] / theirs[hours]
    return bool(np.ptp(made) > BEAM_MORE.value)


def _made(case: Case, where: Mask) -> tuple[Floats, Floats]:
    """Energy over siblings' in some bins, [D, N, B], and theirs in h of full sun; [N] each."""
    theirs = np.where(np.isfinite(case.ratio) & where, case.free_witness, 0.0)
    light = theirs.sum(axis=(0, 2))
    return np.nansum(case.ratio * theirs, axis=(0, 2)) / np.maximum(light, 1e-9), light
