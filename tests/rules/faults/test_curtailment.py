from __future__ import annotations

from types import ModuleType

import numpy as np
import pytest

import rules.faults.curtailment as rule
import rules.held as held_of
import rules.heldlevel as by_level
import rules.heldsum as by_sum
import rules.levelspells as spells_of
import rules.loads as loads_of
from rules.case import Case
from rules.compat.expected import expected_clipping
from rules.daytable import BIN_HOURS
from rules.engine import judge
from rules.faults import shading
from rules.faults.shading import _credible
from tests.rules.conftest import MoveThreshold, forget
from tests.rules.make import RATED_VA, Roof, case_of, findings, make_roof, only, run_rule

#: Where the rule looks for an order, and weighs what it finds.
_PARTS = (rule, held_of, by_level, by_sum, spells_of, loads_of)


@pytest.fixture
def threshold(threshold: MoveThreshold) -> MoveThreshold:
    """Moves a threshold of the rule in all of its parts."""

    def put(_: ModuleType, name: str, value: float) -> None:
        for part in _PARTS:
            threshold(part, name, value) if hasattr(part, name) else forget(part)

    return put


def _capped(roof: Roof, level: float = 0.45, first: int = 5, last: int = 9) -> Roof:
    """An export limit: no unit above ``level`` of its rating."""
    when = roof.when(first, last)
    limit = level * RATED_VA / 2 * (1 + 0.002 * np.random.default_rng(2).standard_normal(roof.power[when].shape))
    roof.power[when] = np.minimum(roof.power[when], limit)
    return roof


@pytest.fixture(scope="module")
def case() -> Case:
    return case_of(_capped(make_roof()))


def test_fires(case: Case) -> None:
    found = only(judge(case.table).findings)
    assert (found.fault, found.unit, found.days) == ("curtailment", None, 5)
    assert found.evidence["level"] == pytest.approx(0.45, abs=0.02)
    assert found.action == "none"


def test_loss(case: Case) -> None:
    true = _capped(make_roof()).lost_wh()
    assert only(judge(case.table).findings).loss_wh_total == pytest.approx(true, rel=0.15)


@pytest.mark.parametrize(("kinds", "within"), [("c", 0.05), ("ccm", 0.3), ("mmo", 0.2)])
def test_loss_of_an_order_on_most_days(kinds: str, within: float) -> None:
    """Held from the second day to the last: neither level nor sky of those days says what could have been made."""
    roof = _capped(make_roof(days=14, kinds=kinds), level=0.35, first=2, last=13)
    assert only(findings(roof, "curtailment")).loss_wh_total == pytest.approx(roof.lost_wh(), rel=within)


def test_loss_by_a_sensor() -> None:
    """Common practice: with an irradiance sensor the sky under an order is known."""
    roof = _capped(make_roof(days=14, kinds="ccm"), level=0.35, first=2, last=13)
    assert only(findings(roof, "curtailment", roof.weather())).loss_wh_total == pytest.approx(roof.lost_wh(), rel=0.15)


@pytest.mark.parametrize(
    "moved",
    [
        {"TIGHT": 1e-6},
        {"COSTS": 5.0},
        {"ALIKE_UNITS": 1e-6, "PLAIN_HOURS": 20.0, "FAIR_BEND": 20.0},
        {"LEVEL": 1e-6},
        {"BEND": 20.0, "FAR_BELOW": 0.0, "FAIR_BEND": 20.0},
        {"BELOW": 0.0, "FAR_BELOW": 0.0},
        {"STRONG_HOURS": 20.0, "RETURNS": 99.0, "FAR_BELOW": 0.0},
    ],
)
def test_thresholds_count(case: Case, threshold: MoveThreshold, moved: dict[str, float]) -> None:
    threshold(rule, "CROWD", 1e9)
    threshold(rule, "SUM_CROWD", 1e9)
    threshold(rule, "EXACT_DAYS", 99)
    assert run_rule("curtailment", case).candidates
    for name, value in moved.items():
        threshold(rule, name, value)
    assert not run_rule("curtailment", case).candidates


