"""``callout serve``: lock, scheduler, processes and web server, started and stopped in order."""

from __future__ import annotations

import contextlib
import signal
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from importlib.metadata import version
from pathlib import Path
from types import FrameType
from typing import Any

import structlog
import uvicorn
from apscheduler.events import EVENT_JOB_ERROR, JobExecutionEvent
from apscheduler.jobstores.sqlalchemy import SQLAlchemyJobStore
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.cron import CronTrigger
from apscheduler.triggers.interval import IntervalTrigger

from collectors.errors import UsageError
from triage.notify import Messenger
from triage.service.accounts import users
from triage.service.app import build_app
from triage.service.context import Context
from triage.service.drop import DropFolder
from triage.service.intake import Parking
from triage.service.keeper import NightKeeper
from triage.service.lock import only_one
from triage.service.nightreport import night_report
from triage.service.nights import Nights
from triage.service.polling import PollThread
from triage.service.settings import Settings, is_loopback
from triage.service.state import ServiceState
from triage.service.work import SiteNight
from triage.service.workers import Workers

log = structlog.get_logger("callout.serve")
JOBS_FILE = "jobs.sqlite"
#: Health turns bad when no sweep ended for this many intervals while none is at work.
_LATE_SWEEPS = 10


class Service:
    """Everything that runs, without the web server around it."""

    def __init__(self, folder: Path, settings: Settings, clock: Callable[[], float] = time.time) -> None:
        self.settings = settings
        self.clock = clock
        self.started = clock()
        self.state = ServiceState(folder)
        self.workers = Workers(settings.night.workers)
        self.messenger = Messenger(folder, self.state, settings.notify, clock, settings.service.public_url)
        self.keeper = NightKeeper(folder, self.state, settings.night, clock, self.workers, on_done=self._night_done)
        self.drop = DropFolder(
            folder,
            folder / settings.night.drop_folder,
            self.state,
            clock,
            int(settings.service.unpacked_mb * 1e6),
            check=self.keeper.check_now,
        )
        self.context = Context(folder, settings, self.state, clock, health=self.health, check_soon=self._check_soon)
        self.scheduler = BackgroundScheduler(
            jobstores={"default": SQLAlchemyJobStore(url=f"sqlite:///{folder / JOBS_FILE}")},
            # What was missed while the machine slept runs once, however late.
            job_defaults={"coalesce": True, "misfire_grace_time": None, "max_instances": 1},
            timezone="UTC",
        )
        self.polling = PollThread(folder)
        self._folder = folder

    def start(self) -> None:
        """Begin the clock's work."""
        lost = Nights(self.state).recover(self.clock())
        if lost:
            log.warning("nights were cut off by the last stop", count=lost)
        _LIVE[str(self._folder)] = self
        night, notify = self.settings.night, self.settings.notify
        self.scheduler.add_listener(_job_failed, EVENT_JOB_ERROR)
        self.scheduler.start(paused=True)
        jobs: list[tuple[str, Any]] = [
            ("sweep", IntervalTrigger(seconds=night.sweep_s)),
            ("look", IntervalTrigger(seconds=night.drop_s)),
            ("messages", IntervalTrigger(seconds=60)),
            ("refresh", IntervalTrigger(seconds=60)),
            (
                "digest",
                CronTrigger(hour=notify.digest_at.hour, minute=notify.digest_at.minute, timezone=notify.zone),
            ),
        ]
        for name, trigger in jobs:
            known = self.scheduler.get_job(name)
            # A stored job keeps its next run, so a digest missed overnight still leaves.
            if known is None or str(known.trigger) != str(trigger):
                self.scheduler.add_job(_run, trigger, args=[str(self._folder), name], id=name, name=name, replace_existing=True)
        self.scheduler.resume()
        self.polling.start()

    def stop(self) -> None:
        """Let the site under way finish, take no other."""
        self.keeper.stopping.set()
        self.polling.stop()
        self.workers.shutdown(wait=True, cancel_futures=True)
        if self.scheduler.running:
            self.scheduler.shutdown(wait=True)
        _LIVE.pop(str(self._folder), None)

    def health(self) -> dict[str, object]:
        """Whether the clock's work goes on; names no site."""
        now = self.clock()
        nights = Nights(self.state)
        last = self.keeper.last_sweep or self.started
        running = nights.count("running")
        late = now - last > _LATE_SWEEPS * self.settings.night.sweep_s and not running
        ok = self.scheduler.running and not late and self.polling.state != "failed"
        return {
            "status": "ok" if ok else "failing",
            "version": version("callout"),
            "uptime_s": round(now - self.started),
            "scheduler": "running" if self.scheduler.running else "stopped",
            "polling": self.polling.state,
            "last_sweep_age_s": round(now - last),
            "nights_running": running,
            "nights_failed": nights.count("failed"),
        }

    # -- what the clock starts -------------------------------------------

    def sweep(self) -> None:
        result = self.keeper.sweep()
        if result.worked:
            log.info("sweep done", nights=len(result.done), failed=len(result.failed))

    def look(self) -> None:
        self.drop.look()

    def refresh(self) -> None:
        """Show what commands changed beside the service."""
        self.context.reread()
        Parking(self._folder).clear(self.clock())

    def messages(self) -> None:
        self.messenger.send_held()

    def digest(self) -> None:
        self.messenger.digest(self.context.summaries())

    def _night_done(self, night: SiteNight) -> None:
        self.messenger.instant(night, self.context.index.get(night.site))
        if self.settings.night.reports != "never" and (night.changes or self.settings.night.reports == "all"):
            self.workers.submit(night_report, self._folder, night.site, night.at)

    def _check_soon(self, site: str) -> Future[Any]:
        return self.keeper.check_now(site)


