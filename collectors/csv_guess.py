"""What each column of an exported table is, and why that was concluded.

Evidence, strongest first: the layout file, a canonical name, the unit in the
header, the header's words, the values themselves.
"""

from __future__ import annotations

import re
import statistics
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

from collectors import csv_words as words
from collectors.columns import CSV_HEADER, EVENT_HEADER, WEATHER_HEADER
from collectors.csv_labels import Label, Labels, input_in_cell, number_in
from collectors.csv_layout import Layout
from collectors.csv_reading import ColumnGuess, Kind
from collectors.csv_table import Table, holds_time, is_time_header
from collectors.csv_units import UNITS, unit_in_header
from collectors.errors import LayoutError

_CLOCK = re.compile(r"^\d{1,2}[:.]\d{2}([:.]\d{2})?(\s*[AaPp]\.?[Mm]\.?)?$")
_DATE_ONLY = re.compile(r"^(\d{4}[\-/.]\d{1,2}[\-/.]\d{1,2}|\d{1,2}[\-/.]\d{1,2}[\-/.]\d{2,4})$")
_EPOCH = re.compile(r"^\d{10}(\d{3})?(\.\d+)?$")
NO_UNIT: Final = "its header names no unit of the site file"
#: Above this a voltage is the grid's: module-level inputs end at some 60 to 80 V (common practice).
_GRID_VOLTS = 90.0

_CANONICAL: Final = {
    "telemetry": CSV_HEADER,
    "weather": (*WEATHER_HEADER, "plane"),
    "log": EVENT_HEADER,
}
_QUANTITY: Final = {
    "voltage": "voltage",
    "current": "current",
    "power": "power",
    "energy": "energy",
    "frequency": "frequency",
    "temperature": "temperature",
    "signal": "signal",
}
#: Canonical columns and the unit they are in.
_UNIT_OF: Final = {
    "dc_voltage_v": "V",
    "dc_current_a": "A",
    "dc_power_w": "W",
    "energy_total_wh": "Wh",
    "energy_wh": "Wh",
    "ac_voltage_v": "V",
    "ac_frequency_hz": "Hz",
    "ac_power_w": "W",
    "temperature_c": "°C",
    "signal_dbm": "dBm",
    **dict.fromkeys(("ghi_w_m2", "poa_w_m2", "dni_w_m2", "dhi_w_m2"), "W/m²"),
    "temp_air_c": "°C",
    "temp_module_c": "°C",
    "wind_m_s": "m/s",
}


@dataclass(frozen=True)
class Context:
    """What a guess may look at: the table, the site, and what the layout says."""

    table: Table
    labels: Labels
    layout: Layout
    numbers: Callable[[int], list[float]]
    has_input_column: bool = False
    single_inputs: bool = False
    module_w: float | None = None
    planes: tuple[str, ...] = ()


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
            guesses[k] = ColumnGuess(header, name, "canonical name", _UNIT_OF.get(name, ""))
    _find_times(guesses, context)
    if kind == "telemetry":
        _find_labels(guesses, context)
        context = replace(context, has_input_column=any(g and g.taken_for == "input" for g in guesses))
    measure = {"telemetry": _telemetry, "weather": _weather, "log": _log}[kind]
    for k, header in enumerate(table.headers):
        if guesses[k] is None:
            guesses[k] = measure(k, header, context)
    done = [g for g in guesses if g is not None]
    if kind == "telemetry":
        done = _only_named(done)
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
            unit = column.unit or unit_in_header(header)[0] or _UNIT_OF.get(column.taken_for, "")
            if (
                unit
                and (want := _UNIT_OF.get(column.taken_for))
                and UNITS[unit].quantity != UNITS[want].quantity
            ):
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
            is_time_header(table.headers[k])
            and _most(cells, lambda c: bool(_EPOCH.match(c)) or _day_number(c))
        ):
            full.append(k)
    if full:
        best = max(
            full, key=lambda k: ("utc" in _tokens(table.headers[k]), is_time_header(table.headers[k]), -k)
        )
        why = (
            "holds dates with times"
            if holds_time(samples[best][0])
            else "named as a time, holds epoch numbers"
        )
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