def test_high_frequency_holds_units_down() -> None:
    roof = make_roof(days=8, kinds="c")
    when = roof.when(4, 5, 11.5, 13.5)
    roof.hertz[when] = 50.0 + held_of.HZ_RISE.value + 0.3
    roof.power[when] *= 0.4
    found = only(findings(roof, "curtailment"))
    assert found.evidence["by_frequency"] is True


def test_a_little_frequency_is_no_order() -> None:
    roof = make_roof(days=8, kinds="c")
    roof.hertz[roof.when(4, 5, 11.5, 13.5)] = 50.0 + 0.6 * held_of.HZ_RISE.value
    assert findings(roof) == []


def test_a_units_own_ceiling_is_clipping() -> None:
    roof = make_roof(rated_va=600.0)
    roof.power[:] = np.minimum(roof.power, 600 / 2 / 0.96)
    assert {f.fault for f in findings(roof)} == {"clipping"}


def test_passing_clouds_are_not_flat() -> None:
    assert not findings(make_roof(kinds="m"), "curtailment")


def test_healthy_units_rated_above_their_modules() -> None:
    assert findings(make_roof(rated_va=1000.0)) == []


def _held(roof: Roof, level: float, units: list[int], *when: tuple[int, float, float]) -> Roof:
    """Units under an order of ``level`` of their rating (800 VA, two inputs) on (day, from hour, to hour)."""
    for day, start, end in when:
        mask = roof.when(day, day, start, end)
        for n in [n for u in units for n in roof.inputs_of(u)]:
            roof.power[mask, n] = np.minimum(roof.power[mask, n], level * 800 / 2 / 0.96)
    return roof


def test_an_order_that_only_one_plane_reaches(threshold: MoveThreshold) -> None:
    """Morning orders: the units of the west plane are still below it, so the units are not level with each other."""
    planes = {"south": (180.0, 25.0), "west": (270.0, 80.0)}
    roof = make_roof(kinds="c", planes=planes, units=[["south"] * 2] * 2 + [["west"] * 2] * 3)
    case = case_of(_held(roof, 0.4, [0, 1], *((d, 8.0, 10.5) for d in (4, 6, 9))))
    # The upper units of the site are those two.
    case.table.fields["cap_level"][:] = case.table["power"][:, 0] / BIN_HOURS * 400 / 400
    case.table.fields["cap_level"][case.table["power"][:, 0] <= 0.01] = np.nan
    case.table.fields["cap_spread"][:] = 0.5
    assert only(run_rule("curtailment", case).candidates).days.sum() == 3
    threshold(rule, "FAIR_BEND", 20.0)
    assert not run_rule("curtailment", case).candidates


@pytest.mark.parametrize(("hours", "fires"), [((9.0, 16.0), True), ((11.0, 13.0), False)])
def test_one_unit_held_for_half_a_day(hours: tuple[float, float], fires: bool) -> None:
    """A site of one unit has nobody to compare with: only a long and plain level counts."""
    roof = _held(make_roof(kinds="c", units=[["south"] * 2]), 0.2, [0], (6, *hours))
    assert bool(run_rule("curtailment", case_of(roof)).candidates) is fires


@pytest.mark.parametrize(("name", "value"), [("PLAIN_HOURS", 20.0), ("PLAIN_BEND", 20.0), ("FAR_BELOW", 0.1)])
def test_what_is_plain(threshold: MoveThreshold, name: str, value: float) -> None:
    case = case_of(_held(make_roof(kinds="c", units=[["south"] * 2]), 0.2, [0], (6, 9.0, 16.0)))
    threshold(rule, "CROWD", 1e9)
    assert run_rule("curtailment", case).candidates
    threshold(rule, name, value)
    assert not run_rule("curtailment", case).candidates


def test_a_frozen_record_is_no_order() -> None:
    roof = make_roof(kinds="c", units=[["south"] * 2])
    for n in range(2):
        roof.freeze(n, roof.when(6, 6, 9.0, 16.0))
    assert not run_rule("curtailment", case_of(roof)).candidates


def test_an_order_of_a_single_midday_by_its_edges(threshold: MoveThreshold) -> None:
    """Three hours after noon at half of what the sky gave just before and after."""
    case = case_of(_held(make_roof(kinds="c"), 0.45, [0, 1, 2, 3, 4], (6, 12.0, 15.0)))
    assert only(run_rule("curtailment", case).candidates).days.sum() == 1
    threshold(rule, "EDGE", 9.0)
    assert not run_rule("curtailment", case).candidates


