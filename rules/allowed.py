"""What the sky would have allowed in hours in which the units were held down.

A sensor tells it. Without one the day's own inputs cannot: they stand at the
order, whatever the sky. Then days that were not held answer, weighted by how
alike they are: of the half hours in which such a day would have come up to the
order too, what it made of a clear sky's power.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rules.case import Case
from rules.days import with_neighbours
from rules.daytable import BIN_HOURS
from rules.finding import Threshold
from rules.ranks import Floats, Mask
from rules.sensor import GAIN_USUAL

FREE_BINS = Threshold(8, "half hours", "own reasoning: an upper level needs some readings")
ALIKE_DAY = Threshold(0.15, "of the hours of the order", "own reasoning: a day's share of sun is told to about an hour in seven")
#: A half hour with less of a clear sky's power says little of the sky.
_LIT = 0.15 * BIN_HOURS


def free_gain(case: Case, held: Mask) -> Floats:
    """The planes' gain on days not held down, [P]; not below that of all days, nor below the usual.

    Where most bright hours of a record were held down, the held level would pass for the plane's own.
    """
    gain = np.maximum(case.plane_gain, GAIN_USUAL.value)
    weight = case.table["plane_clear"]
    days: Mask = ~np.logical_or.reduce(held, axis=1)
    for p in range(len(gain)):
        share = case.plane_share[:, p]
        use = np.isfinite(share) & (weight[:, p] > 0.35 * BIN_HOURS) & days[:, None]
        if use.sum() >= FREE_BINS.value:
            gain[p] = np.clip(np.quantile(share[use], 0.85), gain[p], 1.3)
    return gain


def allowed(case: Case, held: Mask) -> Floats:
    """Energy each plane could have made in every half hour under the site's sky, h, [D, P, B].

    Parameters
    ----------
    held : [D, B], half hours in which the units were held down.
    """
    gain = free_gain(case, held)
    clear = case.table["plane_clear_all"] * gain[None, :, None]
    if case.sensor_trust[0]:
        return _by_sensor(case, held, clear)
    out = clear.copy()
    days = held.any(axis=1)
    for p in range(len(gain)):
        with np.errstate(invalid="ignore", divide="ignore"):
            share = np.where(case.table["plane_clear"][:, p] > _LIT, case.plane_share[:, p] / gain[p], np.nan)
            least = np.where(clear[:, p] > _LIT, case.table["plane_power"][:, p] / clear[:, p], np.inf)
        free = share[~days]
        for d in np.flatnonzero(days):
            # A clear day is one of them: a record held down on all its clear days shows none.
            sky = np.vstack([free, np.where(clear[d, p] > _LIT, 1.0, np.nan)])
            out[d, p] *= _as_free_days(sky, least[d], held[d], clear[d, p])
    return out


def as_beside(case: Case, bins: Mask, planes: NDArray[np.int64], lit: float = 0.0) -> Floats:
    """Energy planes would have made at the share of clear sky of the bins on both sides of some, h, [D, P, B].

    NaN where none beside tells, and of planes not asked for.

    Parameters
    ----------
    bins : [D, B], bins in which the inputs tell nothing of the sky.
    lit : W per rated W under a clear sky, from which on a bin beside tells.
    """
    clear = case.table["plane_clear_all"]
    out = np.full(clear.shape, np.nan)
    free, at = ~with_neighbours(bins), np.arange(bins.shape[1])
    for p in planes:
        told = free & np.isfinite(case.plane_share[:, p]) & (clear[:, p] > lit * BIN_HOURS)
        for d in np.flatnonzero(bins.any(axis=1) & told.any(axis=1)):
            out[d, p] = clear[d, p] * np.interp(at, at[told[d]], case.plane_share[d, p, told[d]])
    return out


def _by_sensor(case: Case, held: Mask, clear: Floats) -> Floats:
    """Energy under the sensor's sky, h, [D, P, B], by what the planes make of it when not held down."""
    out = clear.copy()
    bright = (np.nan_to_num(case.sensor_index) > 0.4) & ~held
    for p in range(clear.shape[1]):
        whole, share = case.table["plane_clear"][:, p], case.sensor_share[:, p]
        use = bright & (whole > 0.35 * BIN_HOURS) & (share > 0.1)
        if use.sum() >= FREE_BINS.value:
            made = np.median(case.table["plane_typical"][:, p][use] / (whole * share)[use])
            could = case.table["plane_clear_all"][:, p] * share * made
        else:
            could = case.table["plane_clear_all"][:, p] * case.expected_share[:, p]
        out[:, p] = np.where(np.isfinite(could), could, clear[:, p])
    return out


def _as_free_days(free: Floats, least: Floats, held: Mask, clear: Floats) -> Floats:
    """Mean share of a clear sky's power in those half hours of similar free days that came up to the order, [B].

    Parameters
    ----------
    free : [F, B] shares of clear sky's power made on free days, NaN where not told.
    least : [B] the share at which this day stood; ``held`` where by order; ``clear`` its clear-sky energy.
    """
    where, known = np.flatnonzero(held), np.isfinite(free)
    span = np.zeros(len(held), bool)
    span[where[0] : where[-1] + 1] = True
    span &= clear > _LIT
    if not span.any():
        return np.ones(len(held))
    order = np.interp(np.arange(len(held)), where, least[where])
    weight = np.where(known & span, clear, 0.0)
    reached = (weight * (np.nan_to_num(free) >= order)).sum(axis=1) / np.maximum(weight.sum(axis=1), 1e-9)
    mine = float(clear[held & span].sum() / clear[span].sum())
    like = np.exp(-(((reached - mine) / ALIKE_DAY.value) ** 2)) + 1e-3
    values = free[known]
    heft = np.broadcast_to(like[:, None], free.shape)[known]
    rank = np.argsort(-values)
    values, heft = values[rank], np.cumsum(heft[rank])
    total: NDArray[np.float64] = np.cumsum(values * np.diff(heft, prepend=0.0))
    count = np.searchsorted(-values, -least, side="right")
    at = np.maximum(count - 1, 0)
    return np.where(count > 0, total[at] / heft[at], 1.0)
