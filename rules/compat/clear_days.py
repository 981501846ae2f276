"""The first clear days of a record, and what each input should have made on them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from collectors.site import InputRef, SiteDescription
from rules.clearness import clear_spells
from rules.finding import Threshold
from rules.irradiance import plane_effective
from rules.module import ambient_estimate, cell_temperature, per_rated
from rules.panel import Panel
from rules.ranks import Floats
from rules.sun import Sun, sun_of

#: Share of the day's light that must fall in clear spells.
CLEAR_DAY: Final = Threshold(0.75, "ratio", "own choice: a passing cloud is allowed, a cloudy half day isn't")
#: Short of that, siblings can still be compared and the clear spells alone tell the level.
PARTLY_CLEAR_DAY: Final = Threshold(0.40, "ratio", "own choice: some two to four clear hours")
#: Sun above the usual horizon of roofs and trees.
MIN_ELEVATION: Final = Threshold(10.0, "deg", "own choice: below, horizon and air mass rule the power")
_LIGHT_W_M2: Final = 100.0


@dataclass(frozen=True)
class Expected:
    """A panel's clear-sky expectation, [D, K, N] unless said; NaN where a plane's orientation is unknown.

    ``power_w`` in W, ``poa_w_m2`` behind the glass, ``t_cell_c`` in Celsius;
    ``sun`` is flat over D x K.
    """

    sun: Sun
    poa_w_m2: Floats
    t_cell_c: Floats
    power_w: Floats
    air_c: Floats


def expect(panel: Panel, weather: pd.DataFrame) -> Expected:
    """What every input should make under a clear sky, from the air's temperature where it was measured."""
    site = panel.site
    ts = panel.ts.ravel()
    sun = sun_of(site.site, ts)
    air = air_temperature(site, ts, weather)
    shape = (*panel.ts.shape, len(site.inputs))
    poa, t_cell, power = (np.full((ts.size, len(site.inputs)), np.nan) for _ in range(3))
    by_plane: dict[str, tuple[Floats, Floats]] = {}
    for ref in site.inputs:
        plane = site.planes.get(ref.plane)
        if ref.module is None or plane is None or plane.azimuth_deg is None or plane.tilt_deg is None:
            continue
        if ref.plane not in by_plane:
            light = plane_effective(sun, plane.azimuth_deg, plane.tilt_deg)
            by_plane[ref.plane] = light, cell_temperature(light, air)
        light, warm = by_plane[ref.plane]
        poa[:, ref.index], t_cell[:, ref.index] = light, warm
        power[:, ref.index] = ref.module.pmax_w * per_rated(ref.module, light, warm)
    return Expected(sun, poa.reshape(shape), t_cell.reshape(shape), power.reshape(shape), air)


def clear_stamps(panel: Panel, expected: Expected) -> tuple[Floats, NDArray[np.bool_]]:
    """Share of each day's light that was clear, [D], and the clear stamps of each input's plane, [D, K, N].

    The share is the clearest plane's. The median of a plane's inputs judges the
    sky, so that a fault never hides a clear day; a day the record covers less
    than half of counts as not clear.
    """
    shares = [np.zeros(panel.days.size)]
    stamps = np.zeros(expected.poa_w_m2.shape, dtype=bool)
    days = np.repeat(np.arange(panel.days.size), panel.ts.shape[1])
    for name in dict.fromkeys(ref.plane for ref in panel.site.inputs):
        members = [ref.index for ref in panel.site.inputs if ref.plane == name and ref.module is not None]
        light = expected.poa_w_m2[:, :, members].reshape(days.size, -1)
        if not members or np.isnan(light).all():
            continue
        rated = np.array([panel.site.inputs[m].module.pmax_w for m in members])  # type: ignore[union-attr]
        made = (panel.power_w[:, :, members] / rated).reshape(days.size, -1)
        should = (expected.power_w[:, :, members] / rated).reshape(days.size, -1)[:, 0]
        signal = row_median(made)
        lit = np.where(light[:, 0] > _LIGHT_W_M2, light[:, 0], 0.0)
        clear = clear_spells(expected.sun, signal, panel.step_s, should)
        total = np.bincount(days, lit, panel.days.size)
        whole = np.bincount(days, np.where(np.isfinite(signal), lit, 0.0), panel.days.size)
        share = np.bincount(days, np.where(clear, lit, 0.0), panel.days.size) / np.maximum(total, 1.0)
        shares.append(np.where(whole > 0.5 * total, share, 0.0))
        stamps[:, :, members] = clear.reshape(*panel.ts.shape, 1)
    return np.max(shares, axis=0), stamps


