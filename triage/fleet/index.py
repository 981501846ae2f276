"""The fleet index: one SQLite file beside the sites, rebuilt from them at any time.

It holds nothing of its own. The site files are the truth; the index only
spares opening thousands of them to show one page.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Final

from collectors import readonly
from collectors.errors import CalloutError, StoreError
from collectors.store import Store
from triage.fleet.reading import read_summary, stored_summary
from triage.fleet.summary import SiteSummary

FILE_NAME: Final = "fleet.sqlite"
_VERSION: Final = 1

_SCHEMA: Final = """
CREATE TABLE IF NOT EXISTS site (
    site_id TEXT PRIMARY KEY, name TEXT NOT NULL, customer_ref TEXT NOT NULL, region TEXT NOT NULL,
    latitude REAL, longitude REAL, commissioned TEXT NOT NULL, inputs INTEGER NOT NULL, rated_w REAL NOT NULL,
    night TEXT NOT NULL, at TEXT NOT NULL, to_day TEXT NOT NULL, live_findings INTEGER NOT NULL,
    loss_wh_per_day REAL NOT NULL, performance REAL, performance_basis TEXT NOT NULL, completeness REAL,
    last_sample INTEGER, error TEXT NOT NULL, summary TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS finding (
    site_id TEXT NOT NULL REFERENCES site(site_id) ON DELETE CASCADE, id TEXT NOT NULL, fault TEXT NOT NULL,
    place TEXT NOT NULL, inverter TEXT NOT NULL, module TEXT NOT NULL, action TEXT NOT NULL,
    severity TEXT NOT NULL, status TEXT NOT NULL, confidence REAL NOT NULL, loss_wh_per_day REAL NOT NULL,
    loss_wh_total REAL NOT NULL, first_seen TEXT NOT NULL, last_seen TEXT NOT NULL, returns INTEGER NOT NULL,
    PRIMARY KEY (site_id, id)) WITHOUT ROWID;
CREATE INDEX IF NOT EXISTS finding_fault ON finding(fault, status);
"""


class FleetIndex:
    """Summaries of every site of a workspace, in ``<workspace>/fleet.sqlite``.

    Parameters
    ----------
    workspace : folder of the workspace.

    Raises
    ------
    StoreError : the folder is not there. A damaged or outdated index is
        no error: it is dropped, and :attr:`empty` says that it needs a rebuild.
        Where the folder cannot be written, changes are forgotten.
    """

    def __init__(self, workspace: str | Path) -> None:
        self.path = Path(workspace) / FILE_NAME
        self._scratch: sqlite3.Connection | None = None
        if not readonly.writable(self.path):
            self._scratch = self._copy()
        try:
            self._prepare()
        except sqlite3.DatabaseError as exc:
            if readonly.no_room(exc):
                self._scratch = self._copy()
                self._prepare()
                return
            if not _damaged(exc):
                raise StoreError(f"{self.path}: cannot be opened: {exc}", "Check that the workspace can be written.") from exc
            self._drop()
            self._prepare()

    @property
    def empty(self) -> bool:
        with self._connection() as db:
            return db.execute("SELECT 1 FROM site").fetchone() is None

    def summaries(self) -> list[SiteSummary]:
        """Every site's summary, by site id."""
        with self._connection() as db:
            rows = db.execute("SELECT summary FROM site ORDER BY site_id").fetchall()
        return [SiteSummary.loads(text) for (text,) in rows]

    def get(self, site_id: str) -> SiteSummary | None:
        with self._connection() as db:
            row = db.execute("SELECT summary FROM site WHERE site_id = ?", (site_id,)).fetchone()
        return SiteSummary.loads(row[0]) if row else None

    def nights(self) -> dict[str, tuple[str, str]]:
        """Night and error of every site's last check."""
        with self._connection() as db:
            rows = db.execute("SELECT site_id, night, error FROM site")
            return {site_id: (night, error) for site_id, night, error in rows}

    def update(self, site_id: str, summary: SiteSummary) -> None:
        """Replace one site's summary."""
        self.update_many([(site_id, summary)])

    def refresh(self, store: Store) -> None:
        """Bring the line of an open site up to date after a change that was no check."""
        self.update(store.site.site.id, stored_summary(store))

    def update_many(self, items: Iterable[tuple[str, SiteSummary]]) -> None:
        """Replace many summaries in one transaction."""
        with self._connection() as db:
            _put(db, items)

    def failed(self, site_id: str, message: str, at: str) -> None:
        """Note that a site's night failed at a time (UTC ISO); what was known of it stays."""
        known = self.get(site_id) or SiteSummary(site_id=site_id)
        self.update(site_id, known.with_error(message, at))

    def keep_only(self, site_ids: Iterable[str]) -> None:
        """Forget sites that are no longer in the workspace."""
        with self._connection() as db:
            known = {site_id for (site_id,) in db.execute("SELECT site_id FROM site")}
            gone = sorted(known - set(site_ids))
            db.executemany("DELETE FROM site WHERE site_id = ?", [(site_id,) for site_id in gone])

    def rebuild(self, progress: Callable[[int, int, str], None] | None = None) -> list[SiteSummary]:
        """Fill the index anew from the site files; no site is checked again.

        A site that cannot be read is listed with its error and stops no other.
        ``progress`` is called with (done, total, site id).
        """
        sites = sorted((self.path.parent / "sites").glob("*.sqlite"))
        found: list[tuple[str, SiteSummary]] = []
        for done, path in enumerate(sites, 1):
            site_id = path.stem
            try:
                found.append((site_id, read_summary(path)))
            except (CalloutError, sqlite3.Error, OSError) as exc:
                found.append((site_id, SiteSummary(site_id=site_id, error=str(exc))))
            if progress:
                progress(done, len(sites), site_id)
        with self._connection() as db:
            db.execute("DELETE FROM site")
            _put(db, found)
        return [summary for _, summary in found]

    def _prepare(self) -> None:
        with self._connection() as db:
            version = db.execute("PRAGMA user_version").fetchone()[0]
            if version not in (0, _VERSION):
                db.execute("DROP TABLE IF EXISTS finding")
                db.execute("DROP TABLE IF EXISTS site")
            for statement in _SCHEMA.split(";"):
                db.execute(statement)
            db.execute(f"PRAGMA user_version = {_VERSION}")

    def _drop(self) -> None:
        for suffix in ("", "-wal", "-shm"):
            Path(f"{self.path}{suffix}").unlink(missing_ok=True)

    def _copy(self) -> sqlite3.Connection:
        try:
            return readonly.scratch(self.path, any_thread=True)
        except (sqlite3.Error, OSError):  # none yet, or damaged: the sites tell
            return sqlite3.connect(":memory:", check_same_thread=False)

    @contextmanager
    def _connection(self) -> Iterator[sqlite3.Connection]:
        if self._scratch is not None:
            with self._scratch:
                yield self._scratch
            return
        with closing(sqlite3.connect(self.path, timeout=30.0)) as db:
            db.execute("PRAGMA journal_mode = WAL")
            db.execute("PRAGMA synchronous = NORMAL")
            db.execute("PRAGMA foreign_keys = ON")
            with db:
                yield db


def _damaged(exc: sqlite3.DatabaseError) -> bool:
    return getattr(exc, "sqlite_errorname", "").startswith(("SQLITE_NOTADB", "SQLITE_CORRUPT"))


def _put(db: sqlite3.Connection, items: Iterable[tuple[str, SiteSummary]]) -> None:
    items = list(items)
    db.executemany("DELETE FROM site WHERE site_id = ?", [(site_id,) for site_id, _ in items])
    db.executemany(f"INSERT INTO site VALUES ({', '.join('?' * 20)})", [_site_row(*item) for item in items])
    db.executemany(
        f"INSERT INTO finding VALUES ({', '.join('?' * 15)})",
        [
            (site_id, f.id, f.fault, f.place, f.inverter, f.module, f.action, f.severity, f.status,
             f.confidence, f.loss_wh_per_day, f.loss_wh_total, f.first_seen, f.last_seen, f.returns)
            for site_id, summary in items
            for f in summary.findings
        ],
    )  # fmt: skip


def _site_row(site_id: str, s: SiteSummary) -> tuple[object, ...]:
    live = s.live
    return (
        site_id, s.name, s.customer_ref, s.region, s.latitude, s.longitude, s.commissioned, s.inputs,
        s.rated_w, s.night, s.at, s.to_day, len(live), s.lost_wh_per_day, s.performance,
        s.performance_basis, s.completeness, s.last_sample, s.error, s.dumps(),
    )  # fmt: skip