def test_hours_held_down_are_no_shade_and_show_none() -> None:
    """A limit on the site's sum takes noon from every input, whatever stands before the roof."""
    roof = _capped(make_roof(days=12, kinds="c"), level=0.3, first=1, last=11)
    assert {f.fault for f in findings(roof)} == {"curtailment"}
    case = case_of(roof)
    held = held_of.held_bins(case)
    assert held[1:].any(axis=1).all()
    assert not held[0].any()
    kept = _credible(case).table
    assert kept["free_power"].transpose(0, 2, 1)[held].max() == 0.0
    assert kept["free_power"].transpose(0, 2, 1)[~held].max() > 0.1


def test_a_grey_day_read_in_steps_is_no_order() -> None:
    """Readings of 20 W in steps of 5 W: every half hour of a thick overcast has the same number."""
    roof = make_roof(days=8, kinds="o")
    roof.power = np.round(np.minimum(roof.power, 0.06 * RATED_VA / 2) / 5) * 5
    assert not run_rule("curtailment", case_of(roof)).candidates


def test_an_order_that_one_plane_alone_reaches_is_told_of_it(threshold: MoveThreshold) -> None:
    """A steep west plane in a morning order stays far below it: it lost nothing."""
    planes = {"south": (180.0, 25.0), "west": (270.0, 80.0)}
    roof = make_roof(kinds="c", planes=planes, units=[["south"] * 2] * 5 + [["west"] * 2] * 2)
    case = case_of(_held(roof, 0.4, list(range(7)), *((d, 7.5, 12.5) for d in (4, 6, 9))))
    found = only(run_rule("curtailment", case).candidates)
    assert (found.scope, found.plane, found.inputs) == ("plane", "south", tuple(range(10)))
    threshold(rule, "REACHED_SHARE", -1.0)
    assert only(run_rule("curtailment", case).candidates).scope == "site"
    threshold(rule, "REACHED_SHARE", 0.25)
    threshold(rule, "REACHED", 0.01)
    assert only(run_rule("curtailment", case).candidates).scope == "site"


@pytest.mark.parametrize(("limit", "own"), [(1.0, True), (0.85, False)])
def test_beside_an_ill_input_the_others_stand_at_their_share_of_the_rating(limit: float, own: bool) -> None:
    """A unit that shares its rating out holds each input at its share; the sum lies below the rating where one is ill."""
    roof = make_roof(days=4, kinds="c", rated_va=480.0)
    share = expected_clipping(roof.site.inputs[0], connected=2)
    assert share is not None
    roof.power = np.minimum(roof.power, limit * share.power_w)
    roof.power[:, 1] *= 1 / 3
    case = case_of(roof)
    noon = np.zeros((4, 48), bool)
    noon[:, 22:26] = True
    assert rule._at_own_rating(case, np.array([0, 1]), noon) is own


def test_a_number_that_comes_back(threshold: MoveThreshold) -> None:
    """An hour at a time, never flat for long enough to be told by a day alone."""
    roof = make_roof(days=14, kinds="c", units=[["south"] * 2] * 2, rated_va=800.0)
    for day in range(3, 13):
        _held(roof, 0.3, [0, 1], *((day, hour, hour + 1.0) for hour in (9.0, 11.5, 14.0)))
    case = case_of(roof)
    assert only(run_rule("curtailment", case).candidates).days.sum() == 10
    threshold(rule, "CROWD", 1e9)
    threshold(rule, "SUM_CROWD", 1e9)
    assert not run_rule("curtailment", case).candidates


def test_readings_in_coarse_steps_are_no_order() -> None:
    """Every level is a multiple of 20 W: numbers come back, but all alike."""
    roof = make_roof(days=14, kinds="m", units=[["south"] * 2] * 5)
    roof.power = np.round(roof.power / 20) * 20
    assert not run_rule("curtailment", case_of(roof)).candidates


