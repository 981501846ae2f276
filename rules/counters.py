"""What the lifetime counters say about a silence: produced meanwhile, or dark."""

from __future__ import annotations

import numpy as np

from rules.case import Case, once
from rules.finding import Threshold
from rules.ranks import Floats, Mask

DAILY = Threshold(0.8, "of nights", "own reasoning: a lifetime counter is replaced once in years; single nights may fall in a gap")
DAILY_NIGHTS = Threshold(2, "nights", "own reasoning: a counter that fell once may have been replaced")
COUNTED = Threshold(0.1, "h", "own reasoning: a tenth of a kilowatt-hour per kilowatt is seen to vanish in any counter")
SCALE_DAYS = Threshold(3, "days", "own reasoning: meters of power and of energy differ by some per cent, steadily")


def counter_rise(case: Case, days: Mask, inputs: np.ndarray) -> tuple[float, float]:
    """Rise of the inputs' counters across a silence, and what clear sky would have given, both in Wh.

    The rise is taken from the last reading before the silence to the first one
    after it, on the days concerned and their neighbours; what was recorded as
    power on those days, on the counter's own scale, is taken off. NaN where no counter, no reading on one
    side, or a reset lies between. A counter that starts anew each day (:func:`daily_counters`) tells of the days
    on which it was read after the silence, and nothing of those before.

    Parameters
    ----------
    days : bool[D], one run of silent days.
    """
    table = case.table
    where = np.flatnonzero(days)
    if not where.size:
        return np.nan, np.nan
    first, last = int(where[0]), int(where[-1])
    rise_total, expected_total = 0.0, 0.0
    heard = False
    scale = _scale(case, days)
    start_c, end_c = table["counter_first"], table["counter_last"]
    daily = daily_counters(case)
    for n in inputs[daily[inputs]].tolist():
        for d in where.tolist():
            if np.isfinite(end_c[d, n]) and not table["counter_reset"][d, n] and not _open_end(case, d, n):
                rise_total += float(end_c[d, n] - case.energy[d, n] * case.rated[n] * scale[n])
                expected_total += _missing_clear(case, slice(d, d + 1), n)
                heard = True
    inputs = inputs[~daily[inputs]]
    again = {int(n): _heard_again(case, last, int(n)) for n in inputs}
    soonest = min((k for k in again.values() if k is not None), default=last)
    for n in inputs:
        # The silence may have begun the evening before: the last reading before this day comes first.
        before = _latest(end_c[:first, n])
        if not np.isfinite(before):
            before = float(start_c[first, n])
        # Who stayed silent for longer says nothing of the days that all were.
        if again[int(n)] != soonest:
            continue
        after_value = float(end_c[last, n] if soonest == last else start_c[soonest, n])
        if not np.isfinite(before):
            continue
        rise = after_value - before
        if rise < -1.0 or table["counter_reset"][first : last + 1, n].any():
            continue
        recorded = float(case.energy[first : last + 1, n].sum() * case.rated[n] * scale[n])
        rise_total += rise - recorded
        expected_total += _missing_clear(case, slice(first, last + 1), int(n))
        heard = True
    return (rise_total, expected_total) if heard else (np.nan, np.nan)


@once
def daily_counters(case: Case) -> Mask:
    """Inputs whose counter starts anew each day, [N]: it falls in almost every night after a day on which it counted."""
    first, last = case.table["counter_first"], case.table["counter_last"]
    fell = (case.table["counter_reset"] > 0)[:-1] | (first[1:] < last[:-1] - 1.0)
    asked = np.isfinite(last[:-1]) & np.isfinite(first[1:]) & (case.energy[:-1] >= COUNTED.value)
    nights = asked.sum(axis=0)
    return np.asarray((nights >= DAILY_NIGHTS.value) & ((fell & asked).sum(axis=0) >= DAILY.value * nights))


def _missing_clear(case: Case, days: slice, n: int) -> float:
    """What a clear sky would have given an input over the slots of some days that it did not report, Wh."""
    whole, told = case.table["plane_clear_all"][days, case.plane_of[n]], case.table["clear"][days, n]
    return float((whole.sum(axis=1) - told.sum(axis=1)).clip(min=0).sum() * case.rated[n])


def _heard_again(case: Case, last: int, n: int) -> int | None:
    """The day on which a counter was read after a silence that held on day ``last``, within a week; None if it was not."""
    if np.isfinite(case.table["counter_last"][last, n]) and not _open_end(case, last, n):
        return last
    later = np.flatnonzero(np.isfinite(case.table["counter_first"][last + 1 : last + 8, n]))
    return last + 1 + int(later[0]) if later.size else None


def _scale(case: Case, days: Mask) -> Floats:
    """What each counter shows for a watt-hour recorded as power, [N]: the middle of the other days."""
    with np.errstate(invalid="ignore", divide="ignore"):
        rise = case.table["counter_last"] - case.table["counter_first"]
        ratio = rise / (case.energy * case.rated)
    whole = (case.table["seen_h"] >= 0.98 * case.table["lit_h"]) & (case.energy > 0.3) & ~days[:, None]
    whole &= (case.table["counter_reset"] == 0) & np.isfinite(ratio)
    out = np.ones(len(case.inputs))
    for n in np.flatnonzero(whole.sum(axis=0) >= SCALE_DAYS.value).tolist():
        out[n] = np.clip(np.median(ratio[whole[:, n], n]), 0.9, 1.1)
    return out


def _latest(values: Floats) -> float:
    good = values[np.isfinite(values)]
    return float(good[-1]) if good.size else np.nan


def _open_end(case: Case, day: int, n: int) -> bool:
    """True when the silence still held at the end of the day's light, so the day's last reading precedes it."""
    profile = case.table["clear"][day, n]
    whole = case.table["plane_clear_all"][day, case.plane_of[n]]
    lit = np.flatnonzero(whole > 0.02)
    if not lit.size:
        return False
    tail = lit[-4:]
    return bool(profile[tail].sum() < 0.3 * whole[tail].sum())
