"""What a column of a weather table or of a gateway log is."""

from __future__ import annotations

from collectors import csv_words as words
from collectors.csv_evidence import UNIT_OF, Context, tokens_of, unit_of, words_of
from collectors.csv_reading import ColumnGuess
from collectors.csv_units import UNITS


def weather_column(k: int, header: str, context: Context) -> ColumnGuess:
    unit, rest = unit_of(header)
    tokens = tokens_of(rest)
    quantity = UNITS[unit].quantity if unit else None
    if quantity is None:
        if tokens & words.WIND:
            quantity = "speed"
        elif tokens & (words.GHI | words.DNI | words.DHI | words.IRRADIANCE) or "poa" in tokens or "gti" in tokens:
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
        elif tokens & words.AIR or not any(words.AIR & tokens_of(h) for n, h in enumerate(context.table.headers) if n != k):
            role, why = "temp_air_c", "a temperature of the air"
    elif quantity == "speed":
        role, why = "wind_m_s", "a wind speed"
    elif tokens & {"plane", "ebene", "plano"}:
        role, why = "plane", "named as a plane"
    if role in UNIT_OF and not unit:
        unit = UNIT_OF[role]
        why += f"; no unit named, taken as {unit}"
    plane = next((p for p in context.planes if set(words.plain(p).split()) <= words_of(header)), "")
    if role != "poa_w_m2" or not plane:
        return ColumnGuess(header, role, why, unit if role != "ignore" else "")
    return ColumnGuess(header, role, f"{why}; names plane {plane}", unit, serial=plane)


def log_column(k: int, header: str, context: Context) -> ColumnGuess:
    tokens = tokens_of(header)
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
