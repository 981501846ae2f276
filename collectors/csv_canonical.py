"""The plain CSV, read strictly and fast: a block of lines either fits exactly or is handed back.

The file is taken in blocks of whole lines, so a year of five-minute data never
stands in memory as text.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, BinaryIO

import numpy as np
import pyarrow as pa
import pyarrow.csv
from numpy.typing import NDArray

from collectors.columns import CSV_HEADER, STATE_CODES
from collectors.csv_assemble import NUMERIC, Block, match_inputs
from collectors.csv_reading import Tally
from collectors.csv_times import EARLIEST, LATEST
from collectors.site import SiteDescription

_BLOCK = 8 << 20
_TYPES: dict[str, Any] = {
    "timestamp": pa.timestamp("ms", tz="UTC"),
    "unit": pa.dictionary(pa.int32(), pa.string()),
    "input": pa.int64(),
    "state": pa.dictionary(pa.int32(), pa.string()),
    **dict.fromkeys(NUMERIC, pa.float64()),
}


def header_of(head: bytes) -> list[str] | None:
    """Columns of a file whose first line is a canonical header (the three keys and any others), else None."""
    line = head.removeprefix(b"\xef\xbb\xbf").split(b"\n", 1)[0].rstrip(b"\r")
    names = line.decode("utf-8", "replace").split(",")
    fits = set(names) <= set(CSV_HEADER) and len(set(names)) == len(names) and set(CSV_HEADER[:3]) <= set(names)
    return names if fits and len(names) > 3 else None


def blocks_of(stream: BinaryIO) -> Iterator[tuple[int, bytes]]:
    """Blocks of whole lines after the header, with the file line of each block's first line."""
    stream.readline()
    line = 2
    rest = b""
    while chunk := stream.read(_BLOCK):
        chunk = rest + chunk
        cut = chunk.rfind(b"\n") + 1
        if cut:
            yield line, chunk[:cut]
            line += chunk.count(b"\n", 0, cut)
        rest = chunk[cut:]
    if rest:
        yield line, rest


def parse_block(data: bytes, header: list[str], line: int, site: SiteDescription, tally: Tally) -> Block | None:
    """Rows of one block, or None when any cell does not fit exactly (then nothing was counted)."""
    if b'"' in data:
        return None
    try:
        table = pyarrow.csv.read_csv(
            pa.BufferReader(data),
            read_options=pyarrow.csv.ReadOptions(column_names=header, use_threads=False, block_size=len(data) + 1),
            parse_options=pyarrow.csv.ParseOptions(ignore_empty_lines=False, quote_char=False),
            convert_options=pyarrow.csv.ConvertOptions(column_types=_TYPES, null_values=[""], strings_can_be_null=True),
        )
    except pa.ArrowInvalid:
        return None
    if any(table[name].null_count for name in CSV_HEADER[:3]):
        return None
    stamps = _whole(table["timestamp"]).cast(pa.int64()).to_numpy(zero_copy_only=False)
    ts = np.floor_divide(stamps, 1000)
    if ts.size and (ts.min() < EARLIEST or ts.max() >= LATEST):
        return None
    numbers = _whole(table["input"]).to_numpy(zero_copy_only=False)
    columns = {name: _floats(_whole(table[name])) for name in NUMERIC if name in header}
    for name, column in columns.items():
        # Arrow reads the words "inf" and "nan" as numbers; the tolerant way counts them.
        if np.count_nonzero(~np.isfinite(column)) != table[name].null_count:
            return None
    if "state" in header:
        states = _states(_whole(table["state"]))
        if states is None:
            return None
        columns["state"] = states
    lines = np.arange(line, line + ts.size)
    units = _whole(table["unit"])
    codes = units.indices.to_numpy(zero_copy_only=False)
    index = match_inputs(site, units.dictionary.to_pylist(), codes, numbers, lines, tally)
    return Block(ts, index, lines, columns)


def _whole(column: Any) -> Any:
    """One array of a column that came in one block."""
    return column.chunk(0) if column.num_chunks == 1 else column.combine_chunks()


def _floats(array: Any) -> NDArray[np.float64]:
    # A copy, because what Arrow gives may be read-only and impossible values are emptied in place.
    return np.array(array.to_numpy(zero_copy_only=False), dtype=np.float64)


def _states(array: Any) -> NDArray[np.float64] | None:
    words = array.dictionary.to_pylist()
    if not set(words) <= set(STATE_CODES):
        return None
    table = np.array([*(STATE_CODES[word] for word in words), np.nan], np.float64)
    codes: NDArray[np.int64] = array.indices.fill_null(len(words)).to_numpy(zero_copy_only=False)
    return table[codes]
