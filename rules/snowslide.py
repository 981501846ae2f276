"""Days on which snow slid off a plane, module by module, in the light a sensor saw (:mod:`rules.faults.snow`).

It fell in the evening or at night and was gone by the next night: no whole day was dark,
but most modules made a trickle from the first good light on, and then, one
earlier, one later, all that the light gave. Clouds and frost leave all modules at
once; an obstacle shades a roof every morning.
"""

from __future__ import annotations

import numpy as np

from rules.case import Case, once
from rules.daytable import BIN_HOURS, BINS, STANDBY
from rules.finding import Threshold
from rules.ranks import Mask
from rules.siblings import middle

LIGHT = Threshold(0.15, "W per rated W under the sensor's sky", "own reasoning: below it a low sun and a rim of snow decide")
UNDER = Threshold(0.3, "of what the sky allows", "own reasoning: a thin cover lets a fifth through")
FREE = Threshold(0.6, "of what the sky allows", "own reasoning: some snow is left at the frame, and models err by a tenth")
HOURS = Threshold(1.5, "h", "own reasoning: longer than a start of the day in frost or low cloud")
MOST = Threshold(0.5, "of the plane", "own reasoning: what lies on fewer is shade or a fault of theirs")
APART = Threshold(1.0, "h", "own reasoning: clouds and frost leave a roof within half an hour")
FREED = Threshold(2, "inputs", "own reasoning: one alone may stand out for another cause")
SELDOM = Threshold(0.1, "of the plane", "own reasoning: on the usual day none")


@once
def slid_free(case: Case) -> Mask:
    """Days on which most of each plane's inputs slid free one after the other, [D, P]; none without a trusted sensor."""
    return np.stack([_slid_free(case, p) for p in range(len(case.names))], axis=1)


def _slid_free(case: Case, p: int) -> Mask:
    """The same of one plane, [D]."""
    none = np.zeros(case.day_count, bool)
    inputs = np.flatnonzero(case.plane_of == p)
    if not case.sensor_trust[0] or len(inputs) < 2:
        return none
    owed, made = case.expected[:, inputs], case.table["power"][:, inputs]
    lit = owed > LIGHT.value * BIN_HOURS
    bins = np.arange(BINS)
    up = lit & (made >= UNDER.value * owed)
    first = np.where(up.any(axis=2), up.argmax(axis=2), BINS)  # the half hour of coming free
    width = np.maximum(BIN_HOURS, case.table["step_s"] / 3600.0)[:, None]
    under = (lit & (bins < first[:, :, None])).sum(axis=2) * width >= HOURS.value
    # An input that stands by all day long is not one that snow slid off.
    stood = case.table["symptom_slots"][:, inputs, STANDBY] >= MOST.value * np.maximum(case.table["lit_h"][:, inputs], 0.5)
    under &= ~stood
    free = (up & (made >= FREE.value * owed)).any(axis=2)
    apart = np.ptp(first, axis=1) * BIN_HOURS >= APART.value
    share = np.where(lit.any(axis=(1, 2)), under.mean(axis=1), np.nan)
    # By the next day all are free; on the usual day all were.
    gone = np.append(share[1:], np.nan) <= SELDOM.value
    usual = middle(share)
    out: Mask = (share >= MOST.value) & (free.sum(axis=1) >= FREED.value) & apart & gone & (usual <= SELDOM.value)
    return out
