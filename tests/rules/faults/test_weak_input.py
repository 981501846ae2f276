from __future__ import annotations

import numpy as np
import pytest

import rules.faults.weak_input as rule
import rules.levels
from rules import ageing
from rules.candidate import Candidate
from rules.case import Case
from rules.diagnose import diagnose
from rules.engine import judge
from rules.witnessed import witnessed
from tests.rules.conftest import MoveThreshold
from tests.rules.make import Roof, case_of, findings, make_roof, only, run_rule


def _weak(deficit: float = 0.2, first: int = 3) -> Roof:
    roof = make_roof()
    return roof.scale(2, 1 - deficit, roof.when(first))


@pytest.fixture(scope="module")
def case() -> Case:
    return case_of(_weak())


def test_fires(case: Case) -> None:
    found = only(judge(case.table).findings)
    assert (found.fault, found.unit, found.input, found.days) == ("weak-input", "U2", 1, 11)
    assert found.evidence["deficit"] == pytest.approx(0.2, abs=0.03)
    assert found.loss_wh_total == pytest.approx(_weak().lost_wh(), rel=0.2)


@pytest.mark.parametrize(("name", "value"), [("MIN_DEFICIT", 0.4), ("SPREADS", 40.0), ("MIN_DAYS", 99)])
def test_thresholds_count(case: Case, threshold: MoveThreshold, name: str, value: float) -> None:
    assert run_rule("weak-input", case).candidates
    threshold(rule, name, value)
    assert not run_rule("weak-input", case).candidates


@pytest.mark.parametrize(("margin", "fires"), [(-0.03, False), (0.05, True)])
def test_just_under_and_over_the_deficit(margin: float, fires: bool) -> None:
    assert bool(run_rule("weak-input", case_of(_weak(rule.MIN_DEFICIT.value + margin))).candidates) is fires


def test_just_under_and_over_the_days() -> None:
    few = int(rule.MIN_DAYS.value) - 2
    assert not run_rule("weak-input", case_of(_weak(first=14 - few))).candidates
    assert run_rule("weak-input", case_of(_weak(first=14 - few - 5))).candidates


def test_a_slope_is_dirt() -> None:
    roof = make_roof(days=20)
    roof.scale(2, 1 - 0.008 * roof.day, roof.when())
    assert {f.fault for f in findings(roof)} == {"soiling"}


def test_a_slope_is_a_threshold(threshold: MoveThreshold) -> None:
    roof = make_roof(days=20)
    roof.scale(2, 0.85 - 0.008 * roof.day, roof.when())
    case = case_of(roof)
    assert not run_rule("weak-input", case).candidates
    threshold(rule, "MAX_SLOPE", 1.0)
    assert run_rule("weak-input", case).candidates


def test_some_hours_only_is_shade() -> None:
    roof = make_roof()
    roof.shade(2, (80.0, 115.0), 50.0, 0.9)
    assert not findings(roof, "weak-input")


def test_module_spread_is_no_fault() -> None:
    # Common practice: modules of one type differ by one to two per cent.
    assert findings(make_roof(spread=0.015, seed=11)) == []


def test_dull_days_are_not_judged(threshold: MoveThreshold) -> None:
    roof = make_roof(days=6)
    threshold(rules.levels, "MIN_LIGHT", 30.0)
    result = run_rule("weak-input", case_of(roof))
    assert {(u.input, u.days) for u in result.unjudged} == {(n, 6) for n in range(10)}


def test_a_step_is_a_threshold(threshold: MoveThreshold) -> None:
    level = np.r_[np.full(8, 1.0), np.full(8, 0.9)]
    assert len(rules.levels.segments(level, 0.005)) == 2
    threshold(rules.levels, "STEP", 0.3)
    assert len(rules.levels.segments(level, 0.005)) == 1


