"""Gateways polled by the service: the poller of ``callout poll`` in a thread with its own event loop."""

from __future__ import annotations

import asyncio
import contextlib
import threading
from pathlib import Path

import structlog

from triage.poller import Poller, PollReport
from triage.pollfile import POLL_FILE, PollFile, load_poll_file
from triage.workspace import Workspace

log = structlog.get_logger("callout.poll")
#: A poll in flight may take this long to end.
_STOP_S = 30.0


class PollThread:
    """Polls what ``poll.toml`` in the workspace names; without that file it does nothing.

    Raises
    ------
    PollFileError : the file is wrong; told at the start, not in the middle of a night.
    """

    def __init__(self, folder: Path) -> None:
        path = folder / POLL_FILE
        self._folder = folder
        self._config: PollFile | None = load_poll_file(path) if path.exists() else None
        self._thread: threading.Thread | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._stop: asyncio.Event | None = None
        self.failed = False

    @property
    def state(self) -> str:
        """For the health page: off, running or failed."""
        if self.failed:
            return "failed"
        return "running" if self._thread is not None and self._thread.is_alive() else "off"

    def start(self) -> None:
        if self._config is not None:
            self._thread = threading.Thread(target=self._run, args=(self._config,), name="poll", daemon=True)
            self._thread.start()

    def stop(self) -> None:
        """Let the polls in flight end."""
        if self._thread is None:
            return
        if self._loop is not None and self._stop is not None:
            with contextlib.suppress(RuntimeError):  # it ended by itself just now
                self._loop.call_soon_threadsafe(self._stop.set)
        self._thread.join(_STOP_S)

    def _run(self, config: PollFile) -> None:
        try:
            asyncio.run(self._poll(config))
        except Exception:
            self.failed = True
            log.exception("polling ended")

    async def _poll(self, config: PollFile) -> None:
        self._loop, self._stop = asyncio.get_running_loop(), asyncio.Event()
        async with Poller(Workspace(self._folder), config, on_report=_told) as poller:
            await poller.run(self._stop)


def _told(report: PollReport) -> None:
    say = log.info if report.complete else log.warning
    say(
        "polled", site=report.site, gateway=report.gateway, units=f"{report.units_ok}/{report.units}",
        stored=report.inputs_stored, seconds=round(report.seconds, 2), problem=report.problem or None,
    )  # fmt: skip
