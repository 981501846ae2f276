"""SQLite files that can be read and not written: another's workspace, a backup, a disk mounted read-only or full.

SQLite's write-ahead log wants to write beside the file even to read it. So a file at rest is opened as one
that nobody changes; one in use is read through the log its writer keeps; and a log left behind by a writer
that died is worked off in a copy.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final
from urllib.parse import quote

_EFFECTIVE: Final = os.access in os.supports_effective_ids


def writable(path: Path) -> bool:
    """Whether a SQLite file, there or yet to be made, can be written: it and its folder have to be."""
    folder = path.parent
    while not folder.exists() and folder != folder.parent:
        folder = folder.parent
    return all(os.access(p, os.W_OK, effective_ids=_EFFECTIVE) for p in (folder, path) if p.exists())


def reader(path: Path) -> sqlite3.Connection:
    """A connection that only reads, whether the file can be written or not; raises as :func:`connect`."""
    if writable(path):
        try:
            return _open(path, "mode=ro", False)
        except sqlite3.OperationalError as exc:
            if not no_room(exc):
                raise
    return connect(path)


def no_room(problem: BaseException | None) -> bool:
    """Whether SQLite found no room on the disk, be it only for the few pages it keeps beside a file in use."""
    name = getattr(problem, "sqlite_errorname", "")
    return isinstance(problem, sqlite3.OperationalError) and name.startswith(("SQLITE_FULL", "SQLITE_IOERR"))


def connect(path: Path, any_thread: bool = False) -> sqlite3.Connection:
    """Read a file that is not written; the caller closes the connection.

    Raises
    ------
    sqlite3.Error : it cannot be read, or is damaged.
    OSError : it cannot be read.
    """
    log = Path(f"{path}-wal")
    if not log.exists() or not log.stat().st_size:
        return _open(path, "mode=ro&immutable=1", any_thread)
    try:
        return _open(path, "mode=ro", any_thread)
    except sqlite3.OperationalError:
        with TemporaryDirectory() as folder:
            copy = Path(folder) / path.name
            shutil.copyfile(path, copy)
            shutil.copyfile(log, f"{copy}-wal")
            with closing(sqlite3.connect(copy)) as db:
                return in_memory(db, any_thread)


def scratch(path: Path, any_thread: bool = False) -> sqlite3.Connection:
    """A copy in memory that may be written and is forgotten when it is closed; raises as :func:`connect`."""
    with closing(connect(path)) as db:
        return in_memory(db, any_thread)


def in_memory(db: sqlite3.Connection, any_thread: bool = False) -> sqlite3.Connection:
    """Everything a connection sees, copied into memory."""
    copy = sqlite3.connect(":memory:", isolation_level=None, check_same_thread=not any_thread)
    db.backup(copy)
    copy.execute("PRAGMA foreign_keys = ON")
    return copy


def _open(path: Path, how: str, any_thread: bool) -> sqlite3.Connection:
    address = f"file:{quote(str(path))}?{how}"
    db = sqlite3.connect(address, uri=True, timeout=30.0, isolation_level=None, check_same_thread=not any_thread)
    try:
        db.execute("SELECT 1 FROM sqlite_master").fetchone()
    except sqlite3.Error:
        db.close()
        raise
    return db
