"""Arrays over the slots of a day: half-hour bins, means, runs, and inputs gathered by unit.

Shapes here and in the other files of this package: D days, K slots, N inputs,
U units, P planes, B half-hour bins of local mean solar time.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from collectors.site import SiteDescription
from rules.daytable import BINS
from rules.panel import Panel, day_offset
from rules.ranks import F32, Mask

#: Features by name, each [D, ...] as :data:`rules.daytable.FIELDS` gives its dimensions.
Features = dict[str, NDArray[Any]]


@dataclass(frozen=True)
class Units:
    """Which inputs belong to which unit.

    Attributes
    ----------
    of : int64[N], unit of each input.
    count : number of units, U.
    """

    of: NDArray[np.int64]
    count: int

    @classmethod
    def of_site(cls, site: SiteDescription) -> Units:
        return cls(np.array([ref.unit_index for ref in site.inputs]), len(site.units))

    def any(self, mask: Mask) -> Mask:
        """Whether it holds for any input of a unit: [D, K, N] to [D, K, U]."""
        out = np.zeros((*mask.shape[:2], self.count), bool)
        for inputs, units in self._by_rank:
            out[:, :, units] |= mask[:, :, inputs]
        return out

    def sum(self, values: F32) -> F32:
        """Sum over the inputs of a unit: [D, K, N] to [D, K, U]."""
        out = np.zeros((*values.shape[:2], self.count), values.dtype)
        for inputs, units in self._by_rank:
            out[:, :, units] += values[:, :, inputs]
        return out

    @cached_property
    def _by_rank(self) -> list[tuple[Any, Any]]:
        """(inputs, units) of all units' first inputs, then of the second inputs of those that have one, and so on."""
        inputs = [np.flatnonzero(self.of == u) for u in range(self.count)]
        out = []
        for rank in range(max(map(len, inputs))):
            have = np.array([u for u in range(self.count) if len(inputs[u]) > rank])
            out.append((_as_slice(np.array([inputs[u][rank] for u in have])), _as_slice(have)))
        return out


def _as_slice(index: NDArray[np.int64]) -> Any:
    """The same positions as a slice, which numpy indexes faster, when they are evenly spaced."""
    step = int(index[1] - index[0]) if len(index) > 1 else 1
    even = step > 0 and (np.diff(index) == step).all()
    return slice(int(index[0]), int(index[-1]) + 1, step) if even else index


def bins_of(panel: Panel) -> NDArray[np.int64]:
    """Bin of local mean solar time of each slot, [D, K]."""
    solar = (panel.ts + day_offset(panel.site)) % 86400
    return np.minimum(solar * BINS // 86400, BINS - 1)


def by_bin(values: F32, bins: NDArray[np.int64]) -> NDArray[np.float64]:
    """Sum [D, K, M] into [D, M, B], by the bin of each slot, [D, K]."""
    days, _, m = values.shape
    # Bins ascend along a day, so a reduceat over their starts is the whole sum.
    out = np.zeros((days, BINS, m))
    first = bins[0]
    if (bins == first).all():
        starts = np.flatnonzero(np.diff(first, prepend=-1))
        out[:, first[starts]] = np.add.reduceat(values, starts, axis=1)
    else:
        for day in range(days):
            starts = np.flatnonzero(np.diff(bins[day], prepend=-1))
            out[day, bins[day][starts]] = np.add.reduceat(values[day], starts, axis=0)
    return out.transpose(0, 2, 1)


def mean_of_known(values: F32) -> F32:
    """Mean over the last axis of what is not NaN; NaN where nothing is known."""
    count = np.isfinite(values).sum(axis=-1)
    return np.where(count > 0, np.nansum(values, axis=-1) / np.maximum(count, 1), np.nan).astype(np.float32)


def longest_run(mask: Mask) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Length in slots of the longest run of True along axis 1, and the number of runs."""
    index = np.arange(mask.shape[1])[None, :, None]
    last_false = np.maximum.accumulate(np.where(mask, -1, index), axis=1)
    length = np.where(mask, index - last_false, 0)
    starts = mask.copy()
    starts[:, 1:] &= ~mask[:, :-1]
    return length.max(axis=1), starts.sum(axis=1)
