from __future__ import annotations

import numpy as np
import pytest

import rules.faults.patchy_comms as rule
import rules.silence
from rules.case import Case
from rules.engine import judge
from tests.rules.conftest import MoveThreshold
from tests.rules.make import Roof, case_of, findings, make_roof, only, run_rule


def _lossy(roof: Roof, units: list[int], share: float, first: int, last: int) -> Roof:
    """Rows lost at random, each unit on its own."""
    rng = np.random.default_rng(1)
    for u in units:
        roof.silent(u, roof.when(first, last) & (rng.random(len(roof.ts)) < share))
    return roof


@pytest.fixture(scope="module")
def case() -> Case:
    return case_of(_lossy(make_roof(), [1], 0.35, 5, 9))


def test_fires(case: Case) -> None:
    found = only(judge(case.table).findings)
    assert (found.fault, found.unit, found.input, found.days) == ("patchy-comms", "U2", None, 5)
    assert found.evidence["missing_share"] == pytest.approx(0.35, rel=0.15)
    assert found.loss_wh_total == 0
    assert found.action != "visit"


@pytest.mark.parametrize(("name", "value"), [("PATCHY_SHARE", 0.9), ("PATCHY_RUNS", 999.0), ("MIN_ROWS", 200.0)])
def test_thresholds_count(case: Case, threshold: MoveThreshold, name: str, value: float) -> None:
    threshold(rules.silence, name, value)
    assert not run_rule("patchy-comms", case).candidates


@pytest.mark.parametrize(("factor", "fires"), [(0.5, False), (1.8, True)])
def test_just_under_and_over_the_share(factor: float, fires: bool) -> None:
    roof = _lossy(make_roof(days=6), [1], factor * rules.silence.PATCHY_SHARE.value, 1, 5)
    assert bool(run_rule("patchy-comms", case_of(roof)).candidates) is fires


def test_a_record_of_one_day_must_be_plain(threshold: MoveThreshold) -> None:
    case = case_of(_lossy(make_roof(days=1), [1], 0.4, 0, 0))
    assert only(run_rule("patchy-comms", case).candidates).days.sum() == 1
    threshold(rule, "SINGLE_DAY", 0.8)
    assert not run_rule("patchy-comms", case).candidates
    threshold(rule, "SINGLE_DAY", 0.25)
    threshold(rule, "SINGLE_ROWS", 999)
    assert not run_rule("patchy-comms", case).candidates


@pytest.mark.parametrize(("last", "told"), [(2, 0), (3, 1)])
def test_one_day_of_a_longer_record_is_no_habit(last: int, told: int) -> None:
    roof = _lossy(make_roof(days=5), [1], 0.4, 2, last)
    assert len(run_rule("patchy-comms", case_of(roof)).candidates) == told


def test_what_a_wrong_clock_leaves_unheard_is_no_bad_link(monkeypatch: pytest.MonkeyPatch) -> None:
    case = case_of(_lossy(make_roof(days=6), [1], 0.2, 1, 4))
    assert run_rule("patchy-comms", case).candidates
    monkeypatch.setattr(rule, "unit_hours_off", lambda case: np.full((case.day_count, len(case.site.units)), 3.0))
    assert not run_rule("patchy-comms", case).candidates


def test_one_long_gap_is_silence() -> None:
    roof = make_roof(days=6)
    roof.silent(1, roof.when(2, 2, 9, 15))
    assert {f.fault for f in findings(roof)} == {"unit-silent"}


def test_a_few_per_cent_are_normal() -> None:
    # Common practice: radio links lose under 5 % of their rows in health.
    assert findings(_lossy(make_roof(days=8), [0, 1, 2, 3, 4], 0.04, 0, 7)) == []


def test_the_same_rows_of_every_unit_are_the_gateways() -> None:
    roof = make_roof(days=8)
    lost = roof.when(2, 6) & (np.random.default_rng(1).random(len(roof.ts)) < 0.35)
    for u in range(5):
        roof.silent(u, lost)
    found = only(findings(roof))
    assert (found.fault, found.gateway, found.unit) == ("patchy-comms", "G1", None)


def test_stops_of_a_unit_that_reports_are_restarts() -> None:
    roof = make_roof(days=6)
    for hour in (9.0, 10.5, 12.0, 13.5, 15.0):
        for day in (2, 3, 4):
            roof.standby(1, roof.when(day, day, hour, hour + 0.3))
    assert not findings(roof, "patchy-comms")


