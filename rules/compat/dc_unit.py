"""Direct current, per unit: inputs in use, module rating over unit rating, mixed modules, altitude."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from collectors.site import Inverter, SiteDescription
from rules.compat.groups import UnitGroup, unit_groups
from rules.compat.profile import Profile
from rules.compat.result import Check, judged, unknown


def unit_checks(site: SiteDescription, profile: Profile) -> Iterator[Check]:
    """Every DC check of a unit, by groups of like units."""
    for unit in unit_groups(site):
        yield from _unit_checks(unit, site, profile)


def _unit_checks(unit: UnitGroup, site: SiteDescription, profile: Profile) -> Iterator[Check]:
    inverter = unit.inverter
    if inverter is None:
        return
    key = f"[inverters.{unit.inverter_name}]"
    where: dict[str, Any] = {"scope": "DC", "place": unit.place, "members": unit.members}
    if inverter.inputs is not None:
        yield judged(
            id="inputs",
            title="Inputs in use",
            **where,
            formula="inputs listed for the unit",
            numbers={},
            value=float(len(unit.refs)),
            relation="<=",
            limit=float(inverter.inputs),
            unit="inputs",
            near=0.0,
            source="data sheet of the inverter",
            change="The file lists more inputs than the unit has: correct the units or the inverter.",
        )
    yield _ratio(unit, site, profile, where, key)
    names = sorted({i.module or "?" for i in unit.units[0].inputs})
    if len(names) > 1:
        yield _mixed(names, where)
    yield _altitude(inverter, site, profile, where, key)


def _ratio(unit: UnitGroup, site: SiteDescription, profile: Profile, where: dict[str, Any], key: str) -> Check:
    title = "Module rating over unit rating"
    rated = unit.inverter.rated_va if unit.inverter else None
    modules = [ref.module for ref in unit.refs]
    if rated is None or None in modules:
        missing = [f"{key} rated_va"] if rated is None else ["units.inputs module"]
        return unknown(id="dc-ac-ratio", title=title, **where, missing=missing)
    power = sum(m.pmax_w for m in modules if m is not None)
    gain = site.options.bifacial_gain_pct
    return judged(
        id="dc-ac-ratio",
        title=title,
        **where,
        formula="sum of Pmax x (1 + bifacial gain) / rated VA",
        numbers={"Pmax_sum": power, "rated_va": rated, "bifacial_gain_pct": gain},
        value=power * (1.0 + gain / 100.0) / rated,
        relation="<=",
        limit=profile.value("dc_ac_ratio"),
        unit="",
        near=0.0,
        source=profile.source("dc_ac_ratio"),
        change="Much of the module's power is above the unit's ceiling; see the row on clipping, "
        "and the maker's largest module rating.",
        worst="near",
    )


def _mixed(names: list[str], where: dict[str, Any]) -> Check:
    return Check(
        id="mixed-modules",
        title="Different modules on one unit",
        **where,
        verdict="pass",
        formula="module types on the unit",
        numbers={"types": len(names)},
        value=float(len(names)),
        limit=None,
        relation="",
        unit="types",
        source="common practice: one tracker per module",
        note=f"{' and '.join(names)}: harmless with a tracker for each, as long as every row above passes "
        "for every module; they are compared per rated watt.",
    )


def _altitude(inverter: Inverter, site: SiteDescription, profile: Profile, where: dict[str, Any], key: str) -> Check:
    stated = inverter.max_altitude_m
    if "altitude_m" not in site.site.model_fields_set:
        return unknown(id="altitude", title="Altitude", **where, missing=["[site] altitude_m"])
    return judged(
        id="altitude",
        title="Altitude",
        **where,
        formula="site altitude",
        numbers={},
        value=site.site.altitude_m,
        relation="<=",
        limit=profile.value("altitude_m") if stated is None else stated,
        unit="m",
        near=0.0,
        source="data sheet of the inverter" if stated is not None else profile.source("altitude_m"),
        change=f"Thin air cools and insulates less and the sun is stronger: ask the maker, then give {key} max_altitude_m.",
        worst="near" if stated is None else "fail",
    )
