"""The commissioning record as a printable sheet, with blanks for what a person must measure.

In the spirit of IEC 62446-1 (from memory; not its text): the record shows what
the gateway saw, the blanks are for inspection and measurement on site.
"""

from __future__ import annotations

import math
from typing import Any, Final

from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape

from collectors.site import Module, SiteDescription
from rules.compat.expected import open_circuit_voltage
from rules.compat.record import CommissionRecord, Observation, Place
from triage.compat_page import VERDICT_WORDS, figure
from triage.figures import day_text

_TEMPERATURES_C: Final = (0, 10, 20, 30, 40, 50, 60)

INSPECTION: Final = (
    "Modules, rails, clamps and roof penetrations sound; nothing rests on sharp edges",
    "Cables fixed, off the roof surface, no strain, no crossing of sharp edges",
    "Every DC connector of the same make on both halves, fully latched",
    "Units ventilated, at the spacing their maker asks for",
    "Equipment and frames bonded to earth as the local code asks",
    "Breaker, cable and residual-current protection as in the electrical check",
    "Labels and warning signs in place; shut-down procedure posted at the board",
    "Serial numbers and their places match the list of inputs",
)
MEASUREMENTS: Final = (
    ("Continuity of protective earthing and bonding", "Ω"),
    ("AC voltage at the board, no output", "V"),
    ("AC voltage at the board, full output", "V"),
    ("Loop impedance at the board", "Ω"),
    ("Insulation of the AC branch, supply isolated", "MΩ"),
    ("Insulation of the DC side, only where the maker allows the test", "MΩ"),
    ("Residual-current device: trip current / time", "mA / ms"),
    ("Shut-down when the grid is switched off: time until no output", "s"),
    ("Return after the grid comes back: time until output", "s"),
)


def commission_page(record: CommissionRecord, site: SiteDescription) -> str:
    """The sheet as a whole page that opens offline and prints on A4, landscape."""
    environment = Environment(
        loader=PackageLoader("triage", "compat_pages"),
        autoescape=select_autoescape(["html"]),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return str(environment.get_template("sheet.html").render(**_values(record, site)))


def observation_text(observation: Observation | None) -> str:
    """Value with unit, or a dash."""
    if observation is None or observation.value is None:
        return "–"
    if isinstance(observation.value, str):
        return observation.value
    unit = observation.unit if observation.unit in ("", "°") else f" {observation.unit}"
    # Readings of a record don't carry four figures.
    return f"{figure(float(f'{observation.value:.3g}'))}{unit}"


def find(place: Place, observation_id: str) -> Observation | None:
    return next((o for o in place.observations if o.id == observation_id), None)


def days_used(record: CommissionRecord) -> str:
    """The clear days in words."""
    if not record.clear_days:
        return "none yet"
    return ", ".join(day_text(day) for day in record.clear_days)


def module_table(module: Module) -> list[tuple[str, str]]:
    """Open-circuit voltage to expect at cell temperatures, as text."""
    values = ((t, float(open_circuit_voltage(module, float(t)))) for t in _TEMPERATURES_C)
    return [(f"{t} °C", f"{v:.1f} V") for t, v in values if math.isfinite(v)]


def _values(record: CommissionRecord, site: SiteDescription) -> dict[str, Any]:
    return {
        "record": record,
        "site": site,
        "verdict_words": VERDICT_WORDS,
        "days": days_used(record),
        "day_text": day_text,
        "find": find,
        "observation_text": observation_text,
        "modules": {name: (m, module_table(m)) for name, m in site.modules.items()},
        "inspection": INSPECTION,
        "measurements": MEASUREMENTS,
    }
