"""Irradiance in a plane: from a sensor, from a clear-sky index, or clear sky.

pvlib does the physics.  Choices, and why:

* Transposition is Hay-Davies: a closed form of few inputs that behaves at low
  sun, so thousands of candidate planes can be tried at once.  Against the
  finer Perez model it differs by a few per cent on planes away from the sun;
  every absolute expectation here is scaled by a factor learnt on the site's
  own clear days, which takes up a difference that small.
* Decomposition is Erbs in Driesse's continuous form (a jump in the curve would
  make a power read as two different skies), bent so that a sky as bright as
  the clear sky has the clear sky's own diffuse share.

References
----------
J. E. Hay, J. A. Davies, Proc. First Canadian Solar Radiation Data Workshop,
59-72, 1980 (``pvlib.irradiance.haydavies``).
D. G. Erbs, S. A. Klein, J. A. Duffie, Solar Energy 28, 293-302, 1982, in the
form of A. Driesse, 2024 (``pvlib.irradiance.erbs_driesse``).
N. Martin, J. M. Ruiz, Solar Energy Materials & Solar Cells 70, 25-38, 2001,
and Prog. Photovolt. 13, 75-84, 2005 (reflection; ``pvlib.iam``).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from pvlib import iam, irradiance

from rules.finding import Threshold
from rules.ranks import Floats
from rules.sun import Sun

#: From this clear-sky index on the split starts to lean to the clear sky's own.
CLEAR_LEAN_FROM: Final = Threshold(0.7, "ratio", "own choice; checked on measured GHI, DHI and plane irradiance")
#: Lowest cosine of zenith in the direct ratio, as in pvlib's Hay-Davies.
_MIN_COS_ZENITH: Final = 0.01745


@dataclass(frozen=True)
class PlaneParts:
    """Irradiance in a plane by origin, W/m², each [..., T]; ``cos_aoi`` is not clipped."""

    direct: Floats
    sky: Floats
    ground: Floats
    cos_aoi: Floats

    @property
    def total(self) -> Floats:
        return self.direct + self.sky + self.ground


def plane_parts(
    sun: Sun,
    azimuth_deg: float | Floats,
    tilt_deg: float | Floats,
    ghi: Floats | None = None,
    dni: Floats | None = None,
    dhi: Floats | None = None,
    albedo: float = 0.2,
) -> PlaneParts:
    """Irradiance in a plane by origin.

    ``direct`` holds the beam and the sky's brightening around the sun.

    Parameters
    ----------
    sun : sun and clear sky, [T].
    azimuth_deg, tilt_deg : the plane; degrees clockwise from north, degrees from horizontal.
        Arrays [K, 1] give many planes at once: [K, T].
    ghi, dni, dhi : [..., T] measured irradiance, W/m²; any subset.  Of two the
        third follows; GHI alone is decomposed; DHI alone, or none, means clear sky.
    albedo : of the ground, 1.
    """
    ghi, dni, dhi = _components(sun, ghi, dni, dhi)
    cos_zenith = np.cos(np.radians(sun.zenith_deg))
    cos_aoi = irradiance.aoi_projection(tilt_deg, azimuth_deg, sun.zenith_deg, sun.azimuth_deg)
    ratio = np.maximum(cos_aoi, 0.0) / np.maximum(cos_zenith, _MIN_COS_ZENITH)
    sky = irradiance.haydavies(tilt_deg, azimuth_deg, dhi, dni, sun.dni_extra, projection_ratio=ratio, return_components=True)
    up = sun.zenith_deg < 90.0
    return PlaneParts(
        direct=np.where(up, dni * np.maximum(cos_aoi, 0.0) + sky["poa_circumsolar"], 0.0),
        sky=np.where(up, sky["poa_isotropic"], 0.0),
        ground=np.where(up, irradiance.get_ground_diffuse(tilt_deg, ghi, albedo), 0.0),
        cos_aoi=cos_aoi,
    )


def plane_global(
    sun: Sun,
    azimuth_deg: float | Floats,
    tilt_deg: float | Floats,
    ghi: Floats | None = None,
    dni: Floats | None = None,
    dhi: Floats | None = None,
    albedo: float = 0.2,
) -> Floats:
    """Global irradiance in a plane, W/m², [..., T]: what a pyranometer there reads.

    Parameters as in :func:`plane_parts`.
    """
    return plane_parts(sun, azimuth_deg, tilt_deg, ghi, dni, dhi, albedo).total


def plane_effective(
    sun: Sun,
    azimuth_deg: float | Floats,
    tilt_deg: float | Floats,
    ghi: Floats | None = None,
    dni: Floats | None = None,
    dhi: Floats | None = None,
    albedo: float = 0.2,
) -> Floats:
    """Irradiance that gets through a module's glass, W/m², [..., T].

    :func:`plane_global` less reflection at slanting incidence (Martin and
    Ruiz, a_r = 0.16): what a module makes power from.  At normal incidence
    the two agree.
    """
    return through_glass(plane_parts(sun, azimuth_deg, tilt_deg, ghi, dni, dhi, albedo), tilt_deg)


def through_glass(parts: PlaneParts, tilt_deg: float | Floats) -> Floats:
    """:func:`plane_effective` of irradiance already told by origin, W/m², [..., T]."""
    aoi = np.degrees(np.arccos(np.clip(parts.cos_aoi, -1.0, 1.0)))
    diffuse = iam.martin_ruiz_diffuse(tilt_deg)
    return np.asarray(parts.direct * iam.martin_ruiz(aoi) + parts.sky * diffuse["sky"] + parts.ground * diffuse["ground"])


def clear_index_levels(sun: Sun, azimuth_deg: float, tilt_deg: float, levels: Floats, effective: bool = False) -> Floats:
    """Plane irradiance for each of several sky brightnesses, W/m², [L, T].

    Row l is the plane's irradiance when the global horizontal irradiance is
    ``levels[l]`` times clear sky; a measured power is looked up in it to tell
    the clear-sky index.  On a plane that the sun does not reach, the
    irradiance need not grow with the level: such stamps tell nothing.

    Parameters
    ----------
    levels : [L] clear-sky indices, 1; 1.0 is clear sky.
    effective : True for :func:`plane_effective`, False for :func:`plane_global`.
    """
    up = sun.zenith_deg < 90.0
    if not up.all():
        out = np.zeros((len(levels), len(up)))
        out[:, up] = clear_index_levels(sun.at(up), azimuth_deg, tilt_deg, levels, effective)
        return out
    ghi = np.asarray(levels, dtype=np.float64)[:, None] * sun.clear_ghi[None, :]
    plane = plane_effective if effective else plane_global
    return plane(sun, azimuth_deg, tilt_deg, ghi=ghi)


def decomposed(sun: Sun, ghi: Floats) -> tuple[Floats, Floats, Floats]:
    """Global, direct normal and diffuse irradiance of a global one, W/m², [..., T] each: for several planes at once."""
    return _components(sun, ghi, None, None)


def _components(sun: Sun, ghi: Floats | None, dni: Floats | None, dhi: Floats | None) -> tuple[Floats, Floats, Floats]:
    cos_zenith = np.maximum(np.cos(np.radians(sun.zenith_deg)), _MIN_COS_ZENITH)
    if ghi is None and dni is None:
        return sun.clear_ghi, sun.clear_dni, sun.clear_dhi
    if ghi is None:
        assert dni is not None
        dhi = sun.clear_dhi if dhi is None else dhi
        return dni * cos_zenith + dhi, dni, dhi
    ghi = np.maximum(ghi, 0.0)
    if dni is None and dhi is None:
        return (ghi, *_decompose(sun, ghi))
    if dhi is None:
        assert dni is not None
        return ghi, dni, np.clip(ghi - dni * cos_zenith, 0.0, ghi)
    if dni is None:
        # Division at low sun would turn a reading error into a bright beam.
        dni = np.clip((ghi - dhi) / cos_zenith, 0.0, np.where(sun.zenith_deg < 88.0, sun.dni_extra, 0.0))
    return ghi, dni, dhi


def _decompose(sun: Sun, ghi: Floats) -> tuple[Floats, Floats]:
    """Direct normal and diffuse horizontal of a global irradiance, W/m², [..., T]."""
    share = _erbs_share(sun, ghi)
    with np.errstate(divide="ignore", invalid="ignore"):
        index = ghi / sun.clear_ghi
        clear_share = sun.clear_dhi / sun.clear_ghi
        bend = clear_share / _erbs_share(sun, sun.clear_ghi)
    start = CLEAR_LEAN_FROM.value
    lean = np.clip((index - start) / (1.0 - start), 0.0, 1.0)
    lit = sun.clear_ghi > 1.0
    share = np.where(lit, np.clip(share * (1.0 + lean * (bend - 1.0)), 0.0, 1.0), 1.0)
    dhi = ghi * share
    cos_zenith = np.cos(np.radians(sun.zenith_deg))
    direct = np.where(cos_zenith > _MIN_COS_ZENITH, (ghi - dhi) / np.maximum(cos_zenith, _MIN_COS_ZENITH), 0.0)
    return np.minimum(direct, sun.dni_extra), dhi


def _erbs_share(sun: Sun, ghi: Floats) -> Floats:
    split = irradiance.erbs_driesse(ghi, sun.zenith_deg, dni_extra=sun.dni_extra)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(ghi > 0.0, split["dhi"] / ghi, 1.0)
