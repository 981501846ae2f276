"""Drafting a site file from data sheet values, with a question where a unit looks wrong."""

from __future__ import annotations

import difflib
import json
import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from collectors.datasheet import Question, inverter_questions, module_questions, site_questions
from collectors.errors import UsageError


@dataclass(frozen=True)
class Key:
    """One value of the draft: its table in the site file, unit, and what the data sheet calls it."""

    table: str
    unit: str
    words: str
    required: bool = False


KEYS: Final[Mapping[str, Key]] = {
    "pmax_w": Key("module", "W", "module power at STC (1000 W/m², 25 °C)", required=True),
    "vmp_v": Key("module", "V", "voltage at maximum power, STC"),
    "imp_a": Key("module", "A", "current at maximum power, STC"),
    "voc_v": Key("module", "V", "open-circuit voltage, STC"),
    "isc_a": Key("module", "A", "short-circuit current, STC"),
    "gamma_pmax_pct_k": Key("module", "%/K", "temperature coefficient of power"),
    "beta_voc_pct_k": Key("module", "%/K", "temperature coefficient of open-circuit voltage"),
    "alpha_isc_pct_k": Key("module", "%/K", "temperature coefficient of short-circuit current"),
    "cells": Key("module", "", "number of cells (as the sheet counts them)"),
    "rated_va": Key("inverter", "VA", "continuous output of the unit"),
    "inputs": Key("inverter", "", "inputs of the unit"),
    "start_v": Key("inverter", "V", "start-up voltage"),
    "mppt_min_v": Key("inverter", "V", "tracking window, lower end"),
    "mppt_max_v": Key("inverter", "V", "tracking window, upper end"),
    "max_input_v": Key("inverter", "V", "maximum input voltage"),
    "max_input_a": Key("inverter", "A", "maximum continuous input current"),
    "max_isc_a": Key("inverter", "A", "maximum short-circuit current of an input"),
    "latitude": Key("site", "°", "latitude, north positive", required=True),
    "longitude": Key("site", "°", "longitude, east positive", required=True),
    "record_low_c": Key("site", "°C", "lowest air temperature on record"),
    "altitude_m": Key("site", "m", "altitude"),
    "azimuth_deg": Key("plane", "°", "azimuth of the roof, clockwise from north (south 180)"),
    "tilt_deg": Key("plane", "°", "tilt of the roof from horizontal"),
    "units": Key("units", "", "number of units (1 unless given)"),
}
_WHOLE: Final = ("cells", "inputs", "units")
#: Written unit -> factor to the key's unit; coefficients in absolute units wait for their base.
_FACTORS: Final[Mapping[str, Mapping[str, float]]] = {
    "W": {"w": 1.0, "wp": 1.0, "kw": 1e3, "kwp": 1e3},
    "V": {"v": 1.0, "mv": 1e-3},
    "A": {"a": 1.0, "ma": 1e-3},
    "VA": {"va": 1.0, "kva": 1e3, "w": 1.0, "kw": 1e3},
    "m": {"m": 1.0, "km": 1e3, "ft": 0.3048},
    "°": {"°": 1.0, "deg": 1.0},
    "": {},
}
_BASES: Final[Mapping[str, tuple[str, Mapping[str, float]]]] = {
    "gamma_pmax_pct_k": ("pmax_w", {"w/k": 1.0, "mw/k": 1e-3}),
    "beta_voc_pct_k": ("voc_v", {"v/k": 1.0, "mv/k": 1e-3}),
    "alpha_isc_pct_k": ("isc_a", {"a/k": 1.0, "ma/k": 1e-3}),
}
_NUMBER: Final = re.compile(r"\s*([-+−–]?\d+(?:[.,]\d+)?(?:[eE][-+]?\d+)?)\s*(.*?)\s*")


