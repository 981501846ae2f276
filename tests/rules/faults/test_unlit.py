"""Modules that no light reaches are told from those that stand still in it by their voltage."""

from __future__ import annotations

import numpy as np
import pvlib
import pytest

import rules.faults.snow as rule
from rules import unlit
from rules.engine import judge
from tests.rules.conftest import MoveThreshold
from tests.rules.make import FIRST_DAY, VMP, Roof, case_of, make_roof, run_rule

JANUARY = FIRST_DAY - 125


@pytest.mark.parametrize(("sun", "lit"), [(0.5, False), (5.0, True), (50.0, True), (1000.0, True)])
def test_open_voltage_of_a_cold_module_in_little_light(sun: float, lit: bool) -> None:
    """pvlib, CEC single-diode model of modules of its table, at 0 Celsius: half a watt a square metre is no light, five are."""
    table = pvlib.pvsystem.retrieve_sam("CECMod")
    crystal = [name for name in table.columns if str(table[name]["Technology"]).startswith(("Mono", "Multi"))][::400]
    ratio = []
    for name in crystal:
        m = table[name]
        own = pvlib.pvsystem.calcparams_cec(
            sun, 0.0, m["alpha_sc"], m["a_ref"], m["I_L_ref"], m["I_o_ref"], m["R_sh_ref"], m["R_s"], m["Adjust"]
        )
        ratio.append(float(pvlib.pvsystem.singlediode(*own)["v_oc"]) / float(m["V_mp_ref"]))
    assert (float(np.median(ratio)) >= unlit.LIGHTLESS.value) is lit


def _still(volts: float, *, by_order: bool, days: int = 12) -> Roof:
    """Every unit stands still on the sixth day at a share of its voltage at full sun, and the day after makes next to nothing."""
    roof = make_roof(days=days, first=JANUARY, kinds="cccccc" + "o" + "ccccc", units=[["south", "south"]] * 4)
    when = roof.when(5, 5)
    for u in range(4):
        roof.standby(u, when)
    for n in range(8):
        roof.volts[when, n] = volts * VMP
        if not by_order:
            roof.scale(n, 0.2, roof.when(6, 6))
    return roof


@pytest.mark.parametrize(("volts", "told"), [(0.92, {"snow"}), (1.2, {"curtailment"})])
def test_a_day_without_light_on_any_module_is_no_order(volts: float, told: set[str]) -> None:
    """An order leaves open modules in the light at 1.2 of their voltage at full sun; a thick cover leaves them none."""
    case = case_of(_still(volts, by_order=volts > 1.0))
    assert {f.fault for f in judge(case.table).findings} == told


def test_who_lies_under_a_thick_cover_makes_no_more_in_dull_light_the_day_after(threshold: MoveThreshold) -> None:
    case = case_of(_still(0.92, by_order=False))
    found = run_rule("snow", case).candidates
    assert {tuple(np.flatnonzero(c.days)) for c in found} == {(5, 6)}
    assert unlit.unlit(case)[5].all()
    assert not unlit.unlit(case)[[4, 6]].any()
    for name, value in (("LIGHTLESS", 0.5), ("PLUGGED", 1.0), ("MOSTLY", 1.1)):
        threshold(unlit, name, value)
        assert not unlit.unlit(case).any()
        threshold(unlit, name, getattr(unlit, name).value)


def test_a_unit_without_light_does_not_stand_by() -> None:
    roof = make_roof(days=9, first=JANUARY, kinds="c")
    roof.standby(1, roof.when(4, 6))
    assert run_rule("unit-standby", case_of(roof)).candidates
    for n in roof.inputs_of(1):
        roof.volts[roof.when(4, 6), n] = 0.92 * VMP
    assert not run_rule("unit-standby", case_of(roof)).candidates


def test_trips_of_the_grid_on_a_bright_day_are_no_snow() -> None:
    """What was made between trips is little, and open modules show the light they stood in."""
    case = case_of(make_roof(days=8, first=JANUARY, kinds="c"))
    inputs = np.arange(len(case.inputs))
    assert not rule._standing(case, inputs, 5)
    case.table["grid_trip_h"][5] = 3.0
    case.table["plane_typical"][5] *= 0.4
    case.table["zero_volts"][5] = 1.0
    assert not rule._standing(case, inputs, 5)
    case.table["zero_volts"][5] = 1.25
    assert rule._standing(case, inputs, 5)
