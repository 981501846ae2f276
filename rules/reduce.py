"""Reduce whole days of samples to features: the only code that sees samples.

Pure and per day: no feature of a day depends on another day, so nights add up.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from collectors.site import SiteDescription
from rules.compat.expected import expected_unit_ceiling_w, voltage_at_mpp
from rules.daytable import (
    BINS,
    DARK,
    DEAD,
    HEAT_BINS,
    HEAT_FROM_C,
    HEAT_STEP_C,
    IDLE,
    MISSING,
    SKY,
    STANDBY,
    SYMPTOMS,
    DayTable,
    plane_names,
)
from rules.finding import Threshold
from rules.gridwindow import GridWindow, grid_window
from rules.irradiance import plane_effective
from rules.module import ambient_estimate, cell_temperature, per_rated
from rules.panel import F32, Panel, build_panels, day_offset
from rules.siblings import nan_median, sky_index, typical
from rules.sun import Sun, sun_of

LIT_POWER = Threshold(
    0.04, "W per rated W", "own reasoning: 16 W of a 400 W module, above the start-up power of a unit"
)
LIT_SKY = Threshold(
    0.25, "W per rated W", "own reasoning: under a clear sky; a thick overcast still leaves a few per cent"
)
LOW_SKY = Threshold(0.05, "W per rated W", "own reasoning: under a clear sky; lower, the sun stands in trees, mist and hills")
LEAST_SKY = Threshold(0.01, "W per rated W", "own reasoning: a clear sky on a plane turned from a low sun (pvlib, Hay-Davies)")
DAYLIGHT = Threshold(0.15, "W per rated W", "own reasoning: under a clear sky; from here on a unit is awake under thick cloud too")
ZERO_POWER = Threshold(0.005, "W per rated W", "own reasoning: meter offset of 1 to 2 W on a 400 W module")
TRICKLE = Threshold(0.002, "W per rated W", "own reasoning: over a meter's last digit; units stay awake at some 1 W")
ZERO_SHARE = Threshold(0.015, "of siblings' power", "own reasoning: a leak or an offset; deep shade leaves more")
_STUCK_ROWS = 6  # a sibling repeating itself so long is no witness
_CARRY_S = 3 * 3600.0  # the sky a site saw before it stopped is believed for so long
DEAD_VOLTS = Threshold(0.3, "of nominal Vmp", "own reasoning: below one of three substrings")
PART_ROW = Threshold(0.85, "of the owed", "own reasoning: clouds within minutes of a trip take less on average than its ramp")
BRINK = Threshold(0.02, "of the limit", "own reasoning: a mean of minutes under excursions of seconds, and meters good to 1 %")
GOOD_LIGHT = Threshold(
    0.15, "W per rated W", "own reasoning: voltage is steady above some 150 W/m2 (De Soto model)"
)
#: Power that a unit makes again counts as production above this share of its reference.
_ON, _OFF = 0.10, 0.03
#: W per rated W under which whole watt-hours of a counter, differenced over minutes, do not tell a stop from a step.
_COUNTED_LIGHT = 0.25
_RAMP_S = 300.0  # IEEE 1547-2018: up to 300 s of ramp after entering service


@dataclass(frozen=True)
class Repeats:
    """Rows that repeat the one before, whatever the light did ([D, K, N]).

    ``same``: this row repeats the row before; ``begin``: slot in which the run
    began; ``since``: rows since then.
    """

    same: NDArray[np.bool_]
    begin: NDArray[np.int16]
    since: NDArray[np.int16]

    def held(self, witness: F32) -> NDArray[np.int16]:
        """Length, in rows, of the run each slot belongs to, 0 where the reading is new.

        It counts from where the witness ([D, K, N], siblings' or clear-sky
        power) has moved by 3 % since the run began.
        """
        if not self.same.any():
            return np.zeros(self.same.shape, np.int16)
        start_light = np.take_along_axis(witness, self.begin.astype(np.intp), axis=1)
        # More than a coarse meter's own step: whole watts at low light repeat by themselves.
        moved = np.abs(witness - start_light) > 0.03 * np.maximum(witness, start_light) + 0.006
        return np.where(self.same & moved, self.since, np.int16(0))


@dataclass(frozen=True)
class Frame:
    """Slot-level references shared by every feature of a panel ([D, K, ...])."""

    x: F32  # power per rated watt [N]
    plane_index: NDArray[np.int64]  # [N]
    plane_typical: F32  # [P]
    members: NDArray[np.int64]  # [P]
    plane_clear: F32  # [P]
    sky: F32  # share of clear-sky expectation
    reference: F32  # [N] best guess of what the input should make now
    lit: NDArray[np.bool_]  # [N]
    elevation: F32
    rated: NDArray[np.float64]  # [N]
    repeats: Repeats


def reduce_days(
    site: SiteDescription,
    telemetry: pd.DataFrame,
    weather: pd.DataFrame,
    days: Sequence[int] | None = None,
    span: tuple[int, int] | None = None,
) -> DayTable:
    """Features of every wanted day.

    Parameters
    ----------
    site : a complete description (see :func:`rules.learn.complete_site`).
    telemetry, weather : canonical frames (:mod:`collectors.columns`).
    days : solar days to reduce; default all days of the span.
    span : first and last UTC second for which the record exists.
    """
    tables = [
        reduce_panel(panel, weather) for panel in build_panels(site, telemetry, span=span, days=days, trim=True)
    ]
    return DayTable.concat(site, tables)


def reference_frame(panel: Panel, weather: pd.DataFrame, sun: Sun | None = None) -> Frame:
    """Power per rated watt, siblings' typical value, clear-sky expectation and light.

    Parameters
    ----------
    sun : of the panel's stamps; default: computed here.
    """
    site = panel.site
    names = plane_names(site)
    plane_index = np.array([names.index(ref.plane) for ref in site.inputs])
    rated = np.array([ref.module.pmax_w if ref.module else np.nan for ref in site.inputs])
    x = (panel.power_w / rated).astype(np.float32)
    flat_ts = panel.ts.ravel()
    sun = sun_of(site.site, flat_ts) if sun is None else sun
    air = _air(site, flat_ts, weather)
    shape = panel.ts.shape
    clear = np.empty((*shape, len(names)), np.float32)
    typ = np.empty((*shape, len(names)), np.float32)
    members = np.empty((*shape, len(names)), np.int64)
    for p, name in enumerate(names):
        plane = site.planes.get(name)
        azimuth = plane.azimuth_deg if plane and plane.azimuth_deg is not None else 180.0
        tilt = plane.tilt_deg if plane and plane.tilt_deg is not None else 0.0
        inputs = np.flatnonzero(plane_index == p)
        poa = plane_effective(sun, azimuth, tilt)
        module = site.inputs[int(inputs[0])].module
        clear[:, :, p] = per_rated(module, poa, cell_temperature(poa, air, 1.0)).reshape(shape)
    # A record that repeats itself is no witness of what a plane could make.
    repeats = repeats_of(panel, x)
    held = repeats.held(clear[:, :, plane_index])
    voice = np.where(held >= _stuck_rows(panel.step_s), np.nan, x).astype(np.float32)
    for p in range(len(names)):
        typ[:, :, p], members[:, :, p] = typical(voice[:, :, plane_index == p])
    sky, carried = _carried(sky_index(typ, clear, members), clear, panel.step_s)
    clear_n, typ_n = clear[:, :, plane_index], typ[:, :, plane_index]
    by_sky = np.nan_to_num(sky)[:, :, None] * clear_n
    # A whole plane may be down (branch tripped, snow): what other planes see still lights it.
    reference = np.fmax(np.nan_to_num(typ_n), 0.6 * by_sky)
    alone = members[:, :, plane_index] <= 2
    reference = np.where(alone | carried[:, :, None], np.fmax(reference, 0.85 * by_sky), reference)
    nobody = (~np.isfinite(sky) | (sky < 0.02))[:, :, None]
    # A plane that never sees the sun on a winter's day has its light all the same.
    least = np.clip(0.5 * clear_n.max(axis=1, keepdims=True), LEAST_SKY.value, LOW_SKY.value)
    lit = ((reference >= LIT_POWER.value) & (clear_n >= least)) | (nobody & (clear_n >= LIT_SKY.value))
    lit &= panel.covered[:, :, None]
    return Frame(
        x=x,
        plane_index=plane_index,
        plane_typical=typ,
        members=members,
        plane_clear=clear,
        sky=sky,
        reference=reference,
        lit=lit,
        elevation=sun.elevation_deg.reshape(shape).astype(np.float32),
        rated=rated,
        repeats=repeats,
    )


def _stuck_rows(step_s: int) -> int:
    """Rows from which on a record that repeats itself is no witness: an hour, if the rows are close."""
    return max(_STUCK_ROWS, 3600 // step_s)


def repeats_of(panel: Panel, x: F32) -> Repeats:
    """Repeated readings of a panel; a run goes over missing rows."""
    index = np.arange(x.shape[1], dtype=np.int16)[None, :, None]
    told = np.isfinite(x) & panel.measured
    last = np.maximum.accumulate(np.where(told, index, np.int16(-1)), axis=1)
    before = np.concatenate([np.full_like(last[:, :1], -1), last[:, :-1]], axis=1)
    safe = np.maximum(before, 0).astype(np.intp)
    volts = panel.voltage_v
    v_before = np.take_along_axis(volts, safe, axis=1)
    same_v = (volts == v_before) | (np.isnan(volts) & np.isnan(v_before))
    same = told & (before >= 0) & (x == np.take_along_axis(x, safe, axis=1)) & same_v & (x > 0.025)
    begin = np.maximum.accumulate(np.where(told & ~same, index, np.int16(0)), axis=1)
    number = np.cumsum(told, axis=1, dtype=np.int16)
    return Repeats(same, begin, number - np.take_along_axis(number, begin.astype(np.intp), axis=1))


def _carried(sky: F32, clear: F32, step_s: int) -> tuple[F32, NDArray[np.bool_]]:
    """The sky index with stops of everybody filled by the last light seen, for a few hours; and where.

    A site with one unit has no other witness when that unit stops at noon.
    """
    light = clear.max(axis=2) >= 0.15
    voiced = np.isfinite(sky) & (sky >= 0.02)
    index = np.broadcast_to(np.arange(sky.shape[1])[None, :], sky.shape)
    last = np.maximum.accumulate(np.where(voiced, index, -1), axis=1)
    recent = (last >= 0) & (index - last <= _CARRY_S / step_s)
    before = np.take_along_axis(sky, np.maximum(last, 0), axis=1)
    fill = light & ~voiced & recent & (before > 0.3)
    return np.where(fill, before, sky).astype(np.float32), fill


def _air(site: SiteDescription, ts: NDArray[np.int64], weather: pd.DataFrame) -> NDArray[np.float64]:
    guess = ambient_estimate(site.site, ts)
    if len(weather):
        told = weather["temp_air_c"].notna().to_numpy()
        order = np.argsort(weather["ts"].to_numpy()[told], kind="stable")
        known = weather["ts"].to_numpy(np.int64)[told][order]
        measured = weather["temp_air_c"].to_numpy(np.float64)[told][order]
        if len(known) > 1:
            near = np.interp(ts, known, measured)
            right = np.clip(np.searchsorted(known, ts), 1, len(known) - 1)
            close = np.minimum(np.abs(known[right] - ts), np.abs(known[right - 1] - ts)) <= 7200
            return np.where(close, near, guess)
    return guess


def reduce_panel(panel: Panel, weather: pd.DataFrame) -> DayTable:
    """Features of one panel."""
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        return _reduce_panel(panel, weather)


def _reduce_panel(whole: Panel, weather: pd.DataFrame) -> DayTable:
    site = whole.site
    sun = sun_of(site.site, whole.ts.ravel())
    window = grid_window(site, whole.ac_voltage_v, whole.ac_frequency_hz)
    unit_of = np.array([ref.unit_index for ref in site.inputs])
    out: dict[str, NDArray[Any]] = {}
    _round_the_clock(whole, sun.elevation_deg.reshape(whole.ts.shape), window, unit_of, out)
    # Most of it asks for light or power: nothing is computed of the night.
    slot = np.arange(whole.ts.size).reshape(whole.ts.shape)[:, whole.day]
    panel = whole.daytime()
    frame = reference_frame(panel, weather, sun.at(slot.ravel()))
    hours = np.float32(panel.hours)
    bins = _bins(panel)
    lit = frame.lit
    x0 = np.nan_to_num(frame.x)
    zero = np.isfinite(frame.x) & (x0 <= np.maximum(ZERO_POWER.value, ZERO_SHARE.value * frame.reference))
    covered = panel.covered
    clear_n = frame.plane_clear[:, :, frame.plane_index]
    typ_n = frame.plane_typical[:, :, frame.plane_index]
    # In the gloom a watt or two is what everybody makes, and no offset of a meter.
    zero &= ~((x0 >= TRICKLE.value) & (x0 >= 0.5 * np.nan_to_num(typ_n, nan=np.inf)))
    out["step_s"] = np.full(len(panel.days), panel.step_s, float)
    out["covered_h"] = (covered & (frame.elevation > 0)).sum(axis=1) * hours
    sun_high = np.where(covered & (frame.elevation > 0), frame.plane_clear.max(axis=2), 0)
    out["clear_h"] = sun_high.sum(axis=1) * hours

    # -- profiles --------------------------------------------------------
    told = np.isfinite(frame.x) & covered[:, :, None]
    # A ceiling leaves the voltage moving: readings that repeat to the last digit are a frozen record.
    repeats = frame.repeats.held(clear_n) >= _STUCK_ROWS
    repeats &= np.isfinite(panel.voltage_v)
    clipped, below = _clip_features(panel, frame, unit_of, clear_n, out)
    # Without a voltage: what repeats under a known ceiling while its siblings go on is frozen too.
    stuck = below & ~np.isfinite(panel.voltage_v) & (frame.members[:, :, frame.plane_index] >= 3)
    if stuck.any():
        stuck &= frame.repeats.held(np.nan_to_num(typ_n)) >= _stuck_rows(panel.step_s)
    clipped &= ~repeats & ~stuck
    grid_out, trip, held_off = _grid_features(panel, frame, zero, unit_of, window, out)
    # At its ceiling an input owes no more than the ceiling.
    owed = np.where(clipped, np.minimum(np.nan_to_num(typ_n), x0), np.nan_to_num(typ_n))
    # Siblings at their ceiling say nothing about an input that is not (or is at another one).
    planes_n = frame.plane_typical.shape[2]
    capped = np.stack([clipped[:, :, frame.plane_index == p].mean(axis=2) > 0.3 for p in range(planes_n)], axis=2)
    # Nor does who waits for its grid: the units at a branch's end trip first and most.
    free = told & ~clipped & ~capped[:, :, frame.plane_index] & ~held_off[:, :, unit_of]
    out["free_power"] = _by_bin(np.where(free, x0, 0), bins) * hours
    out["free_typical"] = _by_bin(np.where(free, np.nan_to_num(typ_n), 0), bins) * hours
    out["power"] = _by_bin(np.where(told, x0, 0), bins) * hours
    out["typical"] = _by_bin(np.where(told, owed, 0), bins) * hours
    out["clear"] = _by_bin(np.where(told, np.where(clipped, np.minimum(clear_n, x0), clear_n), 0), bins) * hours
    spoke = np.isfinite(frame.plane_typical) & covered[:, :, None]
    out["plane_typical"] = _by_bin(np.where(spoke, np.nan_to_num(frame.plane_typical), 0), bins) * hours
    out["plane_clear"] = _by_bin(np.where(spoke, frame.plane_clear, 0), bins) * hours
    out["plane_clear_all"] = _by_bin(np.where(covered[:, :, None], frame.plane_clear, 0), bins) * hours
    planes = frame.plane_typical.shape[2]
    mean = np.stack(
        [_mean(np.where(told, frame.x, np.nan)[:, :, frame.plane_index == p]) for p in range(planes)], axis=2
    )
    out["plane_power"] = _by_bin(np.nan_to_num(mean), bins) * hours

    # -- symptoms --------------------------------------------------------
    symptom = _symptoms(panel, frame, zero, unit_of, trip)
    _symptom_features(panel, frame, symptom, out)
    day_light = (clear_n >= 0.05) & covered[:, :, None]
    missing = ~panel.present & day_light
    out["lit_h"] = lit.sum(axis=1) * hours
    out["seen_h"] = (lit & np.isfinite(frame.x)).sum(axis=1) * hours
    longest, runs = _runs(missing)
    out["gaps"], out["longest_gap_h"] = runs.astype(float), longest * hours
    _silence_features(panel, frame, unit_of, out)
    _voltage_features(panel, frame, lit & ~zero, out)
    _frozen_features(panel, frame, typ_n, clipped, out)
    _unit_features(panel, frame, unit_of, grid_out, trip, out)
    _site_features(panel, frame, unit_of, bins, out)
    _sky_features(panel, weather, out)
    return DayTable(site, panel.days, {k: np.asarray(v, np.float64) for k, v in out.items()})


def _round_the_clock(
    panel: Panel,
    elevation: NDArray[np.float64],
    window: GridWindow,
    unit_of: NDArray[np.int64],
    out: dict[str, NDArray[Any]],
) -> None:
    """Features of the night as well as of the day."""
    hours, units = panel.hours, len(panel.site.units)
    rated = np.array([ref.module.pmax_w if ref.module else np.nan for ref in panel.site.inputs])
    covered = panel.covered[:, :, None]
    night = (elevation < -8)[:, :, None] & covered
    out["night_power_h"] = (night & (panel.power_w > 0.02 * rated)).sum(axis=1) * hours
    out["night_rows_h"] = (night & panel.present).sum(axis=1) * hours
    out["unit_seen_h"] = (_unit_any(panel.present, unit_of, units) & covered).sum(axis=1) * hours
    out["volt_high_h"] = ((panel.ac_voltage_v > window.high_v) & covered).sum(axis=1) * hours
    out["temp_max"] = np.fmax.reduce(panel.temperature_c, axis=1)
    out["signal"] = nan_median(panel.signal_dbm, 1)
    _counter_features(panel, out)


def _bins(panel: Panel) -> NDArray[np.int64]:
    """Bin of local mean solar time of each slot, [D, K]."""
    solar = (panel.ts + day_offset(panel.site)) % 86400
    return np.minimum(solar * BINS // 86400, BINS - 1)


def _by_bin(values: F32, bins: NDArray[np.int64]) -> NDArray[np.float64]:
    """Sum [D, K, M] into [D, M, B]."""
    d, _, m = values.shape
    # Bins ascend along a day, so a reduceat over their starts is the whole sum.
    out = np.zeros((d, BINS, m))
    first = bins[0]
    if (bins == first).all():
        starts = np.flatnonzero(np.diff(first, prepend=-1))
        out[:, first[starts]] = np.add.reduceat(values, starts, axis=1)
    else:
        for day in range(d):
            starts = np.flatnonzero(np.diff(bins[day], prepend=-1))
            out[day, bins[day][starts]] = np.add.reduceat(values[day], starts, axis=0)
    return out.transpose(0, 2, 1)


def _mean(values: F32) -> F32:
    count = np.isfinite(values).sum(axis=-1)
    return np.where(count > 0, np.nansum(values, axis=-1) / np.maximum(count, 1), np.nan).astype(np.float32)


def _runs(mask: NDArray[np.bool_]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Longest run of True along axis 1, and the number of runs."""
    index = np.arange(mask.shape[1])[None, :, None]
    last_false = np.maximum.accumulate(np.where(mask, -1, index), axis=1)
    length = np.where(mask, index - last_false, 0)
    starts = mask.copy()
    starts[:, 1:] &= ~mask[:, :-1]
    return length.max(axis=1), starts.sum(axis=1)


