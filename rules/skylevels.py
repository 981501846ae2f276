"""What each plane makes of each brightness of the sky, half hour by half hour.

Tabulated once for a case, of its lit half hours only (a night is half of all);
rules look a sky's brightness up in it, or a plane's power.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from collectors.site import SiteDescription
from rules.daytable import plane_names
from rules.irradiance import decomposed, plane_parts, through_glass
from rules.module import ambient_estimate, cell_temperature, per_rated
from rules.ranks import Floats, Mask
from rules.sun import Sun

#: Sky brightnesses at which a plane's response is tabulated, of clear sky.
LEVELS = np.array([0.02, 0.08, 0.15, 0.25, 0.35, 0.45, 0.55, 0.65, 0.75, 0.85, 0.95, 1.05, 1.2, 1.4])
#: Position in LEVELS just above a clear sky.
CLEAR_AT = 11
#: A plane tells the sky's brightness where no cloudy sky gives it more than this times what a clear one does.
MONOTONE = 1.08


@dataclass(frozen=True)
class SkyLevels:
    """Tables over L brightnesses and T lit half hours, one for each plane.

    Attributes
    ----------
    lit : int64[T], positions in [D * B].
    response : [L, T] power per rated watt over that under a clear sky.
    rising : [L, T] the same made to rise with the sky's brightness.
    tells : [T] where power tells the brightness.
    direct : [L, T] share of light that comes straight from the sun.
    """

    lit: NDArray[np.int64]
    response: list[Floats]
    rising: list[Floats]
    tells: list[Mask]
    direct: list[Floats]

    def brightness(self, share: Floats, plane: int) -> Floats:
        """Clear-sky index at which a plane makes ``share`` of its clear-sky power, [D, B]; NaN where that tells nothing."""
        told = share.ravel()[self.lit]
        at = np.flatnonzero(np.isfinite(told) & self.tells[plane])
        known, rising = told[at], self.rising[plane].take(at, axis=1)
        high = np.clip((rising <= known).sum(axis=0, dtype=np.int8), 1, len(LEVELS) - 1).astype(np.intp)
        low, each = high - 1, np.arange(known.size)
        r_low, r_high = rising[low, each], rising[high, each]
        part = np.clip((known - r_low) / np.maximum(r_high - r_low, 1e-6), 0, 1)
        out = np.full(share.size, np.nan)
        out[self.lit[at]] = LEVELS[low] + part * (LEVELS[high] - LEVELS[low])
        return out.reshape(share.shape)

    def made(self, index: Floats, plane: int) -> Floats:
        """Share of clear-sky power a plane makes at a clear-sky index, [D, B]; NaN where that is not known."""
        out = np.where(np.isfinite(index), 0.0, np.nan)
        at, value = self._between(self.response[plane], index)
        out.ravel()[at] = value
        return out

    def beam(self, index: Floats, plane: int) -> Floats:
        """Share of a plane's light straight from the sun at a clear-sky index, [D, B]; 0 where that is not known."""
        out = np.zeros(index.shape)
        at, value = self._between(self.direct[plane], index)
        out.ravel()[at] = value
        return out

    def _between(self, table: Floats, index: Floats) -> tuple[NDArray[np.int64], Floats]:
        """Positions of lit half hours with a known index, and the table's value there; linear between."""
        asked = index.ravel()[self.lit]
        each = np.flatnonzero(np.isfinite(asked))
        asked = asked[each]
        high = np.clip(np.searchsorted(LEVELS, asked), 1, len(LEVELS) - 1)
        low = high - 1
        part = np.clip((asked - LEVELS[low]) / (LEVELS[high] - LEVELS[low]), 0, 1)
        at_low, at_high = table[low, each], table[high, each]
        return self.lit[each], at_low + part * (at_high - at_low)


def sky_levels(site: SiteDescription, sun: Sun, air_c: Floats) -> SkyLevels:
    """Tables of every plane in use (:func:`rules.daytable.plane_names`).

    Parameters
    ----------
    sun : [D * B], at the middle of every half hour.
    air_c : [D * B], air temperature, Celsius; NaN where not measured.
    """
    lit = np.flatnonzero(sun.zenith_deg < 90.0)
    day = sun.at(lit)
    air = air_c[lit]
    air = np.where(np.isfinite(air), air, ambient_estimate(site.site, day.ts))
    # The split of a sky is every plane's: it is asked for once.
    sky = decomposed(day, np.append(LEVELS, 1.0)[:, None] * day.clear_ghi[None, :])
    table = SkyLevels(lit, [], [], [], [])
    for name in plane_names(site):
        plane = site.planes[name]
        azimuth, tilt = plane.azimuth_deg or 0.0, plane.tilt_deg or 0.0
        parts = plane_parts(day, azimuth, tilt, *sky)
        module = next(ref.module for ref in site.inputs if ref.plane == name)
        poa = through_glass(parts, tilt)
        power = per_rated(module, poa, cell_temperature(poa, air, 1.0))
        total = parts.total[:-1]
        with np.errstate(invalid="ignore", divide="ignore"):
            response = np.where(power[-1] > 1e-3, power[:-1] / power[-1], 0.0)
            direct = np.where(total > 5.0, parts.direct[:-1] / total, 0.0)
        table.response.append(response)
        table.direct.append(direct)
        # Where the sun hardly reaches the plane, thin cloud gives more than clear sky: it tells nothing.
        table.rising.append(np.maximum.accumulate(response, axis=0))
        table.tells.append(response[:CLEAR_AT].max(axis=0) <= MONOTONE)
    return table


__all__ = ["CLEAR_AT", "LEVELS", "MONOTONE", "SkyLevels", "sky_levels"]
