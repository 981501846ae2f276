"""What the lifetime counters say about a silence: produced meanwhile, or dark."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rules.case import Case, once
from rules.finding import Threshold
from rules.ranks import Floats, Mask

DAILY = Threshold(0.8, "of nights", "own reasoning: a lifetime counter is replaced once in years; single nights may fall in a gap")
DAILY_NIGHTS = Threshold(2, "nights", "own reasoning: a counter that fell once may have been replaced")
COUNTED = Threshold(0.1, "h", "own reasoning: a tenth of a kilowatt-hour per kilowatt is seen to vanish in any counter")
SCALE_DAYS = Threshold(3, "days", "own reasoning: meters of power and of energy differ by some per cent, steadily")


def risen(rise_wh: float) -> str:
    """A rise of a counter that is too small, in words."""
    if rise_wh < 5.0:
        return "did not move"
    return f"rose by only {rise_wh:.0f} Wh" if rise_wh < 1000 else f"rose by only {rise_wh / 1000:.1f} kWh"


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
    where = np.flatnonzero(days)
    if not where.size:
        return np.nan, np.nan
    scale, daily = _scale(case, days), daily_counters(case)
    told = _daily_rises(case, where, inputs[daily[inputs]], scale)
    told += _lifetime_rises(case, int(where[0]), int(where[-1]), inputs[~daily[inputs]], scale)
    return (sum(rise for rise, _ in told), sum(clear for _, clear in told)) if told else (np.nan, np.nan)


def _daily_rises(case: Case, where: NDArray[np.int64], inputs: NDArray[np.int64], scale: Floats) -> list[tuple[float, float]]:
    """Rise and clear-sky energy, Wh, of each day and input whose counter starts anew each day and was read after the silence."""
    end, reset = case.table["counter_last"], case.table["counter_reset"]
    return [
        (float(end[d, n] - case.energy[d, n] * case.rated[n] * scale[n]), _missing_clear(case, slice(d, d + 1), n))
        for n in inputs.tolist()
        for d in where.tolist()
        if np.isfinite(end[d, n]) and not reset[d, n] and not _open_end(case, d, n)
    ]


def _lifetime_rises(case: Case, first: int, last: int, inputs: NDArray[np.int64], scale: Floats) -> list[tuple[float, float]]:
    """Rise and clear-sky energy, Wh, over the silent days of each input with a lifetime counter on both sides of them."""
    start, end, reset = (case.table[name] for name in ("counter_first", "counter_last", "counter_reset"))
    again = {n: _heard_again(case, last, n) for n in inputs.tolist()}
    soonest = min((k for k in again.values() if k is not None), default=last)
    out = []
    for n, day in again.items():
        # The silence may have begun the evening before: the last reading before this day comes first.
        before = _latest(end[:first, n])
        if not np.isfinite(before):
            before = float(start[first, n])
        # An input that stayed silent for longer says nothing of the days on which all were.
        if day != soonest or not np.isfinite(before):
            continue
        rise = float(end[last, n] if soonest == last else start[soonest, n]) - before
        if rise < -1.0 or reset[first : last + 1, n].any():
            continue
        recorded = float(case.energy[first : last + 1, n].sum() * case.rated[n] * scale[n])
        out.append((rise - recorded, _missing_clear(case, slice(first, last + 1), n)))
    return out


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
