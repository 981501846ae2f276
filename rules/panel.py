"""From the long canonical frame to arrays: days x slots x inputs.

Everything above works on a :class:`Panel`: whole local solar days on a regular
grid, one column per input of the site. Days logged at different steps, or with
another phase of their stamps, go to different panels.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from collectors.columns import STATE_CODES
from collectors.site import SiteDescription
from rules.dcpower import completed_power
from rules.ranks import F32
from rules.timegrid import DayGrid, lit_slots, step_and_phase

SECONDS_PER_DEGREE: Final = 240.0
#: Days handled at once: bounds the memory, whatever the length of the record.
BATCH_DAYS: Final = 31
#: No input, unit or counter of a roof reads beyond this in any unit.
_ABSURD: Final = 1e10
#: More than a meter's offset, W: such a slot is looked at by day or night.
_SOME_W: Final = 1.0
_UNIT_COLUMNS: Final = ("ac_voltage_v", "ac_frequency_hz", "ac_power_w", "temperature_c", "signal_dbm")


@dataclass(frozen=True)
class Panel:
    """Telemetry of whole days on one grid.

    Attributes
    ----------
    days : int64[D], solar day numbers, ascending.
    step_s : grid step, s.
    ts : int64[D, K], UTC epoch seconds of each slot.
    covered : bool[D, K], slots inside the span of the record.
    power_w, voltage_v, current_a : float32[D, K, N], NaN where not reported.
    energy_wh : float64[D, K, N], lifetime counter.
    ac_voltage_v, ac_frequency_hz, ac_power_w, temperature_c, signal_dbm : float32[D, K, U].
    state : int8[D, K, U], code of :data:`collectors.columns.STATES`, -1 none.
    present : bool[D, K, N], a row exists for this input and slot.
    measured : bool[D, K, N], power or voltage was reported itself, not derived from a counter.
    day : slots from the first to the last with light or power on any of the days.
    """

    site: SiteDescription
    days: NDArray[np.int64]
    step_s: int
    ts: NDArray[np.int64]
    covered: NDArray[np.bool_]
    power_w: F32
    voltage_v: F32
    current_a: F32
    energy_wh: NDArray[np.float64]
    ac_voltage_v: F32
    ac_frequency_hz: F32
    ac_power_w: F32
    temperature_c: F32
    signal_dbm: F32
    state: NDArray[np.int8]
    present: NDArray[np.bool_]
    measured: NDArray[np.bool_]
    day: slice

    @property
    def hours(self) -> float:
        """Length of a slot, h."""
        return self.step_s / 3600.0

    def daytime(self) -> Panel:
        """The slots of :attr:`day` only; arrays are views."""
        return replace(
            self, day=slice(0, self.day.stop - self.day.start),
            **{name: getattr(self, name)[:, self.day] for name in _BY_SLOT},
        )  # fmt: skip


_BY_SLOT = ("ts", "covered", "power_w", "voltage_v", "current_a", "energy_wh", "ac_voltage_v", "ac_frequency_hz",
            "ac_power_w", "temperature_c", "signal_dbm", "state", "present", "measured")  # fmt: skip


def day_offset(site: SiteDescription) -> int:
    """Seconds to add to UTC to get local mean solar time."""
    return round(site.site.longitude * SECONDS_PER_DEGREE)


def build_panels(
    site: SiteDescription,
    telemetry: pd.DataFrame,
    span: tuple[int, int] | None = None,
    days: Sequence[int] | None = None,
    trim: bool = False,
) -> Iterator[Panel]:
    """Yield the panels of a canonical telemetry frame, oldest day first.

    Parameters
    ----------
    span : first and last UTC second for which the record exists; silence inside
        it is a gap, outside it is merely not recorded. Default: the frame's own.
    days : only these solar days. Default: every day of the span.
    trim : leave out the slots before and after which no day of the panel has
        light or a row, so that nothing is computed of an unrecorded night.
    """
    offset = day_offset(site)
    ts = telemetry["ts"].to_numpy(np.int64)
    if span is None:
        if not len(ts):
            return
        span = (int(ts.min()), int(ts.max()))
    if days is None:
        wanted = np.arange((span[0] + offset) // 86400, (span[1] + offset) // 86400 + 1)
    else:
        wanted = np.unique(np.asarray(days, np.int64))
    if not len(wanted):
        return
    input_of = _input_of_rows(site, telemetry)
    step, phase = step_and_phase(ts, np.floor_divide(ts + offset, 86400), input_of, wanted)
    start = 0
    while start < len(wanted):
        alike = (step[start:] == step[start]) & (phase[start:] == phase[start])
        stop = start + min(int(alike.argmin()) if not alike.all() else len(alike), BATCH_DAYS)
        grid = DayGrid(wanted[start:stop], int(step[start]), int(phase[start]), offset)
        # A row may belong to the day before or after its stamp's day; rounding never moves it further than a step.
        low = np.searchsorted(ts, grid.days[0] * 86400 - offset - grid.step_s, "left")
        high = np.searchsorted(ts, (grid.days[-1] + 1) * 86400 - offset + grid.step_s, "right")
        rows = slice(int(low), int(high))
        yield _filled(site, telemetry.iloc[rows], ts[rows], input_of[rows], grid, span, trim)
        start = stop


def _input_of_rows(site: SiteDescription, telemetry: pd.DataFrame) -> NDArray[np.int64]:
    """Position in ``site.inputs`` of every row; -1 for inputs the site does not list."""
    unit = telemetry["unit"]
    if isinstance(unit.dtype, pd.CategoricalDtype):
        codes, names = unit.cat.codes.to_numpy(), unit.cat.categories
    else:
        codes, names = pd.factorize(unit)
    number = telemetry["input"].to_numpy(np.int64)
    top = max((ref.input for ref in site.inputs), default=0)
    table = np.full((len(names) + 1, top + 2), -1, np.int64)
    code_of = {str(name): code for code, name in enumerate(names)}
    for ref in site.inputs:
        if ref.unit in code_of:
            table[code_of[ref.unit], ref.input] = ref.index
    return table[codes, np.clip(number, 0, top + 1)]


@dataclass(frozen=True)
class _Rows:
    """Rows of a frame that have a place in arrays by slot.

    Attributes
    ----------
    frame : the canonical frame.
    row : int64[R], which of its rows.
    at_input, at_unit : int64[R], their places in flat arrays of [D, K, N] and [D, K, U].
    by_input, by_unit : those shapes.
    """

    frame: pd.DataFrame
    row: NDArray[np.int64]
    at_input: NDArray[np.int64]
    at_unit: NDArray[np.int64]
    by_input: tuple[int, int, int]
    by_unit: tuple[int, int, int]

    def of_inputs(self, name: str, dtype: type = np.float32) -> NDArray[Any]:
        """A column of the frame, [D, K, N]; NaN where not reported."""
        return self._spread(name, self.at_input, self.by_input, dtype)

    def of_units(self, name: str) -> NDArray[Any]:
        """A column of the frame that is the unit's, [D, K, U]; NaN where not reported."""
        return self._spread(name, self.at_unit, self.by_unit, np.float32)

    def _spread(self, name: str, at: NDArray[np.int64], shape: tuple[int, int, int], dtype: type) -> NDArray[Any]:
        out: NDArray[Any] = np.full(shape, np.nan, dtype)
        if name in self.frame.columns:
            values = self.frame[name].to_numpy(np.float64)
            values = values if self.row.size == values.size else values[self.row]
            good = np.abs(values) < _ABSURD
            if good.all():
                out.reshape(-1)[at] = values
            else:
                out.reshape(-1)[at[good]] = values[good]
        return out

    def states(self) -> NDArray[np.int8]:
        """Code of the units' states, [D, K, U], -1 none."""
        out = np.full(self.by_unit, -1, np.int8)
        if "state" in self.frame.columns:
            codes = _state_codes(self.frame["state"].iloc[self.row])
            out.reshape(-1)[self.at_unit[codes >= 0]] = codes[codes >= 0]
        return out

    def present(self) -> NDArray[np.bool_]:
        """Whether there is a row, [D, K, N]."""
        out = np.zeros(self.by_input, np.bool_)
        out.reshape(-1)[self.at_input] = True
        return out


