"""What every reader promises: one contract, parametrised over readers and ways of writing."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from csvfiles import DIALECTS, SITE, truth

from collectors.columns import EVENT_COLUMNS, EVENTS, STATES, TELEMETRY_COLUMNS, WEATHER_COLUMNS
from collectors.csv_reading import Reading
from collectors.csv_source import Source, from_bytes, sources
from collectors.csv_telemetry import read_telemetry
from collectors.log_csv import read_log
from collectors.site import SiteDescription
from collectors.weather_csv import read_weather

Reader = Callable[[Source, SiteDescription], Reading]
NUMBERS = [name for name in TELEMETRY_COLUMNS[3:] if name != "state"]

_WEATHER = """timestamp,ghi_w_m2,poa_w_m2,temp_air_c
2025-06-01T10:05:00Z,500.5,600,21
2025-06-01T10:00:00Z,490,,20
2025-06-01T10:00:00Z,490,,20
2025-06-01T10:10:00Z,-9999,inf,
gibberish,1,2,3
"""
_LOG = """timestamp;source;event;detail
2025-06-01T10:05:00Z;gw-1;online;
2025-06-01T10:00:00Z;gw-1;offline;no uplink
2025-06-01T10:00:00Z;gw-1;offline;no uplink
2025-06-01T10:00:00Z;gw-1;sneezed;
"""


def _telemetry(dialect: str, folder: Path) -> tuple[Reader, Source]:
    path = folder / "export"
    path.write_bytes(DIALECTS[dialect][0](truth(12)))
    return read_telemetry, sources(path)[0]


CASES = [*(f"telemetry: {name}" for name in DIALECTS), "weather", "log"]


@pytest.fixture(params=CASES)
def case(request: pytest.FixtureRequest, tmp_path: Path) -> tuple[Reader, Source]:
    if request.param == "weather":
        return read_weather, from_bytes(_WEATHER.encode(), "weather.csv")
    if request.param == "log":
        return read_log, from_bytes(_LOG.encode(), "log.csv")
    return _telemetry(request.param.removeprefix("telemetry: "), tmp_path)


def test_contract(case: tuple[Reader, Source]) -> None:
    read, source = case
    reading = read(source, SITE)
    frame = reading.frame
    key, values = {
        "telemetry": (["ts", "unit", "input"], list(TELEMETRY_COLUMNS[3:])),
        "weather": (["ts", "plane"], list(WEATHER_COLUMNS)),
        "log": (["ts", *EVENT_COLUMNS], []),
    }[reading.kind]
    # Names, order and types of columns.
    assert list(frame.columns) == [*key, *values]
    assert frame["ts"].dtype == np.int64
    for name in values:
        assert frame[name].dtype == (object if name == "state" else np.float64), name
    # Sorted, no key twice, numbered from 0.
    assert not frame.duplicated(key).any()
    pd.testing.assert_frame_equal(frame, frame.sort_values(key, ignore_index=True))
    # Nothing that cannot be true.
    numbers = frame.select_dtypes("float64").to_numpy()
    assert not np.isinf(numbers).any()
    if reading.kind == "telemetry":
        assert frame["input"].dtype == np.int64
        assert set(frame["state"].dropna()) <= set(STATES)
        assert set(zip(frame["unit"], frame["input"], strict=True)) <= set(SITE.input_index)
    if reading.kind == "log":
        assert set(frame["event"]) <= set(EVENTS)
    # Every row accounted for; each reason has an example with its line.
    if reading.kind != "telemetry":  # a wide row makes several: counted below for long files
        assert reading.rows_read == len(frame) + sum(reading.rejected.values())
    for reason in (*reading.rejected, *reading.emptied):
        assert any(p.reason == reason and p.line > 1 for p in reading.problems), reason
    # Each column of the file has a guess with its reason.
    assert all(guess.why for guess in reading.columns)
    # Reading has no memory.
    pd.testing.assert_frame_equal(read(source, SITE).frame, frame)


@pytest.mark.parametrize("dialect", [d for d in DIALECTS if "long" in d or "canonical" in d])
def test_every_row_of_a_long_file_is_kept_or_named(dialect: str, tmp_path: Path) -> None:
    read, source = _telemetry(dialect, tmp_path)
    reading = read(source, SITE)
    assert reading.rows_read == len(reading.frame) + sum(reading.rejected.values())
