"""A limit on the site's sum a little below the sky, held to its last digits.

Sun and sky are pvlib's: the clear-sky power of an east and a west roof together bends by 7 % and more
within two hours, a limit at the meter does not.
"""

from __future__ import annotations

import numpy as np
import pytest

import rules.faults.curtailment as rule
import rules.heldsum as by_sum
from tests.rules.conftest import MoveThreshold
from tests.rules.make import Roof, case_of, make_roof, only, run_rule

SIDES = {"south": (120.0, 30.0), "west": (240.0, 30.0)}


def _limited(share: float = 0.85, first: int = 4, last: int = 6, scatter: float = 0.0, kinds: str = "c") -> Roof:
    """Clear days on some of which the sum is held to a share of its noon, by the side that has more to give."""
    roof = make_roof(days=10, kinds=kinds, planes=SIDES, rated_va=None)
    total = np.maximum(roof.power.sum(axis=1), 1.0)
    limit = share * total.max() * (1 + scatter * np.random.default_rng(2).standard_normal(len(total)))
    held = roof.when(first, last) & (total > limit)
    west = np.array([ref.plane == "west" for ref in roof.site.inputs])
    east_w, west_w = (np.maximum(roof.power[:, side].sum(axis=1), 1.0) for side in (~west, west))
    # The excess is taken from one side before noon and from the other after it.
    morning = held & (east_w > west_w)
    for side, made, at in ((~west, east_w, morning), (west, west_w, held & ~morning)):
        roof.power[np.ix_(at, side)] *= (1 - (total - limit) / made)[at, None]
    return roof


def test_a_limit_a_little_below_the_sky() -> None:
    roof = _limited()
    case = case_of(roof)
    found = only(run_rule("curtailment", case).candidates)
    assert (found.scope, np.flatnonzero(found.days).tolist()) == ("site", [4, 5, 6])
    assert found.loss_wh.sum() == pytest.approx(roof.lost_wh(), rel=0.35)


def test_one_day_at_a_number_is_not_enough() -> None:
    assert not run_rule("curtailment", case_of(_limited(first=4, last=4))).candidates


def test_a_sum_that_scatters_by_percents_is_weather() -> None:
    assert not run_rule("curtailment", case_of(_limited(scatter=0.03))).candidates


def test_a_broad_noon_is_no_limit() -> None:
    assert not run_rule("curtailment", case_of(make_roof(days=10, kinds="c", planes=SIDES, rated_va=None))).candidates


@pytest.mark.parametrize(("name", "value"), [("EXACT", 0.0), ("EXACT_ROWS", 99), ("EXACT_DAYS", 9)])
def test_thresholds_count(name: str, value: float, threshold: MoveThreshold) -> None:
    case = case_of(_limited())
    threshold(by_sum, name, value)
    assert not by_sum._exact(case, *_sums(case))


def test_a_number_that_outlasts_the_light_is_a_gateway_that_repeats_itself() -> None:
    case = case_of(_limited())
    level, light, use, row = _sums(case)
    (number,) = by_sum._exact(case, level, light, use, row)
    evening = int(np.flatnonzero(light[5] > 0.0)[-1])
    for day in (4, 5, 6):
        level[day, evening] = number
    assert not by_sum._exact(case, level, light, use, row)


def _sums(case):  # type: ignore[no-untyped-def]
    level, light, free = by_sum._sums(case)
    return level, light, (level > 0.1) & (light > level / 0.95) & free, 1


def test_a_record_that_repeats_itself_hides_no_limit_on_the_sum(threshold: MoveThreshold) -> None:
    """A gateway's limit sees the unit's true power; its log the number it had. What its siblings made stands in for it."""
    roof = _limited().freeze(0, _limited().when(2, 8, 9.0, 15.0))
    case = case_of(roof)
    found = only(run_rule("curtailment", case).candidates)
    assert (found.scope, np.flatnonzero(found.days).tolist()) == ("site", [4, 5, 6])
    threshold(rule, "FEW_FROZEN", 0.0)
    assert not run_rule("curtailment", case_of(roof)).candidates


def test_what_stands_in_for_a_stuck_record_is_what_its_siblings_made(threshold: MoveThreshold) -> None:
    roof = _limited()
    true = by_sum._sums(case_of(roof))[0]
    case = case_of(roof.freeze(0, roof.when(2, 8, 9.0, 15.0)))
    stood = true[4] > 0.3 * true[4].max()
    assert by_sum._sums(case)[0][4][stood] == pytest.approx(true[4][stood], rel=0.01)
    threshold(by_sum, "STUCK", 99.0)
    assert np.abs(by_sum._sums(case)[0][4][stood] / true[4][stood] - 1.0).max() > 0.02
