"""What passes for one fault beside another that it is."""

from __future__ import annotations

from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

import rules.behind
from collectors.site import Module
from rules.behind import in_any_light
from rules.candidate import Candidate
from rules.case import Case
from rules.pretenders import _other_type, without_pretenders
from tests.rules.conftest import MoveThreshold
from tests.rules.make import case_of, make_roof, run_rule

_BINS = np.where(np.abs(np.arange(48) - 24) < 11, 1.0, 0.0)
_SHALLOW = {"bins": _BINS.tolist(), "depth": 0.3}
_MORNING = {"bins": (_BINS * (np.arange(48) < 20)).tolist(), "depth": 0.3}


def _weak(kinds: str = "cmo", days: int = 12) -> Case:
    """A third missing in any light: a module's current that is gone is gone under clouds too (single-diode model)."""
    roof = make_roof(days=days, kinds=kinds)
    return case_of(roof.scale(2, 0.68, np.ones(len(roof.ts), bool)))


def _shaded() -> Case:
    """Behind a screen that takes four tenths of the beam all day and nothing of the sky."""
    return case_of(make_roof(days=12, kinds="cmo").shade(2, (0.0, 360.0), 90.0, 0.4))


def _days(case: Case) -> np.ndarray:
    return np.ones(case.day_count, bool)


def test_a_dull_sky_tells_weakness_from_shade(threshold: MoveThreshold) -> None:
    weak, shaded = _weak(), _shaded()
    assert in_any_light(weak, 2, _days(weak), _SHALLOW)
    assert not in_any_light(weak, 2, _days(weak), _MORNING)
    assert not in_any_light(shaded, 2, _days(shaded), _SHALLOW)
    threshold(rules.behind, "AS_MUCH", 0.0)
    assert in_any_light(shaded, 2, _days(shaded), _SHALLOW)
    threshold(rules.behind, "ALL_DAY", 1.1)
    assert not in_any_light(shaded, 2, _days(shaded), _SHALLOW)


def _in_a_yard(gap: float) -> Case:
    """Between walls that hide seven tenths of the sky, and the sun but for ``gap`` degrees to either side of south."""
    roof = make_roof(days=12, kinds="cmo")
    free = np.abs(roof.sun_azimuth - 180.0) < gap
    beam = roof.beam_share[:, 2]
    roof.power[:, 2] *= 0.3 * (1.0 - beam) + np.where(free, 1.0, 0.0) * beam
    return case_of(roof)


def test_what_hides_most_of_the_sky_spares_some_hours_of_sun(threshold: MoveThreshold) -> None:
    yard = _in_a_yard(20.0)
    deep = {**_SHALLOW, "depth": 0.9}
    assert not in_any_light(yard, 2, _days(yard), deep)
    assert in_any_light(yard, 2, _days(yard), _SHALLOW)
    threshold(rules.behind, "BEAM_MORE", 1.0)
    assert in_any_light(yard, 2, _days(yard), deep)


@pytest.mark.parametrize(("evidence", "weak"), [(_SHALLOW, True), (_MORNING, False), ({**_SHALLOW, "depth": 0.9}, False)])
def test_without_dull_hours_the_depth_tells(evidence: dict[str, object], weak: bool) -> None:
    case = _weak("c", 3)
    assert in_any_light(case, 2, _days(case), evidence) is weak


@pytest.mark.parametrize(("case", "told"), [(_weak(), {"weak-input"}), (_shaded(), {"shading", "weak-input"})])
def test_shade_that_asks_for_no_sun_is_left_out(case: Case, told: set[str]) -> None:
    days, loss = _days(case), np.full(case.day_count, 100.0)
    both = [
        Candidate("shading", "input", (2,), days, loss, 0.9, "", evidence=_SHALLOW),
        Candidate("weak-input", "input", (2,), days, loss, 0.9, ""),
    ]
    assert {c.fault for c in without_pretenders(case, both)} == told
    assert {c.fault for c in without_pretenders(case, both[:1])} == {"shading"}


@pytest.mark.parametrize(("lost", "told"), [(20.0, {"weak-input"}), (60.0, {"dead-input", "weak-input"})])
@pytest.mark.parametrize("fault", ["dead-input", "idle-input"])
def test_nothing_in_dim_light_is_the_end_of_less_in_any(healthy_case: Case, fault: str, lost: float, told: set[str]) -> None:
    days = _days(healthy_case)
    ends = Candidate(fault, "input", (2,), days, np.full(len(days), lost), 0.9, "")
    weak = Candidate("weak-input", "input", (2,), days, np.full(len(days), 100.0), 0.9, "")
    assert {c.fault.replace("idle", "dead") for c in without_pretenders(healthy_case, [ends, weak])} == told


def _suspicion(case: Case, fault: str, days: tuple[int, ...], inputs: tuple[int, ...] = (0, 1), scope: str = "unit") -> Candidate:
    seen = np.isin(np.arange(case.day_count), days)
    return Candidate(fault, scope, inputs, seen, 100.0 * seen, 0.9, fault)


