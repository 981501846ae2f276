"""A night over a workspace: nothing twice, nothing lost, nobody stopped by one bad site."""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from night_makers import AT, ledger_rows, make_workspace, telemetry
from typer.testing import CliRunner

import triage.nightly as nightly
from collectors.errors import LinkError, UsageError
from collectors.store import Store
from triage.check import LOOK_BACK_EVERY, WINDOW_DAYS, look_back_of, note_look_back
from triage.cli import app
from triage.fleet import closing as closing_files
from triage.fleet import cluster
from triage.fleet.index import FleetIndex
from triage.ledger import Ledger
from triage.nightly import night_of, run_nights
from triage.workspace import Workspace


@pytest.fixture
def place(tmp_path: Path) -> Workspace:
    return make_workspace(tmp_path)


def test_every_site_is_checked_and_stands_in_the_index(place: Workspace) -> None:
    report = run_nights(place, 1, at=AT)
    assert (report.done, report.skipped, report.failed) == (3, 0, {})
    assert report.act == {"roof-1": "Go: dead input, U2/1."}
    assert report.exit_code == 1
    good, dead, _ = FleetIndex(place.path).summaries()
    assert (dead.night, dead.to_day) == ("2026-06-04", "2026-06-04")
    assert [(f.fault, f.place) for f in dead.live] == [("dead-input", "U2/1")]
    assert good.live == ()
    assert good.completeness == pytest.approx(1.0)
    assert good.performance_basis.startswith("energy over expected energy")
    assert good.energy_wh == pytest.approx(telemetry(0, 4, None)["dc_power_w"].sum() / 4, rel=0.01)


@pytest.mark.parametrize("jobs", [1, 2])
def test_every_file_is_closed_when_the_night_is_over(place: Workspace, jobs: int) -> None:
    run_nights(place, jobs, at=AT)
    assert sorted(p.name for p in place.sites_folder.iterdir()) == ["roof-0.sqlite", "roof-1.sqlite", "roof-2.sqlite"]