@lru_cache(maxsize=64)
def _ranks(unit_of: bytes, units: int) -> tuple[tuple[Any, Any], ...]:
    """First inputs of all units, second inputs of those that have one, and so on: (inputs, units), slices if they can be."""
    of = np.frombuffer(unit_of, np.int64)
    inputs = [np.flatnonzero(of == u) for u in range(units)]
    out = []
    for rank in range(max(map(len, inputs))):
        have = np.array([u for u in range(units) if len(inputs[u]) > rank])
        out.append((_as_slice(np.array([inputs[u][rank] for u in have])), _as_slice(have)))
    return tuple(out)


def _as_slice(index: NDArray[np.int64]) -> Any:
    """The same positions as a slice, when they are evenly spaced."""
    step = int(index[1] - index[0]) if len(index) > 1 else 1
    even = step > 0 and (np.diff(index) == step).all()
    return slice(int(index[0]), int(index[-1]) + 1, step) if even else index


def _unit_any(mask: NDArray[np.bool_], unit_of: NDArray[np.int64], units: int) -> NDArray[np.bool_]:
    """Reduce [D, K, N] to [D, K, U] by any."""
    out = np.zeros((*mask.shape[:2], units), bool)
    for inputs, of in _ranks(unit_of.tobytes(), units):
        out[:, :, of] |= mask[:, :, inputs]
    return out


