"""The layout file: overrules a guess, survives the round trip, and names its own mistakes."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from csvfiles import DIALECTS, SITE, truth

from collectors.csv_layout import Layout, dump_layout, load_layout
from collectors.csv_layout_of import layout_of
from collectors.csv_source import from_bytes, sources
from collectors.csv_telemetry import read_telemetry
from collectors.errors import LayoutError, ReadingError

FOREIGN = b"""When;Box;Q1;Q2
03/04/2025 10:00;Roof A;250;x
03/04/2025 10:15;Roof B;1.250;x
"""


def test_a_layout_reads_what_no_guess_could() -> None:
    source = from_bytes(FOREIGN, "f.csv")
    with pytest.raises(ReadingError):
        read_telemetry(source, SITE)
    layout = Layout.model_validate(
        {
            "file": {"thousands": ".", "decimal": ","},
            "time": {"order": "mdy", "timezone": "UTC"},
            "columns": {
                "When": "timestamp",
                "Box": "unit",
                "Q1": {"as": "dc_power_w", "unit": "mW", "input": 2},
                "#4": "ignore",
            },
            "units": {"Roof A": "D2001", "Roof B": "D2002"},
        }
    )
    frame = read_telemetry(source, SITE, layout).frame
    assert frame["unit"].tolist() == ["D2001", "D2002"]
    assert frame["input"].tolist() == [2, 2]
    assert frame["dc_power_w"].tolist() == [0.25, 1.25]
    assert pd.to_datetime(frame["ts"], unit="s").dt.strftime("%m-%d %H:%M").tolist() == [
        "03-04 10:00",
        "03-04 10:15",
    ]


@pytest.mark.parametrize("dialect", [d for d in DIALECTS if "UTF-16" not in d])
def test_the_guess_as_a_layout_reads_the_same(dialect: str, tmp_path: Path) -> None:
    path, saved = tmp_path / "export", tmp_path / "layout.toml"
    path.write_bytes(DIALECTS[dialect][0](truth()))
    (source,) = sources(path)
    guessed = read_telemetry(source, SITE)
    saved.write_text(dump_layout(layout_of(guessed)), encoding="utf-8")
    again = read_telemetry(source, SITE, load_layout(saved))
    pd.testing.assert_frame_equal(again.frame, guessed.frame)
    assert {g.why for g in again.columns} == {"layout file"}


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("[file]\ndelimiter = ':'", "file.delimiter"),
        ("[file]\ndelimeter = ';'", "delimeter"),
        ("[columns]\nA = 'power'", "'power' is none of"),
        ("[columns]\nA = { as = 'dc_power_w', unit = 'horse' }", "'horse' is none of"),
        ("[time]\ntimezone = 'Berlin'", "IANA"),
        ("[states]\n4 = 'humming'", "'humming' is none of"),
        ("[file", "not valid TOML"),
    ],
)
def test_a_wrong_layout_is_refused_by_key(text: str, part: str, tmp_path: Path) -> None:
    path = tmp_path / "layout.toml"
    path.write_text(text)
    with pytest.raises(LayoutError) as caught:
        load_layout(path)
    assert part in caught.value.message
    assert "layout.toml" in caught.value.message


def test_a_layout_for_another_file_is_refused() -> None:
    layout = Layout.model_validate({"columns": {"Nowhere": "timestamp"}})
    with pytest.raises(LayoutError, match="'Nowhere' is not a column of the file, which has: 'When', 'Box'"):
        read_telemetry(from_bytes(FOREIGN, "f.csv"), SITE, layout)


def test_states_by_code() -> None:
    layout = Layout.model_validate({"states": {"4": "producing", "8": "standby"}})
    text = b"timestamp,unit,input,state\n2025-06-01T10:00Z,D2001,1,4\n2025-06-01T10:05Z,D2001,1,8\n"
    assert read_telemetry(from_bytes(text, "f.csv"), SITE, layout).frame["state"].tolist() == [
        "producing",
        "standby",
    ]
