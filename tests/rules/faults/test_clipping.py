from __future__ import annotations

import numpy as np
import pytest

import rules.faults.clipping as rule
from rules.case import Case
from rules.engine import judge
from tests.rules.conftest import MoveThreshold
from tests.rules.make import PMAX, Mask, Roof, case_of, findings, make_roof, run_rule


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


def _true_wh(roof: Roof, at: Mask | None = None) -> float:
    """What a roof made by :func:`_ceiling` could have made above it: pvlib's power (tests/rules/make.py) less the ceiling."""
    lost = np.maximum(roof.healthy - 600.0 / 2 / 0.96, 0.0)
    return float((lost if at is None else lost[at]).sum() / 12)


def _told_wh(roof: Roof) -> float:
    return float(sum(c.loss_wh.sum() for c in run_rule("clipping", case_of(roof)).candidates))


def test_loss_on_clear_days() -> None:
    roof = _ceiling()
    assert _told_wh(roof) == pytest.approx(_true_wh(roof), rel=0.2)


def test_loss_with_rows_lost_and_a_noisy_meter() -> None:
    """One row in twelve lost and readings good to 1.5 %: hardly a half hour stands at its highest reading."""
    roof, rng = _ceiling(), np.random.default_rng(4)
    roof.heard &= rng.random(roof.heard.shape) > 1 / 12
    roof.power *= rng.normal(1.0, 0.015, roof.power.shape)
    assert _told_wh(roof) == pytest.approx(_true_wh(roof), rel=0.25)


def test_loss_under_broken_cloud() -> None:
    """On one day of two a cloud passes in every half hour: between them a clear sky's power is lost, and the other days tell it."""
    roof = _ceiling()
    cloud = (np.arange(len(roof.power)) % 6 < 2) & (roof.day % 2 == 1)
    roof.power[cloud] = np.minimum(roof.power[cloud], roof.healthy[cloud] / 3)
    assert _told_wh(roof) == pytest.approx(_true_wh(roof, ~cloud), rel=0.3)


def test_clear_half_hours_beside_tell_the_loss(threshold: MoveThreshold) -> None:
    roof = _ceiling()
    near = abs(_told_wh(roof) - _true_wh(roof))
    threshold(rule, "SUNNY", 2.0)  # no half hour tells
    assert abs(_told_wh(roof) - _true_wh(roof)) > 2 * near


def test_the_highest_reading_is_not_the_ceiling(threshold: MoveThreshold) -> None:
    roof, rng = _ceiling(), np.random.default_rng(4)
    roof.power *= rng.normal(1.0, 0.015, roof.power.shape)
    near = abs(_told_wh(roof) - _true_wh(roof))
    threshold(rule, "WHOLE", 1.0)
    assert _told_wh(roof) < _true_wh(roof) - near
    threshold(rule, "WHOLE", 0.95)
    threshold(rule, "UNSEEN", 0.8)
    assert _told_wh(roof) < _true_wh(roof) - near


def test_rows_of_an_hour_lose_no_more_than_the_modules_rating() -> None:
    """A row of an hour is no two hours of light: at STC a module gives its rating, on a roof in May hardly more."""
    roof = make_roof(kinds="c", days=8, rated_va=600.0, step=3600)
    for n in (0, 1):
        roof.power[:, n] = np.minimum(roof.power[:, n], 300.0 / 0.96)
    found = next(c for c in run_rule("clipping", case_of(roof)).candidates if c.inputs == (0, 1))
    hours = float((roof.power[:, 0] > 0.99 * 300.0 / 0.96).sum())
    assert 0.0 < found.loss_wh.sum() <= (2 * PMAX - 600.0 / 0.96) * hours


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


def test_rows_an_hour_apart_need_more_of_them(threshold: MoveThreshold) -> None:
    """Means of an hour beside noon are alike by themselves; a ceiling holds four of them and returns."""
    roof = make_roof(days=6, kinds="c", step=3600, rated_va=None)
    roof.power[:, :2] = np.minimum(roof.power[:, :2], 200.0)
    case = case_of(roof)
    assert any(c.inputs == (0, 1) for c in run_rule("clipping", case).candidates)
    threshold(rule, "FAR_ROWS", 99)
    assert not run_rule("clipping", case).candidates
