"""What the units' ceilings cost in a year: clipping by power and by current.

Without weather the year is cloudless: strong clipping is overstated (12.7 instead of
9.0 % on a typical year of North Carolina at a DC/AC ratio of 1.6), slight clipping of
cold, windy hours can be missed (0.1 instead of 0.3 % at 1.15). The air follows a
crude climate of the latitude (:mod:`rules.module`).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from collectors.site import InputRef, Plane, SiteDescription
from rules.compat.expected import expected_clipping, expected_unit_ceiling_w
from rules.compat.groups import UnitGroup, unit_groups
from rules.compat.profile import Profile
from rules.compat.result import Check, judged, unknown
from rules.irradiance import plane_effective
from rules.module import ambient_estimate, cell_temperature, dc_power
from rules.ranks import Floats
from rules.sun import sun_of

#: 2025-01-01 00:00 UTC: any common year serves.
_YEAR_START: Final = 1735689600
_STEP_S: Final = 900


@dataclass(frozen=True)
class YearWeather:
    """A year's weather on a regular grid; irradiance in W/m², air in Celsius, wind in m/s (None: unknown)."""

    ts: NDArray[np.int64]
    ghi: Floats
    dni: Floats | None = None
    dhi: Floats | None = None
    temp_air_c: Floats | None = None
    wind_m_s: Floats | None = None


@dataclass(frozen=True)
class YearLoss:
    """Energy of one unit in the span, Wh at its inputs: what it could make and what its limits cost."""

    possible_wh: float
    lost_by_current_wh: float
    lost_by_power_wh: float
    days: float

    @property
    def percent(self) -> float:
        lost = self.lost_by_current_wh + self.lost_by_power_wh
        return 100.0 * lost / self.possible_wh if self.possible_wh > 0.0 else 0.0


def year_checks(site: SiteDescription, profile: Profile, weather: YearWeather | None = None) -> Iterator[Check]:
    """Clipping loss of each group of like units."""
    for group in unit_groups(site):
        yield _check(group, site, profile, weather)


def clipping_loss(
    refs: tuple[InputRef, ...],
    site: SiteDescription,
    weather: YearWeather | None = None,
) -> YearLoss:
    """Energy lost by one unit's ceilings.

    Parameters
    ----------
    refs : the unit's inputs, each with a module, on planes whose orientation is known.
    weather : a year's (or any span's) weather; None is a cloudless year in steps of 15 minutes.
    """
    ts = weather.ts if weather else _YEAR_START + _STEP_S * np.arange(365 * 86400 // _STEP_S, dtype=np.int64)
    step_h = float(np.median(np.diff(ts))) / 3600.0
    sun = sun_of(site.site, ts)
    air = weather.temp_air_c if weather else None
    air = ambient_estimate(site.site, ts) if air is None else air
    ghi, dni, dhi = (weather.ghi, weather.dni, weather.dhi) if weather else (None, None, None)
    gain = 1.0 + site.options.bifacial_gain_pct / 100.0
    total, by_current = np.zeros(ts.size), 0.0
    possible = 0.0
    by_plane: dict[str, tuple[Floats, Floats]] = {}
    for ref in refs:
        if ref.plane not in by_plane:
            azimuth, tilt = _orientation(site, ref)
            poa = np.nan_to_num(plane_effective(sun, azimuth, tilt, ghi, dni, dhi)) * gain
            by_plane[ref.plane] = poa, cell_temperature(poa, air, weather.wind_m_s if weather else None)
        poa, t_cell = by_plane[ref.plane]
        power = dc_power(ref.module, poa, t_cell)
        possible += float(power.sum()) * step_h
        ceiling = expected_clipping(ref)
        if ceiling is not None and ceiling.current_w is not None:
            held = np.minimum(power, ceiling.current_w)
            by_current += float((power - held).sum()) * step_h
            power = held
        total += power
    unit_w = expected_unit_ceiling_w(refs[0].inverter)
    by_power = float(np.maximum(total - unit_w, 0.0).sum()) * step_h if unit_w is not None else 0.0
    return YearLoss(possible, by_current, by_power, ts.size * step_h / 24.0)


def _check(group: UnitGroup, site: SiteDescription, profile: Profile, weather: YearWeather | None) -> Check:
    words: dict[str, Any] = {
        "id": "clipping",
        "title": "Energy lost to clipping in a year",
        "scope": "DC",
        "place": group.place,
        "members": group.members,
    }
    missing = _missing(group, site)
    if missing:
        return unknown(**words, missing=missing)
    loss = clipping_loss(group.refs, site, weather)
    sky = (
        "the weather given"
        if weather
        else "a cloudless year in a rough climate, which overstates strong clipping and can miss a slight one"
    )
    return judged(
        **words,
        formula="sum of power above the unit's ceiling / sum of possible power",
        numbers={
            "possible_kwh": loss.possible_wh / 1000.0,
            "lost_by_power_kwh": loss.lost_by_power_wh / 1000.0,
            "lost_by_current_kwh": loss.lost_by_current_wh / 1000.0,
            "unit_ceiling_w": expected_unit_ceiling_w(group.inverter) or "unknown",
            "bifacial_gain_pct": site.options.bifacial_gain_pct,
            "days": loss.days,
        },
        value=loss.percent,
        relation="<=",
        limit=profile.value("clipping_loss_pct"),
        unit="%",
        near=0.0,
        source=f"pvlib sun and clear sky, this program's module model; {profile.source('clipping_loss_pct')}",
        change="A larger unit or a smaller module; known clipping is no fault and is not reported as one.",
        note=f"For one unit, from {sky}.",
        worst="near",
    )


def _missing(group: UnitGroup, site: SiteDescription) -> list[str]:
    missing: list[str] = []
    if any(ref.module is None for ref in group.refs):
        missing.append("units.inputs module")
    if expected_unit_ceiling_w(group.inverter) is None and all(expected_clipping(ref) is None for ref in group.refs):
        missing.append(f"[inverters.{group.inverter_name or 'NAME'}] rated_va or max_input_a")
    for name in dict.fromkeys(ref.plane for ref in group.refs):
        plane = site.planes.get(name, Plane())
        if plane.azimuth_deg is None or plane.tilt_deg is None:
            missing.append(f"[planes.{name or 'NAME'}] azimuth_deg and tilt_deg")
    return missing


def _orientation(site: SiteDescription, ref: InputRef) -> tuple[float, float]:
    plane = site.planes[ref.plane]
    assert plane.azimuth_deg is not None
    assert plane.tilt_deg is not None
    return plane.azimuth_deg, plane.tilt_deg
