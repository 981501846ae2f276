"""Planes that the site file leaves out: which inputs share one, and where each faces.

Inputs on one plane peak at one time of day: their daily centres of energy
crowd.  A crowd's typical power then tells its orientation
(:mod:`rules.orientation`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from collectors.site import Plane, SiteDescription
from rules.edgelight import MIN_SHIFT, shifted
from rules.finding import Threshold
from rules.module import ambient_estimate
from rules.orientation import infer_orientation
from rules.panel import Panel
from rules.planefit import GAIN_PRIOR, Orientation
from rules.ranks import Floats
from rules.sun import sun_of

#: Groups whose clear days are centred this much apart are different planes.  At 30 degrees of tilt,
#: 90 degrees of azimuth move the centre by some 1.2 h; shade on one side of an input by half of that.
CENTRE_GAP: Final = Threshold(0.9, "h", "computed from clear sky at 20 to 40 degrees of tilt; own choice")
#: Groups of four or more inputs that agree within a tenth of it are planes already this much apart.
CROWD_GAP: Final = Threshold(0.4, "h", "own choice: flat planes differ little")
MAX_NORMAL_ERR: Final = Threshold(25.0, "deg", "own data: a plane guessed to face the equator at 35 degrees lies some 30 off")
#: The rating itself was guessed from the highest power.
_LOOSE_GAIN: Final = (0.95, 0.15)
LONG_ROWS: Final = Threshold(1800.0, "s", "own choice: shorter rows move a plane by less than its error")
#: Half an hour turns a plane by some 13 degrees (measured roof of 45 degrees' tilt, hourly means); one of three stamps is right.
STAMP_ERR: Final = Threshold(11.0, "deg per hour of a row", "root mean square of half a row early, none, and half a row late")
_LOOK_BACK_DAYS: Final = 60


@dataclass(frozen=True)
class Facings:
    """What the data say about planes.

    ``plane_of`` names a plane for each input that had none (by unit and input
    number); ``planes`` holds every plane that was completed; ``orientation``
    what was found for it; ``inferred`` a sentence for each, for reports.
    """

    planes: dict[str, Plane]
    plane_of: dict[tuple[str, int], str]
    orientation: dict[str, Orientation]
    inferred: dict[str, str]


@dataclass(frozen=True)
class _Grid:
    """Stamps, UTC seconds [T]; power over rating [T, N], NaN where not known; step, s."""

    ts: NDArray[np.int64]
    share: Floats
    step_s: int


def infer_facings(site: SiteDescription, panels: Sequence[Panel], rating_known: bool = True) -> Facings:
    """Group inputs without a plane, and find where planes without an orientation face.

    Parameters
    ----------
    site : every input has a module.
    panels : telemetry on grids; the most common step's last two months are used.
    rating_known : False when the modules' ratings were guessed from the data.

    A plane stays out of ``planes`` when too few clear spells tell its facing.
    """
    grid = _grid(site, panels)
    facings = Facings({}, {}, {}, {})
    if grid is None:
        return facings
    _group_lacking(site, grid, facings)
    # Nobody says whether long rows are stamped where they begin, in their middle or where they end.
    unstamped = STAMP_ERR.value * grid.step_s / 3600.0 if grid.step_s >= LONG_ROWS.value else 0.0
    for name, found in _orientations(site, grid, facings.plane_of, rating_known).items():
        facings.orientation[name] = found
        if not np.isfinite(found.azimuth_deg) or _normal_err(found) > MAX_NORMAL_ERR.value:
            continue
        declared = site.planes.get(name, Plane())
        facings.planes[name] = Plane(
            azimuth_deg=round(found.azimuth_deg, 1) if declared.azimuth_deg is None else declared.azimuth_deg,
            tilt_deg=round(found.tilt_deg, 1) if declared.tilt_deg is None else declared.tilt_deg,
        )
        told = [
            f"{what} {value:.0f} ± {error:.0f}"
            for what, known, value, error in (
                ("azimuth", declared.azimuth_deg, found.azimuth_deg, float(np.hypot(found.azimuth_err_deg, unstamped))),
                ("tilt", declared.tilt_deg, found.tilt_deg, found.tilt_err_deg),
            )
            if known is None
        ]
        facings.inferred[f"orientation of plane {name}"] = f"{', '.join(told)} degrees, from {found.days} days with clear spells"
    return facings


def _normal_err(found: Orientation) -> float:
    """By how many degrees a plane's normal may be off: on a flat plane it hardly matters which way it faces."""
    aside = np.sin(np.radians(found.tilt_deg)) * min(found.azimuth_err_deg, 90.0)
    return float(np.hypot(aside, found.tilt_err_deg))


