"""What a simulated site does at any time: replayed from a CSV, or a clear day made up from the site file."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Protocol

import numpy as np
import pandas as pd

from collectors.columns import INPUT_COLUMNS, UNIT_COLUMNS
from collectors.site import SiteDescription, Unit
from sample_logs.gateway.image import InputState, UnitState

_DAY_S = 86400
_SECONDS_PER_DEGREE = 240


class Source(Protocol):
    """Tells the state of every unit at a time."""

    def step(self, now: float) -> int:
        """Number of the sample in force at ``now`` (UTC epoch seconds): equal steps, equal states."""

    def present(self, unit: Unit, now: float) -> bool:
        """Whether the unit answers at all; one whose modules are dark says nothing."""

    def state(self, unit: Unit, now: float) -> UnitState: ...


class Replay:
    """Replays canonical telemetry, looping over its span of whole days."""

    def __init__(self, site: SiteDescription, telemetry: pd.DataFrame) -> None:
        self._ts = np.unique(telemetry["ts"].to_numpy(np.int64))
        self.start = int(self._ts[0])
        self._length = max(_DAY_S, math.ceil((self._ts[-1] - self._ts[0] + 1) / _DAY_S) * _DAY_S)
        rows = np.searchsorted(self._ts, telemetry["ts"].to_numpy(np.int64))
        columns = [site.input_index.get(key, -1) for key in zip(telemetry["unit"], telemetry["input"], strict=True)]
        known = np.array(columns) >= 0
        self._values: dict[str, np.ndarray[tuple[int, int], np.dtype[np.float64]]] = {}
        self._present = np.zeros((self._ts.size, len(site.inputs)), dtype=bool)
        self._present[rows[known], np.array(columns)[known]] = True
        for name in (*INPUT_COLUMNS, *(c for c in UNIT_COLUMNS if c != "state")):
            table = np.full((self._ts.size, len(site.inputs)), np.nan)
            if name in telemetry:
                table[rows[known], np.array(columns)[known]] = telemetry[name].to_numpy(np.float64)[known]
            self._values[name] = table
        self._state = np.full((self._ts.size, len(site.inputs)), None, dtype=object)
        if "state" in telemetry:
            self._state[rows[known], np.array(columns)[known]] = telemetry["state"].to_numpy(object)[known]
        self._index = site.input_index

    def step(self, now: float) -> int:
        at = self.start + (now - self.start) % self._length
        return max(0, int(np.searchsorted(self._ts, at, side="right")) - 1)

    def present(self, unit: Unit, now: float) -> bool:
        """Whether the record has the unit at this time."""
        k = self.step(now)
        return any(self._present[k, self._index[unit.serial, i.input]] for i in unit.inputs)

    def state(self, unit: Unit, now: float) -> UnitState:
        k = self.step(now)
        columns = [self._index[unit.serial, i.input] for i in unit.inputs]

        def value(name: str, column: int) -> float | None:
            v = float(self._values[name][k, column])
            return v if np.isfinite(v) else None

        first = columns[0]
        state = self._state[k, first]
        return UnitState(
            unit.serial,
            tuple(InputState(*(value(name, c) for name in INPUT_COLUMNS_IN_ORDER)) for c in columns),
            ac_voltage_v=value("ac_voltage_v", first),
            ac_frequency_hz=value("ac_frequency_hz", first),
            ac_power_w=value("ac_power_w", first),
            temperature_c=value("temperature_c", first),
            state=state if isinstance(state, str) else None,
        )


#: Order of :class:`InputState`'s fields.
INPUT_COLUMNS_IN_ORDER = ("dc_voltage_v", "dc_current_a", "dc_power_w", "energy_total_wh")


class ClearDay:
    """A made-up clear day, every day the same: a half sine from 6 to 18 h local solar time.

    Invented data for a first try without a recording; no model of a real roof.
    """

    step_s = 10

    def __init__(self, site: SiteDescription) -> None:
        self._site = site
        self._peak = {ref.key: 0.8 * (ref.module.pmax_w if ref.module else 400.0) for ref in site.inputs}
        self._vmp = {ref.key: (ref.module.vmp_v if ref.module and ref.module.vmp_v else 34.0) for ref in site.inputs}
        self._offset_s = site.site.longitude * _SECONDS_PER_DEGREE
        self.start = 1_781_222_400  # 2026-06-12T00:00:00Z

    def step(self, now: float) -> int:
        return int(now // self.step_s)

    def present(self, unit: Unit, now: float) -> bool:
        return len(unit.inputs) > 0 and self.step(now) >= 0

    def state(self, unit: Unit, now: float) -> UnitState:
        now = self.step(now) * self.step_s
        day, second = divmod(now + self._offset_s, _DAY_S)
        phase = min(max((second / _DAY_S - 0.25) * 2, 0.0), 1.0)
        light = math.sin(math.pi * phase)
        done = (1 - math.cos(math.pi * phase)) / 2
        inputs = []
        for i in unit.inputs:
            peak, vmp = self._peak[unit.serial, i.input], self._vmp[unit.serial, i.input]
            power = peak * light
            voltage = vmp * (1.08 - 0.08 * light) if light > 0 else 0.0
            # The integral of the half sine over 12 h is peak x 12 h x 2 / pi.
            per_day = peak * 24 / math.pi
            energy = per_day * (day % 3650 + done)
            inputs.append(InputState(voltage, power / voltage if voltage else 0.0, power, energy))
        total = sum(i.power_w or 0.0 for i in inputs)
        return UnitState(
            unit.serial,
            tuple(inputs),
            ac_voltage_v=self._site.grid.nominal_v or 230.0,
            ac_frequency_hz=self._site.grid.nominal_hz or 50.0,
            ac_power_w=0.96 * total,
            temperature_c=20 + 30 * light,
            state="producing" if light > 0 else "standby",
        )


def read_telemetry(path: Path) -> pd.DataFrame:
    """Canonical telemetry CSV (plain or gzip) as a frame with ``ts``."""
    frame = pd.read_csv(path, dtype={"unit": str})
    stamps = pd.to_datetime(frame.pop("timestamp"), utc=True, format="ISO8601")
    frame["ts"] = stamps.astype("datetime64[s, UTC]").astype("int64")
    return frame