def _unit_sum(values: F32, unit_of: NDArray[np.int64], units: int) -> F32:
    out = np.zeros((*values.shape[:2], units), values.dtype)
    for inputs, of in _ranks(unit_of.tobytes(), units):
        out[:, :, of] += values[:, :, inputs]
    return out


def _grid_features(
    panel: Panel,
    frame: Frame,
    zero: NDArray[np.bool_],
    unit_of: NDArray[np.int64],
    window: GridWindow,
    out: dict[str, NDArray[Any]],
) -> tuple[NDArray[np.bool_], NDArray[np.bool_], NDArray[np.bool_]]:
    """Grid readings; returns [D, K, U] outside the window, tripped or waiting after it, and rows that may hold a part of that."""
    hours, units = panel.hours, len(panel.site.units)
    volts, hertz = panel.ac_voltage_v, panel.ac_frequency_hz
    lit_u = _unit_any(frame.lit, unit_of, units)
    gone = window.gone_below_v
    high = volts > window.high_v
    low = (volts < window.low_v) & (volts > gone)
    hz_out = ((hertz < window.low_hz) | (hertz > window.high_hz)) & (hertz > 10)
    outside = high | low | hz_out
    live = np.where(lit_u & (volts > gone), volts, np.nan)
    live_hz = np.where(lit_u & (hertz > 10), hertz, np.nan)
    out["volt_low_h"] = (low & lit_u).sum(axis=1) * hours
    out["hz_out_h"] = (hz_out & lit_u).sum(axis=1) * hours
    out["ac_volts_max"], out["ac_volts_min"] = np.fmax.reduce(live, axis=1), np.fmin.reduce(live, axis=1)
    out["ac_volts_med"] = nan_median(live, 1)
    out["ac_hz_max"], out["ac_hz_min"] = np.fmax.reduce(live_hz, axis=1), np.fmin.reduce(live_hz, axis=1)
    out["ac_dead_h"] = (lit_u & (volts <= gone)).sum(axis=1) * hours
    # One meter may miss the excursion that its neighbours saw: half of the units speak for the site.
    told = np.isfinite(volts) | np.isfinite(hertz)
    share = outside.sum(axis=2) / np.maximum(told.sum(axis=2), 1)
    outside = outside | ((share >= 0.5)[:, :, None])
    reach = int(np.ceil((window.reconnect_s + _RAMP_S) / panel.step_s)) + 1
    index = np.arange(panel.ts.shape[1])[None, :, None]
    dark_unit = _unit_dark(panel, zero, unit_of)
    # A row is a mean: on a day with excursions a unit that stands with its voltage on the brink has tripped again.
    brink = (volts > window.high_v * (1 - BRINK.value)) | ((volts < window.low_v * (1 + BRINK.value)) & (volts > gone))
    brink &= dark_unit & outside.any(axis=(1, 2), keepdims=True)
    last_out = np.maximum.accumulate(np.where(outside | brink, index, -(10**6)), axis=1)
    recent = index - last_out <= reach
    trip = recent & dark_unit & lit_u
    out["grid_trip_h"] = trip.sum(axis=1) * hours
    out["grid_loss"] = np.zeros(trip.shape[::2])
    if trip.any():
        out["grid_loss"] = _trip_loss(frame, unit_of, units, trip, recent & lit_u).sum(axis=1) * hours
    # On such a day whoever stands still waits for his grid, whatever the voltage of that instant; the rows beside hold a part.
    held_off = recent | (dark_unit & lit_u)
    held_off[:, 1:] |= held_off[:, :-1].copy()
    held_off[:, :-1] |= held_off[:, 1:].copy()
    return outside, trip, held_off & trip.any(axis=1, keepdims=True)


