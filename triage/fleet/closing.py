"""Closing one site's file while the next site is checked.

On closing, SQLite moves what the write-ahead log holds into the file and waits
for the disk, several times; a night over many sites need not wait with it.
What a check wrote is committed before: if the process dies meanwhile, the log
stays, and whoever opens the file next finds everything.
"""

from __future__ import annotations

import logging
import sqlite3
import time
from threading import Thread

from collectors.store import Store

_log = logging.getLogger(__name__)


class Closer:
    """Closes stores one at a time in a thread of its own; the process does not end before they are closed."""

    def __init__(self) -> None:
        # One thread for each store: a pool's threads would be missing in a process forked from this one.
        self._thread: Thread | None = None
        self._cpu_s = 0.0

    def close(self, store: Store) -> float:
        """Have a store closed that was opened for any thread; waits only for the one before.

        Returns the processor seconds that closing the one before took.
        """
        spent = self.wait()
        self._thread = Thread(target=self._close, args=(store,), name="closing")
        self._thread.start()
        return spent

    def wait(self) -> float:
        """Wait until every store is closed; returns the processor seconds of the last one."""
        if self._thread:
            self._thread.join()
        spent, self._cpu_s, self._thread = self._cpu_s, 0.0, None
        return spent

    def _close(self, store: Store) -> None:
        try:
            store.close()
        except sqlite3.Error:
            _log.exception("%s: closing it failed; its write-ahead log stays beside it", store.path)
        self._cpu_s = time.thread_time()
