"""After the roof: do the first clear days show every input present, awake, on its plane and at its voltage?

Siblings are the first witness (they share sky, dirt and model error), the
clear-sky expectation the second. Voltage bands, wake-up and ceilings come from
:mod:`rules.compat.expected`, as for the checks before the roof.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from collectors.site import InputRef, SiteDescription
from rules.compat.clear_days import (
    CLEAR_DAY,
    MIN_ELEVATION,
    PARTLY_CLEAR_DAY,
    Expected,
    air_temperature,
    clear_stamps,
    expect,
    row_median,
)
from rules.compat.expected import (
    BAND_HIGH,
    BAND_LOW,
    expected_clipping,
    expected_start_irradiance,
    expected_voltage_band,
)
from rules.compat.record import CommissionRecord, Observation, Place
from rules.compat.result import Verdict
from rules.finding import Threshold
from rules.orientation import best_plane, infer_orientation
from rules.panel import Panel, build_panels
from rules.sun import Sun, sun_of

Floats = NDArray[np.float64]

_OWN = "own choice, seen to tell the invented sample sites' faults from their healthy inputs"
PRESENT: Final = Threshold(
    0.95, "share of daylight", "own choice: a rare gap is no fault of the installation"
)
ENERGY_FAIL: Final = Threshold(0.90, "of siblings", _OWN)
ENERGY_NEAR: Final = Threshold(0.95, "of siblings", "common practice: power tolerance 3 % and some dirt")
LEVEL_LOW: Final = Threshold(0.80, "of clear sky", "common practice: mounting 10 %, sky model 8 %, losses")
LEVEL_HIGH: Final = Threshold(1.15, "of clear sky", "common practice: mounting 10 %, sky model 8 %")
BAND_SHARE: Final = Threshold(0.90, "share of time", _OWN)
BAND_LIGHT: Final = Threshold(400.0, "W/m²", "own choice: well above the 200 W/m² from which the band holds")
WAKE_LATE: Final = Threshold(1800.0, "s", "own choice: logging, reconnection wait and a tree's shadow apart")
#: Misfit on the declared plane over that on the best one.
PLANE_WORSE: Final = Threshold(2.0, "ratio", _OWN)
PLANE_TURN: Final = Threshold(
    15.0, "deg", "common practice: nobody builds closer than that to the plan by eye"
)
#: Standard error above which the data can't tell the azimuth.
PLANE_ERROR: Final = Threshold(12.0, "deg", "own choice")
_TURNS: Final = (0.0, 45.0, -45.0, 90.0, -90.0, 180.0)
_ORIENTATION_DAYS: Final = 45
_AWAKE_SHARE: Final = 0.005


@dataclass(frozen=True)
class _Days:
    """The chosen clear days of a panel, time flat over days: [S] or [S, N]."""

    site: SiteDescription
    days: NDArray[np.int64]
    step_s: int
    day: NDArray[np.int64]
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
        return [other.index for other in self.site.inputs if other.plane == ref.plane]


def commission(
    site: SiteDescription,
    telemetry: pd.DataFrame,
    weather: pd.DataFrame,
    wanted: int = 3,
    day_from: int | None = None,
) -> CommissionRecord:
    """The commissioning record from a site's first clear days.

    Parameters
    ----------
    telemetry, weather : canonical frames.
    wanted : clear days to use, the earliest ones.
    day_from : solar day number to start from; None is the start of the record.

    Raises
    ------
    ValueError : no telemetry, or none from that day on.
    """
    panels = [p for p in build_panels(site, telemetry) if day_from is None or p.days[-1] >= day_from]
    if not panels:
        raise ValueError("no telemetry")
    found: list[tuple[int, float]] = []
    chosen: _Days | None = None
    second: _Days | None = None
    for panel in panels:
        expected = expect(panel, weather)
        share, stamps = clear_stamps(panel, expected)
        share = np.where(panel.days >= (day_from or panel.days[0]), share, 0.0)
        found += zip(panel.days.tolist(), share.tolist(), strict=True)
        # One panel's days share a step; a later panel is only asked when the earlier ones had none.
        clear = np.flatnonzero(share >= CLEAR_DAY.value)[:wanted]
        if clear.size:
            chosen = _choose(panel, expected, stamps, clear)
            break
        partly = np.flatnonzero(share >= PARTLY_CLEAR_DAY.value)
        if second is None and partly.size:
            best = partly[np.argsort(-share[partly], kind="stable")[:wanted]]
            second = _choose(panel, expected, stamps, np.sort(best))
    chosen = chosen or second
    record = _first_weeks(panels, weather)
    last = int(panels[-1].days[-1])
    first = max(int(panels[0].days[0]), day_from or 0)
    clearest = max(found, key=lambda pair: pair[1])
    nothing = (Place("site", (_no_clear_day(clearest),)),)
    return CommissionRecord(
        site=site.site.id,
        name=site.site.name,
        first_day=_iso(first),
        last_day=_iso(last),
        clear_days=tuple(_iso(int(d)) for d in chosen.days) if chosen else (),
        clearest=(_iso(clearest[0]), clearest[1]),
        partly_clear=chosen is not None and chosen is second,
        site_places=tuple(_site_places(chosen, record)) if chosen else nothing,
        inputs=tuple(_inputs(chosen, record)) if chosen else (),
    )


def _choose(panel: Panel, expected: Expected, stamps: NDArray[np.bool_], which: NDArray[np.intp]) -> _Days:
    slots = panel.ts.shape[1]

    def flat(values: NDArray) -> NDArray:  # type: ignore[type-arg]
        return values[which].reshape(which.size * slots, *values.shape[2:])

    elevation = expected.sun.elevation_deg.reshape(panel.ts.shape)
    return _Days(
        site=panel.site,
        days=panel.days[which],
        step_s=panel.step_s,
        day=np.repeat(np.arange(which.size), slots),
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


# -- inputs --------------------------------------------------------------


def _inputs(days: _Days, record: _Weeks) -> Iterator[Place]:
    ratio = _energy_ratio(days, days.high[:, None])
    wake = _wake_s(days)
    fits = _plane_fits(days.site, record)
    units = {unit.serial: unit for unit in days.site.units}
    for ref in days.site.inputs:
        module = next(i.module for i in units[ref.unit].inputs if i.input == ref.input)
        seen = [_presence(days, ref)]
        if seen[0].verdict != "fail":
            # A record that belongs to another plane is no sibling.
            strays = {index for index, fit in fits.items() if _strays(days.site.inputs[index], fit)}
            others = np.array([m for m in days.members(ref) if m != ref.index and m not in strays], dtype=int)
            if len(days.site.planes) > 1:
                seen.append(_plane(ref, fits.get(ref.index)))
            if ref.index not in strays:
                seen.append(_energy(ratio, ref, others))
            seen += [_waking(days, wake, ref, others), _voltage(days, ref)]
        yield Place(ref.label, tuple(seen), ref.unit, ref.input, ref.plane or None, module)


def _presence(days: _Days, ref: InputRef) -> Observation:
    share = float(days.present[days.high, ref.index].mean()) if days.high.any() else 0.0
    verdict: Verdict = "pass"
    text = ""
    if share == 0.0:
        verdict, text = (
            "fail",
            "Never reported: not installed, not paired with the gateway, or listed wrongly.",
        )
    elif share < PRESENT.value:
        verdict, text = "near", "Gaps in the record: look at the signal and the gateway's place."
    return Observation(
        "present",
        "Reports",
        verdict,
        100.0 * share,
        "% of daylight",
        f"at least {100 * PRESENT.value:.0f} %",
        text,
    )


def _energy_ratio(days: _Days, where: NDArray[np.bool_]) -> Floats:
    """Each day's energy over its clear-sky expectation where both are known, [D, N]; NaN when nothing is."""
    both = where & np.isfinite(days.power) & np.isfinite(days.expected)
    by_day = (days.days.size, -1, both.shape[1])
    should = np.where(both, days.expected, 0.0).reshape(by_day).sum(axis=1)
    made = np.where(both, days.power, 0.0).reshape(by_day).sum(axis=1)
    return np.where(should > 0.0, made / np.where(should > 0.0, should, 1.0), np.nan)


