from __future__ import annotations

import pytest

import rules.hard
import rules.reduce.symptoms
from rules.case import Case
from rules.engine import judge
from tests.rules.conftest import MoveThreshold
from tests.rules.make import VMP, Roof, case_of, findings, make_roof, only, run_rule


def _roof() -> Roof:
    roof = make_roof()
    return roof.idle(2, roof.when(5, 9))


@pytest.fixture(scope="module")
def case() -> Case:
    return case_of(_roof())


def test_fires(case: Case) -> None:
    found = only(judge(case.table).findings)
    assert (found.fault, found.unit, found.input, found.days) == ("idle-input", "U2", 1, 5)
    assert found.loss_wh_total == pytest.approx(_roof().lost_wh(), rel=0.2)
    assert found.action == "visit"


@pytest.mark.parametrize(("name", "value"), [("MIN_HOURS", 30.0), ("MIN_SHARE", 1.1)])
def test_thresholds_count(case: Case, threshold: MoveThreshold, name: str, value: float) -> None:
    assert run_rule("idle-input", case).candidates
    threshold(rules.hard, name, value)
    threshold(rules.hard, "PLAIN_HOURS", 99.0)
    assert not run_rule("idle-input", case).candidates


@pytest.mark.parametrize(("factor", "fault"), [(0.8, "dead-input"), (1.2, "idle-input")])
def test_just_under_and_over_the_voltage_of_a_dead_input(factor: float, fault: str) -> None:
    roof = make_roof(days=6)
    roof.idle(2, roof.when(2, 4))
    # Not near a third of Vmp, where one substring at open circuit would explain it.
    roof.volts[roof.when(2, 4), 2] = factor * rules.reduce.symptoms.DEAD_VOLTS.value * VMP * (1.6 if factor > 1 else 1.0)
    found = {f.fault for f in findings(roof)}
    assert found <= {fault, "substring-loss"}
    assert found


def _all_idle() -> Roof:
    roof = make_roof(days=6)
    return roof.idle(2, roof.when(2, 4)).idle(3, roof.when(2, 4))


def test_every_input_of_a_unit_is_standby() -> None:
    roof = _all_idle()
    roof.without.add("state")
    assert [f.fault for f in findings(roof)] == ["unit-standby"]


def test_a_unit_that_says_it_produces_does_not_stand_by() -> None:
    found = findings(_all_idle())
    assert [(f.fault, f.unit, f.input) for f in found] == [("idle-input", "U2", 1), ("idle-input", "U2", 2)]


def test_no_voltage_makes_it_dead_instead() -> None:
    roof = make_roof(days=6)
    roof.dead(2, roof.when(2, 4))
    assert not findings(roof, "idle-input")


def test_without_voltages_it_cannot_be_judged() -> None:
    roof = make_roof(days=4)
    roof.without |= {"dc_voltage_v", "dc_current_a"}
    result = run_rule("idle-input", case_of(roof))
    assert not result.candidates
    assert {u.reason for u in result.unjudged} == {"no dc_voltage_v column"}
    assert len(result.unjudged) == len(roof.site.inputs)


def test_current_alone_can_show_it() -> None:
    roof = _roof()
    roof.without |= {"dc_power_w", "ac_power_w", "energy_total_wh"}
    assert only(findings(roof)).fault == "idle-input"