def test_a_limit_on_the_sum_leaves_units_their_share(threshold: MoveThreshold) -> None:
    """East and west share a limit at the meter: no unit is flat, their sum is."""
    planes = {"east": (90.0, 35.0), "west": (270.0, 35.0)}
    roof = make_roof(days=10, kinds="c", planes=planes, units=[["east"] * 2] * 3 + [["west"] * 2] * 3)
    total = roof.power.sum(axis=1)
    when = roof.when(3, 8)
    # The inverters of the east come first; those of the west give what is left.
    east, west = roof.power[:, :6].sum(axis=1), roof.power[:, 6:].sum(axis=1)
    less = np.where(when, np.maximum(total - 1100.0, 0.0), 0.0)
    roof.power[:, 6:] *= (1 - np.minimum(less / np.maximum(west, 1.0), 0.9))[:, None]
    roof.power[:, :6] *= (1 - np.maximum(less - 0.9 * west, 0.0) / np.maximum(east, 1.0))[:, None]
    case = case_of(roof)
    found = only(run_rule("curtailment", case).candidates)
    assert (found.scope, found.days.sum()) == ("site", 6)
    assert found.loss_wh.sum() == pytest.approx(roof.lost_wh(), rel=0.2)
    assert by_sum.by_sum(case)[3:9].any(axis=1).all()
    threshold(rule, "SUM_CROWD", 1e9)
    assert by_sum.by_sum(case).any()  # to its last digits it needs no crowd
    threshold(rule, "EXACT_DAYS", 99)
    assert not by_sum.by_sum(case).any()


def test_units_that_stay_below_the_order_are_not_told_of_it(threshold: MoveThreshold) -> None:
    """A unit with one module of two never comes up to 55 % of its rating: it lost nothing."""
    roof = make_roof(kinds="c", units=[["south"] * 2] * 2 + [["south"]])
    case = case_of(_held(roof, 0.6, [0, 1], *((d, 9.0, 15.0) for d in (4, 6, 9))))
    told = run_rule("curtailment", case).candidates
    assert {(c.scope, c.inputs) for c in told} == {("unit", (0, 1)), ("unit", (2, 3))}
    threshold(rule, "PLACES", 1)
    assert only(run_rule("curtailment", case).candidates).scope == "site"


def test_units_that_stand_still_below_the_others_are_held_down_too(threshold: MoveThreshold) -> None:
    """A limit on the site that leaves a unit with one module of two its smaller share."""
    roof = make_roof(kinds="c", units=[["south"] * 2] * 2 + [["south"]])
    when = [(d, 8.0, 16.0) for d in (4, 6, 9)]
    _held(_held(roof, 0.55, [0, 1], *when), 0.35, [2], *when)
    case = case_of(roof)
    assert only(run_rule("curtailment", case).candidates).scope == "site"
    threshold(rule, "OTHERS_STILL", 0.0)
    assert {c.scope for c in run_rule("curtailment", case).candidates} == {"unit"}


def test_a_low_level_for_an_hour_or_two_is_gloom_where_no_sensor_says_more(case: Case, threshold: MoveThreshold) -> None:
    threshold(rule, "GLOOM_HOURS", 12.0)
    assert run_rule("curtailment", case).candidates
    threshold(rule, "GLOOM", 0.6)
    assert not run_rule("curtailment", case).candidates
    threshold(rule, "GLOOM_HOURS", 2.2)
    assert run_rule("curtailment", case).candidates


def test_an_order_that_the_others_stand_at_is_none_of_a_stuck_inputs(threshold: MoveThreshold) -> None:
    """One input of ten repeats itself on a day of an order: the level is that of all, or its own where others are free."""
    roof = _capped(make_roof())
    roof.freeze(2, roof.when(7, 7, 8.0, 14.0))
    case = case_of(roof)
    assert 7 in np.flatnonzero(run_rule("curtailment", case).candidates[0].days)
    held = held_of.held_down(case)[0]
    free = np.where(np.arange(len(case.inputs)) == 2, 1.0, 1.2)
    fields = dict(case.table.fields)
    fields["power"] = np.where((np.arange(case.day_count) == 7)[:, None, None], free[None, :, None], 1.0) * fields["power"]
    assert rule._some_frozen(case.like(fields), held)[7]
    assert not rule._some_frozen(case, held)[7]
    threshold(rule, "FEW_FROZEN", 0.05)  # one of ten is many: a plane that stands still may be hidden from itself
    assert rule._some_frozen(case, held)[7]
    threshold(rule, "FEW_FROZEN", 0.25)
    threshold(rule, "OTHERS_AT", 1.0)
    assert 7 not in np.flatnonzero(run_rule("curtailment", case).candidates[0].days)
    threshold(rule, "FROZEN_HOURS", 24.0)
    assert 7 in np.flatnonzero(run_rule("curtailment", case).candidates[0].days)


