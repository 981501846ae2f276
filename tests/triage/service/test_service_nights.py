"""Nights: after dusk, caught up, never twice; clock steps, summer time, two processes."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from concurrent.futures import Future
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path

import pandas as pd
import pvlib
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from service_makers import MORNING, SITE, Clock

from collectors.errors import StoreError, UsageError
from collectors.site import SiteFacts
from collectors.store import day_bounds
from triage.service.dusk import due_nights, dusk, iso_day, latest_night
from triage.service.keeper import NightKeeper
from triage.service.lock import only_one
from triage.service.nights import MAX_ATTEMPTS, RETRY_S, Nights
from triage.service.settings import NightSettings
from triage.service.state import ServiceState
from triage.service.work import SiteNight
from triage.service.workers import Here, Workers
from triage.workspace import Workspace

WAIT = 45 * 60
NIGHT = 86_400


def facts(latitude: float = 47.6, longitude: float = 8.3, timezone: str = "Europe/Zurich") -> SiteFacts:
    return SiteFacts(id="x", latitude=latitude, longitude=longitude, timezone=timezone)


def day_number(iso: str) -> int:
    return (datetime.fromisoformat(iso).replace(tzinfo=UTC) - datetime(1970, 1, 1, tzinfo=UTC)).days


def at(iso: str) -> float:
    return datetime.fromisoformat(iso).timestamp()


# -- dusk ---------------------------------------------------------------------


@pytest.mark.parametrize("day", ["2025-03-30", "2025-06-21", "2025-10-26", "2025-12-21"])
@pytest.mark.parametrize(
    ("latitude", "longitude", "zone"),
    [(47.6, 8.3, "Europe/Zurich"), (-36.9, 174.8, "Pacific/Auckland"), (0.3, -78.5, "America/Guayaquil"),
     (60.2, 24.9, "Europe/Helsinki"), (40.0, -105.2, "America/Denver")],
)  # fmt: skip
def test_dusk_is_sunset_as_pvlibs_own_algorithm_gives_it(day: str, latitude: float, longitude: float, zone: str) -> None:
    """Reference: pvlib.solarposition.sun_rise_set_transit_spa (NREL SPA); changes of summer time are in."""
    found = dusk(facts(latitude, longitude, zone), day_number(day))
    times = pd.DatetimeIndex([pd.Timestamp(day, tz=zone)])
    sunset = pvlib.solarposition.sun_rise_set_transit_spa(times, latitude, longitude)["sunset"].iloc[0]
    assert abs(found - sunset.timestamp()) <= 360


def test_where_the_sun_does_not_set_the_day_ends_at_solar_midnight() -> None:
    north = facts(78.2, 15.6, "Arctic/Longyearbyen")
    summer = day_number("2025-06-21")
    assert dusk(north, summer) == day_bounds(summer, 15.6)[1]


def test_where_the_sun_does_not_rise_the_day_ends_at_noon() -> None:
    north = facts(78.2, 15.6, "Arctic/Longyearbyen")
    winter = day_number("2025-12-21")
    start, end = day_bounds(winter, 15.6)
    assert dusk(north, winter) == (start + end) // 2


def test_a_night_falls_due_when_dusk_and_the_wait_are_over() -> None:
    site, day = facts(), day_number("2025-10-26")
    due = dusk(site, day) + WAIT
    assert latest_night(site, due - 1, WAIT) == day - 1
    assert latest_night(site, due, WAIT) == day


@given(now=st.floats(0, 4e9), latitude=st.floats(-90, 90), longitude=st.floats(-180, 180))
@settings(max_examples=40, deadline=None)
def test_every_moment_has_one_latest_night(now: float, latitude: float, longitude: float) -> None:
    site = facts(latitude, longitude, "UTC")
    night = latest_night(site, now, WAIT)
    assert dusk(site, night) + WAIT <= now < dusk(site, night + 1) + WAIT


def test_missed_nights_are_due_oldest_first_and_bounded() -> None:
    site = facts()
    now = at("2025-11-05T07:00:00+00:00")
    last = day_number("2025-11-04")
    assert due_nights(site, now, WAIT, [], 7) == [last]
    assert due_nights(site, now, WAIT, [last], 7) == []
    assert due_nights(site, now, WAIT, [last - 3], 7) == [last - 2, last - 1, last]
    assert due_nights(site, now, WAIT, [last - 100], 7) == list(range(last - 6, last + 1))
    assert due_nights(site, now, WAIT, [last - 2, last], 7) == [last - 1]


def test_across_both_changes_of_summer_time_each_day_has_one_night() -> None:
    site = facts()
    for change in ("2025-03-30", "2025-10-26"):
        start = day_number(change) * 86400 - 2 * 86400
        seen = [latest_night(site, start + minute * 60, WAIT) for minute in range(0, 5 * 1440, 15)]
        steps = [b - a for a, b in pairwise(seen)]
        assert set(steps) == {0, 1}
        assert sum(steps) == 5


# -- the keeper -----------------------------------------------------------------


class Recorder:
    """Stands in for a site's night: notes what was asked, fails on demand."""

    def __init__(self) -> None:
        self.asked: list[tuple[str, str]] = []
        self.fail: set[str] = set()

    def __call__(self, folder: Path, site: str, day: int, at: str) -> SiteNight:
        del folder
        self.asked.append((site, iso_day(day)))
        if site in self.fail:
            raise StoreError("the disk is full")
        return SiteNight(site, day, at, ((1, "new"),))


