"""Text to a table of cells: delimiter, header, and the file line of every row.

Nothing is interpreted here beyond where the header ends.
"""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv
from numpy.typing import NDArray

from collectors.csv_layout import FileLayout
from collectors.csv_reading import Tally
from collectors.csv_times import LOOKS_LIKE_TIME
from collectors.csv_words import DATE, TIME, TIMESTAMP, TOTALS, plain
from collectors.errors import ReadingError

REASON_CELLS = "wrong number of cells"
REASON_HEADER = "repeated header line"
REASON_TOTALS = "totals row"
_SAMPLE_LINES = 400
_EPOCH = re.compile(r"^\s*\d{10}(\d{3})?(\.\d+)?\s*$")


@dataclass
class Table:
    """Cells of a file as Arrow string arrays, one per column.

    ``headers`` has one text per column, lines of a tall header joined by a
    space; ``lines`` the file line of each row.
    """

    headers: list[str]
    columns: list[Any]
    lines: NDArray[np.int64]
    delimiter: str
    header_line: int
    header_lines: int
    notes: list[str] = field(default_factory=list)

    @property
    def height(self) -> int:
        return len(self.lines)

    def sample(self, column: int, count: int = 2000) -> list[str]:
        """Cells spread over the file that are not blank."""
        cells = self.columns[column]
        step = max(1, len(cells) // count)
        picked = cells.take(pa.array(np.arange(0, len(cells), step))) if step > 1 else cells
        return [c for c in picked.to_pylist() if c.strip()]


def split(text: str, name: str, layout: FileLayout, tally: Tally, *, may_be_empty: bool = False) -> Table:
    """Cut a text into cells.

    Parameters
    ----------
    may_be_empty : for a stretch of a file, which may hold no usable row.

    Raises
    ------
    ReadingError : no header, or no rows under it; names the file.
    """
    lines = text.split("\n")
    skip = 0
    told = None
    if match := re.fullmatch(r"sep=(.)", lines[0].strip('"')):
        told, skip = match.group(1), 1
    delimiter = layout.delimiter or told or _delimiter(lines[skip : skip + _SAMPLE_LINES])
    if delimiter is None:
        raise ReadingError(
            f"{name}: line 1: nothing parts into columns at a comma, semicolon, tab or bar",
            'Name the delimiter in a layout file: [file] delimiter = "...".',
        )
    rows = [_cells(line, delimiter) for line in lines[: skip + _SAMPLE_LINES]]
    last, tall = _header(rows, skip, name, layout)
    first = last - tall + 1
    width = _width(rows[last + 1 :], len(rows[last]))
    headers = _joined_headers(rows[first : last + 1], width)
    table = _parse(lines, last + 1, width, delimiter, tally)
    table.headers = headers
    table.header_line, table.header_lines = last + 1, tall
    if first > skip:
        named = [line for line in lines[skip:first] if line.strip()]
        if named:
            table.notes.append(f"{len(named)} lines above the header left out, the first: {named[0][:60]!r}")
    _drop_repeats(table, rows[last], tally)
    if table.height == 0 and not may_be_empty:
        raise ReadingError(f"{name}: no row under the header in line {last + 1}", "Export it again.")
    return table


def _cells(line: str, delimiter: str) -> list[str]:
    try:
        return [cell.strip() for cell in next(csv.reader([line], delimiter=delimiter), [])]
    except csv.Error:
        return []


def _delimiter(lines: Sequence[str]) -> str | None:
    """The sign that parts most lines into the same number of cells.

    A comma that is a decimal mark parts lines evenly too, so the others are asked first.
    """
    filled = [line for line in lines if line.strip()]
    best: tuple[float, str] | None = None
    for sign in (";", "\t", "|", ","):
        counts = Counter(len(_cells(line, sign)) for line in filled)
        several = {n: k for n, k in counts.items() if n > 1}
        if not several:
            continue
        share = max(several.values()) / len(filled)
        if share >= 0.5 and sign != ",":
            return sign
        if best is None or share > best[0]:
            best = (share, sign)
    return best[1] if best else None


def holds_time(cell: str) -> bool:
    return bool(LOOKS_LIKE_TIME.match(cell))


def is_time_header(header: str) -> bool:
    return bool((TIMESTAMP | DATE | TIME) & set(plain(header).split()))


def _header(rows: Sequence[list[str]], skip: int, name: str, layout: FileLayout) -> tuple[int, int]:
    """Index of the last header line and how many lines the header has."""
    if layout.header_line is not None:
        last = layout.header_line - 1
        if not skip <= last < len(rows):
            raise ReadingError(f"{name}: header_line = {last + 1} is not in the file", "Correct the layout.")
        return last, min(layout.header_lines or 1, last + 1)
    data = next((k for k in range(skip, len(rows)) if len(rows[k]) > 1 and any(map(holds_time, rows[k]))), None)
    titled = [k for k in range(skip, len(rows) if data is None else data) if len(rows[k]) > 1 and any(map(is_time_header, rows[k]))]
    if data is None and titled:
        data = next((k for k in range(titled[0] + 1, len(rows)) if any(_EPOCH.match(c) for c in rows[k])), None)
        if data is None:
            data = titled[-1] + 1
    if data is None:
        raise ReadingError(
            f"{name}: no column of times: no date in the first {len(rows)} lines, and no header names one",
            'Name the time column in a layout file: [columns] "HEADER" = "timestamp".',
        )
    last = data - 1
    while last >= skip and not any(rows[last]):
        last -= 1
    if last < skip or len(rows[last]) < 2:
        raise ReadingError(
            f"{name}: line {data + 1} is data and there is no header above it",
            "Put a line of column names above the data.",
        )
    if layout.header_lines:
        return last, min(layout.header_lines, last + 1)
    tall = 1
    while last - tall >= skip and tall < 3 and _belongs(rows[last - tall], rows[last]):
        tall += 1
    return last, tall


def _belongs(upper: list[str], lower: list[str]) -> bool:
    """Whether the line above is part of the header: as wide, and several cells filled."""
    return abs(len(upper) - len(lower)) <= 1 and sum(map(bool, upper)) >= 2 and len(upper) > 2


def _width(rows: Sequence[list[str]], header: int) -> int:
    """Cells per row: what most rows have (a delimiter at the end adds one)."""
    counts = Counter(len(row) for row in rows if any(row))
    return max(header, counts.most_common(1)[0][0]) if counts else header


def _joined_headers(rows: Sequence[list[str]], width: int) -> list[str]:
    filled = []
    for k, row in enumerate(rows):
        cells = [*row, *[""] * (width - len(row))][:width]
        if k < len(rows) - 1:  # a merged cell of an upper line stands over the blank ones right of it
            for n in range(1, width):
                cells[n] = cells[n] or cells[n - 1]
        filled.append(cells)
    return [" ".join(dict.fromkeys(c for c in column if c)) for column in zip(*filled, strict=True)]


def _parse(lines: list[str], start: int, width: int, delimiter: str, tally: Tally) -> Table:
    quoted = any('"' in line for line in lines[start:])
    if quoted and any(line.count('"') & 1 for line in lines[start:]):
        return _parse_slowly(lines, start, width, delimiter, tally)
    names = [f"c{k}" for k in range(width)]
    bad: list[tuple[int, int]] = []

    def odd(row: Any) -> str:
        bad.append((int(row.number), int(row.actual_columns)))
        return "skip"

    body = "\n".join(lines[start:]).encode()
    if not body.strip():
        return Table([], [pa.array([], pa.string())] * width, np.zeros(0, np.int64), delimiter, 0, 0)
    table = pyarrow.csv.read_csv(
        pa.BufferReader(body),
        read_options=pyarrow.csv.ReadOptions(column_names=names, use_threads=False, block_size=1 << 26),
        parse_options=pyarrow.csv.ParseOptions(
            delimiter=delimiter,
            ignore_empty_lines=False,
            invalid_row_handler=odd,
            quote_char='"' if quoted else False,
        ),
        convert_options=pyarrow.csv.ConvertOptions(column_types=dict.fromkeys(names, pa.string()), strings_can_be_null=False),
    )
    kept = np.ones(table.num_rows + len(bad), bool)
    kept[[number - 1 for number, _ in bad]] = False
    for number, cells in bad:
        tally.reject(REASON_CELLS, [start + number], f"{cells} where the header has {width}")
    columns = [pc.utf8_trim_whitespace(_one(table[name])) for name in names]
    return Table([], columns, np.flatnonzero(kept) + start + 1, delimiter, 0, 0)


def _parse_slowly(lines: list[str], start: int, width: int, delimiter: str, tally: Tally) -> Table:
    """Cell by cell, for files with line ends inside quotes."""
    rows: list[list[str]] = []
    numbers: list[int] = []
    reader = csv.reader((line + "\n" for line in lines[start:]), delimiter=delimiter)
    before = 0
    try:
        for row in reader:
            line, before = start + before + 1, reader.line_num
            if len(row) == width:
                rows.append([cell.strip() for cell in row])
                numbers.append(line)
            elif any(cell.strip() for cell in row):
                tally.reject(REASON_CELLS, [line], f"{len(row)} where the header has {width}")
    except csv.Error:
        tally.reject(REASON_CELLS, [start + before + 1])
    columns = [pa.array([row[k] for row in rows], pa.string()) for k in range(width)]
    return Table([], columns, np.array(numbers, np.int64), delimiter, 0, 0)


def _one(column: Any) -> Any:
    return column.chunk(0) if column.num_chunks == 1 else column.combine_chunks()


def keep(table: Table, mask: NDArray[np.bool_]) -> None:
    """Keep only some rows, in place."""
    if not mask.all():
        picked = pa.array(mask)
        table.columns = [column.filter(picked) for column in table.columns]
        table.lines = table.lines[mask]


def _drop_repeats(table: Table, header: list[str], tally: Tally) -> None:
    """Leave out blank rows, headers that come again, and rows that sum up."""
    if table.height == 0:
        return
    blank = np.ones(table.height, bool)
    repeated = np.ones(table.height, bool)
    for k, column in enumerate(table.columns):
        blank &= pc.equal(column, "").to_numpy(zero_copy_only=False)
        title = header[k] if k < len(header) else ""
        repeated &= pc.equal(column, title).to_numpy(zero_copy_only=False)
    repeated &= ~blank
    tally.reject(REASON_HEADER, table.lines[repeated].tolist())
    totals = np.zeros(table.height, bool)
    for column in table.columns[:3]:
        words = pc.dictionary_encode(column)
        sums = [_is_total(word) for word in words.dictionary.to_pylist()]
        if any(sums) and sum(sums) < len(sums):
            totals |= np.array(sums, bool)[words.indices.to_numpy(zero_copy_only=False)]
    totals &= ~blank & ~repeated
    tally.reject(REASON_TOTALS, table.lines[totals].tolist())
    keep(table, ~(blank | repeated | totals))


def _is_total(word: str) -> bool:
    words = plain(word).split()
    return bool(words) and words[0] in TOTALS and not any(c.isdigit() for c in word)
