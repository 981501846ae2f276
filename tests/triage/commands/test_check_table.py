"""`callout check` on loose files: the table as it is read on a phone."""

from __future__ import annotations

import re
from pathlib import Path

import pandas as pd
import pytest
from typer.testing import CliRunner

from tests.rules.make import Roof, make_roof, site_text
from triage import console
from triage.cli import app


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(console.out, "_width", 200)
    return tmp_path


def _table(home: Path, roof: Roof, text: str) -> str:
    frame = roof.frame()
    frame.insert(0, "timestamp", pd.to_datetime(frame.pop("ts"), unit="s", utc=True).dt.strftime("%Y-%m-%dT%H:%M:%SZ"))
    frame.to_csv(home / "telemetry.csv", index=False)
    (home / "site.toml").write_text(text)
    words = ["check", "--site-file", str(home / "site.toml"), "--telemetry", str(home / "telemetry.csv")]
    return re.sub(r"\s+", " ", CliRunner().invoke(app, words).stdout)


def test_what_has_ended_is_over_and_stands_last(home: Path) -> None:
    roof = make_roof(days=14)
    roof.dead(1, roof.when(2, 4)).dead(7, roof.when(10))
    table = _table(home, roof, site_text())
    assert table.index("U4/2 30 May 2024") < table.index("U1/2 22 May 2024")
    assert re.search(r"over Dead input U1/2 22 May 2024 [\d.]+ k?Wh 99 % 3", table)
    assert table.count("Last seen 24 May 2024.") == table.count("Last seen") == 1
    assert re.search(r"go Dead input U4/2 30 May 2024 [\d.]+ k?Wh 99 % 4", table)


def test_a_score_of_one_kind_is_one_row(home: Path) -> None:
    roof = make_roof(days=8, units=[["south"] * 2] * 15)
    for n in range(0, 20, 2):
        roof.dead(n, roof.when(3))
    table = _table(home, roof, site_text(units=[["south"] * 2] * 15))
    assert "10 inputs 23 May 2024" in table
    assert table.count("while its siblings produced") == 1
    assert "The like of it: U1/1, U10/1, U2/1" in table


def test_where_there_is_no_room_beside_the_figures_the_reasons_stand_below(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(console.out, "_width", 60)
    roof = make_roof(days=8)
    roof.dead(1, roof.when(3))
    table = _table(home, roof, site_text())
    assert "days why" not in table
    assert re.search(r"go Dead input U1/2 23 May 2024 [\d.]+ k?Wh 99 % \d+", table)
    assert "Dead input, U1/2: U1/2 made nothing for" in table
