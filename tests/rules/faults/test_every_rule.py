"""What holds for every rule, whatever its fault: silence where there is nothing to say, and no crash."""

from __future__ import annotations

import numpy as np
import pytest

from rules.case import Case
from rules.daytable import DayTable
from rules.finding import FAULT_SCOPES, Threshold
from rules.registry import Rule, all_rules
from tests.rules.make import Roof, case_of, make_roof, run_rule

SLUGS = sorted(FAULT_SCOPES)
#: Columns whose absence leaves hardly anything to judge by.
VALUES = {
    "dc_voltage_v", "dc_current_a", "dc_power_w", "energy_total_wh", "ac_voltage_v", "ac_frequency_hz",
    "ac_power_w", "temperature_c", "state", "signal_dbm",
}  # fmt: skip


@pytest.fixture(scope="module")
def night_case() -> Case:
    """Rows at night only: units on another supply, nothing to judge."""
    roof = make_roof(days=4)
    roof.heard[:] = (roof.sun_elevation < -8)[:, None]
    roof.state[:] = "off"
    roof.power[:], roof.volts[:] = 0.0, 0.0
    return case_of(roof)


@pytest.fixture(scope="module")
def gaps_case() -> Case:
    """A tenth of all values lost at random, each column on its own."""
    roof = make_roof()
    frame, rng = roof.frame(), np.random.default_rng(3)
    for column in sorted(VALUES - {"state"}):
        frame.loc[rng.random(len(frame)) < 0.1, column] = np.nan
    return Case(_reduced(roof, frame))


def _reduced(roof: Roof, frame) -> DayTable:  # type: ignore[no-untyped-def]
    from rules.reduce import reduce_days
    from tests.rules.make import NO_WEATHER

    return reduce_days(roof.site, frame, NO_WEATHER)


@pytest.fixture(scope="module")
def lone_case() -> Case:
    """One unit, one input: no siblings at all."""
    return case_of(make_roof(units=[["south"]]))


@pytest.fixture(scope="module")
def bare_case() -> Case:
    """Rows with nothing in them."""
    roof = make_roof(days=3)
    roof.without |= VALUES
    return case_of(roof)


@pytest.mark.parametrize("slug", SLUGS)
def test_silent_on_a_healthy_site(slug: str, healthy_case: Case) -> None:
    assert run_rule(slug, healthy_case).candidates == []


@pytest.mark.parametrize("slug", SLUGS)
def test_silent_at_night(slug: str, night_case: Case) -> None:
    # By day the gateway is silent, and that alone may be told.
    found = run_rule(slug, night_case).candidates
    assert {c.fault for c in found} <= {"gateway-silent", "site-outage"}


@pytest.mark.parametrize("slug", SLUGS)
def test_silent_without_rows(slug: str) -> None:
    result = run_rule(slug, Case(DayTable.empty(make_roof(days=1).site)))
    assert not [c for c in result.candidates if c.days.any()]


@pytest.mark.parametrize("slug", SLUGS)
def test_lost_values_are_no_fault(slug: str, gaps_case: Case) -> None:
    assert run_rule(slug, gaps_case).candidates == []


@pytest.mark.parametrize("slug", SLUGS)
def test_an_input_without_siblings_is_left_alone(slug: str, lone_case: Case) -> None:
    assert run_rule(slug, lone_case).candidates == []


@pytest.mark.parametrize("slug", SLUGS)
def test_rows_without_values_are_no_fault(slug: str, bare_case: Case) -> None:
    result = run_rule(slug, bare_case)
    assert result.candidates == []


def test_something_is_said_about_what_could_not_be_judged(bare_case: Case) -> None:
    faults = {u.fault for slug in SLUGS for u in run_rule(slug, bare_case).unjudged}
    assert {"shading", "weak-input", "substring-loss", "grid-out-of-range", "hot-derating"} <= faults


@pytest.mark.xfail(reason="the hard faults count rows, not rows with a power", strict=False)
def test_hard_faults_say_that_rows_without_values_cannot_be_judged(bare_case: Case) -> None:
    faults = {u.fault for slug in SLUGS for u in run_rule(slug, bare_case).unjudged}
    assert {"dead-input", "idle-input", "unit-standby"} <= faults


@pytest.mark.parametrize("rule", all_rules(), ids=lambda r: r.slug)
def test_candidates_have_the_shape_of_the_table(rule: Rule, gaps_case: Case) -> None:
    for u in rule.judge(gaps_case).unjudged:
        assert u.days > 0
        assert u.fault in FAULT_SCOPES
        assert u.input is None or 0 <= u.input < len(gaps_case.inputs)


def test_thresholds_say_unit_and_source() -> None:
    import importlib
    import pkgutil

    import rules.faults

    count = 0
    for found in pkgutil.iter_modules(rules.faults.__path__):
        module = importlib.import_module(f"rules.faults.{found.name}")
        for name, value in vars(module).items():
            if isinstance(value, Threshold):
                count += 1
                assert value.unit, f"{found.name}.{name} has no unit"
                assert len(value.source) > 10, f"{found.name}.{name} has no source"
    assert count > 50
