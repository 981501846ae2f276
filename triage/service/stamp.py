"""Whether a SQLite file was written to since, without opening it."""

from __future__ import annotations

from pathlib import Path


def file_stamp(path: Path) -> tuple[int, ...]:
    """Numbers that change with every write to the file.

    A write-ahead log that is empty says nothing: every reader makes one and takes it away again.
    """
    log = _facts(Path(f"{path}-wal"))
    return (*_facts(path), *(log if log[1] else ()))


def _facts(path: Path) -> tuple[int, int]:
    try:
        found = path.stat()
    except FileNotFoundError:
        return (0, 0)
    return (found.st_mtime_ns, found.st_size)
