"""Times, against Python's own zoneinfo and the rules the zones follow."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
import pytest
from csvfiles import SITE

from collectors.csv_source import from_bytes
from collectors.csv_telemetry import read_telemetry
from collectors.csv_times import REASON_SKIPPED, REASON_TWICE, OrderUnknownError, Times, parse_times, to_utc

BERLIN = ZoneInfo("Europe/Berlin")


def parsed(cells: list[str], zone: ZoneInfo = BERLIN, key: list[int] | None = None, order: str | None = None) -> Times:
    times = parse_times(pa.array(cells, pa.string()), zone, order)
    to_utc(times, zone, np.array(key if key is not None else [0] * len(cells)))
    return times


def epoch(text: str) -> int:
    return int(datetime.fromisoformat(text).timestamp())


@pytest.mark.parametrize(
    ("cell", "instant"),
    [
        # Instants by Python's ISO 8601 reader (datetime.fromisoformat), an independent implementation.
        ("2025-06-01T10:00:00Z", "2025-06-01T10:00:00+00:00"),
        ("2025-06-01T10:00:00.250Z", "2025-06-01T10:00:00+00:00"),
        ("2025-06-01 12:00+02:00", "2025-06-01T10:00:00+00:00"),
        ("2025-06-01T12:00:00+0200", "2025-06-01T10:00:00+00:00"),
        ("20250601T100000Z", "2025-06-01T10:00:00+00:00"),
        ("2025/6/1 12:00", "2025-06-01T12:00:00+02:00"),
        ("2025-01-31 24:00", "2025-02-01T00:00:00+01:00"),
        ("2024-02-29 12:00", "2024-02-29T12:00:00+01:00"),
        ("13.6.2025 08:05", "2025-06-13T08:05:00+02:00"),
        ("13/06/25 08:05:10", "2025-06-13T08:05:10+02:00"),
        ("06/13/2025 12:05 AM", "2025-06-13T00:05:00+02:00"),
        ("06/13/2025 12:05 pm", "2025-06-13T12:05:00+02:00"),
        ("13 Jun 2025 08:05", "2025-06-13T08:05:00+02:00"),
        ("Jun 13, 2025 8:05 PM", "2025-06-13T20:05:00+02:00"),
        ("13. März 2025 08:05", "2025-03-13T08:05:00+01:00"),
        ("26.10.2025 02:30 CEST", "2025-10-26T02:30:00+02:00"),
        ("26.10.2025 02:30 CET", "2025-10-26T02:30:00+01:00"),
        ("1748772000", "2025-06-01T10:00:00+00:00"),
        ("1748772000123", "2025-06-01T10:00:00+00:00"),
        # Spreadsheet serial day 45809 is 2025-06-01 (1900 date system, common practice).
        ("45809.5", "2025-06-01T12:00:00+02:00"),
    ],
)
def test_one_instant(cell: str, instant: str) -> None:
    times = parsed([cell])
    assert times.reason.tolist() == [""]
    assert times.seconds.tolist() == [epoch(instant)]


@pytest.mark.parametrize(
    "cell",
    [
        "2025-13-01 10:00",
        "2025-02-29 10:00",
        "31.4.2025 10:00",
        "2025-06-01 25:00",
        "2025-06-01 10:61",
        "13:00 PM",
    ],
)
def test_no_such_instant(cell: str) -> None:
    assert parsed([cell, "2025-06-01 10:00"]).reason.tolist()[0] != ""


@pytest.mark.parametrize(
    "zone",
    # IANA tz database: Lord Howe moves its clocks by half an hour, Apia skipped a day in 2011.
    [
        "Europe/Berlin",
        "Australia/Lord_Howe",
        "America/St_Johns",
        "Pacific/Apia",
        "Asia/Kolkata",
        "America/Santiago",
    ],
)
@pytest.mark.parametrize("year", [2011, 2025])
def test_a_year_of_local_times_comes_back(zone: str, year: int) -> None:
    """Every ten minutes of a year as a clock on the wall shows them, in order: each instant returns."""
    tz = ZoneInfo(zone)
    first = int(datetime(year, 1, 1, tzinfo=UTC).timestamp())
    instants = np.arange(first, first + 365 * 86400, 600)
    shown = [datetime.fromtimestamp(t, tz).strftime("%Y-%m-%d %H:%M") for t in instants.tolist()]
    times = parsed(shown, tz)
    assert (times.reason == "").all()
    assert (times.seconds == instants).all()


def test_the_hour_that_clocks_skip_is_refused_by_name() -> None:
    # Directive 2000/84/EC: summer time starts on the last Sunday of March at 01:00 UTC.
    times = parsed(["2025-03-30 01:55", "2025-03-30 02:00", "2025-03-30 02:55", "2025-03-30 03:00"])
    assert times.reason.tolist() == ["", REASON_SKIPPED, REASON_SKIPPED, ""]
    assert times.seconds[3] - times.seconds[0] == 300


def test_the_hour_that_repeats_is_told_by_the_order_of_rows() -> None:
    # Directive 2000/84/EC: summer time ends on the last Sunday of October at 01:00 UTC.
    shown = ["01:30", "02:00", "02:30", "02:00", "02:30", "03:00"]
    times = parsed([f"2025-10-26 {c}" for c in shown])
    assert np.diff(times.seconds).tolist() == [1800] * 5
    newest_first = parsed([f"2025-10-26 {c}" for c in reversed(shown)])
    assert newest_first.seconds.tolist() == times.seconds.tolist()[::-1]
    sorted_by_clock = parsed([f"2025-10-26 {c}" for c in ("02:00", "02:00", "02:30", "02:30")])
    assert sorted_by_clock.seconds.tolist() == [times.seconds[k] for k in (1, 3, 2, 4)]


def test_the_hour_that_repeats_is_refused_when_nothing_tells_it() -> None:
    times = parsed([f"2025-10-26 {c}" for c in ("01:30", "02:30", "03:00")] * 1, key=[1, 1, 1])
    assert times.reason.tolist() == ["", REASON_TWICE, ""]


def test_each_input_has_its_own_order() -> None:
    cells = [f"2025-10-26 {c}" for c in ("02:00", "02:00", "02:30", "02:30", "02:00", "02:00", "02:30", "02:30")]
    times = parsed(cells, key=[1, 2] * 4)
    first = epoch("2025-10-26T02:00:00+02:00")
    assert times.seconds.tolist() == [first, first, first + 1800, first + 1800] + [
        t + 3600 for t in (first, first, first + 1800, first + 1800)
    ]


def test_day_and_month_that_cannot_be_told_apart_are_refused() -> None:
    with pytest.raises(OrderUnknownError):
        parsed(["03/04/2025 10:00"])
    assert parsed(["03/04/2025 10:00"], order="mdy").seconds.tolist() == [epoch("2025-03-04T10:00:00+01:00")]
    # A span of four days is one export, a span of four months would be torn.
    days = parsed([f"{d:02}/06/2025 10:00" for d in (1, 2, 3, 4)])
    assert (np.diff(days.seconds) == 86400).all()


def test_a_year_written_locally_through_the_reader() -> None:
    start = datetime(2025, 10, 26, 0, 0, tzinfo=UTC) - timedelta(hours=3)
    rows = ["Zeit;Seriennummer;Eingang;Leistung (W)"]
    expected = []
    for k in range(24):
        at = start + timedelta(minutes=15 * k)
        rows.append(f"{at.astimezone(BERLIN):%d.%m.%Y %H:%M};D2001;1;{100 + k}")
        expected.append(int(at.timestamp()))
    reading = read_telemetry(from_bytes("\n".join(rows).encode(), "f.csv"), SITE)
    assert reading.frame["ts"].tolist() == expected
    assert reading.rejected == {}
