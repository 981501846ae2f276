"""When a site's day is over, and which nights are still to be worked off.

A night belongs to the solar day that ended with it. Nothing here reads a
clock: the time is passed in, so a clock step, summer time or a long sleep of
the machine is only another number.
"""

from __future__ import annotations

from collections.abc import Collection
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache

import numpy as np

from collectors.site import SiteFacts
from collectors.store import day_bounds, solar_day

_STEP_S = 300
#: Centre of the sun on the horizon, refraction already in the elevation: its
#: upper limb is gone 0.27 degrees lower (mean solar radius).
_DUSK_ELEVATION_DEG = -0.27


@lru_cache(maxsize=4096)
def dusk(facts: SiteFacts, day: int) -> int:
    """UTC epoch seconds when the light of a solar day is over, to five minutes.

    Where the sun never sets that is the day's end; where it never rises, solar noon.
    """
    from rules.sun import sun_of  # pvlib, which takes a second: not for whoever only shows a time

    start, end = day_bounds(day, facts.longitude)
    noon = (start + end) // 2
    ts = np.arange(noon, end, _STEP_S, dtype=np.int64)
    down = sun_of(facts, ts).elevation_deg < _DUSK_ELEVATION_DEG
    return int(ts[np.argmax(down)]) if down.any() else end


def latest_night(facts: SiteFacts, now: float, after_dusk_s: float) -> int:
    """The newest solar day whose dusk is ``after_dusk_s`` seconds past."""
    today = int(solar_day(int(now), facts.longitude))
    return next(d for d in range(today, today - 4, -1) if now >= dusk(facts, d) + after_dusk_s or d == today - 3)


def due_nights(facts: SiteFacts, now: float, after_dusk_s: float, done: Collection[int], limit: int) -> list[int]:
    """Nights to work off now, oldest first.

    Parameters
    ----------
    done : solar days already worked off. A site without any starts with the
        latest night; afterwards every missed night counts, at most ``limit``.
    """
    latest = latest_night(facts, now, after_dusk_s)
    before = [d for d in done if d < latest]
    first = max(max(before) + 1, latest - limit + 1) if before else latest
    return [d for d in range(first, latest + 1) if d not in done]


def iso_day(day: int) -> str:
    """ISO date of a solar day number."""
    return (date(1970, 1, 1) + timedelta(days=day)).isoformat()


def iso_time(ts: float) -> str:
    """UTC ISO time to the second."""
    return datetime.fromtimestamp(ts, UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