def _group_lacking(site: SiteDescription, grid: _Grid, facings: Facings) -> None:
    """Name a plane for each input without one."""
    lacking = [ref for ref in site.inputs if not ref.plane]
    if not lacking:
        return
    groups = group_by_centre(_centres(site, grid.ts, grid.share)[[ref.index for ref in lacking]])
    for ref, group in zip(lacking, groups, strict=True):
        facings.plane_of[ref.key] = f"inferred-{group + 1}"
    count = len(set(facings.plane_of.values()))
    planes = "one plane" if count == 1 else f"{count} planes"
    facings.inferred["planes"] = f"{len(lacking)} inputs taken as {planes} by the time of day of their energy"


def _orientations(
    site: SiteDescription, grid: _Grid, plane_of: dict[tuple[str, int], str], rating_known: bool
) -> dict[str, Orientation]:
    """What the data say of each plane that lacks an angle, by name."""
    sun, air = sun_of(site.site, grid.ts), ambient_estimate(site.site, grid.ts)
    names = [plane_of.get(ref.key, ref.plane) for ref in site.inputs]
    lacking = [n for n in dict.fromkeys(names) if not _declared(site, n)]
    typical = {n: _typical(grid.share[:, [m == n for m in names]]) for n in lacking}

    def fit(name: str, find_shift: bool, late_s: float = 0.0) -> Orientation:
        known = site.planes.get(name, Plane())
        return infer_orientation(
            shifted(sun, -late_s) if late_s else sun,
            typical[name],
            grid.step_s,
            temp_air_c=air,
            find_shift=find_shift,
            gain_prior=GAIN_PRIOR if rating_known else _LOOSE_GAIN,
            azimuth_deg=known.azimuth_deg,
            tilt_deg=known.tilt_deg,
        )

    found = {n: fit(n, True) for n in lacking}
    shifts = [o.shift_s for o in found.values() if np.isfinite(o.azimuth_deg)]
    if shifts and max(shifts) - min(shifts) < MIN_SHIFT.value:
        return found
    common = float(np.mean(shifts)) if shifts else 0.0
    if shifts and (np.sign(common) * np.array(shifts)).min() >= MIN_SHIFT.value:
        # Planes that all say one way, by more or less, saw one clock each in its own light.
        return {n: replace(fit(n, False, common), shift_s=common) for n in found}
    # A clock is the site's: what moves one plane's light alone is shade.
    return {n: fit(n, False) if abs(o.shift_s) >= MIN_SHIFT.value else o for n, o in found.items()}


def _declared(site: SiteDescription, name: str) -> bool:
    plane = site.planes.get(name, Plane())
    return plane.azimuth_deg is not None and plane.tilt_deg is not None


def group_by_centre(centres: Floats) -> NDArray[np.int64]:
    """Group numbers from 0, in the order of the day, of inputs by their centre of energy, h; [N].

    Sorted centres are cut in two where that explains most of their spread, as
    long as the medians of both parts differ by more than any shade makes and
    neither part is a lone input among many (that one is shaded, not a roof of
    its own).  Inputs without a centre join the biggest group.
    """
    groups = np.zeros(len(centres), dtype=np.int64)
    order = np.argsort(centres)
    known = order[np.isfinite(centres[order])]
    if not known.size:
        return groups
    groups[known] = _cut(centres[known])
    groups[~np.isfinite(centres)] = int(np.argmax(np.bincount(groups[known])))
    return groups


