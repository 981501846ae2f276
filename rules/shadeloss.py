"""What a shadow costs: energy missing where it falls, and the part of the sky that is hidden for good.

The map of shade (``shademap.py``) is careful, for it must not see shadows where
there are none. Once one is told its cost is reckoned without that bias: against
the mates that stand free at that very hour, its rim included, and with the light
of the sky that the obstacle takes at all hours.
"""

from __future__ import annotations

import numpy as np

from rules.behind import DULL_BEAM
from rules.case import Case
from rules.days import with_neighbours
from rules.daytable import BIN_HOURS
from rules.finding import Threshold
from rules.ranks import Floats, Mask
from rules.shademap import ShadeMap
from rules.siblings import nan_median

FREE_MATE = Threshold(0.03, "of what an input makes", "own reasoning: spread of modules of one type (1 to 2 %) and of its measure")
#: An obstacle beside a module rarely hides more of the sky's own light than a third.
_MOST_HIDDEN = 0.35
#: Light of a half hour, of full sun, and of all dull hours, h of it, below which nothing is told.
_LEAST_LIGHT, _LEAST_DULL = 0.04 * BIN_HOURS, 0.5


def lost_to_shade(case: Case, shade: ShadeMap, falls: Mask) -> Floats:
    """Energy that shade takes from each input, h (Wh per rated watt), [D, N, B].

    Parameters
    ----------
    falls : bins in which a shadow falls on that very day (:func:`rules.shademap.falling`), [D, N, B].
    """
    if not falls.any():
        return np.zeros(falls.shape)
    near = with_neighbours(falls)
    hidden, level = _hidden_sky(case, shade, near)
    owed = shade.held * level[None, :, None]
    measured = owed * _mates_lift(case, shade, falls) - (shade.held - shade.deficit)
    dull = hidden[None, :, None] * (1.0 - case.beam_share[:, case.plane_of]) * owed
    return np.where(near, measured, dull)


def _hidden_sky(case: Case, shade: ShadeMap, near: Mask) -> tuple[Floats, Floats]:
    """Share of the sky's own light hidden from each input, 0 to 0.35, and its level over the one seen in open sun, [N] each.

    An input that lacks x of what a dull sky owed it by its level in open sun lacks
    h = x / (1 - d (1 - x)) of the sky's own light, where d is that light's share in
    open sun: its level there was by h d too low already.
    """
    # Not ``near`` the shadow, [D, N, B]: a burst of sun between clouds is lost there, not the sky's light.
    beam, free = case.beam_share[:, case.plane_of], np.isfinite(case.ratio) & ~near

    def over(where: Mask, values: Floats) -> Floats:
        return np.where(where, values, 0.0).sum(axis=(0, 2))

    dull, open_sun = free & (beam < DULL_BEAM) & ~shade.shaded, free & shade.sunny
    held = over(dull, shade.held)
    missing = np.clip(over(dull, shade.deficit) / np.maximum(held, 1e-9), 0.0, 1.0)
    skylight = over(open_sun, shade.held * (1.0 - beam)) / np.maximum(over(open_sun, shade.held), 1e-9)
    hidden = np.where(held > _LEAST_DULL, missing / (1.0 - skylight * (1.0 - missing)), 0.0)
    hidden = np.minimum(hidden, _MOST_HIDDEN)
    return hidden, 1.0 / (1.0 - hidden * skylight)


def _mates_lift(case: Case, shade: ShadeMap, falls: Mask) -> Floats:
    """What the freest members of each input's plane make over what was held possible, 1 and more, [D, N, B].

    Where a shadow lies on several members the typical one stands in it too.
    """
    out = np.ones(falls.shape)
    with np.errstate(invalid="ignore", divide="ignore"):
        made = np.where(shade.held > _LEAST_LIGHT, case.table["power"] / shade.held, np.nan)
        beam = np.nan_to_num(shade.beam / shade.held)
    # An input that makes more at that hour than the days around let expect stands less in the shadow then.
    left = np.maximum(1.0 - np.where(falls, shade.share * beam, 0.0), np.minimum(made, 1.0))
    left = np.where(np.isfinite(made), left, -1.0)
    for p in range(len(case.names)):
        mine = np.flatnonzero(case.plane_of == p)
        at = falls[:, mine].any(axis=1)  # [D, B]
        if len(mine) < 2 or not at.any():
            continue
        theirs, share = made[:, mine].swapaxes(1, 2)[at], left[:, mine].swapaxes(1, 2)[at]
        free = share >= np.maximum(share.max(axis=1, keepdims=True) - FREE_MATE.value, 0.05)
        with np.errstate(invalid="ignore", divide="ignore"):
            lift = nan_median(np.where(free, theirs / share, np.nan), 1)
        whole = np.ones(at.shape)
        whole[at] = np.maximum(np.nan_to_num(lift, nan=1.0), 1.0)
        out[:, mine] = whole[:, None]
    return out
