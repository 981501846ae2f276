"""Sun, sky, clouds and weather over a site, at the simulator's own time step.

Clouds are made at one minute and averaged: a weather type per day (clear, few,
broken, overcast; a Markov chain), passages of single clouds inside broken
spells, brighter gaps between them, slow waves under an overcast.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pvlib
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d
from scipy.signal import lfilter

from sample_logs.sim.style import Style

F = NDArray[np.float64]


@dataclass(frozen=True)
class Sky:
    """Everything above the roof on the step grid [T]; stamps are step starts (UTC s)."""

    ts: NDArray[np.int64]
    step_s: int
    sun_azimuth_deg: F
    sun_elevation_deg: F
    ghi: F
    dni: F
    dhi: F
    clear_ghi: F
    extra: F
    airmass: F
    temp_air_c: F
    wind_m_s: F
    rain_mm: F
    snow_mm: F
    latitude: float
    longitude: float
    albedo: F


def _wander(rng: np.random.Generator, n: int, memory_steps: float) -> F:
    """A first-order random walk that comes back, unit variance, length ``n``."""
    a = np.exp(-1.0 / memory_steps)
    out = lfilter([np.sqrt(1 - a * a)], [1, -a], rng.normal(size=n + int(4 * memory_steps)))
    return np.asarray(out)[-n:]


def _weather_types(rng: np.random.Generator, days: int, cloudiness: float, forced: str | None) -> list[str]:
    names = ["clear", "few", "broken", "overcast"]
    if forced:
        return [forced] * days
    c = cloudiness
    base = np.array([(1 - c) ** 1.5, 0.6 * (1 - c), 0.8 * c + 0.1, c**1.6])
    base /= base.sum()
    out = [names[rng.choice(4, p=base)]]
    for _ in range(days - 1):  # tomorrow is like today, or drawn anew
        out.append(out[-1] if rng.random() < 0.4 else names[rng.choice(4, p=base)])
    return out


def _cloud_minutes(rng: np.random.Generator, types: list[str], minutes: int) -> tuple[F, F, F]:
    """Beam transmittance, local cover and overcast depth per minute."""
    beam = np.ones(minutes)
    cover = np.zeros(minutes)
    covers = {"clear": 0.0, "few": 0.2, "broken": 0.55, "overcast": 1.0}
    pieces: list[tuple[int, int, str]] = []
    for day, kind in enumerate(types):
        start = day * 1440
        while start < min((day + 1) * 1440, minutes):
            length = int(rng.uniform(150, 600))
            here = kind
            if rng.random() < 0.25:
                here = list(covers)[rng.integers(4)] if kind != "clear" else "few"
            end = min(start + length, (day + 1) * 1440, minutes)
            pieces.append((start, end, here))
            start = end
    for start, end, kind in pieces:
        n = end - start
        if kind == "clear":
            continue
        if kind == "overcast":
            beam[start:end] = np.clip(0.03 + 0.06 * rng.normal(), 0, 0.12)
            cover[start:end] = 1.0
            continue
        mean_cloud = rng.uniform(2, 15)
        share = float(np.clip(covers[kind] + 0.15 * rng.normal(), 0.05, 0.9))
        cycles = int(n / (mean_cloud / share)) * 2 + 8
        lengths = np.empty(2 * cycles)
        lengths[::2] = rng.exponential(mean_cloud / share * (1 - share), cycles) + 0.5
        lengths[1::2] = rng.exponential(mean_cloud, cycles) + 0.5
        edges = np.cumsum(lengths)
        which = np.searchsorted(edges, np.arange(n))
        deep = np.clip(rng.beta(1.2, 2.0, 2 * cycles + 1), 0, 0.85)
        beam[start:end] = np.where(which % 2 == 1, deep[which], 1.0)
        cover[start:end] = share
    beam = uniform_filter1d(beam, 3)
    return beam, uniform_filter1d(cover, 41), np.clip(0.30 + 0.09 * _wander(rng, minutes, 70), 0.05, 0.6)


def make_sky(
    rng: np.random.Generator,
    latitude: float,
    longitude: float,
    altitude_m: float,
    start_ts: int,
    days: int,
    step_s: int,
    style: Style,
    forced_weather: str | None = None,
    snow_day: int | None = None,
) -> Sky:
    """Sky over ``days`` days from ``start_ts`` (UTC s) in steps of ``step_s`` (60 or 300)."""
    count = days * 86400 // step_s
    ts = start_ts + step_s * np.arange(count, dtype=np.int64)
    index = pd.DatetimeIndex(pd.to_datetime(ts + step_s // 2, unit="s", utc=True))
    doy = index.day_of_year.to_numpy()
    sun = pvlib.solarposition.get_solarposition(index, latitude, longitude, altitude_m)
    zenith = sun["apparent_zenith"].to_numpy()
    up = zenith < 90
    extra = np.asarray(pvlib.irradiance.get_extra_radiation(doy), dtype=float)
    airmass = np.nan_to_num(np.asarray(pvlib.atmosphere.get_relative_airmass(np.where(up, zenith, 90.0))), nan=38.0)
    press = pvlib.atmosphere.alt2pres(altitude_m)
    am_abs = airmass * press / 101325.0
    zenith = np.where(up, zenith, 89.9)  # night is masked below; the formulas must not see it
    if style.clear_sky == "ineichen":
        with warnings.catch_warnings():  # pvlib still uses a name that pandas is about to drop
            warnings.simplefilter("ignore")
            table = pvlib.clearsky.lookup_linke_turbidity(index[:: 86400 // step_s], latitude, longitude)
        linke = np.repeat(np.asarray(table), 86400 // step_s)[:count] * style.turbidity_factor
        clear = pvlib.clearsky.ineichen(zenith, am_abs, linke, altitude_m, extra)
        ghi0, dni0, dhi0 = (np.nan_to_num(np.asarray(clear[k])) for k in ("ghi", "dni", "dhi"))
    elif style.clear_sky == "solis":
        clear = pvlib.clearsky.simplified_solis(
            90 - zenith,
            aod700=0.1 * style.turbidity_factor,
            precipitable_water=1.5,
            pressure=press,
            dni_extra=extra,
        )
        ghi0, dni0, dhi0 = (np.nan_to_num(np.asarray(clear[k])) for k in ("ghi", "dni", "dhi"))
    else:
        ghi0 = np.nan_to_num(pvlib.clearsky.haurwitz(pd.Series(zenith))["ghi"].to_numpy())
        dhi0 = ghi0 * np.clip(0.12 + 0.02 * (airmass - 1), 0.1, 0.6)
        dni0 = np.where(up, (ghi0 - dhi0) / np.maximum(np.cos(np.radians(zenith)), 0.05), 0.0)
    ghi0, dni0, dhi0 = (np.where(up, np.maximum(x, 0), 0.0) for x in (ghi0, dni0, dhi0))
    cosz = np.where(up, np.cos(np.radians(zenith)), 0.0)

    types = _weather_types(rng, days, style.cloudiness, forced_weather)
    if snow_day is not None and snow_day < days:
        types[snow_day] = "overcast"
    minutes = days * 1440
    beam_m, cover_m, depth_m = _cloud_minutes(rng, types, minutes)
    if style.clouds == "smooth":
        beam_m = uniform_filter1d(beam_m, 25)
        depth_m = uniform_filter1d(depth_m, 25)
    per = step_s // 60
    beam, cover, depth = (x.reshape(count, per).mean(axis=1) for x in (beam_m, cover_m, depth_m))
    haze = 1 - 0.04 * np.abs(_wander(rng, count, 43200 / step_s))
    dni = dni0 * np.clip(beam * haze, 0, 1)
    bright = np.where((cover > 0.1) & (cover < 0.9), cover * 0.25 * rng.uniform(0.3, 1.0), 0.0)
    dhi = dhi0 * (1 - cover) + cover * depth * np.maximum(ghi0, dhi0) + bright * 0.4 * ghi0 * beam
    dhi = np.maximum(dhi, 0.02 * ghi0)
    ghi = dni * cosz + dhi

    rough = np.array([{"clear": 1.0, "few": 0.8, "broken": 0.5, "overcast": 0.2}[k] for k in types])
    fair = np.repeat(rough, 86400 // step_s)
    hour = ((ts + longitude * 240) % 86400) / 3600
    warm = np.cos(2 * np.pi * (doy - 200) / 365.25) * (1 if latitude >= 0 else -1)
    mean = 27 - 0.38 * max(abs(latitude) - 12, 0) - 0.0055 * altitude_m
    season = min(0.28 * abs(latitude), 14)
    air = (
        mean
        + season * warm
        + 3.0 * _wander(rng, count, 2 * 86400 / step_s)
        + (2 + 5 * uniform_filter1d(fair, 86400 // step_s)) * np.cos(2 * np.pi * (hour - 15) / 24)
    )
    wind = np.exp(0.8 + 0.45 * _wander(rng, count, 4 * 3600 / step_s) + 0.3 * np.cos(2 * np.pi * (hour - 14) / 24))
    wet = np.array([k == "overcast" and rng.random() < 0.65 for k in types])
    falls = np.where(wet, rng.gamma(1.2, 6.0, days), 0.0)
    if snow_day is not None and snow_day < days:
        lo, hi = snow_day * 86400 // step_s, (snow_day + 1) * 86400 // step_s
        air[lo:] += np.minimum(0, -4 - air[lo:hi].mean()) * np.exp(-np.arange(count - lo) * step_s / (4 * 86400))
        falls[snow_day] = rng.uniform(6, 25)
    fall = np.repeat(falls, 86400 // step_s) * step_s / 86400
    cold = air < 0.8
    snow = np.where(cold, fall, 0.0)
    ground_white = lfilter([1], [1, -np.exp(-step_s / (4 * 86400))], snow)
    return Sky(
        ts,
        step_s,
        sun["azimuth"].to_numpy(),
        sun["apparent_elevation"].to_numpy(),
        ghi,
        dni,
        dhi,
        ghi0,
        extra,
        airmass,
        air,
        wind,
        np.where(cold, 0.0, fall),
        snow,
        latitude,
        longitude,
        np.where(np.asarray(ground_white) > 2, 0.55, rng.uniform(0.12, 0.28)),
    )


@dataclass(frozen=True)
class PlaneLight:
    """Light on a plane [T], W/m²: what an obstacle can take away, and what it can't."""

    beam: F
    diffuse: F
    total_sensor: F


