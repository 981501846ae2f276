"""The same jobs on a Dask cluster: many machines, one shared folder.

The scheduler gives a dead worker's jobs to others. A job that kills worker
after worker is given up by the scheduler and listed as failed; those that were
given up with it are tried again, each alone. Results are
fetched as they come, so a worker's death costs only the jobs it held.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator
from typing import Any, Final, TypeVar

from collectors.errors import LinkError, UsageError

Job = TypeVar("Job")
Result = TypeVar("Result")

#: Jobs handed out ahead per worker thread.
AHEAD: Final = 3
#: How long to wait for the scheduler, then for a first worker, s.
PATIENCE_S: float = 20.0
#: How long a run goes on with no worker left: dead ones are commonly started again, s.
ABANDONED_S: float = 120.0
#: How often to look for results, and to ask whether there are workers, s.
_LOOK_S: Final = 0.02
_ASK_S: Final = 5.0


def run_on_cluster(
    address: str,
    function: Callable[[Job], Result],
    jobs: Iterable[Job],
    failed: Callable[[Job, str], Result],
) -> Iterator[Result]:
    """Results in the order they come.

    Parameters
    ----------
    address : the scheduler's, such as ``tcp://10.0.0.5:8786``.
    function : importable on the workers, and must catch its own errors.
    jobs : taken from as workers fall idle.
    failed : makes the result of a job the cluster gave up.

    Raises
    ------
    UsageError : the package ``distributed`` is missing.
    LinkError : no scheduler there, no worker joined it, or all have left and none came back.
    """
    dask = _dask()
    with _client(dask, address) as client:
        _wait_for_worker(client, address)
        waiting = iter(jobs)
        of_future: dict[Any, Job] = {}
        doubtful: list[tuple[Job, BaseException]] = []

        def submit(count: int) -> list[Any]:
            futures: list[Any] = []
            while len(futures) < count and (job := next(waiting, None)) is not None:
                # Not pure: the same site another night is another job.
                future = client.submit(function, job, pure=False)
                of_future[future.key] = job
                futures.append(future)
            return futures

        ahead = AHEAD * max(sum(client.nthreads().values()), 1)
        running = dask.as_completed(submit(ahead), loop=client.loop)
        patience = _Patience(client, address)
        while not running.is_empty():
            while not running.has_ready():
                patience.wait()
            patience.heard()
            future = next(running)
            job = of_future.pop(future.key)
            done = _fetch(future, patience)
            if isinstance(done, dask.KilledWorker):
                doubtful.append((job, done))
            else:
                yield failed(job, _words(done)) if isinstance(done, BaseException) else done
            for more in submit(1):
                running.add(more)
        # Who shared a worker with a deadly job died with it as often: alone, each shows which of them it was.
        for job, death in doubtful:
            again = _fetch(client.submit(function, job, pure=False), patience) if len(doubtful) > 1 else death
            yield failed(job, _words(again)) if isinstance(again, BaseException) else again


def _dask() -> Any:
    try:
        import distributed
    except ImportError as exc:
        raise UsageError("--cluster needs the package 'distributed'", "Install it with: pip install 'callout[cluster]'") from exc
    return distributed


def _client(dask: Any, address: str) -> Any:
    try:
        return dask.Client(address, timeout=PATIENCE_S, set_as_default=False)
    except (OSError, ValueError) as exc:
        raise LinkError(
            f"{address}: no cluster scheduler answers: {exc}",
            "Start one with `dask scheduler`, or check the address.",
        ) from exc


def _wait_for_worker(client: Any, address: str) -> None:
    try:
        client.wait_for_workers(1, timeout=PATIENCE_S)
    except TimeoutError as exc:
        raise LinkError(
            f"{address}: the cluster has no worker",
            f"Start one with `dask worker {address} --nthreads 1`.",
        ) from exc


class _Patience:
    """Waits for a cluster, but not for one whose workers have all gone for good."""

    def __init__(self, client: Any, address: str) -> None:
        self._client = client
        self._address = address
        self._asked = self._seen = time.monotonic()

    def heard(self) -> None:
        """A job has come back."""
        self._seen = time.monotonic()

    def wait(self) -> None:
        """Wait a moment.

        Raises
        ------
        LinkError : there has been no worker for ``ABANDONED_S``.
        """
        time.sleep(_LOOK_S)
        now = time.monotonic()
        if now - self._asked < _ASK_S:
            return
        self._asked = now
        if self._client.nthreads():
            self._seen = now
        elif now - self._seen > ABANDONED_S:
            raise LinkError(
                f"{self._address}: every worker of the cluster has gone",
                "Start workers again and repeat the command: sites that are done are not done again.",
            )


def _fetch(future: Any, patience: _Patience) -> Any:
    """What a finished job returned, or the cluster's error.

    A result can still die with the worker that holds it; the scheduler then has it made again.
    """
    while True:
        try:
            return future.result(timeout=_ASK_S)
        except TimeoutError:
            patience.wait()
        except Exception as exc:  # the job itself catches its errors: this one is the cluster's
            return exc


def _words(error: BaseException) -> str:
    if type(error).__name__ == "KilledWorker":
        return "the worker died each time this site was tried"
    return f"{type(error).__name__}: {error}"