def _words_of(text: str) -> set[str]:
    return set(words.plain(text).split())


def _tokens(text: str) -> set[str]:
    tokens = set(re.sub(r"\d+", " ", words.plain(text)).split())
    for token in list(tokens):
        for stem in words.COMPOUND_ENDS:
            if token.endswith(stem) and token != stem:
                start = token.removesuffix(stem)
                tokens |= {stem, words.COMPOUND_STARTS.get(start, start)}
    return tokens


# -- units and inputs --------------------------------------------------------


def _find_labels(guesses: list[ColumnGuess | None], context: Context) -> None:
    """Mark the column of serials and the column of input numbers, by what they hold."""
    table, labels = context.table, context.labels
    free = [k for k, g in enumerate(guesses) if g is None]
    if not any(g and g.taken_for == "unit" for g in guesses):
        scores = {}
        for k in free:
            cells = list(dict.fromkeys(table.sample(k)))
            hits = sum(labels.find(c) is not None for c in cells)
            if cells and hits and hits >= 0.5 * len(cells):
                scores[k] = hits / len(cells)
        if scores:
            best = max(scores, key=lambda k: (scores[k], -k))
            guesses[best] = ColumnGuess(table.headers[best], "unit", "holds serials of the site file")
        elif not any(labels.find(table.headers[k]) for k in free):
            named = next(
                (k for k in free if _tokens(table.headers[k]) & words.UNIT and _texts(table, k)), None
            )
            if named is not None:
                guesses[named] = ColumnGuess(table.headers[named], "unit", "named as a device")
    if not any(g and g.taken_for == "unit" for g in guesses):
        return
    if not any(g and g.taken_for == "input" for g in guesses):
        for k in free:
            if guesses[k] is None and _tokens(table.headers[k]) & words.INPUT:
                cells = list(dict.fromkeys(table.sample(k)))
                if cells and len(cells) <= 17 and all(input_in_cell(c) is not None for c in cells):
                    guesses[k] = ColumnGuess(
                        table.headers[k], "input", "named as an input, holds small numbers"
                    )
                    break


