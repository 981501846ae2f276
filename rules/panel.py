"""From the long canonical frame to arrays: days x slots x inputs.

Everything above works on a :class:`Panel`: whole local solar days on a regular
grid, one column per input of the site. Days logged at different steps, or with
another phase of their stamps, go to different panels.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pvlib import solarposition

from collectors.columns import STATE_CODES
from collectors.site import SiteDescription

F32 = NDArray[np.float32]
SECONDS_PER_DEGREE = 240.0
#: Logging steps that divide a day, s. A measured step is taken for the nearest.
STEPS = np.array([60, 120, 180, 240, 300, 360, 600, 720, 900, 1200, 1800, 3600])
#: Days handled at once: bounds the memory, whatever the length of the record.
BATCH_DAYS = 31
#: No input, unit or counter of a roof reads beyond this in any unit.
_ABSURD = 1e10
#: Inputs looked at to learn the step.
_STEP_WITNESSES = 8
#: Nothing of the record is called day while the sun is lower.
_TWILIGHT_DEG = -3.0
#: More than a meter's offset, W: such a slot is looked at by day or night.
_SOME_W = 1.0


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
    columns : names of the columns in which anything was reported.
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
    columns: frozenset[str]
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
    trim : leave out the slots before and after which no day of the panel has
        light or a row, so that nothing is computed of an unrecorded night.
    span : first and last UTC second for which the record exists; silence inside
        it is a gap, outside it is merely not recorded. Default: the frame's own.
    days : only these solar days. Default: every day of the span.
    """
    offset = day_offset(site)
    ts = telemetry["ts"].to_numpy(np.int64)
    if span is None:
        if not len(ts):
            return
        span = (int(ts.min()), int(ts.max()))
    column = _column_of_rows(site, telemetry)
    known = column >= 0
    day = np.floor_divide(ts + offset, 86400)
    wanted = (
        np.arange((span[0] + offset) // 86400, (span[1] + offset) // 86400 + 1)
        if days is None
        else np.unique(np.asarray(days, np.int64))
    )
    if not len(wanted):
        return
    step, phase = _grid_of_days(ts, day, column, wanted)
    unit_of = np.array([ref.unit_index for ref in site.inputs])
    # A slot may belong to the day before or after its stamp's day; rounding never moves it further than a step.
    start = 0
    while start < len(wanted):
        stop = start + 1
        while (
            stop < len(wanted)
            and stop - start < BATCH_DAYS
            and step[stop] == step[start]
            and phase[stop] == phase[start]
        ):
            stop += 1
        batch = wanted[start:stop]
        low = np.searchsorted(ts, batch[0] * 86400 - offset - step[start], "left")
        high = np.searchsorted(ts, (batch[-1] + 1) * 86400 - offset + step[start], "right")
        rows = slice(int(low), int(high))
        yield _fill(
            site, telemetry.iloc[rows], ts[rows], column[rows], known[rows], unit_of,
            batch, int(step[start]), int(phase[start]), span, offset, trim,
        )  # fmt: skip
        start = stop


def _column_of_rows(site: SiteDescription, telemetry: pd.DataFrame) -> NDArray[np.int64]:
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


def _grid_of_days(
    ts: NDArray[np.int64], day: NDArray[np.int64], column: NDArray[np.int64], wanted: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Step and phase, s, of each wanted day: the commonest spacing of an input's rows."""
    counts = np.bincount(column[column >= 0]) if (column >= 0).any() else np.zeros(1, int)
    full = np.flatnonzero(counts >= 0.5 * counts.max())
    chosen = full[np.linspace(0, len(full) - 1, min(_STEP_WITNESSES, len(full))).astype(int)]
    pick = np.isin(column, chosen)
    t, c, d = ts[pick], column[pick], day[pick]
    order = np.lexsort((t, c))
    t, c, d = t[order], c[order], d[order]
    gap = np.diff(t)
    same = (np.diff(c) == 0) & (gap > 0) & (np.diff(d) == 0)
    gap, gap_day = gap[same], d[1:][same]
    kind = np.abs(gap[:, None] - STEPS[None, :]).argmin(axis=1)
    position = np.searchsorted(wanted, gap_day)
    ok = (position < len(wanted)) & (wanted[np.minimum(position, len(wanted) - 1)] == gap_day)
    votes = np.bincount(position[ok] * len(STEPS) + kind[ok], minlength=len(wanted) * len(STEPS))
    votes = votes.reshape(len(wanted), len(STEPS))
    # A day with hardly a row cannot say its own step; the finest common one does no harm.
    few = votes.sum(axis=1) < 6
    total = votes.sum(axis=0)
    best = np.where(few, total.argmax() if total.any() else 4, votes.argmax(axis=1))
    step = STEPS[best]
    phase = np.zeros(len(wanted), np.int64)
    position = np.searchsorted(wanted, d)
    ok = (position < len(wanted)) & (wanted[np.minimum(position, len(wanted) - 1)] == d)
    p, t = position[ok], t[ok]
    angle = 2 * np.pi * (t % step[p]) / step[p]
    s = np.bincount(p, np.sin(angle), len(wanted))
    k = np.bincount(p, np.cos(angle), len(wanted))
    n = np.maximum(np.bincount(p, minlength=len(wanted)), 1)
    steady = np.hypot(s, k) / n > 0.5
    quarter = np.round(np.arctan2(s, k) / (np.pi / 2)).astype(np.int64) % 4
    phase[steady] = (quarter * step // 4)[steady]
    return step, phase


def _fill(
    site: SiteDescription,
    frame: pd.DataFrame,
    ts: NDArray[np.int64],
    column: NDArray[np.int64],
    known: NDArray[np.bool_],
    unit_of: NDArray[np.int64],
    days: NDArray[np.int64],
    step: int,
    phase: int,
    span: tuple[int, int],
    offset: int,
    trim: bool,
) -> Panel:
    slots = 86400 // step
    first_slot = -((-(days * 86400 - offset - phase)) // step)  # ceiling: first slot of each day
    grid = (first_slot[:, None] + np.arange(slots)[None, :]) * step + phase
    q = np.floor_divide(ts - phase + step // 2, step)
    slot_day = np.floor_divide(q * step + phase + offset, 86400)
    at = np.searchsorted(days, slot_day)
    at_safe = np.minimum(at, len(days) - 1)
    k = q - first_slot[at_safe]
    ok = known & (days[at_safe] == slot_day) & (k >= 0) & (k < slots)
    d_n, units = len(days), len(site.units)
    inputs = len(site.inputs)
    row = np.flatnonzero(ok)
    lit = _lit_slots(site, days, slots)
    if trim:
        low, high = lit
        hour = -(-3600 // step)
        if row.size:
            low, high = min(low, int(k[row].min()) - hour), max(high, int(k[row].max()) + 1 + hour)
        low, high = max(low, 0), min(high, slots)
        grid, k, slots = grid[:, low:high], k - low, high - low
        lit = (lit[0] - low, lit[1] - low)
    flat = (at_safe[row] * slots + k[row]) * inputs + column[row]
    flat_unit = (at_safe[row] * slots + k[row]) * units + unit_of[column[row]]
    seen: set[str] = set()

    def scatter(name: str, index: NDArray[np.int64], width: int, dtype: type = np.float32) -> NDArray[Any]:
        out: NDArray[Any] = np.full(d_n * slots * width, np.nan, dtype)
        if name in frame.columns:
            values = frame[name].to_numpy(np.float64)
            values = values if row.size == values.size else values[row]
            good = np.abs(values) < _ABSURD
            if good.all() and good.size:
                seen.add(name)
                out[index] = values
            elif good.any():
                seen.add(name)
                out[index[good]] = values[good]
        return out.reshape(d_n, slots, width)

    power = scatter("dc_power_w", flat, inputs)
    voltage = scatter("dc_voltage_v", flat, inputs)
    current = scatter("dc_current_a", flat, inputs)
    energy = scatter("energy_total_wh", flat, inputs, np.float64)
    state = np.full(d_n * slots * units, -1, np.int8)
    if "state" in frame.columns:
        codes = _state_codes(frame["state"].iloc[row])
        good = codes >= 0
        if good.any():
            seen.add("state")
            state[flat_unit[good]] = codes[good]
    unit_columns = {
        name: scatter(name, flat_unit, units)
        for name in ("ac_voltage_v", "ac_frequency_hz", "ac_power_w", "temperature_c", "signal_dbm")
    }
    present = np.zeros(d_n * slots * inputs, np.bool_)
    present[flat] = True
    measured = np.isfinite(power) | np.isfinite(voltage)
    power = _derive_power(power, voltage, current, energy, unit_columns["ac_power_w"], unit_of, step)
    making = np.flatnonzero((power > _SOME_W).any(axis=(0, 2)))
    if making.size:
        lit = (min(lit[0], int(making[0]) - 1), max(lit[1], int(making[-1]) + 2))
    return Panel(
        site=site,
        days=days,
        step_s=step,
        ts=grid,
        covered=(grid >= span[0] - step) & (grid <= span[1] + step // 2),
        power_w=power,
        measured=measured,
        voltage_v=voltage,
        current_a=current,
        energy_wh=energy,
        state=state.reshape(d_n, slots, units),
        present=present.reshape(d_n, slots, inputs),
        columns=frozenset(seen),
        day=slice(max(lit[0], 0), min(lit[1], slots)),
        **unit_columns,
    )


def _lit_slots(site: SiteDescription, days: NDArray[np.int64], slots: int) -> tuple[int, int]:
    """First slot with light on any of the days, and the one after the last; both with half an hour to spare.

    Declination and equation of time after J. W. Spencer, Search 2(5), 172, 1971
    (``pvlib.solarposition``): within minutes of the SPA, the spare time is more.
    """
    of_year = days.astype("datetime64[D]").astype("datetime64[Y]")
    number = (days - of_year.astype("datetime64[D]").astype(np.int64)) + 1
    declination = np.asarray(solarposition.declination_spencer71(number))
    noon = 12.0 - np.asarray(solarposition.equation_of_time_spencer71(number)) / 60.0
    latitude = np.clip(np.radians(site.site.latitude), -1.55, 1.55)
    high = np.sin(np.radians(_TWILIGHT_DEG)) - np.sin(latitude) * np.sin(declination)
    half = np.degrees(np.arccos(np.clip(high / (np.cos(latitude) * np.cos(declination)), -1.0, 1.0))) / 15.0
    low, top = float((noon - half).min()) - 0.5, float((noon + half).max()) + 0.5
    return int(low / 24.0 * slots), int(np.ceil(top / 24.0 * slots))


def _state_codes(states: pd.Series) -> NDArray[np.int8]:
    codes, names = pd.factorize(states)
    table = np.array([STATE_CODES.get(str(name), -1) for name in names] + [-1], np.int8)
    return table[codes]


#: A counter's smallest step may be worth this much power, W, in the window it is differenced over.
_COUNTER_NOISE_W = 15.0
_MOST_INPUT_W = 2000.0


def _counter_power(energy: NDArray[np.float64], step: int) -> NDArray[np.float64]:
    """Power from the rise of lifetime counters, W; NaN where the counter was not read.

    Coarse counters (10 Wh) are differenced over up to an hour, so that a step
    of the counter does not look like a burst of power.
    """
    slots = energy.shape[1]
    rises = np.diff(energy, axis=1)
    smallest = float(np.min(rises[rises > 0.05], initial=np.inf))
    quantum = smallest if np.isfinite(smallest) else 1.0
    half = int(np.clip(np.ceil(quantum * 3600.0 / _COUNTER_NOISE_W / step), 1, max(1, 3600 // step))) / 2.0
    before, after = int(np.floor(half + 0.5)), int(np.floor(half))
    # The stamp closes its interval: with a window of one slot the rise is the one just ended.
    index = np.arange(slots)
    low, high = np.maximum(index - before, 0), np.minimum(index + after, slots - 1)
    out = np.full(energy.shape, np.nan)
    for d in range(energy.shape[0]):
        for n in range(energy.shape[2]):
            told = np.isfinite(energy[d, :, n])
            if told.sum() < 2:
                continue
            whole = np.interp(index, index[told], energy[d, told, n])
            out[d, :, n] = np.where(told, (whole[high] - whole[low]) * 3600.0 / (np.maximum(high - low, 1) * step), np.nan)
    out[(out < 0) | (out > _MOST_INPUT_W)] = np.nan
    return out


#: DC to AC efficiency assumed where only AC power is known (common practice for module-level units).
_AC_EFFICIENCY = 0.96


def _derive_power(
    power: F32,
    voltage: F32,
    current: F32,
    energy: NDArray[np.float64],
    ac_power: F32,
    unit_of: NDArray[np.int64],
    step: int,
) -> F32:
    """Fill missing DC power: volts times amperes, else the counter's rise, else the unit's AC power."""
    missing = np.isnan(power)
    if not missing.any():
        return power
    product = voltage * current
    power = np.where(missing, product, power)
    missing = np.isnan(power)
    wanted = missing & np.isfinite(energy)
    if wanted.any():
        # Counters are differenced only where nothing better was read.
        some = np.flatnonzero(wanted.any(axis=(0, 1)))
        rise = _counter_power(energy[:, :, some], step)
        power[:, :, some] = np.where(missing[:, :, some], rise, power[:, :, some])
        missing = np.isnan(power)
    if missing.any() and np.isfinite(ac_power).any():
        alone = np.bincount(unit_of, minlength=ac_power.shape[2])
        share = ac_power[:, :, unit_of] / (alone[unit_of] * _AC_EFFICIENCY)
        power = np.where(missing, share, power)
    return power.astype(np.float32)
