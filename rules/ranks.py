"""Medians and quantiles of many short series: numpy's values without numpy's price.

``numpy.median`` and ``numpy.quantile`` take 20 to 100 us for a handful of
numbers, and a night asks for them for every day of every input.
"""

from __future__ import annotations

from math import prod
from typing import Any

import numpy as np
from numpy.typing import NDArray

F32 = NDArray[np.float32]
Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]


def median_of(values: NDArray[Any]) -> float:
    """``numpy.median`` of a series [T] without NaN; NaN of none."""
    size = values.size
    if not size:
        return float("nan")
    half = size // 2
    if size % 2:
        return float(np.partition(values, half)[half])
    ordered = np.partition(values, (half - 1, half))
    return float(0.5 * (ordered[half - 1] + ordered[half]))


def quantile_of(values: Floats, q: float) -> float:
    """``numpy.quantile`` of a series [T] without NaN; NaN of none."""
    return float(row_quantile(values[None, :], q)[0]) if values.size else float("nan")


def row_quantile(values: Floats, q: float) -> Floats:
    """``numpy.quantile`` of each row's known values; NaN in a row without any.

    Parameters
    ----------
    values : [D, B], NaN where not known.
    q : 0 to 1.
    """
    ordered = np.sort(values, axis=1)  # NaN last
    count = np.isfinite(ordered).sum(axis=1)
    place = q * np.maximum(count - 1, 0)
    low = np.floor(place).astype(np.int64)
    part = place - low
    rows = np.arange(len(values))
    a, b = ordered[rows, low], ordered[rows, np.minimum(low + 1, np.maximum(count - 1, 0))]
    # numpy's own form of the mean between two: exact at both ends.
    between = np.where(part >= 0.5, b - (b - a) * (1.0 - part), a + (b - a) * part)
    return np.where(count > 0, between, np.nan)


def nearest_rank(values: NDArray[Any], q: float, axis: int) -> tuple[NDArray[Any], NDArray[np.int64]]:
    """Value at the nearest rank along an axis, of what is known, and how many are known.

    Parameters
    ----------
    values : any shape, NaN where not known.
    q : 0 to 1; 0.5 of two is the lower one, 0.7 of two the higher.

    Returns
    -------
    value, count : without the axis; NaN and 0 where nothing is known.
    """
    ordered = np.sort(values, axis=axis)  # NaN last
    count = np.count_nonzero(np.isfinite(ordered), axis=axis)
    return taken(ordered, np.rint(q * np.maximum(count - 1, 0)).astype(np.int64), axis), count


def taken(values: NDArray[Any], at: NDArray[np.int64], axis: int) -> NDArray[Any]:
    """The value at one place along an axis; ``at`` and what is returned go without the axis.

    As ``numpy.take_along_axis``, which takes longer to find the places than to take.
    """
    axis %= values.ndim
    size, after = values.shape[axis], prod(values.shape[axis + 1 :])
    row = np.arange(0, at.size * size, size * after)[:, None] if after else np.zeros((0, 1), np.int64)
    place = at.reshape(-1, max(after, 1)) * after + row + np.arange(after)
    return values.ravel().take(place).reshape(at.shape)


def weighted_quantile(values: Floats, weights: Floats, q: float) -> Floats:
    """Weighted quantile over the last axis; NaN where no weight."""
    used = (weights > 0).any(axis=tuple(range(weights.ndim - 1)))
    if not used.all() and used.any():
        values, weights = values[..., used], weights[..., used]  # no sorting of night hours
    # numpy takes eight times as long to order rows with NaN in them: infinity stands as far behind.
    order = np.argsort(np.where(np.isnan(values), np.inf, values), axis=-1)
    order += np.arange(0, order.size, max(order.shape[-1], 1)).reshape(*order.shape[:-1], 1)
    weight = np.cumsum(weights.ravel().take(order), axis=-1)
    total = weight[..., -1:]
    pick = np.minimum((weight < q * total).sum(axis=-1), values.shape[-1] - 1)
    out = values.ravel().take(taken(order, pick, -1))
    return np.where(total[..., 0] > 0, out, np.nan)


def rolling_upper(values: Floats, reach: int, need: float, q: float = 0.8) -> Floats:
    """Upper level (``q`` quantile) of each column within some days each way, [D, B]; NaN with fewer than ``need``."""
    out = np.full(values.shape, np.nan)
    if not len(values):
        return out
    edge = np.full((reach, values.shape[1]), np.nan)
    padded = np.concatenate([edge, values, edge])
    known = np.isfinite(padded).any(axis=0)  # no sorting of night hours
    window = np.lib.stride_tricks.sliding_window_view(padded[:, known], 2 * reach + 1, axis=0)
    upper, count = nearest_rank(window, q, 2)
    out[:, known] = np.where(count >= need, upper, np.nan)
    return out
