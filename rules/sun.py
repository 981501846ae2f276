"""Sun position and clear sky of a site, once per time grid.

pvlib computes both: the NREL solar position algorithm (SPA) and the Ineichen
clear sky with the monthly Linke turbidity table that pvlib ships.

References
----------
I. Reda, A. Andreas, "Solar Position Algorithm for Solar Radiation
Applications", NREL/TP-560-34302, 2008 (``pvlib.spa``).
P. Ineichen, R. Perez, Solar Energy 73(3), 151-157, 2002
(``pvlib.clearsky.ineichen``).
F. Kasten, A. T. Young, Applied Optics 28, 4735-4738, 1989 (air mass).
"""

from __future__ import annotations

import calendar
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pvlib import atmosphere, clearsky, spa

from collectors.site import SiteFacts
from rules.ranks import Floats

Stamps = NDArray[np.int64]

#: Geocentric values are interpolated linearly between these nodes. The sun's
#: declination bends by at most 0.007 deg/day², so the error stays below 2e-5 deg.
_NODE_S = 3 * 3600
#: Nodes that are computed, and remembered, together: a month of them.
_CHUNK = 256
_SOLAR_DEG_PER_S = 360.0 / 86400.0
_SOLAR_CONSTANT_W_M2 = 1366.1  # pvlib.irradiance.get_extra_radiation's default
_REFRACTION_AT_SUNRISE_DEG = 0.5667  # SPA's own default
_AIR_TEMP_FOR_REFRACTION_C = 12.0  # pvlib.solarposition's default
#: Refraction lifts the sun by 0.6 deg at the horizon (SPA's formula), parallax lowers it by 0.003.
_SURELY_DOWN_DEG = -1.5


@dataclass(frozen=True)
class Sun:
    """Sun and clear sky on a time grid; every array is [T] and read-only.

    ``elevation_deg`` and ``zenith_deg`` are apparent (with refraction),
    ``azimuth_deg`` is clockwise from north, irradiances are W/m² and 0 at night.
    """

    ts: Stamps
    elevation_deg: Floats
    zenith_deg: Floats
    azimuth_deg: Floats
    dni_extra: Floats
    clear_ghi: Floats
    clear_dni: Floats
    clear_dhi: Floats

    def at(self, where: NDArray[np.bool_] | NDArray[np.int64]) -> Sun:
        """The same at some of the times; ``where`` is a mask [T] or positions."""
        return Sun(*(array[where] for array in vars(self).values()))


def sun_of(facts: SiteFacts, ts: Stamps) -> Sun:
    """Sun and clear sky at a site.

    Parameters
    ----------
    facts : the site; latitude, longitude (degrees) and altitude (m) are used.
    ts : [T] UTC epoch seconds, in any order; the latest few regular grids are
        remembered.
    """
    stamps = np.ascontiguousarray(ts, dtype=np.int64)
    if stamps.size > 2:
        step = int(stamps[1] - stamps[0])
        if step > 0 and np.all(np.diff(stamps) == step):
            return _on_grid(facts.latitude, facts.longitude, facts.altitude_m, int(stamps[0]), step, stamps.size)
    return _compute(facts.latitude, facts.longitude, facts.altitude_m, stamps)


def sun_by_day(facts: SiteFacts, ts: Stamps) -> tuple[NDArray[np.int64], Sun]:
    """Positions [U] of the times at which the sun is up, and sun and clear sky there; parameters as of :func:`sun_of`.

    Half of the price for whole days: at night nothing is computed but that it is night.
    """
    first, last = int(ts.min()) // 86400, int(ts.max()) // 86400
    equation, declination = _interpolated(np.arange(first, last + 1) * 86400 + 43200, 2)
    latitude, tilt = np.radians(facts.latitude), np.radians(declination)
    # The hour angle at which the sun of that day is surely down; within a day its declination moves by less than 0.4 deg.
    cosine = (np.sin(np.radians(_SURELY_DOWN_DEG)) - np.sin(latitude) * np.sin(tilt)) / (np.cos(latitude) * np.cos(tilt))
    half = np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))) / _SOLAR_DEG_PER_S
    shift = np.rint((equation + facts.longitude) / _SOLAR_DEG_PER_S).astype(np.int64)
    day = ts // 86400 - first
    since = (ts + shift[day]) % 86400  # s since the sun stood in the south, or north
    near = np.flatnonzero((since <= half[day]) | (since >= 86400 - half[day]))
    sun = _compute(facts.latitude, facts.longitude, facts.altitude_m, ts[near])
    up = sun.zenith_deg < 90.0
    return near[up], sun.at(up)


