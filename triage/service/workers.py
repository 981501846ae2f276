"""Where checks run: processes of their own, so that a reader never waits for one."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from typing import Any

from triage.fleet.pool import out_of_ctrl_c


class Workers(Executor):
    """A process pool that starts with its first task and is replaced when a worker dies."""

    def __init__(self, count: int) -> None:
        self._count = count
        self._pool: ProcessPoolExecutor | None = None
        self._lock = threading.Lock()
        self._closed = False

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        with self._lock:
            if self._closed:
                raise RuntimeError("the workers are shut down")
            try:
                return self._start(fn, *args, **kwargs)
            except BrokenProcessPool:
                self._pool = None  # killed from outside, out of memory perhaps
                return self._start(fn, *args, **kwargs)

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        with self._lock:
            self._closed = True
            pool, self._pool = self._pool, None
        if pool is not None:
            pool.shutdown(wait=wait, cancel_futures=cancel_futures)

    def _start(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        with out_of_ctrl_c():
            return self._running().submit(fn, *args, **kwargs)

    def _running(self) -> ProcessPoolExecutor:
        if self._pool is None:
            # spawn: a fork would copy the service's threads and locks in mid-air
            self._pool = ProcessPoolExecutor(self._count, mp_context=multiprocessing.get_context("spawn"), initializer=_begin)
        return self._pool


class Here(Executor):
    """Runs a task at once in this thread: for commands and tests."""

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        future: Future[Any] = Future()
        try:
            future.set_result(fn(*args, **kwargs))
        except Exception as exc:
            future.set_exception(exc)
        return future


def _begin() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # where no mask keeps it away
    os.nice(10)  # readers come first; a night has all night
