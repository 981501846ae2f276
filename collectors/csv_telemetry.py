"""Telemetry from a CSV: the canonical form fast, anything else by what its columns say."""

from __future__ import annotations

from dataclasses import replace

from collectors.csv_assemble import Block, clean, to_frame
from collectors.csv_canonical import blocks_of, header_of, parse_block
from collectors.csv_general import Draft, draft, renamed, zone_of
from collectors.csv_guess_telemetry import NO_UNIT
from collectors.csv_layout import FileLayout, Layout
from collectors.csv_numbers import NumberFormat
from collectors.csv_reading import ColumnGuess, Reading, Tally
from collectors.csv_shape import any_value, blocks, serials_listed, settle_energy
from collectors.csv_source import Source, guarded
from collectors.csv_table import split
from collectors.errors import ReadingError
from collectors.site import SiteDescription


def read_telemetry(source: Source, site: SiteDescription, layout: Layout | None = None) -> Reading:
    """Read one table of telemetry.

    Raises
    ------
    ReadingError : the file cannot be understood; names file, line, column and remedy.
    LayoutError : the layout does not fit the file.
    """
    header = header_of(source.head()) if layout is None else None
    reading = _canonical(source, header, site) if header else None
    return reading or _general(draft(source, site, "telemetry", layout), site)


def _canonical(source: Source, header: list[str], site: SiteDescription) -> Reading | None:
    """The fast way; a block with a cell that does not fit is read again tolerantly. None: not this way."""
    tally = Tally()
    done: list[Block] = []
    rows_read = 0
    with guarded(source.name, source.open) as stream:
        for line, data in blocks_of(stream):
            block = parse_block(data, header, line, site, tally)
            if block is not None:
                rows_read += block.ts.size
                done += clean([block], site, tally)
                continue
            tolerant = _tolerant(data, header, line, site, tally, source.name)
            if tolerant is None:
                return None
            parts, rows = tolerant
            rows_read += rows
            done += clean(parts, site, tally)
    if rows_read == 0:
        raise ReadingError(f"{source.name}: no row under the header", "Export it again.")
    columns = tuple(ColumnGuess(name, name, "canonical name") for name in header)
    form = {"encoding": "UTF-8", "delimiter": "comma", "decimal mark": ".", "times": "ISO 8601 with offset"}
    return _finish(source.name, done, site, tally, rows_read, columns, form, [])


def _tolerant(
    data: bytes, header: list[str], line: int, site: SiteDescription, tally: Tally, name: str
) -> tuple[list[Block], int] | None:
    """Rows of one block, cell by cell.

    None when the text is not plain, or when its times have no offset: then
    the order of rows over block ends matters.
    """
    try:
        text = data.decode("utf-8").replace("\r\n", "\n")
    except UnicodeDecodeError:
        return None
    if "\x00" in text or "\r" in text:
        return None
    mine = Tally()
    try:
        table = split(
            f"{','.join(header)}\n{text}",
            name,
            FileLayout(delimiter=",", header_line=1),
            mine,
            may_be_empty=True,
        )
        # The header above stands in for all lines before this block.
        table.lines = table.lines + (line - 2)
        mine.problems[:] = [replace(p, line=p.line + line - 2) for p in mine.problems]
        rows = table.height + sum(mine.rejected.values())
        guesses = [ColumnGuess(h, h, "canonical name") for h in header]
        parts, times = blocks(table, guesses, site, Layout(), NumberFormat(), mine, name) if table.height else ([], None)
    except ReadingError:
        return None
    if times is not None and times.local:
        return None
    tally.add(mine)
    return parts, rows


def _general(made: Draft, site: SiteDescription) -> Reading:
    table, guesses = made.table, made.guesses
    if not any_value(guesses):
        raise ReadingError(
            f"{made.name}: line {table.header_line}: no column of values is understood among: "
            + ", ".join(repr(h) for h in table.headers[:12]),
            "`callout import FILE --preview` shows why; name the columns in a layout file.",
        )
    guesses = _with_units(made, site)
    done, times = blocks(table, guesses, site, made.layout, made.form, made.tally, made.name)
    uncertain = any(g.taken_for == "energy" for g in guesses)
    meaning, energy_notes = settle_energy(done, uncertain)
    notes = [*table.notes, *times.notes, *energy_notes]
    done = clean(done, site, made.tally)
    guesses = renamed(guesses, "energy", meaning)
    shown = made.format(times, zone_of(made.guesses, made.layout, site))
    return _finish(made.name, done, site, made.tally, made.rows_read, tuple(guesses), shown, notes)


def _with_units(made: Draft, site: SiteDescription) -> list[ColumnGuess]:
    """A table that names no unit at all is only clear when the site has one unit."""
    guesses, table = made.guesses, made.table
    if any(g.taken_for == "unit" or g.serial for g in guesses):
        strange = [g.header for g in guesses if g.why == NO_UNIT]
        table.notes += [f"column {header!r} names no unit of the site file: left out" for header in strange]
        return guesses
    listed = serials_listed(site)
    if len(site.units) > 1:
        raise ReadingError(
            f"{made.name}: line {table.header_line}: neither a column nor a header names a unit of the site file ({listed})",
            "Check that file and site belong together, or name units in a layout file: [columns], [units].",
        )
    table.notes.append(f"no column or header names a unit; the site has one: {listed}")
    keys = ("ignore", "timestamp", "date", "time", "input")
    return [g if g.taken_for in keys else replace(g, serial=site.units[0].serial) for g in guesses]


def _finish(
    name: str,
    done: list[Block],
    site: SiteDescription,
    tally: Tally,
    rows_read: int,
    columns: tuple[ColumnGuess, ...],
    form: dict[str, str],
    notes: list[str],
) -> Reading:
    frame, merged = to_frame(done, site, tally)
    if merged:
        notes.append(f"{merged} rows completed an earlier row of the same time and input")
    if frame.empty:
        listed = serials_listed(site)
        refuse_empty(name, rows_read, tally, f"; the site file has units {listed}")
    return Reading(
        source=name,
        kind="telemetry",
        frame=frame,
        rows_read=rows_read,
        rejected=dict(tally.rejected),
        emptied=dict(tally.emptied),
        problems=tuple(sorted(tally.problems, key=lambda p: p.line)),
        columns=columns,
        format=form,
        notes=tuple(notes),
    )


def refuse_empty(name: str, rows_read: int, tally: Tally, beside: str = "") -> None:
    """A file of which nothing is left was not understood."""
    first = min(tally.problems, key=lambda p: p.line, default=None)
    raise ReadingError(
        f"{name}: not one of its {rows_read} rows can be used" + (f"; the first: {first}" if first else "") + beside,
        "Check that file and site belong together; `callout import FILE --preview` shows how it was read.",
    )