@lru_cache(maxsize=4)
def _on_grid(latitude: float, longitude: float, altitude_m: float, start: int, step: int, size: int) -> Sun:
    stamps = start + step * np.arange(size, dtype=np.int64)
    return _compute(latitude, longitude, altitude_m, stamps)


def _compute(latitude: float, longitude: float, altitude_m: float, ts: Stamps) -> Sun:
    pressure_pa = float(atmosphere.alt2pres(altitude_m))
    zenith, azimuth, distance_au = _position(latitude, longitude, altitude_m, pressure_pa / 100.0, ts)
    dni_extra = _SOLAR_CONSTANT_W_M2 / distance_au**2
    ghi, dni, dhi = np.zeros((3, ts.size))
    day = zenith < 90.0
    if day.any():
        air_mass = atmosphere.get_absolute_airmass(
            atmosphere.get_relative_airmass(zenith[day], model="kastenyoung1989"), pressure_pa
        )
        clear = clearsky.ineichen(
            zenith[day],
            air_mass,
            linke_turbidity(latitude, longitude, ts[day]),
            altitude=altitude_m,
            dni_extra=dni_extra[day],
        )
        # A hair above the horizon the formula may return NaN: no light there anyway.
        ghi[day], dni[day], dhi[day] = (np.nan_to_num(clear[name]) for name in ("ghi", "dni", "dhi"))
    arrays = (ts.copy(), 90.0 - zenith, zenith, azimuth, dni_extra, ghi, dni, dhi)
    for array in arrays:
        array.flags.writeable = False
    return Sun(*arrays)


def _position(
    latitude: float, longitude: float, altitude_m: float, pressure_hpa: float, ts: Stamps
) -> tuple[Floats, Floats, Floats]:
    """Apparent zenith and azimuth (degrees) and the sun's distance (AU), each [T].

    pvlib's SPA in two parts: the place of earth and sun (long sums) at
    nodes that all sites share, and what the observer sees of it (short sums) at every stamp.
    """
    if ts.size == 0:
        return np.zeros(0), np.zeros(0), np.ones(0)
    equation, declination, distance = _interpolated(ts, 3)
    local_hour = (equation + _SOLAR_DEG_PER_S * (ts % 86400) + longitude) % 360.0
    parallax = spa.equatorial_horizontal_parallax(distance)
    u = spa.uterm(latitude)
    x, y = spa.xterm(u, latitude, altitude_m), spa.yterm(u, latitude, altitude_m)
    shift = spa.parallax_sun_right_ascension(x, parallax, local_hour, declination)
    declination = spa.topocentric_sun_declination(declination, x, y, parallax, shift, local_hour)
    local_hour = spa.topocentric_local_hour_angle(local_hour, shift)
    elevation = spa.topocentric_elevation_angle_without_atmosphere(latitude, declination, local_hour)
    refraction = spa.atmospheric_refraction_correction(
        pressure_hpa, _AIR_TEMP_FOR_REFRACTION_C, elevation, _REFRACTION_AT_SUNRISE_DEG
    )
    azimuth = spa.topocentric_azimuth_angle(spa.topocentric_astronomers_azimuth(local_hour, declination, latitude))
    return 90.0 - (elevation + refraction), azimuth, distance