def test_a_dirty_roof_at_noon_is_no_order(threshold: MoveThreshold) -> None:
    """Clear days whose noons come out alike: a fifth is missing at every hour, and a noon is broad and flat."""
    roof = make_roof(days=14, kinds="c", units=[["south"] * 2] * 6, planes={"south": (180.0, 8.0)})
    for n in range(12):
        roof.scale(n, 0.72, roof.when(8))
    case = case_of(roof)
    assert not run_rule("curtailment", case).candidates
    threshold(rule, "DIP", 0.0)
    assert run_rule("curtailment", case).candidates


def test_a_broad_noon_is_a_crown_and_no_order(threshold: MoveThreshold) -> None:
    """The course of a clear day is pvlib's (tests.rules.make)."""
    roof = make_roof(days=6, kinds="c")
    case = case_of(roof)
    levels = case.table["cap_level"][3].tolist()
    filled = np.flatnonzero(np.isfinite(levels)).tolist()
    top = int(np.nanargmax(levels))
    start = filled.index(top) - 1
    assert spells_of._is_crown(levels, filled, start, start + 3, levels[top], BIN_HOURS)
    # The same course, cut off a twentieth below its top.
    cut = np.minimum(levels, 0.95 * levels[top]).tolist()
    held = [filled.index(b) for b in filled if cut[b] == max(np.nan_to_num(cut))]
    assert not spells_of._is_crown(cut, filled, held[0], held[-1] + 1, 0.95 * levels[top], BIN_HOURS)
    threshold(rule, "CROWN_OVER", 1e-6)
    assert not spells_of._is_crown(levels, filled, start, start + 3, levels[top], BIN_HOURS)


def test_the_sky_is_that_of_the_units_that_come_up_to_the_level() -> None:
    """Half of the units have modules of half the watts: an order that only the others reach."""
    roof = make_roof(days=10, kinds="c", units=[["south"] * 2] * 8)
    roof.power[:, 8:] *= 0.5
    case = case_of(_held(roof, 0.5, list(range(8)), *((d, 10.0, 14.0) for d in (4, 7))))
    case.rated[8:] *= 0.5
    for name in ("power", "clear"):
        case.table.fields[name][:, 8:] *= 2.0
    assert loads_of.upper_light(case)[4, 24] == pytest.approx(np.nanmax(case.table["cap_level"][5]), rel=0.1)
    told = run_rule("curtailment", case).candidates
    assert {n for c in told for n in c.inputs} == set(range(8))
    assert all(set(np.flatnonzero(c.days)) == {4, 7} for c in told)


def test_a_unit_with_a_dead_input_stops_at_its_share_of_the_rating(threshold: MoveThreshold) -> None:
    """Common practice: a unit of several trackers rates each at its share."""
    roof = make_roof(days=10, kinds="c", units=[["south"] * 4], rated_va=1000.0)
    roof.power[:] = np.minimum(roof.power, 1000.0 / 4 / 0.96)
    roof.power[:, 3] = 0.0
    case = case_of(roof)
    assert loads_of.own_ceiling(case)[5, 24]
    assert not run_rule("curtailment", case).candidates
    threshold(rule, "OWN_CEILING", 9.0)
    assert run_rule("curtailment", case).candidates


def test_frozen_inputs_keep_each_its_own_number() -> None:
    """An order holds all at one number; a record frozen on all inputs holds each at the one it had."""
    roof = _capped(make_roof())
    roof.power[:] *= 1 + 0.2 * (np.arange(roof.power.shape[1]) % 5 - 2) * roof.when(7, 7)[:, None]
    for n in range(roof.power.shape[1]):
        roof.freeze(n, roof.when(7, 7, 8.0, 14.0))
    found = run_rule("curtailment", case_of(roof)).candidates
    assert found
    assert not any(c.days[7] for c in found)


