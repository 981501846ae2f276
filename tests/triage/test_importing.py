"""Files into a store: all of them or nothing, and the same from loose files."""

from __future__ import annotations

import gzip
import zipfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from collectors.errors import ReadingError, SiteFileError, StoreError, UsageError
from collectors.site import parse_site
from collectors.store import Store
from triage.importing import import_files, read_files
from triage.tocome import REASON
from triage.workspace import Workspace

SITE = """
[site]
id = "mill"
latitude = 48.1
longitude = 11.6
timezone = "Europe/Berlin"
[modules.m]
pmax_w = 400
[[units]]
serial = "K1"
[[units.inputs]]
input = 1
module = "m"
[[units.inputs]]
input = 2
module = "m"
"""
HEAD = "timestamp,unit,input,dc_power_w,dc_voltage_v\n"
ONE = HEAD + "2025-06-01T10:00:00Z,K1,1,200,30\n2025-06-01T10:05:00Z,K1,1,210,\n"
TWO = HEAD + "2025-06-01T10:05:00Z,K1,1,999,31\n2025-06-01T10:10:00Z,K1,2,220,32\nTotal,,,1,\n"
WEATHER = "timestamp,ghi_w_m2\n2025-06-01T10:00:00Z,500\n"
LOG = "timestamp,source,event,detail\n2025-06-01T10:00:00Z,gw,online,\n"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name, text in {"one.csv": ONE, "two.csv": TWO, "weather.csv": WEATHER, "log.csv": LOG}.items():
        (tmp_path / name).write_text(text)
    (tmp_path / "bad.csv").write_text("hello\nworld\n")
    return tmp_path


def counts(store: Store) -> list[int]:
    tables = ("input_sample", "weather_sample", "gateway_event", "import_run", "stale_day")
    return [store.db.execute(f"SELECT count(*) FROM {t}").fetchone()[0] for t in tables]


def test_a_whole_import(folder: Path) -> None:
    store = Store.create(None, SITE)
    steps: list[str] = []
    report = import_files(
        store,
        [folder / "one.csv", folder / "two.csv"],
        [folder / "weather.csv"],
        [folder / "log.csv"],
        progress=steps.append,
    )
    assert counts(store) == [3, 1, 1, 4, 1]
    assert report.rejected_rows == {"totals row": 1}
    assert len(report.days) == 1
    assert [r.rows_new for r in report.results] == [2, 1, 1, 1]
    assert report.results[1].rows_filled == 1
    assert any("reading" in s for s in steps)
    assert any("storing" in s for s in steps)


@pytest.mark.parametrize("kind", ["telemetry", "weather", "log"])
def test_one_file_that_cannot_be_read_stops_all(folder: Path, kind: str) -> None:
    store = Store.create(None, SITE)
    files = {
        "telemetry": [folder / "one.csv"],
        "weather": [folder / "weather.csv"],
        "log": [folder / "log.csv"],
    }
    files[kind].append(folder / "bad.csv")
    with pytest.raises(ReadingError, match=r"bad\.csv"):
        import_files(store, files["telemetry"], files["weather"], files["log"])
    assert counts(store) == [0, 0, 0, 0, 0]


def test_loose_files_give_what_a_store_gives(folder: Path) -> None:
    store = Store.create(None, SITE)
    import_files(store, [folder / "one.csv", folder / "two.csv"], [folder / "weather.csv"], [folder / "log.csv"])
    loaded = read_files(store.site, [folder / "one.csv", folder / "two.csv"], [folder / "weather.csv"], [folder / "log.csv"])
    pd.testing.assert_frame_equal(loaded.telemetry, store.telemetry())
    pd.testing.assert_frame_equal(loaded.weather, store.weather())
    pd.testing.assert_frame_equal(loaded.events, store.events())
    assert loaded.telemetry["dc_power_w"].tolist() == [200, 210, 220]
    assert loaded.telemetry["dc_voltage_v"].tolist() == [30, 31, 32]
    assert loaded.rejected_rows == {"totals row": 1}


def test_nothing_given_gives_empty_canonical_frames() -> None:
    store = Store.create(None, SITE)
    loaded = read_files(store.site)
    for frame, stored in (
        (loaded.telemetry, store.telemetry()),
        (loaded.weather, store.weather()),
        (loaded.events, store.events()),
    ):
        assert frame.empty
        assert frame.dtypes.to_dict() == stored.dtypes.to_dict()


def test_archives(folder: Path) -> None:
    (folder / "one.csv.gz").write_bytes(gzip.compress(ONE.encode()))
    with zipfile.ZipFile(folder / "both.zip", "w") as archive:
        archive.writestr("a/one.csv", ONE)
        archive.writestr("a/two.csv", TWO)
        archive.writestr("__MACOSX/a/._one.csv", b"\x00\x01")
    store = Store.create(None, SITE)
    report = import_files(store, [folder / "one.csv.gz", folder / "both.zip"])
    assert [r.source.rsplit("/", 1)[-1] for r in report.readings] == ["one.csv.gz", "one.csv", "two.csv"]
    assert counts(store)[0] == 3


