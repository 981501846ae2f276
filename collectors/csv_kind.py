"""What an exported table holds: telemetry, weather or a gateway log, by its header and first rows."""

from __future__ import annotations

from collectors import csv_words as words
from collectors.columns import WEATHER_COLUMNS
from collectors.csv_assemble import NUMERIC
from collectors.csv_canonical import header_of
from collectors.csv_evidence import tokens_of
from collectors.csv_general import Draft, draft
from collectors.csv_layout import Layout
from collectors.csv_reading import ColumnGuess, Kind
from collectors.csv_source import Source, from_bytes
from collectors.csv_units import unit_in_header
from collectors.errors import InputError
from collectors.site import SiteDescription

_HEAD = 1 << 18
_MEASURED = {*NUMERIC, "energy", "energy_wh"}
_QUANTITIES = words.VOLTAGE | words.CURRENT | words.POWER | words.ENERGY
_ELECTRIC = _MEASURED - {"temperature_c", "signal_dbm"}


def kind_of(source: Source, site: SiteDescription, layout: Layout | None = None) -> Kind:
    """The kind of a table; telemetry when nothing says otherwise.

    Measurements of units named in a column or in headers are telemetry; a column of event
    words is a log; irradiance, air temperature or wind is weather. Volts, amperes or watts beside a
    temperature that doesn't say of what are units nobody names: telemetry, whose reader asks for the unit.
    """
    head = source.head(_HEAD)
    if header_of(head):
        return "telemetry"
    part = _whole_lines(source, head)
    as_telemetry = _attempt(part, site, "telemetry", layout)
    if as_telemetry:
        named = any(g.taken_for == "unit" or g.serial for g in as_telemetry.guesses)
        if named and any(g.taken_for in _MEASURED for g in as_telemetry.guesses):
            return "telemetry"
    as_log = _attempt(part, site, "log", layout)
    if as_log and any(g.taken_for == "event" and _sure(g.why) for g in as_log.guesses):
        return "log"
    as_weather = _attempt(part, site, "weather", layout)
    found = [g for g in as_weather.guesses if g.taken_for in WEATHER_COLUMNS] if as_weather else []
    electric = as_telemetry is not None and any(map(_electric, as_telemetry.guesses))
    if found and (not electric or any(map(_of_the_sky, found))):
        return "weather"
    return "telemetry"


def _electric(guess: ColumnGuess) -> bool:
    """Whether a column is a unit's by more than one letter: p may be the air's pressure."""
    spelled = any(len(token) > 1 for token in tokens_of(guess.header) & _QUANTITIES)
    return guess.taken_for in _ELECTRIC and (spelled or _sure(guess.why) or bool(unit_in_header(guess.header)[0]))


def _of_the_sky(guess: ColumnGuess) -> bool:
    """Whether a column is weather by more than the bare word temperature."""
    return not guess.taken_for.startswith("temp_") or _sure(guess.why) or bool(tokens_of(guess.header) & words.AIR)


def _sure(why: str) -> bool:
    return why in ("canonical name", "holds words for events", "layout file")


def _whole_lines(source: Source, head: bytes) -> Source:
    cut = head.rfind(b"\n") + 1
    if len(head) < _HEAD or b"\x00" in head or not cut:
        return source
    return from_bytes(head[:cut], source.name)


def _attempt(source: Source, site: SiteDescription, kind: Kind, layout: Layout | None) -> Draft | None:
    try:
        return draft(source, site, kind, layout)
    except InputError:
        return None
