"""Days on which a healthy sibling shows what each input should make (:mod:`rules.faults.weak_input`, ``soiling``)."""

from __future__ import annotations

import numpy as np

from rules.case import Case, once
from rules.faults.swapped_record import judge as swapped_records
from rules.finding import Threshold
from rules.levels import relative_levels
from rules.ontime import bins_late
from rules.ranks import Mask

FROZEN = Threshold(0.5, "of the lit hours", "own reasoning: a record that repeats itself for most of a day says nothing of others")
_DARK = 0.05  # of a healthy level: an input that makes less says nothing


@once
def witnessed(case: Case) -> Mask:
    """Days on which a healthy sibling shows what each input should make, [D, N]."""
    late, levels = bins_late(case), relative_levels(case)
    heard = levels.judged & ~case.foreign & (np.nan_to_num(levels.level) > _DARK)
    heard &= np.nan_to_num(case.table["frozen_share"]) < FROZEN.value
    for c in swapped_records(case).candidates:
        where = np.flatnonzero(c.days)
        heard[where[0] : where[-1] + 1, np.array(c.inputs)] = False
    out = late == 0.0  # a lone input is held against the sky, by its stamps
    for p in range(len(case.names)):
        mine = np.flatnonzero(case.plane_of == p)
        for n in mine.tolist() if len(mine) > 1 else ():
            others = mine[mine != n]
            out[:, n] = (heard[:, others] & (late[:, others] == late[:, [n]])).any(axis=1)
    return out