def _trip_loss(
    frame: Frame, unit_of: NDArray[np.int64], units: int, trip: NDArray[np.bool_], recent: NDArray[np.bool_]
) -> F32:
    """What trips cost by row, [D, K, U]: all of it while nothing is made, the rest in rows that hold a part of the wait or ramp.

    Units trip together and leave no sibling: the share of clear sky before and after stands for the sky meanwhile.
    """
    clear = _unit_sum(frame.plane_clear[:, :, frame.plane_index], unit_of, units)
    made, siblings = (_unit_sum(np.nan_to_num(x), unit_of, units) for x in (frame.x, frame.reference))
    told = ~recent & ~trip & (clear > 0.1) & (made > 0)
    share = np.where(told, np.clip(made / np.maximum(clear, 0.1), 0.0, 1.2), 0.0)
    rows = clear.shape[1]
    index = np.arange(rows)[None, :, None]
    before = np.maximum.accumulate(np.where(told, index, -1), axis=1)
    after = np.minimum.accumulate(np.where(told, index, rows)[:, ::-1], axis=1)[:, ::-1]
    total, count = np.zeros_like(clear), np.zeros_like(clear)
    for at, there in ((np.maximum(before, 0), before >= 0), (np.minimum(after, rows - 1), after < rows)):
        total += np.where(there, np.take_along_axis(share, at, 1), 0.0)
        count += there
    guess = np.where(siblings > 0.02, siblings, 0.5 * clear)
    owed = np.where(count > 0, total / np.maximum(count, 1) * clear, guess)
    lost = np.maximum(owed - made, 0.0)
    out: F32 = np.where(trip | (recent & (made < PART_ROW.value * owed)), lost, 0.0).astype(np.float32)
    return out


