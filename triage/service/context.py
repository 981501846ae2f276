"""Everything a page needs, made once at the start and passed along."""

from __future__ import annotations

import sqlite3
import threading
import time
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

from collectors.errors import CalloutError
from triage.fleet.index import FleetIndex
from triage.fleet.reading import read_summary
from triage.fleet.summary import SiteSummary
from triage.service.accounts import Sessions, users
from triage.service.settings import Settings, is_loopback
from triage.service.stamp import file_stamp
from triage.service.state import ServiceState
from triage.workspace import Workspace


@dataclass
class Context:
    """The service's parts.

    Parameters
    ----------
    folder : the workspace.
    clock : UTC epoch seconds; tests pass their own.
    health : what the health page asks; set by ``serve`` once the scheduler runs.
    check_soon : starts a check of one site; ``serve`` hands it to its processes.
    """

    folder: Path
    settings: Settings
    state: ServiceState
    clock: Callable[[], float] = time.time
    health: Callable[[], dict[str, object]] = lambda: {"scheduler": "not started"}
    check_soon: Callable[[str], Future[object]] = lambda _: _nothing()
    _summaries: tuple[object, list[SiteSummary]] = field(default=(None, []))
    _stamps: dict[str, tuple[int, ...]] = field(default_factory=dict)
    _gate: threading.Lock = field(default_factory=threading.Lock)

    @property
    def workspace(self) -> Workspace:
        return Workspace(self.folder)

    def workspace_zone(self, site: str) -> str:
        """IANA zone of a site."""
        with self.workspace.open(site) as store:
            return store.site.site.timezone

    @cached_property
    def secret(self) -> bytes:
        return self.state.secret

    @cached_property
    def index(self) -> FleetIndex:
        return FleetIndex(self.folder)

    @cached_property
    def sessions(self) -> Sessions:
        return Sessions(self.state, self.settings.service.session_hours, self.settings.service.idle_minutes)

    @property
    def https(self) -> bool:
        return bool(self.settings.service.tls_cert) or self.settings.service.behind_proxy

    def login_needed(self) -> bool:
        """A login is asked for as soon as there is a user, and always beyond loopback."""
        return not is_loopback(self.settings.service.host) or bool(users(self.state))

    def summaries(self) -> list[SiteSummary]:
        """Every site's line, read again only when the index changed."""
        with self._gate:
            stamp, sites = file_stamp(self.index.path), self.workspace.site_ids()
            if self._summaries[0] != (stamp, sites):
                summaries = self.index.summaries()
                listed = {s.site_id for s in summaries}
                if listed != set(sites):
                    self.index.keep_only(sites)
                    self._read([site for site in sites if site not in listed], {})
                    summaries = self.index.summaries()
                    stamp = file_stamp(self.index.path)
                self._summaries = ((stamp, sites), summaries)
            return self._summaries[1]

    def reread(self) -> int:
        """Bring the index up to what commands and other processes changed; returns how many differed."""
        known = {s.site_id: s for s in self.summaries()}
        changed = [
            site for site in self.workspace.site_ids()
            if self._stamps.get(site) != file_stamp(self.workspace.path_of(site))
        ]  # fmt: skip
        return self._read(changed, known)

    def _read(self, sites: Sequence[str], known: dict[str, SiteSummary]) -> int:
        found = []
        for site in sites:
            path = self.workspace.path_of(site)
            self._stamps[site] = file_stamp(path)
            summary = _summary(path, site)
            if known.get(site) != summary:
                found.append((site, summary))
        if found:
            self.index.update_many(found)
        return len(found)


def _nothing() -> Future[object]:
    future: Future[object] = Future()
    future.set_result(None)
    return future


def _summary(path: Path, site: str) -> SiteSummary:
    try:
        return read_summary(path)
    except (CalloutError, sqlite3.Error) as exc:
        return SiteSummary(site_id=site, error=str(exc))