@pytest.mark.parametrize("fault", ["unit-silent", "patchy-comms"])
@pytest.mark.parametrize(
    ("days", "scope", "stays"),
    [((0,), "unit", False), ((0, 13), "unit", False), ((0, 5), "unit", True), ((0,), "site", True)],
)
def test_the_ends_of_a_record_of_two_clocks(healthy_case: Case, fault: str, days: tuple[int, ...], scope: str, stays: bool) -> None:
    """Whose stamps lie early begins the record; the others are not heard of until theirs begins."""
    clock = _suspicion(healthy_case, "clock-shift", tuple(range(14)), (8, 9), scope)
    missed = _suspicion(healthy_case, fault, days)
    assert any(c is missed for c in without_pretenders(healthy_case, [clock, missed])) is stays
    assert any(c is missed for c in without_pretenders(healthy_case, [missed]))


@pytest.mark.parametrize(("a_day", "stays"), [(1.0, False), (5.0, True)])
def test_who_stops_each_evening_by_his_own_clock_does_not_cycle(a_day: float, stays: bool) -> None:
    case = case_of(make_roof(days=6))
    case.table.fields["restarts"][:, 0] = a_day
    clock = _suspicion(case, "clock-shift", tuple(range(6)))
    cycles = _suspicion(case, "restart-cycling", (1, 2, 3))
    assert any(c is cycles for c in without_pretenders(case, [clock, cycles])) is stays


@pytest.mark.parametrize("truly", [False, True])
def test_the_evening_of_a_sites_wrong_clock_is_no_standby(truly: bool) -> None:
    """All stamps lie two hours early: the light of the last two hours falls on rows of the night."""
    roof = make_roof(days=10, kinds="c")
    roof.heard[:] = True
    roof.shift_s = np.full(len(roof.ts), -7200.0)
    if truly:
        roof.standby(0, roof.when(3, 7, 9.0, 17.0))
    case = case_of(roof)
    clock = run_rule("clock-shift", case).candidates[0]
    stands = _suspicion(case, "unit-standby", (3, 4, 5, 6, 7))
    assert clock.scope == "site"
    assert any(c is stands for c in without_pretenders(case, [clock, stands])) is truly


@pytest.mark.parametrize(("other_volts", "told"), [(31.0, {"swapped-record", "substring-loss"}), (20.0, {"swapped-record"})])
def test_the_voltage_of_another_module_type_is_no_lost_substring(other_volts: float, told: set[str]) -> None:
    """The swap's partner has a module of two thirds of the voltage (ratings as data sheets print them)."""
    mine, theirs = (Module(pmax_w=400.0, vmp_v=volts) for volts in (31.0, other_volts))
    inputs = [SimpleNamespace(label="U1/1", module=mine), SimpleNamespace(label="U2/1", module=theirs)]
    days = np.ones(10, bool)
    swap = Candidate("swapped-record", "input", (0,), days, np.zeros(10), 0.9, "", evidence={"partner": "U2/1"})
    lost = Candidate("substring-loss", "input", (0,), days, np.full(10, 100.0), 0.9, "")
    case = cast(Case, SimpleNamespace(inputs=inputs))
    left = [c for c in (swap, lost) if c.fault != "substring-loss" or not _other_type(case, c, [swap, lost])]
    assert {c.fault for c in left} == told


@pytest.mark.parametrize(("days", "units", "left"), [(2, 3, 0), (2, 2, 2), (6, 3, 3)])
def test_trackers_of_several_units_do_not_fail_and_mend_together(days: int, units: int, left: int) -> None:
    """The last of the snow takes inputs of a roof for a day or two (common practice); faults stay, or are one input's."""
    case = case_of(make_roof(days=12, units=[["south"] * 2] * 5))
    when = (np.arange(12) >= 4) & (np.arange(12) < 4 + days)
    idle = [Candidate("idle-input", "input", (2 * u,), when, 1.0 * when, 0.9, "idle") for u in range(units)]
    assert len(without_pretenders(case, idle)) == left


@pytest.mark.parametrize(("frozen", "left"), [(2, 0), (1, 1), (0, 1)])
def test_beside_records_frozen_at_noons_power_nobody_is_weak(frozen: int, left: int) -> None:
    """Two of six that show one noon's power from dawn to dusk pull up the middle that the others are held against."""
    roof = make_roof(days=8, kinds="c", units=[["south"] * 2] * 3)
    for n in range(frozen):
        roof.power[:, 4 + n] = roof.power.max()
    case = case_of(roof)
    days = np.arange(8) >= 2
    weak = Candidate("weak-input", "input", (0,), days, 1.0 * days, 0.9, "weak")
    still = [Candidate("frozen-readings", "input", (4 + n,), days, 0.0 * days, 0.9, "still") for n in range(frozen)]
    assert sum(c.fault == "weak-input" for c in without_pretenders(case, [weak, *still])) == left