def parse_values(words: Sequence[str]) -> dict[str, float]:
    """Values from ``KEY=NUMBER[UNIT]`` words.

    A unit that is written is converted (``beta_voc_pct_k=-97mV/K``); one that
    is left out is taken as the key's own and questioned later when it looks wrong.

    Raises
    ------
    UsageError : an unknown key or unit, not a number, or a key given twice.
    """
    pairs: dict[str, tuple[float, str]] = {}
    for word in words:
        key, sign, text = word.partition("=")
        key = key.strip()
        if not sign:
            raise UsageError(f"--value {word}: no '='", "Write it as pmax_w=405.")
        known_key(key)
        if key in pairs:
            raise UsageError(f"--value {key}: given twice", "Give each value once.")
        pairs[key] = _split(key, text)
    numbers = {key: number for key, (number, _) in pairs.items()}
    return {key: convert(key, number, unit, numbers) for key, (number, unit) in pairs.items()}


def parse_one(key: str, text: str, others: Mapping[str, float]) -> float:
    """One value as typed at a prompt; ``others`` holds the values before it."""
    number, unit = _split(key, text)
    return convert(key, number, unit, others)


def known_key(key: str) -> Key:
    """The key's description.

    Raises
    ------
    UsageError : not a key, with the nearest one.
    """
    if key not in KEYS:
        near = difflib.get_close_matches(key, KEYS, n=1)
        hint = f"did you mean '{near[0]}'?" if near else f"known are {', '.join(KEYS)}"
        raise UsageError(f"--value {key}: not a key we know; {hint}", "`callout compat --keys` lists them.")
    return KEYS[key]


def convert(key: str, number: float, unit: str, others: Mapping[str, float]) -> float:
    """The number in the key's own unit; ``unit`` as written, "" for none."""
    wanted = KEYS[key].unit
    plain = unit.lower().replace("°c", "k").replace("℃", "k").replace(" ", "").replace("kelvin", "k")
    if not unit or plain == wanted.lower():
        return number
    if wanted == "°C":
        if plain in ("k", "c"):
            return number
        if plain in ("°f", "f"):
            return round((number - 32.0) / 1.8, 1)
    if key in _BASES and plain == "1/k":
        return number * 100.0
    if key in _BASES and plain in _BASES[key][1]:
        base_key, factors = _BASES[key]
        if base_key not in others:
            raise UsageError(f"{key} = {number:g} {unit}: needs {base_key}", f"Give {base_key} too, or give %/K.")
        return round(100.0 * number * factors[plain] / others[base_key], 5)
    factor = _FACTORS.get(wanted, {}).get(plain)
    if factor is None:
        raise UsageError(f"{key} = {number:g} {unit}: not a unit of it", f"Give it in {wanted or 'no unit'}.")
    return number * factor


def draft_questions(values: Mapping[str, float]) -> list[Question]:
    """Questions about the values, and the one nobody can settle from the numbers alone: STC or NOCT."""
    module = {k: v for k, v in values.items() if KEYS[k].table == "module"}
    found = module_questions(module)
    pmax = values.get("pmax_w")
    # Makers rate in steps of 5 W (common practice); the NOCT column has odd figures.
    if pmax is not None and pmax > 100.0 and pmax % 5.0 and not any(q.key in ("pmax_w", "vmp_v") for q in found):
        text = f"pmax_w = {pmax:g}: ratings come in steps of 5 W; is this the STC value, not NOCT (800 W/m²)?"
        found.append(Question("pmax_w", text))
    inverter = {k: v for k, v in values.items() if KEYS[k].table == "inverter"}
    return [*found, *inverter_questions(inverter), *site_questions(values)]


