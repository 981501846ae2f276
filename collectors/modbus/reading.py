"""What one poll of a gateway gives: canonical columns, weather, alarms, clocks, and who did not answer."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from collectors.columns import (
    INPUT_COLUMNS,
    TELEMETRY_COLUMNS,
    UNIT_COLUMNS,
    WEATHER_COLUMNS,
)

Floats = NDArray[np.float64]

#: Values outside these bounds are not measurements and become NaN. Common practice: twice what
#: module-level equipment can see, so that only nonsense is dropped.
POSSIBLE: Final[Mapping[str, tuple[float, float]]] = {
    "dc_voltage_v": (-5.0, 1500.0),
    "dc_current_a": (-5.0, 100.0),
    "dc_power_w": (-50.0, 10_000.0),
    "energy_total_wh": (0.0, 1e12),
    "ac_voltage_v": (0.0, 1000.0),
    "ac_frequency_hz": (0.0, 100.0),
    "ac_power_w": (-20_000.0, 20_000.0),
    "temperature_c": (-60.0, 200.0),
    "signal_dbm": (-200.0, 50.0),
    "ghi_w_m2": (-20.0, 2000.0),
    "poa_w_m2": (-20.0, 2000.0),
    "dni_w_m2": (-20.0, 1500.0),
    "dhi_w_m2": (-20.0, 1500.0),
    "temp_air_c": (-60.0, 70.0),
    "temp_module_c": (-60.0, 150.0),
    "wind_m_s": (0.0, 120.0),
}

_NO_WEATHER = pd.DataFrame(
    {"ts": np.zeros(0, np.int64), "plane": pd.array([], dtype="str")} | {name: np.zeros(0) for name in WEATHER_COLUMNS}
)

#: How a unit answered: it did; the gateway answered for it; nothing came; it refused.
Answer = Literal["ok", "gateway-says-gone", "no-reply", "refused"]


@dataclass(frozen=True)
class UnitAnswer:
    """How one unit id answered in one poll; ``serials`` is empty until it was first read."""

    unit_id: int
    answer: Answer
    detail: str = ""
    serials: tuple[str, ...] = ()


@dataclass
class Decoded:
    """What a stack of equal units gives: parts that :func:`combine` joins.

    ``columns`` and ``states`` have one entry per unit and input; ``span_wh`` is
    the energy at which the counter wraps (inf: never).
    """

    unit: list[str] = field(default_factory=list)
    input: list[int] = field(default_factory=list)
    columns: dict[str, Floats] = field(default_factory=dict)
    states: list[str | None] = field(default_factory=list)
    span_wh: Floats = field(default_factory=lambda: np.zeros(0))
    weather: dict[str, float] = field(default_factory=dict)
    alarms: dict[str, frozenset[str]] = field(default_factory=dict)
    #: Device clock, seconds since 1970, by serial.
    clocks: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class GatewayReading:
    """One poll of one gateway, stamped ``ts``.

    ``telemetry`` is a canonical frame; ``span_wh`` runs along its rows.
    ``unreachable`` tells why the gateway itself could not be reached, else "".
    ``rejected`` counts values dropped as impossible, by column.
    """

    ts: int
    telemetry: pd.DataFrame
    span_wh: Floats
    weather: pd.DataFrame
    answers: tuple[UnitAnswer, ...]
    alarms: Mapping[str, frozenset[str]]
    clocks: Mapping[str, float]
    rejected: Mapping[str, int]
    unreachable: str = ""

    @property
    def answered(self) -> int:
        return sum(a.answer == "ok" for a in self.answers)


def combine(
    ts: int, parts: Sequence[Decoded], answers: Sequence[UnitAnswer], plane: str = "", unreachable: str = ""
) -> GatewayReading:
    """Join decoded stacks into one reading; ``plane`` is what plane irradiance belongs to."""
    rejected: dict[str, int] = {}
    units = np.array([u for part in parts for u in part.unit], dtype=object)
    inputs = np.array([i for part in parts for i in part.input], dtype=np.int64)
    order = np.lexsort((inputs, units.astype(str))) if units.size else np.zeros(0, np.int64)
    same = (units[order][1:] == units[order][:-1]) & (inputs[order][1:] == inputs[order][:-1])
    if same.any():
        # Two units with one serial: neither can be told from the other.
        twice = np.append(same, False) | np.append(False, same)
        rejected["serial seen twice"] = int(twice.sum())
        order = order[~twice]
    frame: dict[str, Any] = {
        "ts": np.full(order.size, ts, dtype=np.int64),
        "unit": pd.array(units[order], dtype="str"),
        "input": inputs[order],
    }
    for name in (*INPUT_COLUMNS, *UNIT_COLUMNS):
        if name == "state":
            frame[name] = np.array([s for part in parts for s in part.states], dtype=object)[order]
            continue
        columns = [p.columns.get(name, np.full(len(p.unit), np.nan)) for p in parts]
        values = np.concatenate(columns)[order] if columns else np.zeros(0)
        frame[name] = _possible(name, values, rejected)
    telemetry = pd.DataFrame(frame, columns=list(TELEMETRY_COLUMNS), copy=False)
    span_wh = np.concatenate([p.span_wh for p in parts]) if parts else np.zeros(0)
    alarms: dict[str, frozenset[str]] = {}
    for part in parts:
        for serial, texts in part.alarms.items():
            alarms[serial] = alarms.get(serial, frozenset()) | texts
    return GatewayReading(
        ts=ts,
        telemetry=telemetry,
        span_wh=span_wh[order],
        weather=_weather(ts, parts, plane, rejected),
        answers=tuple(answers),
        alarms=alarms,
        clocks={serial: clock for part in parts for serial, clock in part.clocks.items()},
        rejected=rejected,
        unreachable=unreachable,
    )


def _possible(name: str, values: Floats, rejected: dict[str, int]) -> Floats:
    low, high = POSSIBLE[name]
    wrong = np.isfinite(values) & ((values < low) | (values > high))
    if wrong.any():
        rejected[f"{name} impossible"] = int(wrong.sum())
    return np.where(wrong | ~np.isfinite(values), np.nan, values)


def _weather(ts: int, parts: Sequence[Decoded], plane: str, rejected: dict[str, int]) -> pd.DataFrame:
    """One row without a plane, and one for the plane's irradiance and temperature."""
    values: dict[str, float] = {}
    for part in parts:
        for name, value in part.weather.items():
            checked = _possible(name, np.array([value]), rejected)[0]
            if np.isfinite(checked):
                values.setdefault(name, float(checked))
    of_plane = {k: v for k, v in values.items() if k in ("poa_w_m2", "temp_module_c")}
    if "poa_w_m2" not in of_plane or not plane:
        of_plane = {}
        values.pop("poa_w_m2", None)
    rows: list[dict[str, Any]] = []
    if general := {k: v for k, v in values.items() if k not in of_plane}:
        rows.append({"ts": ts, "plane": "", **general})
    if of_plane:
        rows.append({"ts": ts, "plane": plane, **of_plane})
    if not rows:
        return _NO_WEATHER
    frame = pd.DataFrame(rows, columns=["ts", "plane", *WEATHER_COLUMNS])
    return frame.astype({"ts": "int64", **dict.fromkeys(WEATHER_COLUMNS, "float64")})
