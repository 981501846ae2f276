"""Raw samples of past months as Parquet files beside the site's own file.

``<site>.sqlite`` keeps the recent samples, and everything else for ever;
``<site>.archive/2026-03.input_sample.1f0c9a2b.parquet`` holds one table's samples of
one UTC month, zstd-compressed, sorted by owner and time, with the same scaled
integers. The table ``archive_month`` says which months are there, with row
count and checksum: a file it doesn't list is a left-over and is never read.

A month is moved in one transaction: its file is written, synced, read back
and compared before the rows are deleted. A month that gets new samples is
brought back first, so importing old data again still changes nothing.
Weather and gateway events stay in SQLite: they are few.
"""

from __future__ import annotations

import hashlib
import json
import os
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from collectors import samples
from collectors.errors import StoreError
from collectors.samples import Columns, SampleTable, Times

TABLES: Final = (samples.INPUT_SAMPLE, samples.UNIT_SAMPLE)
_OF_NAME: Final = {table.name: table for table in TABLES}
#: Beyond this level zstd gains a percent for twice the time (own measurement, tests/bench/bench_fleet.py).
_LEVEL: Final = 9

_SCHEMA: Final = """
CREATE TABLE IF NOT EXISTS archive_month (
    month TEXT NOT NULL, kind TEXT NOT NULL, file TEXT NOT NULL, rows INTEGER NOT NULL,
    first_ts INTEGER NOT NULL, last_ts INTEGER NOT NULL, bytes INTEGER NOT NULL, sha256 TEXT NOT NULL,
    PRIMARY KEY (month, kind)) WITHOUT ROWID
"""


@dataclass(frozen=True)
class ArchivedMonth:
    """One table's samples of one UTC month in one file."""

    month: str
    kind: str
    file: str
    rows: int
    first_ts: int
    last_ts: int
    bytes: int
    sha256: str


@dataclass(frozen=True)
class _Block:
    """A file in memory: rows sorted by owner, then time."""

    owner: NDArray[np.int64]
    ts: Times
    columns: Columns


class Archived:
    """Samples of a span that live in Parquet, held for the length of one question."""

    def __init__(self, blocks: dict[str, list[_Block]], start: int, end: int) -> None:
        self._blocks = blocks
        self._start, self._end = start, end

    def join(self, table: SampleTable, owner: int, ts: Times, columns: Columns) -> tuple[Times, Columns]:
        """One owner's rows from SQLite with the archived ones added, times ascending."""
        parts: list[tuple[Times, Columns]] = [(ts, columns)]
        for block in self._blocks.get(table.name, ()):
            low, high = np.searchsorted(block.owner, [owner, owner + 1])
            first, last = low + np.searchsorted(block.ts[low:high], [self._start, self._end])
            if first < last:
                parts.append((block.ts[first:last], [c[first:last] for c in block.columns]))
        if len(parts) == 1:
            return ts, columns
        times = np.concatenate([part[0] for part in parts])
        order = np.argsort(times, kind="stable")
        joined = [np.concatenate(column)[order] for column in zip(*(part[1] for part in parts), strict=True)]
        return times[order], joined


def load(db: sqlite3.Connection, path: Path | None, start: int, end: int) -> Archived:
    """Read the archived months that touch ``start <= ts < end``.

    Raises
    ------
    StoreError : a listed file is missing, damaged or not the one that was written.
    """
    blocks: dict[str, list[_Block]] = {}
    for entry in archived_months(db):
        if path is not None and entry.first_ts < end and entry.last_ts >= start:
            blocks.setdefault(entry.kind, []).append(_read(folder_of(path), entry))
    return Archived(blocks, start, end)


def archived_months(db: sqlite3.Connection) -> list[ArchivedMonth]:
    """What is archived, oldest month first."""
    if db.execute("SELECT 1 FROM sqlite_master WHERE name = 'archive_month'").fetchone() is None:
        return []
    names = ", ".join(ArchivedMonth.__dataclass_fields__)
    rows = db.execute(f"SELECT {names} FROM archive_month ORDER BY month, kind")
    return [ArchivedMonth(*row) for row in rows]


def archived_span(db: sqlite3.Connection) -> tuple[int, int] | None:
    """First and last archived input sample; None when nothing is archived."""
    mine = [m for m in archived_months(db) if m.kind == samples.INPUT_SAMPLE.name]
    return (min(m.first_ts for m in mine), max(m.last_ts for m in mine)) if mine else None


