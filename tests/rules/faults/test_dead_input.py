from __future__ import annotations

import numpy as np
import pytest

import rules.hard
from rules.case import Case
from rules.engine import judge
from tests.rules.conftest import MoveThreshold
from tests.rules.make import VOC, Roof, case_of, findings, make_roof, only, run_rule


def _roof() -> Roof:
    roof = make_roof()
    return roof.dead(2, roof.when(5, 9))


@pytest.fixture(scope="module")
def case() -> Case:
    return case_of(_roof())


def test_fires(case: Case) -> None:
    found = only(judge(case.table).findings)
    assert (found.fault, found.unit, found.input, found.days) == ("dead-input", "U2", 1, 5)
    assert found.loss_wh_total == pytest.approx(_roof().lost_wh(), rel=0.2)
    assert found.action == "visit"


@pytest.mark.parametrize(("name", "value"), [("MIN_HOURS", 30.0), ("MIN_SHARE", 1.1)])
def test_thresholds_count(case: Case, threshold: MoveThreshold, name: str, value: float) -> None:
    assert run_rule("dead-input", case).candidates
    threshold(rules.hard, name, value)
    threshold(rules.hard, "PLAIN_HOURS", 99.0)
    assert not run_rule("dead-input", case).candidates


@pytest.mark.parametrize(("factor", "fires"), [(0.75, False), (1.3, True)])
def test_just_under_and_over_the_share_of_a_day(threshold: MoveThreshold, factor: float, fires: bool) -> None:
    threshold(rules.hard, "PLAIN_HOURS", 99.0)
    roof = make_roof(days=5, kinds="c")
    lit = case_of(roof).table["lit_h"][2, 2]
    hours = factor * max(rules.hard.MIN_HOURS.value, rules.hard.MIN_SHARE.value * lit)
    roof.dead(2, roof.when(2, 2, 9.0, 9.0 + hours))
    assert bool(run_rule("dead-input", case_of(roof)).candidates) is fires


def test_voltage_makes_it_idle_instead() -> None:
    roof = make_roof(days=6)
    roof.idle(2, roof.when(2, 4))
    assert [f.fault for f in findings(roof)] == ["idle-input"]


def test_every_input_of_a_unit_is_the_units_fault() -> None:
    roof = make_roof(days=6)
    roof.standby(1, roof.when(2, 4))
    assert not findings(roof, "dead-input")


def test_without_voltages_it_stays_in_doubt() -> None:
    roof = _roof()
    roof.without |= {"dc_voltage_v", "dc_current_a"}
    found = only(findings(roof))
    assert found.fault == "dead-input"
    assert found.evidence["voltage_reported"] is False
    assert any(a.fault == "idle-input" and a.confidence > 0.2 for a in found.alternatives)


def test_missing_rows_are_not_judged() -> None:
    roof = make_roof(days=6)
    roof.silent(1, roof.when(2, 4))
    result = run_rule("dead-input", case_of(roof))
    assert not result.candidates
    assert {(u.input, u.days) for u in result.unjudged} == {(2, 3), (3, 3)}


def test_a_lone_input_with_a_dead_module_is_silent_not_dead() -> None:
    # A unit is fed by its module: with it gone there are no rows to judge.
    roof = make_roof(days=8, units=[["south"]])
    roof.dead(0, roof.when(4, 6))
    roof.heard[roof.when(4, 6)] = False
    assert not findings(roof, "dead-input")


def test_in_the_gloom_nobody_is_dead(threshold: MoveThreshold) -> None:
    """Inputs without power or voltage on days on which nobody else made anything either."""
    roof = make_roof(days=8)
    for n in range(10):
        roof.dead(n, roof.when(3, 4))
    case = case_of(roof)
    assert not run_rule("dead-input", case).candidates
    threshold(rules.hard, "PLAIN_LIGHT", 0.0)
    assert run_rule("dead-input", case).candidates


def test_rows_of_noughts_and_a_counter_that_stands_are_dead_inputs() -> None:
    """A unit without a module left, whose gateway goes on writing noughts for it (common practice)."""
    roof = make_roof()
    when = roof.when(6)
    for n in roof.inputs_of(1):
        roof.dead(n, when)
        roof.volts[when, n] = 0.0
    roof.state[when, 1] = "off"
    dead = {("dead-input", "U2", 1), ("dead-input", "U2", 2)}
    found = [f for f in findings(roof) if f.loss_wh_total > 0]
    assert {(f.fault, f.unit, f.input) for f in found} == dead
    assert sum(f.loss_wh_total for f in found) == pytest.approx(roof.lost_wh(), rel=0.1)
    # Where the counters went on meanwhile, it is the record that lacks.
    case = case_of(roof)
    case.table.fields["counter_last"][6:, 2:4] += 500.0
    assert not {c.inputs[0] for c in run_rule("dead-input", case).candidates} & {2, 3}


@pytest.mark.parametrize(("volts", "fault"), [(np.nan, "dead-input"), (0.95 * VOC, "unit-standby")])
def test_a_unit_that_stands_by_without_any_module_voltage_has_dead_inputs(volts: float, fault: str) -> None:
    """A unit that waits for its grid reports its modules' open-circuit voltage."""
    roof = make_roof(days=8)
    roof.standby(1, roof.when(3))
    roof.volts[np.ix_(roof.when(3), roof.inputs_of(1))] = volts
    assert {(f.fault, f.unit) for f in findings(roof)} == {(fault, "U2")}