def _middle(values: Floats) -> float:
    """Median of what is known; NaN when nothing is."""
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else float("nan")


def _good_sibling(ratio: Floats) -> Floats:
    """Upper quartile of siblings, [D]: a fault only ever lowers one, and few siblings may share it."""
    known = np.isfinite(ratio).any(axis=1)
    good = np.full(len(ratio), np.nan)
    good[known] = np.nanquantile(ratio[known], 0.75, axis=1)
    return good


def _energy(ratio: Floats, ref: InputRef, others: NDArray[np.int64]) -> Observation:
    words = ("energy", "Energy against siblings")
    own = _middle(ratio[:, ref.index])
    # Day by day, then the middle day: snow or a visit on one day must not decide.
    share = _middle(ratio[:, ref.index] / _good_sibling(ratio[:, others]))
    if not np.isfinite(own):
        return Observation(*words, "unknown", None, "%", "", "Give the plane's orientation and the module.")
    if not np.isfinite(share):
        text = "No sibling on this plane: judged against clear sky only, which can't see small losses."
        low = own < LEVEL_LOW.value
        return Observation(
            *words, "near" if low else "unknown", 100.0 * own, "% of clear sky", "80 to 115 %", text
        )
    expected = f"at least {100 * ENERGY_NEAR.value:.0f} %"
    text = "Shade, dirt, a lost substring, a wrong module rating in the file: compare voltage and hours."
    if share >= ENERGY_NEAR.value:
        return Observation(*words, "pass", 100.0 * share, "%", expected)
    return Observation(
        *words, "near" if share >= ENERGY_FAIL.value else "fail", 100.0 * share, "%", expected, text
    )


