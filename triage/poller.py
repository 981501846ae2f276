"""Polls gateways on a schedule and stores what they say; can be left alone.

One job per gateway, so a slow one holds up no other. A gateway that cannot be
reached is tried less and less often, up to every quarter of an hour. Stamps are
this computer's UTC; a step of its clock is noticed and the schedule set anew.
Nothing is bound: the poller only connects, and only to what the poll file names.
"""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Final

import numpy as np
from apscheduler.schedulers.asyncio import AsyncIOScheduler
from apscheduler.triggers.interval import IntervalTrigger

from collectors.errors import CalloutError
from collectors.modbus import GatewayReader, GatewayReading, Link
from collectors.site import SiteFacts
from rules.sun import sun_of
from triage.pollfile import GatewayEntry, PollFile, parse_window
from triage.pollstore import SiteWriter, Stored
from triage.polltrack import Event, EventTracker
from triage.workspace import Workspace

#: A gateway that stays away is tried at least this often, s.
LONGEST_PAUSE_S: Final = 900.0
#: A clock that moves this much against the monotonic one was set, s. Slewing by NTP stays far below.
CLOCK_STEP_S: Final = 2.0
_WATCH_EVERY_S = 5.0
#: How long a poll in flight may take to end when the poller stops.
_GRACE_S = 3.0
#: The sun's upper rim: refraction and half its disc are about this many degrees.
_SUN_UP_DEG = -0.3

Clock = Callable[[], float]


@dataclass(frozen=True)
class PollReport:
    """One poll of one gateway, for people and for ``--json``."""

    at: str
    site: str
    gateway: str
    units_ok: int
    units: int
    inputs_stored: int
    requests: int
    seconds: float
    events: tuple[Event, ...]
    unknown: tuple[str, ...]
    rejected: dict[str, int]
    problem: str = ""

    @property
    def complete(self) -> bool:
        """Every unit answered and everything was stored."""
        return not self.problem and self.units_ok == self.units and not self.unknown

    def to_json(self) -> dict[str, Any]:
        return {
            "at": self.at,
            "site": self.site,
            "gateway": self.gateway,
            "units_ok": self.units_ok,
            "units": self.units,
            "inputs_stored": self.inputs_stored,
            "requests": self.requests,
            "seconds": round(self.seconds, 3),
            "problem": self.problem,
            "unknown_inputs": list(self.unknown),
            "rejected": self.rejected,
            "events": [
                {"timestamp": iso(ts), "source": source, "event": event, "detail": detail}
                for ts, source, event, detail in self.events
            ],
        }


