"""Gateway log from a CSV: what happened, when, to what."""

from __future__ import annotations

import numpy as np
import pandas as pd

from collectors import csv_words as words
from collectors.columns import EVENT_COLUMNS, EVENTS
from collectors.csv_assemble import REASON_REPEATED
from collectors.csv_general import draft, zone_of
from collectors.csv_layout import Layout
from collectors.csv_reading import Reading
from collectors.csv_shape import column_of, settle_times, times_of
from collectors.csv_source import Source
from collectors.csv_table import keep
from collectors.csv_telemetry import refuse_empty
from collectors.errors import ReadingError
from collectors.site import SiteDescription

REASON_EVENT = "event is none of " + ", ".join(EVENTS)


def read_log(source: Source, site: SiteDescription, layout: Layout | None = None) -> Reading:
    """Read one gateway log.

    Raises
    ------
    ReadingError : the file cannot be understood; names file, line, column and remedy.
    LayoutError : the layout does not fit the file.
    """
    if source.header_only(EVENT_COLUMNS):
        frame = pd.DataFrame({"ts": np.zeros(0, np.int64), **{c: pd.Series([], dtype="str") for c in EVENT_COLUMNS}})
        return Reading(source=source.name, kind="log", frame=frame, rows_read=0, notes=("a log in which nothing happened",))
    made = draft(source, site, "log", layout)
    table, guesses, tally = made.table, made.guesses, made.tally
    place = column_of(guesses, "event")
    if place is None:
        raise ReadingError(
            f"{made.name}: line {table.header_line}: no column of events ({', '.join(EVENTS)}) among: "
            + ", ".join(repr(h) for h in table.headers[:12]),
            'Name it in a layout file: [columns] "HEADER" = "event".',
        )
    zone = zone_of(guesses, made.layout, site)
    times = times_of(table, guesses, zone, made.layout, made.name)
    good = settle_times(table, guesses, times, zone, np.zeros(table.height, np.int64), tally)
    keep(table, good)
    frame = pd.DataFrame({"ts": times.seconds[good]})
    for name in EVENT_COLUMNS:
        k = column_of(guesses, name)
        cells = table.columns[k].to_pylist() if k is not None else [""] * table.height
        frame[name] = pd.Series(cells, dtype="str")
    known = words.by_word(words.EVENT_WORDS)
    plain = frame["event"].map(lambda cell: known.get(words.plain(cell).replace(" ", ""), ""))
    strange = (plain == "").to_numpy(bool)
    tally.reject(REASON_EVENT, table.lines[strange].tolist(), guesses[place].header, frame["event"][strange])
    frame["event"] = plain.astype("str")
    frame, lines = frame[~strange], table.lines[~strange]
    twice = frame.duplicated().to_numpy()
    tally.reject(REASON_REPEATED, lines[twice].tolist())
    frame = frame[~twice].sort_values(["ts", *EVENT_COLUMNS], kind="stable", ignore_index=True)
    if frame.empty:
        refuse_empty(made.name, made.rows_read, tally)
    return Reading(
        source=made.name,
        kind="log",
        frame=frame,
        rows_read=made.rows_read,
        rejected=dict(tally.rejected),
        emptied=dict(tally.emptied),
        problems=tuple(sorted(tally.problems, key=lambda p: p.line)),
        columns=tuple(guesses),
        format=made.format(times, zone),
        notes=(*table.notes, *times.notes),
    )
