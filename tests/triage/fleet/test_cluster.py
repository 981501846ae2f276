"""A real cluster of separate worker processes on this machine, and one of them killed."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest
from night_makers import AT, deadly_note, ledger_rows, make_workspace, slow_note

from collectors.errors import LinkError
from triage.fleet.cluster import AHEAD, run_on_cluster
from triage.fleet.index import FleetIndex
from triage.nightly import run_nights

dask = pytest.importorskip("dask")
distributed = pytest.importorskip("distributed")
# The cluster's own start and stop warn in ways that are none of our business.
pytestmark = [pytest.mark.slow, pytest.mark.filterwarnings("ignore")]


@pytest.fixture
def cluster() -> Iterator[distributed.LocalCluster]:
    here = str(Path(__file__).parent)
    before = os.environ.get("PYTHONPATH", "")
    os.environ["PYTHONPATH"] = os.pathsep.join(filter(None, [here, before]))
    try:
        with (
            # On a busy machine a worker takes its time to come back.
            dask.config.set({"distributed.comm.timeouts.connect": "120s"}),
            distributed.LocalCluster(
                n_workers=2, threads_per_worker=1, processes=True, dashboard_address=":0", host="127.0.0.1"
            ) as running,
        ):
            yield running
    finally:
        os.environ["PYTHONPATH"] = before


def _pids(address: str) -> dict[str, int]:
    with distributed.Client(address, set_as_default=False) as client:
        return dict(client.run(os.getpid))


def _lost(job: tuple[str, int], why: str) -> str:
    return f"{job[1]}: {why}"


def test_a_worker_killed_mid_run_loses_nothing_and_repeats_only_its_jobs(cluster: distributed.LocalCluster, tmp_path: Path) -> None:
    jobs = [(str(tmp_path), n) for n in range(40)]
    pids = _pids(cluster.scheduler_address)
    assert os.getpid() not in pids.values()
    results: list[int | str] = []
    for result in run_on_cluster(cluster.scheduler_address, slow_note, jobs, _lost):
        results.append(result)
        if len(results) == 8:
            os.kill(next(iter(pids.values())), signal.SIGKILL)
    assert sorted(results) == list(range(40))
    begun = [len((tmp_path / f"{n}.begun").read_text().splitlines()) for n in range(40)]
    assert min(begun) == 1
    # Nothing but what the dead worker held in hand or had not handed over is done again.
    assert sum(begun) - 40 <= AHEAD + 1


def test_a_job_that_kills_every_worker_is_given_up_and_named(cluster: distributed.LocalCluster, tmp_path: Path) -> None:
    jobs = [(str(tmp_path), n) for n in range(8)]
    results = list(run_on_cluster(cluster.scheduler_address, deadly_note, jobs, _lost))
    assert "3: the worker died each time this site was tried" in results
    assert sorted(r for r in results if isinstance(r, int)) == [0, 1, 2, 4, 5, 6, 7]


def test_who_shared_a_worker_with_a_deadly_job_is_not_blamed(cluster: distributed.LocalCluster, tmp_path: Path) -> None:
    cluster.scheduler.allowed_failures = 0  # one death is enough: the neighbour in the worker's hand is given up too
    jobs = [(str(tmp_path), n) for n in range(8)]
    results = list(run_on_cluster(cluster.scheduler_address, deadly_note, jobs, _lost))
    assert [r for r in results if isinstance(r, str)] == ["3: the worker died each time this site was tried"]
    assert sorted(r for r in results if isinstance(r, int)) == [0, 1, 2, 4, 5, 6, 7]


def test_a_cluster_whose_workers_all_leave_is_not_waited_for(
    cluster: distributed.LocalCluster, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("triage.fleet.cluster.ABANDONED_S", 0.1)
    jobs = [(str(tmp_path), n) for n in range(40)]
    results = run_on_cluster(cluster.scheduler_address, slow_note, jobs, _lost)
    next(results)
    cluster.scale(0)
    with pytest.raises(LinkError, match="every worker of the cluster has gone"):
        list(results)


def test_the_cluster_says_the_same_as_one_process(cluster: distributed.LocalCluster, tmp_path: Path) -> None:
    one, many = make_workspace(tmp_path / "one", 6), make_workspace(tmp_path / "many", 6)
    many.path_of("broken").write_bytes(b"\0" * 5000)
    first = run_nights(one, 1, at=AT)
    second = run_nights(many, cluster=cluster.scheduler_address, at=AT)
    assert list(second.failed) == ["broken"]
    assert (first.done, first.new, first.act) == (second.done, second.new, second.act)
    many.path_of("broken").unlink()
    assert ledger_rows(one) == ledger_rows(many)
    assert run_nights(many, cluster=cluster.scheduler_address, at=AT).skipped == 6
    assert FleetIndex(one.path).summaries() == FleetIndex(many.path).summaries()
