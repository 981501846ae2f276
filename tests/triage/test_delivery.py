"""A site that falls wholly silent: missed by its own habit, at a nightly check of the present only."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from collectors.errors import UsageError
from collectors.store import Store, solar_day
from tests.rules.make import Roof, make_roof
from triage.check import check_store
from triage.cli import app
from triage.delivery import delivery_ages
from triage.ledger import Ledger
from triage.nightly import check_site, night_of, record_now
from triage.workspace import Workspace

HOUR, DAY = 3600, 86400


@pytest.fixture(scope="module")
def roof() -> Roof:
    return make_roof(days=42, step=3600, kinds="cm", units=[["south"] * 2] * 2)


def _iso(ts: float) -> str:
    return datetime.fromtimestamp(ts, UTC).isoformat(timespec="seconds")


def _deliver(store: Store, roof: Roof, every: int, until: int = 42, source: str = "files") -> int:
    """Hand in the record in lots of days, each two hours after its last solar day; returns the newest reading."""
    frame = roof.frame()
    day = solar_day(frame["ts"].to_numpy(), store.site.site.longitude)
    day -= day[0]
    for first in range(0, until, every):
        lot = frame[(day >= first) & (day < min(first + every, until))]
        # Two files a delivery, minutes apart.
        for minute, part in enumerate((lot[lot["unit"] == "U1"], lot[lot["unit"] == "U2"])):
            store.add_telemetry(part, source)
            at = int(frame["ts"].iloc[0]) + (first + every) * DAY + 2 * HOUR + 60 * minute
            store.db.conn.execute("UPDATE import_run SET at = ? WHERE id = (SELECT max(id) FROM import_run)", (_iso(at),))
    newest = int(frame["ts"][day < until].max())
    assert store.span() == (int(frame["ts"].min()), newest)
    return newest


def _silent(store: Store, as_of: int) -> list[str | None]:
    return [f.gateway for f in check_store(store, as_of=as_of).findings if f.fault == "gateway-silent"]


def test_nightly_files_are_missed_after_some_nights(roof: Roof) -> None:
    with Store.create(None, roof.text) as store:
        newest = _deliver(store, roof, every=1, until=14)
        ages = delivery_ages(store, newest, newest + DAY)
        assert len(ages) == 13
        assert np.median(ages) == pytest.approx(35 * HOUR, abs=4 * HOUR)
        assert _silent(store, newest + 2 * DAY) == []
        assert _silent(store, newest + 4 * DAY) == ["G1"]
        # Without a time to ask for, an old record says nothing of what came after it.
        assert [f for f in check_store(store).findings if f.fault == "gateway-silent"] == []


def test_weekly_files_are_not_missed_every_night(roof: Roof) -> None:
    with Store.create(None, roof.text) as store:
        newest = _deliver(store, roof, every=7)
        for night in range(1, 9):
            assert _silent(store, newest + night * DAY) == []
        assert _silent(store, newest + 14 * DAY) == ["G1"]


def test_a_record_taken_in_at_once_has_no_habit(roof: Roof) -> None:
    with Store.create(None, roof.text) as store:
        store.add_telemetry(roof.frame(), "files")
        newest = int(roof.frame()["ts"].max())
        result = check_store(store, as_of=newest + 400 * DAY)
        assert [f for f in result.findings if f.fault == "gateway-silent"] == []
        assert any("too few deliveries" in n.reason for n in result.not_judged)


def test_a_polled_site_is_missed_by_its_own_nights(roof: Roof) -> None:
    """A poller keeps one run; no unit answers at night."""
    with Store.create(None, roof.text) as store:
        newest = _deliver(store, roof, every=42, source="poll G1")
        ages = delivery_ages(store, newest, newest + 400 * DAY)
        assert len(ages) >= 29
        assert max(ages) < 16 * HOUR
        assert _silent(store, newest + 30 * HOUR) == []
        assert _silent(store, newest + 3 * DAY) == ["G1"]


def test_imports_after_the_asking_are_not_looked_at(roof: Roof) -> None:
    with Store.create(None, roof.text) as store:
        newest = _deliver(store, roof, every=1, until=14)
        assert len(delivery_ages(store, newest, newest - 8 * DAY)) < 8


def test_a_night_of_the_present_raises_it_and_an_old_one_does_not(roof: Roof, tmp_path: Path) -> None:
    with Store.create(None, roof.text) as store:
        newest = _deliver(store, roof, every=1, until=14)
        at = newest + 5 * DAY
        old = night_of(_iso(newest - 2 * DAY), store.site.site.longitude)
        check_site(store, old, _iso(at))
        assert Ledger(store).open() == []
        for hours in (0, 24, 48):
            check_site(store, "", _iso(at + hours * HOUR))
        (entry,) = Ledger(store).open()
        assert (entry.finding.fault, entry.finding.gateway, entry.finding.action) == ("gateway-silent", "G1", "remote")
        assert entry.finding.first_seen == night_of(_iso(newest + DAY), store.site.site.longitude)
        # A look at the record alone neither raises nor ends it.
        result = check_store(store)
        Ledger(store).record(result, result.to_day, _iso(at + 49 * HOUR))
        assert [e.id for e in Ledger(store).open()] == [entry.id]
        record_now(Workspace(tmp_path), store, result, _iso(at + 50 * HOUR))
        assert [e.id for e in Ledger(store).open()] == [entry.id]
        # The files were only late: what comes in ends it.
        store.add_telemetry(roof.frame(), "files")
        check_site(store, "", _iso(int(roof.frame()["ts"].max()) + 20 * HOUR))
        assert Ledger(store).open() == []


def test_the_command_takes_the_time(roof: Roof, tmp_path: Path) -> None:
    place = Workspace(tmp_path)
    with place.add_site(roof.text) as store:
        newest = _deliver(store, roof, every=1, until=14)

    def run(*more: str) -> tuple[int, list[str]]:
        told = CliRunner().invoke(app, ["check", "made", "--json", "--workspace", str(tmp_path), *more])
        return told.exit_code, [f["fault"] for f in json.loads(told.stdout)["findings"]] if told.exit_code < 2 else []

    assert run() == (0, [])
    assert run("--as-of", _iso(newest + 5 * DAY)) == (1, ["gateway-silent"])
    site, told = tmp_path / "made.toml", ["--telemetry", "x.csv", "--as-of", "2026-01-01"]
    site.write_text(roof.text)
    for wrong in (["check", "made", "--as-of", "soon"], ["check", "--site-file", str(site), *told]):
        failed = CliRunner().invoke(app, wrong)
        assert isinstance(failed.exception, UsageError)
        assert "--as-of" in str(failed.exception)


def test_the_newest_reading_of_an_import_is_kept(roof: Roof) -> None:
    with Store.create(None, roof.text) as store:
        frame: pd.DataFrame = roof.frame()
        store.add_telemetry(frame, "files")
        (detail,) = store.db.conn.execute("SELECT detail FROM import_run").fetchone()
        assert json.loads(detail)["newest"] == int(frame["ts"].max())