def _interpolated(ts: Stamps, wanted: int) -> list[Floats]:
    """The first ``wanted`` of what :func:`_geocentric` gives, at every stamp, [T] each; T is one and more."""
    first, last = int(ts.min()) // _NODE_S, int(ts.max()) // _NODE_S + 1
    chunks = [_geocentric(chunk) for chunk in range(first // _CHUNK, last // _CHUNK + 1)]
    nodes, *told = (np.concatenate(parts) for parts in zip(*chunks, strict=True))
    times = ts.astype(np.float64)
    return [np.interp(times, nodes, of) for of in told[:wanted]]


@lru_cache(maxsize=64)
def _geocentric(chunk: int) -> tuple[Floats, Floats, Floats, Floats]:
    """A month's nodes: UTC seconds, the sun's hour angle at Greenwich less the mean sun's, declination (degrees), distance (AU).

    The hour angle less the clock's is half a turn and the equation of time: it never wraps.
    """
    nodes = (chunk * _CHUNK + np.arange(_CHUNK, dtype=np.int64)) * _NODE_S
    middle = pd.Timestamp(int(nodes[_CHUNK // 2]), unit="s")
    delta_t = float(spa.calculate_deltat(middle.year, middle.month))
    times = nodes.astype(np.float64)
    # The observer's place counts for nothing in what is asked here.
    sidereal, right_ascension, declination = spa.solar_position_numpy(times, 0.0, 0.0, 0.0, 1013.25, 0.0, delta_t, 0.0, 1, sst=True)
    distance = spa.heliocentric_radius_vector(
        spa.julian_ephemeris_millennium(spa.julian_ephemeris_century(spa.julian_ephemeris_day(spa.julian_day(times), delta_t)))
    )
    equation = (sidereal - right_ascension - _SOLAR_DEG_PER_S * (nodes % 86400)) % 360.0
    return times, equation, declination, distance


def linke_turbidity(latitude: float, longitude: float, ts: Stamps) -> Floats:
    """Linke turbidity from pvlib's table of monthly means, interpolated to days; [T]."""
    middles, months = _turbidity_year(*_cell(latitude, longitude))
    days = np.asarray(ts // 86400, dtype=np.int64)
    if not days.size:
        return np.zeros(0)
    # One value for each day between, then picked: cheaper than sorting out which days there are.
    first = int(days.min())
    dates = np.arange(first, int(days.max()) + 1).astype("datetime64[D]")
    day_of_year = (dates - dates.astype("datetime64[Y]").astype("datetime64[D]")).astype(np.float64) + 1.0
    return np.interp(day_of_year, middles, months)[days - first]


def _cell(latitude: float, longitude: float) -> tuple[float, float]:
    """Middle of the cell of pvlib's turbidity table that holds a place, degrees: neighbours share one reading of it."""
    row = min(max(round((90.0 - latitude) * 12.0 - 0.5), 0), 2159)
    column = min(max(round((longitude + 180.0) * 12.0 - 0.5), 0), 4319)
    return 90.0 - (row + 0.5) / 12.0, (column + 0.5) / 12.0 - 180.0


@lru_cache(maxsize=1024)
def _turbidity_year(latitude: float, longitude: float) -> tuple[Floats, Floats]:
    """Middle of each month as day of the year, and the twelve means, each with a neighbour at both ends."""
    months = pd.date_range("2015-01-01", periods=12, freq="MS", tz="UTC")
    table = clearsky.lookup_linke_turbidity(months, latitude, longitude, interp_turbidity=False)
    values = np.asarray(table, dtype=np.float64)
    lengths = np.array([calendar.monthrange(2015, month)[1] for month in range(1, 13)], dtype=np.float64)
    middles = np.cumsum(lengths) - lengths / 2.0
    middles = np.concatenate([[-lengths[-1] / 2.0], middles, [365.0 + lengths[0] / 2.0]])
    return middles, np.concatenate([values[-1:], values, values[:1]])
