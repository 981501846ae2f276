"""Weather from a CSV, by what its columns say.

The plane of ``poa_w_m2``: a ``plane`` column, a plane's name in the header,
``[file] plane`` of a layout, the site's only plane; otherwise it stays "" and
the rules decide. Several plane columns give one row per plane.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from collectors.columns import WEATHER_COLUMNS
from collectors.csv_assemble import REASON_EMPTY, REASON_OTHER_VALUES, REASON_REPEATED
from collectors.csv_canonical import header_of
from collectors.csv_general import Draft, count_wrong, draft, zone_of
from collectors.csv_layout import Layout
from collectors.csv_limits import LIMITS, empty_impossible
from collectors.csv_numbers import parse_numbers
from collectors.csv_reading import Reading, Tally
from collectors.csv_shape import column_of, settle_times, times_of
from collectors.csv_source import Source
from collectors.csv_table import keep
from collectors.csv_telemetry import refuse_empty
from collectors.errors import ReadingError
from collectors.site import SiteDescription


def read_weather(source: Source, site: SiteDescription, layout: Layout | None = None) -> Reading:
    """Read one table of weather.

    Raises
    ------
    ReadingError : the file cannot be understood; names file, line, column and remedy.
    LayoutError : the layout does not fit the file.
    """
    if layout is None and header_of(source.head()):
        raise ReadingError(
            f"{source.name}: line 1: the header of telemetry, not of weather",
            "Import it as telemetry; a unit's temperature is not the air's.",
        )
    made = draft(source, site, "weather", layout)
    table, guesses, tally = made.table, made.guesses, made.tally
    if not any(g.taken_for in WEATHER_COLUMNS for g in guesses):
        raise ReadingError(
            f"{made.name}: line {table.header_line}: no weather column is understood among: "
            + ", ".join(repr(h) for h in table.headers[:12]),
            "`callout import FILE --preview` shows why; name the columns in a layout file.",
        )
    zone = zone_of(guesses, made.layout, site)
    times = times_of(table, guesses, zone, made.layout, made.name)
    good = settle_times(table, guesses, times, zone, np.zeros(table.height, np.int64), tally)
    keep(table, good)
    frame, lines = _rows(made, times.seconds[good], site)
    frame = _one_per_time(frame, lines, tally)
    if frame.empty:
        refuse_empty(made.name, made.rows_read, tally)
    return Reading(
        source=made.name,
        kind="weather",
        frame=frame,
        rows_read=made.rows_read,
        rejected=dict(tally.rejected),
        emptied=dict(tally.emptied),
        problems=tuple(sorted(tally.problems, key=lambda p: p.line)),
        columns=tuple(guesses),
        format=made.format(times, zone),
        notes=(*table.notes, *times.notes),
    )


def _rows(made: Draft, ts: NDArray[np.int64], site: SiteDescription) -> tuple[pd.DataFrame, NDArray[np.int64]]:
    """Rows of the frame, not yet one per time, and the file line of each."""
    table, tally = made.table, made.tally
    columns: dict[tuple[str, str], NDArray[np.float64]] = {}
    for k, guess in enumerate(made.guesses):
        if guess.taken_for in WEATHER_COLUMNS:
            values, wrong = parse_numbers(table.columns[k], made.form, made.layout.file.missing, guess.unit)
            count_wrong(table, k, wrong, f"{guess.taken_for} is not a number", guess.header, tally)
            empty_impossible({guess.taken_for: values}, table.lines, LIMITS, tally)
            columns[guess.taken_for, guess.serial] = values
    place = column_of(made.guesses, "plane")
    if place is not None:
        plane = np.array(table.columns[place].to_pylist(), object)
    else:
        only = next(iter(site.planes)) if len(site.planes) == 1 else ""
        has_poa = ("poa_w_m2", "") in columns
        plane = np.full(table.height, (made.layout.file.plane or only) if has_poa else "", object)
    parts = [_part(ts, plane, {name: v for (name, of), v in columns.items() if not of})]
    for (name, of), values in columns.items():
        if of:
            parts.append(_part(ts, np.full(table.height, of, object), {name: values}))
    frame = pd.concat(parts, ignore_index=True)
    lines = np.tile(table.lines, len(parts))
    filled = frame[list(WEATHER_COLUMNS)].notna().any(axis=1).to_numpy()
    tally.reject(REASON_EMPTY, np.setdiff1d(lines, lines[filled]).tolist())
    return frame[filled], lines[filled]


def _part(ts: NDArray[np.int64], plane: NDArray[np.object_], columns: dict[str, NDArray[np.float64]]) -> pd.DataFrame:
    frame = pd.DataFrame({"ts": ts, "plane": pd.Series(plane, dtype="str")})
    for name in WEATHER_COLUMNS:
        frame[name] = columns.get(name, np.nan)
    return frame


def _one_per_time(frame: pd.DataFrame, lines: NDArray[np.int64], tally: Tally) -> pd.DataFrame:
    """Sorted, one row per time and plane: the first value stays; what repeats or differs is counted."""
    key = ["ts", "plane"]
    later = frame.duplicated(key).to_numpy()
    if later.any():
        values = list(WEATHER_COLUMNS)
        first = frame.groupby(key)[values].transform("first")
        differs = ((frame[values] != first) & frame[values].notna()).any(axis=1).to_numpy()
        tally.reject(REASON_OTHER_VALUES, lines[later & differs].tolist())
        tally.reject(REASON_REPEATED, lines[later & ~differs].tolist())
        frame = frame.groupby(key, as_index=False).first()
    return frame.sort_values(key, kind="stable", ignore_index=True)
