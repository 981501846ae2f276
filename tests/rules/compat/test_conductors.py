"""Resistance and voltage rise against wiring codes' tables and a handbook's method."""

from __future__ import annotations

import pytest

from rules.compat.conductors import (
    R20_OHM_KM,
    RHO20,
    awg_area_mm2,
    lead_rise_v,
    line_rise_v,
    path_current,
    phase_current_a,
    resistance_ohm_m,
)


@pytest.mark.parametrize(
    ("mm2", "mv_a_m"),
    # BS 7671 appendix 4, two-core copper at 70 C, resistive part, mV/A/m: from memory, rounded there.
    [(1.5, 29), (2.5, 18), (4, 11), (6, 7.3), (10, 4.4), (16, 2.8), (25, 1.75)],
)
def test_two_wire_drop_at_70_c_against_a_wiring_code(mm2: float, mv_a_m: float) -> None:
    assert 2000.0 * resistance_ohm_m("copper", 70.0, mm2=mm2) == pytest.approx(mv_a_m, rel=0.02)


@pytest.mark.parametrize(
    ("awg", "ohm_kft"),
    # NEC chapter 9 table 8, stranded uncoated copper at 75 C: from memory.
    [(14, 3.14), (12, 1.98), (10, 1.24), (8, 0.778), (6, 0.491)],
)
def test_wire_gauges_at_75_c_against_a_wiring_code(awg: int, ohm_kft: float) -> None:
    assert resistance_ohm_m("copper", 75.0, awg=awg) * 304.8 == pytest.approx(ohm_kft, rel=0.01)


@pytest.mark.parametrize(("awg", "mm2"), [(14, 2.08), (12, 3.31), (10, 5.26), (6, 13.3), (0, 53.5)])
def test_wire_gauge_area(awg: int, mm2: float) -> None:
    # ASTM B258, as printed in wire tables.
    assert awg_area_mm2(awg) == pytest.approx(mm2, rel=0.005)


@pytest.mark.parametrize("material", ["copper", "aluminium"])
def test_table_stays_near_the_resistivity(material: str) -> None:
    # IEC 60028: 1/58 ohm mm²/m. Largest allowed resistances lie up to 8 % above area x resistivity.
    for mm2, ohm_km in R20_OHM_KM[material].items():  # type: ignore[index]
        ratio = ohm_km / (1000.0 * RHO20[material].value / mm2)  # type: ignore[index]
        assert 1.0 < ratio < 1.14, (material, mm2)


def test_service_resistivity_of_the_iec_method() -> None:
    # IEC 60364-5-52 annex G: 0.0225 (copper) and 0.036 ohm mm²/m (aluminium) in service; from memory.
    for mm2 in (2.5, 4.0, 6.0, 10.0):
        assert resistance_ohm_m("copper", 70.0, mm2=mm2) * mm2 == pytest.approx(0.0225, rel=0.04)
    assert resistance_ohm_m("aluminium", 70.0, mm2=25.0) * 25.0 == pytest.approx(0.036, rel=0.04)


def test_worked_example_of_a_voltage_drop() -> None:
    # Handbook method VD = 2 K I L / CM; K = 12.9 ohm cmil/ft (copper, 75 C), 12 AWG 6,530 cmil; from memory.
    by_hand = 2 * 12.9 * 16.0 * 100.0 / 6530.0
    ours = lead_rise_v(1, 16.0, "single-phase", resistance_ohm_m("copper", 75.0, awg=12), 30.48)
    assert by_hand == pytest.approx(6.32, abs=0.01)
    assert ours == pytest.approx(by_hand, rel=0.01)


def test_line_of_units_is_the_sum_of_its_segments() -> None:
    # Four units of 2 A, 3 m apart, 0.01 ohm/m: segments carry 6, 4, 2 A: 12 A x 2 x 0.03 ohm.
    assert line_rise_v(4, 2.0, "single-phase", 0.01, 3.0) == pytest.approx(0.72)
    assert line_rise_v(1, 2.0, "single-phase", 0.01, 3.0) == 0.0


def test_three_phases_cancel_in_the_neutral_when_even() -> None:
    assert path_current(6, 2.0, "three-phase") == 4.0
    assert path_current(7, 2.0, "three-phase") == 8.0
    assert phase_current_a(7, 2.0, "three-phase") == 6.0
    assert phase_current_a(7, 2.0, "split-phase") == 14.0


def test_a_size_of_no_table_comes_from_resistivity() -> None:
    between = resistance_ohm_m("copper", 20.0, mm2=5.0)
    assert R20_OHM_KM["copper"][6.0] / 1000 < between < R20_OHM_KM["copper"][4.0] / 1000


def test_one_size_must_be_given() -> None:
    with pytest.raises(ValueError, match="either"):
        resistance_ohm_m("copper", 20.0)
    with pytest.raises(ValueError, match="either"):
        resistance_ohm_m("copper", 20.0, mm2=4.0, awg=10)
