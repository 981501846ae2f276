"""The same measurements, written as many ways as people write them, read as the same frame."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from csvfiles import DIALECTS, SITE, canonical, truth

from collectors.columns import TELEMETRY_COLUMNS
from collectors.csv_source import sources
from collectors.csv_telemetry import read_telemetry


@pytest.mark.parametrize("dialect", DIALECTS)
def test_every_way_of_writing_gives_the_same_frame(dialect: str, tmp_path: Path) -> None:
    expected = truth()
    write, carried = DIALECTS[dialect]
    path = tmp_path / "export.csv"
    path.write_bytes(write(expected))
    (source,) = sources(path)
    frame = read_telemetry(source, SITE).frame
    assert frame[["ts", "unit", "input"]].equals(expected[["ts", "unit", "input"]])
    for name in TELEMETRY_COLUMNS[3:]:
        if name not in carried:
            assert frame[name].isna().all(), name
        elif name == "state":
            assert frame[name].tolist() == expected[name].tolist()
        else:
            np.testing.assert_allclose(frame[name], expected[name], atol=0.051, err_msg=name)


def test_canonical_agrees_with_pandas(tmp_path: Path) -> None:
    # Reference library: pandas.read_csv and its ISO 8601 parser read the same text independently.
    text = canonical(truth())
    path = tmp_path / "t.csv"
    path.write_text(text)
    reference = pd.read_csv(io.StringIO(text), dtype={"unit": str})
    stamps = pd.to_datetime(reference["timestamp"], utc=True)
    frame = read_telemetry(sources(path)[0], SITE).frame
    assert frame["ts"].tolist() == [int(s.timestamp()) for s in stamps]
    for name in TELEMETRY_COLUMNS[3:]:
        assert frame[name].tolist() == reference[name].tolist(), name


def test_blocks_of_a_large_file_join(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "t.csv"
    path.write_text(canonical(truth()))
    whole = read_telemetry(sources(path)[0], SITE)
    monkeypatch.setattr("collectors.csv_canonical._BLOCK", 1000)
    parts = read_telemetry(sources(path)[0], SITE)
    assert parts.rows_read == whole.rows_read
    pd.testing.assert_frame_equal(parts.frame, whole.frame)


def test_a_bad_cell_in_one_block_costs_that_cell_only(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    lines = canonical(truth()).splitlines()
    cells = lines[400].split(",")
    cells[3] = "abc"
    lines[400] = ",".join(cells)
    path = tmp_path / "t.csv"
    path.write_text("\n".join(lines))
    monkeypatch.setattr("collectors.csv_canonical._BLOCK", 4000)
    reading = read_telemetry(sources(path)[0], SITE)
    assert reading.emptied == {"dc_voltage_v is not a number": 1}
    (problem,) = reading.problems
    assert (problem.line, problem.column, problem.value) == (401, "dc_voltage_v", "abc")
    assert reading.rows_read == len(reading.frame) == len(truth())
    assert int(reading.frame["dc_voltage_v"].isna().sum()) == 1
