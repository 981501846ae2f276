"""When a shadow bites in the coming year, and what it costs: a skyline against the sun's path.

The sun is pvlib's SPA on the site's coordinates (:mod:`rules.sun`), the light a
clear sky's; the year's loss is taken under a sky as bright as the record's.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from collectors.site import Module, SiteFacts
from rules.case import Case
from rules.daytable import day_iso
from rules.finding import Threshold
from rules.irradiance import plane_parts, through_glass
from rules.module import ambient_estimate, cell_temperature, per_rated
from rules.obstruction import Skyline, column_of
from rules.panel import day_offset
from rules.ranks import Floats, Mask
from rules.sun import Sun, sun_by_day

SEASON_LOSS = Threshold(0.012, "of a clear day's energy", "own reasoning: as for a day of the record")
SEASON_GAP = Threshold(7, "days", "own reasoning: the outline is known to a week of the sun's path")
_STEP_S = 900
_DAYS = 365


@dataclass(frozen=True)
class Season:
    """The year after the record.

    ``now`` whether shade bites on its first day; ``starts`` first day of the
    next spell, ``ends`` last day of the running spell or else of the next (ISO;
    None where it bites all year or never); ``days`` of the year on which it
    bites; ``loss_kwh`` of the year.
    """

    now: bool
    starts: str | None
    ends: str | None
    days: int
    loss_kwh: float

    @property
    def all_year(self) -> bool:
        return self.days == _DAYS


def season(case: Case, n: int, line: Skyline, brightness: float) -> Season:
    """When the outline bites in the year after the record, and what it costs.

    Parameters
    ----------
    n : the input.
    brightness : beam of the record's sky over a clear sky's, 1: the year is taken to be like it.
    """
    plane = case.site.planes[case.names[case.plane_of[n]]]
    first = int(case.table.days[-1]) + 1
    year = _year(
        case.site.site, first * 86400 - day_offset(case.site), plane.azimuth_deg or 0.0, plane.tilt_deg or 0.0,
        case.inputs[n].module,
    )  # fmt: skip
    behind = np.flatnonzero(np.isfinite(line.top_deg)[year.column])
    hidden = line.hides_at(year.column[behind], year.elevation_deg[behind]) * year.beam[behind]
    lost = np.bincount(year.day[behind], hidden, minlength=_DAYS)
    bites = _closed(lost > SEASON_LOSS.value * np.maximum(year.power, 1e-9), int(SEASON_GAP.value))
    gain = float(case.plane_gain[case.plane_of[n]])
    kwh = float(lost.sum()) * brightness * gain * float(case.rated[n]) / 1000.0
    if bites.all() or not bites.any():
        return Season(bool(bites.all()), None, None, int(bites.sum()), kwh)
    ring = np.r_[bites, bites]  # what runs over the year's end goes on at its beginning
    now = bool(bites[0])
    starts = int(np.flatnonzero(ring[1:] & ~ring[:-1])[0]) + 1
    ends = int(np.flatnonzero(ring[:-1] & ~ring[1:])[0])
    return Season(now, day_iso(first + starts), day_iso(first + ends), int(bites.sum()), kwh)


def sky_brightness(case: Case, n: int, beam: Floats) -> float:
    """Beam energy of the record over that of a clear sky at the same moments, 1; 1 where nothing tells.

    Parameters
    ----------
    beam : [D, B], what the sun's beam would have made of the input unshaded, h.
    """
    p = case.plane_of[n]
    clear = case.table["clear"][:, n] * case.plane_gain[p] * case.clear_beam[:, p]
    told = np.isfinite(case.sky_index)
    total = float(clear[told].sum())
    return float(np.clip(beam[told].sum() / total, 0.02, 1.2)) if total > 0.5 else 1.0


@dataclass(frozen=True)
class _Year:
    """A year of clear sky.

    Of the quarter hours with beam: their day of the year from 0, the sun's column
    of a skyline and elevation, and what the beam would give, h; and the power of each day, h, [365].
    """

    day: NDArray[np.int64]
    column: NDArray[np.int64]
    elevation_deg: Floats
    beam: Floats
    power: Floats


@lru_cache(maxsize=8)
def _year(facts: SiteFacts, start: int, azimuth_deg: float, tilt_deg: float, module: Module | None) -> _Year:
    day, sun, air = _sun(facts, start)
    parts = plane_parts(sun, azimuth_deg, tilt_deg)
    poa = through_glass(parts, tilt_deg)
    power = per_rated(module, poa, cell_temperature(poa, air)) * (_STEP_S / 3600.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        beam = power * np.nan_to_num(parts.direct / parts.total)
    at = np.flatnonzero(beam)
    of_day = np.bincount(day, power, minlength=_DAYS).astype(np.float64)
    return _Year(day[at], column_of(sun.azimuth_deg[at]), sun.elevation_deg[at], beam[at], of_day)


@lru_cache(maxsize=2)
def _sun(facts: SiteFacts, start: int) -> tuple[NDArray[np.int64], Sun, Floats]:
    """Day of the year from 0, the sun and the air's temperature, at the quarter hours of a year at which the sun is up."""
    at, sun = sun_by_day(facts, start + _STEP_S * np.arange(_DAYS * 86400 // _STEP_S, dtype=np.int64))
    return at * _STEP_S // 86400, sun, ambient_estimate(facts, sun.ts)


def _closed(mask: Mask, gap: int) -> Mask:
    """A ring of days with gaps of up to ``gap`` filled and spells shorter than that dropped."""
    out = mask.copy()
    for want in (True, False):
        size = len(out)
        turn = np.flatnonzero(out != np.roll(out, 1))
        if not turn.size:
            return out
        ends = np.r_[turn[1:], turn[0] + size]
        short = np.flatnonzero((ends - turn <= gap) & (out[turn] != want))
        for a, b in zip(turn[short].tolist(), ends[short].tolist(), strict=True):
            out[np.arange(a, b) % size] = want
    return out