def _wake_s(days: _Days) -> Floats:
    """First output of each input on each clear day, seconds into the day's grid, [D, N]; NaN: none."""
    rated = np.array([ref.module.pmax_w if ref.module else np.nan for ref in days.site.inputs])
    awake = (days.power > _AWAKE_SHARE * rated).reshape(days.days.size, -1, rated.size)
    first = awake.argmax(axis=1) * float(days.step_s)
    return np.where(awake.any(axis=1), first, np.nan)


def _waking(days: _Days, wake: Floats, ref: InputRef, others: NDArray[np.int64]) -> Observation:
    """Late against siblings, or, without them, against the light at which the input should wake."""
    words = ("wake-up", "Wakes")
    own = wake[:, ref.index]
    spoke = np.isfinite(days.power[:, ref.index]).reshape(own.size, -1).any(axis=1)
    if dark := int((~np.isfinite(own) & spoke).sum()):
        text = f"No output on {dark} of {own.size} clear days."
        return Observation(*words, "fail", None, "", "every morning", text)
    late, against = _late_against_siblings(own, wake[:, others]), "siblings"
    if not np.isfinite(late):
        late, against = _late_against_light(days, own, ref), "the expected light"
    if not np.isfinite(late):
        text = "Give the inverter's start-up voltage and the module's voltage."
        return Observation(*words, "unknown", None, "min", "", text)
    wait = days.site.grid.reconnect_s or 0.0
    allowed = WAKE_LATE.value + 2.0 * days.step_s + wait
    verdict: Verdict = "pass" if late <= allowed / 2.0 else "near" if late <= allowed else "fail"
    text = (
        "" if verdict == "pass" else "Morning shade, or a start-up voltage reached late: see the start rows."
    )
    return Observation(
        *words,
        verdict,
        max(late, 0.0) / 60.0,
        f"min after {against}",
        f"within {allowed / 120.0:.0f} min",
        text,
    )