def test_lost_rows_do_not_hide_a_limit_on_the_sum() -> None:
    """East and west in turns under a meter's limit, one row in twelve lost: the plane's others stand in for it."""
    planes = {"east": (90.0, 35.0), "west": (270.0, 35.0)}
    roof = make_roof(days=10, kinds="c", planes=planes, units=[["east"] * 2] * 3 + [["west"] * 2] * 3)
    when, total = roof.when(3, 8), roof.power.sum(axis=1)
    share = np.where(when, np.minimum(1100.0 / np.maximum(total, 1.0), 1.0), 1.0)
    roof.power *= share[:, None]
    roof.heard &= np.random.default_rng(4).uniform(size=roof.heard.shape) > 1 / 12
    case = case_of(roof)
    level, light, free = by_sum._sums(case)
    noon = level[3:9, 22:26]
    assert np.ptp(noon) < 0.01 * noon.mean()
    assert (light[3:9, 22:26] > noon).all()
    assert free[3:9, 22:26].all()
    assert by_sum.by_sum(case)[3:9].any(axis=1).all()
    raw = (case.table["power"] * case.rated[:, None]).sum(axis=1)[3:9, 22:26]
    assert np.ptp(raw) > 0.025 * raw.mean()


def test_one_input_that_stands_still_longer_than_any_order_could_hold_is_frozen(threshold: MoveThreshold) -> None:
    """From dawn to dusk at one number, in light too dim for it: with one input nobody else tells."""
    roof = make_roof(days=10, kinds="c", units=[["south"]])
    for d in (4, 5, 6):
        roof.freeze(0, roof.when(d, d, 6.5, 18.5))
    case = case_of(roof)
    held = np.zeros(case.table["cap_level"].shape, bool)
    held[4:7, 18:30] = True
    assert rule._some_frozen(case, held)[4:7].all()
    threshold(rule, "OUTLAST", 24.0)
    assert not rule._some_frozen(case, held)[4:7].any()


def test_a_number_that_is_met_in_passing_costs_nothing() -> None:
    """On a dull day after the order the level of some half hours is its number; nothing was taken then."""
    case = case_of(_capped(make_roof(kinds="c", days=14)))
    order = only(run_rule("curtailment", case).candidates).days
    at = np.flatnonzero(case.table["cap_level"][5] > 0)[8:11]
    cap = held_of.held_down(case)[0]
    cap[12, at] = True
    kept = case.table["power"][12, :, at].copy()
    for share, told in ((1.0, False), (0.3, True)):
        case.table["power"][12, :, at] = share * kept
        assert only(run_rule("curtailment", case).candidates).days[12] == told
    assert order.sum() == 5


def test_clouds_that_pass_a_known_number_up_and_down_are_no_limit(threshold: MoveThreshold) -> None:
    """A free day after the limit: two half hours lie at its number by chance, others above it between them."""
    planes = {"east": (90.0, 35.0), "west": (270.0, 35.0)}
    roof = make_roof(days=10, kinds="c", planes=planes, units=[["east"] * 2] * 3 + [["west"] * 2] * 3)
    total = np.maximum(roof.power.sum(axis=1), 1.0)
    roof.power *= np.where(roof.when(1, 6), np.minimum(1100.0 / total, 1.0), 1.0)[:, None]
    for start in (9.0, 9.5, 13.5, 14.0):
        roof.power *= np.where(roof.when(8, 8, start, start + 0.5), np.minimum(1100.0 / total, 1.0), 1.0)[:, None]
    case = case_of(roof)
    told = by_sum.by_sum(case).any(axis=1)
    assert told[1:7].all()
    assert not told[8]
    threshold(rule, "PAST", 99.0)
    assert by_sum.by_sum(case)[8].any()


def test_readings_in_coarse_steps_make_no_order() -> None:
    """Counters in whole watt-hours: a grey day stands on their fourth step for hours."""
    steps = 0.0268 * np.array([[1.0, 2.0, 3.0, 4.0, 5.0, 4.0, 4.0, 3.0, 2.0, 7.0]])
    assert by_level._least(steps, np.zeros_like(steps)) == pytest.approx(20 * 0.0268, abs=0.02)
    assert by_level._least(steps, np.full_like(steps, 0.01)) == loads_of.LEAST_LEVEL.value


