"""Expected voltages, ceilings and wake-up against pvlib's one-diode model and by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from measure_library import (
    band_ratios,
    crystalline,
    linear_vmp,
    linear_voc,
    medians,
    one_diode,
    small_units,
)

from collectors.site import InputRef, Inverter, Module
from rules.compat import expected as e

MODULE = Module(
    pmax_w=400,
    vmp_v=31.0,
    imp_a=12.9,
    voc_v=40.0,
    isc_a=13.7,
    gamma_pmax_pct_k=-0.35,
    beta_voc_pct_k=-0.28,
    cells=120,
)
INVERTER = Inverter(rated_va=1600, inputs=4, start_v=22, mppt_min_v=16, mppt_max_v=60, max_input_v=60, max_input_a=14)
REF = InputRef(0, 0, "U1", 1, "gateway", "", "south", MODULE, INVERTER, None, None)


def _with(inverter: Inverter | None = INVERTER, module: Module | None = MODULE) -> InputRef:
    return replace(REF, inverter=inverter, module=module)


def test_open_circuit_voltage_by_hand() -> None:
    # By hand: 40.0 V, -0.28 %/K, 35 K below 25 C: 40.0 x 1.098 = 43.92 V.
    assert e.open_circuit_voltage(MODULE, -10.0) == pytest.approx(43.92, abs=1e-9)


def test_medians_are_those_of_the_table() -> None:
    found = medians(crystalline())
    assert e.VMP_TO_VOC.value == pytest.approx(found["vmp_to_voc"], abs=0.002)
    assert e.VOC_PER_CELL_V.value == pytest.approx(found["voc_per_cell_v"], abs=0.001)
    assert e.BETA_VOC_PCT_K.value == pytest.approx(found["beta_voc_pct_k"], abs=0.002)
    assert e.IDEALITY.value == pytest.approx(found["ideality"], abs=0.006)
    assert found["gamma_pmax_pct_k"] <= e.GAMMA_PMAX_PCT_K.value <= -0.35
    units = small_units()
    assert e.UNIT_EFFICIENCY.value == pytest.approx((units.Paco / units.Pdco).median(), abs=0.002)
    assert e.START_POWER.value == pytest.approx((units.Pso / units.Paco).median(), abs=0.0005)


@pytest.mark.parametrize(("t_cell", "bound"), [(-20.0, 0.035), (-10.0, 0.03), (0.0, 0.021), (45.0, 0.021)])
def test_linear_open_circuit_voltage_against_one_diode(t_cell: float, bound: float) -> None:
    # Reference: pvlib CEC model, every fifth crystalline module (4,190). 98 % lie within the bound;
    # in the cold the linear form reads low by about 1 %, which the compat check's margin must cover.
    table = crystalline(5)
    error = linear_voc(table, t_cell) / one_diode(table, 1000.0, t_cell)["v_oc"] - 1.0
    low, high = np.nanquantile(error, [0.01, 0.99])
    assert len(error) > 4000
    assert -bound < low < high < bound
    if t_cell < 0:
        assert -0.015 < np.nanmedian(error) < 0.0


def test_low_light_voltage_against_one_diode() -> None:
    table = crystalline(50)
    for poa, bound in ((20.0, 0.045), (100.0, 0.03), (400.0, 0.01)):
        reference = one_diode(table, poa, 25.0)["v_oc"]
        ours = np.array(
            [
                e.open_circuit_voltage(Module(pmax_w=1, voc_v=voc, cells=int(n)), 25.0, poa)
                for voc, n in zip(table["V_oc_ref"], table["N_s"], strict=True)
            ]
        )
        low, high = np.nanquantile(ours / reference - 1.0, [0.02, 0.98])
        assert -bound < low < high < bound, poa


def test_band_holds_the_table_and_not_much_more() -> None:
    low, high = np.nanquantile(band_ratios(crystalline(5)), [0.005, 0.995])
    assert e.BAND_LOW.value < low
    assert high < e.BAND_HIGH.value
    # Not so wide that a lost substring (a third of the voltage) could hide in it.
    assert e.BAND_LOW.value > -1 / 6
    assert low - e.BAND_LOW.value < 0.03
    assert e.BAND_HIGH.value - high < 0.04


def test_nominal_voltage_by_power_coefficient_against_one_diode() -> None:
    table = crystalline(5)
    for t_cell, bound in ((0.0, 0.02), (45.0, 0.02), (70.0, 0.045)):
        error = linear_vmp(table, t_cell) / one_diode(table, 1000.0, t_cell)["v_mp"] - 1.0
        low, high = np.nanquantile(error, [0.01, 0.99])
        assert -bound < low < high < bound, t_cell


def test_band_is_vectorised_and_ordered() -> None:
    band = e.expected_voltage_band(MODULE, np.array([0.0, 25.0, 60.0]))
    assert band.v_mp_nominal == pytest.approx([31 * 1.0875, 31.0, 31 * 0.8775])
    assert (band.v_mp_low < band.v_mp_nominal).all()
    assert (band.v_mp_nominal < band.v_mp_high).all()
    assert (band.v_mp_high < band.v_oc).all()
    assert isinstance(e.expected_voltage_band(MODULE, 25.0).v_oc, float)


def test_band_of_an_unknown_module_is_nan_not_a_guess() -> None:
    band = e.expected_voltage_band(Module(pmax_w=400), np.array([0.0, 25.0]))
    assert np.isnan(band.v_mp_low).all()
    assert np.isnan(band.v_oc).all()


def test_voltage_stands_in_from_what_is_known() -> None:
    assert e.voltage_at_mpp(Module(pmax_w=400, imp_a=12.5)) == pytest.approx(32.0)
    assert e.voltage_at_mpp(Module(pmax_w=400, voc_v=40.0)) == pytest.approx(32.4)
    assert e.voltage_open(Module(pmax_w=400, vmp_v=32.4)) == pytest.approx(40.0)


def test_half_cut_cells_count_once() -> None:
    # Common practice: 120 half cells are two parallel halves of 60 in series.
    assert e.series_cells(MODULE) == 60
    assert e.series_cells(MODULE.model_copy(update={"cells": 60})) == 60
    assert e.series_cells(MODULE.model_copy(update={"cells": None})) == pytest.approx(40.0 / 0.6255)


def test_power_ceiling_by_hand() -> None:
    # 1600 VA / 0.953 = 1678.9 W for the unit, 419.7 W each of four.
    small = INVERTER.model_copy(update={"max_input_a": 20.0})
    ceiling = e.expected_clipping(_with(small))
    assert ceiling is not None
    assert ceiling.limited_by == "power"
    assert ceiling.unit_w == pytest.approx(1678.9, abs=0.1)
    assert ceiling.power_w == pytest.approx(419.7, abs=0.1)
    # Three in use: each may take a third.
    shared = e.expected_clipping(_with(small), connected=3)
    assert shared is not None
    assert shared.power_w == pytest.approx(559.6, abs=0.1)


def test_current_ceiling_by_hand() -> None:
    # 10 A x 31 V x (1 - 0.0035 x 25) = 282.9 W at 50 C.
    ceiling = e.expected_clipping(_with(INVERTER.model_copy(update={"max_input_a": 10.0})))
    assert ceiling is not None
    assert ceiling.limited_by == "current"
    assert ceiling.power_w == pytest.approx(282.875)


@pytest.mark.parametrize("inverter", [None, Inverter(), Inverter(rated_va=400)])
def test_ceiling_unknown_is_none(inverter: Inverter | None) -> None:
    assert e.expected_clipping(_with(inverter)) is None


def test_current_ceiling_without_a_module_voltage_is_none() -> None:
    assert e.expected_clipping(_with(Inverter(max_input_a=10), None)) is None


def test_wake_up_irradiance_solves_the_voltage() -> None:
    # Take the answer back through the voltage: there it must equal the start-up voltage.
    high_start = INVERTER.model_copy(update={"start_v": 37.0})
    light = e.expected_start_irradiance(_with(high_start), np.array([0.0, 20.0]))
    assert e.open_circuit_voltage(MODULE, np.array([0.0, 20.0]), light) == pytest.approx([37.0, 37.0])
    assert light[0] < light[1]


def test_wake_up_by_own_need_when_the_voltage_is_early() -> None:
    # 1600 VA x 0.7 % / 4 inputs = 2.8 W: 7 W/m² on a 400 W module.
    assert e.expected_start_irradiance(REF, 10.0) == pytest.approx(7.0)


def test_never_wakes_is_infinite_and_unknown_is_nan() -> None:
    high = INVERTER.model_copy(update={"start_v": 55.0})
    assert e.expected_start_irradiance(_with(high), 25.0) == np.inf
    assert np.isnan(e.expected_start_irradiance(_with(Inverter()), 25.0))
    assert np.isnan(e.expected_start_irradiance(_with(INVERTER, None), 25.0))


def test_start_voltage_falls_back_to_the_window() -> None:
    assert e.expected_start_voltage(REF) == 22
    assert e.expected_start_voltage(_with(INVERTER.model_copy(update={"start_v": None}))) == 16
    assert e.expected_start_voltage(_with(None)) is None
