"""What every tolerant reader starts with: bytes to a table, and the guesses about it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa

from collectors import csv_words as words
from collectors.csv_evidence import Context
from collectors.csv_guess import guess_columns
from collectors.csv_labels import Labels
from collectors.csv_layout import Layout
from collectors.csv_numbers import NumberFormat, format_of, parse_numbers
from collectors.csv_reading import ColumnGuess, Kind, Tally
from collectors.csv_source import Source
from collectors.csv_table import Table, split
from collectors.csv_text import decode
from collectors.csv_times import Times
from collectors.site import SiteDescription

DELIMITER_NAMES = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}


@dataclass
class Draft:
    """A table with what its columns were taken for, before its rows are read."""

    name: str
    table: Table
    guesses: list[ColumnGuess]
    form: NumberFormat
    layout: Layout
    tally: Tally
    rows_read: int
    encoding: str

    def format(self, times: Times, zone: ZoneInfo) -> dict[str, str]:
        """How the file is written, in words."""
        form, table = self.form, self.table
        lines = f", {table.header_lines} lines" if table.header_lines > 1 else ""
        shown = {
            "encoding": self.encoding,
            "delimiter": DELIMITER_NAMES.get(table.delimiter, table.delimiter),
            "decimal mark": f"{form.decimal} ({form.why})" if form.why else form.decimal,
            "times": times.form + (f", local to {zone.key}" if times.local else ""),
            "header": f"line {table.header_line}{lines}",
        }
        if form.thousands:
            shown["between thousands"] = form.thousands
        return shown


def draft(source: Source, site: SiteDescription, kind: Kind, layout: Layout | None) -> Draft:
    """Read the cells of a file and guess its columns.

    Raises
    ------
    ReadingError : not a table with a header; names file, line and remedy.
    LayoutError : the layout names a column that is not there.
    """
    layout = layout or Layout()
    tally = Tally()
    text, encoding = decode(source.bytes(), source.name, layout.file.encoding)
    table = split(text, source.name, layout.file, tally)
    form, context = _context(table, site, layout)
    guesses = guess_columns(kind, context)
    rows_read = table.height + sum(tally.rejected.values())
    return Draft(source.name, table, guesses, form, layout, tally, rows_read, encoding)


def _context(table: Table, site: SiteDescription, layout: Layout) -> tuple[NumberFormat, Context]:
    cells = [c for k in range(len(table.headers)) for c in table.sample(k, 300)]
    form = format_of(cells, table.delimiter)
    if layout.file.decimal is not None or layout.file.thousands is not None:
        decimal = layout.file.decimal or form.decimal
        thousands = form.thousands if layout.file.thousands is None else layout.file.thousands
        form = NumberFormat(decimal, "" if thousands == decimal else thousands, "layout file")

    def numbers(k: int) -> list[float]:
        values, _ = parse_numbers(pa.array(table.sample(k), pa.string()), form, layout.file.missing)
        return [float(v) for v in values[~np.isnan(values)]]

    watts = [ref.module.pmax_w for ref in site.inputs if ref.module]
    return form, Context(
        table=table,
        labels=Labels(site, layout.units),
        layout=layout,
        numbers=numbers,
        planes=tuple(site.planes),
        single_inputs=all(len(u.inputs) == 1 for u in site.units),
        module_w=max(watts) if watts else None,
    )


def zone_of(guesses: list[ColumnGuess], layout: Layout, site: SiteDescription) -> ZoneInfo:
    """Zone of times without an offset: the layout's, UTC when a header says so, the site's."""
    if layout.time.timezone:
        return ZoneInfo(layout.time.timezone)
    stamped = [g.header for g in guesses if g.taken_for in ("timestamp", "date")]
    if any("utc" in words.plain(header).split() for header in stamped):
        return ZoneInfo("UTC")
    return site.site.zone


def count_wrong(table: Table, k: int, wrong: Any, reason: str, header: str, tally: Tally) -> None:
    """Count cells of a column that became empty, with the first few as written."""
    if wrong.any():
        rows = np.flatnonzero(wrong)
        shown = table.columns[k].take(pa.array(rows[:20])).to_pylist()
        tally.empty(reason, table.lines[rows].tolist(), header, shown)


def renamed(guesses: list[ColumnGuess], old: str, new: str) -> list[ColumnGuess]:
    return [replace(g, taken_for=new) if g.taken_for == old else g for g in guesses]