def _late_against_siblings(own: Floats, others: Floats) -> float:
    known = np.isfinite(own) & np.isfinite(others).any(axis=1) if others.size else np.zeros(own.shape, bool)
    if not known.any():
        return float("nan")
    return float(np.median(own[known] - np.nanmedian(others[known], axis=1)))


def _late_against_light(days: _Days, own: Floats, ref: InputRef) -> float:
    light = days.poa[:, ref.index]
    needed = np.asarray(expected_start_irradiance(ref, np.nan_to_num(days.air, nan=15.0)), dtype=float)
    with np.errstate(invalid="ignore"):
        ready = (light >= needed).reshape(days.days.size, -1)
    due = np.where(ready.any(axis=1), ready.argmax(axis=1) * float(days.step_s), np.nan)
    known = np.isfinite(due) & np.isfinite(own)
    return float(np.median(own[known] - due[known])) if known.any() else float("nan")


def _voltage(days: _Days, ref: InputRef) -> Observation:
    words = ("voltage", "Operating voltage")
    volts = days.voltage[:, ref.index]
    if ref.module is None or not np.isfinite(volts).any():
        missing = "The record has no DC voltage." if ref.module else "Name the module."
        return Observation(*words, "unknown", None, "V", "", missing)
    band = expected_voltage_band(ref.module, days.t_cell[:, ref.index])
    working = (
        (days.poa[:, ref.index] >= BAND_LIGHT.value) & np.isfinite(volts) & np.isfinite(band.v_mp_nominal)
    )
    ceiling = expected_clipping(ref)
    if ceiling is not None:
        # A full unit works above the band on purpose.
        working &= ~(days.power[:, ref.index] >= 0.97 * ceiling.power_w)
    working &= days.power[:, ref.index] > 0.3 * days.expected[:, ref.index]
    if working.sum() < 6:
        text = "Too little unclipped output in good light, or no module voltage in the file."
        return Observation(*words, "unknown", None, "V", "", text)
    inside = (volts >= band.v_mp_low) & (volts <= band.v_mp_high)
    share = float(inside[working].mean())
    middle = float(np.median(volts[working]))
    low, high = float(np.median(band.v_mp_low[working])), float(np.median(band.v_mp_high[working]))
    expected = f"{low:.1f} to {high:.1f} V"
    if share >= BAND_SHARE.value:
        return Observation(*words, "pass", middle, "V", expected)
    part = float(np.median(volts[working] / band.v_mp_nominal[working]))
    if 1.0 + BAND_LOW.value <= part <= 1.0 + BAND_HIGH.value:
        out = 100.0 * (1.0 - share)
        text = f"Outside its band {out:.0f} % of the time: passing shade, or a contact that comes and goes."
        return Observation(*words, "near", middle, "V", expected, text)
    text = _voltage_text(ref, part)
    return Observation(*words, "near" if 0.85 < part < 1.1 else "fail", middle, "V", expected, text)


def _voltage_text(ref: InputRef, part: float) -> str:
    count = (ref.module.substrings if ref.module else None) or 3
    for lost in range(1, count):
        if abs(part - (count - lost) / count) < 0.5 / count * 0.8:
            return f"About {count - lost} of {count} substrings: a lost bypass group, or steady shade on it."
    if part > 1.1:
        return "Higher than this module gives: another module is fitted, or the file names the wrong one."
    return "Lower than this module gives: another module, shade, or poor contacts."


# -- planes --------------------------------------------------------------


@dataclass(frozen=True)
class _Fit:
    """Which declared plane an input's clear spells fit best, and by how much better than its own."""

    best: str
    worse: float


@dataclass(frozen=True)
class _Weeks:
    """The first weeks on one grid, for orientation: sun [T], power per rated watt [T, N], air [T], step."""

    sun: Sun
    power: Floats
    air_c: Floats
    step_s: int