def test_a_contact_that_gets_worse_sinks_and_stays() -> None:
    # Level, slope, level: dirt would not stop before the rain.
    roof = make_roof(days=24)
    roof.scale(2, 1 - 0.25 * np.clip((roof.day - 7) / 7, 0, 1), roof.when())
    found = only(findings(roof))
    assert (found.fault, found.unit, found.input) == ("weak-input", "U2", 1)
    assert found.loss_wh_total == pytest.approx(roof.lost_wh(), rel=0.2)


def test_what_heals_was_no_weakness() -> None:
    roof = make_roof(days=16)
    roof.scale(2, 0.8, roof.when(0, 6))
    assert not findings(roof, "weak-input")


def test_an_ill_neighbour_moves_nobody_else() -> None:
    # Two of three fall by different shares: the third must not rise, nor hide them.
    roof = make_roof(days=16, units=(("south",) * 3,), planes={"south": (180.0, 30.0)})
    roof.scale(0, 0.8, roof.when(8))
    levels = rules.levels.relative_levels(case_of(roof))
    assert np.nanstd(levels.level[:, 1]) < 0.01
    assert np.nanstd(levels.level[:, 2]) < 0.01
    assert np.nanmedian(levels.level[8:, 0] / np.nanmedian(levels.level[:8, 0])) == pytest.approx(0.8, abs=0.02)


def test_a_quarter_of_the_roof_at_once_is_no_weakness() -> None:
    roof = make_roof(days=16)
    for n in (0, 2, 4, 6):
        roof.scale(n, 0.8, roof.when(8))
    assert not run_rule("weak-input", case_of(roof)).candidates


def test_two_alone_may_be_of_two_classes() -> None:
    roof = make_roof(units=(("south",) * 2,), planes={"south": (180.0, 30.0)})
    roof.scale(1, 0.895, roof.when())
    assert not run_rule("weak-input", case_of(roof)).candidates
    roof.scale(1, 0.8, roof.when())
    assert [c.inputs for c in run_rule("weak-input", case_of(roof)).candidates] == [(1,)]


def test_the_fewer_siblings_the_more_must_lack() -> None:
    """One alone on its plane is the measure of its plane's gain: nothing lacks from the first day on."""
    planes = {"south": (180.0, 30.0), "west": (270.0, 30.0), "east": (90.0, 30.0)}
    case = case_of(make_roof(days=4, units=(("south",) * 3, ("west",) * 2, ("east",)), planes=planes))
    least = [rule._least_among(case, n) for n in range(len(case.inputs))]
    assert least == [0.0] * 3 + [rule.PAIR.value] * 2 + [np.inf]


def test_one_that_sinks_within_days_of_a_short_record() -> None:
    """Five days' slope before it is weather: they were a level kept."""
    roof = make_roof(days=14, kinds="c")
    roof.scale(2, (1 + 0.0025 * np.minimum(roof.day, 6)) * (1 - 0.025 * np.maximum(roof.day - 7, 0)), roof.when())
    assert only(run_rule("weak-input", case_of(roof)).candidates).inputs == (2,)


def test_one_that_still_sinks_after_weeks_at_its_level(threshold: MoveThreshold) -> None:
    """Dirt would not have begun on the tenth dry day; it gathers from the first."""
    roof = make_roof(days=22)
    roof.scale(2, 1 - 0.012 * np.maximum(roof.day - 9, 0), roof.when())
    case = case_of(roof)
    found = only(run_rule("weak-input", case).candidates)
    assert np.flatnonzero(found.days)[0] in range(9, 14)
    threshold(ageing, "LEAST_DROP", 0.5)
    assert np.flatnonzero(only(run_rule("weak-input", case).candidates).days)[0] in range(9, 14)
    threshold(rule, "MIN_FALL", 0.5)
    assert not run_rule("weak-input", case).candidates


def test_one_that_came_to_rest_below_where_it_began() -> None:
    """A record that begins on the way down: the rest level is no healthy one."""
    roof = make_roof(days=24)
    roof.scale(2, 1 - 0.01 * np.minimum(roof.day, 10), roof.when())
    assert only(run_rule("weak-input", case_of(roof)).candidates).evidence["deficit"] == pytest.approx(0.1, abs=0.03)


