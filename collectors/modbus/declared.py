"""Registers of a declared map to canonical columns."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from collectors.columns import INPUT_COLUMNS, UNIT_COLUMNS, WEATHER_COLUMNS
from collectors.modbus.plan import Span
from collectors.modbus.reading import Decoded, Floats
from collectors.modbus.regmap import MapPoint, RegisterMap
from collectors.modbus.types import TYPES, Words, decode_bits, decode_number, decode_text

#: Gives the registers of one span for all units of a stack, shape ``[U, count]``.
Fetch = Callable[[Span], Words]
#: Seconds since 1970 that a clock can show: 2000 to 2100. Common practice.
_CLOCK_RANGE = (946_684_800.0, 4_102_444_800.0)


def serial_span(regmap: RegisterMap) -> tuple[MapPoint, Span] | None:
    """Where a map keeps the unit's serial, if it does."""
    for p in regmap.points:
        if p.point == "serial":
            return p, Span(regmap.function_of(p), regmap.address(p, 1), p.words)
    return None


def decode_serial(regmap: RegisterMap, point: MapPoint, words: Words) -> str:
    """Text, or a number in decimal, as a serial; "" if not reported."""
    byte_order = point.byte_order or regmap.byte_order
    if point.type not in TYPES:
        return decode_text(words, byte_order=byte_order)
    value = float(_number(regmap, point, words))
    return f"{value:.0f}" if np.isfinite(value) else ""


def decode_declared(regmap: RegisterMap, serials: Sequence[str], fetch: Fetch) -> Decoded:
    """Decode units of one map together; ``serials`` has one entry per unit, U in all."""
    units, inputs = len(serials), regmap.inputs
    out = Decoded()
    per_input: dict[str, Floats] = {}
    per_unit: dict[str, Floats] = {}
    states: list[str | None] = [None] * units
    alarms: dict[str, set[str]] = {serial: set() for serial in serials}
    span = np.full((units, max(inputs, 1)), np.inf)
    for p in regmap.points:
        if p.point == "serial":
            continue
        words = _stack(regmap, p, fetch)
        if p.point == "alarm_bits":
            _alarms(regmap, p, words, serials, alarms)
            continue
        values = _number(regmap, p, words)
        if p.point in INPUT_COLUMNS:
            full = per_input.setdefault(p.point, np.full((units, inputs), np.nan))
            full[:, : p.inputs] = values
            if p.point == "energy_total_wh" and "float" not in p.type:
                span[:, : p.inputs] = 2.0 ** (16 * p.words) * abs(p.scale)
        elif p.point == "state":
            states = [p.states.get(int(v)) if np.isfinite(v) else None for v in values[:, 0]]
        elif p.point in UNIT_COLUMNS:
            per_unit[p.point] = values[:, 0]
        elif p.point in WEATHER_COLUMNS:
            known = values[np.isfinite(values)]
            if known.size:
                out.weather[p.point] = float(known[0])
        elif p.point == "clock_s":
            low, high = _CLOCK_RANGE
            out.clocks |= {s: float(v) for s, v in zip(serials, values[:, 0], strict=True) if low < v < high}
    out.alarms = {serial: frozenset(texts) for serial, texts in alarms.items()}
    if not inputs:
        return out
    if "dc_voltage_v" in per_input and "dc_current_a" in per_input:
        with np.errstate(over="ignore", invalid="ignore"):
            product = per_input["dc_voltage_v"] * per_input["dc_current_a"]
        power = per_input.get("dc_power_w", product)
        per_input["dc_power_w"] = np.where(np.isnan(power), product, power)
    out.unit = [serial for serial in serials for _ in range(inputs)]
    out.input = list(range(1, inputs + 1)) * units
    out.columns = {name: values.ravel() for name, values in per_input.items()}
    out.columns |= {name: np.repeat(values, inputs) for name, values in per_unit.items()}
    out.states = [state for state in states for _ in range(inputs)]
    out.span_wh = span.ravel()
    return out


def _stack(regmap: RegisterMap, point: MapPoint, fetch: Fetch) -> Words:
    """Registers of a point, shape ``[U, inputs of the point, words]``."""
    function = regmap.function_of(point)
    parts = [fetch(Span(function, regmap.address(point, k), point.words)) for k in range(1, point.inputs + 1)]
    return np.stack(parts, axis=1)


def _number(regmap: RegisterMap, point: MapPoint, words: Words) -> Floats:
    raw = decode_number(
        point.type,
        words,
        sentinels=point.missing,
        word_order=point.word_order or regmap.word_order,
        byte_order=point.byte_order or regmap.byte_order,
    )
    if point.point == "state":
        return raw
    # A float from the wire may be huge; then the product is inf, which the reading drops.
    with np.errstate(over="ignore", invalid="ignore"):
        return raw * point.scale + point.offset


def _alarms(regmap: RegisterMap, point: MapPoint, words: Words, serials: Sequence[str], alarms: dict[str, set[str]]) -> None:
    raw = _number(regmap, point, words)
    kind = {1: "uint16", 2: "uint32", 4: "uint64"}[point.words]
    bits: NDArray[np.int64] = decode_bits(
        kind,
        words,
        word_order=point.word_order or regmap.word_order,
        byte_order=point.byte_order or regmap.byte_order,
    )
    for unit, k in np.argwhere(np.isfinite(raw)):
        where = f"input {k + 1}: " if point.inputs > 1 else ""
        for bit, text in point.bits.items():
            if int(bits[unit, k]) >> bit & 1 and bits[unit, k] != -1:
                alarms[serials[unit]].add(where + text)