def _first_weeks(panels: list[Panel], weather: pd.DataFrame) -> _Weeks:
    step = panels[0].step_s
    same = [p for p in panels if p.step_s == step]
    site = same[0].site
    rated = np.array([ref.module.pmax_w if ref.module else np.nan for ref in site.inputs])
    ts = np.concatenate([p.ts.ravel() for p in same])[: _ORIENTATION_DAYS * 86400 // step]
    power = np.concatenate([p.power_w.reshape(-1, rated.size) for p in same])[: ts.size] / rated
    return _Weeks(sun_of(site.site, ts), power.astype(float), air_temperature(site, ts, weather), step)


def _plane_fits(site: SiteDescription, record: _Weeks) -> dict[int, _Fit]:
    planes = {
        name: (plane.azimuth_deg, plane.tilt_deg)
        for name, plane in site.planes.items()
        if plane.azimuth_deg is not None and plane.tilt_deg is not None
    }
    if len(planes) < 2:
        return {}
    fits: dict[int, _Fit] = {}
    for ref in site.inputs:
        if ref.plane not in planes or ref.module is None:
            continue
        power = record.power[:, ref.index]
        best, misfit = best_plane(record.sun, power, planes, record.step_s, temp_air_c=record.air_c)
        if best:
            fits[ref.index] = _Fit(best, misfit[ref.plane] / max(misfit[best], 1e-9))
    return fits


def _strays(ref: InputRef, fit: _Fit) -> bool:
    return fit.best != ref.plane and fit.worse >= PLANE_WORSE.value


def _plane(ref: InputRef, fit: _Fit | None) -> Observation:
    words = ("plane", "On its plane")
    if fit is None:
        text = "Too few clear hours to tell planes apart, or a plane's orientation is missing."
        return Observation(*words, "unknown", None, "", ref.plane, text)
    if not _strays(ref, fit):
        return Observation(*words, "pass", ref.plane, "", ref.plane)
    text = (
        f"Its day fits plane {fit.best} {fit.worse:.1f} times better: two records exchanged, or a wrong list."
    )
    return Observation(*words, "fail", fit.best, "", ref.plane, text)


# -- site ----------------------------------------------------------------


def _site_places(days: _Days, record: _Weeks) -> Iterator[Place]:
    yield Place("site", tuple(_site_observations(days)))
    for name in dict.fromkeys(ref.plane for ref in days.site.inputs):
        seen = (_orientation(days.site, record, name),)
        yield Place(f"plane {name}" if name else "plane not named", seen, plane=name or None)


def _site_observations(days: _Days) -> Iterator[Observation]:
    level = _middle(_energy_ratio(days, days.clear).ravel())
    expected = f"{100 * LEVEL_LOW.value:.0f} to {100 * LEVEL_HIGH.value:.0f} %"
    if np.isfinite(level):
        good = LEVEL_LOW.value <= level <= LEVEL_HIGH.value
        text = "The whole site is off: module ratings, orientation, altitude in the file, haze or heavy dirt."
        yield Observation(
            "level", "Energy against clear sky", "pass" if good else "near", 100.0 * level, "%", expected,
            "" if good else text,
        )  # fmt: skip
    else:
        text = "Give orientation and module."
        yield Observation("level", "Energy against clear sky", "unknown", None, "%", expected, text)
    yield _ac_voltage(days)
    yield _signal(days)


def _ac_voltage(days: _Days) -> Observation:
    words = ("ac-voltage", "Highest AC voltage at a unit")
    if not np.isfinite(days.ac_voltage).any():
        return Observation(*words, "unknown", None, "V", "", "The record has no AC voltage.")
    by_unit = np.nanmax(np.where(np.isfinite(days.ac_voltage), days.ac_voltage, -np.inf), axis=0)
    worst = int(by_unit.argmax())
    value, serial = float(by_unit[worst]), days.site.units[worst].serial
    limit = days.site.grid.high_v
    if limit is None:
        return Observation(*words, "unknown", value, "V", "", "Give [grid] high_v.")
    expected = f"below {limit:g} V ([grid] high_v)"
    if value < 0.99 * limit:
        return Observation(*words, "pass", value, f"V, at {serial}", expected)
    text = "On sunny days with little load this unit leaves the grid: see the voltage rise rows."
    return Observation(*words, "near" if value <= limit else "fail", value, f"V, at {serial}", expected, text)


def _signal(days: _Days) -> Observation:
    words = ("signal", "Weakest radio signal")
    if not np.isfinite(days.signal).any():
        return Observation(*words, "unknown", None, "dBm", "", "The record has no signal.")
    ordered = np.sort(days.signal[:, np.isfinite(days.signal).any(axis=0)], axis=0)
    middle = np.nanmedian(ordered, axis=0)
    serials = np.array([u.serial for u in days.site.units])[np.isfinite(days.signal).any(axis=0)]
    worst = int(middle.argmin())
    return Observation(*words, "pass", float(middle[worst]), f"dBm, at {serials[worst]}", "for the record")


def _orientation(site: SiteDescription, record: _Weeks, name: str) -> Observation:
    """The plane's own data against its declared azimuth, by its median input."""
    words = ("orientation", "Azimuth from the data")
    plane = site.planes.get(name)
    members = [ref.index for ref in site.inputs if ref.plane == name and ref.module is not None]
    if plane is None or plane.azimuth_deg is None or plane.tilt_deg is None or not members:
        return Observation(*words, "unknown", None, "°", "", "Give azimuth_deg and tilt_deg.")
    middle = row_median(record.power[:, members])
    fit = infer_orientation(record.sun, middle, record.step_s, temp_air_c=record.air_c)
    declared = f"{plane.azimuth_deg:.0f}°, tilt {plane.tilt_deg:.0f}°"
    if not fit.azimuth_err_deg < PLANE_ERROR.value or plane.tilt_deg < 5.0:
        return _compass(record, middle, plane.azimuth_deg, plane.tilt_deg, declared)
    turn = abs((fit.azimuth_deg - plane.azimuth_deg + 180.0) % 360.0 - 180.0)
    good = turn <= max(PLANE_TURN.value, 3.0 * fit.azimuth_err_deg)
    text = f"Turned by {turn:.0f}° (give or take {fit.azimuth_err_deg:.0f}°): check the plan and the clock."
    return Observation(
        *words, "pass" if good else "near", fit.azimuth_deg, "°", declared, "" if good else text
    )


def _compass(
    record: _Weeks, middle: Floats, azimuth_deg: float, tilt_deg: float, declared: str
) -> Observation:
    """Too little data for an angle: is it at least not turned by an eighth, a quarter or half a circle?"""
    words = ("orientation", "Azimuth from the data")
    turned = {
        f"{(azimuth_deg + turn) % 360.0:.0f}": ((azimuth_deg + turn) % 360.0, tilt_deg) for turn in _TURNS
    }
    best, misfit = best_plane(record.sun, middle, turned, record.step_s, temp_air_c=record.air_c)
    if not best or tilt_deg < 5.0:
        return Observation(*words, "unknown", None, "°", declared, "The data can't tell it yet.")
    own = next(iter(turned))
    if misfit[own] / max(misfit[best], 1e-9) < PLANE_WORSE.value:
        # What can be excluded is said; a smaller turn can't be seen yet.
        told = [name for name in turned if misfit[name] >= PLANE_WORSE.value * misfit[own]]
        text = f"Few clear days: excluded are {', '.join(told)}°." if told else "The data can't tell it yet."
        return Observation(*words, "pass" if told else "unknown", None, "°", declared, text)
    text = f"The data fit {best}° better than the file's azimuth: check the plan, the compass and the clock."
    return Observation(*words, "near", float(best), "°", declared, text)


def _no_clear_day(clearest: tuple[int, float]) -> Observation:
    return Observation(
        "clear-day",
        "A clear day",
        "unknown",
        100.0 * clearest[1],
        "% clear",
        f"at least {100 * CLEAR_DAY.value:.0f} %",
        f"No day was clear enough yet; the clearest was {_iso(clearest[0])}. Try again after a clear day.",
    )


def _iso(day: int) -> str:
    return (date(1970, 1, 1) + timedelta(days=int(day))).isoformat()