@pytest.fixture
def site_folder(tmp_path: Path) -> Path:
    toml = """[site]\nid = "{id}"\nlatitude = 47.6\nlongitude = 8.3\ntimezone = "Europe/Zurich"
[[units]]\nserial = "A"\ninputs = [{{input = 1}}]\n"""
    for name in ("brook", "alder"):
        Workspace(tmp_path).add_site(toml.format(id=name)).close()
    return tmp_path


def make_keeper(folder: Path, clock: Clock, work: Recorder) -> NightKeeper:
    return NightKeeper(folder, ServiceState(folder), NightSettings(), clock, Here(), work=work)


def test_each_night_is_done_once(site_folder: Path) -> None:
    clock, work = Clock(), Recorder()
    keeper = make_keeper(site_folder, clock, work)
    keeper.sweep()
    keeper.sweep()
    assert work.asked == [("alder", "2025-11-04"), ("brook", "2025-11-04")]
    clock.now += NIGHT
    keeper.sweep()
    assert work.asked[2:] == [("alder", "2025-11-05"), ("brook", "2025-11-05")]


def test_after_three_days_asleep_the_nights_follow_in_order(site_folder: Path) -> None:
    clock, work = Clock(), Recorder()
    make_keeper(site_folder, clock, work).sweep()
    clock.now += 3 * NIGHT
    make_keeper(site_folder, clock, work).sweep()  # a new process, the same file
    asked = [night for site, night in work.asked if site == "brook"]
    assert asked == ["2025-11-04", "2025-11-05", "2025-11-06", "2025-11-07"]


def test_a_clock_set_back_repeats_nothing(site_folder: Path) -> None:
    clock, work = Clock(), Recorder()
    keeper = make_keeper(site_folder, clock, work)
    keeper.sweep()
    count = len(work.asked)
    for step in (-3600, -6 * 3600, -600):
        clock.now = MORNING + step
        keeper.sweep()
    clock.now = MORNING
    keeper.sweep()
    assert len(work.asked) == count


def test_a_clock_that_ran_ahead_costs_no_real_night(site_folder: Path) -> None:
    clock, work = Clock(), Recorder()
    keeper = make_keeper(site_folder, clock, work)
    keeper.sweep()
    clock.now += 400 * NIGHT  # someone set the wrong year
    keeper.sweep()
    clock.now = MORNING
    keeper.sweep()  # set right again
    work.asked.clear()
    for _ in range(3):
        clock.now += NIGHT
        keeper.sweep()
    nights = [night for site, night in work.asked if site == "brook"]
    assert nights == ["2025-11-05", "2025-11-06", "2025-11-07"]


