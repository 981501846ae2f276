"""Weather readings by half hours, and the planes whose irradiance sensors they come from."""

from __future__ import annotations

import numpy as np
import pandas as pd

from collectors.site import SiteDescription
from rules.daytable import BINS, SKY, plane_names
from rules.panel import Panel, day_offset
from rules.ranks import Floats, Mask
from rules.reduce.slots import Features

#: Columns of the weather frame, in the order of :data:`rules.daytable.SKY`.
_COLUMNS = ("ghi_w_m2", "poa_w_m2", "dni_w_m2", "dhi_w_m2", "temp_air_c", "temp_module_c", "wind_m_s")
_BIN_S = 86400 // BINS
_OFTEN = 0.9  # of the rows of the sensor that reads most: as good as all the time


def weather_features(panel: Panel, weather: pd.DataFrame) -> Features:
    """Weather by bin.

    Mean and number of readings of each column, [D, W, B], how late in their half hours they are stamped, [D],
    the plane of the irradiance, [D], and what the sensors of single planes read, [D, P, B].
    """
    days, names = len(panel.days), plane_names(panel.site)
    mean = np.full((days, len(SKY), BINS), np.nan)
    number = np.zeros((days, len(SKY), BINS))
    plane = np.full(days, -1.0)
    own = np.full((days, len(names), BINS), np.nan)
    late = np.full(days, np.nan)
    out: Features = {"sky": mean, "sky_slots": number, "sky_late": late, "poa_plane": plane, "plane_poa": own}
    if not len(weather):
        return out
    solar = weather["ts"].to_numpy(np.int64) + day_offset(panel.site)
    day = solar // 86400
    at = np.minimum(np.searchsorted(panel.days, day), days - 1)
    wanted = panel.days[at] == day
    if not wanted.any():
        return out
    cell = at * BINS + (solar % 86400) * BINS // 86400
    after = np.bincount(at[wanted], solar[wanted] % _BIN_S - _BIN_S / 2, minlength=days)
    with np.errstate(invalid="ignore", divide="ignore"):
        late[:] = after / np.bincount(at[wanted], minlength=days)
    sensor = weather["plane"].to_numpy(object) if "plane" in weather else np.full(len(weather), "", object)
    tagged = weather.loc[wanted & weather["poa_w_m2"].notna().to_numpy()]
    chosen = _sunniest(panel.site, tagged["plane"]) if len(tagged) and "plane" in tagged else ""
    if chosen in names:
        plane[:] = names.index(chosen)
    elif len(names) == 1:
        plane[:] = 0

    def by_bin(column: str, rows: Mask) -> tuple[Floats, Floats]:
        """Mean and number of some readings, [D, B] each."""
        values = weather[column].to_numpy(np.float64)
        rows = rows & np.isfinite(values)
        total = np.bincount(cell[rows], values[rows], minlength=days * BINS)
        count = np.bincount(cell[rows], minlength=days * BINS)
        average = np.where(count > 0, total / np.maximum(count, 1), np.nan)
        return average.reshape(days, BINS), count.reshape(days, BINS).astype(np.float64)

    for w, column in enumerate(_COLUMNS):
        if column not in weather:
            continue
        rows = wanted & (sensor == chosen) if column == "poa_w_m2" else wanted
        mean[:, w], number[:, w] = by_bin(column, rows)
    for p, name in enumerate(names if len(tagged) else ()):
        own[:, p] = by_bin("poa_w_m2", wanted & (sensor == name))[0]
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