def _unit_dark(panel: Panel, zero: NDArray[np.bool_], unit_of: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Units that report but make nothing on any input, [D, K, U]."""
    units = len(panel.site.units)
    told = np.isfinite(panel.power_w)
    return _unit_any(zero, unit_of, units) & ~_unit_any(told & ~zero, unit_of, units)


def nominal_volts(site: SiteDescription) -> NDArray[np.float64]:
    """Operating voltage of each input's module at STC, V; NaN unknown."""
    volts = [voltage_at_mpp(ref.module) if ref.module else None for ref in site.inputs]
    return np.array([np.nan if v is None else v for v in volts])


def _symptoms(
    panel: Panel,
    frame: Frame,
    zero: NDArray[np.bool_],
    unit_of: NDArray[np.int64],
    trip: NDArray[np.bool_],
) -> NDArray[np.int8]:
    """Symptom code of every slot and input, -1 none."""
    site = panel.site
    units = len(site.units)
    nominal = nominal_volts(site)
    if np.isnan(nominal).any():
        typical_v = nan_median(np.where(frame.lit & ~zero, panel.voltage_v, np.nan).reshape(-1, len(nominal)), 0)
        fallback = np.nanmedian(typical_v) if np.isfinite(typical_v).any() else 33.0
        nominal = np.where(np.isnan(nominal), fallback, nominal)
    low_v = panel.voltage_v < DEAD_VOLTS.value * nominal
    has_v = np.isfinite(panel.voltage_v)
    dark_unit = _unit_dark(panel, zero, unit_of)
    volts_somewhere = _unit_any(has_v & ~low_v, unit_of, units) | ~_unit_any(has_v, unit_of, units)
    inputs_of = np.bincount(unit_of, minlength=units)
    resting = panel.state >= 1  # starting, standby, fault, off
    says_producing = panel.state == 0
    # A unit that claims to produce while nothing flows has idle inputs; any other
    # unit with every input dark and voltage on one of them stands by.
    # A one-input unit that stays "starting" on a live grid with voltage cannot draw from its module.
    stuck = (panel.state == 1) & (inputs_of == 1) & (panel.ac_voltage_v > 60)
    stands_by = dark_unit & volts_somewhere & ~(says_producing | stuck)
    symptom = np.full(panel.present.shape, -1, np.int8)
    hit = zero & frame.lit
    symptom[hit & ~has_v] = DARK
    symptom[hit & has_v & ~low_v] = IDLE
    symptom[hit & has_v & low_v] = DEAD
    by = stands_by[:, :, unit_of]
    # An input without voltage on a unit whose others have it is dead in its own right.
    symptom[hit & by & ~(has_v & low_v & ~resting[:, :, unit_of])] = STANDBY
    symptom[trip[:, :, unit_of] & hit] = -1
    # A unit is fed by its modules: rows without voltage on any of several inputs are the gateway's, not the unit's.
    lifeless = dark_unit & _unit_any(has_v, unit_of, units) & ~_unit_any(has_v & ~low_v, unit_of, units)
    lifeless &= (inputs_of > 1) & ((panel.state == 4) | (panel.state < 0))
    symptom[frame.lit & (~panel.present | lifeless[:, :, unit_of])] = MISSING
    return symptom


def _symptom_features(
    panel: Panel, frame: Frame, symptom: NDArray[np.int8], out: dict[str, NDArray[Any]]
) -> None:
    d, _, n = symptom.shape
    shape = (d, n, len(SYMPTOMS))
    slots, loss, clear = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    first, last = np.full(shape, np.nan), np.full(shape, np.nan)
    clear_n = frame.plane_clear[:, :, frame.plane_index]
    ts = panel.ts.astype(np.float64)
    for code in range(len(SYMPTOMS)):
        mask = symptom == code
        if not mask.any():
            continue
        slots[:, :, code] = mask.sum(axis=1)
        loss[:, :, code] = np.where(mask, frame.reference, 0).sum(axis=1)
        clear[:, :, code] = np.where(mask, clear_n, 0).sum(axis=1)
        some = mask.any(axis=1)
        begin = np.take_along_axis(ts, mask.argmax(axis=1), axis=1)
        end = np.take_along_axis(ts, mask.shape[1] - 1 - mask[:, ::-1].argmax(axis=1), axis=1)
        first[:, :, code] = np.where(some, begin, np.nan)
        last[:, :, code] = np.where(some, end, np.nan)
    hours = panel.hours
    out["symptom_slots"], out["symptom_loss"], out["symptom_clear"] = slots * hours, loss * hours, clear * hours
    out["symptom_first"], out["symptom_last"] = first, last


def _silence_features(
    panel: Panel, frame: Frame, unit_of: NDArray[np.int64], out: dict[str, NDArray[Any]]
) -> None:
    """Tell a silent unit from a silent gateway, slot by slot."""
    site, hours, units = panel.site, panel.hours, len(panel.site.units)
    present_u = _unit_any(panel.present, unit_of, units)
    clear_u = np.zeros(present_u.shape, np.float32)
    for n, u in enumerate(unit_of):
        np.maximum(clear_u[:, :, u], frame.plane_clear[:, :, frame.plane_index[n]], out=clear_u[:, :, u])
    lit_u = _unit_any(frame.lit, unit_of, units)
    # In winter a plane may turn its back on the sun all day: half of its best is its day.
    least = np.clip(0.5 * clear_u.max(axis=1, keepdims=True), LEAST_SKY.value, DAYLIGHT.value)
    day_light = (clear_u >= least) & panel.covered[:, :, None]
    gateways = [u.gateway for u in site.units]
    quiet = np.zeros(present_u.shape, bool)
    for name in dict.fromkeys(gateways):
        mine = np.array([g == name for g in gateways])
        quiet[:, :, mine] = ~present_u[:, :, mine].any(axis=2, keepdims=True)
    quiet &= day_light
    own = ~present_u & ~quiet & lit_u
    for name, mask in (("quiet", quiet), ("own", own)):
        longest, runs = _runs(mask)
        out[f"{name}_gap_h"], out[f"{name}_gaps"] = longest * hours, runs.astype(float)
        out[f"{name}_missing_h"] = mask.sum(axis=1) * hours
    out["unit_lit_h"] = (lit_u & ~quiet).sum(axis=1) * hours
    out["unit_day_h"] = day_light.sum(axis=1) * hours
    ref_u = _unit_sum(frame.reference, unit_of, units)
    clear_sum = _unit_sum(frame.plane_clear[:, :, frame.plane_index], unit_of, units)
    out["own_missing_loss"] = np.where(own, ref_u, 0).sum(axis=1) * hours
    out["quiet_clear"] = np.where(quiet, clear_sum, 0).sum(axis=1) * hours


def _voltage_features(
    panel: Panel, frame: Frame, making: NDArray[np.bool_], out: dict[str, NDArray[Any]]
) -> None:
    site, hours = panel.site, panel.hours
    nominal = nominal_volts(site)
    volts = np.where(making, panel.voltage_v, np.nan)
    out["volts"] = nan_median(volts, 1)
    told = np.isfinite(panel.power_w)
    out["zero_volts"] = nan_median(np.where(frame.lit & told & ~making, panel.voltage_v, np.nan) / nominal, 1)
    known = np.isfinite(nominal)
    scaled = volts / np.where(known, nominal, np.nanmedian(nominal) if known.any() else 33.0)
    typ_n = frame.plane_typical[:, :, frame.plane_index]
    good = making & (typ_n >= GOOD_LIGHT.value) & np.isfinite(volts)
    ratio = _ratio_to_others(np.where(good, scaled, np.nan).astype(np.float32))
    amps = frame.x / typ_n / ratio
    out["volt_ratio"] = nan_median(ratio, 1)
    out["amp_ratio"] = nan_median(np.where(np.isfinite(ratio), amps, np.nan), 1)
    out["volt_good_h"] = np.isfinite(ratio).sum(axis=1) * hours
    substrings = np.array([(ref.module.substrings if ref.module else None) or 3 for ref in site.inputs])
    near = np.zeros(ratio.shape, bool)
    for lost in (1, 2):
        level = np.maximum(substrings - lost, 0) / substrings
        near |= (np.abs(ratio - level) < 0.075) & (level > 0.2)
    out["third_h"] = (near & (amps > 0.85)).sum(axis=1) * hours


def _ratio_to_others(scaled: F32) -> F32:
    """Voltage over the site's median voltage of the slot, both over nominal.

    Voltage hardly depends on light, so every plane may speak; with fewer than
    three voices the nominal voltage at a warm cell (0.92 of Vmp) stands in.
    """
    middle = nan_median(scaled, 2)
    count = np.isfinite(scaled).sum(axis=2)
    middle = np.where(count >= 3, middle, 0.92)
    return (scaled / middle[:, :, None]).astype(np.float32)


def _clip_features(
    panel: Panel,
    frame: Frame,
    unit_of: NDArray[np.int64],
    clear_n: F32,
    out: dict[str, NDArray[Any]],
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Readings at a ceiling, and readings under the unit's known one, both [D, K, N]."""
    site, hours, units = panel.site, panel.hours, len(panel.site.units)
    inverters = [site.inverters[u.inverter] if u.inverter else None for u in site.units]
    rated = np.array([(i.rated_va if i and i.rated_va else np.nan) for i in inverters])
    dc = np.array([(expected_unit_ceiling_w(i) if i else None) or np.nan for i in inverters])
    watts = _unit_sum(np.nan_to_num(panel.power_w), unit_of, units)
    at_ceiling = np.where(
        np.isfinite(panel.ac_power_w), panel.ac_power_w >= 0.985 * rated, watts >= 0.97 * dc
    )[:, :, unit_of]
    # Unknown or wrong rating: the day's top is flat while a natural curve would have bent.
    x0 = np.nan_to_num(frame.x)
    top = x0.max(axis=1, keepdims=True)
    near_top = (x0 >= 0.99 * top) & (top > 0.3)
    bend_low = np.where(near_top, clear_n, np.inf).min(axis=1)
    bend_high = np.where(near_top, clear_n, 0).max(axis=1)
    count = near_top.sum(axis=1)
    flat = (count * hours >= 0.75) & (count >= 3) & (bend_high / np.maximum(bend_low, 1e-3) > 1.07)
    clipped = at_ceiling | (near_top & flat[:, None, :])
    out["clipped_h"] = clipped.sum(axis=1) * hours
    out["clip_level"] = np.where(clipped.any(axis=1), np.where(clipped, x0, 0).max(axis=1), np.nan)
    known = np.where(np.isfinite(panel.ac_power_w), np.isfinite(rated), np.isfinite(dc))[:, :, unit_of]
    return clipped, known & ~at_ceiling


def _frozen_features(
    panel: Panel,
    frame: Frame,
    typ_n: F32,
    clipped: NDArray[np.bool_],
    out: dict[str, NDArray[Any]],
) -> None:
    # Siblings, or failing them the sun itself, must have moved.
    clear_n = frame.plane_clear[:, :, frame.plane_index]
    few = frame.members[:, :, frame.plane_index] < 2
    witness = np.where(few, clear_n, np.nan_to_num(typ_n)).astype(np.float32)
    held = np.where(clipped, 0, frame.repeats.held(witness))
    out["frozen_h"] = held.max(axis=1) * panel.hours
    out["frozen_share"] = ((held > 0) & frame.lit).sum(axis=1) / np.maximum(frame.lit.sum(axis=1), 1)


def _counter_features(panel: Panel, out: dict[str, NDArray[Any]]) -> None:
    energy = panel.energy_wh
    told = np.isfinite(energy)
    some = told.any(axis=1)
    first = np.take_along_axis(energy, told.argmax(axis=1)[:, None, :], axis=1)[:, 0]
    last_index = energy.shape[1] - 1 - told[:, ::-1].argmax(axis=1)
    last = np.take_along_axis(energy, last_index[:, None, :], axis=1)[:, 0]
    out["counter_first"], out["counter_last"] = np.where(some, first, np.nan), np.where(some, last, np.nan)
    top = np.fmax.accumulate(energy, axis=1)
    out["counter_reset"] = (energy < top - 1.0).any(axis=1).astype(float)


def _unit_features(
    panel: Panel,
    frame: Frame,
    unit_of: NDArray[np.int64],
    grid_out: NDArray[np.bool_],
    trip: NDArray[np.bool_],
    out: dict[str, NDArray[Any]],
) -> None:
    hours, units = panel.hours, len(panel.site.units)
    x0 = np.nan_to_num(frame.x)
    told = np.isfinite(frame.x)
    ref_u = _unit_sum(np.where(told, frame.reference, 0), unit_of, units)
    x_u = _unit_sum(np.where(told, x0, 0), unit_of, units)
    # A counter's single steps in dim light look like stops: there the light must be worth several of them.
    dim = np.where(_unit_any(panel.measured, unit_of, units), 0.1, _COUNTED_LIGHT)
    bright = ref_u > dim * np.maximum(_unit_sum(told.astype(np.float32), unit_of, units), 1)
    present_u = _unit_any(panel.present, unit_of, units)
    off = (present_u & bright & (x_u <= _OFF * ref_u)) | (bright & np.isin(panel.state, (1, 2, 3, 4)))
    on = bright & (x_u >= _ON * ref_u) & ~off
    # When half of the units stop at once it is the grid or the site, not this unit.
    together = off.sum(axis=2) >= np.maximum(2, 0.5 * bright.sum(axis=2))
    off &= ~together[:, :, None] & ~trip & ~grid_out
    index = np.arange(panel.ts.shape[1])[None, :, None]
    last_on = np.maximum.accumulate(np.where(on, index, -1), axis=1)
    last_off = np.maximum.accumulate(np.where(off, index, -1), axis=1)
    before_on = np.pad(last_on[:, :-1], ((0, 0), (1, 0), (0, 0)), constant_values=-1)
    before_off = np.pad(last_off[:, :-1], ((0, 0), (1, 0), (0, 0)), constant_values=-1)
    out["restarts"] = (off & (before_on > before_off)).sum(axis=1).astype(float)
    lit_u = _unit_any(frame.lit, unit_of, units)
    out["start_h"] = (lit_u & np.isin(panel.state, (1, 2))).sum(axis=1) * hours
    out["fault_h"] = (lit_u & (panel.state == 3)).sum(axis=1) * hours
    _dip_features(panel, x_u, ref_u, bright & present_u & ~off & ~trip, out)
    warm = np.nan_to_num(np.floor((panel.temperature_c - HEAT_FROM_C) / HEAT_STEP_C) + 1, nan=-1)
    warm = np.where(np.isfinite(panel.temperature_c), np.clip(warm, 0, HEAT_BINS - 1), -1).astype(np.int64)
    d = len(panel.days)
    use = (warm >= 0) & bright & ~off & ~trip
    cell = (np.arange(d)[:, None, None] * units + np.arange(units)[None, None, :]) * HEAT_BINS + warm
    cells = cell[use]
    typ_u = _unit_sum(
        np.where(told, np.nan_to_num(frame.plane_typical[:, :, frame.plane_index]), 0), unit_of, units
    )
    clear_u = _unit_sum(np.where(told, frame.plane_clear[:, :, frame.plane_index], 0), unit_of, units)
    for name, values in (("heat_power", x_u), ("heat_typical", typ_u), ("heat_light", clear_u)):
        total = np.bincount(cells, values[use], minlength=d * units * HEAT_BINS)
        out[name] = total.reshape(d, units, HEAT_BINS) * hours


def _dip_features(
    panel: Panel, x_u: F32, ref_u: F32, use: NDArray[np.bool_], out: dict[str, NDArray[Any]]
) -> None:
    """Temperature of a unit while it gives less than its reference, against the other units'."""
    heat = panel.temperature_c
    dip = use & (x_u < 0.93 * ref_u) & (x_u > 0.2 * ref_u) & np.isfinite(heat)
    middle = nan_median(heat, 2)[:, :, None]
    over = np.where(dip, heat - middle, 0)
    count = np.maximum(dip.sum(axis=1), 1)
    out["dip_h"] = dip.sum(axis=1) * panel.hours
    out["dip_temp"] = np.where(dip, heat, 0).sum(axis=1) / count
    out["dip_over"] = over.sum(axis=1) / count
    out["dip_loss"] = np.where(dip, ref_u - x_u, 0).sum(axis=1) * panel.hours


def _site_features(
    panel: Panel,
    frame: Frame,
    unit_of: NDArray[np.int64],
    bins: NDArray[np.int64],
    out: dict[str, NDArray[Any]],
) -> None:
    site, units = panel.site, len(panel.site.units)
    told = np.isfinite(frame.x)
    rated_va = np.array(
        [
            (site.inverters[u.inverter].rated_va if u.inverter else None)
            or sum(frame.rated[unit_of == n])
            for n, u in enumerate(site.units)
        ]
    )
    load = _unit_sum(np.nan_to_num(panel.power_w), unit_of, units) / rated_va
    load = np.where(_unit_any(told, unit_of, units) & (load > 0.01), load, np.nan).astype(np.float32)
    ordered = np.sort(load, axis=2)
    count = np.isfinite(ordered).sum(axis=2)
    high = np.take_along_axis(ordered, np.rint(0.8 * np.maximum(count - 1, 0)).astype(int)[..., None], 2)[..., 0]
    middle = np.take_along_axis(ordered, np.rint(0.5 * np.maximum(count - 1, 0)).astype(int)[..., None], 2)[..., 0]
    lit = frame.lit.any(axis=2)
    high = np.where(lit, high, np.nan)
    wobble = np.full(high.shape, np.nan, np.float32)
    wobble[:, 1:] = np.abs(np.diff(high, axis=1)) / high[:, 1:]
    spread = (high - middle) / high
    sky_wobble = np.full(high.shape, np.nan, np.float32)
    sky_wobble[:, 1:] = np.abs(np.diff(frame.sky, axis=1)) / np.maximum(frame.sky[:, 1:], 0.02)
    hertz = _mean(np.where(panel.ac_frequency_hz > 10, panel.ac_frequency_hz, np.nan))
    volts = _mean(np.where(panel.ac_voltage_v > 30, panel.ac_voltage_v, np.nan))
    stack = np.stack([high, wobble, spread, sky_wobble, hertz, volts], axis=2)
    total = _by_bin(np.nan_to_num(stack), bins)
    number = _by_bin(np.isfinite(stack).astype(np.float32), bins)
    mean = np.where(number > 0, total / np.maximum(number, 1), np.nan)
    for i, name in enumerate(("cap_level", "cap_wobble", "cap_spread", "kt_wobble", "hz_bin", "volt_bin")):
        out[name] = mean[:, i]


def _sunniest(site: SiteDescription, tags: pd.Series) -> str:
    """Of the planes whose sensors read (nearly) most often the one that faces the sun of an equinox noon best."""
    count = tags.astype(str).value_counts()
    often = sorted(count.index[count >= 0.9 * count.iloc[0]])
    height = np.radians(90.0 - abs(site.site.latitude))
    south = 180.0 if site.site.latitude >= 0 else 0.0

    def faces(name: str) -> float:
        plane = site.planes.get(name)
        if plane is None:
            return -1.0
        tilt, turn = np.radians(plane.tilt_deg or 0.0), np.radians((plane.azimuth_deg or 0.0) - south)
        return float(np.sin(height) * np.cos(tilt) + np.cos(height) * np.sin(tilt) * np.cos(turn))

    return max(often, key=faces)


_SKY_COLUMNS = ("ghi_w_m2", "poa_w_m2", "dni_w_m2", "dhi_w_m2", "temp_air_c", "temp_module_c", "wind_m_s")


def _sky_features(panel: Panel, weather: pd.DataFrame, out: dict[str, NDArray[Any]]) -> None:
    d, names = len(panel.days), plane_names(panel.site)
    mean = np.full((d, len(SKY), BINS), np.nan)
    number = np.zeros((d, len(SKY), BINS))
    plane = np.full(d, -1.0)
    out["sky"], out["sky_slots"], out["poa_plane"] = mean, number, plane
    if not len(weather):
        return
    solar = weather["ts"].to_numpy(np.int64) + day_offset(panel.site)
    day = solar // 86400
    at = np.searchsorted(panel.days, day)
    ok = (at < d) & (panel.days[np.minimum(at, d - 1)] == day)
    if not ok.any():
        return
    cell = np.minimum(at, d - 1) * BINS + (solar % 86400) * BINS // 86400
    tag = weather["plane"].to_numpy(object) if "plane" in weather else np.full(len(weather), "", object)
    tagged = weather.loc[ok & weather["poa_w_m2"].notna().to_numpy()]
    chosen = _sunniest(panel.site, tagged["plane"]) if len(tagged) and "plane" in tagged else ""
    if chosen in names:
        plane[:] = names.index(chosen)
    elif len(names) == 1:
        plane[:] = 0
    for w, column in enumerate(_SKY_COLUMNS):
        if column not in weather:
            continue
        values = weather[column].to_numpy(np.float64)
        good = ok & np.isfinite(values)
        if column == "poa_w_m2":
            good &= tag == chosen
        if not good.any():
            continue
        total = np.bincount(cell[good], values[good], minlength=d * BINS)
        count = np.bincount(cell[good], minlength=d * BINS)
        number[:, w] = count.reshape(d, BINS)
        mean[:, w] = np.where(count > 0, total / np.maximum(count, 1), np.nan).reshape(d, BINS)
