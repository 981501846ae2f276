"""Standstill and dim light that pass for snow, and snow in a season that only may bring it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

import rules.faults.snow as rule
from rules import snowsky
from rules.case import Case
from tests.rules.conftest import MoveThreshold
from tests.rules.make import FIRST_DAY, case_of, make_roof, run_rule

JANUARY = FIRST_DAY - 125
PLANES = {"south": (180.0, 25.0), "west": (260.0, 25.0)}


def test_two_that_stand_still_beside_a_free_one_are_no_snow(threshold: MoveThreshold) -> None:
    """Two of a plane's three stop in January; the third works on, on every day."""
    roof = make_roof(days=12, first=JANUARY, air_c=-3.0, kinds="c", units=[["south"]] * 3 + [["west"]] * 3, planes=PLANES)
    for n in (0, 1):
        roof.dead(n, roof.when(6, 8))
    case = case_of(roof)
    assert not run_rule("snow", case).candidates
    threshold(rule, "FREE", 2.0)
    assert run_rule("snow", case).candidates


def _dim() -> tuple[Case, snowsky.Sky]:
    case = case_of(make_roof(days=10, first=JANUARY, air_c=-3.0, kinds="c", units=[["south"]] * 4, planes=PLANES))
    sky = snowsky.Sky.of(case)
    share = np.full(sky.share.shape, 0.9)
    share[5:7] = 0.05
    plane = np.where(share < 0.1, 0.05, 0.9)[:, :1] * np.ones_like(sky.plane)
    return case, replace(sky, share=share, plane=plane, asleep=np.zeros_like(sky.asleep), trusted=False)


def test_in_dim_light_a_neighbour_that_sees_more_of_the_sky_came_not_back(threshold: MoveThreshold) -> None:
    case, sky = _dim()
    sky.share[6] = [0.06, 0.06, 0.06, 0.09]
    assert not rule._came_back(case, 0, 6, sky)
    threshold(rule, "DIM_BEHIND", 0.7)
    assert rule._came_back(case, 0, 6, sky)
    threshold(rule, "DIM_BEHIND", 0.5)
    sky.share[6] = [0.02, 0.02, 0.02, 0.09]
    assert rule._came_back(case, 0, 6, sky)


def test_who_stood_without_grid_does_not_come_back_from_snow() -> None:
    case, sky = _dim()
    sky.share[6] = [0.1, 0.1, 0.6, 0.6]
    assert rule._came_back(case, 0, 6, sky)
    case.table["ac_dead_h"][5] = 6.0
    case.table["fault_h"][5] = 6.0
    assert not rule._came_back(case, 0, 6, sky)


def test_a_trickle_for_days_is_snow_where_it_may_be_cold() -> None:
    """Late March at 40 north by nobody's thermometer: no sky is so dark for three days; nor is it one in July."""

    def told(first: int, days: int = 3) -> bool:
        roof = make_roof(days=14, first=first, kinds="c", units=[["south"]] * 2, planes=PLANES)
        roof.scale(0, 0.012, roof.when(6, 5 + days))
        roof.scale(1, 0.012, roof.when(6, 5 + days))
        return bool(run_rule("snow", case_of(roof)).candidates)

    spring = JANUARY + 70
    case = case_of(make_roof(days=14, first=spring, kinds="c", units=[["south"]] * 2, planes=PLANES))
    assert not snowsky.cold_days(case)[0].any()
    assert snowsky.season_possible(case).all()
    assert told(spring)
    assert not told(spring, days=1)
    assert not told(JANUARY + 190)
