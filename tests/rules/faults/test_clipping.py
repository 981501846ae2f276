from __future__ import annotations

import numpy as np
import pytest

import rules.faults.clipping as rule
from rules.case import Case
from rules.engine import judge
from tests.rules.conftest import MoveThreshold
from tests.rules.make import Roof, case_of, findings, make_roof, run_rule


def _ceiling(rated_va: float = 600.0, declared: bool = True, units: tuple[int, ...] = (0, 1, 2, 3, 4)) -> Roof:
    roof = make_roof(kinds="c", days=8, rated_va=rated_va if declared else None)
    for u in units:
        for n in roof.inputs_of(u):
            roof.power[:, n] = np.minimum(roof.power[:, n], rated_va / 2 / 0.96)
    return roof


@pytest.fixture(scope="module")
def case() -> Case:
    return case_of(_ceiling())


def test_fires(case: Case) -> None:
    found = judge(case.table).findings
    assert {f.fault for f in found} == {"clipping"}
    assert {f.unit for f in found} == {"U1", "U2", "U3", "U4", "U5"}
    assert {f.action for f in found} == {"none"}
    assert {f.severity for f in found} == {"info"}
    assert all(f.days == 8 for f in found)
    assert found[0].evidence["level"] == pytest.approx(600 / 0.96 / 800, abs=0.02)


def test_hours_are_those_at_the_ceiling(case: Case) -> None:
    roof = make_roof(kinds="c", days=8)
    free = roof.healthy[:, [0, 1]].sum(axis=1)
    hours = (free > 600 / 0.96).sum() / 12
    assert judge(case.table).findings
    mine = next(f for f in judge(case.table).findings if f.unit == "U1")
    assert mine.evidence["hours"] == pytest.approx(hours, rel=0.15)


def test_rated_hours_count(case: Case, threshold: MoveThreshold) -> None:
    threshold(rule, "RATED_HOURS", 20.0)
    assert not run_rule("clipping", case).candidates


def test_a_flat_top_shows_it_without_a_rating(threshold: MoveThreshold) -> None:
    case = case_of(_ceiling(declared=False, units=(1,)))
    found = run_rule("clipping", case).candidates
    assert [c.inputs for c in found] == [(2, 3)]
    threshold(rule, "MIN_HOURS", 20.0)
    assert not run_rule("clipping", case).candidates


def test_a_flat_top_must_return(threshold: MoveThreshold) -> None:
    case = case_of(_ceiling(declared=False, units=(1,)))
    threshold(rule, "MIN_DAYS", 99)
    assert not run_rule("clipping", case).candidates


def test_a_rating_above_what_the_modules_give_is_never_reached() -> None:
    assert findings(make_roof(kinds="c", days=8, rated_va=760.0)) == []


def test_a_cap_below_the_rating_is_curtailment() -> None:
    roof = make_roof()
    roof.power[:] = np.where(roof.when(5, 9)[:, None], np.minimum(roof.power, 180.0), roof.power)
    assert "clipping" not in {f.fault for f in findings(roof)}


def test_a_broad_noon_under_the_rating_is_no_ceiling(threshold: MoveThreshold) -> None:
    """Held at nine tenths of the unit's ceiling: something else did it."""
    roof = make_roof(days=6, kinds="c", rated_va=600.0)
    for n in roof.inputs_of(1):
        roof.power[:, n] = np.minimum(roof.power[:, n], 0.9 * 600.0 / 0.96 / 2)
    case = case_of(roof)
    own = {n for c in run_rule("clipping", case).candidates for n in c.inputs}
    assert not own & set(roof.inputs_of(1))
    threshold(rule, "OWN", 0.8)
    assert {n for c in run_rule("clipping", case).candidates for n in c.inputs} >= set(roof.inputs_of(1))


def test_between_clouds_a_ceiling_takes_as_much_of_an_hour(threshold: MoveThreshold) -> None:
    """The hours of whole half hours at the ceiling lose what they do; the others are reckoned like them, up to a limit."""
    hours, whole = np.array([4.0, 4.0, 2.0, 0.0, 4.0]), np.array([2.0, 4.0, 3.0, 0.0, 0.0])
    assert rule._broken(hours, whole).tolist() == [2.0, 1.0, 1.0, 1.0, 3.0]
    threshold(rule, "MOST_BROKEN", 1.5)
    assert rule._broken(hours, whole).max() == 1.5


def test_loss_under_broken_cloud() -> None:
    roof = _ceiling()
    # In every second half hour a cloud passes for ten minutes: no half hour with one is whole.
    cloud = np.arange(len(roof.power)) % 12 < 2
    roof.power[cloud] = np.minimum(roof.power[cloud], roof.healthy[cloud] / 3)
    true = float((np.maximum(roof.healthy - 600.0 / 2 / 0.96, 0.0)[~cloud]).sum() / 12)
    told = sum(c.loss_wh.sum() for c in run_rule("clipping", case_of(roof)).candidates)
    assert told == pytest.approx(true, rel=0.25)


def test_an_hour_is_less_sure_than_a_week(case: Case, threshold: MoveThreshold) -> None:
    sure = {c.strength for c in run_rule("clipping", case).candidates}
    threshold(rule, "SURE_HOURS", 9999.0)
    thin = {c.strength for c in run_rule("clipping", case).candidates}
    assert max(thin) < min(sure)


def test_an_hour_at_the_ceiling_in_all_is_no_news(threshold: MoveThreshold) -> None:
    roof = make_roof(kinds="c", days=8, rated_va=600.0)
    when = roof.when(3, 3, 11.5, 12.4)
    roof.power[when, :2] = np.minimum(roof.power[when, :2], 300.0 / 0.96)
    low = ~when
    roof.power[low] = np.minimum(roof.power[low], 280.0 / 0.96 * roof.healthy[low] / roof.healthy.max())
    case = case_of(roof)
    assert 0.75 < case.table["clipped_h"][3, 0] < 1.0
    assert not run_rule("clipping", case).candidates
    threshold(rule, "TOTAL_HOURS", 0.75)
    assert [c.inputs for c in run_rule("clipping", case).candidates][:1] == [(0, 1)]
