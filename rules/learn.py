"""Fill in what the site file leaves out and the data can tell.

A module's rating, which inputs share a plane, and where a plane faces. What is
inferred is named, so that every report can mark it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from collectors.site import Module, Plane, SiteDescription, Unit
from rules.facing import infer_facings
from rules.panel import build_panels

#: Share of its rating that a module reaches on a good day (common practice: 80 to 90 %).
_TOP_SHARE = 0.85
#: Rating of a module that never made anything, W (common practice: of this size today).
_FALLBACK_W = 400.0
#: A module counts as bigger than the others from here on: a faulty one must not look like a small module.
_BIGGER = 1.15
#: Steepest tilt assumed where none is declared, degrees (common practice).
_STEEPEST_DEG = 35.0
#: What the last two months say about planes is enough.
_LOOK_BACK_S = 60 * 86400


@dataclass(frozen=True)
class Completed:
    """A site description without gaps, and what had to be inferred for it."""

    site: SiteDescription
    inferred: dict[str, str]


def is_complete(site: SiteDescription) -> bool:
    """True when nothing has to be learnt from data."""
    return all(ref.module is not None and ref.plane for ref in site.inputs) and all(
        p.azimuth_deg is not None and p.tilt_deg is not None
        for name, p in site.planes.items()
        if any(ref.plane == name for ref in site.inputs)
    )


def complete_site(site: SiteDescription, telemetry: pd.DataFrame) -> Completed:
    """Complete a description from its own telemetry (a few weeks suffice)."""
    inferred: dict[str, str] = {}
    if is_complete(site):
        return Completed(site, inferred)
    rating_known = all(ref.module is not None for ref in site.inputs)
    site = _with_modules(site, telemetry, inferred)
    site = _with_planes(site, telemetry, inferred, rating_known)
    return Completed(site, inferred)


def _replace(
    site: SiteDescription,
    modules: dict[str, Module],
    planes: dict[str, Plane],
    module_of: dict[tuple[str, int], str],
    plane_of: dict[tuple[str, int], str],
) -> SiteDescription:
    """The description with other modules and planes; inputs, by unit and number, are given those that are named for them."""
    units: list[Unit] = []
    for unit in site.units:
        inputs = [
            i.model_copy(
                update={
                    "module": module_of.get((unit.serial, i.input), i.module),
                    "plane": plane_of.get((unit.serial, i.input), i.plane),
                }
            )
            for i in unit.inputs
        ]
        units.append(unit.model_copy(update={"inputs": tuple(inputs)}))
    return SiteDescription(
        site=site.site,
        grid=site.grid,
        **{k: getattr(site, k) for k in SiteDescription.model_fields
           if k not in ("site", "grid", "modules", "planes", "units")},
        modules=modules,
        planes=planes,
        units=tuple(units),
    )  # fmt: skip


def _with_modules(site: SiteDescription, telemetry: pd.DataFrame, inferred: dict[str, str]) -> SiteDescription:
    lacking = [ref for ref in site.inputs if ref.module is None]
    if not lacking:
        return site
    top = _top_power(site, telemetry)
    good = top[np.isfinite(top) & (top > 0)]
    middle = float(np.median(good)) if good.size else _FALLBACK_W * _TOP_SHARE
    modules, module_of = dict(site.modules), {}
    for ref in lacking:
        own = top[ref.index]
        power = own if np.isfinite(own) and (own > _BIGGER * middle) else middle
        rating = max(round(power / _TOP_SHARE / 5.0) * 5.0, 1.0)
        name = f"inferred {rating:.0f} W"
        modules[name] = Module(pmax_w=rating)
        module_of[ref.key] = name
    inferred["module rating"] = f"{len(lacking)} inputs, from the highest power recorded"
    return _replace(site, modules, dict(site.planes), module_of, {})


def _top_power(site: SiteDescription, telemetry: pd.DataFrame) -> NDArray[np.float64]:
    """Highest power of each input but for single wild readings (the 0.998 quantile), W, [N]; NaN without any."""
    best = np.full(len(site.inputs), np.nan)
    for panel in build_panels(site, telemetry):
        d, k, n = panel.power_w.shape
        flat = np.sort(panel.power_w.reshape(d * k, n), axis=0)
        count = np.isfinite(flat).sum(axis=0)
        at = np.clip(np.rint(0.998 * (count - 1)), 0, None).astype(int)
        best = np.fmax(best, np.where(count > 0, flat[at, np.arange(n)], np.nan))
    return best


def _with_planes(site: SiteDescription, telemetry: pd.DataFrame, inferred: dict[str, str], rating_known: bool) -> SiteDescription:
    recent = telemetry[telemetry["ts"] > telemetry["ts"].max() - _LOOK_BACK_S]
    facings = infer_facings(site, list(build_panels(site, recent)), rating_known)
    plane_of = {ref.key: facings.plane_of.get(ref.key, "inferred") for ref in site.inputs if not ref.plane}
    planes = {**site.planes, **{name: Plane() for name in plane_of.values()}, **facings.planes}
    inferred.update(facings.inferred)
    towards_equator = 0.0 if site.site.latitude < 0 else 180.0
    for name, plane in planes.items():
        if plane.azimuth_deg is None or plane.tilt_deg is None:
            planes[name] = Plane(
                azimuth_deg=towards_equator if plane.azimuth_deg is None else plane.azimuth_deg,
                tilt_deg=min(abs(site.site.latitude), _STEEPEST_DEG) if plane.tilt_deg is None else plane.tilt_deg,
            )
            inferred[f"orientation of plane {name}"] = "assumed to face the equator"
    return _replace(site, dict(site.modules), planes, {}, plane_of)