def _filled(
    site: SiteDescription,
    frame: pd.DataFrame,
    ts: NDArray[np.int64],
    input_of: NDArray[np.int64],
    grid: DayGrid,
    span: tuple[int, int],
    trim: bool,
) -> Panel:
    """The panel of the grid's days from a frame's rows; ``ts`` and ``input_of`` (-1 unknown) are [R]."""
    unit_of = np.array([ref.unit_index for ref in site.inputs])
    stamps, (day, slot, fits) = grid.stamps(), grid.place(ts)
    row = np.flatnonzero(fits & (input_of >= 0))
    day, slot, input_of = day[row], slot[row], input_of[row]
    lit = lit_slots(site, grid.days, grid.slots)
    if trim:
        low, high = _slots_in_use(slot, lit, grid)
        stamps, slot = stamps[:, low:high], slot - low
        lit = (lit[0] - low, lit[1] - low)
    days, slots = stamps.shape
    inputs, units = len(site.inputs), len(site.units)
    at = day * slots + slot
    rows = _Rows(frame, row, at * inputs + input_of, at * units + unit_of[input_of], (days, slots, inputs), (days, slots, units))
    told = rows.of_inputs("dc_power_w")
    voltage, current = rows.of_inputs("dc_voltage_v"), rows.of_inputs("dc_current_a")
    energy = rows.of_inputs("energy_total_wh", np.float64)
    unit_columns = {name: rows.of_units(name) for name in _UNIT_COLUMNS}
    power = completed_power(told, voltage, current, energy, unit_columns["ac_power_w"], unit_of, grid.step_s)
    making = np.flatnonzero((power > _SOME_W).any(axis=(0, 2)))
    if making.size:
        lit = (min(lit[0], int(making[0]) - 1), max(lit[1], int(making[-1]) + 2))
    return Panel(
        site=site,
        days=grid.days,
        step_s=grid.step_s,
        ts=stamps,
        covered=(stamps >= span[0] - grid.step_s) & (stamps <= span[1] + grid.step_s // 2),
        power_w=power,
        voltage_v=voltage,
        current_a=current,
        energy_wh=energy,
        state=rows.states(),
        present=rows.present(),
        measured=np.isfinite(told) | np.isfinite(voltage),
        day=slice(max(lit[0], 0), min(lit[1], slots)),
        **unit_columns,
    )


def _slots_in_use(slot: NDArray[np.int64], lit: tuple[int, int], grid: DayGrid) -> tuple[int, int]:
    """First slot of a day with light or, within an hour, a row; and the one after the last."""
    low, high = lit
    if slot.size:
        hour = -(-3600 // grid.step_s)
        low, high = min(low, int(slot.min()) - hour), max(high, int(slot.max()) + 1 + hour)
    return max(low, 0), min(high, grid.slots)


def _state_codes(states: pd.Series) -> NDArray[np.int8]:
    """Code of each state, [R], -1 for an unknown one."""
    codes, names = pd.factorize(states)
    table = np.array([STATE_CODES.get(str(name), -1) for name in names] + [-1], np.int8)
    return table[codes]
