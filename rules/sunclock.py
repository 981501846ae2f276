"""Where each day of a record lies against the sun: its course, its first and last light, its dark hours.

Minutes are positive where the record lies after the sun: its clock is late.
"""

from __future__ import annotations

import numpy as np

from rules.case import Case
from rules.days import runs_of
from rules.daytable import BIN_HOURS, BINS
from rules.finding import Threshold
from rules.ranks import Floats, Mask
from rules.unitclock import beside_peak

BRIGHT = Threshold(0.45, "of clear-sky energy", "own reasoning: a thick overcast has a course too, but no sun in it")
LIKENESS = Threshold(0.975, "1", "own reasoning: cosine of a clear day with its course; broken clouds fall below")
WAKES = Threshold(0.006, "W per rated W", "own reasoning: a few watts of a module, where a unit starts to count")
DARK_HOURS = Threshold(4.0, "h", "own reasoning: no roof where people live is lit for longer than 20 h of a day")
#: Half hours by which a course is turned to be compared with the clear sky's.
_SHIFTS = np.arange(-24, 24)


def course_shift(case: Case, power: Floats) -> Floats:
    """Minutes by which each day's course lies after the clear-sky course, [D]; NaN on dull days."""
    used = power.sum(axis=2) > 0.2 * case.table["plane_clear_all"].sum(axis=2)
    clear = case.table["plane_clear_all"] * used[:, :, None]
    power = power * used[:, :, None]
    # Each plane counts by its course, not by how well it yields.
    with np.errstate(invalid="ignore", divide="ignore"):
        scale = np.where(used, clear.sum(axis=2) / power.sum(axis=2), 0.0)
    bright = power.sum(axis=(1, 2)) > BRIGHT.value * clear.sum(axis=(1, 2))
    power = power * np.nan_to_num(scale)[:, :, None] * bright[:, None, None]
    out = np.full(case.day_count, np.nan)
    use = np.flatnonzero((power.sum(axis=(1, 2)) >= 0.5) & (clear.sum(axis=(1, 2)) >= 0.5))
    p, c = power[use], clear[use]
    norm = np.sqrt((p**2).sum(axis=(1, 2)) * (c**2).sum(axis=(1, 2)) + 1e-12)
    # The product of a course with the other turned by any number of bins, all numbers at once (correlation theorem).
    turned = np.fft.irfft((np.fft.rfft(p) * np.fft.rfft(c).conj()).sum(axis=1), BINS)
    likeness = turned[:, _SHIFTS % BINS] / norm[:, None]
    best = likeness.argmax(axis=1)
    at = np.clip(best, 1, len(_SHIFTS) - 2)
    low, top, high = (np.take_along_axis(likeness, (at + k)[:, None], 1)[:, 0] for k in (-1, 0, 1))
    fine = np.where(best == at, beside_peak(low, top, high), 0.0)
    out[use] = np.where(likeness.max(axis=1) >= LIKENESS.value, (_SHIFTS[best] + fine) * BIN_HOURS * 60, np.nan)
    return out


def night_share(case: Case, power: Floats) -> Floats:
    """Share of each day's energy that lies where the sun is down, [D]; 0 on days without any."""
    whole = power.sum(axis=1)
    down = np.where(case.bin_elevation < 0.0, whole, 0.0).sum(axis=1)
    return np.asarray(down / np.maximum(whole.sum(axis=1), 1e-9))


def edge_shift(case: Case, power: Floats) -> Floats:
    """Mean of how late production starts and ends against the sun, minutes, [D].

    A late start by low light or horizon and an early end cancel; a shifted
    clock moves both ends the same way. A plane turned away from the evening
    ends before sunset: against its own clear-sky course too, whichever lies nearer.
    """
    on, lit = ends_of(power), ends_of(case.table["plane_clear_all"])
    up = ends_of((case.bin_elevation > 0.0)[:, None].astype(np.float64))
    whole = (up[0] > 0) & (up[1] < BINS - 1) & (lit[0] > 0)
    by_sun, by_course = ((0.5 * ((on[0] - end[0]) + (on[1] - end[1])) * BIN_HOURS * 60) for end in (up, lit))
    nearer = np.where(by_sun * by_course < 0, 0.0, np.where(np.abs(by_course) < np.abs(by_sun), by_course, by_sun))
    return np.where(whole, nearer, np.nan)


def same_way(case: Case, power: Floats) -> Mask:
    """Days that both start and end after, or both before, the sun or the planes' clear-sky course, [D]."""
    on = ends_of(power)
    up, lit = ends_of((case.bin_elevation > 0.0)[:, None].astype(np.float64)), ends_of(case.table["plane_clear_all"])
    return np.asarray(np.logical_or.reduce([np.prod(on - ends, axis=0) > 0.0 for ends in (up, lit)]))


def dark_shift(case: Case, power: Floats) -> Floats:
    """Minutes by which the middle of each day's longest time without power lies after that of the sun's night, [D].

    Round the clock: a day whose production runs over midnight is dark from its end to its start. NaN without some dark hours.
    """
    on = power.max(axis=1) > WAKES.value * BIN_HOURS
    asked = (on.sum(axis=1) >= 6) & ((~on).sum(axis=1) * BIN_HOURS >= DARK_HOURS.value)
    out = np.full(case.day_count, np.nan)
    for d in np.flatnonzero(asked).tolist():
        apart = _middle_of_gap(on[d]) - _middle_of_gap(case.bin_elevation[d] > 0.0)
        out[d] = ((apart + BINS / 2) % BINS - BINS / 2) * BIN_HOURS * 60
    return out


def _middle_of_gap(on: Mask) -> float:
    """Middle of the longest run of False round the clock, bins; NaN without any or without a True."""
    turn = int(on.argmax())
    runs = runs_of(~np.roll(on, -turn))
    if not runs or not on.any():
        return np.nan
    first, last = max(runs, key=lambda run: run[1] - run[0])
    return 0.5 * (first + last) + turn


def ends_of(power_by_plane: Floats) -> Floats:
    """First and last bin of each day with power on any plane, [2, D]; NaN on days with hardly any."""
    on = power_by_plane.max(axis=1) > WAKES.value * BIN_HOURS
    ends = np.stack([on.argmax(axis=1), BINS - 1 - on[:, ::-1].argmax(axis=1)]).astype(float)
    return np.where(on.sum(axis=1) >= 6, ends, np.nan)