def test_workspace(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = Workspace(tmp_path / "ws")
    assert place.site_ids() == []
    assert not place.path.exists()
    place.add_site(SITE).close()
    place.add_site(SITE.replace('"mill"', '"lower mill"')).close()
    assert place.site_ids() == ["lower mill", "mill"]
    assert place.path_of("mill") == tmp_path / "ws" / "sites" / "mill.sqlite"
    with place.open("mill") as store:
        assert store.site.site.id == "mill"
    monkeypatch.setenv("CALLOUT_WORKSPACE", str(place.path))
    assert Workspace().site_ids() == ["lower mill", "mill"]


def test_workspace_refuses(tmp_path: Path) -> None:
    place = Workspace(tmp_path)
    with pytest.raises(StoreError, match="'mill' is not in workspace"):
        place.open("mill")
    for bad in ("../mill", "a/b", "..", ""):
        with pytest.raises(UsageError):
            place.path_of(bad)
    with pytest.raises(SiteFileError):
        place.add_site("[site]\nid = 'x'\n")
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "sites").write_text("in the way")
    with pytest.raises(StoreError, match="cannot be created"):
        place.add_site(SITE)


def test_a_large_overlap_of_loose_files_keeps_the_first_value() -> None:
    # The same rule as the store's, over many rows: first value that is not empty, per column.
    from triage.importing import _joined

    rng = np.random.default_rng(3)
    frames = []
    for _ in range(3):
        n = 500
        frames.append(
            pd.DataFrame(
                {
                    "ts": rng.integers(0, 300, n),
                    "unit": "K1",
                    "input": 1,
                    "dc_power_w": np.where(rng.random(n) < 0.3, np.nan, rng.random(n)),
                }
            ).drop_duplicates("ts")
        )
    joined = _joined(frames, ("ts", "unit", "input", "dc_power_w"), ["ts", "unit", "input"])
    expected: dict[int, float] = {}
    for frame in frames:
        for row in frame.itertuples():
            if expected.get(row.ts) is None:
                expected[row.ts] = None if np.isnan(row.dc_power_w) else row.dc_power_w
    assert joined["ts"].tolist() == sorted(expected)
    for ts, value in zip(joined["ts"], joined["dc_power_w"], strict=True):
        assert (expected[ts] is None and np.isnan(value)) or value == expected[ts]


def _hours(count: int, first: str) -> str:
    at = datetime.fromisoformat(first)
    return "".join(f"{(at + timedelta(hours=h)).isoformat()},K1,1,{200 + h},30\n" for h in range(count))


def test_rows_from_days_to_come_are_left_out_and_named(folder: Path) -> None:
    store = Store.create(None, SITE)
    file = folder / "slip.csv"
    file.write_text(HEAD + _hours(20, "2025-06-01T00:00:00+00:00") + "2052-06-01T10:05:00Z,K1,1,210,30\n")
    report = import_files(store, [file], now=datetime(2025, 6, 1, 12, tzinfo=UTC).timestamp())
    assert report.rejected_rows == {REASON: 1}
    assert [str(p) for p in report.readings[0].problems] == ["2052-06-01T10:05:00Z: its time is still to come"]
    assert store.span() == (1748736000, 1748804400)  # 2025-06-01T00:00:00Z and 19:00:00Z by `date -d`


@pytest.mark.parametrize(("slips", "leap_days", "left"), [(2, 40, 20), (2, 20, 22), (3, 40, 23)])
def test_few_rows_that_leap_out_of_a_record_are_slips(folder: Path, slips: int, leap_days: int, left: int) -> None:
    file = folder / "ahead.csv"
    later = datetime(2025, 6, 1, 19, tzinfo=UTC) + timedelta(days=leap_days)
    file.write_text(HEAD + _hours(20, "2025-06-01T00:00:00+00:00") + _hours(slips, later.isoformat()))
    now = datetime(2025, 6, 1, 12, tzinfo=UTC).timestamp()
    assert len(read_files(parse_site(SITE, "test"), [file], now=now).telemetry) == left


def test_a_record_that_runs_on_beyond_this_computers_clock_is_taken_whole(folder: Path) -> None:
    file = folder / "later.csv"
    file.write_text(HEAD + _hours(20, "2025-06-01T00:00:00+00:00"))
    for year in (2024, 2025):
        now = datetime(year, 5, 31, 6, tzinfo=UTC).timestamp() - 3 * 86400
        assert len(read_files(parse_site(SITE, "test"), [file], now=now).telemetry) == 20
