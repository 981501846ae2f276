"""Medians and quantiles of many short series: numpy's values without numpy's price.

``numpy.median`` and ``numpy.quantile`` take 20 to 100 us for a handful of
numbers, and a night asks for them for every day of every input.
"""

from __future__ import annotations

from math import prod
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


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
