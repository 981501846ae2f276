from __future__ import annotations

import pytest

import rules.action
from rules.action import choose
from rules.finding import ACTIONS, FAULT_SCOPES, SEVERITIES
from tests.rules.conftest import MoveThreshold


@pytest.mark.parametrize("fault", sorted(FAULT_SCOPES))
def test_every_fault_has_an_action_and_a_reason(fault: str) -> None:
    action, severity, reason = choose(fault, 500.0, 3, 0.9, 0.25, None)
    assert action in ACTIONS
    assert severity in SEVERITIES
    assert reason


@pytest.mark.parametrize(("loss", "action"), [(1000.0, "watch"), (2000.0, "visit")])
def test_a_visit_must_pay_within_a_year(loss: float, action: str) -> None:
    # 1 kWh a day at 0.25 is 91.25 a year, 2 kWh 182.5; the visit costs 150.
    assert choose("weak-input", loss, 20, 0.9, 0.25, 150.0)[0] == action


def test_cost_of_a_visit_and_horizon_count(threshold: MoveThreshold) -> None:
    assert choose("soiling", 2000.0, 20, 0.9, 0.25, None)[0] == "visit"
    threshold(rules.action, "VISIT_COST", 500.0)
    assert choose("soiling", 2000.0, 20, 0.9, 0.25, None)[0] == "watch"
    threshold(rules.action, "HORIZON_DAYS", 3650.0)
    assert choose("soiling", 2000.0, 20, 0.9, 0.25, None)[0] == "visit"


def test_safety_comes_before_money() -> None:
    action, severity, reason = choose("substring-loss", 1.0, 2, 0.3, 0.01, 10_000.0)
    assert (action, severity) == ("visit", "high")
    assert "safety" in reason


def test_nobody_is_sent_on_a_guess() -> None:
    assert choose("dead-input", 2000.0, 5, 0.9, 0.25, None)[0] == "visit"
    assert choose("dead-input", 2000.0, 5, 0.3, 0.25, None)[0] == "watch"


def test_standby_first_by_phone_then_by_van() -> None:
    assert choose("unit-standby", 2000.0, 1, 0.9, 0.25, None)[0] == "remote"
    assert choose("unit-standby", 2000.0, 5, 0.9, 0.25, None)[0] == "visit"


def test_without_a_tariff_nothing_is_counted() -> None:
    assert choose("weak-input", 50_000.0, 20, 0.9, None, None)[0] == "watch"


def test_a_contact_that_gets_hot_is_gone_to_whatever_it_costs() -> None:
    action, severity, reason = choose("weak-input", 20.0, 30, 0.9, 0.25, 150.0, "EUR", {"grows_with": "power"})
    assert (action, severity) == ("visit", "high")
    assert "hot" in reason


def test_what_is_over_needs_nobody() -> None:
    assert choose("weak-input", 5000.0, 20, 0.9, 0.25, 100.0, "EUR", {"over": True})[0] == "none"


def test_a_hot_unit_is_gone_to_when_it_pays() -> None:
    # 0.15 kWh a day at 0.25 is 13.7 a year.
    action, severity, reason = choose("hot-derating", 150.0, 20, 0.99, 0.25, 150.0, "EUR")
    assert (action, severity, reason) == ("watch", "low", "a year of it would cost 14 EUR, a visit 150 EUR")
    assert choose("hot-derating", 2000.0, 20, 0.99, 0.25, 150.0, "EUR")[0] == "visit"


def test_a_limit_is_as_it_should_be_and_an_order_to_nil_is_asked_about() -> None:
    assert choose("curtailment", 3000.0, 5, 0.9, 0.25, None)[:2] == ("none", "info")
    assert choose("curtailment", 3000.0, 5, 0.9, 0.25, None, "", {"all_stood": True})[:2] == ("remote", "medium")


def test_a_year_of_shade_is_the_suns_own() -> None:
    # 400 Wh on each of the days seen, and 10 kWh in the year by the sun's path, at 0.25.
    assert choose("shading", 400.0, 20, 0.99, 0.25, 150.0, "EUR", {"loss_year_kwh": 10.0})[2] == (
        "a year of it would cost 2 EUR, a visit 150 EUR"
    )
