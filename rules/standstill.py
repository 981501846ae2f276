"""When the inputs of a site stood still on a day, and whether all did so at once (:mod:`rules.faults.site_outage`)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rules.case import Case
from rules.daytable import BIN_HOURS, BINS, STANDBY
from rules.finding import Threshold
from rules.hard import NOTHING
from rules.panel import day_offset
from rules.ranks import Floats, Mask

MIN_HOURS = Threshold(0.75, "h", "own reasoning: longer than a reconnection wait and ramp (IEEE 1547-2018: 600 s)")
TOGETHER = Threshold(30.0, "min", "own reasoning: units wake and reconnect within half an hour of each other")
COARSE_ROWS = Threshold(1800.0, "s between rows", "own reasoning: a unit's wait of minutes may fill one row's reading of an hour")
ONE_STOP = Threshold(0.75, "of the time from first to last", "own reasoning: two of three rows an hour apart are stops by turns")


def edges(case: Case, day: int) -> tuple[Floats, Floats, NDArray[np.int64]]:
    """When each input that stood still for long stopped and last stood still, UTC seconds, and its plane; [M] each."""
    held = case.table["symptom_slots"][day, :, STANDBY] >= MIN_HOURS.value
    return case.table["symptom_first"][day, held, STANDBY], case.table["symptom_last"][day, held, STANDBY], case.plane_of[held]


def standing(case: Case, day: int) -> slice:
    """The bins of a day that lie wholly within the time in which (by the median) inputs stood still."""
    first, last = (float(np.median(edge)) for edge in edges(case, day)[:2])
    start, width = float(case.table.days[day] * 86400 - day_offset(case.site)), 86400 / BINS
    return slice(int(np.ceil((first - start) / width)), int((last + case.table["step_s"][day] - start) // width))


def nobody_made(case: Case, asked: Mask) -> Mask:
    """Of the days asked for, [D], those on which no input made anything while some stood still for long, [D].

    An input in the shade has no hours to be down in: what counts is that nobody produced.
    """
    out = np.zeros(case.day_count, bool)
    for d in np.flatnonzero(asked).tolist():
        made = case.table["power"][d, :, standing(case, d)]
        out[d] = made.shape[1] > 0 and float(made.max()) <= NOTHING.value * BIN_HOURS
    return out


def same_hours(case: Case, asked: Mask) -> Mask:
    """Of the days asked for, those on which the units stood still from and to about the same minute, [D]."""
    out = np.zeros(case.day_count, bool)
    for d in np.flatnonzero(asked).tolist():
        first, last, plane = edges(case, d)
        if first.size:
            # The sun reaches each plane at its own time: all stop in the same minute, or those of one plane do.
            out[d] = all(min(_apart(edge), _apart(edge, plane)) <= TOGETHER.value * 60 for edge in (first, last))
            out[d] &= max(first) < min(last) and not _by_turns(case, d)
    return out


def _by_turns(case: Case, day: int) -> bool:
    """Whether rows far apart found the inputs standing and producing in turn: single readings that fell into short waits."""
    step = float(case.table["step_s"][day])
    first, last, _ = edges(case, day)
    slots = case.table["symptom_slots"][day, :, STANDBY]
    stood = float(np.median(slots[slots >= MIN_HOURS.value]))
    return step >= COARSE_ROWS.value and stood * 3600.0 < ONE_STOP.value * (float(np.median(last - first)) + step)


def _apart(edge: Floats, plane: NDArray[np.int64] | None = None) -> float:
    """Median distance of moments from their median, or from that of their plane, s."""
    if plane is None:
        return float(np.median(np.abs(edge - np.median(edge))))
    return float(np.median(np.concatenate([np.abs(edge[plane == p] - np.median(edge[plane == p])) for p in np.unique(plane)])))