def test_units_that_sleep_and_wake_in_the_gloom_have_no_bad_link(threshold: MoveThreshold) -> None:
    """Two dark days on which units drop in and out at a watt or two."""
    roof = make_roof(days=10, kinds="ccccoocccc")
    gloom = roof.when(4, 5)
    roof.power[gloom] *= 0.02
    rng = np.random.default_rng(3)
    for u in range(5):
        roof.silent(u, gloom & (rng.random(len(roof.ts)) < 0.5))
    case = case_of(roof)
    assert not run_rule("patchy-comms", case).candidates
    threshold(rules.silence, "AWAKE", 0.0)
    assert run_rule("patchy-comms", case).candidates


def test_a_gateway_whose_units_all_sleep_in_the_gloom_has_no_bad_link(threshold: MoveThreshold) -> None:
    roof = make_roof(days=10, kinds="ccccoocccc")
    gloom = roof.when(4, 5)
    roof.power[gloom] *= 0.02
    asleep = gloom & (np.random.default_rng(3).random(len(roof.ts)) < 0.5)
    for u in range(5):
        roof.silent(u, asleep)
    case = case_of(roof)
    assert not run_rule("patchy-comms", case).candidates
    threshold(rules.silence, "GLOOM", 0.0)
    assert run_rule("patchy-comms", case).candidates


@pytest.mark.parametrize(("share", "units"), [(0.3, 1), (0.0, 0)])
def test_where_every_link_loses_some_chance_makes_no_bad_one(share: float, units: int) -> None:
    """Eight rows in a hundred lost at random everywhere: on some days a unit loses an eighth (binomial), its link is as good."""
    roof = make_roof(days=40, kinds="cmc")
    rng = np.random.default_rng(11)
    for u in range(5):
        lost = rng.random(len(roof.ts)) < (share if u == 2 and share else 0.08)
        roof.silent(u, lost)
    assert len({c.inputs for c in run_rule("patchy-comms", case_of(roof)).candidates}) == units


def test_two_bad_links_of_three_leave_the_third_to_tell_what_chance_takes() -> None:
    roof = make_roof(days=12, kinds="cmc", units=[["south", "south"]] * 3)
    rng = np.random.default_rng(5)
    for u in (0, 2):
        roof.silent(u, rng.random(len(roof.ts)) < 0.16)
    assert {c.inputs for c in run_rule("patchy-comms", case_of(roof)).candidates} == {(0, 1), (4, 5)}


def test_rows_of_a_longer_interval_are_no_lost_rows(monkeypatch: pytest.MonkeyPatch) -> None:
    """Polled every ten minutes until noon of a day, and every five from then on: nothing was lost."""
    roof = make_roof(days=8, kinds="c")
    early = (roof.when(0, 3) | roof.when(4, 4, 0.0, 12.5)) & (np.arange(len(roof.ts)) % 2 == 1)
    for u in range(5):
        roof.silent(u, early)
    case = case_of(roof)
    assert {600.0, 300.0} <= set(case.table["step_s"].tolist())
    assert not rules.silence.gateway_kinds(case)[1].any()
    monkeypatch.setattr(rules.silence, "_coarser", lambda case: np.zeros(case.day_count))
    assert rules.silence.gateway_kinds(case_of(roof))[1][4].all()


def _two_intervals(away: tuple[float, float] | None = None) -> Roof:
    """One gateway asked every five minutes, and one every quarter of an hour."""
    roof = make_roof(days=8, kinds="c", gateways=["G1"] * 2 + ["G2"] * 3)
    for u in (2, 3, 4):
        roof.silent(u, np.arange(len(roof.ts)) % 3 != 0)
        if away:
            roof.silent(u, roof.when(3, 3, *away))
    return roof


def test_a_gateway_asked_less_often_loses_no_rows(threshold: MoveThreshold) -> None:
    """A third of the rows, evenly and every day, is an interval; losses leave gaps of many lengths (Schilling 1990)."""
    assert not {c.fault for c in run_rule("patchy-comms", case_of(_two_intervals())).candidates}
    assert not run_rule("unit-silent", case_of(_two_intervals())).candidates
    threshold(rules.silence, "EVEN_SHARE", 1.1)
    assert "gateway" in {c.scope for c in run_rule("patchy-comms", case_of(_two_intervals())).candidates}


def test_its_silence_is_told_all_the_same() -> None:
    found = run_rule("gateway-silent", case_of(_two_intervals((9.0, 15.0)))).candidates
    assert {(c.scope, tuple(np.flatnonzero(c.days))) for c in found} == {("gateway", (3,))}


def test_rows_that_a_slow_gateways_units_lose_are_told() -> None:
    roof = _lossy(_two_intervals(), [3], 0.5, 0, 7)
    assert {f.unit for f in findings(roof, "patchy-comms")} == {"U4"}
