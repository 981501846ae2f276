"""Rows from days that have not come: a slip in a year, or a clock that is wrong, and never a reading."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from typing import Final

from collectors.csv_reading import Problem, Reading
from collectors.errors import ReadingError

REASON: Final = "its time is still to come"
#: A gateway's clock may be half a day off, and its zone misread by as much again (own choice); more is no clock's error.
_AHEAD_S: Final = 2 * 86400


def without_days_to_come(reading: Reading, now: float) -> Reading:
    """A reading without the rows that lie more than two days ahead of ``now`` (UTC epoch seconds).

    Stored, they would make every later night look at a day that never was, for good.

    Raises
    ------
    ReadingError : no row is left.
    """
    ahead = reading.frame["ts"] > now + _AHEAD_S
    count = int(ahead.sum())
    if not count:
        return reading
    first = _shown(float(reading.frame["ts"][ahead].iloc[0]))
    if count == len(ahead):
        raise ReadingError(
            f"{reading.source}: every time in it is still to come, the first {first}; this computer's clock says {_shown(now)}",
            "Check the year and the order of the dates ([time] order in a layout file), and this computer's clock.",
        )
    return replace(
        reading,
        frame=reading.frame[~ahead].reset_index(drop=True),
        rejected={**reading.rejected, REASON: count},
        problems=(*reading.problems, Problem(0, REASON, "", first)),
    )


def _shown(ts: float) -> str:
    return f"{datetime.fromtimestamp(ts, UTC):%Y-%m-%dT%H:%M:%SZ}"
