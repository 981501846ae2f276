"""What the siblings on a plane say an input should have made.

The typical value of a plane is a high rank of its members' power per rated
watt, not the median: every fault only takes power away, so a rank at 0.7 of
the way up still stands on healthy inputs when just under half of them are ill,
and nearly the whole plane may be down before it moves. Module spread moves it
by a per cent or two, which each input's own baseline takes out again.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from rules.finding import Threshold
from rules.ranks import nearest_rank

RANK = Threshold(0.7, "quantile", "own reasoning: nearest rank, so one wild high value in five is ignored")


def typical(values: NDArray[np.float32]) -> tuple[NDArray[np.float32], NDArray[np.int64]]:
    """Typical value over the last axis, and how many members spoke.

    Parameters
    ----------
    values : [..., M], NaN where a member is silent.

    Returns
    -------
    typical : [...], NaN where no member spoke.
    count : [...]
    """
    # With two members the higher one is the witness: rint(0.7) = 1.
    return nearest_rank(values, RANK.value, -1)


def middle(values: NDArray[Any]) -> float:
    """Median of what is known, NaN when nothing is."""
    known = np.asarray(values)[np.isfinite(values)]
    return float(np.median(known)) if known.size else float("nan")


def nan_median(values: NDArray[Any], axis: int) -> NDArray[Any]:
    """Lower median ignoring NaN; much faster than ``numpy.nanmedian`` on short axes."""
    ordered = np.sort(values, axis=axis)
    count = np.isfinite(ordered).sum(axis=axis, keepdims=True)
    return np.take_along_axis(ordered, np.maximum((count - 1) // 2, 0), axis=axis).squeeze(axis)


def sky_index(
    plane_typical: NDArray[np.float32], plane_clear: NDArray[np.float32], members: NDArray[np.int64]
) -> NDArray[np.float32]:
    """Share of the clear-sky expectation that the site as a whole is making.

    Parameters
    ----------
    plane_typical, plane_clear : [..., P], power per rated watt.
    members : [..., P], inputs that spoke.

    Returns
    -------
    [...] : a weighted rank 0.6 over planes; NaN where no plane has light or voice.
    """
    usable = (plane_clear > 0.05) & np.isfinite(plane_typical) & (members > 0)
    ratio = np.where(usable, plane_typical / np.where(usable, plane_clear, 1), np.nan)
    weight = np.where(usable, plane_clear * np.minimum(members, 4), 0.0)
    order = np.argsort(ratio, axis=-1)
    ratio = np.take_along_axis(ratio, order, axis=-1)
    weight = np.cumsum(np.take_along_axis(weight, order, axis=-1), axis=-1)
    total = weight[..., -1:]
    pick = (weight < 0.6 * total).sum(axis=-1)
    out = np.take_along_axis(ratio, np.minimum(pick, ratio.shape[-1] - 1)[..., None], axis=-1)[..., 0]
    return np.where(total[..., 0] > 0, out, np.nan).astype(np.float32)
