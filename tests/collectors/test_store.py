"""The store: what is stored stays, what is empty is filled, and only changed days are marked."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from csvfiles import SITE, SITE_TOML, truth

from collectors.columns import TELEMETRY_COLUMNS
from collectors.errors import SiteFileError, StoreError
from collectors.store import Store, day_bounds, solar_day


@pytest.fixture
def store() -> Store:
    return Store.create(None, SITE_TOML)


def rows(store: Store) -> list[tuple[object, ...]]:
    tables = ("input_sample", "unit_sample", "weather_sample", "gateway_event", "stale_day")
    return [row for table in tables for row in store.db.execute(f"SELECT * FROM {table}").fetchall()]


def test_telemetry_comes_back(store: Store) -> None:
    frame = truth()
    result = store.add_telemetry(frame, "a.csv")
    assert (result.rows_read, result.rows_new) == (len(frame), len(frame))
    back = store.telemetry()
    assert list(back.columns) == list(TELEMETRY_COLUMNS)
    assert back.dtypes.astype(str).tolist() == frame.dtypes.astype(str).tolist()
    pd.testing.assert_frame_equal(back, frame, check_exact=False, rtol=0, atol=1e-9)


def test_a_window_of_telemetry(store: Store) -> None:
    frame = truth()
    store.add_telemetry(frame, "a.csv")
    low, high = int(frame["ts"].iloc[100]), int(frame["ts"].iloc[300])
    inside = frame[(frame["ts"] >= low) & (frame["ts"] < high)].reset_index(drop=True)
    pd.testing.assert_frame_equal(store.telemetry(low, high), inside)
    assert store.telemetry(0, 1).empty


def test_importing_again_changes_nothing(store: Store) -> None:
    frame = truth()
    store.add_telemetry(frame, "a.csv")
    store.db.execute("DELETE FROM stale_day")
    before = rows(store)
    result = store.add_telemetry(frame, "a.csv")
    assert (result.rows_new, result.rows_same, result.days) == (0, len(frame), ())
    assert rows(store) == before


@pytest.mark.parametrize("seed", range(5))
def test_any_order_of_overlapping_pieces_gives_the_same_store(store: Store, seed: int) -> None:
    """Late, overlapping, shuffled, doubled: the outcome is that of one import of everything."""
    frame = truth(24)
    rng = np.random.default_rng(seed)
    for _ in range(6):
        low = rng.integers(0, len(frame) // 2)
        store.add_telemetry(frame.iloc[low : low + len(frame) // 2].sample(frac=1, random_state=seed), "piece")
    store.add_telemetry(frame, "all")
    whole = Store.create(None, SITE_TOML)
    whole.add_telemetry(frame, "all")
    assert sorted(map(repr, rows(store))) == sorted(map(repr, rows(whole)))


def test_a_stored_value_stays_and_an_empty_one_is_filled(store: Store) -> None:
    base = truth(1).head(2).copy()
    first = base.assign(dc_voltage_v=[30.0, np.nan], temperature_c=np.nan, state=None)
    later = base.assign(dc_voltage_v=[99.0, 31.0])
    store.add_telemetry(first, "first")
    store.db.execute("DELETE FROM stale_day")
    result = store.add_telemetry(later, "later")
    assert (result.rows_new, result.rows_filled) == (0, 2)
    back = store.telemetry()
    assert back["dc_voltage_v"].tolist() == [30.0, 31.0]
    assert back["temperature_c"].tolist() == base["temperature_c"].tolist()
    assert store.stale_days() == list(result.days) != []


def test_conflicts_are_counted_and_change_nothing(store: Store) -> None:
    frame = truth(1).head(1)
    store.add_telemetry(frame, "a")
    store.db.execute("DELETE FROM stale_day")
    result = store.add_telemetry(frame.assign(dc_voltage_v=1.0), "b")
    assert (result.rows_conflicting, result.rows_same, result.days) == (1, 0, ())
    result = store.add_telemetry(frame.assign(ac_voltage_v=1.0), "b")
    assert (result.rows_conflicting, result.rows_same, result.days) == (1, 0, ())
    pd.testing.assert_frame_equal(store.telemetry(), frame)


def test_only_changed_days_are_marked(store: Store) -> None:
    frame = truth(36)
    store.add_telemetry(frame, "a")
    day = int(solar_day(frame["ts"].iloc[-1], SITE.site.longitude))
    assert store.stale_days()[-1] == day
    store.db.execute("DELETE FROM stale_day")
    late = pd.concat([frame, frame.tail(1).assign(ts=frame["ts"].iloc[-1] + 60)])
    assert store.add_telemetry(late, "b").days == (day,)
    assert store.stale_days() == [day]


def test_units_not_in_the_site_file_are_counted(store: Store) -> None:
    frame = truth(1)
    strange = frame.assign(unit=frame["unit"].replace("D2001", "X1"))
    result = store.add_telemetry(strange, "a")
    assert result.unknown_inputs == ("X1/1", "X1/2")
    assert result.rows_unknown == len(frame) // 3
    assert result.rows_new == len(frame) - result.rows_unknown
    assert set(store.telemetry()["unit"]) == {"D2002", "00417"}


def test_infinite_and_absurd_values_are_not_stored(store: Store) -> None:
    frame = truth(1).head(3).assign(dc_power_w=[np.inf, -np.inf, 1e300])
    store.add_telemetry(frame, "a")
    assert store.telemetry()["dc_power_w"].isna().all()


def test_an_empty_frame_is_harmless(store: Store) -> None:
    assert store.add_telemetry(truth().head(0), "a").rows_new == 0
    assert store.telemetry().empty
    assert store.span() is None


def test_unit_values_are_kept_once_per_unit(store: Store) -> None:
    frame = truth(1)
    store.add_telemetry(frame, "a")
    times = frame["ts"].nunique()
    assert store.db.execute("SELECT count(*) FROM unit_sample").fetchone() == (times * 3,)


def test_plain_tables_can_be_read_by_anyone(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    with Store.create(path, SITE_TOML) as store:
        store.add_telemetry(truth(1), "a")
    other = sqlite3.connect(path)
    row = other.execute(
        "SELECT r.timestamp, r.unit, r.input, r.dc_power_w, u.state FROM input_reading r "
        "JOIN unit_reading u ON u.unit = r.unit AND u.timestamp = r.timestamp LIMIT 1"
    ).fetchone()
    other.close()
    assert row[0] == "2025-10-25T04:00:00Z"
    assert isinstance(row[3], float)


def test_weather_and_events_merge_like_samples(store: Store) -> None:
    weather = pd.DataFrame({"ts": [100, 200], "plane": ["", "south"], "ghi_w_m2": [1.5, np.nan], "poa_w_m2": [np.nan, 9.0]})
    assert store.add_weather(weather, "w").rows_new == 2
    store.db.execute("DELETE FROM stale_day")
    assert store.add_weather(weather, "w").rows_same == 2
    assert store.stale_days() == []
    assert store.add_weather(weather.assign(ghi_w_m2=[5.0, 6.0]), "w").rows_filled == 1
    assert store.weather()["ghi_w_m2"].tolist() == [1.5, 6.0]
    assert store.weather(150, 300)["plane"].tolist() == ["south"]
    events = pd.DataFrame({"ts": [100, 100], "source": ["gw", "gw"], "event": ["offline", "online"], "detail": ["", ""]})
    assert store.add_events(events, "l").rows_new == 2
    assert store.add_events(events, "l").rows_same == 2
    assert store.events(100, 101)["event"].tolist() == ["offline", "online"]


def test_every_import_is_logged(store: Store) -> None:
    store.add_telemetry(truth(1), "a.csv", {"totals row": 2})
    (run,) = store.db.query("SELECT * FROM import_run")
    assert (run["source"], run["kind"], run["rows_rejected"]) == ("a.csv", "telemetry", 2)


def test_one_transaction_holds_many_imports(store: Store) -> None:
    def two_and_a_failure() -> None:
        with store.transaction():
            store.add_telemetry(truth(1), "a")
            store.add_telemetry(truth(2), "b")
            raise RuntimeError("stop")

    with pytest.raises(RuntimeError):
        two_and_a_failure()
    assert rows(store) == []
    assert store.db.execute("SELECT count(*) FROM import_run").fetchone() == (0,)


def test_a_changed_description_makes_every_day_stale(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    with Store.create(path, SITE_TOML) as store:
        store.add_telemetry(truth(), "a")
        days = store.stale_days()
        store.db.execute("DELETE FROM stale_day")
    with Store.create(path, SITE_TOML) as store:
        assert store.stale_days() == []
    with Store.create(path, SITE_TOML.replace("tilt_deg = 35", "tilt_deg = 30")) as store:
        assert store.stale_days() == days


def test_a_unit_taken_out_of_the_description_is_not_reported(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    with Store.create(path, SITE_TOML) as store:
        store.add_telemetry(truth(1), "a")
    with Store.create(path, SITE_TOML[: SITE_TOML.rindex("[[units]]")]) as store:
        assert set(store.telemetry()["unit"]) == {"D2001", "D2002"}


def test_a_wrong_description_creates_no_file(tmp_path: Path) -> None:
    with pytest.raises(SiteFileError):
        Store.create(tmp_path / "s.sqlite", "[site]\nid = 'x'")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("content", [b"hello, this is no database at all" * 100, b""])
def test_what_is_no_site_file_is_refused(content: bytes, tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    path.write_bytes(content)
    with pytest.raises(StoreError, match=r"s\.sqlite"):
        Store.open(path)
    with pytest.raises(StoreError, match="no such site file"):
        Store.open(tmp_path / "other.sqlite")


@pytest.mark.parametrize("longitude", [-179.5, -71.2, 0.0, 11.58, 151.2, 179.9])
def test_no_production_day_is_cut_in_two(longitude: float) -> None:
    # Solar noon is 12 h UTC less four minutes per degree of longitude east (one turn in 24 h).
    noon = 1_750_000_000 // 86400 * 86400 + 43200 - longitude * 240
    day = int(solar_day(noon, longitude))
    assert (solar_day(np.array([noon - 43100, noon + 43100]), longitude) == day).all()
    start, end = day_bounds(day, longitude)
    assert int(solar_day(start, longitude)) == day == int(solar_day(end - 1, longitude))
    assert end - start == 86400


def test_the_parsed_description_is_kept_but_never_outlives_its_text(tmp_path: Path) -> None:
    path = tmp_path / "one.sqlite"
    with Store.create(path, SITE_TOML) as store:
        parsed = store.site
    with Store.open(path) as again:
        assert again.site == parsed
        assert again.site.inputs == parsed.inputs
        again.set_meta("site_toml", SITE_TOML.replace("tilt_deg = 35", "tilt_deg = 30"))
    with Store.open(path) as changed:
        assert {plane.tilt_deg for plane in changed.site.planes.values()} >= {30.0}
