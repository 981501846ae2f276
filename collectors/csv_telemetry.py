"""Telemetry from a CSV: the canonical form fast, anything else by what its columns say."""

from __future__ import annotations

from collectors.csv_assemble import Block, clean, to_frame
from collectors.csv_canonical import blocks_of, header_of, parse_block
from collectors.csv_reading import ColumnGuess, Reading, Tally
from collectors.csv_source import Source, guarded
from collectors.errors import ReadingError
from collectors.site import SiteDescription


def read_telemetry(source: Source, site: SiteDescription) -> Reading:
    """Read one table of telemetry.

    Raises
    ------
    ReadingError : the file cannot be understood; names file, line, column and remedy.
    """
    header = header_of(source.head())
    if header is None:
        raise ReadingError(f"{source.name}: not a canonical header", "See README.md for the columns.")
    tally = Tally()
    blocks: list[Block] = []
    rows_read = 0
    with guarded(source.name, source.open) as stream:
        for line, data in blocks_of(stream):
            block = parse_block(data, header, line, site, tally)
            if block is None:
                raise ReadingError(f"{source.name}: line {line} or after: a cell does not fit", "Correct it.")
            rows_read += block.ts.size
            blocks.append(clean(block, site, tally))
    frame, merged = to_frame(blocks, site, tally)
    return Reading(
        source=source.name,
        kind="telemetry",
        frame=frame,
        rows_read=rows_read,
        rejected=dict(tally.rejected),
        emptied=dict(tally.emptied),
        problems=tuple(tally.problems),
        columns=tuple(ColumnGuess(name, name, "canonical name") for name in header),
        notes=(f"{merged} rows completed an earlier row of the same time and input",) if merged else (),
    )
