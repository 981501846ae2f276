"""Many small jobs on one machine: a process pool that survives its workers.

At most a few jobs per worker are in flight, so memory doesn't grow with their
number. A worker that dies (killed, out of memory, crashed in native code)
takes the pool with it; the pool is then rebuilt and the jobs that were in
flight are tried again one at a time, so that the one to blame is known and
only that one fails.
"""

from __future__ import annotations

import gc
import multiprocessing
import os
import signal
from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from multiprocessing import resource_tracker
from typing import Final, TypeVar

Job = TypeVar("Job")
Result = TypeVar("Result")

#: Jobs handed out ahead per worker: enough that none waits for the parent.
AHEAD: Final = 3


def default_jobs() -> int:
    """Cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def run_in_pool(
    function: Callable[[Job], Result],
    jobs: Iterable[Job],
    workers: int,
    died: Callable[[Job], Result],
) -> Iterator[Result]:
    """Results in the order they come.

    Parameters
    ----------
    function : importable, and must catch its own errors; called in a worker.
    jobs : taken from as workers fall idle, never all at once.
    workers : processes; 1 runs in this process.
    died : makes the result of a job whose worker died under it.
    """
    if workers <= 1:
        yield from map(function, jobs)
        return
    waiting = iter(jobs)
    suspects: deque[Job] = deque()
    more = True
    while more or suspects:
        # Alone with one suspect at a time, then on with everybody.
        alone = bool(suspects)
        source: Iterator[Job] = iter([suspects.popleft()]) if alone else waiting
        lost = yield from _until_broken(function, source, 1 if alone else workers)
        if alone:
            for job in lost:
                yield died(job)
            continue
        suspects.extend(lost)
        more = bool(lost)


def _until_broken(function: Callable[[Job], Result], jobs: Iterator[Job], workers: int) -> Generator[Result, None, list[Job]]:
    """Run jobs until they end or a worker dies; returns those that were in flight then."""
    flight: dict[Future[Result], Job] = {}
    pool = ProcessPoolExecutor(workers, mp_context=_context(), initializer=_calm)
    try:
        while True:
            while len(flight) < workers * AHEAD and (job := next(jobs, None)) is not None:
                try:
                    with out_of_ctrl_c():
                        flight[pool.submit(function, job)] = job
                except BrokenProcessPool:
                    return [*flight.values(), job]
            if not flight:
                return []
            finished, _ = wait(flight, return_when=FIRST_COMPLETED)
            broken: list[Job] = []
            for future in finished:
                job = flight.pop(future)
                try:
                    result = future.result()
                except BrokenProcessPool:
                    broken.append(job)
                    continue
                yield result
            if broken:
                return [*broken, *flight.values()]
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


@contextmanager
def out_of_ctrl_c() -> Iterator[None]:
    """Processes started herein never see Ctrl-C, which reaches the whole group: the parent alone decides what ends when.

    An initializer comes too late: a worker that is still importing would end in a traceback. The parent's own
    Ctrl-C waits until the block is left.
    """
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    resource_tracker.ensure_running()  # it lets SIGINT through again when it starts
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _context() -> multiprocessing.context.BaseContext:
    """Workers forked from a clean server that has our modules loaded.

    A plain fork would copy the threads' locks of a service or a progress bar.
    """
    if "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["triage.nightly"])
    return context


def _calm() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # where no mask keeps it away
    # What is loaded by now stays: the collector need not look through it again at every turn.
    gc.freeze()
