"""One input alone on the wrong plane, with few neighbours there to say so: the sun says the rest.

The record's sun and sky are pvlib's: a south-east roof makes most of a clear day's energy before noon
and a west roof after it. No shadow gives in the evening what it takes in the morning.
"""

from __future__ import annotations

import pytest

import rules.courses as courses
import rules.faults.swapped_record as rule
from rules.case import Case
from rules.engine import judge
from tests.rules.conftest import MoveThreshold
from tests.rules.make import case_of, make_roof, run_rule

FAR = {"south": (135.0, 30.0), "west": (265.0, 30.0)}
NEAR = {"south": (178.0, 30.0), "west": (182.0, 30.0)}


def _elsewhere(there: int, home: int, kinds: str = "c", days: int = 8) -> Case:
    """The last of ``home`` inputs on file in the west lies in the south-east, beside ``there`` others."""
    roof = make_roof(planes=FAR, rated_va=None, kinds=kinds, days=days, units=[["south"] * there, ["west"] * home])
    for column in (roof.power, roof.volts):
        column[:, -1] = 1.01 * column[:, 0]
    return case_of(roof)


def _told(case: Case) -> set[int]:
    return {n for c in run_rule("swapped-record", case).candidates for n in c.inputs}


@pytest.mark.parametrize(("there", "home"), [(1, 4), (2, 4), (3, 3), (2, 8)])
def test_few_who_share_its_course_are_enough_on_clear_days(there: int, home: int) -> None:
    case = _elsewhere(there, home)
    assert _told(case) == {there + home - 1}
    assert {(f.fault, f.input) for f in judge(case.table).findings if f.fault != "clipping"} == {("swapped-record", home)}


def test_under_clouds_alone_few_do_not_tell_it() -> None:
    """Without direct sun all planes have one course, and broken clouds are one roof's end's own."""
    assert not _told(_elsewhere(2, 4, kinds="o"))


@pytest.mark.parametrize(
    ("module", "name", "value"), [(courses, "SUNNY", 99), (courses, "TOLD_BY_SUN", 0.0), (rule, "SURE_FIT", 0.0)]
)
def test_thresholds_count(module: object, name: str, value: float, threshold: MoveThreshold) -> None:
    case = _elsewhere(2, 4)
    threshold(module, name, value)
    assert not _told(case)


def test_two_in_one_shadow_are_on_one_plane_only_if_the_sun_says_so(threshold: MoveThreshold) -> None:
    """A chimney takes the noon of one plane of two and of the neighbour's nearest: alike, but neither as the sun goes."""
    roof = make_roof(planes=NEAR, rated_va=None, kinds="c", days=8, units=[["south"] * 2, ["west"] * 4])
    for n in (0, 1, 5):
        roof.shade(n, (150.0, 230.0), 80.0, 0.9)
    assert not _told(case_of(roof))
    threshold(courses, "TOLD_BY_SUN", 9.0)
    assert _told(case_of(roof)) == {5}
