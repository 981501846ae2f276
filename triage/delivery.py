"""How readings of a site use to arrive, learnt from its imports and polls."""

from __future__ import annotations

import json
from datetime import datetime
from typing import Final

import numpy as np

from collectors.store import Store, solar_day

#: The habit of the last so many deliveries counts (own choice: a month of nights).
DELIVERIES: Final = 30
#: Files taken in within so many seconds are one delivery (own choice: an import by hand of several files).
_TOGETHER_S: Final = 3600
_DAY_S: Final = 86400


def delivery_ages(store: Store, newest: int, as_of: int) -> list[float]:
    """How old the newest reading had become when the next ones came, s, oldest first.

    From ``import_run`` for files. A poller keeps no run for every poll: its
    readings arrive when they are taken, so each day's longest gap between them says it.

    Parameters
    ----------
    newest : UTC second of the newest reading stored.
    as_of : imports after this UTC second are not looked at.
    """
    rows = store.db.conn.execute(
        "SELECT at, source, detail FROM import_run WHERE kind = 'telemetry' AND rows_new > 0 ORDER BY id"
    ).fetchall()
    runs = [(datetime.fromisoformat(at).timestamp(), source, json.loads(detail).get("newest")) for at, source, detail in rows]
    runs = [run for run in runs if run[0] <= as_of]
    if any(source.startswith("poll ") for _, source, _ in runs):
        return _polled(store, newest)
    ages: list[float] = []
    reached: float | None = None
    began = -float("inf")
    for at, _, last in runs:
        if at - began > _TOGETHER_S:
            began = at
            if reached is not None:
                ages.append(max(at - reached, 0.0))
        if last is not None:
            reached = max(float(last), reached or 0.0)
    return ages[-DELIVERIES:]


def _polled(store: Store, newest: int) -> list[float]:
    """Each day's longest gap between readings, s, over the last days on record."""
    times = store.db.conn.execute(
        "SELECT DISTINCT ts FROM unit_sample WHERE ts > ? ORDER BY ts", (newest - (DELIVERIES + 1) * _DAY_S,)
    ).fetchall()
    ts = np.array([t for (t,) in times], np.int64)
    if ts.size < 2:
        return []
    day = solar_day(ts[1:], store.site.site.longitude)
    first = np.flatnonzero(np.diff(day, prepend=day[0] - 1))
    return [float(gap) for gap in np.maximum.reduceat(np.diff(ts), first)]


__all__ = ["delivery_ages"]
