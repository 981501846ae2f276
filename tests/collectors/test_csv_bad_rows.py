"""Rows and values that cannot be used: named by line and reason, counted, never dropped in silence."""

from __future__ import annotations

import zipfile
from pathlib import Path

import pytest
from csvfiles import SITE, canonical, truth

from collectors.csv_reading import Reading
from collectors.csv_source import from_bytes, sources
from collectors.csv_telemetry import read_telemetry
from collectors.errors import ReadingError

HEAD = "timestamp,unit,input,dc_voltage_v,dc_current_a,state\n"
GOOD = "2025-06-01T10:00:00Z,D2001,1,30,5,producing\n"


def read(text: str | bytes) -> Reading:
    data = text if isinstance(text, bytes) else text.encode()
    return read_telemetry(from_bytes(data, "f.csv"), SITE)


@pytest.mark.parametrize(
    ("row", "reason"),
    [
        ("Total,,,60,10,", "totals row"),
        ("2025-06-01T10:05:00Z,D2001,1", "wrong number of cells"),
        ("2025-06-01T10:05:00Z,D2001,1,30,5,producing,extra", "wrong number of cells"),
        ("2025-06-01T10:05:00Z,X1,1,30,5,producing", "unit not in the site file"),
        ("2025-06-01T10:05:00Z,D2001,3,30,5,producing", "input not in the site file"),
        ("2025-06-01T10:05:00Z,D2001,north,30,5,producing", "input is no number"),
        ("not a time,D2001,1,30,5,producing", "time not understood"),
        ("2025-02-30T10:05:00Z,D2001,1,30,5,producing", "time not understood"),
        (",D2001,1,30,5,producing", "no time in the row"),
        ("1970-01-01T00:00:00Z,D2001,1,30,5,producing", "time before 1990 or after 2100"),
        ("2025-06-01T10:05:00,D2001,1,30,5,producing", "time without an offset among times that have one"),
        ("2025-06-01T10:05:00Z,D2001,1,,,", "no value in the row"),
        (HEAD.strip(), "repeated header line"),
        (GOOD.strip(), "repeated row"),
        (
            "2025-06-01T10:00:00Z,D2001,1,31,5,producing",
            "same time and input again with other values (the first stays)",
        ),
    ],
)
def test_bad_row_is_named_by_line_and_reason(row: str, reason: str) -> None:
    reading = read(f"{HEAD}{GOOD}2025-06-01T10:00:00Z,D2001,2,30,5,producing\n\n{row}\n")
    assert reading.rejected == {reason: 1}
    assert [(p.line, p.reason) for p in reading.problems] == [(5, reason)]
    assert len(reading.frame) == 2
    assert reading.frame["dc_voltage_v"].tolist() == [30.0, 30.0]
    assert reading.rows_read == 3


@pytest.mark.parametrize(
    ("cell", "reason"),
    [
        ("-5", "dc_voltage_v outside -1 to 55.65"),
        ("65535", "dc_voltage_v outside -1 to 55.65"),
        ("NaN", "dc_voltage_v is not a number"),
        ("inf", "dc_voltage_v is not a number"),
        ("1e999", "dc_voltage_v is not a number"),
        ("abc", "dc_voltage_v is not a number"),
        ("0x1f", "dc_voltage_v is not a number"),
    ],
)
def test_impossible_value_becomes_empty_and_is_counted(cell: str, reason: str) -> None:
    reading = read(f"{HEAD}{GOOD}2025-06-01T10:05:00Z,D2001,1,{cell},5,producing\n")
    assert reading.emptied == {reason: 1}
    assert reading.rejected == {}
    assert [p.line for p in reading.problems] == [3]
    last = reading.frame.iloc[-1]
    assert last["dc_current_a"] == 5.0
    assert last["dc_voltage_v"] != last["dc_voltage_v"]


def test_unknown_state_word_becomes_empty() -> None:
    reading = read(f"{HEAD}{GOOD}2025-06-01T10:05:00Z,D2001,1,30,5,humming\n")
    assert reading.emptied == {"state is not known": 1}
    assert reading.frame["state"].tolist() == ["producing", None]


@pytest.mark.parametrize("cell", ["", "-", "--", "n/a", "NULL", " ", "—"])
def test_cells_that_mean_not_reported_are_empty_without_a_word(cell: str) -> None:
    reading = read(f"{HEAD}{GOOD}2025-06-01T10:05:00Z,D2001,1,{cell},5,producing\n")
    assert reading.emptied == {}
    assert reading.frame["dc_voltage_v"].isna().tolist() == [False, True]


