"""What a column of telemetry is: serials, input numbers, and measurements by unit, word and value."""

from __future__ import annotations

import statistics
from dataclasses import replace
from typing import Final

from collectors import csv_words as words
from collectors.csv_evidence import UNIT_OF, Context, quantity_by_words, tokens_of, unit_of
from collectors.csv_labels import Label, input_in_cell, number_in
from collectors.csv_reading import ColumnGuess
from collectors.csv_table import Table
from collectors.csv_units import UNITS

NO_UNIT: Final = "its header names no unit of the site file"
#: Above this a voltage is the grid's: module-level inputs end at some 60 to 80 V (common practice).
_GRID_VOLTS = 90.0


def find_labels(guesses: list[ColumnGuess | None], context: Context) -> None:
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
            named = next((k for k in free if tokens_of(table.headers[k]) & words.UNIT and _texts(table, k)), None)
            if named is not None:
                guesses[named] = ColumnGuess(table.headers[named], "unit", "named as a device")
    if not any(g and g.taken_for == "unit" for g in guesses):
        return
    if not any(g and g.taken_for == "input" for g in guesses):
        for k in free:
            if guesses[k] is None and tokens_of(table.headers[k]) & words.INPUT:
                cells = list(dict.fromkeys(table.sample(k)))
                if cells and len(cells) <= 17 and all(input_in_cell(c) is not None for c in cells):
                    guesses[k] = ColumnGuess(table.headers[k], "input", "named as an input, holds small numbers")
                    break


def _texts(table: Table, column: int) -> bool:
    """Whether a column holds names rather than measurements: few values, each many times."""
    cells = table.sample(column)
    return bool(cells) and len(set(cells)) <= max(1, len(cells) // 2) and not all("." in c for c in cells)


def telemetry_column(k: int, header: str, context: Context) -> ColumnGuess:
    label = context.labels.find(header)
    serial, number, rest = label if label else Label("", None, header)
    unit, rest = unit_of(rest)
    if number is None:
        number, rest = number_in(rest)
    tokens = tokens_of(rest)
    quantity = _quantity(unit, tokens)
    if quantity is None and label is not None and tokens <= words.SIDE_DC | words.INPUT | words.UNIT:
        return _bare_label(k, header, label, number, context)
    if quantity is None:
        return ColumnGuess(header, "ignore", "no word or unit in the header is known")
    role, why = _role(k, quantity, tokens, number, context)
    if unit and (want := UNIT_OF.get(role)) and UNITS[unit].quantity != UNITS[want].quantity:
        return ColumnGuess(header, "ignore", f"{unit} is not a unit of {role}")
    if label:
        why += f"; names {serial}" + (f" input {number}" if number is not None else "")
    elif number is not None:
        why += f"; input {number}"
    if not unit and role in UNIT_OF:
        unit, note = _assumed_unit(k, role, context)
        why += f"; {note}"
    return ColumnGuess(header, role, why, unit, serial, number)


def _quantity(unit: str, tokens: set[str]) -> str | None:
    if unit:
        return UNITS[unit].quantity
    return quantity_by_words(tokens)


def _role(k: int, quantity: str, tokens: set[str], number: int | None, context: Context) -> tuple[str, str]:
    """Canonical column for a quantity, and why."""
    ac = bool(tokens & words.SIDE_AC) or any(t in ("vac", "uac", "iac", "pac", "fac", "ugrid", "vgrid") for t in tokens)
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
        return {"counter": "energy_total_wh", "interval": "energy_wh", "daily": "ignore"}[told], f"{told} (layout file)"
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
    return ColumnGuess(header, role, f"{why} and no quantity: taken as power; {note}", unit, label.serial, number)


def _assumed_unit(k: int, role: str, context: Context) -> tuple[str, str]:
    """The unit of a column that names none: ours, unless its values only fit thousands."""
    unit = UNIT_OF[role]
    if role in ("dc_power_w", "ac_power_w") and context.module_w:
        values = context.numbers(k)
        if values and 0 < max(values) < 0.004 * context.module_w:
            return "kW", f"no unit named; the largest value, {max(values):g}, fits kW"
    return unit, f"no unit named, taken as {unit}"


def _median(values: list[float]) -> float | None:
    filled = [v for v in values if v > 0]
    return statistics.median(filled) if filled else None


def only_named(guesses: list[ColumnGuess]) -> list[ColumnGuess]:
    """In a wide table a value belongs to the unit its header names: a sum or a stranger's is left out."""
    if any(g.taken_for == "unit" for g in guesses) or not any(g.serial for g in guesses):
        return guesses
    keys = ("ignore", "timestamp", "date", "time", "input")
    return [g if g.serial or g.taken_for in keys else replace(g, taken_for="ignore", why=NO_UNIT) for g in guesses]
