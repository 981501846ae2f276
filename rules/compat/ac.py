"""Alternating current, per branch: units against breaker and cable, voltage rise, grid window.

Rise is resistive, at unity power factor, with every unit at full output: the
worst the branch can do to the voltage at its last unit.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from collectors.site import Branch, Inverter, Service, SiteDescription, Unit
from rules.compat.conductors import (
    TABLE_SOURCE,
    lead_rise_v,
    line_rise_v,
    phase_current_a,
    resistance_ohm_m,
)
from rules.compat.groups import branches
from rules.compat.profile import Profile
from rules.compat.result import Check, judged, unknown

_RISE_SOURCE = f"Ohm's law; {TABLE_SOURCE}"


@dataclass(frozen=True)
class _Line:
    """One branch and what every check of it needs; ``unit_a`` is the mean current of a unit, A."""

    name: str
    facts: Branch
    units: tuple[Unit, ...]
    unit_a: float | None
    nominal_v: float
    profile: Profile

    @property
    def where(self) -> dict[str, Any]:
        label = f"branch {self.name}" if self.name else "units without a branch"
        n = len(self.units)
        return {
            "scope": "AC",
            "place": f"{label}, {n} unit{'' if n == 1 else 's'}",
            "members": tuple(unit.serial for unit in self.units),
        }

    @property
    def table(self) -> str:
        return f"[branches.{self.name or 'NAME'}]"

    @property
    def current_missing(self) -> list[str]:
        return [] if self.unit_a is not None else ["[inverters.NAME] max_ac_a or rated_va"]


def ac_checks(site: SiteDescription, profile: Profile) -> Iterator[Check]:
    """Every AC check: branches in the order of the file."""
    nominal = site.grid.nominal_v or profile.nominal_v
    lines = [
        _Line(
            name,
            site.branches.get(name, Branch()),
            units,
            _mean([_unit_current(site.inverters[u.inverter] if u.inverter else None, nominal) for u in units]),
            nominal,
            profile,
        )
        for name, units in branches(site).items()
    ]
    service = _service_rise(site, lines, profile)
    for line in lines:
        yield from _breaker(line)
        rise = _branch_rise(line)
        yield _branch_rise_check(line, rise)
        yield from _total_rise(line, rise, service, site)


def _unit_current(inverter: Inverter | None, nominal_v: float) -> float | None:
    if inverter is None:
        return None
    if inverter.max_ac_a is not None:
        return inverter.max_ac_a
    return inverter.rated_va / nominal_v if inverter.rated_va is not None else None


def _mean(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return sum(known) / len(known) if len(known) == len(values) else None


def _breaker(line: _Line) -> Iterator[Check]:
    facts, n = line.facts, len(line.units)
    if facts.max_units is not None:
        yield judged(
            id="branch-units",
            title="Units on the branch",
            **line.where,
            formula="units listed",
            numbers={},
            value=float(n),
            relation="<=",
            limit=float(facts.max_units),
            unit="units",
            near=0.0,
            source="[branches] max_units: the maker's limit for this cable",
            change="Move units to another branch.",
        )
    where = {"id": "branch-breaker", "title": "Branch current against the breaker", **line.where}
    if facts.breaker_a is None or line.unit_a is None:
        missing = [*([f"{line.table} breaker_a"] if facts.breaker_a is None else []), *line.current_missing]
        yield unknown(**where, missing=missing)
    else:
        share = line.profile.value("breaker_share")
        per_phase = 3 if facts.connection == "three-phase" else 1
        most = int(facts.breaker_a * share / line.unit_a + 1e-9) * per_phase
        yield judged(
            **where,
            formula="units in the fullest phase x Iunit, against breaker x share",
            numbers={"units": n, "Iunit": line.unit_a, "breaker": facts.breaker_a, "share": share},
            value=phase_current_a(n, line.unit_a, facts.connection),
            relation="<=",
            limit=facts.breaker_a * share,
            unit="A",
            near=0.05,
            source=line.profile.source("breaker_share"),
            change=f"This breaker carries {most} of these units: split the branch. (A bigger breaker needs a bigger cable.)",
            note="Full output for hours on a clear day; a warm, crowded board carries less.",
        )
    where = {"id": "branch-cable", "title": "Breaker against the cable", **line.where}
    if facts.breaker_a is None or facts.ampacity_a is None:
        missing = [f"{line.table} {k}" for k in ("breaker_a", "ampacity_a") if getattr(facts, k) is None]
        yield unknown(**where, missing=missing, note="Ampacity as laid, on a hot roof, from the local table.")
    else:
        yield judged(
            **where,
            formula="breaker rating against the cable's ampacity as laid",
            numbers={},
            value=facts.breaker_a,
            relation="<=",
            limit=facts.ampacity_a,
            unit="A",
            near=0.0,
            source="IEC 60364-4-43, In <= Iz, from memory; ampacity as declared",
            change="A smaller breaker or a bigger cable: the breaker doesn't protect this one.",
        )


@dataclass(frozen=True)
class _Rise:
    """Voltage rise, V, with the numbers behind it; or the keys that are missing."""

    volts: float | None
    numbers: dict[str, float | int | str]
    missing: list[str]


def _branch_rise(line: _Line) -> _Rise:
    facts, n = line.facts, len(line.units)
    missing = list(line.current_missing)
    if facts.trunk_m is None:
        missing.append(f"{line.table} trunk_m")
    if facts.trunk_mm2 is None and facts.trunk_awg is None:
        missing.append(f"{line.table} trunk_mm2 or trunk_awg")
    if n > 1 and facts.unit_spacing_m is None:
        missing.append(f"{line.table} unit_spacing_m")
    if missing or line.unit_a is None or facts.trunk_m is None:
        return _Rise(None, {}, missing)
    t_conductor = line.profile.value("conductor_c")
    trunk = resistance_ohm_m(facts.conductor, t_conductor, *_size(facts.trunk_mm2, facts.trunk_awg))
    # The cable between the units is the trunk's, unless said otherwise.
    own = facts.unit_mm2 is not None or facts.unit_awg is not None
    between = resistance_ohm_m("copper", t_conductor, *_size(facts.unit_mm2, facts.unit_awg)) if own else trunk
    spacing = facts.unit_spacing_m or 0.0
    volts = lead_rise_v(n, line.unit_a, facts.connection, trunk, facts.trunk_m)
    volts += line_rise_v(n, line.unit_a, facts.connection, between, spacing)
    numbers: dict[str, float | int | str] = {
        "units": n,
        "Iunit": line.unit_a,
        "trunk_m": facts.trunk_m,
        "Rtrunk_ohm_km": trunk * 1000.0,
        "spacing_m": spacing,
        "Rbetween_ohm_km": between * 1000.0,
        "connection": facts.connection,
    }
    return _Rise(volts, numbers, [])


def _branch_rise_check(line: _Line, rise: _Rise) -> Check:
    where = {"id": "branch-rise", "title": "Voltage rise along the branch", **line.where}
    if rise.volts is None:
        return unknown(**where, missing=rise.missing)
    percent = line.profile.value("rise_branch_pct")
    return judged(
        **where,
        formula="2 R Iunit (n x trunk + n (n - 1) / 2 x spacing) for two wires, over nominal",
        numbers={**rise.numbers, "nominal_v": line.nominal_v, "volts": rise.volts},
        value=100.0 * rise.volts / line.nominal_v,
        relation="<=",
        limit=percent,
        unit="%",
        near=0.1,
        source=f"{line.profile.source('rise_branch_pct')}; {_RISE_SOURCE}",
        change="Feed the branch in its middle, split it, or use a bigger trunk.",
        worst="near",
    )


def _service_rise(site: SiteDescription, lines: Sequence[_Line], profile: Profile) -> _Rise:
    """Rise between meter and board with every unit of the site at full output."""
    facts: Service = site.service
    missing = [key for line in lines for key in line.current_missing][:1]
    if facts.length_m is None:
        missing.append("[service] length_m")
    if facts.mm2 is None and facts.awg is None:
        missing.append("[service] mm2 or awg")
    if missing or facts.length_m is None:
        return _Rise(None, {}, missing)
    total = sum(len(line.units) * (line.unit_a or 0.0) for line in lines)
    count = sum(len(line.units) for line in lines)
    ohm_m = resistance_ohm_m(facts.conductor, profile.value("conductor_c"), *_size(facts.mm2, facts.awg))
    volts = lead_rise_v(count, total / count, facts.connection, ohm_m, facts.length_m)
    return _Rise(volts, {"service_m": facts.length_m, "Rservice_ohm_km": ohm_m * 1000.0, "Itotal": total}, [])


def _total_rise(line: _Line, rise: _Rise, service: _Rise, site: SiteDescription) -> Iterator[Check]:
    whole = {"id": "total-rise", "title": "Voltage rise from the meter to the last unit", **line.where}
    window = {"id": "grid-window", "title": "Voltage at the last unit against the grid window", **line.where}
    profile = line.profile
    if rise.volts is None or service.volts is None:
        missing = list(dict.fromkeys([*rise.missing, *service.missing]))
        yield unknown(**whole, missing=missing)
        yield unknown(**window, missing=missing)
        return
    volts = rise.volts + service.volts
    numbers: dict[str, float | int | str] = {
        "branch_v": rise.volts,
        "service_v": service.volts,
        **service.numbers,
    }
    yield judged(
        **whole,
        formula="(branch rise + service rise) / nominal",
        numbers={**numbers, "nominal_v": line.nominal_v},
        value=100.0 * volts / line.nominal_v,
        relation="<=",
        limit=profile.value("rise_total_pct"),
        unit="%",
        near=0.1,
        source=f"{profile.source('rise_total_pct')}; {_RISE_SOURCE}",
        change="Shorten or thicken the part with the larger rise.",
    )
    high = site.grid.high_v
    limit = profile.value("high_pu") * line.nominal_v if high is None else high
    measured = site.service.highest_v
    supply = profile.value("supply_high_pu") * line.nominal_v if measured is None else measured
    supply_source = "[service] highest_v" if measured is not None else profile.source("supply_high_pu").rstrip(".")
    yield judged(
        **window,
        formula="highest voltage at the meter + rise",
        numbers={"supply_v": supply, "rise_v": volts},
        value=supply + volts,
        relation="<=",
        limit=limit,
        unit="V",
        near=0.01,
        source=f"{'[grid] high_v' if high is not None else profile.source('high_pu')}; at the meter: {supply_source}",
        change="The last unit leaves the grid on sunny days with little load: less rise, "
        "or ask the network operator about the voltage at the meter.",
        note=f"The meter may stand at up to {limit - volts:.1f} V before the last unit trips.",
    )


def _size(mm2: float | None, awg: int | None) -> tuple[float | None, int | None]:
    return (mm2, None) if mm2 is not None else (None, awg)
