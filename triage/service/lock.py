"""One service per workspace: a lock file the kernel lets go of when the process dies."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from collectors.errors import StoreError, UsageError

FILE_NAME = "service.lock"


@contextmanager
def only_one(workspace: Path, what: str = "callout serve") -> Iterator[None]:
    """Hold the workspace's lock for the block.

    Raises
    ------
    UsageError : another process holds it; the error names it.
    StoreError : the lock file cannot be written.
    """
    path = workspace / FILE_NAME
    try:
        workspace.mkdir(parents=True, exist_ok=True)
        # Not truncated on opening: the holder's name must survive our attempt.
        opened = path.open("a+", encoding="utf-8")
    except OSError as exc:
        raise StoreError(
            f"{path}: cannot be opened: {exc.strerror}",
            "Check that you may write to the workspace, or choose another --workspace.",
        ) from exc
    with opened as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as exc:
            file.seek(0)
            holder = file.read().strip() or "another process"
            raise UsageError(
                f"{workspace}: already looked after by {holder}",
                "One process per workspace: use the running one, or stop it first.",
            ) from exc
        file.seek(0)
        file.truncate()
        file.write(f"{what} (process {os.getpid()})")
        file.flush()
        try:
            yield
        finally:
            file.seek(0)
            file.truncate()
            fcntl.flock(file, fcntl.LOCK_UN)
