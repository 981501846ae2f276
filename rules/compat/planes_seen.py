"""Does an input's day fit its plane, and a plane's day its azimuth?"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from collectors.site import InputRef, SiteDescription
from rules.compat.clear_days import air_temperature, row_median
from rules.compat.record import Observation
from rules.finding import Threshold
from rules.orientation import best_plane, infer_orientation
from rules.panel import Panel
from rules.ranks import Floats
from rules.sun import Sun, sun_of

_OWN = "own choice, seen to tell the invented sample sites' faults from their healthy inputs"
#: Misfit on the declared plane over that on the best one.
PLANE_WORSE: Final = Threshold(2.0, "ratio", _OWN)
PLANE_TURN: Final = Threshold(15.0, "deg", "common practice: nobody builds closer than that to the plan by eye")
#: Standard error above which the data can't tell the azimuth.
PLANE_ERROR: Final = Threshold(12.0, "deg", "own choice")
_TURNS: Final = (0.0, 45.0, -45.0, 90.0, -90.0, 180.0)
_ORIENTATION_DAYS: Final = 45


@dataclass(frozen=True)
class Fit:
    """Which declared plane an input's clear spells fit best, and by how much better than its own."""

    best: str
    worse: float


@dataclass(frozen=True)
class Weeks:
    """The first weeks on one grid, for orientation: sun [T], power per rated watt [T, N], air [T], step."""

    sun: Sun
    power: Floats
    air_c: Floats
    step_s: int


def first_weeks(panels: list[Panel], weather: pd.DataFrame) -> Weeks:
    step = panels[0].step_s
    same = [p for p in panels if p.step_s == step]
    site = same[0].site
    rated = np.array([ref.module.pmax_w if ref.module else np.nan for ref in site.inputs])
    ts = np.concatenate([p.ts.ravel() for p in same])[: _ORIENTATION_DAYS * 86400 // step]
    power = np.concatenate([p.power_w.reshape(-1, rated.size) for p in same])[: ts.size] / rated
    return Weeks(sun_of(site.site, ts), power.astype(float), air_temperature(site, ts, weather), step)


def plane_fits(site: SiteDescription, record: Weeks) -> dict[int, Fit]:
    planes = {
        name: (plane.azimuth_deg, plane.tilt_deg)
        for name, plane in site.planes.items()
        if plane.azimuth_deg is not None and plane.tilt_deg is not None
    }
    if len(planes) < 2:
        return {}
    fits: dict[int, Fit] = {}
    for ref in site.inputs:
        if ref.plane not in planes or ref.module is None:
            continue
        power = record.power[:, ref.index]
        best, misfit = best_plane(record.sun, power, planes, record.step_s, temp_air_c=record.air_c)
        if best:
            fits[ref.index] = Fit(best, misfit[ref.plane] / max(misfit[best], 1e-9))
    return fits


def strays(ref: InputRef, fit: Fit) -> bool:
    return fit.best != ref.plane and fit.worse >= PLANE_WORSE.value


def plane_seen(ref: InputRef, fit: Fit | None) -> Observation:
    words = ("plane", "On its plane")
    if fit is None:
        text = "Too few clear hours to tell planes apart, or a plane's orientation is missing."
        return Observation(*words, "unknown", None, "", ref.plane, text)
    if not strays(ref, fit):
        return Observation(*words, "pass", ref.plane, "", ref.plane)
    text = f"Its day fits plane {fit.best} {fit.worse:.1f} times better: two records exchanged, or a wrong list."
    return Observation(*words, "fail", fit.best, "", ref.plane, text)


def orientation_seen(site: SiteDescription, record: Weeks, name: str) -> Observation:
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
    return Observation(*words, "pass" if good else "near", fit.azimuth_deg, "°", declared, "" if good else text)


def _compass(record: Weeks, middle: Floats, azimuth_deg: float, tilt_deg: float, declared: str) -> Observation:
    """Too little data for an angle: is it at least not turned by an eighth, a quarter or half a circle?"""
    words = ("orientation", "Azimuth from the data")
    turned = {f"{(azimuth_deg + turn) % 360.0:.0f}": ((azimuth_deg + turn) % 360.0, tilt_deg) for turn in _TURNS}
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
