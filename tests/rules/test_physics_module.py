"""Temperature, DC power and what a unit lets through, against ratings, hand values and the one-diode
model."""

from __future__ import annotations

from functools import cache

import numpy as np
import pandas as pd
import pytest
from pvlib import pvsystem, temperature

from collectors.site import InputRef, Inverter, Module, SiteFacts
from rules.module import (
    ambient_estimate,
    cell_temperature,
    dc_power,
    gamma_pct_k,
    per_rated,
    relative_efficiency,
)


@cache
def library() -> pd.DataFrame:
    """Crystalline modules of the CEC table that pvlib ships (NREL SAM, 2019), every 200th."""
    table = pvsystem.retrieve_sam("CECMod").T
    crystalline = table[table["Technology"].isin(["Mono-c-Si", "Multi-c-Si"])]
    return crystalline.iloc[::200]


def one_diode_power(row: pd.Series, irradiance: float, t_cell: float) -> float:
    parameters = pvsystem.calcparams_cec(
        irradiance,
        t_cell,
        row.alpha_sc,
        row.a_ref,
        row.I_L_ref,
        row.I_o_ref,
        row.R_sh_ref,
        row.R_s,
        row.Adjust,
    )
    return float(pvsystem.max_power_point(*parameters, method="newton")["p_mp"])


def from_library(row: pd.Series) -> Module:
    return Module(pmax_w=float(row.STC), gamma_pmax_pct_k=float(row.gamma_r))


def ref(module: Module | None, inverter: Inverter | None) -> InputRef:
    return InputRef(0, 0, "U", 1, "gateway", "", "roof", module, inverter, None, None)


def test_temperature_models_by_hand() -> None:
    """Faiman(800 W/m², 20 C, 1 m/s; 25, 6.84) = 20 + 800 / 31.84 = 45.1256 C.  Beside it two others by hand:
    Ross at NOCT 45 = 20 + 25/800 * 800 = 45.0 C and SAPM cell (900, 20, 5; -3.47, -0.0594, 3) = 43.50919
    C."""
    assert cell_temperature(np.array([800.0]), 20.0, 1.0)[0] == pytest.approx(45.1256, abs=1e-4)
    assert float(temperature.ross(800.0, 20.0, noct=45.0)) == pytest.approx(45.0)
    assert float(temperature.sapm_cell(900.0, 20.0, 5.0, -3.47, -0.0594, 3.0)) == pytest.approx(43.50919, abs=1e-5)


def test_unknown_wind_is_the_wind_of_noct() -> None:
    light = np.array([500.0, 800.0])
    still = cell_temperature(light, 20.0)
    np.testing.assert_allclose(cell_temperature(light, 20.0, np.array([np.nan, 1.0])), still)
    assert cell_temperature(light, 20.0, 5.0)[1] < still[1] - 8.0


def test_linear_power_by_hand() -> None:
    """900 W/m², 30 C, 100 W at -0.3 %/K: 88.65 W (``pvwatts_dc``), times the low-light efficiency there."""
    module = Module(pmax_w=100, gamma_pmax_pct_k=-0.3)
    light = np.array([900.0])
    assert dc_power(module, light, np.array([30.0]))[0] == pytest.approx(88.65 * relative_efficiency(light)[0])
    assert relative_efficiency(light)[0] == pytest.approx(1.0, abs=2e-3)


def test_stc_is_the_rating() -> None:
    """Standard test conditions, IEC 61215: 1000 W/m², 25 C gives the rated power."""
    for _, row in library().iterrows():
        module = from_library(row)
        assert dc_power(module, np.array([1000.0]), np.array([25.0]))[0] == pytest.approx(row.STC)


def test_ptc_ratings_of_the_cec_library() -> None:
    """PTC (1000 W/m², 20 C air, 1 m/s): the table's own rating, from the laboratory's NOCT and coefficients.

    Our cell temperature takes one mounting for all, so the median must agree within 2 % and nine in ten
    within 4 %.
    """
    ratio = []
    for _, row in library().iterrows():
        t_cell = cell_temperature(np.array([1000.0]), 20.0, 1.0)
        ratio.append(dc_power(from_library(row), np.array([1000.0]), t_cell)[0] / row.PTC)
    assert np.median(ratio) == pytest.approx(1.0, abs=0.02)
    assert np.quantile(np.abs(np.array(ratio) - 1.0), 0.9) < 0.04


