from __future__ import annotations

import numpy as np
import pytest

import rules.faults.soiling as rule
from rules.case import Case
from rules.engine import judge
from tests.rules.conftest import MoveThreshold
from tests.rules.make import Roof, case_of, findings, make_roof, only, run_rule


def _dirty(slope: float = 0.004, inputs: tuple[int, ...] = (2,), reset: int | None = 18, days: int = 24) -> Roof:
    """Dust from the first day on, and rain on day ``reset``."""
    roof = make_roof(days=days)
    last = days if reset is None else reset
    factor = np.where(roof.day < last, 1 - slope * roof.day, 1.0)
    for n in inputs:
        roof.scale(n, factor, roof.when())
    return roof


@pytest.fixture(scope="module")
def case() -> Case:
    return case_of(_dirty())


def test_fires(case: Case) -> None:
    found = only(judge(case.table).findings)
    assert (found.fault, found.unit, found.input) == ("soiling", "U2", 1)
    assert found.evidence["slope_per_day"] == pytest.approx(-0.004, rel=0.2)
    assert found.loss_wh_total == pytest.approx(_dirty().lost_wh(), rel=0.2)
    assert found.action in ("watch", "visit")


@pytest.mark.parametrize(("name", "value"), [("MIN_SLOPE", 0.05), ("MIN_DROP", 0.5), ("MIN_DAYS", 99)])
def test_thresholds_count(case: Case, threshold: MoveThreshold, name: str, value: float) -> None:
    assert run_rule("soiling", case).candidates
    threshold(rule, name, value)
    assert not run_rule("soiling", case).candidates


@pytest.mark.parametrize(("factor", "fires"), [(0.5, False), (2.5, True)])
def test_just_under_and_over_the_drop(factor: float, fires: bool) -> None:
    roof = _dirty(slope=factor * rule.MIN_DROP.value / 17)
    assert bool(run_rule("soiling", case_of(roof)).candidates) is fires


def test_a_steady_share_is_weakness() -> None:
    roof = make_roof(days=20)
    roof.scale(2, 0.85, roof.when())
    assert {f.fault for f in findings(roof)} == {"weak-input"}


def test_a_tree_at_some_hours_is_shade() -> None:
    roof = make_roof(days=20)
    roof.shade(2, (80.0, 115.0), 50.0, 0.9)
    assert not findings(roof, "soiling")


def test_a_whole_plane_against_a_sensor() -> None:
    roof = _dirty(slope=0.01, inputs=tuple(range(10)))
    found = findings(roof, "soiling", weather=roof.weather())
    assert {f.plane for f in found} == {"south", "west"}
    assert sum(f.loss_wh_total for f in found) == pytest.approx(roof.lost_wh(), rel=0.35)


def test_teeth_between_rains_are_told_as_such() -> None:
    roof = make_roof(days=21)
    since = roof.day % 7
    for n in (2, 4):
        roof.scale(n, 1 - 0.012 * since, roof.when())
    found = findings(roof)
    assert {(f.fault, f.unit) for f in found} == {("soiling", "U2"), ("soiling", "U3")}
    assert {f.evidence["resets"] for f in found} == {2}
    assert sum(f.loss_wh_total for f in found) == pytest.approx(roof.lost_wh(), rel=0.25)


def test_rain_takes_no_shade_away() -> None:
    # Shade at some hours and dust on the same module are two cases.
    roof = make_roof(days=21, kinds="c")
    roof.shade(2, (80.0, 115.0), 50.0, 0.9)
    roof.scale(2, 1 - 0.012 * (roof.day % 7), roof.when())
    assert {f.fault for f in findings(roof) if f.unit == "U2" and f.input == 1} == {"shading", "soiling"}


@pytest.mark.parametrize("name", ["SURE", "PLANE_SURE", "MIN_RESET"])
def test_its_own_scatter_counts(case: Case, threshold: MoveThreshold, name: str) -> None:
    roof = _dirty(slope=0.01, inputs=tuple(range(10)))
    whole = case_of(roof, weather=roof.weather())
    before = {c.inputs for c in (*run_rule("soiling", case).candidates, *run_rule("soiling", whole).candidates)}
    threshold(rule, name, 1e3)
    after = {c.inputs for c in (*run_rule("soiling", case).candidates, *run_rule("soiling", whole).candidates)}
    assert after < before


def test_few_percent_of_a_whole_plane_are_the_sky(threshold: MoveThreshold) -> None:
    roof = _dirty(slope=0.01, inputs=tuple(range(10)))
    case = case_of(roof, weather=roof.weather())
    assert any(c.scope == "plane" for c in run_rule("soiling", case).candidates)
    threshold(rule, "PLANE_DROP", 0.5)
    assert not any(c.scope == "plane" for c in run_rule("soiling", case).candidates)
