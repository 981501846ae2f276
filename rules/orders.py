"""Numbers that come back: what an order, a limit or a ceiling makes and no weather does.

Levels that come by chance lie anywhere. How many lie near a number tells how
many would lie on it; many more are an order.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rules.finding import Threshold
from rules.ranks import Floats, Mask
from rules.siblings import nan_median

SAME = Threshold(0.006, "ratio", "own reasoning: an order returns as the same number; chance levels lie anywhere")
LEVEL = Threshold(0.012, "ratio", "own reasoning: an order is the same number from half hour to half hour and day to day")
CALM = Threshold(0.024, "ratio", "common practice: meters of units scatter by one or two per cent")
CROWD = Threshold(7.5, "standard deviations", "own reasoning: of the thousands of levels of a record none crowds so by chance")
RIVAL = Threshold(2.0, "ratio", "own reasoning: readings in coarse steps crowd on every step alike")
ORDER_BINS = Threshold(3, "half hours", "own reasoning: one at a known number may be a cloud's; two in a row count as three")
_AROUND, _OTHERS = 0.15, 0.8  # how far around a number its neighbours are counted, and its rivals looked for


def crowded(levels: Floats, crowd: float) -> list[float]:
    """Numbers on which levels crowd, the most crowded first.

    Parameters
    ----------
    levels : [K], calm levels, in any order.
    crowd : so many standard deviations above what chance would put there.
    """
    left = np.sort(levels)
    out: list[float] = []
    while left.size:
        on = _within(left, left, SAME.value)
        chance = (_within(left, left, _AROUND) - on) * SAME.value / _AROUND
        score = (on - chance) / np.sqrt(chance + 1.0)
        best = int(score.argmax())
        number = float(left[best])
        other = left[(np.abs(left / number - 1) > 2 * LEVEL.value) & (np.abs(np.log(left / number)) < _OTHERS)]
        rival = int(_within(other, other, SAME.value).max(initial=0))
        if score[best] < crowd or on[best] < RIVAL.value * rival:
            break
        out.append(number)
        left = left[np.abs(left / number - 1) > 2 * LEVEL.value]
    return out


def days_at(near: Mask, wobble: Floats) -> Mask:
    """Days with several calm bins at a number, [D].

    Parameters
    ----------
    near, wobble : [D, B], bins at the number and their unrest.
    """
    several = near.sum(axis=1) + (near[:, 1:] & near[:, :-1]).sum(axis=1) >= ORDER_BINS.value
    return np.asarray(several & (nan_median(np.where(near, np.nan_to_num(wobble), np.nan), 1) < CALM.value))


def _within(at: Floats, ordered: Floats, reach: float) -> NDArray[np.int64]:
    """How many of ``ordered`` lie within a share ``reach`` of each ``at``."""
    high = np.searchsorted(ordered, at * (1 + reach), side="right")
    return np.asarray(high - np.searchsorted(ordered, at * (1 - reach)), np.int64)
