"""Keeping years: moving old months to the archive and back, and looking for damage."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Final

from collectors import archive, readonly
from collectors.errors import CalloutError, StoreError, UsageError
from collectors.store import Store
from triage.workspace import Workspace

#: Share of a file's pages that must be free before it is rewritten smaller (own choice).
_WORTH_SHRINKING: Final = 0.2

Progress = Callable[[int, int, str], None]


@dataclass
class SiteUpkeep:
    """What was done to one site, or found in it.

    ``months`` were moved; ``rows`` is how many samples; ``bytes`` what they
    take in the archive; ``shrunk`` how much smaller the site's file became.
    """

    site_id: str
    months: list[str] = field(default_factory=list)
    rows: int = 0
    bytes: int = 0
    shrunk: int = 0
    problems: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    error: str = ""

    def to_json(self) -> dict[str, Any]:
        return asdict(self)


def archive_sites(place: Workspace, before: int, sites: Sequence[str], progress: Progress | None = None) -> list[SiteUpkeep]:
    """Move every month that ends at or before the epoch second ``before`` to Parquet.

    One month is one transaction; a site that fails is listed and stops no other.
    """
    return _each(sites, lambda site_id, done: _archive(place.path_of(site_id), before, done), progress)


def restore_months(
    place: Workspace, months: Sequence[str], sites: Sequence[str], progress: Progress | None = None
) -> list[SiteUpkeep]:
    """Put archived months (``2026-03``; none given is all) back into SQLite."""
    for month in months:
        try:
            archive.month_bounds(month)
        except ValueError as exc:
            raise UsageError(f"month = {exc}", "Write it as YYYY-MM.") from exc
    return _each(sites, lambda site_id, done: _restore(place.path_of(site_id), months, done), progress)


def verify_sites(place: Workspace, sites: Sequence[str], progress: Progress | None = None) -> list[SiteUpkeep]:
    """Integrity of every page, every reference and every archived file."""
    return _each(sites, lambda site_id, done: _verify(place.path_of(site_id), done), progress)


def _each(sites: Sequence[str], work: Callable[[str, SiteUpkeep], None], progress: Progress | None) -> list[SiteUpkeep]:
    results = []
    for count, site_id in enumerate(sites, 1):
        done = SiteUpkeep(site_id)
        try:
            work(site_id, done)
        except CalloutError as exc:
            done.error = exc.message
        except (sqlite3.Error, OSError) as exc:
            done.error = str(exc)
        results.append(done)
        if progress:
            progress(count, len(sites), site_id)
    return results


def _archive(path: Path, before: int, done: SiteUpkeep) -> None:
    with Store.open(path) as store:
        size = path.stat().st_size
        for month in archive.old_months(store.db.conn, before):
            with store.transaction() as db:
                made = archive.archive_month(db, path, month)
            done.months.append(month)
            done.rows += sum(m.rows for m in made)
            done.bytes += sum(m.bytes for m in made)
        archive.sweep(store.db.conn, path)
        if done.months:
            _shrink(store.db.conn)
            done.shrunk = size - path.stat().st_size


def _restore(path: Path, months: Sequence[str], done: SiteUpkeep) -> None:
    with Store.open(path) as store:
        there = sorted({m.month for m in archive.archived_months(store.db.conn)})
        for month in [m for m in there if not months or m in months]:
            with store.transaction() as db:
                back = archive.bring_back(db, path, [month])
            done.months.append(month)
            done.rows += sum(m.rows for m in back)
            done.bytes += sum(m.bytes for m in back)
        archive.sweep(store.db.conn, path)


def _shrink(db: sqlite3.Connection) -> None:
    pages, free = (db.execute(f"PRAGMA {name}").fetchone()[0] for name in ("page_count", "freelist_count"))
    if free > _WORTH_SHRINKING * pages:
        db.execute("VACUUM")
    db.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def _verify(path: Path, done: SiteUpkeep) -> None:
    with closing(readonly.reader(path)) as db:
        lines = [row[0] for row in db.execute("PRAGMA integrity_check(20)")]
        done.problems += [line for line in lines if line != "ok"]
        done.problems += [
            f"{table} row {row} refers to nothing in {parent}" for table, row, parent, _ in db.execute("PRAGMA foreign_key_check")
        ]
        if not done.problems:
            done.problems += archive.problems(db, path)
            left = archive.left_overs(db, path)
            if left:
                done.notes.append(f"left over in {archive.folder_of(path).name}: {', '.join(left)}")
    if not done.problems:
        try:
            Store.open(path).close()
        except StoreError as exc:
            done.problems.append(exc.message)
