"""How late a record's clock runs, by first and last light."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from rules.clearness import solar_days
from rules.finding import Threshold
from rules.planefit import OWN_DATA
from rules.ranks import Floats
from rules.sun import Sun

MIN_SHIFT: Final = Threshold(1200.0, "s", OWN_DATA)
#: First and last light: where power passes this share of its highest.
_EDGE: Final = 0.03
#: Days with both ends seen that must speak.
_MIN_DAYS: Final = 3


def shifted(sun: Sun, by_s: float) -> Sun:
    """The sun as it stands ``by_s`` seconds later, on the same stamps, [T].

    Interpolated, so the ends repeat.
    """
    at = sun.ts + by_s

    def move(values: Floats) -> Floats:
        return np.asarray(np.interp(at, sun.ts, values))

    azimuth = np.radians(sun.azimuth_deg)
    turned = np.degrees(np.arctan2(move(np.sin(azimuth)), move(np.cos(azimuth)))) % 360.0
    return Sun(
        sun.ts,
        move(sun.elevation_deg),
        move(sun.zenith_deg),
        turned,
        move(sun.dni_extra),
        move(sun.clear_ghi),
        move(sun.clear_dni),
        move(sun.clear_dhi),
    )


def edge_shift(sun: Sun, power: Floats, model: Floats, top: float) -> float:
    """How much later first and last light come than in the model, s.

    Cloud only makes mornings late and evenings early, so the early quarter of
    the mornings and the late quarter of the evenings count.  A clock moves
    both ends alike; hills, trees and a wake-up threshold cut the day short, at
    one end or both: then the end that moved less says what the clock did.
    """
    day = solar_days(sun)
    first, last = _edges(sun, power, day, _EDGE * top)
    model_first, model_last = _edges(sun, model, day, _EDGE * top)
    known = np.isfinite(first) & np.isfinite(last) & np.isfinite(model_first) & np.isfinite(model_last)
    if known.sum() < _MIN_DAYS:
        return 0.0
    morning = np.quantile(first[known] - model_first[known], 0.25)
    evening = np.quantile(last[known] - model_last[known], 0.75)
    if morning - evening < MIN_SHIFT.value:
        return float((morning + evening) / 2.0)
    # The day is cut short: at both ends alike, or at one, which must not pass for a clock.
    if morning * evening <= 0.0:
        return 0.0
    return float(np.sign(morning) * min(abs(morning), abs(evening)))


def _edges(sun: Sun, values: Floats, day: NDArray[np.int64], level: float) -> tuple[Floats, Floats]:
    """UTC seconds at which values [T] first and last pass a level on each day, [D]; infinite on days they don't."""
    days, where = np.unique(day, return_inverse=True)
    on = np.where(np.isfinite(values), values, 0.0) > level
    # Where it crosses between two stamps, by the straight line between them.
    before = np.concatenate([[0.0], values[:-1]])
    after = np.concatenate([values[1:], [0.0]])
    ts = sun.ts.astype(np.float64)
    gap_before = np.concatenate([[0.0], np.diff(ts)])
    gap_after = np.concatenate([np.diff(ts), [0.0]])
    with np.errstate(divide="ignore", invalid="ignore"):
        rise = ts - gap_before * np.clip(np.nan_to_num((values - level) / (values - before)), 0.0, 1.0)
        fall = ts + gap_after * np.clip(np.nan_to_num((values - level) / (values - after)), 0.0, 1.0)
    first = np.full(days.size, np.inf)
    last = np.full(days.size, -np.inf)
    np.minimum.at(first, where[on], rise[on])
    np.maximum.at(last, where[on], fall[on])
    return first, last