def iso(ts: float) -> str:
    """UTC time as ISO 8601 with Z."""
    return datetime.fromtimestamp(ts, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def in_window(entry: GatewayEntry, facts: SiteFacts, ts: float) -> bool:
    """Whether a gateway is polled at this time."""
    if entry.daylight == "always":
        return True
    if entry.daylight == "auto":
        stamp = np.array([int(ts)], dtype=np.int64)
        return bool(sun_of(facts, stamp).elevation_deg[0] > _SUN_UP_DEG)
    start, end = parse_window(entry.daylight)
    return start <= datetime.fromtimestamp(ts, facts.zone).time() < end


class ClockWatch:
    """Notices when the wall clock was set, by the monotonic one."""

    def __init__(self, wall: float, monotonic: float) -> None:
        self._wall, self._monotonic = wall, monotonic

    def step(self, wall: float, monotonic: float) -> float:
        """Seconds by which the wall clock was set since the last call; 0.0 if it was not."""
        drift = (wall - self._wall) - (monotonic - self._monotonic)
        self._wall, self._monotonic = wall, monotonic
        return drift if abs(drift) >= CLOCK_STEP_S else 0.0


class GatewayJob:
    """Everything about polling one gateway."""

    def __init__(self, entry: GatewayEntry, config: PollFile, writer: SiteWriter, clock: Clock) -> None:
        self.entry = entry
        self.failures = 0
        self._clock = clock
        self._writer = writer
        self._link = Link(entry.address, timeout_s=entry.timeout_s, attempts=entry.attempts)
        self._reader = GatewayReader(
            self._link,
            entry.unit_ids,
            maps=config.maps(entry),
            serials=entry.serials(),
            plane=entry.plane,
        )
        self._tracker: EventTracker | None = None
        self._not_before = 0.0
        self._step_s = 0.0
        self._lock = asyncio.Lock()

    def clock_was_set(self, step_s: float) -> None:
        self._step_s += step_s

    async def due(self) -> bool:
        """Whether the back-off and the daylight window let it be polled now."""
        if time.monotonic() < self._not_before:
            return False
        site = await self._writer.site()
        return in_window(self.entry, site.site, self._clock())

    async def poll(self) -> PollReport:
        """Read once and store; says what went wrong instead of raising."""
        async with self._lock:
            began, requests = time.monotonic(), self._link.counts.requests
            ts = int(self._clock())
            reading: GatewayReading | None = None
            stored, problem = Stored(0, (), ()), ""
            try:
                if self._tracker is None:
                    self._tracker = await self._writer.tracker(self.entry.name)
                reading = await self._reader.poll(ts)
                step, self._step_s = self._step_s, 0.0
                stored = await self._writer.add(reading, self._tracker, step)
                problem = _problem(reading)
            except CalloutError as exc:
                problem = exc.message
            self._pace(reading)
            return PollReport(
                at=iso(ts),
                site=self.entry.site,
                gateway=self.entry.name,
                units_ok=reading.answered if reading else 0,
                units=len(self.entry.unit_ids),
                inputs_stored=stored.inputs,
                requests=self._link.counts.requests - requests,
                seconds=time.monotonic() - began,
                events=stored.events,
                unknown=stored.unknown,
                rejected=dict(reading.rejected) if reading else {},
                problem=problem,
            )

    def _pace(self, reading: GatewayReading | None) -> None:
        if reading is None or not reading.unreachable:
            self.failures, self._not_before = 0, 0.0
            return
        self.failures += 1
        pause = min(self.entry.interval_s * 2 ** (self.failures - 1), max(LONGEST_PAUSE_S, self.entry.interval_s))
        # Half an interval early, or the very next run would be missed by a hair.
        self._not_before = time.monotonic() + pause - self.entry.interval_s / 2

    def close(self) -> None:
        self._link.close()


def _problem(reading: GatewayReading) -> str:
    if reading.unreachable:
        return f"could not reach the gateway: {reading.unreachable}"
    failed = [a.detail for a in reading.answers if a.answer != "ok"]
    return "; ".join(failed[:3]) + (f"; and {len(failed) - 3} more" if len(failed) > 3 else "")


class Poller:
    """Polls every gateway of a poll file; use it as an async context manager.

    Parameters
    ----------
    workspace : where the sites' files are.
    config : the poll file.
    gateways : which of its gateways; None is all.
    clock : this computer's UTC time, seconds since 1970.
    on_report : called after every poll.
    """

    def __init__(
        self,
        workspace: Workspace,
        config: PollFile,
        *,
        gateways: Sequence[GatewayEntry] | None = None,
        clock: Clock = time.time,
        on_report: Callable[[PollReport], None] = lambda _: None,
    ) -> None:
        self._workspace = workspace
        self._config = config
        self._entries = tuple(gateways if gateways is not None else config.gateways)
        self._clock = clock
        self._on_report = on_report
        self._writers: dict[str, SiteWriter] = {}
        self.jobs: list[GatewayJob] = []
        self._scheduler: AsyncIOScheduler | None = None
        self._running: set[asyncio.Task[None]] = set()

    async def __aenter__(self) -> Poller:
        try:
            for entry in self._entries:
                if entry.site not in self._writers:
                    writer = SiteWriter(lambda site=entry.site: self._workspace.open(site))  # type: ignore[misc]
                    self._writers[entry.site] = writer
                    await writer.site()  # a wrong site id is told at once
                self.jobs.append(GatewayJob(entry, self._config, self._writers[entry.site], self._clock))
        except BaseException:
            await self.close()
            raise
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.close()

    async def close(self) -> None:
        """Let the polls in flight end (a slow one is given up), then close every link and file."""
        if self._scheduler is not None:
            self._scheduler.remove_all_jobs()
            if self._running:
                _, late = await asyncio.wait(self._running, timeout=_GRACE_S)
                for task in late:
                    task.cancel()
                await asyncio.gather(*late, return_exceptions=True)
            self._scheduler.shutdown(wait=False)
            await asyncio.sleep(0)
            self._scheduler = None
        for job in self.jobs:
            job.close()
        for writer in self._writers.values():
            await writer.close()

    async def poll_once(self) -> list[PollReport]:
        """Poll every gateway once, all at the same time, whatever the hour."""
        reports = await asyncio.gather(*(job.poll() for job in self.jobs))
        for report in reports:
            self._on_report(report)
        return list(reports)

    async def run(self, stop: asyncio.Event) -> None:
        """Poll on schedule until ``stop`` is set."""
        # A run that is still busy makes the next one be skipped: that is wanted, not worth a warning.
        logging.getLogger("apscheduler").setLevel(logging.ERROR)
        scheduler = AsyncIOScheduler(timezone=UTC)
        self._scheduler = scheduler
        now = datetime.fromtimestamp(self._clock(), UTC)
        for job in self.jobs:
            scheduler.add_job(
                self._tick,
                IntervalTrigger(seconds=job.entry.interval_s, timezone=UTC),
                args=[job],
                next_run_time=_next_multiple(now, job.entry.interval_s),
                max_instances=1,
                coalesce=True,
                misfire_grace_time=None,
            )
        scheduler.start()
        first = [asyncio.create_task(self._tick(job)) for job in self.jobs]
        watch = ClockWatch(self._clock(), time.monotonic())
        while not stop.is_set():
            try:
                await asyncio.wait_for(stop.wait(), _WATCH_EVERY_S)
            except TimeoutError:
                step = watch.step(self._clock(), time.monotonic())
                if step:
                    self.clock_was_set(step)
        for task in first:
            task.cancel()

    def clock_was_set(self, step_s: float) -> None:
        """Set the schedule anew: it runs by the wall clock, which was just moved."""
        for job in self.jobs:
            job.clock_was_set(step_s)
        if self._scheduler is not None:
            now = datetime.fromtimestamp(self._clock(), UTC)
            for scheduled in self._scheduler.get_jobs():
                (job,) = scheduled.args
                scheduled.modify(next_run_time=_next_multiple(now, job.entry.interval_s))

    async def _tick(self, job: GatewayJob) -> None:
        # The scheduler cancels what it started when it shuts down; a poll must end by itself.
        task = asyncio.create_task(self._poll_if_due(job))
        self._running.add(task)
        task.add_done_callback(self._running.discard)
        await asyncio.shield(task)

    async def _poll_if_due(self, job: GatewayJob) -> None:
        if await job.due():
            self._on_report(await job.poll())


def _next_multiple(now: datetime, interval_s: float) -> datetime:
    """The next full multiple of the interval, so that stamps of all gateways fall together."""
    return now + timedelta(seconds=interval_s - now.timestamp() % interval_s)