def row_median(values: NDArray[Any]) -> Floats:
    """Median along the last axis, ignoring NaN; NaN where all are."""
    ordered = np.sort(values, axis=1).astype(np.float64)
    count = np.isfinite(ordered).sum(axis=1)
    rows = np.arange(len(ordered))
    low, high = np.maximum((count - 1) // 2, 0), np.maximum(count // 2, 0)
    high = np.minimum(high, ordered.shape[1] - 1)
    return np.asarray(np.where(count > 0, 0.5 * (ordered[rows, low] + ordered[rows, high]), np.nan))


def air_temperature(site: SiteDescription, ts: NDArray[np.int64], weather: pd.DataFrame) -> Floats:
    """Measured air temperature within an hour of a reading, else the climate's, Celsius."""
    guess = ambient_estimate(site.site, ts)
    rows = weather[["ts", "temp_air_c"]].dropna().drop_duplicates("ts").sort_values("ts")
    if len(rows) < 2:
        return guess
    known = rows["ts"].to_numpy(np.int64)
    near = np.interp(ts, known, rows["temp_air_c"].to_numpy(np.float64))
    after = np.clip(np.searchsorted(known, ts), 1, len(known) - 1)
    close = np.minimum(np.abs(known[after] - ts), np.abs(known[after - 1] - ts)) <= 3600
    return np.where(close, near, guess)


@dataclass(frozen=True)
class ClearDays:
    """The chosen clear days of a panel, time flat over days.

    ``days`` are solar day numbers; ``ts`` (UTC seconds), ``high`` (sun above the
    usual horizon) and ``air`` (Celsius) are [S]; ``ac_voltage`` (V) and
    ``signal`` (dBm) [S, U]; the rest [S, N]: ``power`` and ``expected`` in W,
    ``voltage`` in V, ``poa`` in W/m², ``t_cell`` in Celsius, ``clear`` sky,
    ``present`` in the record.
    """

    site: SiteDescription
    days: NDArray[np.int64]
    step_s: int
    ts: NDArray[np.int64]
    high: NDArray[np.bool_]
    power: Floats
    voltage: Floats
    present: NDArray[np.bool_]
    ac_voltage: Floats
    signal: Floats
    poa: Floats
    t_cell: Floats
    expected: Floats
    clear: NDArray[np.bool_]
    air: Floats

    def members(self, ref: InputRef) -> list[int]:
        """Positions of all inputs on an input's plane, its own among them."""
        return [other.index for other in self.site.inputs if other.plane == ref.plane]


def choose_days(panel: Panel, expected: Expected, stamps: NDArray[np.bool_], which: NDArray[np.intp]) -> ClearDays:
    """The days at positions ``which`` of a panel, with their expectation and clear ``stamps`` [D, K, N]."""
    slots = panel.ts.shape[1]

    def flat(values: NDArray) -> NDArray:  # type: ignore[type-arg]
        return values[which].reshape(which.size * slots, *values.shape[2:])

    elevation = expected.sun.elevation_deg.reshape(panel.ts.shape)
    return ClearDays(
        site=panel.site,
        days=panel.days[which],
        step_s=panel.step_s,
        ts=flat(panel.ts),
        high=flat(elevation) > MIN_ELEVATION.value,
        power=flat(panel.power_w).astype(float),
        voltage=flat(panel.voltage_v).astype(float),
        present=flat(panel.present),
        ac_voltage=flat(panel.ac_voltage_v).astype(float),
        signal=flat(panel.signal_dbm).astype(float),
        poa=flat(expected.poa_w_m2),
        t_cell=flat(expected.t_cell_c),
        expected=flat(expected.power_w),
        clear=flat(stamps),
        air=expected.air_c.reshape(panel.ts.shape)[which].ravel(),
    )


def energy_ratio(days: ClearDays, where: NDArray[np.bool_]) -> Floats:
    """Each day's energy over its clear-sky expectation where both are known, [D, N]; NaN when nothing is."""
    both = where & np.isfinite(days.power) & np.isfinite(days.expected)
    by_day = (days.days.size, -1, both.shape[1])
    should = np.where(both, days.expected, 0.0).reshape(by_day).sum(axis=1)
    made = np.where(both, days.power, 0.0).reshape(by_day).sum(axis=1)
    return np.where(should > 0.0, made / np.where(should > 0.0, should, 1.0), np.nan)


def middle(values: Floats) -> float:
    """Median of what is known; NaN when nothing is."""
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else float("nan")
