"""Days on which an order holds tell nothing of dirt, heat or snow: what was made of their sky was not for the modules to say."""

from __future__ import annotations

import numpy as np
import pytest

import rules.planelevel as planelevel
from rules.case import Case
from rules.faults.snow import _rationed
from rules.heatcurve import by_heat
from rules.held import ordered_days
from rules.snowsky import Sky
from tests.rules.conftest import MoveThreshold
from tests.rules.make import RATED_VA, Roof, case_of, make_roof

PLANES = {"east": (90.0, 35.0), "west": (270.0, 35.0)}
FIRST, LAST = 3, 8


def _limited(days: int = 10, first: int = FIRST, last: int = LAST) -> Roof:
    """East and west share a limit at the meter; the west gives what is left."""
    roof = make_roof(days=days, kinds="c", planes=PLANES, units=[["east"] * 2] * 3 + [["west"] * 2] * 3)
    when = roof.when(first, last)
    less = np.where(when, np.maximum(roof.power.sum(axis=1) - 1100.0, 0.0), 0.0)
    east, west = roof.power[:, :6].sum(axis=1), roof.power[:, 6:].sum(axis=1)
    roof.power[:, 6:] *= (1 - np.minimum(less / np.maximum(west, 1.0), 0.9))[:, None]
    roof.power[:, :6] *= (1 - np.maximum(less - 0.9 * west, 0.0) / np.maximum(east, 1.0))[:, None]
    return roof


@pytest.fixture(scope="module")
def case() -> Case:
    return case_of(_limited())


def test_a_limit_on_units_or_on_their_sum_is_an_order(case: Case) -> None:
    held = np.arange(10)
    held = (held >= FIRST) & (held <= LAST)
    assert ordered_days(case).tolist() == held.tolist()
    roof = make_roof(days=10, kinds="c")
    roof.power[roof.when(2, 5)] = np.minimum(roof.power[roof.when(2, 5)], 0.4 * RATED_VA / 2)
    assert np.flatnonzero(ordered_days(case_of(roof))).tolist() == [2, 3, 4, 5]
    assert not ordered_days(case_of(make_roof(days=10))).any()


def test_heat_is_judged_on_the_other_days(case: Case) -> None:
    case.table["heat_power"][:], case.table["heat_light"][:] = 0.8, 1.0
    for kept, whole in zip(by_heat(case, 0), (0.8, 1.0), strict=True):
        assert (kept[ordered_days(case)] == 0.0).all()
        assert (kept[~ordered_days(case)] == whole).all()


def test_dirt_is_judged_on_the_other_days_and_not_right_beside(threshold: MoveThreshold) -> None:
    case = case_of(_limited(days=16))
    told = np.isfinite(planelevel.plane_level(case, 1)[0])
    assert np.flatnonzero(told).tolist() == [*range(FIRST - 3), *range(LAST + 4, 16)]
    threshold(planelevel, "BESIDE_ORDER", 0)
    assert np.isfinite(planelevel.plane_level(case, 1)[0]).sum() == 10


def test_a_plane_that_is_left_little_of_a_limit_lies_under_no_snow(case: Case) -> None:
    sky = Sky.of(case)
    sky.plane[:, 1] = 0.06
    assert [_rationed(case, 1, d, sky) for d in (FIRST - 1, FIRST, LAST, LAST + 1)] == [False, True, True, False]
    sky.plane[:, 1] = 0.005  # less than any order leaves: a cover of snow is so dark
    assert not _rationed(case, 1, FIRST, sky)
