"""Readings that repeat the one before them to the last digit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rules.finding import Threshold
from rules.panel import Panel
from rules.ranks import F32, Mask

#: Rows in a row that say the same before a record counts as stuck, when its rows are far apart.
STUCK_ROWS = 6
ASLEEP = Threshold(0.025, "W per rated W", "own reasoning: 10 W of a 400 W module; below, whole watts repeat by themselves")
LIGHT_MOVED = Threshold(0.03, "of the light", "own reasoning: a healthy reading cannot stay the same while its light moves so far")
LAST_DIGIT = Threshold(0.006, "W per rated W", "own reasoning: over the step of a meter in whole watts")


def stuck_rows(step_s: int) -> int:
    """Rows from which on a record that repeats itself is no witness: an hour, if the rows are close."""
    return max(STUCK_ROWS, 3600 // step_s)


@dataclass(frozen=True)
class Repeats:
    """Rows that repeat the one before, whatever the light did.

    Attributes
    ----------
    same : bool[D, K, N], this row repeats the row before.
    begin : int16[D, K, N], slot in which the run began.
    since : int16[D, K, N], rows since then.
    """

    same: Mask
    begin: NDArray[np.int16]
    since: NDArray[np.int16]

    @classmethod
    def of(cls, panel: Panel, made: F32) -> Repeats:
        """Repeated readings of a panel with power ``made`` per rated watt, [D, K, N]; a run goes on over missing rows."""
        index = np.arange(made.shape[1], dtype=np.int16)[None, :, None]
        told = np.isfinite(made) & panel.measured
        last = np.maximum.accumulate(np.where(told, index, np.int16(-1)), axis=1)
        before = np.concatenate([np.full_like(last[:, :1], -1), last[:, :-1]], axis=1)
        safe = np.maximum(before, 0).astype(np.intp)
        volts = panel.voltage_v
        volts_before = np.take_along_axis(volts, safe, axis=1)
        same_volts = (volts == volts_before) | (np.isnan(volts) & np.isnan(volts_before))
        same = told & (before >= 0) & (made == np.take_along_axis(made, safe, axis=1)) & same_volts & (made > ASLEEP.value)
        begin = np.maximum.accumulate(np.where(told & ~same, index, np.int16(0)), axis=1)
        number = np.cumsum(told, axis=1, dtype=np.int16)
        return cls(same, begin, number - np.take_along_axis(number, begin.astype(np.intp), axis=1))

    def held(self, witness: F32) -> NDArray[np.int16]:
        """Length, in rows, of the run each slot belongs to, [D, K, N]; 0 where the reading is new.

        A run counts only while the witness ([D, K, N], siblings' or clear-sky
        power per rated watt) differs from what it was when the run began.
        """
        if not self.same.any():
            return np.zeros(self.same.shape, np.int16)
        at_begin = np.take_along_axis(witness, self.begin.astype(np.intp), axis=1)
        moved = np.abs(witness - at_begin) > LIGHT_MOVED.value * np.maximum(witness, at_begin) + LAST_DIGIT.value
        return np.where(self.same & moved, self.since, np.int16(0))
