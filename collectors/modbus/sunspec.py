"""SunSpec models to canonical columns.

Per input: model 714 (ports of type PV), else 160, else the DC side of the
inverter model of a unit with one input; there the AC counter stands in for the
input's, which differ by the conversion loss. Per unit: model 701, else 101-103
or 111-113. DC power that is not reported is voltage times current.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from collectors.modbus.chain import Block, Device
from collectors.modbus.models import Decoded as ModelValues
from collectors.modbus.models import (
    ModelPoint,
    decode_model,
    event_table,
    models,
    needed,
    state_table,
    text_point,
)
from collectors.modbus.plan import HOLDING, Span
from collectors.modbus.reading import Decoded, Floats
from collectors.modbus.types import Words, scale_by

_INVERTER: Final = (101, 102, 103, 111, 112, 113)
_DER_AC: Final = 701
_DER_DC: Final = 714
_MPPT: Final = 160
_WEATHER: Final = (302, 303, 306, 307)
_LOCATION: Final = 305
_SPLIT_PHASE_MODELS = (102, 112)
_SPLIT_PHASE_WIRING = 1
_PV_PORT = 0
_PORT_ERROR = 3
_INPUT_FAULT = 7


def _names(text: str) -> frozenset[str]:
    return frozenset(text.split())


#: Points that a poll needs, by model; scale factors come along.
_NEEDED: Final[Mapping[int, frozenset[str]]] = {
    **dict.fromkeys(
        _INVERTER,
        _names("PPVphAB PhVphA PhVphB PhVphC W Hz WH DCA DCV DCW TmpCab TmpSnk TmpTrns TmpOt St Evt1"),
    ),
    _DER_AC: _names("ACType InvSt Alrm W LLV LNV VL1 Hz TotWhInj TmpCab TmpSnk TmpTrns TmpSw TmpOt"),
    _MPPT: _names("Evt N DCA DCV DCW DCWH Tms Tmp DCSt DCEvt"),
    _DER_DC: _names("NPrt PrtTyp DCA DCV DCW DCWhInj DCWhAbs Tmp DCSta DCAlrm"),
    302: _names("GHI POAI DFI DNI"),
    303: _names("TmpBOM"),
    305: _names("Tm Date"),
    306: _names("GHI"),
    307: _names("TmpAmb WndSpd"),
}
_POWER_OF_COUNTER = {"acc32": 2.0**32, "uint64": np.inf, "float32": np.inf}
#: 2000-01-01T00:00:00Z, from which SunSpec timestamps count (from memory).
_EPOCH_2000 = 946_684_800


@dataclass(frozen=True)
class Layout:
    """What makes two devices decode alike: the models in use and where they stand."""

    blocks: tuple[Block, ...]

    @property
    def key(self) -> tuple[tuple[int, int], ...]:
        return tuple((b.model, b.length) for b in self.blocks)


def layout_of(device: Device) -> Layout:
    """The blocks of a device that a poll decodes."""
    der_ac, inverter = device.block(_DER_AC), device.block(*_INVERTER)
    der_dc, mppt = device.block(_DER_DC), device.block(_MPPT)
    # The inverter model stays for its DC side where no model lists inputs.
    chosen = [der_ac or inverter, der_dc or mppt or inverter, device.block(_LOCATION)]
    chosen += [b for b in device.blocks if b.model in _WEATHER]
    return Layout(tuple(dict.fromkeys(b for b in chosen if b is not None)))


def input_count(device: Device) -> int:
    """Inputs a device shows: repeats of model 714 or 160, else 1 for an inverter."""
    block = device.block(_DER_DC) or device.block(_MPPT)
    if block is not None:
        return models()[block.model].repeats(block.length)
    return 1 if device.block(*_INVERTER, _DER_AC) else 0


def spans_of(block: Block) -> list[Span]:
    """Spans of one block that a poll reads: its needed points and their scale factors."""
    model = models()[block.model]
    names = _NEEDED[block.model]
    repeated = needed(model.repeat, names)
    scales = {str(model.repeat[name].scale) for name in repeated}
    fixed = needed(model.points, names, (*scales, model.repeat_count or ""))
    spans = [
        Span(HOLDING, block.address + p.offset, p.size) for p in model.points.values() if p.name in fixed and p.end <= block.size
    ]
    for k in range(model.repeats(block.length)):
        start = block.address + model.fixed_size + k * model.repeat_size
        spans += [Span(HOLDING, start + p.offset, p.size) for p in model.repeat.values() if p.name in repeated]
    return spans


def decode_stack(layout: Layout, serials: Sequence[str], words: Mapping[Block, Words]) -> Decoded:
    """Decode devices of one layout together.

    Parameters
    ----------
    serials : one per device, U in all.
    words : per block of ``layout``, registers from its ID word on, shape ``[U, L + 2]``.
    """
    values = {b: decode_model(models()[b.model], words[b], _NEEDED[b.model]) for b in layout.blocks}
    out = Decoded()
    alarms: dict[str, set[str]] = {serial: set() for serial in serials}
    ac = next((b for b in layout.blocks if b.model == _DER_AC or b.model in _INVERTER), None)
    dc = next((b for b in layout.blocks if b.model in (_DER_DC, _MPPT)), None)
    dc = dc or next((b for b in layout.blocks if b.model in _INVERTER), None) or ac
    unit_columns, states = _ac_side(ac, values, len(serials))
    if ac is not None:
        field, table = ("Alrm", "der_ac") if ac.model == _DER_AC else ("Evt1", "inverter")
        _collect(alarms, serials, values[ac].fixed[field], table)
    if dc is not None:
        _dc_side(out, dc, values[dc], serials, unit_columns, states, alarms)
    _weather(out, layout, values)
    _clocks(out, layout, values, words, serials)
    out.alarms = {serial: frozenset(texts) for serial, texts in alarms.items()}
    return out


def _ac_side(ac: Block | None, values: Mapping[Block, ModelValues], units: int) -> tuple[dict[str, Floats], list[str | None]]:
    if ac is None:
        return {}, [None] * units
    v = values[ac].fixed
    if ac.model == _DER_AC:
        split = v["ACType"] == _SPLIT_PHASE_WIRING
        voltage = _first(np.where(split, v["LLV"], v["LNV"]), v["LNV"], v["VL1"], v["LLV"])
        temperature = _first(v["TmpCab"], v["TmpSnk"], v["TmpTrns"], v["TmpSw"], v["TmpOt"])
        raw, table = v["InvSt"], state_table("der_ac")
    else:
        phases = _mean_of(v["PhVphA"], v["PhVphB"], v["PhVphC"])
        split_phase = ac.model in _SPLIT_PHASE_MODELS
        voltage = _first(v["PPVphAB"], phases) if split_phase else _first(phases, v["PPVphAB"])
        temperature = _first(v["TmpCab"], v["TmpSnk"], v["TmpTrns"], v["TmpOt"])
        raw, table = v["St"], state_table("inverter")
    columns = {
        "ac_voltage_v": voltage,
        "ac_frequency_hz": v["Hz"],
        "ac_power_w": v["W"],
        "temperature_c": temperature,
    }
    return columns, [table.get(int(s)) if np.isfinite(s) else None for s in raw]


def _dc_side(
    out: Decoded,
    dc: Block,
    values: ModelValues,
    serials: Sequence[str],
    unit_columns: Mapping[str, Floats],
    states: Sequence[str | None],
    alarms: dict[str, set[str]],
) -> None:
    model = models()[dc.model]
    v: dict[str, NDArray[Any]]
    if not model.repeat:
        energy_name = "TotWhInj" if dc.model == _DER_AC else "WH"
        unknown = np.full(len(serials), np.nan)
        names = ("DCA", "DCV", "DCW", energy_name)
        v = {name: values.fixed.get(name, unknown)[:, np.newaxis] for name in names}
        energy, counter = v[energy_name], model.points[energy_name]
        shown = np.ones((len(serials), 1), dtype=bool)
    elif not values.repeat:
        return
    else:
        v = dict(values.repeat)
        counted = values.fixed[str(model.repeat_count)][:, np.newaxis]
        room = np.arange(v["DCV"].shape[1])[np.newaxis, :]
        shown = room < np.where(np.isfinite(counted), counted, room.size)
        if dc.model == _DER_DC:
            energy, counter = _first(v["DCWhInj"], v["DCWhAbs"]), model.repeat["DCWhInj"]
            shown = shown & ((v["PrtTyp"] == _PV_PORT) | np.isnan(v["PrtTyp"]))
            bits, faulty = v["DCAlrm"], v["DCSta"] == _PORT_ERROR
        else:
            energy, counter = v["DCWH"], model.repeat["DCWH"]
            bits, faulty = v["DCEvt"], v["DCSt"] == _INPUT_FAULT
            _collect(alarms, serials, values.fixed["Evt"], "dc_input")
        numbers = np.where(shown, np.cumsum(shown, axis=1), 0)
        _collect(alarms, serials, bits, "dc_input", numbers)
        for unit, k in np.argwhere(faulty & shown):
            alarms[serials[unit]].add(f"input {numbers[unit, k]}: state fault")
    power = _first(v["DCW"], v["DCV"] * v["DCA"])
    inputs = np.cumsum(shown, axis=1)
    kept = shown.ravel()
    rows = np.repeat(np.arange(len(serials)), shown.shape[1])[kept]
    span = _span_wh(counter, values, shown.shape)
    out.unit = [serials[r] for r in rows]
    out.input = [int(i) for i in inputs.ravel()[kept]]
    out.columns = {
        "dc_voltage_v": v["DCV"].ravel()[kept],
        "dc_current_a": v["DCA"].ravel()[kept],
        "dc_power_w": power.ravel()[kept],
        "energy_total_wh": energy.ravel()[kept],
        **{name: column[rows] for name, column in unit_columns.items()},
    }
    out.states = [states[r] for r in rows]
    out.span_wh = span.ravel()[kept]


def _span_wh(counter: ModelPoint, values: ModelValues, shape: tuple[int, ...]) -> Floats:
    """Energy at which the counter wraps: its span in counts times its scale factor."""
    size = _POWER_OF_COUNTER[counter.kind]
    if not np.isfinite(size) or not isinstance(counter.scale, str):
        return np.full(shape, np.inf)
    span = scale_by(np.array(size), values.fixed[counter.scale])
    return np.broadcast_to(np.where(np.isnan(span), np.inf, span)[:, np.newaxis], shape).copy()


def _weather(out: Decoded, layout: Layout, values: Mapping[Block, ModelValues]) -> None:
    names = {
        302: {"GHI": "ghi_w_m2", "POAI": "poa_w_m2", "DFI": "dhi_w_m2", "DNI": "dni_w_m2"},
        303: {"TmpBOM": "temp_module_c"},
        # Model 306's other points have no usable unit in the definition.
        306: {"GHI": "ghi_w_m2"},
        307: {"TmpAmb": "temp_air_c", "WndSpd": "wind_m_s"},
    }
    for block in layout.blocks:
        for name, column in names.get(block.model, {}).items():
            decoded = {**values[block].fixed, **values[block].repeat}
            found = np.ravel(decoded.get(name, np.zeros(0)))
            found = found[np.isfinite(found)]
            if found.size:
                out.weather.setdefault(column, float(found[0]))


def _clocks(
    out: Decoded,
    layout: Layout,
    values: Mapping[Block, ModelValues],
    words: Mapping[Block, Words],
    serials: Sequence[str],
) -> None:
    for block in layout.blocks:
        if block.model == _LOCATION:
            model = models()[_LOCATION]
            for serial, row in zip(serials, words[block], strict=True):
                clock = _utc(text_point(model, "Date", row), text_point(model, "Tm", row))
                if clock is not None:
                    out.clocks[serial] = clock
        elif block.model == _MPPT and "Tms" in values[block].repeat:
            stamps = values[block].repeat["Tms"]
            seen = np.max(np.where(np.isfinite(stamps), stamps, 0.0), axis=1)
            for u in np.flatnonzero(seen > 0):
                out.clocks.setdefault(serials[int(u)], float(seen[u]) + _EPOCH_2000)


def _utc(date: str, time: str) -> float | None:
    try:
        day = datetime.strptime(date, "%Y%m%d")
        clock = datetime.strptime(time[:6], "%H%M%S")
    except ValueError:
        return None
    return day.replace(hour=clock.hour, minute=clock.minute, second=clock.second, tzinfo=UTC).timestamp()


def _collect(
    alarms: dict[str, set[str]],
    serials: Sequence[str],
    bits: NDArray[np.int64],
    table: str,
    numbers: NDArray[np.int64] | None = None,
) -> None:
    """Texts of the bits that are set, ``[U]``; or ``[U, N]`` with the inputs' ``numbers`` (0: not shown)."""
    texts = event_table(table)
    for index in np.argwhere(bits > 0):
        number = 0 if numbers is None else int(numbers[tuple(index)])
        if numbers is not None and not number:
            continue
        where = f"input {number}: " if number else ""
        word = int(bits[tuple(index)])
        for bit in range(word.bit_length()):
            if word >> bit & 1:
                alarms[serials[index[0]]].add(where + texts.get(bit, f"event bit {bit}"))


def _first(*choices: NDArray[Any]) -> Floats:
    """The first choice that is reported, element by element."""
    value = np.asarray(choices[0], dtype=np.float64)
    for other in choices[1:]:
        value = np.where(np.isnan(value), other, value)
    return value


def _mean_of(*phases: Floats) -> Floats:
    stack = np.stack(phases)
    known = np.isfinite(stack)
    count = known.sum(axis=0)
    return np.where(count > 0, np.where(known, stack, 0.0).sum(axis=0) / np.maximum(count, 1), np.nan)
