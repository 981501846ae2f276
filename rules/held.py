"""Half hours and days on which the site was held down: its power then says nothing of sun, dirt or heat."""

from __future__ import annotations

import numpy as np

from rules.case import Case, once
from rules.days import with_neighbours
from rules.daytable import BIN_HOURS
from rules.finding import Threshold
from rules.gridwindow import grid_window
from rules.heldlevel import ordered_bins, with_returns
from rules.heldsum import by_sum
from rules.loads import own_ceiling, upper_light
from rules.ranks import Floats, Mask

LEAST_HOURS = Threshold(0.75, "h", "own reasoning: two half hours; one may be a cloud's")
LEFT = Threshold(0.02, "of clear sky", "own reasoning: below what units need to stay awake")
HZ_RISE = Threshold(0.3, "Hz over nominal", "common practice: droop starts 0.036 to 0.2 Hz above nominal")


@once
def held_down(case: Case) -> tuple[Mask, Mask, Mask]:
    """Bins with units at an ordered level, with their sum at one, and pulled down by the grid's frequency, [D, B]."""
    clear = case.table["plane_clear"].max(axis=1) * (float(np.max(case.plane_gain)) if len(case.names) else 1.0)
    light = upper_light(case)
    own = own_ceiling(case)
    return with_returns(case, ordered_bins(case, light, own), light, own), by_sum(case), _droop(case, clear)


@once
def held_bins(case: Case) -> Mask:
    """Bins in which units were held down, and those on either side, [D, B]: they tell nothing of sun or shade.

    Under a limit on their sum alone units still differ by what reaches them.
    """
    cap, _, droop = held_down(case)
    return _for_long(case, cap | droop)


@once
def summed_bins(case: Case) -> Mask:
    """Bins in which a limit on the sum of all units held, and those beside them, [D, B].

    They tell nothing of inputs that are judged by the sky, for want of siblings.
    """
    return _for_long(case, held_down(case)[1])


def _for_long(case: Case, held: Mask) -> Mask:
    """Bins of the days on which such bins, [D, B], are more than a cloud's, with those on either side."""
    return with_neighbours(held & (held.sum(axis=1) * case.bin_hours >= LEAST_HOURS.value)[:, None])


@once
def ordered_days(case: Case) -> Mask:
    """Days on which an order of any kind held, [D]: what was made of their light tells nothing of units or modules."""
    hours = np.logical_or.reduce(held_down(case)).sum(axis=1) * case.bin_hours
    return np.asarray(hours >= LEAST_HOURS.value)


def _droop(case: Case, clear: Floats) -> Mask:
    """Bins with high frequency and power below the sky's, [D, B]."""
    hertz = case.table["hz_bin"]
    if not np.isfinite(hertz).any():
        return np.zeros(hertz.shape, bool)
    window = grid_window(case.site, None, hertz[np.isfinite(hertz)])
    high = hertz > window.nominal_hz + HZ_RISE.value
    share = case.plane_share
    worst = np.nanmin(np.where(np.isfinite(share), share, np.inf), axis=1)
    near = np.stack([np.roll(worst, k, axis=1) for k in (-3, -2, 2, 3)])
    # A unit that makes nothing has left the grid: that is no gradual answer to its frequency.
    low = (worst > LEFT.value) & (worst < 0.8) & (worst < 0.85 * np.where(np.isfinite(near), near, 0).max(axis=0))
    calm = np.nan_to_num(case.table["kt_wobble"]) < 0.25
    return high & low & calm & (clear > 0.2 * BIN_HOURS)