def _texts(table: Table, column: int) -> bool:
    """Whether a column holds names rather than measurements: few values, each many times."""
    cells = table.sample(column)
    return bool(cells) and len(set(cells)) <= max(1, len(cells) // 2) and not all("." in c for c in cells)


# -- telemetry ---------------------------------------------------------------


def _telemetry(k: int, header: str, context: Context) -> ColumnGuess:
    label = context.labels.find(header)
    serial, number, rest = label if label else Label("", None, header)
    unit, rest = _unit_of(rest)
    if number is None:
        number, rest = number_in(rest)
    tokens = _tokens(rest)
    quantity = _quantity(unit, tokens)
    if quantity is None and label is not None and tokens <= words.SIDE_DC | words.INPUT | words.UNIT:
        return _bare_label(k, header, label, number, context)
    if quantity is None:
        return ColumnGuess(header, "ignore", "no word or unit in the header is known")
    role, why = _role(k, quantity, tokens, number, context)
    if unit and (want := _UNIT_OF.get(role)) and UNITS[unit].quantity != UNITS[want].quantity:
        return ColumnGuess(header, "ignore", f"{unit} is not a unit of {role}")
    if label:
        why += f"; names {serial}" + (f" input {number}" if number is not None else "")
    elif number is not None:
        why += f"; input {number}"
    if not unit and role in _UNIT_OF:
        unit, note = _assumed_unit(k, role, context)
        why += f"; {note}"
    return ColumnGuess(header, role, why, unit, serial, number)


def _unit_of(text: str) -> tuple[str, str]:
    """A unit in a header; a bare single letter counts only beside a word of its own quantity."""
    unit, rest = unit_in_header(text)
    if unit is None:
        return "", text
    bare = not re.search(r"[\[(]", text) and len(unit) == 1
    if bare and text.strip() != unit and _by_words(_tokens(rest)) not in (None, UNITS[unit].quantity):
        return "", text
    return unit, rest


def _by_words(tokens: set[str]) -> str | None:
    for quantity, known in (
        ("frequency", words.FREQUENCY),
        ("energy", words.ENERGY),
        ("voltage", words.VOLTAGE),
        ("current", words.CURRENT),
        ("power", words.POWER),
        ("signal", words.SIGNAL),
        ("state", words.STATE),
        ("temperature", words.TEMPERATURE),
    ):
        if tokens & known:
            return quantity
    return None


def _quantity(unit: str, tokens: set[str]) -> str | None:
    if unit:
        return UNITS[unit].quantity
    return _by_words(tokens)


def _role(k: int, quantity: str, tokens: set[str], number: int | None, context: Context) -> tuple[str, str]:
    """Canonical column for a quantity, and why."""
    ac = bool(tokens & words.SIDE_AC) or any(
        t in ("vac", "uac", "iac", "pac", "fac", "ugrid", "vgrid") for t in tokens
    )
    dc = bool(tokens & words.SIDE_DC) or any(t.endswith(("dc", "pv")) or t.startswith("dc") for t in tokens)
    side = "AC" if ac and not dc else "DC" if dc and not ac else ""
    if quantity == "frequency":
        return "ac_frequency_hz", "a frequency"
    if quantity == "temperature":
        return "temperature_c", "a temperature"
    if quantity == "signal":
        return "signal_dbm", "a signal level"
    if quantity == "state":
        return "state", "a state"
    if quantity == "energy":
        return _energy_role(tokens, context)
    if quantity == "voltage":
        if side:
            return ("ac_voltage_v" if side == "AC" else "dc_voltage_v"), f"a voltage, {side} by its name"
        middle = _median(context.numbers(k))
        if middle is not None and middle > _GRID_VOLTS:
            return "ac_voltage_v", f"a voltage, median {middle:g} V: the grid's"
        return "dc_voltage_v", "a voltage in a module's range"
    if quantity == "current":
        if side == "AC":
            return "ignore", "an AC current: not used"
        return "dc_current_a", "a current" + (", DC by its name" if side else ": taken as DC")
    if quantity == "power":
        if side:
            return ("ac_power_w" if side == "AC" else "dc_power_w"), f"a power, {side} by its name"
        if number is not None or context.has_input_column or context.single_inputs:
            return "dc_power_w", "a power of one input: taken as DC"
        return "ac_power_w", "a power of a unit with several inputs: taken as AC"
    return "ignore", f"{quantity}: not used"


def _energy_role(tokens: set[str], context: Context) -> tuple[str, str]:
    told = context.layout.file.energy
    if told:
        return {"counter": "energy_total_wh", "interval": "energy_wh", "daily": "ignore"}[
            told
        ], f"{told} (layout file)"
    if tokens & words.DAILY:
        return "ignore", "a counter that starts anew each day: not used"
    if tokens & words.LIFETIME:
        return "energy_total_wh", "a lifetime counter by its name"
    return "energy", "energy: whether counter or per interval is told by its values"


def _bare_label(k: int, header: str, label: Label, number: int | None, context: Context) -> ColumnGuess:
    """A header that names only a unit and input: power, unless its values say energy."""
    unit, note = _assumed_unit(k, "dc_power_w", context)
    several = len(context.labels.inputs_of(label.serial)) > 1
    role = "dc_power_w" if number is not None or not several else "ac_power_w"
    why = f"names {label.serial}" + (f" input {number}" if number is not None else "")
    return ColumnGuess(
        header, role, f"{why} and no quantity: taken as power; {note}", unit, label.serial, number
    )


def _assumed_unit(k: int, role: str, context: Context) -> tuple[str, str]:
    """The unit of a column that names none: ours, unless its values only fit thousands."""
    unit = _UNIT_OF[role]
    if role in ("dc_power_w", "ac_power_w") and context.module_w:
        values = context.numbers(k)
        if values and 0 < max(values) < 0.004 * context.module_w:
            return "kW", f"no unit named; the largest value, {max(values):g}, fits kW"
    return unit, f"no unit named, taken as {unit}"


def _median(values: list[float]) -> float | None:
    filled = [v for v in values if v > 0]
    return statistics.median(filled) if filled else None


# -- weather and log ---------------------------------------------------------


def _weather(k: int, header: str, context: Context) -> ColumnGuess:
    unit, rest = _unit_of(header)
    tokens = _tokens(rest)
    quantity = UNITS[unit].quantity if unit else None
    if quantity is None:
        if tokens & words.WIND:
            quantity = "speed"
        elif (
            tokens & (words.GHI | words.DNI | words.DHI | words.IRRADIANCE)
            or "poa" in tokens
            or "gti" in tokens
        ):
            quantity = "irradiance"
        elif tokens & words.TEMPERATURE:
            quantity = "temperature"
    role, why = "ignore", "no word or unit in the header is known"
    if quantity == "irradiance":
        for name, known in (("dhi", words.DHI), ("ghi", words.GHI), ("poa", words.POA), ("dni", words.DNI)):
            if tokens & known:
                role, why = f"{name}_w_m2", f"an irradiance, {name.upper()} by its name"
                break
        else:
            why = "an irradiance that does not say whether horizontal or in the plane"
    elif quantity == "temperature":
        if tokens & words.MODULE:
            role, why = "temp_module_c", "a module's temperature"
        elif tokens & words.AIR or not any(
            words.AIR & _tokens(h) for n, h in enumerate(context.table.headers) if n != k
        ):
            role, why = "temp_air_c", "a temperature of the air"
    elif quantity == "speed":
        role, why = "wind_m_s", "a wind speed"
    elif tokens & {"plane", "ebene", "plano"}:
        role, why = "plane", "named as a plane"
    if role in _UNIT_OF and not unit:
        unit = _UNIT_OF[role]
        why += f"; no unit named, taken as {unit}"
    plane = next((p for p in context.planes if set(words.plain(p).split()) <= _words_of(header)), "")
    if role != "poa_w_m2" or not plane:
        return ColumnGuess(header, role, why, unit if role != "ignore" else "")
    return ColumnGuess(header, role, f"{why}; names plane {plane}", unit, serial=plane)


def _log(k: int, header: str, context: Context) -> ColumnGuess:
    tokens = _tokens(header)
    events = words.by_word(words.EVENT_WORDS)
    cells = list(dict.fromkeys(context.table.sample(k)))
    known = [c for c in cells if words.plain(c).replace(" ", "") in events or words.plain(c) in events]
    if cells and len(known) >= 0.5 * len(cells):
        return ColumnGuess(header, "event", "holds words for events")
    if tokens & words.DETAIL:
        return ColumnGuess(header, "detail", "named as a detail")
    if tokens & words.SOURCE:
        return ColumnGuess(header, "source", "named as a source")
    if tokens & words.EVENT:
        return ColumnGuess(header, "event", "named as an event")
    return ColumnGuess(header, "ignore", "no word in the header is known")


def _only_named(guesses: list[ColumnGuess]) -> list[ColumnGuess]:
    """In a wide table a value belongs to the unit its header names: a sum or a stranger's is left out."""
    if any(g.taken_for == "unit" for g in guesses) or not any(g.serial for g in guesses):
        return guesses
    keys = ("ignore", "timestamp", "date", "time", "input")
    return [
        g if g.serial or g.taken_for in keys else replace(g, taken_for="ignore", why=NO_UNIT) for g in guesses
    ]


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
