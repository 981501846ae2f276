from __future__ import annotations

import numpy as np
import pytest

import rules.faults.curtailment as rule
from rules.case import Case
from rules.engine import judge
from tests.rules.conftest import MoveThreshold
from tests.rules.make import RATED_VA, Roof, case_of, findings, make_roof, only, run_rule


def _capped(roof: Roof, level: float = 0.45, first: int = 5, last: int = 9) -> Roof:
    """An export limit: no unit above ``level`` of its rating."""
    when = roof.when(first, last)
    limit = level * RATED_VA / 2 * (1 + 0.002 * np.random.default_rng(2).standard_normal(roof.power[when].shape))
    roof.power[when] = np.minimum(roof.power[when], limit)
    return roof


@pytest.fixture(scope="module")
def case() -> Case:
    return case_of(_capped(make_roof()))


def test_fires(case: Case) -> None:
    found = only(judge(case.table).findings)
    assert (found.fault, found.unit, found.days) == ("curtailment", None, 5)
    assert found.evidence["level"] == pytest.approx(0.45, abs=0.02)
    assert found.action == "none"


def test_loss(case: Case) -> None:
    true = _capped(make_roof()).lost_wh()
    assert only(judge(case.table).findings).loss_wh_total == pytest.approx(true, rel=0.3)


@pytest.mark.parametrize(
    "moved",
    [
        {"TIGHT": 1e-6},
        {"ALIKE_UNITS": 1e-6},
        {"LEVEL": 1e-6},
        {"BEND": 20.0, "FAR_BELOW": 0.0},
        {"BELOW": 0.0, "FAR_BELOW": 0.0},
        {"STRONG_HOURS": 20.0, "RETURNS": 99.0, "FAR_BELOW": 0.0},
    ],
)
def test_thresholds_count(case: Case, threshold: MoveThreshold, moved: dict[str, float]) -> None:
    assert run_rule("curtailment", case).candidates
    for name, value in moved.items():
        threshold(rule, name, value)
    assert not run_rule("curtailment", case).candidates


def test_high_frequency_holds_units_down() -> None:
    roof = make_roof(days=8, kinds="c")
    when = roof.when(4, 5, 11.5, 13.5)
    roof.hertz[when] = 50.0 + rule.HZ_RISE.value + 0.3
    roof.power[when] *= 0.4
    found = only(findings(roof, "curtailment"))
    assert found.evidence["by_frequency"] is True


def test_a_little_frequency_is_no_order() -> None:
    roof = make_roof(days=8, kinds="c")
    roof.hertz[roof.when(4, 5, 11.5, 13.5)] = 50.0 + 0.6 * rule.HZ_RISE.value
    assert findings(roof) == []


def test_a_units_own_ceiling_is_clipping() -> None:
    roof = make_roof(rated_va=600.0)
    roof.power[:] = np.minimum(roof.power, 600 / 2 / 0.96)
    assert {f.fault for f in findings(roof)} == {"clipping"}


def test_passing_clouds_are_not_flat() -> None:
    assert not findings(make_roof(kinds="m"), "curtailment")


def test_healthy_units_rated_above_their_modules() -> None:
    assert findings(make_roof(rated_va=1000.0)) == []
