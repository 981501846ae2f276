from __future__ import annotations

import pytest

import rules.faults.site_outage as rule
from rules.case import Case
from rules.engine import judge
from tests.rules.conftest import MoveThreshold
from tests.rules.make import Roof, case_of, findings, make_roof, only, run_rule


def _out(roof: Roof, units: int = 5, hours: tuple[float, float] = (10.0, 14.0), volts: float = 0.0) -> Roof:
    for u in range(units):
        roof.standby(u, roof.when(5, 5, *hours))
        roof.ac_volts[roof.when(5, 5, *hours), u] = volts
    return roof


@pytest.fixture(scope="module")
def case() -> Case:
    return case_of(_out(make_roof()))


def test_fires(case: Case) -> None:
    found = only(judge(case.table).findings)
    assert (found.fault, found.unit, found.gateway, found.days) == ("site-outage", None, None, 1)
    assert found.evidence["hours"] == pytest.approx(4.0, abs=0.2)
    assert found.evidence["no_grid_voltage_h"] == pytest.approx(4.0, abs=0.2)


def test_loss_by_a_mean_sky(case: Case) -> None:
    """Nobody measured the sky meanwhile: the loss stands between a dull and a clear one."""
    true = _out(make_roof()).lost_wh()
    assert 0.4 * true < only(judge(case.table).findings).loss_wh_total < 1.2 * true


@pytest.mark.parametrize(("name", "value"), [("MIN_HOURS", 20.0), ("ALL", 1.1)])
def test_thresholds_count(case: Case, threshold: MoveThreshold, name: str, value: float) -> None:
    assert run_rule("site-outage", case).candidates
    threshold(rule, name, value)
    assert not run_rule("site-outage", case).candidates


@pytest.mark.parametrize(("factor", "fires"), [(0.6, False), (1.5, True)])
def test_just_under_and_over_the_hours(factor: float, fires: bool) -> None:
    roof = _out(make_roof(days=7), hours=(10.0, 10.0 + factor * rule.MIN_HOURS.value))
    assert bool(run_rule("site-outage", case_of(roof)).candidates) is fires


def test_without_grid_voltages_too() -> None:
    roof = _out(make_roof())
    roof.without |= {"ac_voltage_v", "ac_frequency_hz"}
    assert only(findings(roof)).fault == "site-outage"


def test_some_units_only_are_standby() -> None:
    found = findings(_out(make_roof(), units=2, volts=231.0))
    assert {f.fault for f in found} == {"unit-standby"}
    assert {f.unit for f in found} == {"U1", "U2"}


def test_voltage_outside_its_window_is_another_fault() -> None:
    assert {f.fault for f in findings(_out(make_roof(), volts=262.0))} == {"grid-out-of-range"}


def test_a_single_unit_says_it_by_its_grid_voltage() -> None:
    roof = _out(make_roof(units=[["south", "south"]]), units=1)
    assert {f.fault for f in findings(roof)} == {"site-outage"}
