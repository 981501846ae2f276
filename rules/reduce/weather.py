"""Weather readings by half hours, and the plane whose irradiance sensor they come from."""

from __future__ import annotations

import numpy as np
import pandas as pd

from collectors.site import SiteDescription
from rules.daytable import BINS, SKY, plane_names
from rules.panel import Panel, day_offset
from rules.reduce.slots import Features

#: Columns of the weather frame, in the order of :data:`rules.daytable.SKY`.
_COLUMNS = ("ghi_w_m2", "poa_w_m2", "dni_w_m2", "dhi_w_m2", "temp_air_c", "temp_module_c", "wind_m_s")
_OFTEN = 0.9  # of the rows of the sensor that reads most: as good as all the time


def weather_features(panel: Panel, weather: pd.DataFrame) -> Features:
    """Mean and number of readings of each weather column by bin, [D, W, B], and the plane of the irradiance, [D]."""
    days, names = len(panel.days), plane_names(panel.site)
    mean = np.full((days, len(SKY), BINS), np.nan)
    number = np.zeros((days, len(SKY), BINS))
    plane = np.full(days, -1.0)
    out: Features = {"sky": mean, "sky_slots": number, "poa_plane": plane}
    if not len(weather):
        return out
    solar = weather["ts"].to_numpy(np.int64) + day_offset(panel.site)
    day = solar // 86400
    at = np.minimum(np.searchsorted(panel.days, day), days - 1)
    wanted = panel.days[at] == day
    if not wanted.any():
        return out
    cell = at * BINS + (solar % 86400) * BINS // 86400
    sensor = weather["plane"].to_numpy(object) if "plane" in weather else np.full(len(weather), "", object)
    tagged = weather.loc[wanted & weather["poa_w_m2"].notna().to_numpy()]
    chosen = _sunniest(panel.site, tagged["plane"]) if len(tagged) and "plane" in tagged else ""
    if chosen in names:
        plane[:] = names.index(chosen)
    elif len(names) == 1:
        plane[:] = 0
    for w, column in enumerate(_COLUMNS):
        if column not in weather:
            continue
        values = weather[column].to_numpy(np.float64)
        good = wanted & np.isfinite(values)
        if column == "poa_w_m2":
            good &= sensor == chosen
        if not good.any():
            continue
        total = np.bincount(cell[good], values[good], minlength=days * BINS)
        count = np.bincount(cell[good], minlength=days * BINS)
        number[:, w] = count.reshape(days, BINS)
        mean[:, w] = np.where(count > 0, total / np.maximum(count, 1), np.nan).reshape(days, BINS)
    return out


def _sunniest(site: SiteDescription, tags: pd.Series) -> str:
    """Of the planes whose sensors read (nearly) most often the one that faces the sun of an equinox noon best."""
    count = tags.astype(str).value_counts()
    often = sorted(count.index[count >= _OFTEN * count.iloc[0]])
    height = np.radians(90.0 - abs(site.site.latitude))
    towards_equator = 180.0 if site.site.latitude >= 0 else 0.0

    def faces(name: str) -> float:
        """Cosine of the angle between the plane's normal and that sun; -1 for a plane the site does not know."""
        plane = site.planes.get(name)
        if plane is None:
            return -1.0
        tilt, turn = np.radians(plane.tilt_deg or 0.0), np.radians((plane.azimuth_deg or 0.0) - towards_equator)
        return float(np.sin(height) * np.cos(tilt) + np.cos(height) * np.sin(tilt) * np.cos(turn))

    return max(often, key=faces)