def test_one_bad_site_stops_no_other_and_is_tried_again(site_folder: Path) -> None:
    clock, work = Clock(), Recorder()
    work.fail = {"alder"}
    keeper = make_keeper(site_folder, clock, work)
    result = keeper.sweep()
    assert result.failed == (("alder", "the disk is full"),)
    assert [n.site for n in result.done] == ["brook"]
    keeper.sweep()
    assert work.asked.count(("alder", "2025-11-04")) == 1  # not at once
    clock.now += RETRY_S + 1
    work.fail.clear()
    assert [n.site for n in keeper.sweep().done] == ["alder"]


def test_a_night_that_keeps_failing_is_given_up_until_the_next(site_folder: Path) -> None:
    clock, work = Clock(), Recorder()
    work.fail = {"alder"}
    keeper = make_keeper(site_folder, clock, work)
    for _ in range(20):
        keeper.sweep()
        clock.now += 1800
    assert work.asked.count(("alder", "2025-11-04")) == MAX_ATTEMPTS
    assert keeper.nights.count("failed") == 1


def test_a_bug_in_one_site_is_a_failure_of_that_site(site_folder: Path) -> None:
    def broken(folder: Path, site: str, day: int, at: str) -> SiteNight:
        del folder, day, at
        raise ZeroDivisionError(site)

    keeper = NightKeeper(site_folder, ServiceState(site_folder), NightSettings(), Clock(), Here(), work=broken)
    assert [error for _, error in keeper.sweep().failed] == [
        "ZeroDivisionError: alder",
        "ZeroDivisionError: brook",
    ]


def test_a_night_lost_to_a_crash_is_taken_again(site_folder: Path) -> None:
    nights = Nights(ServiceState(site_folder))
    assert nights.claim("alder", 100, 1000.0)
    assert not nights.claim("alder", 100, 1001.0)
    assert nights.recover(1002.0) == 1
    assert nights.claim("alder", 100, 1003.0)