def archived_days(db: sqlite3.Connection, offset_s: int) -> set[int]:
    """Solar days that archived months touch; ``offset_s`` is local mean solar time less UTC, s."""
    days: set[int] = set()
    for entry in archived_months(db):
        days.update(range((entry.first_ts + offset_s) // 86400, (entry.last_ts + offset_s) // 86400 + 1))
    return days


def month_of(ts: int) -> str:
    """UTC month of an epoch second, ``2026-03``."""
    return datetime.fromtimestamp(ts, UTC).strftime("%Y-%m")


def month_bounds(month: str) -> tuple[int, int]:
    """Epoch seconds of a month's start (inclusive) and end (exclusive).

    Raises
    ------
    ValueError : not a month such as ``2026-03``.
    """
    try:
        start = datetime.strptime(month, "%Y-%m").replace(tzinfo=UTC)
    except ValueError as exc:
        raise ValueError(f"'{month}' is not a month such as 2026-03") from exc
    following = start.replace(year=start.year + start.month // 12, month=start.month % 12 + 1)
    return int(start.timestamp()), int(following.timestamp())


def old_months(db: sqlite3.Connection, before: int) -> list[str]:
    """Months with samples in SQLite that end at or before the epoch second ``before``."""
    found: set[str] = set()
    for table in TABLES:
        for owner in _owners(db, table):
            at = _next(db, table, owner, -(1 << 62))
            while at is not None and month_bounds(month_of(at))[1] <= before:
                found.add(month_of(at))
                at = _next(db, table, owner, month_bounds(month_of(at))[1])
    return sorted(found)


def archive_month(db: sqlite3.Connection, path: Path, month: str) -> list[ArchivedMonth]:
    """Move one month's samples to Parquet; the caller holds the transaction.

    A month archived before and brought back in part is joined with its rest.
    """
    db.execute(_SCHEMA)
    bring_back(db, path, [month])
    folder = folder_of(path)
    folder.mkdir(exist_ok=True)
    made = [_move(db, folder, table, month) for table in TABLES]
    return [entry for entry in made if entry is not None]


def bring_back(db: sqlite3.Connection, path: Path | None, months: Sequence[str]) -> list[ArchivedMonth]:
    """Put archived months back into SQLite; the caller holds the transaction.

    The files stay until :func:`sweep`: should the transaction fail, they are still the only copy.
    """
    wanted = [entry for entry in archived_months(db) if entry.month in months and path is not None]
    for entry in wanted:
        assert path is not None
        _insert(db, _OF_NAME[entry.kind], _read(folder_of(path), entry))
        db.execute("DELETE FROM archive_month WHERE month = ? AND kind = ?", (entry.month, entry.kind))
    return wanted


def months_touched(db: sqlite3.Connection, ts: Times) -> list[str]:
    """Archived months that any of the times falls into."""
    touched = []
    for month in sorted({entry.month for entry in archived_months(db)}):
        start, end = month_bounds(month)
        if bool(((ts >= start) & (ts < end)).any()):
            touched.append(month)
    return touched


def sweep(db: sqlite3.Connection, path: Path) -> list[str]:
    """Delete files of the archive folder that no month lists; returns their names."""
    listed = {entry.file for entry in archived_months(db)}
    folder = folder_of(path)
    loose = [f for f in folder.glob("*.parquet*") if f.name not in listed] if folder.is_dir() else []
    for file in loose:
        file.unlink()
    if folder.is_dir() and not any(folder.iterdir()):
        folder.rmdir()
    return sorted(f.name for f in loose)


def problems(db: sqlite3.Connection, path: Path) -> list[str]:
    """What is wrong with the archive, one line each; empty when all is well."""
    found: list[str] = []
    for entry in archived_months(db):
        try:
            block = _read(folder_of(path), entry)
        except StoreError as exc:
            found.append(exc.message)
            continue
        low, high = month_bounds(entry.month)
        if len(block.ts) and (block.ts.min() < low or block.ts.max() >= high):
            found.append(f"{entry.file}: holds times outside {entry.month}")
        found += _twice(db, _OF_NAME[entry.kind], entry.month)
    return found


def left_overs(db: sqlite3.Connection, path: Path) -> list[str]:
    """Files of the archive folder that no month lists."""
    listed = {entry.file for entry in archived_months(db)}
    folder = folder_of(path)
    return sorted(f.name for f in folder.glob("*") if f.name not in listed) if folder.is_dir() else []


def folder_of(path: Path) -> Path:
    """Archive folder of a site's file."""
    return path.with_name(f"{path.stem}.archive")


def _owners(db: sqlite3.Connection, table: SampleTable) -> list[int]:
    return [id_ for (id_,) in db.execute(f"SELECT id FROM {table.name.removesuffix('_sample')} ORDER BY id")]


def _next(db: sqlite3.Connection, table: SampleTable, owner: int, after: int) -> int | None:
    row = db.execute(f"SELECT min(ts) FROM {table.name} WHERE {table.owner} = ? AND ts >= ?", (owner, after)).fetchone()
    return None if row[0] is None else int(row[0])


def _twice(db: sqlite3.Connection, table: SampleTable, month: str) -> list[str]:
    start, end = month_bounds(month)
    for owner in _owners(db, table):
        at = _next(db, table, owner, start)
        if at is not None and at < end:
            return [f"{month}: {table.name} is archived and yet has rows in SQLite"]
    return []


def _move(db: sqlite3.Connection, folder: Path, table: SampleTable, month: str) -> ArchivedMonth | None:
    start, end = month_bounds(month)
    parts = [(owner, *samples.read(db, table, owner, start, end)) for owner in _owners(db, table)]
    parts = [part for part in parts if part[1].size]
    if not parts:
        return None
    block = _Block(
        np.concatenate([np.full(ts.size, owner, np.int64) for owner, ts, _ in parts]),
        np.concatenate([ts for _, ts, _ in parts]),
        [np.concatenate(column) for column in zip(*(columns for *_, columns in parts), strict=True)],
    )
    file, digest, size = _write(folder, month, table, block, _names(db, table))
    entry = ArchivedMonth(month, table.name, file, block.ts.size, int(block.ts.min()), int(block.ts.max()), size, digest)
    back = _read(folder, entry)
    same = np.array_equal(back.owner, block.owner) and np.array_equal(back.ts, block.ts)
    if not same or not all(np.array_equal(a, b, equal_nan=True) for a, b in zip(back.columns, block.columns, strict=True)):
        raise StoreError(f"{folder / file}: does not read back as written; nothing was changed", "Check the disk.")
    db.execute(f"INSERT INTO archive_month VALUES ({', '.join('?' * 8)})", tuple(vars(entry).values()))
    for owner, *_ in parts:
        db.execute(f"DELETE FROM {table.name} WHERE {table.owner} = ? AND ts >= ? AND ts < ?", (owner, start, end))
    return entry


def _names(db: sqlite3.Connection, table: SampleTable) -> dict[str, Any]:
    """Serial (and input number) of each owner, so that a file explains itself."""
    if table is samples.UNIT_SAMPLE:
        return {str(id_): serial for id_, serial in db.execute("SELECT id, serial FROM unit")}
    rows = db.execute("SELECT i.id, u.serial, i.number FROM input i JOIN unit u ON u.id = i.unit_id")
    return {str(id_): [serial, number] for id_, serial, number in rows}


def _write(folder: Path, month: str, table: SampleTable, block: _Block, owners: dict[str, Any]) -> tuple[str, str, int]:
    def whole(column: NDArray[np.float64]) -> pa.Array:
        empty = np.isnan(column)
        return pa.array(np.where(empty, 0, column).astype(np.int64), mask=empty)

    names = [table.owner, "ts", *table.fields]
    arrays = [pa.array(block.owner), pa.array(block.ts), *(whole(c) for c in block.columns)]
    data = pa.table(dict(zip(names, arrays, strict=True)))
    data = data.replace_schema_metadata({"owners": json.dumps(owners)})
    draft = folder / f"{month}.{table.name}.parquet.part"
    try:
        with draft.open("wb") as sink:
            pq.write_table(
                data,
                sink,
                compression="zstd",
                compression_level=_LEVEL,
                use_dictionary=False,
                column_encoding={name: _encoding(name) for name in names},
            )
            sink.flush()
            os.fsync(sink.fileno())
        digest, size = _digest(draft), draft.stat().st_size
        # Named by content: a file that is listed is never written over, whatever happens next.
        file = draft.with_name(f"{month}.{table.name}.{digest[:8]}.parquet")
        draft.replace(file)
    except OSError as exc:
        draft.unlink(missing_ok=True)
        raise StoreError(
            f"{draft}: cannot be written: {exc.strerror or exc}; nothing was changed",
            "Check space and rights.",
        ) from exc
    _sync_folder(folder)
    return file.name, digest, size


def _encoding(name: str) -> str:
    """What packs a column best (own measurement): steps of what creeps, bytes by rank of what jumps."""
    creeps = name.startswith(("ts", "energy", "temperature", "state")) or name.endswith("_id")
    return "DELTA_BINARY_PACKED" if creeps else "BYTE_STREAM_SPLIT"


def _sync_folder(folder: Path) -> None:
    if os.name == "posix":
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _digest(file: Path) -> str:
    with file.open("rb") as source:
        return hashlib.file_digest(source, "sha256").hexdigest()


def _read(folder: Path, entry: ArchivedMonth) -> _Block:
    file = folder / entry.file
    remedy = "`callout restore --from BACKUP` brings it back from a backup."
    table = _OF_NAME[entry.kind]
    try:
        content = file.read_bytes()
    except FileNotFoundError as exc:
        raise StoreError(
            f"{file}: archived samples of {entry.month} are missing",
            f"Keep the folder {folder.name} beside the site's file. {remedy}",
        ) from exc
    except OSError as exc:
        raise StoreError(f"{file}: cannot be read: {exc.strerror}", "Check the rights of the folder.") from exc
    if hashlib.sha256(content).hexdigest() != entry.sha256:
        raise StoreError(f"{file}: damaged: its checksum is not the one noted when it was written", remedy)
    data = pq.read_table(pa.BufferReader(content))
    owner, ts, *columns = (data.column(name) for name in (table.owner, "ts", *table.fields))
    floats = [c.cast(pa.float64()).to_numpy() for c in columns]
    return _Block(owner.to_numpy(), ts.to_numpy(), floats)


def _insert(db: sqlite3.Connection, table: SampleTable, block: _Block) -> None:
    marks = ", ".join("?" * (2 + len(table.fields)))
    # A sample that is in SQLite as well came later; what was archived was there first and stays.
    db.executemany(
        f"INSERT OR REPLACE INTO {table.name} VALUES ({marks})",
        zip(block.owner.tolist(), block.ts.tolist(), *(c.tolist() for c in block.columns), strict=True),
    )
