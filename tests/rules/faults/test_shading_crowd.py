"""A plane that loses alike stands before no obstacle, whoever of it fails for himself."""

from __future__ import annotations

import numpy as np
import pytest

import rules.faults.shading as rule
from rules.case import Case
from rules.shademap import shade_map
from tests.rules.conftest import MoveThreshold
from tests.rules.make import Roof, case_of, make_roof, run_rule


def _alike() -> Roof:
    """Six inputs behind one horizon in the morning: common practice, all of a plane see it at once."""
    roof = make_roof(days=12, kinds="c", units=[["south"] * 2] * 3)
    for n in range(6):
        roof.shade(n, (80.0, 130.0), 55.0, 0.9)
    return roof


def _failing() -> Case:
    """One of them makes less for itself meanwhile."""
    roof = _alike()
    roof.scale(5, 0.6, roof.when(0, 99, 7, 13))
    return case_of(roof, roof.weather())


def _told(case: Case) -> set[int]:
    return {n for c in run_rule("shading", case).candidates for n in c.inputs}


def test_one_that_fails_for_itself_is_no_edge_of_a_shadow(threshold: MoveThreshold) -> None:
    case = _failing()
    assert not _told(case) & set(range(5))
    threshold(rule, "CROWD", 0.9)
    assert _told(case) >= set(range(5))


def test_what_the_crowd_shares_is_named_and_the_odd_one_left_out() -> None:
    case = _failing()
    alike = rule._plane_alike(case, shade_map(case)).any(axis=(0, 2))
    assert np.flatnonzero(alike).tolist() == [0, 1, 2, 3, 4]


@pytest.mark.parametrize("among", [True, False])
def test_a_lone_shaded_input_is_told(among: bool) -> None:
    """Beside a plane that loses alike at other hours, and beside an open one."""
    roof = _alike() if among else make_roof(days=12, kinds="c", units=[["south"] * 2] * 3)
    roof.shade(5, (140.0, 180.0), 90.0, 0.9)
    assert _told(case_of(roof)) == {5}


@pytest.mark.parametrize(("free", "told"), [(3, 9), (0, 0)])
def test_the_rows_behind_the_front_row_are_shaded(free: int, told: int, threshold: MoveThreshold) -> None:
    """A field of rows has one free row and the others behind it; a hill before all of them spares none."""
    roof = make_roof(days=12, kinds="c", units=[["south"] * 2] * 6)
    for n in range(12 - free):
        roof.shade(n, (80.0, 130.0), 30.0, 0.9)
    case = case_of(roof)
    assert len(_told(case)) == told
    threshold(rule, "FREE", 9)
    assert not _told(case)