#: What a data sheet of module and inverter cannot tell, as lines of a site file.
_TO_FILL_IN: Final = (
    "# For the AC and radio rows, fill in and remove the sign in front:",
    "# [branches.A]",
    "# breaker_a = ",
    "# ampacity_a =          # the cable as laid, from the local table",
    "# trunk_m = ",
    "# trunk_mm2 =           # or trunk_awg",
    "# unit_spacing_m = ",
    "# [service]             # meter to board",
    "# length_m = ",
    "# mm2 =                 # or awg",
    "# highest_v =           # measured at the meter",
    "# [gateways.gateway]",
    '# link = "radio"        # or "bus"',
    "# distance_m = ",
    "# range_m =             # open field, data sheet",
    '# obstacles = ["tiles", "concrete"]',
)


def draft_toml(values: Mapping[str, float], site_id: str, profile: str, as_written: Collection[str] = ()) -> str:
    """The text of the drafted site file.

    ``as_written`` holds the keys whose values are right though they look wrong.

    Raises
    ------
    UsageError : a value that nothing can be inferred from is missing.
    """
    missing = [key for key, facts in KEYS.items() if facts.required and key not in values]
    if missing:
        told = ", ".join(f"{key} ({KEYS[key].words})" for key in missing)
        raise UsageError(f"missing: {told}", "Give each as --value KEY=NUMBER, or --ask to be asked.")
    hours = round(values["longitude"] / 15.0)
    # The sign of these zone names is the wrong way round by their definition.
    zone = f"Etc/GMT{-hours:+d}" if hours else "Etc/GMT"
    count = int(values.get("inputs", 1))
    tables = {"module": "modules.module-1.", "inverter": "inverters.inverter-1.", "site": "site."}
    settled = [f"{tables[KEYS[key].table]}{key}" for key in as_written if KEYS[key].table in tables]
    options = ["[options]", f"as_written = {json.dumps(settled)}", ""] if settled else []
    lines = [
        "# Drafted by `callout compat --new` from data sheet values. Values at STC: 1000 W/m², 25 °C.",
        "",
        "[site]",
        f"id = {json.dumps(site_id)}",
        *_lines(values, "site"),
        f'timezone = "{zone}"  # from the longitude; give the place\'s IANA zone',
        "",
        "[grid]",
        f"profile = {json.dumps(profile)}",
        "",
        *options,
        "[modules.module-1]",
        *_lines(values, "module"),
        "",
        "[inverters.inverter-1]",
        *_lines({"inputs": float(count), **values}, "inverter"),
        "",
        "[planes.roof]",
        *_lines(values, "plane"),
        "",
        *_TO_FILL_IN,
        *_drafted_units(int(values.get("units", 1)), count),
    ]
    return "\n".join(lines) + "\n"


def _drafted_units(units: int, inputs: int) -> list[str]:
    lines = []
    for number in range(1, units + 1):
        lines += ["", "[[units]]", f'serial = "unit-{number}"', 'inverter = "inverter-1"', 'branch = "A"']
        for position in range(1, inputs + 1):
            lines += ["[[units.inputs]]", f"input = {position}", 'module = "module-1"', 'plane = "roof"']
    return lines


def _lines(values: Mapping[str, float], table: str) -> list[str]:
    found = []
    for key, facts in KEYS.items():
        if facts.table != table:
            continue
        unit = f" {facts.unit}," if facts.unit else ""
        if key in values:
            value = values[key]
            text = str(int(value)) if key in _WHOLE or value == int(value) else f"{value:.10g}"
            found.append(f"{key} = {text}  #{unit} {facts.words}")
        else:
            found.append(f"# {key} =  #{unit} {facts.words}: not given")
    return found


def _split(key: str, text: str) -> tuple[float, str]:
    match = _NUMBER.fullmatch(text)
    if not match:
        raise UsageError(f"{key} = '{text.strip()}': not a number", f"Write it as {key}=12.5.")
    number = float(match[1].replace(",", ".").replace("−", "-").replace("–", "-"))
    if key in _WHOLE and (number != int(number) or number < 1):
        raise UsageError(f"{key} = {text.strip()}: must be a whole number, 1 or more", "Correct it.")
    return number, match[2]
