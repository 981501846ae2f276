"""What each column of an exported table is, and why that was concluded.

Evidence, strongest first: the layout file, a canonical name, the unit in the
header, the header's words, the values themselves.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Final

from collectors.columns import CSV_HEADER, EVENT_HEADER, WEATHER_HEADER
from collectors.csv_evidence import UNIT_OF, Context, tokens_of
from collectors.csv_guess_telemetry import find_labels, only_named, telemetry_column
from collectors.csv_guess_weather import log_column, weather_column
from collectors.csv_layout import Layout
from collectors.csv_reading import ColumnGuess, Kind
from collectors.csv_table import Table, holds_time, is_time_header
from collectors.csv_units import UNITS, unit_in_header
from collectors.errors import LayoutError

_CLOCK = re.compile(r"^\d{1,2}[:.]\d{2}([:.]\d{2})?(\s*[AaPp]\.?[Mm]\.?)?$")
_DATE_ONLY = re.compile(r"^(\d{4}[\-/.]\d{1,2}[\-/.]\d{1,2}|\d{1,2}[\-/.]\d{1,2}[\-/.]\d{2,4})$")
_EPOCH = re.compile(r"^\d{10}(\d{3})?(\.\d+)?$")
_CANONICAL: Final = {
    "telemetry": CSV_HEADER,
    "weather": (*WEATHER_HEADER, "plane"),
    "log": EVENT_HEADER,
}


def guess_columns(kind: Kind, context: Context) -> list[ColumnGuess]:
    """One guess per column of the table, in order.

    Raises
    ------
    LayoutError : the layout names a column that is not in the file.
    """
    table, layout = context.table, context.layout
    told = _from_layout(table, layout)
    guesses: list[ColumnGuess | None] = [told.get(k) for k in range(len(table.headers))]
    names = [header.strip().lower() for header in table.headers]
    # "unit" and "input" alone are everyday words: they count beside the other keys only.
    plain_keys = set(CSV_HEADER[:3]) <= set(names)
    for k, (header, name) in enumerate(zip(table.headers, names, strict=True)):
        if name in ("unit", "input") and not plain_keys:
            continue
        if guesses[k] is None and name in _CANONICAL[kind]:
            guesses[k] = ColumnGuess(header, name, "canonical name", UNIT_OF.get(name, ""))
    _find_times(guesses, context)
    if kind == "telemetry":
        find_labels(guesses, context)
        context = replace(context, has_input_column=any(g and g.taken_for == "input" for g in guesses))
    measure = {"telemetry": telemetry_column, "weather": weather_column, "log": log_column}[kind]
    for k, header in enumerate(table.headers):
        if guesses[k] is None:
            guesses[k] = measure(k, header, context)
    done = [g for g in guesses if g is not None]
    if kind == "telemetry":
        done = only_named(done)
    return _without_doubles(done)


def _from_layout(table: Table, layout: Layout) -> dict[int, ColumnGuess]:
    found: dict[int, ColumnGuess] = {}
    for name, column in layout.columns.items():
        if re.fullmatch(r"#\d+", name) and name not in table.headers:
            places = [int(name[1:]) - 1] if int(name[1:]) <= len(table.headers) else []
        else:
            places = [k for k, h in enumerate(table.headers) if h.strip() == name.strip()]
        if not places:
            shown = ", ".join(repr(h) for h in table.headers[:12])
            raise LayoutError(
                f"layout: [columns] '{name}' is not a column of the file, which has: {shown}",
                "Write the header as the file has it, or '#3' for the third column.",
            )
        for k in places:
            header = table.headers[k]
            unit = column.unit or unit_in_header(header)[0] or UNIT_OF.get(column.taken_for, "")
            if unit and (want := UNIT_OF.get(column.taken_for)) and UNITS[unit].quantity != UNITS[want].quantity:
                unit = want
            found[k] = ColumnGuess(header, column.taken_for, "layout file", unit, column.serial, column.input)
    return found


# -- times -------------------------------------------------------------------


def _find_times(guesses: list[ColumnGuess | None], context: Context) -> None:
    """Mark the column of times, or a column of dates and one of clock times."""
    if any(g and g.taken_for in ("timestamp", "date") for g in guesses):
        return
    table = context.table
    samples = [table.sample(k, 200) for k in range(len(table.headers))]
    full, dates, clocks = [], [], []
    for k, cells in enumerate(samples):
        if guesses[k] is not None or not cells:
            continue
        if _most(cells, lambda c: bool(_DATE_ONLY.match(c))):
            dates.append(k)
        elif _most(cells, lambda c: bool(_CLOCK.match(c))):
            clocks.append(k)
        elif _most(cells, holds_time) or (
            is_time_header(table.headers[k]) and _most(cells, lambda c: bool(_EPOCH.match(c)) or _day_number(c))
        ):
            full.append(k)
    if full:
        best = max(full, key=lambda k: ("utc" in tokens_of(table.headers[k]), is_time_header(table.headers[k]), -k))
        why = "holds dates with times" if holds_time(samples[best][0]) else "named as a time, holds epoch numbers"
        guesses[best] = ColumnGuess(table.headers[best], "timestamp", why)
        for k in full:
            if k != best:
                guesses[k] = ColumnGuess(table.headers[k], "ignore", "another column of times is used")
    elif dates and clocks:
        guesses[dates[0]] = ColumnGuess(table.headers[dates[0]], "date", "holds dates only")
        guesses[clocks[0]] = ColumnGuess(table.headers[clocks[0]], "time", "holds clock times only")
    elif dates:
        guesses[dates[0]] = ColumnGuess(table.headers[dates[0]], "timestamp", "holds dates, no clock times")
    else:
        free = (k for k, g in enumerate(guesses) if g is None and is_time_header(table.headers[k]))
        if (named := next(free, None)) is not None:
            guesses[named] = ColumnGuess(table.headers[named], "timestamp", "named as a time")


def _day_number(cell: str) -> bool:
    return bool(re.fullmatch(r"[3-7]\d{4}[.,]\d+", cell))


def _most(cells: Sequence[str], test: Callable[[str], bool]) -> bool:
    return sum(map(test, cells)) >= 0.6 * len(cells)


def _without_doubles(guesses: list[ColumnGuess]) -> list[ColumnGuess]:
    """A second column for the same thing of the same place is left out."""
    seen: set[tuple[str, str, int | None]] = set()
    result = []
    for g in guesses:
        place = (g.taken_for, g.serial, g.input)
        if g.taken_for != "ignore" and place in seen:
            g = ColumnGuess(g.header, "ignore", f"another column is {g.taken_for} of the same place already")
        seen.add(place)
        result.append(g)
    return result