def _cut(values: Floats) -> NDArray[np.int64]:
    """Group numbers of sorted values."""
    count = len(values)
    fewest = 1 if count < 4 else 2
    best, at = np.inf, 0
    for k in range(fewest, count - fewest + 1):
        inside = float(np.var(values[:k]) * k + np.var(values[k:]) * (count - k))
        if inside < best:
            best, at = inside, k
    if at == 0:
        return np.zeros(count, dtype=np.int64)
    left = _cut(values[:at])
    groups = np.concatenate([left, _cut(values[at:]) + left.max() + 1])
    parts = [values[groups == g] for g in range(int(groups.max()) + 1)]
    middles = np.array([np.median(part) for part in parts])
    gap = float(np.diff(middles).min())
    loose = max(float(np.median(np.abs(part - m))) for part, m in zip(parts, middles, strict=True))
    # A few shaded inputs far apart from each other are no plane; four or more that agree closely are.
    crowded = min(len(part) for part in parts) >= 4 and loose <= gap / 10.0
    apart = (gap >= CENTRE_GAP.value and loose <= gap / 4.0) or (gap >= CROWD_GAP.value and crowded)
    return groups if apart else np.zeros(count, dtype=np.int64)


def _grid(site: SiteDescription, panels: Sequence[Panel]) -> _Grid | None:
    """The last days of the most common step; None without a panel."""
    if not panels:
        return None
    days: dict[int, int] = {}
    for panel in panels:
        days[panel.step_s] = days.get(panel.step_s, 0) + len(panel.days)
    step_s = max(days, key=days.__getitem__)
    rated = np.array([ref.module.pmax_w if ref.module else np.nan for ref in site.inputs])
    chosen = [p for p in panels if p.step_s == step_s]
    ts = np.concatenate([p.ts.ravel() for p in chosen])
    share = np.concatenate([p.power_w.reshape(-1, len(rated)) for p in chosen]).astype(np.float64) / rated
    recent = ts > ts.max() - _LOOK_BACK_DAYS * 86400
    return _Grid(ts[recent], share[recent], step_s)


def _centres(site: SiteDescription, ts: NDArray[np.int64], share: Floats) -> Floats:
    """Median over the brightest third of days of each input's energy-weighted local solar hour, [N]."""
    local = ts + round(site.site.longitude * 240.0)
    hour = (local % 86400) / 3600.0
    days, where = np.unique(local // 86400, return_inverse=True)
    power = np.nan_to_num(np.maximum(share, 0.0))
    energy = np.zeros((days.size, share.shape[1]))
    moment = np.zeros_like(energy)
    np.add.at(energy, where, power)
    np.add.at(moment, where, power * hour[:, None])
    made = energy > 0
    site_energy = energy.sum(axis=1) / np.maximum(made.sum(axis=1), 1)
    lit = site_energy > 0
    if not lit.any():
        return np.full(share.shape[1], np.nan)
    bright = site_energy >= np.quantile(site_energy[lit], 2 / 3)
    with np.errstate(invalid="ignore", divide="ignore"):
        # A day on which an input stood still for hours has no centre.
        whole = made & (energy > 0.4 * energy.max(axis=0))
        centre = np.where(whole, moment / energy, np.nan)[bright]
    result = np.full(share.shape[1], np.nan)
    some = np.isfinite(centre).any(axis=0)
    result[some] = np.nanmedian(centre[:, some], axis=0)
    return result


def _typical(share: Floats) -> Floats:
    """The 0.7 quantile over inputs, [T], the best of one or two: nearly half of the plane may be shaded or dead."""
    ordered = np.sort(share, axis=1)  # NaN last
    count = np.isfinite(share).sum(axis=1)
    at = np.where(count < 3, count - 1, np.rint(0.7 * (count - 1)).astype(np.int64))
    return np.asarray(ordered[np.arange(len(share)), np.maximum(at, 0)])
