"""Whatever the bytes: a frame that keeps the contract, or an error that names the file."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from csvfiles import DIALECTS, SITE, truth
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from collectors.csv_source import from_bytes, sources
from collectors.csv_telemetry import read_telemetry
from collectors.errors import InputError
from collectors.log_csv import read_log
from collectors.weather_csv import read_weather

READERS = {"telemetry": read_telemetry, "weather": read_weather, "log": read_log}
_WORDS = [
    "timestamp", "unit", "input", "dc_power_w", "D2001", "D2002-1 [kW]", "00417", "Time", "Date", "ghi_w_m2",
    "event", "online", "2025-06-01T10:00:00Z", "2025-10-26 02:30", "01.06.2025 10:00", "1748772000", "1,5",
    "1.234,5", "inf", "nan", "-", "", "1e400", "99999999999999999999", '"', "Total", "\x00", "é", "W",
    "producing", "45000.5",
]  # fmt: skip
_tables = st.builds(
    lambda rows, sign, end: end.join(sign.join(row) for row in rows),
    st.lists(st.lists(st.sampled_from(_WORDS), min_size=1, max_size=6), min_size=1, max_size=8),
    st.sampled_from([",", ";", "\t", "|"]),
    st.sampled_from(["\n", "\r\n", "\r"]),
)
SETTINGS = settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def names_it(name: str, exc: InputError) -> None:
    assert name in exc.message
    assert exc.remedy


def check(data: bytes, kind: str) -> None:
    try:
        reading = READERS[kind](from_bytes(data, "fuzz.csv"), SITE)
    except InputError as exc:
        names_it("fuzz.csv", exc)
        return
    if kind == "log" and reading.rows_read == 0:  # a header alone: nothing happened
        assert reading.frame.empty
        return
    assert not reading.frame.empty
    assert not np.isinf(reading.frame.select_dtypes("float64").to_numpy()).any()
    assert reading.frame["ts"].is_monotonic_increasing


@pytest.mark.parametrize("kind", READERS)
@given(data=st.binary(max_size=400))
@SETTINGS
def test_any_bytes(kind: str, data: bytes) -> None:
    check(data, kind)


@pytest.mark.parametrize("kind", READERS)
@given(text=_tables, encoding=st.sampled_from(["utf-8", "utf-16", "utf-8-sig"]))
@example(text="timestamp,unit,input,dc_power_w\n2025-06-01T10:00:00Z,D2001,1,5", encoding="utf-8")
@SETTINGS
def test_tables_of_telling_words(kind: str, text: str, encoding: str) -> None:
    check(text.encode(encoding), kind)


_GOOD = {name: write(truth(3)) for name, (write, _) in DIALECTS.items()}


@pytest.mark.parametrize("dialect", DIALECTS)
@given(data=st.data())
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_good_file_with_bytes_changed(dialect: str, data: st.DataObject, tmp_path: Path) -> None:
    good = bytearray(_GOOD[dialect])
    for _ in range(data.draw(st.integers(1, 5))):
        place = data.draw(st.integers(0, len(good) - 1))
        good[place : place + data.draw(st.integers(0, 3))] = data.draw(st.binary(max_size=3))
    path = tmp_path / "fuzz.csv"
    path.write_bytes(good)
    try:
        tables = sources(path)
        readings = [read_telemetry(source, SITE) for source in tables]
    except InputError as exc:
        names_it("fuzz.csv", exc)
        return
    for reading in readings:
        assert not reading.frame.duplicated(["ts", "unit", "input"]).any()