@pytest.mark.parametrize(
    ("light", "t_cell", "median", "worst"),
    [(1000, 60, 0.015, 0.04), (800, 45, 0.015, 0.04), (200, 25, 0.03, 0.08), (100, 20, 0.04, 0.12)],
)
def test_translation_against_the_one_diode_model(light: float, t_cell: float, median: float, worst: float) -> None:
    """CEC six-parameter one-diode model (Dobos 2012, ``pvlib.pvsystem.calcparams_cec``)."""
    ratio = np.array(
        [
            dc_power(from_library(row), np.array([light]), np.array([t_cell]))[0] / one_diode_power(row, light, t_cell)
            for _, row in library().iterrows()
        ]
    )
    assert abs(np.median(ratio) - 1.0) < median
    assert np.quantile(np.abs(ratio - 1.0), 0.9) < worst


def test_low_light_costs_efficiency() -> None:
    """IEC 61215 reports a few per cent less at 200 W/m² (common practice: 95 to 99 %)."""
    efficiency = relative_efficiency(np.array([1000.0, 200.0, 50.0, 5.0, 0.0]))
    assert efficiency[0] == pytest.approx(1.0)
    assert 0.94 < efficiency[1] < 0.99
    assert np.all(np.diff(efficiency) < 0)
    assert np.isnan(relative_efficiency(np.array([np.nan]))[0])


def test_assumed_coefficient_is_said_to_be_assumed() -> None:
    given = Module(pmax_w=400, gamma_pmax_pct_k=-0.29)
    assert gamma_pct_k(given) == (-0.29, False)
    value, assumed = gamma_pct_k(Module(pmax_w=400))
    assert assumed
    assert -0.5 <= value <= -0.3
    hot = np.array([800.0]), np.array([65.0])
    assert per_rated(given, *hot)[0] > per_rated(None, *hot)[0]


def test_estimated_air_has_seasons_of_its_hemisphere() -> None:
    """Crude on purpose; zonal means of the year some 26 C at the equator, 14 C at 40 degrees (from
    memory)."""
    year = np.arange(1735689600, 1735689600 + 365 * 86400, 3600, dtype=np.int64)

    def means(latitude: float, altitude: float = 0.0) -> tuple[float, float, float]:
        site = SiteFacts(id="s", latitude=latitude, longitude=0.0, altitude_m=altitude, timezone="UTC")
        air = ambient_estimate(site, year)
        return air.mean(), air[: 24 * 31].mean(), air[24 * 181 : 24 * 212].mean()

    mean, january, july = means(40.0)
    assert mean == pytest.approx(14.0, abs=3.0)
    assert july - january > 15.0
    mean, january, july = means(-33.0)
    assert january - july > 12.0
    assert means(0.0)[0] == pytest.approx(26.0, abs=3.0)
    assert means(40.0, 2000.0)[0] == pytest.approx(means(40.0)[0] - 13.0, abs=0.1)


def test_performance_ratio_by_its_definition() -> None:
    """IEC 61724-1: PR = final yield over reference yield = (E / P0) / (H / G_stc).  A module that always
    works
    at 25 C and full efficiency has PR 1; heat at 50 C and -0.4 %/K makes it 0.90."""
    module = Module(pmax_w=400, gamma_pmax_pct_k=-0.4)
    light = np.full(8, 1000.0)
    hours = 0.5

    def ratio(t_cell: float) -> float:
        energy = dc_power(module, light, np.full(8, t_cell)).sum() * hours
        return float((energy / module.pmax_w) / (light.sum() * hours / 1000.0))

    assert ratio(25.0) == pytest.approx(1.0)
    assert ratio(50.0) == pytest.approx(0.90)


def test_bypassed_substring_by_the_one_diode_model() -> None:
    """Bypass-diode arithmetic: with one of three substrings bypassed, a module keeps two thirds of its
    voltage
    less about half a volt of a Schottky diode, at full current: the power ratio is nearly the voltage ratio
    (one-diode model of a library module against its own two thirds)."""
    row = library().iloc[0]
    parameters = pvsystem.calcparams_cec(
        900.0, 45.0, row.alpha_sc, row.a_ref, row.I_L_ref, row.I_o_ref, row.R_sh_ref, row.R_s, row.Adjust
    )
    current, saturation, series, shunt, slope = parameters
    whole = pvsystem.max_power_point(current, saturation, series, shunt, slope, method="newton")
    part = pvsystem.max_power_point(current, saturation, series * 2 / 3, shunt * 2 / 3, slope * 2 / 3, method="newton")
    voltage = (part["v_mp"] - 0.5) / whole["v_mp"]
    assert part["i_mp"] == pytest.approx(whole["i_mp"], rel=1e-3)
    assert voltage == pytest.approx(2 / 3 - 0.5 / whole["v_mp"], abs=2e-3)
    assert 0.63 < voltage < 0.66