def _run(folder: str, name: str) -> None:
    """A stored job's entry: finds the running service; a leftover job of a stopped one does nothing."""
    service = _LIVE.get(folder)
    if service is not None:
        getattr(service, name)()


#: Stored jobs can only hold names, so they find their service here.
_LIVE: dict[str, Service] = {}


def _job_failed(event: JobExecutionEvent) -> None:
    log.error("job failed", job=event.job_id, exc_info=event.exception)


def check_access(settings: Settings, state: ServiceState) -> None:
    """Refuse to listen beyond this machine without logins and encryption.

    Raises
    ------
    UsageError : what is missing, and how to add it.
    """
    server = settings.service
    if bool(server.tls_cert) != bool(server.tls_key):
        raise UsageError("tls_cert and tls_key go together", "Give both in service.toml, or neither.")
    if is_loopback(server.host):
        return
    if not users(state):
        raise UsageError(
            f"listening on {server.host} needs logins, and there is no user",
            "`callout users add NAME --role operator` makes the first one.",
        )
    if not server.tls_cert and not server.behind_proxy:
        raise UsageError(
            f"listening on {server.host} without TLS would send passwords in the clear",
            "Set tls_cert and tls_key in service.toml, or behind_proxy = true for a proxy on this host.",
        )


def serve(folder: Path, settings: Settings, ready: Callable[[str], None] = lambda _: None) -> None:
    """Run the service until SIGTERM or Ctrl-C; ``ready`` gets the address once it listens.

    Raises
    ------
    UsageError : another process looks after the workspace, or access is not safe.
    """
    with only_one(folder):
        check_access(settings, ServiceState(folder))
        service = Service(folder, settings)
        server = _Server(_config(service), ready)
        with _stopping(server):
            service.start()
            try:
                log.info("service started", workspace=str(folder))
                server.run()
            finally:
                service.stop()
                log.info("service stopped")


class _Server(uvicorn.Server):
    """uvicorn, but the signals are ours: it would end the process before the checks are put away."""

    def __init__(self, config: uvicorn.Config, ready: Callable[[str], None]) -> None:
        super().__init__(config)
        self._ready = ready

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield

    async def startup(self, sockets: Any = None) -> None:
        await super().startup(sockets)
        if self.started:
            host, port = self.servers[0].sockets[0].getsockname()[:2]
            scheme = "https" if self.config.is_ssl else "http"
            self._ready(f"{scheme}://{f'[{host}]' if ':' in host else host}:{port}/")


def _config(service: Service) -> uvicorn.Config:
    server = service.settings.service
    return uvicorn.Config(
        build_app(service.context),
        host=server.host,
        port=server.port,
        log_config=None,
        access_log=False,
        server_header=False,
        lifespan="off",
        proxy_headers=server.behind_proxy,
        forwarded_allow_ips="127.0.0.1,::1",
        ssl_certfile=server.tls_cert or None,
        ssl_keyfile=server.tls_key or None,
        timeout_keep_alive=30,
        timeout_graceful_shutdown=10,
        limit_concurrency=200,
        h11_max_incomplete_event_size=64 * 1024,
    )


@contextlib.contextmanager
def _stopping(server: uvicorn.Server) -> Iterator[None]:
    def stop(_number: int, _frame: FrameType | None) -> None:
        server.should_exit = True

    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = {number: signal.signal(number, stop) for number in (signal.SIGTERM, signal.SIGINT)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