def test_a_file_whose_closing_fails_costs_no_site_its_night(
    place: Workspace, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def full(_store: Store) -> None:
        raise sqlite3.OperationalError("database or disk is full")

    # An earlier test in this process may have set logging up as the service does.
    monkeypatch.setattr(closing_files._log, "disabled", False)
    monkeypatch.setattr(closing_files._log, "propagate", False)
    monkeypatch.setattr(closing_files._log, "handlers", [caplog.handler])
    with monkeypatch.context() as patch:
        patch.setattr(Store, "close", full)
        report = run_nights(place, 1, at=AT)
    assert (report.done, report.failed) == (3, {})
    assert "its write-ahead log stays beside it" in caplog.text
    assert run_nights(place, 1, at=AT).skipped == 3


def test_a_night_done_twice_changes_nothing(place: Workspace) -> None:
    run_nights(place, 1, at=AT)
    rows, summaries = ledger_rows(place), FleetIndex(place.path).summaries()
    later = AT + timedelta(hours=3)
    second = run_nights(place, 1, at=later)
    assert (second.done, second.skipped, second.new) == (0, 3, 0)
    assert list(second.act) == ["roof-1"]
    assert ledger_rows(place) == rows
    assert FleetIndex(place.path).summaries() == summaries
    third = run_nights(place, 1, at=later, again=True)
    assert (third.done, third.skipped, third.new) == (3, 0, 0)
    assert ledger_rows(place) == rows
    at = later.strftime("%Y-%m-%dT%H:%M:%SZ")
    assert FleetIndex(place.path).summaries() == [replace(s, at=at) for s in summaries]


def test_only_a_site_with_something_new_is_done_again(place: Workspace) -> None:
    run_nights(place, 1, at=AT)
    with place.open("roof-0") as store:
        # Readings of the day that is running now are for the next night.
        store.add_telemetry(telemetry(4, 1).query("ts < 1780621200"), "this morning")
    assert run_nights(place, 1, at=AT).skipped == 2  # an import is looked at, though nothing comes of it
    assert run_nights(place, 1, at=AT).skipped == 3
    with place.open("roof-2") as store:
        store.add_telemetry(telemetry(-1, 1), "late backfill")
    report = run_nights(place, 1, at=AT)
    assert (report.done, report.skipped) == (1, 2)
    assert run_nights(place, 1, at=AT + timedelta(days=1)).done == 3


def test_the_night_adds_up_over_midnight() -> None:
    # At longitude 0 a solar day is a UTC day; a night is over at solar noon.
    assert night_of("2026-06-04T21:00:00Z", 0.0) == "2026-06-04"
    assert night_of("2026-06-05T03:00:00Z", 0.0) == "2026-06-04"
    assert night_of("2026-06-05T11:59:59Z", 0.0) == "2026-06-04"
    assert night_of("2026-06-05T12:00:00Z", 0.0) == "2026-06-05"
    # 150 degrees east the sun is ten hours ahead.
    assert night_of("2026-06-05T03:00:00Z", 150.0) == "2026-06-05"


def test_one_bad_site_never_stops_the_rest(place: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    place.path_of("broken").write_bytes(b"\0" * 5000)
    place.path_of("cut").write_bytes(place.path_of("roof-0").read_bytes()[:20_000])
    place.path_of("empty").touch()
    report = run_nights(place, 2, at=AT)
    assert (report.done, sorted(report.failed)) == (3, ["broken", "cut", "empty"])
    assert all(report.failed.values())
    summaries = {s.site_id: s for s in FleetIndex(place.path).summaries()}
    assert summaries["broken"].error == report.failed["broken"]
    # What was known of a site stays when a later night fails.
    monkeypatch.setattr(nightly, "check_store", _bug)
    later = run_nights(place, 1, at=AT + timedelta(days=1))
    assert len(later.failed) == 6
    assert later.failed["roof-1"] == "ZeroDivisionError: a bug"
    kept = {s.site_id: s for s in FleetIndex(place.path).summaries()}["roof-1"]
    assert (kept.night, kept.error, len(kept.live)) == ("2026-06-04", "ZeroDivisionError: a bug", 1)


def _bug(*_args: object, **_kw: object) -> None:
    raise ZeroDivisionError("a bug")


def test_a_bug_keeps_its_traceback(
    place: Workspace,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setattr(nightly, "check_store", _bug)
    # An earlier test in this process may have set logging up as the service does.
    monkeypatch.setattr(nightly._log, "disabled", False)
    monkeypatch.setattr(nightly._log, "propagate", False)
    monkeypatch.setattr(nightly._log, "handlers", [caplog.handler])
    run_nights(place, 1, at=AT)
    assert caplog.text.count('raise ZeroDivisionError("a bug")') == 3
    assert capsys.readouterr().out == ""  # where --json goes
    task = nightly.SiteNight("roof-0", str(place.path_of("roof-0")), "", "2026-06-05T02:00:00Z")
    assert 'raise ZeroDivisionError("a bug")' in nightly.site_night(task).trace


def test_stopped_and_started_again_it_goes_on_where_it_was(place: Workspace) -> None:
    def stop(done: int, _total: int, _site: str) -> None:
        if done == 2:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run_nights(place, 1, at=AT, progress=stop)
    assert [s.site_id for s in FleetIndex(place.path).summaries()] == ["roof-0", "roof-1"]
    report = run_nights(place, 1, at=AT)
    assert (report.done, report.skipped) == (1, 2)


def test_a_killed_run_leaves_the_index_behind_and_the_next_one_mends_it(place: Workspace) -> None:
    pid = os.fork()
    if pid == 0:  # a run that dies after its second site, without a word
        run_nights(place, 1, at=AT, progress=lambda done, *_: os._exit(9) if done == 2 else None)
        os._exit(0)
    assert os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]) == 9
    report = run_nights(place, 1, at=AT)
    assert (report.done, report.skipped) == (1, 2)
    assert len(FleetIndex(place.path).summaries()) == 3


def test_a_pool_says_the_same_as_one_process(tmp_path: Path) -> None:
    one, many = make_workspace(tmp_path / "one"), make_workspace(tmp_path / "many")
    steps: list[int] = []
    first = run_nights(one, 1, at=AT)
    second = run_nights(many, 2, at=AT, progress=lambda done, *_: steps.append(done))
    timing = {"seconds": 0, "cpu_s": 0}
    assert {**first.to_json(), **timing} == {**second.to_json(), **timing}
    assert FleetIndex(one.path).summaries() == FleetIndex(many.path).summaries()
    assert ledger_rows(one) == ledger_rows(many)
    assert steps == [1, 2, 3]


def test_the_index_rebuilt_from_the_sites_is_the_same(place: Workspace) -> None:
    run_nights(place, 1, at=AT)
    index = FleetIndex(place.path)
    summaries = index.summaries()
    index.path.unlink()
    assert FleetIndex(place.path).rebuild() == summaries


def test_a_site_that_left_leaves_the_index(place: Workspace) -> None:
    run_nights(place, 1, at=AT)
    place.path_of("roof-1").unlink()
    run_nights(place, 1, at=AT)
    assert [s.site_id for s in FleetIndex(place.path).summaries()] == ["roof-0", "roof-2"]


def test_wrong_words(place: Workspace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(UsageError, match="night = 'yesterday' is not a date"):
        run_nights(place, 1, night="yesterday")
    with pytest.raises(UsageError, match="has no sites"):
        run_nights(tmp_path / "nothing", 1)
    monkeypatch.setattr(cluster, "PATIENCE_S", 0.5)
    with pytest.raises(LinkError, match=r"tcp://127\.0\.0\.1:9: no cluster scheduler answers"):
        run_nights(place, cluster="tcp://127.0.0.1:9", at=datetime(2026, 6, 5, tzinfo=UTC))


def test_on_a_cluster_a_site_is_held_alone_and_shares_no_memory(place: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    # "WAL does not work over a network filesystem" unless the lock is exclusive (SQLite, "Write-Ahead
    # Logging", sections 2 and 8): then no -shm file is made, and others are kept out until it is closed.
    path = place.path_of("roof-1")
    task = nightly.SiteNight("roof-1", str(path), "", "2026-06-05T02:00:00Z", alone=True)
    real = nightly.check_store

    def look(*args: object, **kw: object) -> object:
        assert not Path(f"{path}-shm").exists()
        with closing(sqlite3.connect(path, timeout=0.0)) as other, pytest.raises(sqlite3.OperationalError):
            other.execute("SELECT * FROM meta").fetchone()
        return real(*args, **kw)  # type: ignore[arg-type]

    monkeypatch.setattr(nightly, "check_store", look)
    assert nightly.site_night(task).outcome == "done"
    with place.open("roof-1") as store:
        assert store.meta("night_summary")
    assert nightly.site_night(task).outcome == "skipped"


def test_the_report_for_people() -> None:
    report = nightly.NightReport("2026-06-05T02:00:00Z", done=1, skipped=2, seconds=3.21, new=1, resolved=2)
    report.act = {f"roof-{n}": "Go." for n in range(3)}
    report.failed = {"mill": "mill.sqlite: damaged\n\nRestore it."}
    assert report.text(most=2).splitlines() == [
        "1 site checked, 2 had this night behind them, 1 failed, in 3.2 s.",
        "1 new finding, 0 came back, 2 resolved.",
        "",
        "Sites that need action:",
        "  roof-0: Go.",
        "  roof-1: Go.",
        "  and 1 more: `callout fleet` ranks them, --json lists them",
        "",
        "Sites that failed:",
        "  mill: mill.sqlite: damaged",
    ]


def test_checking_one_site_by_hand_refreshes_its_line_in_the_fleet(place: Workspace) -> None:
    words = ["check", "roof-1", "--json", "--workspace", str(place.path)]
    result = CliRunner().invoke(app, words)
    assert result.exit_code == 1
    (summary,) = FleetIndex(place.path).summaries()
    assert (summary.site_id, summary.to_day) == ("roof-1", "2026-06-04")
    assert summary.answer == "Go: dead input, U2/1."
    # The night that follows has nothing left to do there.
    assert (run_nights(place, 1, at=AT).done, FleetIndex(place.path).summaries()[1].new) == (2, 1)


def test_a_check_by_hand_takes_no_night_back(place: Workspace) -> None:
    later = AT + timedelta(days=9)  # nothing came for nine days
    run_nights(place, 1, at=later)
    for words in (["check", "roof-1"], ["call", "roof-1"], ["report", "roof-1"]):
        assert CliRunner().invoke(app, [*words, "--workspace", str(place.path)]).exit_code == 1
    summary = FleetIndex(place.path).get("roof-1")
    assert summary is not None
    assert (summary.night, summary.to_day) == ("2026-06-13", "2026-06-04")
    assert run_nights(place, 1, at=later).skipped == 3


def test_a_snooze_that_ended_is_open_again_in_the_fleet_after_a_call(place: Workspace) -> None:
    run_nights(place, 1, at=AT)
    with place.open("roof-1") as store:
        ledger = Ledger(store)
        (entry,) = ledger.open()
        ledger.snooze(entry.id, "2026-06-06", "anna", AT.isoformat())
        FleetIndex(place.path).refresh(store)
    words = ["call", "roof-1", "--workspace", str(place.path)]  # by the clock: long after that day
    CliRunner().invoke(app, words)
    summary = FleetIndex(place.path).get("roof-1")
    assert summary is not None
    assert [f.status for f in summary.live] == ["open"]


def test_the_newest_reading_is_known_before_any_check(place: Workspace) -> None:
    fresh = FleetIndex(place.path).rebuild()
    assert all(s.last_sample is not None and not s.night for s in fresh)


def test_sites_look_far_back_on_different_nights_each_once_a_turn(tmp_path: Path) -> None:
    place = make_workspace(tmp_path, sites=4, days=2)
    far: dict[str, list[int]] = {}
    for site_id in place.site_ids():
        with place.open(site_id) as store:
            for day in range(20_600, 20_600 + 3 * LOOK_BACK_EVERY):
                if look_back_of(store, day) == WINDOW_DAYS:
                    far.setdefault(site_id, []).append(day)
                    assert look_back_of(store, day) == WINDOW_DAYS
                    note_look_back(store, day)
                    # The same night again looks as far back as it did.
                    assert look_back_of(store, day) == WINDOW_DAYS
    # The first night of all, then the first of each turn.
    assert all(len(days) in (3, 4) for days in far.values())
    assert {days[2] - days[1] for days in far.values()} == {LOOK_BACK_EVERY}
    assert len({days[1] % LOOK_BACK_EVERY for days in far.values()}) >= 3
