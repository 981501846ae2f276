"""What a guess about a column may look at, and the words and units it weighs."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from collectors import csv_words as words
from collectors.csv_labels import Labels
from collectors.csv_layout import Layout
from collectors.csv_table import Table
from collectors.csv_units import UNITS, unit_in_header

#: Canonical columns and the unit they are in.
UNIT_OF: Final = {
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


def words_of(text: str) -> set[str]:
    return set(words.plain(text).split())


def tokens_of(text: str) -> set[str]:
    tokens = set(re.sub(r"\d+", " ", words.plain(text)).split())
    for token in list(tokens):
        for stem in words.COMPOUND_ENDS:
            if token.endswith(stem) and token != stem:
                start = token.removesuffix(stem)
                tokens |= {stem, words.COMPOUND_STARTS.get(start, start)}
    return tokens


def unit_of(text: str) -> tuple[str, str]:
    """A unit in a header; a bare single letter counts only beside a word of its own quantity."""
    unit, rest = unit_in_header(text)
    if unit is None:
        return "", text
    bare = not re.search(r"[\[(]", text) and len(unit) == 1
    if bare and text.strip() != unit and quantity_by_words(tokens_of(rest)) not in (None, UNITS[unit].quantity):
        return "", text
    return unit, rest


def quantity_by_words(tokens: set[str]) -> str | None:
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
