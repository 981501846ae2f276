"""The process pool: every job gets its answer, whatever happens to the workers."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from triage.fleet.pool import AHEAD, default_jobs, run_in_pool


def _square(number: int) -> tuple[int, int, int]:
    return number, number * number, os.getpid()


def _deadly(number: int) -> tuple[int, int, int]:
    if number % 10 == 7:
        os.kill(os.getpid(), signal.SIGKILL)
    return _square(number)


def _once(path: str) -> str:
    """`a` dies under the first who tries it and works for the second."""
    mark = Path(path)
    if mark.name == "a" and not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return path


def _died(number: int) -> tuple[int, int, int]:
    return number, -1, 0


@pytest.mark.parametrize("workers", [1, 2])
def test_every_job_is_answered_once(workers: int) -> None:
    results = list(run_in_pool(_square, range(50), workers, _died))
    assert sorted((n, s) for n, s, _ in results) == [(n, n * n) for n in range(50)]
    mine = {pid for *_, pid in results} == {os.getpid()}
    assert mine == (workers == 1)


def test_a_job_that_kills_its_worker_fails_alone() -> None:
    results = list(run_in_pool(_deadly, range(12), 2, _died))
    assert sorted((n, s) for n, s, _ in results) == [(n, -1 if n % 10 == 7 else n * n) for n in range(12)]


def test_a_job_whose_worker_was_killed_by_chance_is_done_after_all(tmp_path: Path) -> None:
    paths = [str(tmp_path / name) for name in "abc"]
    assert sorted(run_in_pool(_once, paths, 2, lambda job: f"{job} died")) == paths


def test_jobs_are_taken_as_they_are_needed() -> None:
    taken = 0

    def source() -> Iterator[int]:
        nonlocal taken
        for number in range(1000):
            taken += 1
            yield number

    results = run_in_pool(_square, source(), 2, _died)
    next(results)
    assert taken <= 2 * AHEAD + 1
    results.close()  # type: ignore[attr-defined]
    assert taken <= 2 * AHEAD + 1


def test_no_jobs_no_results() -> None:
    assert list(run_in_pool(_square, [], 4, _died)) == []


def test_default_is_the_cores_we_may_use() -> None:
    assert default_jobs() == len(os.sched_getaffinity(0))


def _sees_ctrl_c(_: int) -> bool:
    return signal.SIGINT not in signal.pthread_sigmask(signal.SIG_BLOCK, ())


def test_ctrl_c_reaches_the_parent_alone() -> None:
    assert list(run_in_pool(_sees_ctrl_c, range(4), 2, lambda _: True)) == [False] * 4
    assert _sees_ctrl_c(0)