def test_units_that_move_alike_hold_no_sum() -> None:
    roof = make_roof(days=14, kinds="m", planes={"south": (180.0, 25.0), "west": (180.0, 25.0)})
    case = case_of(roof)
    stirred = by_sum._in_step(case)
    assert stirred[:, 20:28].mean() > 0.5
    assert not by_sum._in_step(case_of(_capped(make_roof(kinds="c"), 0.3, 0, 13)))[:, 22:26].any()


def test_units_off_at_a_high_frequency_have_tripped() -> None:
    roof = make_roof(days=8, kinds="c")
    when = roof.when(4, 5, 11.5, 13.5)
    roof.hertz[when] = 50.0 + held_of.HZ_RISE.value + 0.3
    roof.power[when] = 0.0
    assert not run_rule("curtailment", case_of(roof)).candidates


def _two_hours_late(roof: Roof) -> Roof:
    roof.shift_s = np.full(len(roof.ts), 7200.0)
    return roof


def test_an_order_is_found_under_a_wrong_clock() -> None:
    """The level is the same; what the sky offered is told at the hour at which the sun stood there."""
    true = _capped(make_roof(kinds="c")).lost_wh()
    found = {f.fault: f for f in findings(_two_hours_late(_capped(make_roof(kinds="c"))))}
    assert set(found) == {"clock-shift", "curtailment"}
    assert found["curtailment"].loss_wh_total == pytest.approx(true, rel=0.25)


def test_a_wrong_clock_alone_is_no_order() -> None:
    assert {f.fault for f in findings(_two_hours_late(make_roof(kinds="c")))} == {"clock-shift"}


def test_a_limit_on_the_sum_is_no_shade_on_who_has_no_siblings(monkeypatch: pytest.MonkeyPatch) -> None:
    """One module alone on its plane is held against the sky, and gives with the others what the limit leaves."""
    planes = {"south": (180.0, 35.0), "west": (270.0, 35.0)}
    roof = make_roof(days=18, kinds="c", planes=planes, units=[["south"], ["south"], ["west"]])
    when = roof.when(5, 17, 10.0, 13.0)
    # What one plane gains the other loses.
    roof.power[when] *= np.minimum(1.0, 0.4 * roof.power.sum(axis=1).max() / roof.power[when].sum(axis=1))[:, None]
    case = case_of(roof)
    assert only(run_rule("curtailment", case).candidates).scope == "site"
    assert not run_rule("shading", case).candidates
    monkeypatch.setattr(shading, "summed_bins", lambda of: np.zeros((of.day_count, 48), bool))
    assert {c.inputs for c in run_rule("shading", case).candidates} == {(2,)}


def test_a_limit_on_the_sum_in_hourly_rows() -> None:
    """Every other half hour is empty; the hours stand at one number all the same."""
    planes = {"east": (90.0, 35.0), "west": (270.0, 35.0)}
    roof = make_roof(days=16, kinds="c", planes=planes, units=[["east"] * 2] * 3 + [["west"] * 2] * 3, step=3600)
    total = roof.power.sum(axis=1)
    when = roof.when(3, 14)
    roof.power[when] *= np.minimum(1.0, 0.5 * total.max() / np.maximum(total, 1.0))[when, None]
    found = only(run_rule("curtailment", case_of(roof)).candidates)
    assert (found.scope, found.days.sum()) == ("site", 12)
    assert found.loss_wh.sum() == pytest.approx(roof.lost_wh(), rel=0.25)


@pytest.mark.parametrize("hours", [(10.0, 17.0), (5.0, 20.0)])
def test_one_idle_input_under_clear_skies_is_no_limit_on_the_sum(hours: tuple[float, float]) -> None:
    """Every clear noon is like the last, and the sum lies below the sky by the one that stands still."""
    roof = make_roof(days=14, kinds="c", units=[["south"]] * 5)
    for d in range(14):
        roof.idle(2, roof.when(d, d, *hours))
    assert {(f.fault, f.input) for f in findings(roof)} == {("idle-input", 1)}
