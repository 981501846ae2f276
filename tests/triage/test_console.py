"""The console loses nothing, however narrow the terminal is."""

from __future__ import annotations

import io

import pytest
from rich.table import Table

from triage.console import WholeConsole


def _printed(table: Table, width: int) -> str:
    console = WholeConsole(file=io.StringIO(), width=width)
    console.print(table)
    text: str = console.file.getvalue()  # type: ignore[attr-defined]
    return text


def _table() -> Table:
    table = Table(box=None, pad_edge=False)
    table.add_column("finding", min_width=9)
    table.add_column("where", no_wrap=True)
    table.add_column("loss a day", justify="right", no_wrap=True)
    table.add_column("status")
    table.add_row("unit on standby in good light", "unit QB40097", "7.4 kWh", "acknowledged")
    table.add_row("shade", "QB40083/1", "394 Wh", "open")
    return table


@pytest.mark.parametrize("width", [20, 40, 60, 100])
def test_no_cell_is_cut_and_no_column_left_out(width: int) -> None:
    text = _printed(_table(), width)
    assert "…" not in text
    for cell in ("unit QB40097", "7.4 kWh", "QB40083/1", "394 Wh", "acknowledged", "loss a day", "standby"):
        assert cell in text


def test_where_there_is_room_a_table_keeps_within_the_terminal() -> None:
    assert max(map(len, _printed(_table(), 60).splitlines())) <= 60


def test_a_name_that_has_room_in_one_piece_is_left_so() -> None:
    table = Table(box=None, pad_edge=False)
    for name in ("file", "left out", "why"):
        table.add_column(name)
    table.add_row("telemetry.csv.gz", "12", "some reason or other, longer than there is room for")
    lines = _printed(table, 40).splitlines()
    assert lines[1].startswith("telemetry.csv.gz")
    assert max(map(len, lines)) == 40


def test_a_checksum_is_folded_and_kept_whole() -> None:
    table = Table(box=None, pad_edge=False)
    table.add_column("file")
    table.add_column("sum")
    table.add_row("a.csv", "0123456789abcdef" * 4)
    lines = _printed(table, 40).splitlines()
    assert "".join(line.split()[-1] for line in lines[1:]) == "0123456789abcdef" * 4
