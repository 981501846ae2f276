"""Two planes that look nearly the same way: small misfits that go on the other plane."""

from __future__ import annotations

import pytest

import rules.faults.swapped_record as rule
from rules.case import Case
from rules.engine import judge
from tests.rules.conftest import MoveThreshold
from tests.rules.make import case_of, make_roof, run_rule


def _mixed(kinds: str = "co", apart: float = 8.0, theirs: float = 1.0) -> Case:
    """Records of two inputs that hold a share of each other's; planes ``apart`` degrees of azimuth apart."""
    planes = {"south": (180.0, 25.0), "west": (180.0 + apart, 25.0)}
    roof = make_roof(days=12, kinds=kinds, planes=planes, rated_va=None)
    for column in (roof.power, roof.volts):
        column[:, [1, 7]] = theirs * column[:, [7, 1]] + (1 - theirs) * column[:, [1, 7]]
    return case_of(roof)


def _told(case: Case) -> set[int]:
    return {n for c in run_rule("swapped-record", case).candidates for n in c.inputs}


@pytest.mark.parametrize("kinds", ["c", "co", "cocoom"])
def test_planes_eight_degrees_apart(kinds: str) -> None:
    """Dull days between tell neither way: under an even sky all planes have one course (common practice)."""
    case = _mixed(kinds)
    assert _told(case) == {1, 7}
    assert {c.evidence["misfit_own"] < rule.BAD_FIT.value for c in run_rule("swapped-record", case).candidates} == {True}
    assert {f.fault for f in judge(case.table).findings} == {"swapped-record"}


def test_a_swap_that_lasted_half_of_the_bright_days_is_no_swap() -> None:
    planes = {"south": (180.0, 25.0), "west": (188.0, 25.0)}
    roof = make_roof(days=12, kinds="c", planes=planes, rated_va=None)
    odd = roof.day % 2 == 1
    for column in (roof.power, roof.volts):
        column[odd, 1], column[odd, 7] = column[odd, 7].copy(), column[odd, 1].copy()
    assert not _told(case_of(roof))


def test_how_large_a_plain_misfit_is(threshold: MoveThreshold) -> None:
    case = _mixed()
    threshold(rule, "PLAIN_MISFIT", 0.06)
    assert not _told(case)


def test_how_much_of_a_small_misfit_must_go(threshold: MoveThreshold) -> None:
    """Three parts of ten are still their own: two thirds of the misfit would have to go."""
    case = _mixed(apart=14.0, theirs=0.7)
    assert not _told(case)
    threshold(rule, "PLAIN_BETTER", 0.5)
    assert _told(case) == {1, 7}
