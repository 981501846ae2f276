from __future__ import annotations

import numpy as np
import pytest

import rules.faults.hot_derating as rule
import rules.heatcurve as heatcurve
from rules.case import Case
from rules.daytable import HEAT_BINS, HEAT_FROM_C, HEAT_STEP_C
from rules.engine import judge
from tests.rules.conftest import MoveThreshold
from tests.rules.make import Roof, case_of, findings, make_roof, only, run_rule


def _hot(rise: float = 30.0, kept: float = 0.7, first: int = 5, heated: bool = True) -> Roof:
    roof = make_roof(kinds="cccm")
    when = roof.when(first, 99, 11, 15)
    if heated:
        roof.heat[when, 1] += rise
    for n in roof.inputs_of(1):
        roof.scale(n, kept, when)
    return roof


@pytest.fixture(scope="module")
def case() -> Case:
    return case_of(_hot())


def test_fires(case: Case) -> None:
    found = only(judge(case.table).findings)
    assert (found.fault, found.unit, found.input, found.days) == ("hot-derating", "U2", None, 9)
    assert found.evidence["hot_ratio"] == pytest.approx(0.7, abs=0.05)
    assert found.loss_wh_total == pytest.approx(_hot().lost_wh(), rel=0.2)
    # It protects itself, and a year of so little would not pay a visit.
    assert (found.action, found.severity) == ("watch", "medium")