def test_hours_held_down_tell_of_no_weakness(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two inputs of a held unit share what it may give as they like."""
    roof = make_roof(kinds="c", units=[["south"] * 2] * 5)
    when = roof.when(3, 12, 7.0, 17.0) & (roof.power[:, 2] > 120.0)
    roof.power[when] = 120.0 * (1 + 0.02 * np.random.default_rng(5).standard_normal(roof.power[when].shape))
    roof.power[when, 2] *= 0.7
    roof.power[when, 3] *= 1.3
    case = case_of(roof)
    assert not (rules.levels.relative_levels(case).level[4:12, 2] < 0.97).any()
    monkeypatch.setattr(rules.levels, "held_bins", lambda case: np.zeros(case.table["cap_level"].shape, bool))
    rules.levels.relative_levels.cache_clear()  # type: ignore[attr-defined]
    assert rules.levels.relative_levels(case).level[4:12, 2].max() < 0.9


def test_a_swap_told_by_few_days_explains_a_steady_share() -> None:
    roof = make_roof()
    case = case_of(roof.scale(2, 0.5, roof.when()))
    weak = only(run_rule("weak-input", case).candidates)
    days = np.zeros(case.day_count, bool)
    days[:2] = True
    swap = Candidate("swapped-record", "input", (2,), days, np.zeros(case.day_count), 0.9, "", lasting=True)
    assert [c.fault for c in diagnose(case, [weak, swap]).accepted] == ["swapped-record"]


@pytest.mark.parametrize(("share", "sky", "told"), [(0.75, "cc", True), (0.9, "oo", False)])
def test_a_deep_level_deficit_that_went_at_a_stroke_was_mended(share: float, sky: str, told: bool) -> None:
    """A loose contact made good, or the like; what dirt takes from one module, the rain gives back."""
    roof = make_roof(days=34, kinds="c" * 24 + sky + "c" * 8)
    roof.scale(2, share, roof.when(8, 25))
    assert bool(findings(roof, "weak-input")) is told


def test_who_is_a_witness() -> None:
    """Neither a dark sibling nor one with another plane's record; one whose clock is off by as much is."""
    units, planes = (("south",) * 2, ("west",) * 4), {"south": (180.0, 30.0), "west": (270.0, 30.0)}

    def told(roof: Roof) -> np.ndarray:
        return witnessed(case_of(roof))

    assert told(make_roof(days=14, units=units, planes=planes)).all()
    roof = make_roof(days=14, units=units, planes=planes)
    dark = told(roof.dead(0, roof.when()))
    assert not dark[:, 1].any()
    assert dark[:, 2:].all()
    swapped = make_roof(days=14, units=units, planes=planes)
    swapped.power[:, [0, 2]] = swapped.power[:, [2, 0]]
    assert told(swapped)[:, 1].mean() < 0.3
    still = make_roof(days=14, units=units, planes=planes)
    assert not told(still.freeze(0, still.when(start=6.0, end=20.0)))[1:, 1].any()
    late = make_roof(days=14, units=units, planes=planes)
    late.shift_s = np.full(len(late.ts), 3600.0)
    assert told(late).all()


def test_without_a_witness_it_says_so(case: Case, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rule, "witnessed", lambda case: np.zeros((case.day_count, len(case.inputs)), bool))
    result = run_rule("weak-input", case)
    assert not result.candidates
    assert [(u.input, u.days) for u in result.unjudged if u.reason == rule.ALONE] == [(2, 11)]


def test_what_stands_out_and_cannot_be_told_is_said() -> None:
    def reasons(roof: Roof) -> list[tuple[int | None, str]]:
        result = run_rule("weak-input", case_of(roof))
        assert not result.candidates
        return [(u.input, u.reason) for u in result.unjudged]

    assert (2, rule.ITS_OWN) in reasons(_weak(0.08, 0))
    assert (2, rule.SHORT) in reasons(_weak(0.2, 14 - int(rule.MIN_DAYS.value) + 1))
    assert not [n for n, reason in reasons(make_roof()) if reason in (rule.ITS_OWN, rule.SHORT)]
    # An input that stands still does not make "some per cent less".
    assert (2, rule.ITS_OWN) not in reasons(_weak(0.97, 0))


def test_a_lack_of_voltage_at_full_current_tells_more_than_one_of_power() -> None:
    """Nine per cent from the first day on: of power it may be the type's spread, of voltage alone it is not."""
    roof = make_roof(days=14)
    roof.scale(2, 0.91, roof.when())
    assert not findings(roof, "weak-input")
    roof.volts[:, 2] *= 0.91
    assert [(f.unit, f.input) for f in findings(roof, "weak-input")] == [("U2", 1)]


@pytest.mark.parametrize(("name", "value"), [("MIN_VOLTS", 0.2), ("FULL_AMPS", 1.2)])
def test_the_lack_of_voltage_is_a_threshold(threshold: MoveThreshold, name: str, value: float) -> None:
    roof = make_roof(days=14)
    roof.scale(2, 0.91, roof.when())
    roof.volts[:, 2] *= 0.91
    case = case_of(roof)
    assert run_rule("weak-input", case).candidates
    threshold(rule, name, value)
    assert not run_rule("weak-input", case).candidates


def test_a_weak_one_in_shade_is_told_as_both(threshold: MoveThreshold) -> None:
    """The hours out of the shadow stand at one low level, day after day."""
    roof = make_roof(days=20, kinds="ccm")
    roof.scale(2, 0.75, roof.when())
    roof.shade(2, (80.0, 115.0), 50.0, 0.9)
    assert {f.fault for f in findings(roof)} == {"shading", "weak-input"}
    threshold(rule, "PLATEAU", 0.0)
    assert {f.fault for f in findings(roof)} == {"shading"}


def test_a_ceiling_at_noon_hides_no_weak_one() -> None:
    """At their ceiling siblings owe no more than a weak one makes: its mornings and evenings tell (common practice)."""
    roof = make_roof(days=16, kinds="c", rated_va=None)
    top = roof.power.max()
    roof.scale(2, 0.85, roof.when(6))
    roof.power[:] = np.minimum(roof.power, 0.6 * top)
    found = only(run_rule("weak-input", case_of(roof)).candidates)
    assert found.inputs == (2,)
    assert found.evidence["deficit"] == pytest.approx(0.15, abs=0.02)


def _neighbours(*levels: float) -> Roof:
    """Five modules of one plane; the last one lacks 13 % from the first day on, the first four have these levels."""
    roof = make_roof(units=(("south",) * 5,), planes={"south": (180.0, 25.0)})
    for n, level in enumerate((*levels, 0.87)):
        roof.scale(n, level, roof.when())
    return roof


@pytest.mark.parametrize(
    ("levels", "told"), [((1.0, 1.0, 1.0, 1.0), True), ((1.0, 1.0, 1.0, 0.7), True), ((1.02, 1.0, 0.94, 0.92), False)]
)
def test_neighbours_that_lie_far_apart_say_that_so_may_this_one(levels: tuple[float, ...], told: bool) -> None:
    assert (4 in {c.inputs[0] for c in run_rule("weak-input", case_of(_neighbours(*levels))).candidates}) is told


@pytest.mark.parametrize(
    ("deficit", "volts", "told"), [(0.45, True, True), (0.62, True, False), (0.667, True, False), (0.667, False, True)]
)
def test_what_lacks_most_from_the_first_day_on_stands_in_a_shadow(deficit: float, volts: bool, told: bool) -> None:
    """Without voltages it may be two strings of three, by their diodes; a module that works lacks less."""
    case = case_of(_weak(deficit, first=0))
    if not volts:
        case.table.fields["volts"][:] = np.nan
    assert bool(run_rule("weak-input", case).candidates) is told
