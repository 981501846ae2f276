"""Runs, spans and sums over days and over the half hours of a day."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rules.ranks import Mask

#: Numbers of a day from which on adding day by day beats numpy's own running sum.
_WIDE = 300


def runs_of(mask: Mask, bridge: Mask | None = None, most: int = 0) -> list[tuple[int, int]]:
    """Runs of True as (first, last) positions.

    Parameters
    ----------
    bridge : positions that neither break nor make a run (days not judged).
    most : at most so many other False positions are bridged too.
    """
    hits = mask.nonzero()[0].tolist()
    if not hits:
        return []
    breaks = ~mask if bridge is None else ~mask & ~bridge
    hard = breaks.cumsum().tolist()
    runs: list[tuple[int, int]] = []
    first = last = hits[0]
    for hit in hits[1:]:
        if hard[hit] - hard[last] > most:
            runs.append((first, last))
            first = hit
        last = hit
    runs.append((first, last))
    return runs


def span_mask(size: int, spans: Sequence[tuple[int, int]]) -> Mask:
    out = np.zeros(size, bool)
    for first, last in spans:
        out[first : last + 1] = True
    return out


def alike_days(a: Mask, b: Mask) -> float:
    """Days two causes have in common, of those of either."""
    return float((a & b).sum() / max((a | b).sum(), 1))


def window_sum(values: NDArray[Any], reach: int) -> NDArray[Any]:
    """Sum over some days each way, in the shape and type of ``values``; the first axis is days."""
    days = len(values)
    total = np.zeros((days + 1, *values.shape[1:]), values.dtype)
    if values[:1].size < _WIDE:
        np.cumsum(values, axis=0, out=total[1:])
    else:
        # numpy's cumsum along the first axis jumps a whole day at each number: three times slower.
        for day in range(days):
            np.add(total[day], values[day], out=total[day + 1])
    out = np.empty_like(values)
    whole = max(days - reach, 0)  # days with all of the days after them
    out[:whole] = total[days - whole + 1 :]
    out[whole:] = total[days]
    out[reach + 1 :] -= total[1:whole]
    return out


def with_neighbours(bins: Mask) -> Mask:
    """Bins, and those on either side of them, [..., B]."""
    out = bins.copy()
    out[..., 1:] |= bins[..., :-1]
    out[..., :-1] |= bins[..., 1:]
    return out


def first_to_last(bins: Mask) -> slice:
    """From the first to the last bin with any of some, [..., B]; nothing where there are none."""
    at = np.flatnonzero(bins.reshape(-1, bins.shape[-1]).any(axis=0))
    return slice(int(at[0]), int(at[-1]) + 1) if at.size else slice(0, 0)
