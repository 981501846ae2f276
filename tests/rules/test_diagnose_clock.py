"""What a wrong clock and a swapped record explain, and what not."""

from __future__ import annotations

import numpy as np
import pytest

import rules.diagnose
from rules.candidate import Candidate
from rules.case import Case
from rules.diagnose import diagnose

EVERYONE = tuple(range(10))


def _candidate(case: Case, fault: str, inputs: tuple[int, ...], first: int, end: int, scope: str = "unit") -> Candidate:
    seen = np.zeros(case.day_count, bool)
    seen[first:end] = True
    return Candidate(fault, scope, inputs, seen, 100.0 * seen, 0.9, fault, evidence={"shift_min": 60.0})


def _told(case: Case, *candidates: Candidate) -> set[str]:
    return {c.fault for c in diagnose(case, candidates).accepted}


@pytest.mark.parametrize(("inputs", "told"), [((2, 3), True), (EVERYONE, False)])
def test_rows_that_one_unit_loses_are_not_its_clocks(healthy_case: Case, inputs: tuple[int, ...], told: bool) -> None:
    """A clock moves the rows of all that it stamps."""
    clock = _candidate(healthy_case, "clock-shift", EVERYONE, 0, 14, "site")
    rows = _candidate(healthy_case, "patchy-comms", inputs, 4, 9)
    assert ("patchy-comms" in _told(healthy_case, clock, rows)) is told


@pytest.mark.parametrize(("right_days", "told"), [(1, False), (2, True)])
def test_an_order_that_was_there_under_a_right_clock_stays(healthy_case: Case, right_days: int, told: bool) -> None:
    clock = _candidate(healthy_case, "clock-shift", EVERYONE, 6, 14, "site")
    order = _candidate(healthy_case, "curtailment", EVERYONE, 6 - right_days, 14, "site")
    assert ("curtailment" in _told(healthy_case, clock, order)) is told
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(rules.diagnose, "_CLOCK_RIGHT", 1 if not told else 9)
        kept = next((c for c in diagnose(healthy_case, [clock, order]).accepted if c.fault == "curtailment"), None)
        assert (kept is not None and kept.days[6:].any()) is not told


def test_a_record_of_another_plane_pulls_its_unit_down(healthy_case: Case) -> None:
    """Its sibling on the same unit follows the sun as before, and so does another unit."""
    swapped = _candidate(healthy_case, "swapped-record", (3,), 0, 14, "input")
    assert "hot-derating" not in _told(healthy_case, swapped, _candidate(healthy_case, "hot-derating", (2, 3), 2, 12))
    assert "hot-derating" in _told(healthy_case, swapped, _candidate(healthy_case, "hot-derating", (4, 5), 2, 12))


@pytest.mark.parametrize("cause", ["clock-shift", "grid-out-of-range", "curtailment"])
@pytest.mark.parametrize(("inputs", "told"), [(tuple(range(10)), True), ((0, 1, 2, 3), False)])
def test_dirt_is_told_by_siblings_on_the_same_clock_and_grid(
    healthy_case: Case, cause: str, inputs: tuple[int, ...], told: bool
) -> None:
    """The first six of ten inputs are a plane; where four of them have another clock or grid the others are no measure."""
    days = np.ones(healthy_case.day_count, bool)
    clock = Candidate(cause, "site", inputs, days, 0.0 * days, 0.9, "clock", {"shift_min": 60.0})
    dirt = Candidate("soiling", "input", (2,), days, 100.0 * days, 0.9, "dirt")
    accepted = {c.fault for c in diagnose(healthy_case, [clock, dirt]).accepted}
    assert accepted == ({cause, "soiling"} if told else {cause})


@pytest.mark.parametrize(("at_rating", "told"), [(True, True), (False, False)])
def test_a_unit_at_its_own_rating_is_so_at_any_hour(healthy_case: Case, at_rating: bool, told: bool) -> None:
    """By a clock four hours off nothing is known of the sky; a data sheet's rating is what it is."""
    days = np.ones(healthy_case.day_count, bool)
    clock = Candidate("clock-shift", "site", EVERYONE, days, 0.0 * days, 0.9, "clock", {"shift_min": 240.0})
    ceiling = Candidate("clipping", "unit", (2, 3), days, 0.0 * days, 0.9, "ceiling", despite=("clock-shift",) if at_rating else ())
    assert ("clipping" in _told(healthy_case, clock, ceiling)) is told
