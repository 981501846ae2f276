"""Units that headers and cells carry, and what one of each is in ours."""

from __future__ import annotations

import re
from typing import Final, NamedTuple


class Unit(NamedTuple):
    """A written unit: what it measures, and ``value * factor + offset`` in our unit."""

    quantity: str
    factor: float
    offset: float = 0.0


#: As written, case and all: "mW" is not "MW".
UNITS: Final[dict[str, Unit]] = {
    "W": Unit("power", 1.0),
    "kW": Unit("power", 1e3),
    "MW": Unit("power", 1e6),
    "mW": Unit("power", 1e-3),
    "VA": Unit("apparent power", 1.0),
    "kVA": Unit("apparent power", 1e3),
    "var": Unit("reactive power", 1.0),
    "Wh": Unit("energy", 1.0),
    "kWh": Unit("energy", 1e3),
    "MWh": Unit("energy", 1e6),
    "V": Unit("voltage", 1.0),
    "mV": Unit("voltage", 1e-3),
    "kV": Unit("voltage", 1e3),
    "A": Unit("current", 1.0),
    "mA": Unit("current", 1e-3),
    "Hz": Unit("frequency", 1.0),
    "mHz": Unit("frequency", 1e-3),
    "°C": Unit("temperature", 1.0),
    "C": Unit("temperature", 1.0),
    "K": Unit("temperature", 1.0, -273.15),
    "°F": Unit("temperature", 5 / 9, -32 * 5 / 9),
    "F": Unit("temperature", 5 / 9, -32 * 5 / 9),
    "dBm": Unit("signal", 1.0),
    "W/m²": Unit("irradiance", 1.0),
    "W/m2": Unit("irradiance", 1.0),
    "W/m^2": Unit("irradiance", 1.0),
    "kW/m²": Unit("irradiance", 1e3),
    "kW/m2": Unit("irradiance", 1e3),
    "m/s": Unit("speed", 1.0),
    "km/h": Unit("speed", 1 / 3.6),
    "mph": Unit("speed", 0.44704),
    "kn": Unit("speed", 1852 / 3600),
}
_BY_LOWER: Final[dict[str, list[str]]] = {}
for _name in UNITS:
    _BY_LOWER.setdefault(_name.lower(), []).append(_name)
_SUFFIXES: Final = {"w_m2": "W/m²", "kw_m2": "kW/m²", "m_s": "m/s", "km_h": "km/h"}
_WRITTEN_OUT = re.compile(rf"(?:^|[\s_\-])({'|'.join(_SUFFIXES)})$", re.IGNORECASE)
_LAST_WORD = re.compile(r"(?:^|[\s,/_\-])([A-Za-z°º²^0-9/]{1,7})\s*$")
_BRACKETED = re.compile(r"[\[(]\s*([^\[\]()]+?)\s*[\])]")


def unit_named(text: str) -> str | None:
    """The unit a text names: exact spelling first, else any case when that is unambiguous."""
    text = text.strip().replace("º", "°").replace("℃", "°C").replace("·", "")
    if text in UNITS:
        return text
    names = _BY_LOWER.get(text.lower(), [])
    if text.lower() == "deg c":
        return "°C"
    if len(names) == 1:
        return names[0]
    # Only milli and mega share letters; nobody exports milliwatts of a module.
    return next((n for n in names if n.startswith(("M", "k"))), None) if names else None


def unit_in_header(header: str) -> tuple[str | None, str]:
    """The unit in a header and the header without it: in brackets, or its last word (``/ kWh``)."""
    for match in _BRACKETED.finditer(header):
        if unit := unit_named(match.group(1)):
            return unit, f"{header[: match.start()]} {header[match.end() :]}".strip()
    if match_tail := _WRITTEN_OUT.search(header):
        return _SUFFIXES[match_tail.group(1).lower()], header[: match_tail.start()]
    if (match_word := _LAST_WORD.search(header)) and (unit := unit_named(match_word.group(1))):
        return unit, header[: match_word.start()].strip()
    return None, header
