"""Rows from days that have not come: a slip in a year, and never a reading."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from typing import Final

import numpy as np

from collectors.csv_reading import Problem, Reading

REASON: Final = "its time is still to come"
#: A gateway's clock may be half a day off, and its zone misread by as much again (own choice); more is no clock's error.
_AHEAD_S: Final = 2 * 86400
#: A slip leaps out of the record; a record that runs on says that this computer's clock is behind (own choice).
_LEAP_S: Final = 30 * 86400
_FEW: Final = 0.1


def without_days_to_come(reading: Reading, now: float) -> Reading:
    """A reading without the few rows that leap more than a month out of it, to days ahead of ``now`` (UTC epoch seconds).

    Stored, they would make every later night look at a day that never was, for good.
    Where the record itself runs on beyond ``now``, it is this computer's clock that is behind: all of it is taken.
    """
    ts = reading.frame["ts"].to_numpy()
    ahead = ts > now + _AHEAD_S
    count = int(ahead.sum())
    if not count or count > _FEW * len(ahead) or ts[ahead].min() - ts[~ahead].max() < _LEAP_S:
        return reading
    first = _shown(float(ts[np.argmax(ahead)]))
    return replace(
        reading,
        frame=reading.frame[~ahead].reset_index(drop=True),
        rejected={**reading.rejected, REASON: count},
        problems=(*reading.problems, Problem(0, REASON, "", first)),
    )


def _shown(ts: float) -> str:
    return f"{datetime.fromtimestamp(ts, UTC):%Y-%m-%dT%H:%M:%SZ}"
