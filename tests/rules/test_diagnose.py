"""One explanation per symptom, at the highest level that shares it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rules.alternatives import SETTLES
from rules.candidate import Candidate
from rules.case import Case
from rules.diagnose import EXPLAINS, diagnose
from rules.finding import FAULT_SCOPES
from tests.rules.make import findings, make_roof, only


def _candidate(case: Case, fault: str, inputs: tuple[int, ...], days: slice, scope: str = "input") -> Candidate:
    seen = np.zeros(case.day_count, bool)
    seen[days] = True
    return Candidate(fault, scope, inputs, seen, 100.0 * seen, 0.9, fault)


def _accepted(case: Case, *candidates: Candidate) -> list[tuple[str, int]]:
    return [(c.fault, int(c.days.sum())) for c in diagnose(case, candidates).accepted]


@pytest.mark.parametrize(
    ("cause", "symptom"), [(c, s) for c, explained in EXPLAINS.items() for s in explained if s not in ("snow", "soiling")]
)
def test_a_cause_takes_its_symptoms_away(healthy_case: Case, cause: str, symptom: str) -> None:
    above = _candidate(healthy_case, cause, (2, 3), slice(3, 9), "unit")
    below = _candidate(healthy_case, symptom, (2,), slice(4, 8))
    assert [f for f, _ in _accepted(healthy_case, below, above)] == [cause]


def test_what_is_explained_is_judged_later() -> None:
    """An entry judged before its cause could never take effect."""
    order = {fault: k for k, fault in enumerate(EXPLAINS)}
    early = {(c, s) for c, explained in EXPLAINS.items() for s in explained if order[s] <= order[c]}
    assert not early


def test_days_before_and_after_keep_their_own_cause(healthy_case: Case) -> None:
    dead = _candidate(healthy_case, "dead-input", (2,), slice(0, 3))
    weak = _candidate(healthy_case, "weak-input", (2,), slice(0, 14))
    assert _accepted(healthy_case, weak, dead) == [("dead-input", 3), ("weak-input", 11)]


def test_another_input_keeps_its_fault(healthy_case: Case) -> None:
    silent = _candidate(healthy_case, "unit-silent", (2, 3), slice(0, 14), "unit")
    dead = _candidate(healthy_case, "dead-input", (4,), slice(0, 14))
    assert {f for f, _ in _accepted(healthy_case, silent, dead)} == {"unit-silent", "dead-input"}


def test_loss_is_counted_once(healthy_case: Case) -> None:
    weak = _candidate(healthy_case, "weak-input", (2,), slice(0, 14))
    dead = _candidate(healthy_case, "dead-input", (2,), slice(0, 4))
    total = sum(c.loss_wh.sum() for c in diagnose(healthy_case, [weak, dead]).accepted)
    assert total == pytest.approx(1400.0)


def test_members_of_a_plane_are_told_once(healthy_case: Case) -> None:
    each = [_candidate(healthy_case, "snow", (n,), slice(3, 6)) for n in range(6)]
    joined = diagnose(healthy_case, each).accepted
    assert [(c.scope, c.plane, c.inputs) for c in joined] == [("plane", "south", (0, 1, 2, 3, 4, 5))]
    assert joined[0].loss_wh.sum() == pytest.approx(1800.0)


@pytest.mark.parametrize(
    ("units", "volts", "fault"),
    [([1], None, "unit-standby"), ([0, 1, 2, 3, 4], 0.0, "site-outage"), ([0, 1, 2, 3, 4], None, "curtailment")],
)
def test_the_highest_level_that_shares_it(units: list[int], volts: float | None, fault: str) -> None:
    """All units at nothing with their grid there were told to: an outage shows no voltage."""
    roof = make_roof(days=6, kinds="c")
    for u in units:
        roof.standby(u, roof.when(2, 4))
        if volts is not None:
            roof.ac_volts[roof.when(2, 4), u] = volts
    assert {f.fault for f in findings(roof)} == {fault}


def test_two_faults_on_two_inputs_are_two_findings() -> None:
    roof = make_roof()
    roof.dead(1, roof.when(5, 8)).scale(4, 0.75, roof.when(2))
    assert {(f.fault, f.unit, f.input) for f in findings(roof)} == {("dead-input", "U1", 2), ("weak-input", "U3", 1)}


def test_a_silent_unit_is_not_also_dead() -> None:
    roof = make_roof(days=8)
    roof.dead(2, roof.when(2, 5)).dead(3, roof.when(2, 5))
    roof.silent(1, roof.when(2, 5))
    assert only(findings(roof)).fault == "unit-silent"


def test_what_was_explained_away_stays_as_an_alternative(healthy_case: Case) -> None:
    dead = _candidate(healthy_case, "dead-input", (2,), slice(0, 10))
    weak = _candidate(healthy_case, "weak-input", (2,), slice(0, 9))
    elsewhere = _candidate(healthy_case, "substring-loss", (4,), slice(0, 9))
    accepted = {c.fault: c for c in diagnose(healthy_case, [weak, dead, elsewhere]).accepted}
    assert set(accepted) == {"dead-input", "substring-loss"}
    other = accepted["dead-input"].alternatives[0]
    assert other.fault == "weak-input"
    assert 0 < other.confidence < 0.25
    assert other.tell_apart
    assert accepted["substring-loss"].alternatives == ()


def test_every_cause_has_an_observation_that_speaks_for_it() -> None:
    assert set(SETTLES) == set(FAULT_SCOPES)


def test_units_that_stop_the_afternoon_before_a_snowy_day_stop_under_snow(healthy_case: Case) -> None:
    snow = _candidate(healthy_case, "snow", (2, 3), slice(5, 8))
    evening = _candidate(healthy_case, "unit-standby", (2, 3), slice(4, 5), "unit")
    earlier = _candidate(healthy_case, "unit-standby", (2, 3), slice(2, 3), "unit")
    assert "unit-standby" not in {f for f, _ in _accepted(healthy_case, snow, evening)}
    assert "unit-standby" in {f for f, _ in _accepted(healthy_case, snow, earlier)}


def test_dirt_that_a_whole_plane_shares_explains_no_weak_member(healthy_case: Case) -> None:
    """The plane sinks against the sky, its member stands below the others all along; one dirty input is another matter."""
    weak = _candidate(healthy_case, "weak-input", (2,), slice(0, 14))
    plane = _candidate(healthy_case, "soiling", (0, 1, 2, 3, 4, 5), slice(0, 14), "plane")
    assert [f for f, _ in _accepted(healthy_case, weak, plane)] == ["soiling", "weak-input"]
    single = _candidate(healthy_case, "soiling", (2,), slice(0, 14))
    assert [f for f, _ in _accepted(healthy_case, weak, single)] == ["soiling"]


@pytest.mark.parametrize("fault", ["weak-input", "substring-loss", "hot-derating"])
def test_a_clock_of_some_members_takes_only_their_planes_comparisons_away(healthy_case: Case, fault: str) -> None:
    """Siblings on one wrong clock measure each other rightly, siblings on two do not."""
    everyone = tuple(range(len(healthy_case.inputs)))
    plane = healthy_case.plane_of[2]
    mates = tuple(int(n) for n in np.flatnonzero(healthy_case.plane_of == plane))
    weak = _candidate(healthy_case, fault, (2,), slice(0, 9))
    all_off = _candidate(healthy_case, "clock-shift", everyone, slice(0, 14), "site")
    assert {f for f, _ in _accepted(healthy_case, weak, all_off)} == {fault, "clock-shift"}
    some = tuple(n for n in mates if n != 2)
    some_off = _candidate(healthy_case, "clock-shift", some, slice(0, 14), "gateway")
    assert {f for f, _ in _accepted(healthy_case, weak, some_off)} == {"clock-shift"}


def test_a_contact_that_comes_and_goes_lost_no_substring(healthy_case: Case) -> None:
    dead = _candidate(healthy_case, "dead-input", (2,), slice(6, 12))
    flicker = _candidate(healthy_case, "substring-loss", (2,), slice(5, 6))
    lasting = _candidate(healthy_case, "substring-loss", (3,), slice(5, 6))
    assert _accepted(healthy_case, dead, flicker) == _accepted(healthy_case, dead)
    assert {f for f, _ in _accepted(healthy_case, dead, lasting)} == {"dead-input", "substring-loss"}


def test_snow_that_took_most_of_the_inputs_explains_the_silence_of_all(healthy_case: Case) -> None:
    snow = [_candidate(healthy_case, "snow", (n,), slice(3, 6)) for n in range(7)]
    outage = _candidate(healthy_case, "site-outage", tuple(range(10)), slice(3, 4))
    assert {f for f, _ in _accepted(healthy_case, outage, *snow)} == {"snow"}
    assert "site-outage" in {f for f, _ in _accepted(healthy_case, outage, *snow[:4])}


def test_readings_that_stand_beside_a_limits_days_are_the_limits(healthy_case: Case) -> None:
    limit = _candidate(healthy_case, "curtailment", tuple(range(4)), slice(4, 7), "site")
    near, far = (_candidate(healthy_case, "frozen-readings", (2,), days) for days in (slice(7, 9), slice(9, 11)))
    assert _accepted(healthy_case, limit, near) == [("curtailment", 3)]
    assert ("frozen-readings", 2) in _accepted(healthy_case, limit, far)


def test_a_hot_unit_that_holds_itself_down_was_given_no_order(healthy_case: Case) -> None:
    hot = _candidate(healthy_case, "hot-derating", (2, 3), slice(3, 9), "unit")
    order = _candidate(healthy_case, "curtailment", (2, 3), slice(4, 9), "unit")
    assert [f for f, _ in _accepted(healthy_case, hot, order)] == ["hot-derating"]
    site = _candidate(healthy_case, "curtailment", tuple(range(10)), slice(4, 9), "site")
    assert {f for f, _ in _accepted(healthy_case, hot, site)} == {"hot-derating", "curtailment"}


@pytest.mark.parametrize("record", ["swapped-record", "frozen-readings"])
def test_the_record_of_one_input_makes_no_unit_hot(healthy_case: Case, record: str) -> None:
    hot = _candidate(healthy_case, "hot-derating", (2, 3), slice(4, 5), "unit")
    odd = _candidate(healthy_case, record, (3,), slice(4, 6))
    assert [f for f, _ in _accepted(healthy_case, hot, odd)] == [record]
    later = _candidate(healthy_case, "hot-derating", (2, 3), slice(8, 9), "unit")
    assert {f for f, _ in _accepted(healthy_case, later, odd)} == {record, "hot-derating"}


def test_a_unit_that_is_dark_among_modules_under_snow_lies_under_snow(healthy_case: Case) -> None:
    members = np.flatnonzero(healthy_case.plane_of == healthy_case.plane_of[0]).tolist()
    silent = _candidate(healthy_case, "unit-silent", (0, 1), slice(3, 4), "unit")
    snow = [_candidate(healthy_case, "snow", (n,), slice(3, 6)) for n in members if n > 1]
    assert {f for f, _ in _accepted(healthy_case, silent, *snow)} == {"snow"}
    assert {f for f, _ in _accepted(healthy_case, silent, *snow[:2])} == {"snow", "unit-silent"}
    produced = replace(silent, evidence={"produced": True})
    assert {f for f, _ in _accepted(healthy_case, produced, *snow)} == {"snow", "unit-silent"}


@pytest.mark.parametrize(("dead", "told"), [((0.0, 24.0), ["dead-input", "site-outage"]), ((10.0, 14.0), ["site-outage"])])
def test_who_makes_nothing_when_the_others_go_on_again_is_no_part_of_their_stop(dead: tuple[float, float], told: list[str]) -> None:
    """One finding of a module dead for ten days, not two with the day of an outage between."""
    roof = make_roof(days=12, kinds="c")
    for u in range(5):
        roof.standby(u, roof.when(5, 5, 10.0, 14.0))
        roof.ac_volts[roof.when(5, 5, 10.0, 14.0), u] = 0.0
    roof.dead(2, roof.when(5, 5, *dead))
    if len(told) > 1:
        roof.dead(2, roof.when(1, 10))
    found = findings(roof)
    assert sorted(f.fault for f in found) == told
    assert {f.days for f in found if f.fault == "dead-input"} <= {10}


@pytest.mark.parametrize(("others", "days", "told"), [(9, slice(5, 9), False), (9, slice(5, 14), True), (6, slice(5, 9), True)])
def test_who_makes_nothing_while_all_others_lie_under_snow_lies_there_too(
    healthy_case: Case, others: int, days: slice, told: bool
) -> None:
    """Snow does not clear a module by which its unit is told apart; what lasts longer than the snow has a cause of its own."""
    snow = [_candidate(healthy_case, "snow", (n,), slice(5, 8)) for n in range(others)]
    still = _candidate(healthy_case, "unit-standby", (9,), days, "unit")
    assert ("unit-standby" in {f for f, _ in _accepted(healthy_case, *snow, still)}) is told


def test_where_nobody_else_is_left_no_snow_on_others_explains(healthy_case: Case) -> None:
    everybody = tuple(range(len(healthy_case.inputs)))
    snow = _candidate(healthy_case, "snow", everybody, slice(1, 3), "site")
    stands = _candidate(healthy_case, "unit-standby", everybody, slice(6, 12), "site")
    assert ("unit-standby", 6) in _accepted(healthy_case, snow, stands)


@pytest.mark.parametrize(("last", "told"), [(9, False), (20, True)])
def test_the_last_snow_on_the_lowest_cells_is_no_lost_substring(healthy_case: Case, last: int, told: bool) -> None:
    """It bypasses one of three strings until it melts (common practice: one diode to the cells along the lower edge)."""
    snow = _candidate(healthy_case, "snow", (2,), slice(3, 6))
    loss = _candidate(healthy_case, "substring-loss", (2,), slice(7, last))
    assert ("substring-loss" in {f for f, _ in _accepted(healthy_case, snow, loss)}) is told
    other = _candidate(healthy_case, "substring-loss", (3,), slice(7, last))
    assert "substring-loss" in {f for f, _ in _accepted(healthy_case, snow, other)}


@pytest.mark.parametrize(("last", "told"), [(11, [("gateway-silent", 6), ("unit-silent", 2)]), (10, [("gateway-silent", 6)])])
def test_a_unit_that_does_not_come_back_with_its_gateway_is_silent_for_itself(
    healthy_case: Case, last: int, told: list[tuple[str, int]]
) -> None:
    gateway = _candidate(healthy_case, "gateway-silent", tuple(range(10)), slice(4, 10), "gateway")
    unit = _candidate(healthy_case, "unit-silent", (2, 3), slice(4, last + 1), "unit")
    assert _accepted(healthy_case, gateway, unit) == told
