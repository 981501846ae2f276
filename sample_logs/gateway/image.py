"""The register image of a simulated unit, as SunSpec models."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from collectors.modbus.chain import MARKER
from collectors.modbus.models import END_MODEL, ModelPoint, models
from collectors.modbus.types import TEXT, encode_number, encode_text

Value = float | str | None
Values = Mapping[str, Value]

#: Which models each flavour of device shows after the common one.
FLAVOURS: Final[Mapping[str, tuple[int, int]]] = {
    "integer": (101, 160),
    "float": (111, 160),
    "der": (701, 714),
}
_STATES_FROM_1 = {"off": 1, "starting": 3, "producing": 4, "fault": 7, "standby": 8}
_STATES_FROM_0 = {"off": 0, "starting": 2, "producing": 3, "fault": 6, "standby": 7}


@dataclass(frozen=True)
class InputState:
    """One input at one time; None is not reported."""

    voltage_v: float | None
    current_a: float | None
    power_w: float | None
    energy_wh: float | None


@dataclass(frozen=True)
class UnitState:
    """One unit at one time; None is not reported."""

    serial: str
    inputs: tuple[InputState, ...]
    ac_voltage_v: float | None = None
    ac_frequency_hz: float | None = None
    ac_power_w: float | None = None
    temperature_c: float | None = None
    state: str | None = None


def encode_model(model_id: int, values: Values, repeats: Sequence[Values] = ()) -> list[int]:
    """Registers of one model from ID on; points not given are "not implemented".

    Values are in the model's own unit: scale factors given in ``values`` are applied.
    """
    model = models()[model_id]
    words = [model_id, model.length(len(repeats))]
    for point in model.points.values():
        words += _point(point, values, values)
    for repeat in repeats:
        for point in model.repeat.values():
            words += _point(point, repeat, values)
    return words


def _point(point: ModelPoint, values: Values, factors: Values) -> list[int]:
    value = values.get(point.name)
    if point.kind == TEXT:
        return encode_text(str(value or ""), point.size)
    if not isinstance(value, (int, float)) or not np.isfinite(value):
        return encode_number(point.kind, None)
    if point.scale is not None:
        power = point.scale if isinstance(point.scale, int) else float(factors[point.scale] or 0)
        value = value / 10.0**power
    return encode_number(point.kind, value if point.kind.startswith("float") else round(value))


def encode_map(parts: Sequence[Sequence[int]], *, end_length: bool = True) -> list[int]:
    """Marker, models and end model; some devices leave out the end model's length."""
    words = [*MARKER]
    for part in parts:
        words += part
    return [*words, END_MODEL, 0] if end_length else [*words, END_MODEL]


def unit_image(unit: UnitState, flavour: str = "integer", *, rated_va: float | None = None) -> list[int]:
    """Registers of a whole simulated unit."""
    ac_model, dc_model = FLAVOURS[flavour]
    common: Values = {
        "Mn": "Simulated",
        "Md": f"{len(unit.inputs)}-input unit",
        "Vr": "1.0",
        "SN": unit.serial,
        "DA": 1.0,
    }
    ratings: Values = {"DERTyp": 4.0, "WRtg": rated_va, "WRtg_SF": 0.0, "VARtg": rated_va, "VARtg_SF": 0.0}
    ac = _ac_values(unit, der=flavour == "der")
    count = "NPrt" if flavour == "der" else "N"
    scales = {"DCA_SF": -2.0, "DCV_SF": -1.0, "DCW_SF": -1.0, "DCWH_SF": -1.0}
    dc: Values = {**scales, count: float(len(unit.inputs)), "Evt": 0.0}
    one = _port if flavour == "der" else _module
    inputs = [one(k, state) for k, state in enumerate(unit.inputs, 1)]
    return encode_map(
        [
            encode_model(1, common),
            encode_model(ac_model, ac),
            encode_model(120, ratings),
            encode_model(dc_model, dc, inputs),
        ]
    )


def _ac_values(unit: UnitState, *, der: bool) -> dict[str, Value]:
    values: dict[str, Value] = {
        "W": unit.ac_power_w,
        "Hz": unit.ac_frequency_hz,
        "TmpCab": unit.temperature_c,
        **dict.fromkeys(("A_SF", "V_SF", "W_SF", "Tmp_SF"), -1.0),
    }
    if der:
        state = _STATES_FROM_0.get(unit.state or "")
        return values | {"ACType": 0.0, "LNV": unit.ac_voltage_v, "InvSt": state, "Alrm": 0.0, "Hz_SF": -3.0}
    state = _STATES_FROM_1.get(unit.state or "")
    zeros: dict[str, Value] = dict.fromkeys(("Evt1", "Evt2", "WH_SF"), 0.0)
    return values | {"PhVphA": unit.ac_voltage_v, "St": state, "Hz_SF": -2.0, **zeros}


def _module(number: int, state: InputState) -> dict[str, Value]:
    return {
        "ID": float(number),
        "IDStr": f"Input {number}",
        "DCV": state.voltage_v,
        "DCA": state.current_a,
        "DCW": state.power_w,
        "DCWH": state.energy_wh,
        "DCEvt": 0.0,
    }


def _port(number: int, state: InputState) -> dict[str, Value]:
    return {
        "PrtTyp": 0.0,
        "ID": float(number),
        "IDStr": f"Input {number}",
        "DCV": state.voltage_v,
        "DCA": state.current_a,
        "DCW": state.power_w,
        "DCWhInj": state.energy_wh,
        "DCSta": 1.0,
        "DCAlrm": 0.0,
    }