@pytest.mark.parametrize(("taken", "left"), [(900.0, 0), (100.0, 1)])
def test_a_unit_in_deep_shade_is_not_too_hot(taken: float, left: int) -> None:
    """All of its inputs lose far more to the shade than the heat would take; a hot noon reads as thin shade that costs as much."""
    case = case_of(make_roof(days=8, kinds="c"))
    days = np.ones(8, bool)
    hot = Candidate("hot-derating", "unit", (0, 1), days, 200.0 * days, 0.9, "hot")
    shades = [Candidate("shading", "input", (n,), days, taken * days, 0.9, "shade") for n in (0, 1)]
    assert sum(c.fault == "hot-derating" for c in without_pretenders(case, [hot, *shades])) == left
    assert any(c is hot for c in without_pretenders(case, [hot, shades[0]]))


@pytest.mark.parametrize(("claimed", "left"), [(0.9, 0), (0.2, 1)])
def test_weakness_beside_shade_claims_no_more_than_is_left(claimed: float, left: int) -> None:
    """An input lacks half of its energy: shade takes nearly all of that, so a steady weakness takes little."""
    roof = make_roof(days=8, kinds="c")
    case = case_of(roof.scale(1, 0.5, np.ones(len(roof.ts), bool)))
    lacks = np.maximum(case.witness[:, 1] - case.table["power"][:, 1], 0.0).sum(axis=1) * case.rated[1]
    days = np.ones(8, bool)
    weak = Candidate("weak-input", "input", (1,), days, claimed * lacks, 0.9, "weak", despite=("shading",))
    shade = Candidate("shading", "input", (1,), days, 0.9 * lacks, 0.9, "shade", evidence=_MORNING)
    assert sum(c.fault == "weak-input" for c in without_pretenders(case, [weak, shade])) == left


@pytest.mark.parametrize(("volts", "left"), [(True, 0), (False, 1)])
def test_an_order_does_not_keep_a_voltage_still(volts: bool, left: int) -> None:
    """A tracker held down follows the module's heat: a record that repeats its voltage, too, stood."""
    roof = make_roof(days=8, kinds="c")
    roof.without |= set() if volts else {"dc_voltage_v", "dc_current_a"}
    case = case_of(roof)
    days, everyone = np.arange(8) >= 2, tuple(range(10))
    order = Candidate("curtailment", "site", everyone, days, 1.0 * days, 0.9, "held")
    still = [Candidate("frozen-readings", "input", (n,), days, 0.0 * days, 0.9, "still") for n in everyone[:8]]
    assert sum(c.fault == "curtailment" for c in without_pretenders(case, [order, *still])) == left
    assert any(c is order for c in without_pretenders(case, [order, *still[:5]]))


@pytest.mark.parametrize(("hours", "left"), [(4.0, 0), (0.5, 1)])
def test_units_that_report_a_grid_gone_lie_under_no_snow(hours: float, left: int) -> None:
    """A unit is fed by its modules: under snow it says nothing (common practice)."""
    case = case_of(make_roof(days=8, kinds="c"))
    days = np.arange(8) >= 3
    case.table.fields["ac_dead_h"][days] = hours
    snow = Candidate("snow", "input", (0,), days, 1.0 * days, 0.9, "snow")
    assert len(without_pretenders(case, [snow])) == left


@pytest.mark.parametrize(("fault", "between", "volts", "left"), [
    ("dead-input", 0.5, False, 1), ("dead-input", 0.0, False, 2), ("dead-input", 0.5, True, 2),
    ("unit-standby", 0.5, True, 1), ("unit-standby", 0.0, True, 2),
])  # fmt: skip
def test_who_restarts_makes_its_part_between(fault: str, between: float, volts: bool, left: int) -> None:
    """Common practice: what is dead makes nothing at any time of the day."""
    roof = make_roof(days=8, kinds="c", units=[["south"]] * 6)
    roof.scale(0, between, roof.when(2, 6))
    if not volts:
        roof.without.add("dc_voltage_v")
    case = case_of(roof)
    days = (2, 3, 4, 5, 6)
    restarts = _suspicion(case, "restart-cycling", days, (0,))
    scope = "input" if fault == "dead-input" else "unit"
    assert len(without_pretenders(case, [restarts, _suspicion(case, fault, days, (0,), scope)])) == left


@pytest.mark.parametrize(("hot", "stays"), [((0, 1, 2, 3), False), ((0, 1), True)])
def test_units_too_hot_hold_themselves(healthy_case: Case, hot: tuple[int, ...], stays: bool) -> None:
    days = (2, 3, 4)
    held = _suspicion(healthy_case, "curtailment", days, (0, 1, 2, 3, 4, 5), "plane")
    heat = [_suspicion(healthy_case, "hot-derating", days, hot[k : k + 2]) for k in range(0, len(hot), 2)]
    assert len([c for c in without_pretenders(healthy_case, [held, *heat]) if c.fault == "curtailment"]) == stays