@pytest.fixture
def by_siblings(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without what the site's sky says too (:mod:`rules.overheat`)."""
    monkeypatch.setattr(rule, "overheated", lambda *_: None)


@pytest.mark.usefixtures("by_siblings")
@pytest.mark.parametrize(
    ("name", "value"),
    [("HOT_C", 90.0), ("SLIGHT", 0.5), ("MIN_HOURS", 20.0), ("MIN_ENERGY", 999.0), ("COOL_K", 60.0)],
)
def test_thresholds_count(case: Case, threshold: MoveThreshold, name: str, value: float) -> None:
    assert run_rule("hot-derating", case).candidates
    threshold(rule, name, value)
    assert not run_rule("hot-derating", case).candidates


@pytest.mark.parametrize(("factor", "fires"), [(0.3, False), (2.5, True)])
def test_just_under_and_over_the_drop(factor: float, fires: bool) -> None:
    roof = _hot(kept=1 - factor * max(rule.DROP.value, 0.07))
    assert bool(run_rule("hot-derating", case_of(roof)).candidates) is fires


@pytest.mark.usefixtures("by_siblings")
@pytest.mark.parametrize(("far_k", "fires"), [(20.0, True), (40.0, False)])
def test_a_slight_loss_is_told_of_a_unit_far_hotter_than_the_others(threshold: MoveThreshold, far_k: float, fires: bool) -> None:
    """30 K hotter; a hundredth or two is lost over the hot hours, a twelfth in one of them."""
    roof = _hot(kept=0.975)
    for n in roof.inputs_of(1):
        roof.scale(n, 0.92, roof.when(5, 99, 12, 13))
    threshold(rule, "FAR_K", far_k)
    case = case_of(roof)
    assert bool(run_rule("hot-derating", case).candidates) is fires
    threshold(rule, "SLIGHT_DAYS", 99)
    assert not run_rule("hot-derating", case).candidates
    threshold(rule, "DROP", rule.SLIGHT.value)
    assert run_rule("hot-derating", case).candidates


def test_hotter_than_other_units_counts(threshold: MoveThreshold) -> None:
    # From the first day on, so that hotter days say nothing against cooler ones.
    case = case_of(_hot(first=0))
    assert run_rule("hot-derating", case).candidates
    threshold(rule, "OVER_K", 60.0)
    assert not run_rule("hot-derating", case).candidates


def test_heat_alone_is_no_fault() -> None:
    assert findings(_hot(kept=1.0)) == []


def test_shade_at_noon_leaves_the_unit_cool() -> None:
    roof = make_roof(kinds="c")
    for n in roof.inputs_of(1):
        roof.shade(n, (150.0, 215.0), 90.0, 0.5)
    assert not findings(roof, "hot-derating")


@pytest.mark.usefixtures("by_siblings")
@pytest.mark.parametrize(("rise", "fires"), [(-3.0, False), (0.5, True)])
def test_who_is_cooler_than_the_others_on_his_hot_days_stands_in_shade(rise: float, fires: bool, threshold: MoveThreshold) -> None:
    """Days on which it falls behind are the hot ones, as with shade that comes with the sun: shade cools a unit."""
    roof = make_roof(kinds="cccm")
    warm = roof.when(7, 99, 11, 15)
    roof.heat[warm] += 20.0
    roof.heat[warm, 1] += rise
    for n in roof.inputs_of(1):
        roof.scale(n, 0.8, warm)
    threshold(rule, "OVER_K", 9.0)
    assert bool(run_rule("hot-derating", case_of(roof)).candidates) is fires


def test_every_unit_alike_is_not_one_units_heat() -> None:
    roof = make_roof(kinds="cccm")
    when = roof.when(0, 99, 11, 15)
    roof.heat[when] += 30
    assert not findings(roof, "hot-derating")


def test_without_temperatures_it_cannot_be_judged() -> None:
    roof = make_roof(days=4)
    roof.without |= {"temperature_c"}
    result = run_rule("hot-derating", case_of(roof))
    assert not result.candidates
    assert {u.reason for u in result.unjudged} == {"no temperature_c"}
    assert len(result.unjudged) == 10


def test_a_unit_at_its_ceiling_is_not_too_hot(threshold: MoveThreshold) -> None:
    """Two modules on a unit of 520 VA beside units that never reach their rating; it is the warmest too."""
    roof = make_roof(kinds="c", rated_va=520.0)
    limit = 520 / 2 / 0.96
    for u in range(5):
        for n in roof.inputs_of(u):
            roof.power[:, n] = np.minimum(roof.power[:, n], limit) if u == 1 else 0.8 * roof.power[:, n]
    roof.heat[roof.power[:, 2] > 0.98 * limit, 1] += 30
    case = case_of(roof)
    case.table.fields["dip_h"][:, 1] = case.table["clipped_h"][:, 2]
    case.table.fields["dip_temp"][:, 1] = 70.0
    case.table.fields["heat_power"][:, 1] = np.r_[np.full(6, 1.0), np.full(5, 0.7)]
    case.table.fields["heat_typical"][:, 1] = 1.0
    case.table.fields["dip_over"][:, 1] = 30.0
    assert not run_rule("hot-derating", case).candidates
    threshold(rule, "CEILING", 9.0)
    assert run_rule("hot-derating", case).candidates


def test_what_lets_go_at_the_same_heat_is_shade() -> None:
    """A shadow of two warm hours; the unit is warmer still afterwards, and sound."""
    roof = make_roof(kinds="c")
    roof.heat[roof.when(0, 99, 10, 13), 1] += 25
    roof.heat[roof.when(0, 99, 13, 16), 1] += 40
    for n in roof.inputs_of(1):
        roof.scale(n, 0.7, roof.when(0, 99, 10, 13))
    assert not run_rule("hot-derating", case_of(roof)).candidates


def _alone(share: list[float]) -> Case:
    """One unit alone; its share of clear sky in bins from 40 Celsius on, in steps of 5 K."""
    case = case_of(make_roof(days=10, kinds="c", units=[["south", "south"]]))
    light = np.zeros(case.table["heat_light"][0, 0].shape)
    light[: len(share)] = 1.0
    case.table.fields["heat_light"][:, 0] = light
    case.table.fields["heat_power"][:, 0, : len(share)] = share
    return case


@pytest.mark.parametrize(("share", "fires"), [([1.0, 1.0, 1.0, 0.9, 0.8], True), ([1.0, 1.0, 0.9, 0.9, 0.905], False)])
def test_heat_takes_more_with_every_step(threshold: MoveThreshold, share: list[float], fires: bool) -> None:
    """Common practice: derating takes 2 to 5 % a kelvin; a level that stays is another level of the sky."""
    case = _alone(share)
    assert bool(run_rule("hot-derating", case).candidates) is fires
    threshold(heatcurve, "FURTHER", 0.5 if fires else -0.1)
    assert bool(run_rule("hot-derating", case).candidates) is not fires


def test_dirt_that_grows_towards_summer_is_no_heat(threshold: MoveThreshold) -> None:
    """The later days are hotter and dirtier; within each day hot hours give what cool ones do."""
    case = _alone([1.0] * 5)
    late = np.arange(10) >= 5
    case.table.fields["heat_power"][late, 0, :5] = 0.75
    case.table.fields["heat_light"][late, 0, 1:3] = 0.3
    case.table.fields["heat_light"][~late, 0, 3:5] = 0.3
    case.table.fields["heat_power"][:, 0] *= case.table["heat_light"][:, 0]
    assert not run_rule("hot-derating", case).candidates
    threshold(heatcurve, "WITHIN", 2.0)
    threshold(heatcurve, "FURTHER", -1.0)
    assert run_rule("hot-derating", case).candidates


def _short(roof: Roof) -> Roof:
    """Every input gives a fifth less in its brightest hours, as units do whose heat holds them back."""
    for ref in roof.site.inputs:
        roof.scale(ref.index, 0.8, roof.when(0, 99, *((10, 14) if ref.plane == "south" else (14, 18))))
    return roof


def test_two_hot_units_that_are_a_plane_of_their_own_are_told_by_the_sky() -> None:
    """Each would pass for the other's healthy sibling."""
    case = case_of(_short(make_roof(days=10, kinds="c", units=[["south", "south"], ["south", "south"], ["west", "west"]])))
    share = np.array([1.0, 1.0, 1.0, 0.9, 0.8])
    light = np.zeros(case.table["heat_light"][0, 0].shape)
    light[: len(share)] = 1.0
    for u in range(3):
        case.table.fields["heat_light"][:, u] = light
        case.table.fields["heat_power"][:, u, : len(share)] = share if u < 2 else 1.0
        case.table.fields["heat_typical"][:, u] = case.table["heat_power"][:, u]
    assert {c.inputs for c in run_rule("hot-derating", case).candidates} == {(0, 1), (2, 3)}
    case.table.fields["heat_power"][:, 1, : len(share)] = 1.0  # one of them keeps cool
    assert not run_rule("hot-derating", case).candidates


def test_a_unit_that_makes_what_the_sky_allows_is_not_held_back() -> None:
    """A haze of dust takes from the bright hours of all planes what a clear sky's formula would give them."""
    case = case_of(make_roof(days=10, kinds="c", units=[["south", "south"], ["west", "west"]]))
    case.table.fields["heat_light"][:, :, :5] = 1.0
    case.table.fields["heat_power"][:, :, :5] = case.table.fields["heat_typical"][:, :, :5] = [1.0, 1.0, 1.0, 0.9, 0.8]
    assert case.independent.all()
    assert not run_rule("hot-derating", case).candidates


def test_inputs_of_one_unit_are_no_measure_of_its_heat() -> None:
    """Alone on its plane, both of its inputs are held back together: what one lacks against the other is its own."""
    for units, fires in (([["south", "south"]], False), ([["south", "south"], ["south", "south"]], True)):
        roof = make_roof(days=10, kinds="cccm", units=units)
        when = roof.when(2, 99, 11, 15)
        roof.heat[when, 0] += 30.0
        for n in (0, 1):
            roof.scale(n, 0.7 if n else 0.8, when)
        case = case_of(roof)
        assert bool(rule._candidate(case, 0, np.array([0, 1]))) is fires


def test_a_contact_in_every_input_is_no_heat_where_others_are_as_hot(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its loss grows with power, and so with heat; a unit 30 K hotter than the others is still told."""
    roof = _hot(heated=False)
    roof.heat[roof.when(5, 99, 11, 15)] += 30.0
    for made, fires in ((roof, False), (_hot(), True)):
        case = case_of(made)
        assert run_rule("hot-derating", case).candidates
        with monkeypatch.context() as patch:
            patch.setattr(rule, "resistive", lambda _: dict.fromkeys((2, 3)))
            assert bool(run_rule("hot-derating", case).candidates) is fires


def test_one_bad_contact_is_no_heat(threshold: MoveThreshold) -> None:
    """A unit that protects itself limits its output: each of its inputs gives less (common practice)."""
    roof = make_roof(kinds="cccm")
    when = roof.when(5, 99, 11, 15)
    roof.heat[when, 1] += 30.0
    case = case_of(roof.scale(roof.inputs_of(1)[0], 0.4, when))
    assert not run_rule("hot-derating", case).candidates
    threshold(rule, "KEEPS", 1.5)
    assert run_rule("hot-derating", case).candidates


def test_by_the_sky_no_heat_is_told_behind_a_wrong_clock(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its brightest hours are then said to be dull ones, and the other way round."""
    case = case_of(_short(make_roof(days=10, kinds="c", units=[["south", "south"], ["west", "west"]])))
    case.table.fields["heat_light"][:, :, :5] = 1.0
    case.table.fields["heat_power"][:, :, :5] = case.table.fields["heat_typical"][:, :, :5] = [1.0, 1.0, 1.0, 0.9, 0.8]
    assert run_rule("hot-derating", case).candidates
    monkeypatch.setattr(rule, "bins_late", lambda case: np.full((case.day_count, len(case.inputs)), 6.0))
    assert not run_rule("hot-derating", case).candidates


@pytest.mark.usefixtures("by_siblings")
def test_a_unit_hotter_than_the_last_bin_of_heat_is_told() -> None:
    """The last bin has no upper edge: dips at a hundred degrees lie in it, sound hours below."""
    case = case_of(_hot(rise=70.0))
    assert case.table["dip_temp"].max() > HEAT_FROM_C + HEAT_STEP_C * HEAT_BINS
    assert run_rule("hot-derating", case).candidates