def test_many_threads_claim_a_night_once(site_folder: Path) -> None:
    nights = Nights(ServiceState(site_folder))
    won: list[bool] = []
    threads = [threading.Thread(target=lambda: won.append(nights.claim("alder", 7, 1.0))) for _ in range(16)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sum(won) == 1


def test_stopping_leaves_the_rest_for_the_next_start(site_folder: Path) -> None:
    clock, work = Clock(), Recorder()
    keeper = make_keeper(site_folder, clock, work)
    keeper.stopping.set()
    assert keeper.sweep().done == ()
    assert work.asked == []
    keeper.stopping.clear()
    assert len(keeper.sweep().done) == 2


def test_a_cancelled_night_is_not_counted_as_failed(site_folder: Path) -> None:
    class Cancelling(Here):
        def submit(self, fn, /, *args, **kwargs):  # type: ignore[no-untyped-def]
            del fn, args, kwargs
            future: Future[SiteNight] = Future()
            future.cancel()
            return future

    keeper = NightKeeper(site_folder, ServiceState(site_folder), NightSettings(), Clock(), Cancelling())
    assert not keeper.sweep().worked
    assert keeper.nights.recover(MORNING) == 2


def test_what_a_night_changed_is_kept_for_the_morning(checked: Path) -> None:
    state = ServiceState(checked)
    with state.connect() as db:
        kinds = {kind for (kind,) in db.execute("SELECT change FROM news WHERE site = ?", (SITE,))}
    assert "new" in kinds


def test_a_real_night_twice_changes_nothing(folder: Path) -> None:
    clock = Clock()
    keeper = NightKeeper(folder, ServiceState(folder), NightSettings(), clock, Here())
    with Workspace(folder).open(SITE) as store:
        before = store.db.conn.execute("SELECT * FROM finding").fetchall()
        events = store.db.conn.execute("SELECT COUNT(*) FROM finding_event").fetchone()
    assert keeper.check_now(SITE).result().changes == ()
    with Workspace(folder).open(SITE) as store:
        assert store.db.conn.execute("SELECT * FROM finding").fetchall() == before
        assert store.db.conn.execute("SELECT COUNT(*) FROM finding_event").fetchone() == events


# -- processes -------------------------------------------------------------------


def _die(_: int) -> None:
    os._exit(1)


def test_a_killed_worker_is_replaced() -> None:
    workers = Workers(1)
    try:
        with pytest.raises(Exception, match="terminated abruptly"):
            workers.submit(_die, 0).result(60)
        assert workers.submit(abs, -3).result(60) == 3
    finally:
        workers.shutdown()
    with pytest.raises(RuntimeError):
        workers.submit(abs, 1)


def _sees_ctrl_c() -> bool:
    return signal.SIGINT not in signal.pthread_sigmask(signal.SIG_BLOCK, ())


def test_ctrl_c_reaches_no_worker_not_even_one_that_starts() -> None:
    workers = Workers(1)
    try:
        assert not workers.submit(_sees_ctrl_c).result(60)
    finally:
        workers.shutdown()
    assert _sees_ctrl_c()


def test_a_second_process_is_refused_and_told_by_whom(tmp_path: Path) -> None:
    with (
        only_one(tmp_path),
        pytest.raises(UsageError, match=rf"callout serve \(process {os.getpid()}\)"),
        only_one(tmp_path, "callout night"),
    ):
        pass
    with only_one(tmp_path):
        pass


def test_the_lock_is_free_once_its_holder_is_dead(tmp_path: Path) -> None:
    code = (
        "import sys, time; from pathlib import Path; from triage.service.lock import only_one\n"
        "with only_one(Path(sys.argv[1])): print('held', flush=True); time.sleep(60)"
    )
    with subprocess.Popen([sys.executable, "-c", code, str(tmp_path)], stdout=subprocess.PIPE) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == b"held\n"
        with pytest.raises(UsageError, match=str(holder.pid)), only_one(tmp_path):
            pass
        holder.kill()
        holder.wait()
    with only_one(tmp_path):
        pass


def _serve(folder: Path) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "triage.cli", "serve", "--workspace", str(folder), "--port", "0"]
    code = "import sys; from triage.cli import main; main(sys.argv[1:])"
    return subprocess.Popen([sys.executable, "-c", code, *command[3:]], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def test_serve_answers_refuses_a_twin_and_stops_on_sigterm(site_folder: Path) -> None:
    with _serve(site_folder) as service:
        assert service.stdout is not None
        address = service.stdout.readline().split()[-1]
        deadline = time.monotonic() + 60
        with urllib.request.urlopen(f"{address}health", timeout=30) as answer:
            assert b'"status":"ok"' in answer.read().replace(b" ", b"")
        with _serve(site_folder) as twin:
            out, err = twin.communicate(timeout=60)
            assert twin.returncode == 2
            assert f"process {service.pid}" in err
            assert out == ""
        with pytest.raises(urllib.error.HTTPError, match="404"):
            urllib.request.urlopen(f"{address}sites/none", timeout=30)
        service.send_signal(signal.SIGTERM)
        _, err = service.communicate(timeout=60)
        assert service.returncode == 0, err
        assert "service stopped" in err
        assert "Traceback" not in err
        assert time.monotonic() < deadline + 60
    # Nothing is left half-claimed, and the file can be taken over at once.
    assert Nights(ServiceState(site_folder)).count("running") == 0
    with only_one(site_folder):
        pass


def test_a_week_of_simulated_wall_clock_does_seven_nights(site_folder: Path) -> None:
    """A sweep every ten minutes for a week over the autumn change of summer time."""
    clock, work = Clock(at("2025-10-23T12:00:00+00:00")), Recorder()
    keeper = make_keeper(site_folder, clock, work)
    end = clock.now + timedelta(days=7).total_seconds()
    while clock.now < end:
        keeper.sweep()
        clock.now += 1800
    nights = [night for site, night in work.asked if site == "brook"]
    assert nights == [f"2025-10-{d}" for d in range(22, 30)]
