"""Archived months: read as if they were still there, never half moved, never silently lost."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from collectors import archive
from collectors.columns import TELEMETRY_COLUMNS
from collectors.errors import StoreError
from collectors.store import Store

SITE_TOML = """
[site]
id = "mill"
latitude = 47.1
longitude = 8.2
timezone = "Europe/Zurich"
[[units]]
serial = "A1"
inputs = [{ input = 1 }, { input = 2 }]
[[units]]
serial = "B1"
inputs = [{ input = 1 }]
"""
MARCH, APRIL, MAY = (archive.month_bounds(f"2026-0{m}")[0] for m in (3, 4, 5))


def readings(start: int, end: int, step: int = 3600, seed: int = 1) -> pd.DataFrame:
    """Random readings with holes, of every input."""
    rng = np.random.default_rng(seed)
    ts = np.arange(start, end, step)
    frames = []
    for unit, number in (("A1", 1), ("A1", 2), ("B1", 1)):
        frame = pd.DataFrame({"ts": ts, "unit": unit, "input": number})
        for name in TELEMETRY_COLUMNS[3:]:
            if name != "state":
                frame[name] = rng.integers(-500, 90_000, ts.size) / 10
                frame.loc[rng.random(ts.size) < 0.1, name] = np.nan
        frame["energy_total_wh"] = 4e9 + np.arange(ts.size)
        frame["state"] = rng.choice(["producing", "standby", None], ts.size)
        frames.append(frame)
    frame = pd.concat(frames).sort_values(["ts", "unit", "input"], ignore_index=True)
    # Unit-level values repeat on each input's row.
    names = [*TELEMETRY_COLUMNS[7:]]
    frame[names] = frame.groupby(["ts", "unit"])[names].transform("first")
    return frame[list(TELEMETRY_COLUMNS)]


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.create(tmp_path / "mill.sqlite", SITE_TOML) as store:
        store.add_telemetry(readings(MARCH, MAY + 86400 * 3), "export")
        yield store


def archive_all(store: Store, before: int) -> list[str]:
    assert store.path is not None
    months = archive.old_months(store.db.conn, before)
    for month in months:
        with store.transaction() as db:
            archive.archive_month(db, store.path, month)
    archive.sweep(store.db.conn, store.path)
    return months


def live_rows(store: Store) -> int:
    return int(store.db.conn.execute("SELECT count(*) FROM input_sample").fetchone()[0])


def test_months_are_calendar_months_in_utc() -> None:
    # 2026-03-01T00:00Z, from `date -u -d 2026-03-01 +%s`.
    assert archive.month_bounds("2026-03") == (1772323200, 1772323200 + 31 * 86400)
    assert archive.month_bounds("2024-02")[1] - archive.month_bounds("2024-02")[0] == 29 * 86400
    assert archive.month_bounds("2026-12")[1] == archive.month_bounds("2027-01")[0]
    assert archive.month_of(MAY - 1) == "2026-04"
    with pytest.raises(ValueError, match="2026-13"):
        archive.month_bounds("2026-13")


def test_only_months_wholly_before_the_date_are_old(store: Store) -> None:
    assert archive.old_months(store.db.conn, MAY) == ["2026-03", "2026-04"]
    assert archive.old_months(store.db.conn, MAY - 1) == ["2026-03"]
    assert archive.old_months(store.db.conn, MARCH) == []


@pytest.mark.parametrize(
    "span",
    [
        (None, None),
        (APRIL - 86400, APRIL + 86400),
        (MAY - 7200, MAY + 7200),
        (APRIL, APRIL + 3600),
        (MAY, None),
        (MARCH - 86400, MARCH),
        (MAY - 3600, MAY),
    ],
)
def test_readings_are_the_same_before_and_after(store: Store, span: tuple[int | None, int | None]) -> None:
    before = store.telemetry(*span)
    assert archive_all(store, MAY) == ["2026-03", "2026-04"]
    assert live_rows(store) == 3 * 72
    pd.testing.assert_frame_equal(store.telemetry(*span), before)


def test_span_and_stale_days_know_the_archive(store: Store) -> None:
    span, days = store.span(), store.stale_days()
    archive_all(store, MAY)
    assert store.span() == span
    store.db.conn.execute("DELETE FROM stale_day")
    assert store.path is not None
    with Store.create(store.path, SITE_TOML.replace("47.1", "47.2")) as changed:
        assert changed.stale_days() == days


def test_importing_again_changes_nothing_and_keeps_what_was_there_first(store: Store) -> None:
    before = store.telemetry()
    archive_all(store, MAY)
    store.db.conn.execute("DELETE FROM stale_day")
    again = store.add_telemetry(readings(MARCH, MAY + 86400 * 3), "same again")
    assert not again.changed
    assert again.rows_same == again.rows_read
    clash = store.add_telemetry(readings(APRIL, APRIL + 86400, seed=9), "another export")
    assert clash.rows_new == 0
    assert clash.rows_conflicting > 0
    # An empty value is filled, a stored one stays: where `before` had one, it is there still.
    after = store.telemetry()
    had = before["dc_power_w"].notna()
    assert (after["dc_power_w"][had] == before["dc_power_w"][had]).all()


def test_late_readings_bring_their_month_back_and_only_that(store: Store) -> None:
    archive_all(store, MAY)
    late = readings(APRIL + 1800, APRIL + 86400)
    result = store.add_telemetry(late, "late upload")
    assert result.rows_new == len(late)
    assert {m.month for m in archive.archived_months(store.db.conn)} == {"2026-03"}
    assert archive_all(store, MAY) == ["2026-04"]
    both = store.telemetry(APRIL, APRIL + 86400)
    assert len(both) == 3 * 48
    assert both["ts"].is_monotonic_increasing


def test_a_month_can_be_brought_back(store: Store) -> None:
    before = store.telemetry()
    assert store.path is not None
    archive_all(store, MAY)
    with store.transaction() as db:
        archive.bring_back(db, store.path, ["2026-03", "2026-04"])
    archive.sweep(store.db.conn, store.path)
    assert archive.archived_months(store.db.conn) == []
    assert not archive.folder_of(store.path).exists()
    pd.testing.assert_frame_equal(store.telemetry(), before)


def test_a_file_explains_itself(store: Store) -> None:
    archive_all(store, MAY)
    assert store.path is not None
    file = next(archive.folder_of(store.path).glob("2026-03.input_sample.*.parquet"))
    table = pq.read_table(file)
    assert table.column_names == [
        "input_id",
        "ts",
        "dc_voltage_v_x1000",
        "dc_current_a_x1000",
        "dc_power_w_x100",
        "energy_total_wh_x10",
    ]
    assert table.schema.metadata[b"owners"] == b'{"1": ["A1", 1], "2": ["A1", 2], "3": ["B1", 1]}'
    assert pq.ParquetFile(file).metadata.row_group(0).column(0).compression == "ZSTD"


def test_a_failure_at_any_step_leaves_the_month_where_it_was(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    before = store.telemetry()
    assert store.path is not None
    for step in ("_write", "_read", "_digest"):
        with monkeypatch.context() as patch:
            patch.setattr(archive, step, _fail)
            with pytest.raises((OSError, StoreError), match="pulled the plug"), store.transaction() as db:
                archive.archive_month(db, store.path, "2026-03")
        assert archive.archived_months(store.db.conn) == []
        pd.testing.assert_frame_equal(store.telemetry(), before)
    # What a failed attempt left on the disk is swept, and the next attempt works.
    assert archive_all(store, APRIL) == ["2026-03"]
    assert archive.left_overs(store.db.conn, store.path) == []
    pd.testing.assert_frame_equal(store.telemetry(), before)


def test_archiving_over_an_archived_month_never_touches_the_listed_file(store: Store) -> None:
    archive_all(store, APRIL)
    before = store.telemetry()
    late = readings(MARCH + 1800, MARCH + 7200)
    assert store.path is not None
    try:
        with store.transaction() as db:
            archive.bring_back(db, store.path, ["2026-03"])
            archive.archive_month(db, store.path, "2026-03")
            _fail()
    except OSError:
        pass
    pd.testing.assert_frame_equal(store.telemetry(), before)
    assert store.add_telemetry(late, "late").rows_new == len(late)


def _fail(*_args: object, **_kw: object) -> None:
    raise OSError("pulled the plug")


def test_a_full_disk_is_told_and_changes_nothing(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    before = store.telemetry()
    monkeypatch.setattr(archive.pq, "write_table", _full)
    with pytest.raises(StoreError, match=r"2026-03.*No space left on device; nothing was changed"):
        archive_all(store, APRIL)
    pd.testing.assert_frame_equal(store.telemetry(), before)
    assert store.path is not None
    assert archive.left_overs(store.db.conn, store.path) == []


def _full(*_args: object, **_kw: object) -> None:
    raise OSError(28, "No space left on device")


def test_a_missing_or_damaged_file_is_told_not_skipped(store: Store) -> None:
    archive_all(store, MAY)
    assert store.path is not None
    folder = archive.folder_of(store.path)
    file = next(folder.glob("2026-03.input_sample.*"))
    content = file.read_bytes()
    assert archive.problems(store.db.conn, store.path) == []
    file.write_bytes(content[:-9] + bytes([content[-9] ^ 1]) + content[-8:])
    with pytest.raises(StoreError, match=r"2026-03\.input_sample.*damaged"):
        store.telemetry()
    assert "damaged" in archive.problems(store.db.conn, store.path)[0]
    file.unlink()
    with pytest.raises(StoreError, match=r"archived samples of 2026-03 are missing"):
        store.telemetry(MARCH, APRIL)
    # Months that are there can still be read.
    assert len(store.telemetry(APRIL, MAY)) == 3 * 30 * 24


def test_rows_beside_their_archived_month_are_found(store: Store) -> None:
    archive_all(store, APRIL)
    assert store.path is not None
    with sqlite3.connect(store.path) as other:
        other.execute("INSERT INTO input_sample(input_id, ts) VALUES (1, ?)", (MARCH + 60,))
    other.close()
    assert archive.problems(store.db.conn, store.path) == ["2026-03: input_sample is archived and yet has rows in SQLite"]


def test_a_reader_sees_one_state_while_a_month_moves(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    before = store.telemetry()
    assert store.path is not None
    real = archive.load
    path = store.path

    def move_meanwhile(*args: object) -> object:
        past = real(*args)  # type: ignore[arg-type]
        monkeypatch.setattr(archive, "load", real)
        with Store.open(path) as other, other.transaction() as db:
            archive.archive_month(db, path, "2026-03")
        return past

    monkeypatch.setattr(archive, "load", move_meanwhile)
    pd.testing.assert_frame_equal(store.telemetry(), before)
    pd.testing.assert_frame_equal(store.telemetry(), before)
