"""What the clock starts: due nights, the drop folder, messages. One object, one lock, no web in it."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from concurrent.futures import CancelledError, Executor, Future
from dataclasses import dataclass, field
from pathlib import Path

import structlog

from collectors.errors import CalloutError
from collectors.site import SiteFacts
from triage.service.dusk import due_nights, iso_day, iso_time, latest_night
from triage.service.nights import Nights
from triage.service.settings import NightSettings
from triage.service.state import ServiceState
from triage.service.work import SiteNight, site_night
from triage.workspace import Workspace

log = structlog.get_logger("callout.night")

#: (workspace folder, site id, solar day, UTC ISO time) -> what the night changed.
NightWork = Callable[[Path, str, int, str], SiteNight]


@dataclass(frozen=True)
class SweepResult:
    """What one look at the nights did."""

    done: tuple[SiteNight, ...] = ()
    failed: tuple[tuple[str, str], ...] = ()
    skipped: int = 0

    @property
    def worked(self) -> bool:
        return bool(self.done or self.failed)


@dataclass
class NightKeeper:
    """Finds the due nights of every site and has each done once.

    Parameters
    ----------
    clock : UTC epoch seconds; only this object reads it.
    pool : where the work is done; a process pool in the service, this thread in
        the command.
    work : does one site's night.
    on_done : called with each night that was done.
    """

    workspace: Path
    state: ServiceState
    settings: NightSettings
    clock: Callable[[], float]
    pool: Executor
    work: NightWork = site_night
    on_done: Callable[[SiteNight], None] = lambda _: None
    stopping: threading.Event = field(default_factory=threading.Event)
    _facts: dict[str, tuple[float, SiteFacts]] = field(default_factory=dict)
    last_sweep: float = 0.0

    @property
    def nights(self) -> Nights:
        return Nights(self.state)

    def sweep(self) -> SweepResult:
        """Work off every due night; sites side by side, the nights of one site in order."""
        now = self.clock()
        self.last_sweep = now
        queues = self._all_due(now)
        done: list[SiteNight] = []
        failed: list[tuple[str, str]] = []
        while queues and not self.stopping.is_set():
            batch = [(site, days.pop(0)) for site, days in queues.items()]
            for site, _, result in self._run(batch):
                if isinstance(result, SiteNight):
                    done.append(result)
                else:
                    failed.append((site, result))
                    queues[site].clear()  # the later nights build on this one
            queues = {site: days for site, days in queues.items() if days}
        self.last_sweep = self.clock()
        return SweepResult(tuple(done), tuple(failed))

    def due(self) -> dict[str, list[str]]:
        """Sites with nights due now (ISO dates), without doing them."""
        return {site: [iso_day(d) for d in days] for site, days in self._all_due(self.clock()).items()}

    def check_now(self, site: str) -> Future[SiteNight]:
        """Check a site again up to its latest night, because readings arrived late."""
        now = self.clock()
        day = latest_night(self._facts_of(site), now, self.settings.after_dusk_min * 60)
        future = self.pool.submit(self.work, self.workspace, site, day, iso_time(now))
        future.add_done_callback(self._late)
        return future

    def _late(self, future: Future[SiteNight]) -> None:
        if not future.cancelled() and future.exception() is None:
            self._keep_news(future.result())
        elif not future.cancelled():
            log.error("check failed", error=str(future.exception()))

    def _run(self, batch: Sequence[tuple[str, int]]) -> list[tuple[str, int, SiteNight | str]]:
        futures: list[tuple[str, int, Future[SiteNight]]] = []
        for site, day in batch:
            now = self.clock()
            if self.stopping.is_set() or not self.nights.claim(site, day, now):
                continue
            futures.append((site, day, self.pool.submit(self.work, self.workspace, site, day, iso_time(now))))
        results: list[tuple[str, int, SiteNight | str]] = []
        for site, day, future in futures:
            try:
                result: SiteNight | str = future.result()
            except CancelledError:
                continue  # the service is stopping; the next one takes this night again
            except CalloutError as exc:
                result = exc.message
            except Exception as exc:  # one bad site must not stop the others
                log.exception("night failed", site=site, night=iso_day(day))
                result = f"{type(exc).__name__}: {exc}"
            error = result if isinstance(result, str) else ""
            self.nights.finish(site, day, self.clock(), error)
            if isinstance(result, SiteNight):
                self._keep_news(result)
                self.on_done(result)
                log.info("night done", site=site, night=iso_day(day), changes=len(result.changes))
            else:
                log.error("night failed", site=site, night=iso_day(day), error=error)
            results.append((site, day, result))
        return results

    def _keep_news(self, result: SiteNight) -> None:
        with self.state.connect() as db:
            db.executemany(
                "INSERT OR REPLACE INTO news VALUES (?, ?, ?, ?, ?)",
                [(result.site, result.day, number, change, result.at) for number, change in result.changes],
            )

    def _all_due(self, now: float) -> dict[str, list[int]]:
        done = self.nights.done()
        found = {}
        for site in Workspace(self.workspace).site_ids():
            days = self._due(site, now, done.get(site, set()))
            if days:
                found[site] = days
        return found

    def _due(self, site: str, now: float, done: set[int]) -> list[int]:
        try:
            facts = self._facts_of(site)
        except CalloutError as exc:
            log.error("site cannot be read", site=site, error=exc.message)
            return []
        wait = self.settings.after_dusk_min * 60
        latest = latest_night(facts, now, wait)
        if done and max(done) > latest:
            self.nights.forget_after(site, latest)
        return due_nights(facts, now, wait, done, self.settings.catch_up_nights)

    def _facts_of(self, site: str) -> SiteFacts:
        workspace = Workspace(self.workspace)
        stamp = workspace.path_of(site).stat().st_mtime
        known = self._facts.get(site)
        if known is None or known[0] != stamp:
            with workspace.open(site) as store:
                known = self._facts[site] = (stamp, store.site.site)
        return known[1]
