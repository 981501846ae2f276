"""The whole check: nights add up, any record is survived, the JSON keeps its contract."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from collectors.columns import STATES, TELEMETRY_COLUMNS
from collectors.site import parse_site
from collectors.store import Store, solar_day
from rules.daytable import FIELDS, DayTable
from rules.finding import ACTIONS, FAULT_SCOPES, SEVERITIES
from tests.rules.make import NO_EVENTS, NO_WEATHER, Roof, check, loaded, make_roof, only, site_text
from triage.check import CheckResult, check_files, check_store
from triage.importing import Loaded

THREE_UNITS = [["south"] * 2, ["south"] * 2, ["west"] * 2]


def _troubled(days: int, step: int = 900) -> Roof:
    """Faults that begin, end, go on and overlap."""
    roof = make_roof(days=days, step=step, units=THREE_UNITS)
    roof.dead(1, roof.when(days // 6, days // 3))
    roof.silent(2, roof.when(days // 2, days // 2 + 3))
    roof.shade(3, (80.0, 115.0), 50.0, 0.9)
    roof.scale(0, 0.8, roof.when(days - 12))
    return roof


def _store(roof: Roof) -> Store:
    return Store.create(None, roof.text)


def _same(one: Any, other: Any, where: str = "") -> None:
    """Equal, numbers up to the rounding of packed features."""
    if isinstance(one, dict):
        assert one.keys() == other.keys(), where
        for key in one:
            _same(one[key], other[key], f"{where}.{key}")
    elif isinstance(one, list | tuple):
        assert len(one) == len(other), where
        for k, (a, b) in enumerate(zip(one, other, strict=True)):
            _same(a, b, f"{where}[{k}]")
    elif isinstance(one, float):
        assert one == pytest.approx(other, rel=1e-3, abs=0.2), where
    else:
        assert one == other, where


def _features(store: Store) -> DayTable:
    rows = store.db.conn.execute("SELECT day, features FROM day_feature ORDER BY day").fetchall()
    return DayTable.unpack(store.site, [r[0] for r in rows], [r[1] for r in rows])


# -- nights add up ---------------------------------------------------------


@pytest.fixture(scope="module")
def record() -> tuple[Roof, pd.DataFrame]:
    roof = _troubled(60)
    return roof, roof.frame()


@pytest.fixture(scope="module")
def nightly(record: tuple[Roof, pd.DataFrame]) -> tuple[Store, CheckResult, list[int]]:
    roof, frame = record
    store, reduced = _store(roof), []
    day = solar_day(frame["ts"].to_numpy(), roof.site.site.longitude)
    for one in np.unique(day):
        store.add_telemetry(frame[day == one], "night")
        result = check_store(store)
        reduced.append(result.days_reduced)
    return store, result, reduced


def test_sixty_nights_are_one_run_over_the_whole(
    record: tuple[Roof, pd.DataFrame], nightly: tuple[Store, CheckResult, list[int]]
) -> None:
    roof, frame = record
    store = _store(roof)
    store.add_telemetry(frame, "whole")
    whole = check_store(store)
    assert whole.days_reduced == 60
    assert {f.fault for f in whole.findings} >= {"dead-input", "unit-silent", "shading"}
    _same(nightly[1].to_json(), whole.to_json())
    one, other = _features(nightly[0]), _features(store)
    assert (one.days == other.days).all()
    for name in FIELDS:
        np.testing.assert_allclose(one[name], other[name], rtol=1e-5, atol=1e-6, err_msg=name)
    _same(check_files(roof.site, loaded(roof)).to_json(), whole.to_json())


def test_a_night_reduces_its_own_day_only(nightly: tuple[Store, CheckResult, list[int]]) -> None:
    # The day before was the edge of the record: it may be taken up once more.
    assert nightly[2][0] == 1
    assert set(nightly[2][1:]) <= {1, 2}


def test_nothing_new_reduces_nothing(nightly: tuple[Store, CheckResult, list[int]]) -> None:
    again = check_store(nightly[0])
    assert again.days_reduced == 0
    assert again.to_json() == nightly[1].to_json()


def test_all_days_again_on_demand(nightly: tuple[Store, CheckResult, list[int]]) -> None:
    again = check_store(nightly[0], full=True)
    assert again.days_reduced == 60
    _same(again.to_json(), nightly[1].to_json())


def test_late_backfill_recomputes_that_day_only() -> None:
    roof = _troubled(20)
    frame = roof.frame()
    day = solar_day(frame["ts"].to_numpy(), roof.site.site.longitude)
    late = int(np.unique(day)[9])
    store = _store(roof)
    store.add_telemetry(frame[day != late], "most")
    before = check_store(store)
    assert any(f.fault == "gateway-silent" for f in before.findings)
    store.add_telemetry(frame[day == late], "late")
    result = check_store(store)
    assert result.days_reduced == 1
    _same(result.to_json(), check(roof).to_json())


def test_until_a_day_is_as_if_nothing_followed() -> None:
    roof = _troubled(20)
    frame = roof.frame()
    store = _store(roof)
    store.add_telemetry(frame, "whole")
    day = solar_day(frame["ts"].to_numpy(), roof.site.site.longitude)
    result = check_store(store, until_day=int(day.min()) + 9)
    assert result.days_reduced == 10
    assert max(f.last_seen for f in result.findings) <= result.to_day
    assert check_store(store).days_reduced == 10


def test_a_changed_site_file_reduces_all_again() -> None:
    roof = _troubled(12)
    store = _store(roof)
    store.add_telemetry(roof.frame(), "whole")
    assert check_store(store).days_reduced == 12
    text = roof.text.replace("azimuth_deg = 180.0", "azimuth_deg = 170.0")
    changed = Store(store._db, None)
    changed.set_meta("site_toml", text)
    assert check_store(Store(store._db, None)).days_reduced == 12


def test_an_empty_store_has_nothing_to_say() -> None:
    result = check_store(Store.create(None, site_text()))
    assert (result.findings, result.from_day, result.days_reduced) == ((), "", 0)
    assert not result.needs_action


# -- contract ---------------------------------------------------------------


def test_json_contract() -> None:
    """Keys and types of DESIGN.md: keys may be added, never renamed or removed."""
    roof = _troubled(18, step=300)
    roof.freeze(0, roof.when(2, 3, 8, 11))
    data = json.loads(json.dumps(check(roof, roof.weather()).to_json(), allow_nan=False))
    assert list(data)[:4] == ["site", "from", "to", "irradiance_source"]
    assert set(data) >= {"findings", "not_judged", "rejected_rows"}
    assert data["site"] == "made"
    assert data["from"] == "2024-05-20"
    assert data["to"] == "2024-06-06"
    assert data["irradiance_source"] in ("poa sensor", "ghi sensor", "own inputs")
    assert data["rejected_rows"] == {}
    kinds: dict[str, type | tuple[type, ...]] = {
        "site": str, "gateway": (str, type(None)), "unit": (str, type(None)), "input": (int, type(None)),
        "plane": (str, type(None)), "fault": str, "first_seen": str, "last_seen": str, "days": int,
        "confidence": float, "severity": str, "loss_wh_per_day": float, "loss_wh_total": float,
        "action": str, "why": str, "alternatives": list, "evidence": dict,
    }  # fmt: skip
    assert len(data["findings"]) >= 4
    for finding in data["findings"]:
        assert list(finding) == list(kinds)
        for key, kind in kinds.items():
            assert isinstance(finding[key], kind), (key, finding[key])
        assert finding["fault"] in FAULT_SCOPES
        assert finding["action"] in ACTIONS
        assert finding["severity"] in SEVERITIES
        assert 0 <= finding["confidence"] <= 1
        assert data["from"] <= finding["first_seen"] <= finding["last_seen"] <= data["to"]
        assert finding["days"] >= 1
        assert finding["loss_wh_total"] >= 0
        for other in finding["alternatives"]:
            assert set(other) == {"fault", "confidence", "tell_apart"}
            assert other["fault"] in FAULT_SCOPES
    assert data["not_judged"]
    for item in data["not_judged"]:
        assert list(item) == ["unit", "input", "fault", "reason", "days"]
        assert isinstance(item["days"], int)
        assert item["fault"] in FAULT_SCOPES


# -- any record -------------------------------------------------------------


@pytest.mark.parametrize("step", [60, 300, 900, 1800, 3600])
def test_any_step(step: int) -> None:
    roof = make_roof(days=8, step=step, units=THREE_UNITS, kinds="c")
    roof.dead(1, roof.when(3, 6))
    found = only([f for f in check(roof).findings if f.fault == "dead-input"])
    assert (found.unit, found.input, found.days) == ("U1", 2, 4)
    assert found.loss_wh_total == pytest.approx(roof.lost_wh(), rel=0.2)
    assert {f.fault for f in check(roof).findings} == {"dead-input"}


@pytest.mark.parametrize(
    ("latitude", "longitude", "azimuth"),
    [(-34.0, 151.0, 0.0), (0.2, 36.0, 90.0), (64.0, -150.0, 180.0), (-45.0, 179.5, 20.0), (1.0, -179.5, 200.0)],
)
def test_anywhere(latitude: float, longitude: float, azimuth: float) -> None:
    roof = make_roof(
        days=8, latitude=latitude, longitude=longitude, units=[["a"] * 2, ["a"] * 2, ["b"] * 2, ["b"] * 2],
        planes={"a": (azimuth, 20.0), "b": ((azimuth + 90) % 360, 20.0)},
    )  # fmt: skip
    assert check(roof).findings == ()
    roof.dead(1, roof.when(3, 6))
    found = only(check(roof).findings)
    assert (found.fault, found.unit, found.input, found.days) == ("dead-input", "U1", 2, 4)


def test_energy_counters_alone() -> None:
    roof = make_roof(days=12)
    roof.without |= {
        "dc_voltage_v", "dc_current_a", "dc_power_w", "ac_voltage_v", "ac_frequency_hz", "ac_power_w", "temperature_c",
        "state", "signal_dbm",
    }  # fmt: skip
    assert check(roof).findings == ()
    roof.dead(1, roof.when(4, 8))
    found = only(check(roof).findings)
    assert (found.fault, found.unit, found.input) == ("dead-input", "U1", 2)
    assert found.loss_wh_total == pytest.approx(roof.lost_wh(), rel=0.2)


def test_unit_power_alone() -> None:
    roof = make_roof(days=10)
    roof.without |= {"dc_voltage_v", "dc_current_a", "dc_power_w", "energy_total_wh"}
    assert check(roof).findings == ()
    roof.standby(1, roof.when(4, 6))
    assert {f.fault for f in check(roof).findings} == {"unit-standby"}


def test_an_input_added_midway() -> None:
    roof = make_roof(days=14)
    roof.heard[np.ix_(roof.when(0, 6), roof.inputs_of(4))] = False
    result = check(roof)
    assert result.findings == ()
    assert any(n.unit == "U5" and "installed" in n.reason for n in result.not_judged)


def test_a_counter_that_starts_again() -> None:
    roof = make_roof(days=12)
    roof.silent(1, roof.when(5, 6))
    at = int(np.flatnonzero(roof.when(6))[0])
    roof.counter_reset_at = {2: at, 3: at}
    found = only(check(roof).findings)
    assert found.fault == "unit-silent"
    # A fall of the counter must not be taken for "it was dark".
    assert found.evidence["produced"] is not False
    # Nobody knows: half of what it would have made.
    assert found.loss_wh_total == pytest.approx(0.5 * found.evidence["possible_loss_wh"], rel=1e-3)


def test_partial_days_at_both_ends() -> None:
    roof = make_roof(days=8)
    frame = roof.frame()
    noon = roof.ts[roof.when(0, 0, 12, 24)][0], roof.ts[roof.when(7, 7, 0, 11)][-1]
    frame = frame[(frame["ts"] >= noon[0]) & (frame["ts"] <= noon[1])].reset_index(drop=True)
    assert check_files(roof.site, Loaded(frame, NO_WEATHER, NO_EVENTS)).findings == ()


def test_units_the_site_file_does_not_list_are_left_out() -> None:
    roof = make_roof(days=6)
    few = parse_site(site_text(units=[["south"] * 2] * 3))
    assert check_files(few, loaded(roof)).findings == ()


def test_undeclared_planes_are_inferred_and_marked() -> None:
    roof = make_roof(days=20, kinds="c", planes={"south": None, "west": None}, units=THREE_UNITS)
    result = check_files(roof.site, loaded(roof))
    assert result.inferred
    assert result.findings == ()


_SITE = parse_site(site_text(units=[["south", "south"], ["west"]]))
_VALUE = st.one_of(
    st.none(), st.floats(allow_nan=True, allow_infinity=False, width=32),
    st.sampled_from([0.0, 1.0, 33.0, 230.0, 50.0, 400.0, -1.0, 1e9]),
)  # fmt: skip


@st.composite
def _frames(draw: st.DrawFn) -> pd.DataFrame:
    count = draw(st.integers(0, 40))
    start = draw(st.sampled_from([1716195600, 1733000000, 0, 1711846800]))
    gaps = draw(st.lists(st.integers(1, 40000), min_size=count, max_size=count))
    data: dict[str, Any] = {
        "ts": start + np.cumsum(np.asarray(gaps, np.int64)),
        "unit": [draw(st.sampled_from(["U1", "U2", "U9"])) for _ in range(count)],
        "input": np.asarray([draw(st.integers(1, 3)) for _ in range(count)], np.int64),
    }
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    pool = np.array([np.nan if v is None else v for v in draw(st.lists(_VALUE, min_size=8, max_size=8))], float)
    for column in TELEMETRY_COLUMNS[3:]:
        data[column] = rng.choice(pool, count)
    data["state"] = np.asarray(rng.choice([*STATES, None], count), object)
    frame = pd.DataFrame(data)[list(TELEMETRY_COLUMNS)]
    return frame.sort_values(["ts", "unit", "input"], ignore_index=True)


#: A failing frame is shown as it is: shrinking one takes minutes.
_QUICK = settings(deadline=None, suppress_health_check=list(HealthCheck), derandomize=True, phases=(Phase.explicit, Phase.generate))


@settings(_QUICK, max_examples=40)
@given(_frames())
def test_no_record_breaks_the_check(frame: pd.DataFrame) -> None:
    result = check_files(_SITE, Loaded(frame, NO_WEATHER, NO_EVENTS))
    json.dumps(result.to_json(), allow_nan=False)


@settings(_QUICK, max_examples=10)
@given(st.randoms(use_true_random=False), st.integers(1, 400))
def test_order_of_rows_and_holes_break_nothing(random: Any, keep: int) -> None:
    roof = make_roof(days=3, step=900, units=THREE_UNITS)
    frame = roof.frame()
    rows = sorted(random.sample(range(len(frame)), min(keep, len(frame))))
    part = frame.iloc[rows].reset_index(drop=True)
    json.dumps(check_files(roof.site, Loaded(part, roof.weather(), NO_EVENTS)).to_json(), allow_nan=False)
