"""A hill before a whole plane: told by its edge, and what looks like one.

That a far obstacle takes the beam and leaves the diffuse light, and stands at one
place of the sun all year, is plain solar geometry; that a horizon under some 10
to 15 degrees belongs to a site is common practice.
"""

from __future__ import annotations

import numpy as np
import pytest

import rules.hills as rule
from rules.engine import judge
from rules.finding import Finding
from rules.hills import hills
from tests.rules.conftest import MoveThreshold
from tests.rules.make import Roof, case_of, make_roof

WEST = (180.0, 330.0)


def _roof(kinds: str = "c" * 12, step: int = 900) -> Roof:
    return make_roof(days=len(kinds), kinds=kinds, step=step, planes={"west": (250.0, 30.0)}, units=[["west"] * 2] * 4)


def _behind(top_deg: float, kinds: str = "ccfccccfcccc", step: int = 900) -> Roof:
    """Eight inputs of one plane behind a hill in the west."""
    roof = _roof(kinds, step)
    hidden = (roof.sun_azimuth > WEST[0]) & (roof.sun_elevation < top_deg)
    for n in range(roof.power.shape[1]):
        # It takes the beam, and some of the sky's light with it.
        roof.shade(n, WEST, top_deg, 1.0).scale(n, 0.7, hidden)
    return roof


def _told(roof: Roof) -> list[Finding]:
    return [f for f in judge(case_of(roof).table).findings if f.fault == "shading"]


@pytest.mark.parametrize(("step", "top"), [(300, 22.0), (900, 22.0), (3600, 30.0)])
def test_a_hill_before_a_plane_is_told_once_with_its_height_and_cost(step: int, top: float) -> None:
    roof = _behind(top, step=step)
    found = _told(roof)
    assert [(f.plane, f.unit) for f in found] == [("west", None)]
    assert found[0].evidence["kind"] == "horizon"
    assert found[0].evidence["height_deg"] == pytest.approx(top, abs=4.0)
    assert found[0].loss_wh_total == pytest.approx(roof.lost_wh(), rel=0.35)
    assert found[0].action == "none"
    assert found[0].evidence["loss_year_kwh"] > roof.lost_wh() / 1000.0  # of all eight, in a year more than in twelve days


def test_low_sun_on_a_plane_is_no_fault(threshold: MoveThreshold) -> None:
    roof = _behind(13.0)
    assert not _told(roof)
    assert not hills(case_of(roof))
    threshold(rule, "TOP_DEG", 8.0)
    threshold(rule, "DARK_DEG", 5.0)
    assert hills(case_of(roof))


def test_cloud_that_comes_at_another_hour_every_evening_is_no_hill() -> None:
    roof = _roof()
    late = np.random.default_rng(5).uniform(15.0, 35.0, 12)
    for n in range(roof.power.shape[1]):
        for d in range(12):
            behind = roof.when(d, d, 12.0) & (roof.sun_elevation < late[d])
            roof.scale(n, 0.2, behind)
    assert not _told(roof)


def test_units_that_make_nothing_in_the_evening_stand_behind_no_hill(threshold: MoveThreshold) -> None:
    roof = _roof()
    for n in range(roof.power.shape[1]):
        roof.scale(n, 0.0, roof.when(start=12.0) & (roof.sun_elevation < 22.0))
    assert not hills(case_of(roof))
    threshold(rule, "ZERO", -1.0)
    assert hills(case_of(roof))


def test_more_light_than_a_clear_sky_leaves_behind_a_hill_is_cloud(threshold: MoveThreshold) -> None:
    roof = _roof()
    for n in range(roof.power.shape[1]):
        roof.scale(n, 0.35, roof.when(start=12.0) & (roof.sun_elevation < 22.0))
    assert not hills(case_of(roof))
    threshold(rule, "DIFFUSE", 9.0)
    assert hills(case_of(roof))


def test_a_chimney_before_one_member_is_told_beside_the_hill_behind_all() -> None:
    roof = _behind(22.0).shade(2, (200.0, 240.0), 80.0, 0.9)
    found = _told(roof)
    assert {(f.plane, f.unit, f.input) for f in found} == {("west", None, None), ("west", "U2", 1)}


def test_a_hill_explains_no_weakness_of_one_member() -> None:
    roof = _behind(22.0)
    roof.scale(3, 0.8, roof.when())
    found = judge(case_of(roof).table).findings
    assert {("shading", None), ("weak-input", "U2")} <= {(f.fault, f.unit) for f in found}


def test_a_plane_with_too_much_light_at_its_other_end_is_on_another_clock(threshold: MoveThreshold) -> None:
    roof = _behind(22.0)
    assert hills(case_of(roof))
    threshold(rule, "OTHER_END", 0.8)  # as if its mornings, sound here, were beyond a clear sky
    assert not hills(case_of(roof))
