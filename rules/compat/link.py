"""Radio and bus between gateway and units: obstacles, length, termination, addresses, polling.

Timing follows Modbus over serial line: 11 bits a character, 3.5 characters of
silence between frames, 1.75 ms above 19,200 baud.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator
from typing import Any, Final

from collectors.site import GatewayLink, SiteDescription, Unit
from rules.compat.groups import gateways
from rules.compat.profile import Profile
from rules.compat.result import Check, judged, unknown
from rules.finding import Threshold

_DB = "common practice, 2.4 GHz, from memory; ITU-R P.2040 gives the method"
#: Loss of one obstacle by its word in the site file.
OBSTACLES_DB: Final = {
    "window": Threshold(3.0, "dB", _DB),
    "coated window": Threshold(25.0, "dB", _DB),
    "wood": Threshold(4.0, "dB", _DB),
    "plasterboard": Threshold(3.0, "dB", _DB),
    "tiles": Threshold(4.0, "dB", _DB),
    "brick": Threshold(8.0, "dB", _DB),
    "concrete": Threshold(16.0, "dB", _DB),
    "foil": Threshold(25.0, "dB", _DB),
    "metal": Threshold(30.0, "dB", _DB),
}
_ADDRESSES: Final = (1, 247)
_BITS_PER_CHARACTER: Final = 11
_MOST_REGISTERS: Final = 125
#: Below about this share of a bit the line's reflections die out before it is sampled.
_TERMINATION_BIT_SHARE: Final = Threshold(0.1, "ratio", "common practice: line delay well below a bit time")
_LINE_DELAY_S_M: Final = 5e-9


def link_checks(site: SiteDescription, profile: Profile) -> Iterator[Check]:
    """Every check of every gateway that the file describes."""
    for name, units in gateways(site).items():
        facts = site.gateways.get(name)
        where: dict[str, Any] = {
            "scope": "link",
            "place": f"{name}, {len(units)} unit{'' if len(units) == 1 else 's'}",
            "members": tuple(unit.serial for unit in units),
        }
        table = f"[gateways.{name}]"
        if facts is None or facts.link is None:
            yield unknown(id="link", title="Radio or bus", **where, missing=[f'{table} link = "radio" or "bus"'])
        elif facts.link == "radio":
            yield _radio(facts, profile, where, table)
        else:
            yield from _bus(facts, units, profile, where, table)


def _radio(facts: GatewayLink, profile: Profile, where: dict[str, Any], table: str) -> Check:
    title = "Radio margin"
    strange = [o for o in facts.obstacles if o not in OBSTACLES_DB]
    missing = [f"{table} {k}" for k in ("distance_m", "range_m") if getattr(facts, k) is None]
    if strange:
        missing.append(f"{table} obstacles from {', '.join(OBSTACLES_DB)} (not {', '.join(map(repr, strange))})")
    if missing or facts.distance_m is None or facts.range_m is None:
        return unknown(id="radio", title=title, **where, missing=missing)
    loss = sum(OBSTACLES_DB[o].value for o in facts.obstacles)
    return judged(
        id="radio",
        title=title,
        **where,
        formula="20 log10(range / distance) - sum of obstacle losses",
        numbers={
            "distance_m": facts.distance_m,
            "range_m": facts.range_m,
            "obstacles": ", ".join(facts.obstacles) or "none",
            "obstacle_db": loss,
        },
        value=20.0 * math.log10(facts.range_m / facts.distance_m) - loss,
        relation=">=",
        limit=profile.value("radio_margin_db"),
        unit="dB",
        near=0.3,
        source=f"free-space law (Friis); {profile.source('radio_margin_db')}; obstacles: {_DB}",
        change="Move the gateway or its antenna nearer or out of the way of metal, foil and concrete; "
        "expect gaps in the readings until then, which are no fault of the units.",
        note="An estimate to about 10 dB: the signal readings after installation decide.",
        worst="near",
    )


def transaction_s(registers: int, baud: int, turnaround_s: float) -> float:
    """Time of one read on a serial bus, s: eight characters out, 5 + 2 n back, both silences, turnaround."""
    characters = 8 + 5 + 2 * registers
    silence = 1.75e-3 if baud > 19200 else 3.5 * _BITS_PER_CHARACTER / baud
    return characters * _BITS_PER_CHARACTER / baud + 2.0 * silence + turnaround_s


def _bus(facts: GatewayLink, units: tuple[Unit, ...], profile: Profile, where: dict[str, Any], table: str) -> Iterator[Check]:
    yield _length(facts, profile, where, table)
    yield _product(facts, profile, where, table)
    yield _termination(facts, where, table)
    yield judged(
        id="bus-loads",
        title="Unit loads on the bus",
        **where,
        formula="units x unit load + gateway",
        numbers={"units": len(units), "unit_load": facts.unit_load or 1.0},
        value=len(units) * (facts.unit_load or 1.0) + 1.0,
        relation="<=",
        limit=profile.value("bus_unit_loads"),
        unit="loads",
        near=0.0,
        source=profile.source("bus_unit_loads"),
        change="Split the bus, add a repeater, or give the units' real load in unit_load (often 1/4 or 1/8).",
    )
    yield _addresses(facts, units, where, table)
    yield _polling(facts, units, profile, where, table)


def _length(facts: GatewayLink, profile: Profile, where: dict[str, Any], table: str) -> Check:
    words = {"id": "bus-length", "title": "Bus length", **where}
    if facts.bus_length_m is None:
        return unknown(**words, missing=[f"{table} bus_length_m"])
    return judged(
        **words,
        formula="declared length",
        numbers={},
        value=facts.bus_length_m,
        relation="<=",
        limit=profile.value("bus_length_m"),
        unit="m",
        near=0.1,
        source=profile.source("bus_length_m"),
        change="Shorten it or add a repeater.",
    )


def _product(facts: GatewayLink, profile: Profile, where: dict[str, Any], table: str) -> Check:
    words = {"id": "bus-rate", "title": "Line rate for this length", **where}
    missing = [f"{table} {k}" for k in ("bus_length_m", "baud") if getattr(facts, k) is None]
    if facts.bus_length_m is None or facts.baud is None:
        return unknown(**words, missing=missing)
    limit = profile.value("bus_product_mbit_m_s")
    return judged(
        **words,
        formula="baud x length / 1e6",
        numbers={"baud": facts.baud, "length_m": facts.bus_length_m},
        value=facts.baud * facts.bus_length_m / 1e6,
        relation="<=",
        limit=limit,
        unit="Mbit m/s",
        near=0.1,
        source=profile.source("bus_product_mbit_m_s"),
        change=f"At this length at most {1e6 * limit / facts.bus_length_m:,.0f} baud.",
    )


def _termination(facts: GatewayLink, where: dict[str, Any], table: str) -> Check:
    words = {"id": "bus-termination", "title": "Termination", **where}
    if facts.terminations is None:
        return unknown(**words, missing=[f"{table} terminations (resistors fitted, at both ends: 2)"])
    short = False
    if facts.bus_length_m is not None and facts.baud is not None:
        share = 2.0 * facts.bus_length_m * _LINE_DELAY_S_M * facts.baud
        short = share < _TERMINATION_BIT_SHARE.value
    right = facts.terminations == 2
    # A short, slow line forgives none or one; three load the drivers anywhere.
    verdict: Any = "pass" if right else "near" if short and facts.terminations < 2 else "fail"
    return Check(
        **words,
        verdict=verdict,
        formula="resistors fitted, one at each end of the line",
        numbers={},
        value=float(facts.terminations),
        limit=2.0,
        relation="",
        unit="resistors",
        source="TIA-485 practice: 120 ohm at both ends",
        note="Short and slow enough to work without." if verdict == "near" else "",
        change="" if right else "Fit one resistor at each end of the line and nowhere else.",
    )


def _addresses(facts: GatewayLink, units: tuple[Unit, ...], where: dict[str, Any], table: str) -> Check:
    words = {"id": "bus-addresses", "title": "Bus addresses", **where}
    absent = [unit.serial for unit in units if unit.serial not in facts.addresses]
    if absent:
        return unknown(**words, missing=[f"{table} addresses of {', '.join(absent)}"])
    by_address = Counter(facts.addresses.values())
    twice = {a: [s for s, b in facts.addresses.items() if b == a] for a, n in by_address.items() if n > 1}
    outside = {s: a for s, a in facts.addresses.items() if not _ADDRESSES[0] <= a <= _ADDRESSES[1]}
    told = [f"{' and '.join(serials)} share address {a}" for a, serials in twice.items()]
    told += [f"{serial} has address {a}, outside 1 to 247" for serial, a in outside.items()]
    return Check(
        **words,
        verdict="fail" if told else "pass",
        formula="each address once, within 1 to 247",
        numbers={},
        value=float(len(told)),
        limit=0.0,
        relation="<=",
        unit="conflicts",
        source="Modbus over serial line, addresses of devices",
        note="; ".join(told),
        change="Give each unit an address of its own; until then both answer at once and neither is read." if told else "",
    )


def _polling(facts: GatewayLink, units: tuple[Unit, ...], profile: Profile, where: dict[str, Any], table: str) -> Check:
    words = {"id": "bus-polling", "title": "Polling time", **where}
    missing = [f"{table} {k}" for k in ("baud", "registers", "poll_s") if getattr(facts, k) is None]
    if facts.baud is None or facts.registers is None or facts.poll_s is None:
        return unknown(**words, missing=missing)
    turnaround = (50.0 if facts.turnaround_ms is None else facts.turnaround_ms) / 1000.0
    full, rest = divmod(facts.registers, _MOST_REGISTERS)
    each = full * transaction_s(_MOST_REGISTERS, facts.baud, turnaround)
    each += transaction_s(rest, facts.baud, turnaround) if rest else 0.0
    return judged(
        **words,
        formula="units x reads x ((13 + 2 n) x 11 / baud + silences + turnaround)",
        numbers={
            "units": len(units),
            "registers": facts.registers,
            "baud": facts.baud,
            "turnaround_ms": turnaround * 1000.0,
        },
        value=len(units) * each,
        relation="<=",
        limit=facts.poll_s * profile.value("bus_use"),
        unit="s",
        near=0.2,
        source=f"Modbus over serial line, at most 125 registers a read; {profile.source('bus_use')}",
        change=f"Poll every {len(units) * each / profile.value('bus_use'):.0f} s or slower, "
        "raise the line rate, or read fewer registers.",
        note="Turnaround of 50 ms assumed." if facts.turnaround_ms is None else "",
        worst="fail",
    )
