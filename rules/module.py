"""What a module makes of light and temperature.

Cell temperature after Faiman, DC power linear in temperature, efficiency at
low irradiance after Huld.  Voltages, ceilings and wake-up are in
:mod:`rules.compat.expected`.

References
----------
D. Faiman, Progress in Photovoltaics 16, 307-315, 2008
(``pvlib.temperature.faiman``).
T. Huld et al., Solar Energy Materials & Solar Cells 95, 3359-3369, 2011, with
the crystalline silicon coefficients of A. Chatzipanagi et al., Progress in
Photovoltaics 33, 905-917, 2025 (``pvlib.pvarray.huld``, "pvgis6").
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray
from pvlib import pvarray, temperature

from collectors.site import Module, SiteFacts
from rules.compat.expected import GAMMA_PMAX_PCT_K
from rules.finding import Threshold
from rules.ranks import Floats

#: Heat loss of a module, W/(m² K) and W/(m² K)/(m/s): Faiman 2008, pvlib's defaults.
HEAT_LOSS_STILL: Final = 25.0
HEAT_LOSS_WIND: Final = 6.84
#: Under a roof array the air hardly moves: 1 m/s when no wind is known.
WIND_WHEN_UNKNOWN: Final = Threshold(1.0, "m/s", "common practice; the reference wind of NOCT (IEC 61215)")
#: Lapse of the standard atmosphere (ISO 2533).
_LAPSE_K_PER_M: Final = -0.0065


def cell_temperature(poa: Floats, temp_air_c: Floats | float, wind_m_s: Floats | float | None = None) -> Floats:
    """Module temperature, Celsius, [..., T].

    The drop from cell to back sheet (some 3 K at 1000 W/m²) is left out: it is
    smaller than what the mounting does (10 % of power between close and open
    mounting), and a factor learnt on the site's clear days takes up both.

    Parameters
    ----------
    poa : plane irradiance, W/m²; NaN gives NaN.
    temp_air_c : air temperature, Celsius.
    wind_m_s : wind speed, m/s; where NaN or None, 1 m/s.
    """
    still = WIND_WHEN_UNKNOWN.value
    wind = still if wind_m_s is None else np.where(np.isfinite(wind_m_s), wind_m_s, still)
    return np.asarray(temperature.faiman(poa, temp_air_c, wind, HEAT_LOSS_STILL, HEAT_LOSS_WIND))


def ambient_estimate(facts: SiteFacts, ts: NDArray[np.int64]) -> Floats:
    """Air temperature where it was not measured, Celsius, [T].

    A crude climate: zonal mean ``27 - 0.0077 latitude²``, a season of 0.3 K
    per degree of latitude, warmest a month after the summer solstice, a day
    of +-4 K, warmest at 15 h solar time, and the standard atmosphere's lapse
    with altitude.  From memory of climate tables, good to some 6 K: 2 % of
    power, which every input of a site shares.
    """
    latitude = facts.latitude
    seconds = np.asarray(ts, dtype=np.float64)
    year_turn = 2.0 * np.pi * (seconds / 86400.0 % 365.2425) / 365.2425
    july = 2.0 * np.pi * 201.0 / 365.2425
    season = 0.3 * latitude * np.cos(year_turn - july)
    hour = (seconds / 3600.0 + facts.longitude / 15.0) % 24.0
    day = 4.0 * np.cos(2.0 * np.pi * (hour - 15.0) / 24.0)
    mean = 27.0 - 0.0077 * latitude**2 + _LAPSE_K_PER_M * facts.altitude_m
    return np.asarray(mean + season + day)


def gamma_pct_k(module: Module | None) -> tuple[float, bool]:
    """Temperature coefficient of power, %/K, and whether it had to be assumed."""
    if module is None or module.gamma_pmax_pct_k is None:
        return GAMMA_PMAX_PCT_K.value, True
    return module.gamma_pmax_pct_k, False


def relative_efficiency(poa: Floats) -> Floats:
    """Efficiency at an irradiance over that at 1000 W/m², 1, in the shape of ``poa``.

    Huld's polynomial in the logarithm of irradiance, not below 0.
    """
    light = np.asarray(poa, dtype=np.float64)
    power = pvarray.huld(light, 25.0, 1.0, cell_type="csi", k_version="pvgis6")
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(light > 0.0, np.maximum(power / (light / 1000.0), 0.0), np.where(light <= 0.0, 0.0, np.nan))


def per_rated(module: Module | None, poa: Floats, t_cell_c: Floats) -> Floats:
    """DC power per watt of rating, 1, [..., T].

    Parameters
    ----------
    module : its temperature coefficient; when missing, a common one (:func:`gamma_pct_k`).
    poa : irradiance behind the glass (``plane_effective``) or, short of that, in the plane, W/m².
    t_cell_c : cell temperature, Celsius.
    """
    gamma = gamma_pct_k(module)[0] / 100.0
    light = np.maximum(poa, 0.0)
    warm = np.maximum(1.0 + gamma * (t_cell_c - 25.0), 0.0)
    return np.asarray(light / 1000.0 * relative_efficiency(light) * warm)


def dc_power(module: Module | None, poa: Floats, t_cell_c: Floats) -> Floats:
    """DC power at the maximum power point, W, [..., T]; per watt of rating when the module is unknown."""
    rating = 1.0 if module is None else module.pmax_w
    return rating * per_rated(module, poa, t_cell_c)