def light_on_plane(sky: Sky, azimuth_deg: float, tilt_deg: float, model: str) -> PlaneLight:
    """Beam (with the bright ring round the sun) and the remaining diffuse light of a plane."""
    zenith = np.clip(90 - sky.sun_elevation_deg, 0, 180)
    aoi = np.asarray(pvlib.irradiance.aoi(tilt_deg, azimuth_deg, zenith, sky.sun_azimuth_deg))
    up = sky.sun_elevation_deg > 0
    beam = np.where(up, sky.dni * np.maximum(np.cos(np.radians(aoi)), 0), 0.0)
    ring = np.zeros_like(beam)
    if model == "perez":
        parts = pvlib.irradiance.perez(
            tilt_deg,
            azimuth_deg,
            np.maximum(sky.dhi, 0.1),
            np.maximum(sky.dni, 1e-3),
            sky.extra,
            zenith,
            sky.sun_azimuth_deg,
            sky.airmass,
            return_components=True,
        )
        ring = np.nan_to_num(np.asarray(parts["poa_circumsolar"]))
        rest = np.nan_to_num(np.asarray(parts["poa_isotropic"]) + np.asarray(parts["poa_horizon"]))
    elif model == "haydavies":
        parts = pvlib.irradiance.haydavies(
            tilt_deg,
            azimuth_deg,
            sky.dhi,
            sky.dni,
            sky.extra,
            zenith,
            sky.sun_azimuth_deg,
            return_components=True,
        )
        ring = np.nan_to_num(np.asarray(parts["poa_circumsolar"]))
        rest = np.nan_to_num(np.asarray(parts["poa_isotropic"]))
    elif model == "klucher":
        rest = np.nan_to_num(
            np.asarray(
                pvlib.irradiance.klucher(tilt_deg, azimuth_deg, sky.dhi, np.maximum(sky.ghi, 1e-3), zenith, sky.sun_azimuth_deg)
            )
        )
    else:
        rest = sky.dhi * (1 + np.cos(np.radians(tilt_deg))) / 2
    ring = np.where(up, np.clip(ring, 0, 1.5 * sky.dhi), 0.0)
    rest = np.where(up, np.clip(rest, 0.25 * sky.dhi, 1.6 * sky.dhi + 1), 0.0)
    ground = sky.ghi * sky.albedo * (1 - np.cos(np.radians(tilt_deg))) / 2
    glass = np.nan_to_num(np.asarray(pvlib.iam.physical(np.minimum(aoi, 89.9))))
    return PlaneLight((beam + ring) * glass, (rest + ground) * 0.95, beam + ring + rest + ground)


def cell_temperature(sky: Sky, light: F, heat_loss: float, wind_loss: float, mass_s: float = 400.0) -> F:
    """Cell temperature [T], °C: Faiman (2008) with the module's thermal lag."""
    hot = light / (heat_loss + wind_loss * sky.wind_m_s)
    a = np.exp(-sky.step_s / mass_s)
    return np.asarray(sky.temp_air_c + lfilter([1 - a], [1, -a], hot))