def test_a_little_below_zero_is_a_measurement() -> None:
    reading = read(f"{HEAD}{GOOD}2025-06-01T10:05:00Z,D2001,1,-0.1,-0.02,standby\n")
    assert reading.emptied == {}
    assert reading.frame["dc_voltage_v"].tolist() == [30.0, -0.1]


def test_a_later_row_fills_what_an_earlier_left_empty() -> None:
    reading = read(f"{HEAD}2025-06-01T10:00:00Z,D2001,1,30,,\n2025-06-01T10:00:00Z,D2001,1,,5,\n")
    assert reading.rejected == {}
    assert reading.frame[["dc_voltage_v", "dc_current_a"]].to_numpy().tolist() == [[30.0, 5.0]]
    assert any("completed" in note for note in reading.notes)


def test_problems_are_capped_but_counts_are_not() -> None:
    bad = "".join(f"2025-06-01T10:{m:02}:00Z,X1,1,30,5,\n" for m in range(60))
    reading = read(HEAD + GOOD + bad)
    assert reading.rejected == {"unit not in the site file": 60}
    assert len(reading.problems) == 20


@pytest.mark.parametrize(
    ("data", "part"),
    [
        (b"hello\nworld\n", "nothing parts into columns"),
        (b"a,b\n1,2\n", "no column of times"),
        (HEAD.encode(), "no row under the header"),
        (b"\x00\x01\x02\x03\x04" * 40, "zero bytes"),
        (b"time,serial,remark\n2025-06-01T10:00:00Z,D2001,x\n", "no column of values"),
        (b"time,serial,input,power\n2025-06-01T10:00:00Z,X9,1,5\n", "'X9'"),
        (b"time,power\n2025-06-01T10:00:00Z,5\n", "names a unit of the site file"),
        (b"time,serial,input,power\n03/04/2025 10:00,D2001,1,5\n", "day first or month first"),
        (b"time,serial,input,power\nsoon,D2001,1,5\n", "'soon' is no time"),
        (HEAD.encode() + b"2025-06-01T10:00:00Z,D2001,9,30,5,\n", "not one of its 1 rows can be used"),
        (b"PK\x03\x04 not really", "damaged"),
        (b"\x1f\x8b not really", "damaged"),
        (b"", "empty"),
    ],
)
def test_what_cannot_be_understood_is_refused_with_its_name(data: bytes, part: str, tmp_path: Path) -> None:
    path = tmp_path / "export.csv"
    path.write_bytes(data)
    with pytest.raises(ReadingError) as caught:
        [read_telemetry(source, SITE) for source in sources(path)]
    assert "export.csv" in caught.value.message
    assert part in caught.value.message
    assert caught.value.remedy


def test_a_file_cut_off_in_the_middle_of_a_gzip_is_refused(tmp_path: Path) -> None:
    import gzip

    path = tmp_path / "t.csv.gz"
    path.write_bytes(gzip.compress(canonical(truth()).encode())[:-400])
    with pytest.raises(ReadingError, match="damaged"):
        read_telemetry(sources(path)[0], SITE)


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(ReadingError, match=r"nowhere\.csv: cannot be read"):
        sources(tmp_path / "nowhere.csv")


@pytest.mark.parametrize("start", [b"\xd0\xcf\x11\xe0", b"%PDF-1.7", b"PAR1", b"SQLite format 3", b"\x89PNG", b"\xff\xd8\xff\xe0"])
def test_files_that_are_no_text_are_named(start: bytes, tmp_path: Path) -> None:
    path = tmp_path / "export.csv"
    path.write_bytes(start + b"\x00\x01" * 100)
    with pytest.raises(ReadingError, match="not a table of text"):
        sources(path)


def test_a_workbook_is_named(tmp_path: Path) -> None:
    path = tmp_path / "export.xlsx"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("[Content_Types].xml", "<Types/>")
    with pytest.raises(ReadingError, match="workbook"):
        sources(path)


def test_offsets_other_than_utc_stay_on_the_fast_way() -> None:
    reading = read(f"{HEAD}2025-06-01T12:00:00+02:00,D2001,1,30,5,\n2025-06-01T10:05:00Z,D2001,1,31,5,\n")
    assert reading.frame["ts"].tolist() == [1748772000, 1748772300]
    assert reading.format["times"] == "ISO 8601 with offset"
