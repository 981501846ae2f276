"""The same jobs on a Dask cluster: many machines, one shared folder.

The scheduler gives a dead worker's jobs to others. A job that kills worker
after worker is given up by the scheduler and listed as failed. Results are
fetched as they come, so a worker's death costs only the jobs it held.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import Any, Final, TypeVar

from collectors.errors import LinkError, UsageError

Job = TypeVar("Job")
Result = TypeVar("Result")

#: Jobs handed out ahead per worker thread.
AHEAD: Final = 3
#: How long to wait for the scheduler, then for a first worker, s.
PATIENCE_S: float = 20.0


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
    LinkError : no scheduler there, or no worker joined it.
    """
    try:
        import distributed
    except ImportError as exc:
        raise UsageError(
            "--cluster needs the package 'distributed'", "Install it with: pip install 'callout[cluster]'"
        ) from exc
    dask: Any = distributed
    try:
        client = dask.Client(address, timeout=PATIENCE_S, set_as_default=False)
    except (OSError, ValueError) as exc:
        raise LinkError(
            f"{address}: no cluster scheduler answers: {exc}",
            "Start one with `dask scheduler`, or check the address.",
        ) from exc
    with client:
        try:
            client.wait_for_workers(1, timeout=PATIENCE_S)
        except TimeoutError as exc:
            raise LinkError(
                f"{address}: the cluster has no worker",
                f"Start one with `dask worker {address} --nthreads 1`.",
            ) from exc
        waiting = iter(jobs)
        of_future: dict[Any, Job] = {}

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
        for future in running:
            job = of_future.pop(future.key)
            error = future.exception()
            yield failed(job, _words(error)) if error is not None else future.result()
            for more in submit(1):
                running.add(more)


def _words(error: BaseException) -> str:
    if type(error).__name__ == "KilledWorker":
        return "the worker died each time this site was tried"
    return f"{type(error).__name__}: {error}"
