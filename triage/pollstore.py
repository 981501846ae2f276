"""Writes readings of one site's gateways into its file, each poll in one transaction.

SQLite connections belong to a thread, so every site has one; the readers never wait for a disk.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, Final, TypeVar

import numpy as np

from collectors.modbus import GatewayReading
from collectors.modbus.counters import unwrap
from collectors.site import SiteDescription
from collectors.store import INPUT_SCALES, Store
from triage.polltrack import Event, EventTracker, event_frame

#: Readings kept while the file cannot be written: a working day at one a minute.
PENDING_MAX: Final = 720

_SCALE = INPUT_SCALES["energy_total_wh"]
_LAST_COUNTER: Final = (
    f"SELECT ts, energy_total_wh_x{_SCALE} / {_SCALE}.0 FROM input_sample "
    f"WHERE input_id = ? AND energy_total_wh_x{_SCALE} IS NOT NULL ORDER BY ts DESC LIMIT 1"
)

T = TypeVar("T")


@dataclass(frozen=True)
class Stored:
    """What one reading, and any that had waited, did to the file."""

    inputs: int
    events: tuple[Event, ...]
    unknown: tuple[str, ...]


@dataclass(frozen=True)
class _Waiting:
    reading: GatewayReading
    tracker: EventTracker
    events: list[Event]


class SiteWriter:
    """The writing end of one site; close it when done."""

    def __init__(self, open_store: Callable[[], Store]) -> None:
        self._open = open_store
        self._pool = ThreadPoolExecutor(1, thread_name_prefix="callout-store")
        self._store: Store | None = None
        self._totals: dict[tuple[str, int], tuple[int, float]] = {}
        self._waiting: deque[_Waiting] = deque(maxlen=PENDING_MAX)
        self._clocks: dict[str, int] = {}

    async def site(self) -> SiteDescription:
        """The site's description, as its file holds it."""
        return await self._run(lambda: self._opened().site)

    async def tracker(self, gateway: str) -> EventTracker:
        """Event tracker of one gateway that goes on from the stored events."""

        def load() -> EventTracker:
            store = self._opened()
            mine = {gateway} | {u.serial for u in store.site.units if u.gateway == gateway}
            history = store.events()
            return EventTracker(gateway, history[history["source"].isin(mine)])

        return await self._run(load)

    async def add(self, reading: GatewayReading, tracker: EventTracker, clock_step_s: float = 0.0) -> Stored:
        """Store one reading, after any that are still waiting.

        Raises
        ------
        StoreError : the file cannot be written; the reading waits for the next call.
        """
        waiting = _Waiting(reading, tracker, tracker.events(reading, clock_step_s))
        self._waiting.append(waiting)
        return await self._run(self._write_waiting)

    async def close_file(self) -> None:
        """Close the file; the next call opens it again."""
        await self._run(self._shut)

    async def close(self) -> None:
        await self.close_file()
        self._pool.shutdown()

    async def _run(self, work: Callable[[], T]) -> T:
        return await asyncio.get_running_loop().run_in_executor(self._pool, work)

    # -- in the site's thread ---------------------------------------------

    def _opened(self) -> Store:
        if self._store is None:
            self._store = self._open().to_write()
        return self._store

    def _shut(self) -> None:
        if self._store is not None:
            self._store.close()
            self._store = None

    def _write_waiting(self) -> Stored:
        inputs = 0
        events: list[Event] = []
        unknown: set[str] = set()
        while self._waiting:
            one = self._write(self._waiting[0])
            self._waiting.popleft()
            inputs += one.inputs
            events += one.events
            unknown |= set(one.unknown)
        return Stored(inputs, tuple(events), tuple(sorted(unknown)))

    def _write(self, item: _Waiting) -> Stored:
        store, reading = self._opened(), item.reading
        source = f"poll {item.tracker.gateway}"
        telemetry = reading.telemetry
        totals, resets = self._continue(reading)
        frame = telemetry.assign(energy_total_wh=totals)
        events = [*item.events]
        keys = _keys(reading)
        for row in np.flatnonzero(resets):
            before = self._totals[keys[row]][1]
            events.append(item.tracker.restarted(reading.ts, *keys[row], before, float(totals[row])))
        unknown: tuple[str, ...] = ()
        with store.transaction() as db:
            if len(frame):
                unknown = store.add_telemetry(frame, source, reading.rejected).unknown_inputs
            if len(reading.weather):
                store.add_weather(reading.weather, source)
            if events:
                store.add_events(event_frame(events), source)
            self._note_clocks(store, reading)
            # One row per gateway and kind, the latest: a run for every poll would outgrow the samples.
            db.execute(
                "DELETE FROM import_run WHERE source = ?1 AND id NOT IN "
                "(SELECT max(id) FROM import_run WHERE source = ?1 GROUP BY kind)",
                (source,),
            )
        for row in np.flatnonzero(np.isfinite(totals)):
            self._totals[keys[row]] = (reading.ts, float(totals[row]))
        return Stored(len(frame) - len(unknown), tuple(events), unknown)

    def _continue(self, reading: GatewayReading) -> tuple[Any, Any]:
        """Lifetime counters continued over their wrap, and which were reset."""
        telemetry = reading.telemetry
        keys = _keys(reading)
        self._recall([key for key in keys if key not in self._totals])
        last = [self._totals.get(key, (reading.ts, np.nan)) for key in keys]
        hours = np.array([(reading.ts - ts) / 3600.0 for ts, _ in last])
        totals = np.array([total for _, total in last])
        return unwrap(telemetry["energy_total_wh"].to_numpy(), reading.span_wh, totals, hours)

    def _recall(self, keys: list[tuple[str, int]]) -> None:
        """Last stored counter of inputs that this poller has not read yet."""
        if not keys:
            return
        store = self._opened()
        ids = store.input_ids()
        for key in keys:
            if key not in ids:
                continue
            row = store.db.execute(_LAST_COUNTER, [ids[key]]).fetchone()
            if row is not None:
                self._totals[key] = (int(row[0]), float(row[1]))

    def _note_clocks(self, store: Store, reading: GatewayReading) -> None:
        for serial, clock in reading.clocks.items():
            offset = round(clock - reading.ts)
            if self._clocks.get(serial) != offset:
                self._clocks[serial] = offset
                store.set_meta(f"clock_offset_s:{serial}", str(offset))


def _keys(reading: GatewayReading) -> list[tuple[str, int]]:
    """(serial, input) of every row."""
    return list(zip(reading.telemetry["unit"].tolist(), reading.telemetry["input"].tolist(), strict=True))
