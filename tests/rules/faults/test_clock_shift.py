from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import rules.clockjumps as clockjumps
import rules.faults.clock_shift as rule
import rules.ontime
import rules.unitclock
from rules.candidate import RuleResult
from rules.case import Case
from rules.engine import judge
from rules.unitclock import gateway_lags
from tests.rules.conftest import MoveThreshold
from tests.rules.make import FIRST_DAY, Roof, case_of, findings, make_roof, only, run_rule


def _late(minutes: float, roof: Roof | None = None) -> Roof:
    roof = roof or make_roof()
    roof.shift_s = np.full(len(roof.ts), 60.0 * minutes)
    return roof


@pytest.fixture(scope="module")
def case() -> Case:
    return case_of(_late(60))


@pytest.mark.parametrize("minutes", [60, -60, 120])
def test_fires(minutes: int) -> None:
    found = only(findings(_late(minutes)))
    assert (found.fault, found.unit, found.gateway) == ("clock-shift", None, None)
    assert found.evidence["shift_min"] == pytest.approx(minutes, abs=12)
    assert found.loss_wh_total == 0
    assert found.action == "remote"
    assert found.days >= 10


def test_from_one_day_on() -> None:
    """A change of summer time that the exporter missed."""
    roof = make_roof(days=16)
    roof.shift_s = np.where(roof.day >= 8, 3600.0, 0.0)
    found = only(findings(roof, "clock-shift"))
    assert found.days == pytest.approx(8, abs=1)


@pytest.mark.parametrize(("name", "value"), [("MIN_SHIFT", 100.0), ("MIN_DAYS", 99), ("ENDS", 2.0)])
def test_thresholds_count(case: Case, threshold: MoveThreshold, name: str, value: float) -> None:
    assert judge(case.table).findings
    threshold(rule, name, value)
    assert not run_rule("clock-shift", case).candidates


@pytest.mark.parametrize(("factor", "fires"), [(0.4, False), (2.0, True)])
def test_just_under_and_over_the_shift(factor: float, fires: bool) -> None:
    roof = _late(5 * round(factor * rule.MIN_SHIFT.value / 5))
    assert bool(run_rule("clock-shift", case_of(roof)).candidates) is fires


@pytest.mark.parametrize(("days", "told"), [(4, False), (12, True)])
def test_a_slight_shift_takes_more_days(days: int, told: bool, threshold: MoveThreshold) -> None:
    """A plane noted some degrees off moves its course by half an hour, and hills the ends of a few days."""
    case = case_of(_late(32, make_roof(days=days, kinds="c")))
    assert bool(run_rule("clock-shift", case).candidates) is told
    threshold(rule, "SLIGHT_DAYS", 0)
    rule.judge.cache_clear()  # type: ignore[attr-defined]
    assert run_rule("clock-shift", case).candidates


@pytest.mark.parametrize("longitude", [-3.0, 120.0, -75.0])
@pytest.mark.parametrize("latitude", [40.0, -35.0, 0.5])
def test_a_right_clock_anywhere(latitude: float, longitude: float) -> None:
    roof = make_roof(days=6, latitude=latitude, longitude=longitude)
    assert not run_rule("clock-shift", case_of(roof)).candidates


def test_a_wrong_azimuth_moves_the_course_only() -> None:
    text = make_roof(planes={"south": (180.0, 25.0), "west": (225.0, 20.0)})
    turned = make_roof()
    roof = Roof(**{**vars(turned), "site": text.site})
    assert not findings(roof, "clock-shift")


def test_a_morning_horizon_moves_one_end_only() -> None:
    roof = make_roof(kinds="c")
    for n in range(10):
        roof.shade(n, (40.0, 110.0), 25.0, 1.0)
    assert not findings(roof, "clock-shift")


def test_under_thick_cloud_it_cannot_be_judged() -> None:
    result = run_rule("clock-shift", case_of(make_roof(days=4, kinds="o", seed=5)))
    assert not result.candidates
    assert [u.reason for u in result.unjudged] == ["no day clear enough to see the course of the sun"]


def _hourly(minutes: float, days: int = 20, first: int = 9) -> Roof:
    """Rows an hour apart from a roof under broken cloud; the clock jumps on one night."""
    roof = make_roof(days=days, step=3600, kinds="mmco", units=[["south", "south"]] * 3, first=FIRST_DAY + 25)
    roof.shift_s = np.where(roof.day >= first, 60.0 * minutes, 0.0)
    return roof


@pytest.mark.parametrize("minutes", [60, -60])
def test_rows_an_hour_apart_show_the_night_of_the_jump(minutes: int, threshold: MoveThreshold) -> None:
    """Summer time missed by an exporter of hourly rows: an hour (common practice)."""
    case = case_of(_hourly(minutes))
    found = only(run_rule("clock-shift", case).candidates)
    assert found.evidence["shift_min"] == pytest.approx(minutes, abs=20)
    assert found.days[10:].all()
    assert not found.days[:8].any()
    for name, value in (("JUMP", 90.0), ("JUMP_DAYS", 15), ("COARSE", 7200.0)):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(clockjumps, name, type(clockjumps.JUMP)(value, "", ""))
            # A case is asked once: another of the same record.
            assert not run_rule("clock-shift", case_of(_hourly(minutes))).candidates
    threshold(rule, "MIN_DAYS", 99)
    assert not run_rule("clock-shift", case).candidates


def test_a_jump_moves_the_course_too() -> None:
    """Snow and gloom take the late hours of some days while the sun comes to rise in an earlier hour: the course stays."""
    roof = make_roof(days=20, step=3600, kinds="c", units=[["south", "south"]] * 3, first=FIRST_DAY + 25)
    case = case_of(roof)
    edge = np.where(np.arange(20) >= 10, -60.0, 0.0)
    power = case.table["plane_typical"].copy()
    power[10:] = np.roll(power[10:], -2, axis=2)
    stays, moves = np.zeros(20), edge.copy()
    assert clockjumps.jumps(case, power, edge, moves)[10:].all()
    assert not clockjumps.jumps(case, power, edge, stays).any()
    assert clockjumps.jumps(case, power, edge, np.full(20, np.nan))[10:].all()


@pytest.mark.parametrize(
    ("courses", "ends", "told"),
    [
        ([0.0] * 8 + [60.0] * 8, 60.0, True),
        ([0.0, 60.0] * 8, 60.0, False),  # rounded to one hour or the next from day to day
        ([0.0] * 8 + [60.0] * 8, 0.0, False),  # the ends stay with the sun
        ([0.0] * 8 + [30.0] * 8, 30.0, False),
    ],
)
def test_a_jump_hidden_by_gloom_is_told_by_the_clear_days_around_it(courses: list[float], ends: float, told: bool) -> None:
    """Summer time is an hour (common practice), whatever the weather of the night on which it began."""
    course = np.array(courses)
    course[6:10] = np.nan
    day = np.where(np.arange(16) >= 8, ends, 0.0) + np.array([[10.0], [-10.0]])
    found = list(clockjumps._course_cuts(day, course))
    assert found == ([(8, 60.0)] if told else [])


@pytest.mark.parametrize(("minutes", "last", "told"), [(36, 6, 0), (60, 6, 1), (36, 13, 1)])
def test_no_clock_goes_off_by_little_for_days_between_right_ones(minutes: int, last: int, told: int) -> None:
    roof = make_roof(days=14, kinds="c")
    roof.shift_s = np.where((roof.day >= 5) & (roof.day <= last), minutes * 60.0, 0.0)
    assert len(run_rule("clock-shift", case_of(roof)).candidates) == told


@pytest.mark.parametrize(("dull", "told"), [(1, 0), (3, 1)])
def test_one_clear_day_and_dull_ones_that_end_as_far_off(dull: int, told: int, threshold: MoveThreshold) -> None:
    roof = make_roof(days=12, kinds="cccccccc" + "c" + "ooo")
    roof.shift_s = np.where((roof.day >= 8) & (roof.day <= 8 + dull), -2700.0, 0.0)
    case = case_of(roof)
    assert len(run_rule("clock-shift", case).candidates) == told
    threshold(rule, "DULL_DAYS", 99)
    assert not run_rule("clock-shift", case_of(roof)).candidates


def test_hourly_rows_of_a_right_clock() -> None:
    for seed in range(3):
        roof = make_roof(days=40, step=3600, kinds="mocmo", seed=seed, latitude=52.0)
        assert not run_rule("clock-shift", case_of(roof)).candidates


def test_a_plane_that_looks_away_from_the_evening_ends_early() -> None:
    """An east roof under cloud: its day ends before sunset, by its own course."""
    roof = make_roof(days=12, step=60, kinds="mo", latitude=-32.0, planes={"south": (80.0, 30.0)}, units=[["south"]] * 4)
    assert not run_rule("clock-shift", case_of(roof)).candidates


def test_a_clock_that_is_off_stops_no_unit() -> None:
    """The unit that stops and starts is told beside the clock."""
    roof = _late(60, make_roof(days=8, kinds="c"))
    for d in range(2, 8):
        for hour in np.arange(9.0, 16.0, 0.5):
            roof.standby(1, roof.when(d, d, hour, hour + 0.25))
    assert {f.fault for f in findings(roof)} == {"clock-shift", "restart-cycling"}


def test_days_beside_that_lie_as_far_off_belong_to_it(threshold: MoveThreshold) -> None:
    """Under thick cloud no course tells, and the ends alone are not far enough: the days between which it was off do."""
    roof = _late(40, make_roof(days=14, kinds="ooccccccccoooo", seed=5))
    case = case_of(roof)
    days = only(run_rule("clock-shift", case).candidates).days
    threshold(rule, "BESIDE", 9.0)
    assert days.sum() > only(run_rule("clock-shift", case).candidates).days.sum()


@pytest.mark.parametrize("minutes", [330, 480, 600, -420])
def test_stamps_of_another_zone_are_a_clock_and_nothing_else(minutes: int, threshold: MoveThreshold) -> None:
    """Times written in UTC and called local, or the other way round, in zones as far off (tz database: +5:30, +8, +10, -7)."""
    roof = make_roof(days=12, units=[["south"] * 3] * 2)
    roof.shift_s = np.where(roof.day >= 4, minutes * 60.0, 0.0)
    found = only(findings(roof))
    assert (found.fault, found.evidence["shift_min"]) == ("clock-shift", pytest.approx(minutes, abs=12))
    threshold(rule, "NIGHT_SHARE", 1.1)
    assert not run_rule("clock-shift", case_of(roof)).candidates


def _two_gateways(late: str = "G1", minutes: int = 90, facing: tuple[float, float] = (278.0, 17.0)) -> Roof:
    """One plane toward 226 degrees under two gateways, one of them late, noted as ``facing``, what both together look like."""
    options = {"units": [["south"]] * 9, "gateways": ["G1"] * 4 + ["G2"] * 5}
    text = make_roof(days=14, planes={"south": facing}, **options)
    roof = Roof(**{**vars(make_roof(days=14, planes={"south": (226.0, 33.0)}, **options)), "site": text.site})
    mine = [ref.index for ref in roof.site.inputs if ref.gateway == late]
    for values in (roof.power, roof.volts, roof.heard):
        values[:, mine] = np.roll(values[:, mine], minutes // 5, axis=0)
    return roof


@pytest.mark.parametrize("late", ["G1", "G2"])
@pytest.mark.parametrize("minutes", [60, 90, -90])
def test_a_gateway_off_its_neighbour_on_the_same_plane(late: str, minutes: int) -> None:
    """Which of the two is right is told by sunrise and sunset (pvlib's sun), not by the number of units."""
    found = only(run_rule("clock-shift", case_of(_two_gateways(late, minutes))).candidates)
    assert found.scope == "gateway"
    assert {ref.gateway for ref in _two_gateways().site.inputs if ref.index in found.inputs} == {late}
    assert found.evidence["shift_min"] == pytest.approx(minutes, abs=12)


def test_hills_that_cut_every_day_short_hide_no_gateways_clock(monkeypatch: pytest.MonkeyPatch) -> None:
    """A day that ends as much earlier than before as the clock says is off with it, wherever it ended before."""
    roof = _two_gateways("G1", -60)
    mine = [ref.index for ref in roof.site.inputs if ref.gateway == "G1"]
    right = _two_gateways("G1", 0)
    for values, of in ((roof.power, right.power), (roof.volts, right.volts), (roof.heard, right.heard)):
        values[np.ix_(roof.day < 6, mine)] = of[np.ix_(roof.day < 6, mine)]
    real = rule.edge_shift
    monkeypatch.setattr(rule, "edge_shift", lambda *a: real(*a) + 40.0)
    found = [c for c in run_rule("clock-shift", case_of(roof)).candidates if c.scope == "gateway"]
    assert [c.evidence["shift_min"] for c in found] == [pytest.approx(-60, abs=12)]
    assert set(found[0].inputs) == set(mine)


def test_two_clocks_on_one_plane_are_no_shade_and_no_units_own() -> None:
    found = [f for f in findings(_two_gateways()) if f.fault != "clipping"]
    assert {(f.fault, f.gateway, f.unit) for f in found} == {("clock-shift", "G1", None)}


def test_who_is_seldom_heard_behind_a_wrong_clock_is_held_against_those_minutes() -> None:
    """Of his nine rows in ten lost: what he made in the tenth is all that siblings made in it."""
    roof = _two_gateways()
    roof.heard[np.random.default_rng(3).random(len(roof.ts)) < 0.9, 0] = False
    right = rules.ontime.on_time(case_of(roof))
    ratio = right.ratio[:, 0][np.isfinite(right.ratio[:, 0])]
    assert len(ratio) > 30
    assert np.median(ratio) == pytest.approx(1.0, abs=0.05)
    assert not [f for f in findings(roof) if f.fault == "shading"]


@pytest.mark.parametrize("name", ["ALIKE", "ALL", "UNITS"])
def test_what_a_gateways_clock_must_show(threshold: MoveThreshold, name: str) -> None:
    case = case_of(_two_gateways())
    assert gateway_lags(case)[2].any()
    threshold(rules.unitclock, name, -1.0 if name == "ALIKE" else 99)
    assert not np.isfinite(gateway_lags(case)[1]).any()


def test_gateways_that_agree() -> None:
    assert not run_rule("clock-shift", case_of(_two_gateways(minutes=0, facing=(226.0, 33.0)))).candidates


def test_one_unit_beside_its_gateway_is_its_own() -> None:
    """Its gateway's others lie right: no clock of the gateway."""
    roof = _two_gateways(minutes=0, facing=(226.0, 33.0))
    for values in (roof.power, roof.volts, roof.heard):
        values[:, 0] = np.roll(values[:, 0], 12)
    found = only(run_rule("clock-shift", case_of(roof)).candidates)
    assert (found.scope, found.inputs) == ("unit", (0,))


@pytest.mark.parametrize("truly", [False, True])
def test_the_night_of_another_clock_is_no_standstill(truly: bool) -> None:
    """Three hours early, with rows by night: siblings produce when it has its evening. What stands by day still does."""
    roof = _two_gateways(minutes=-180)
    roof.heard[:] = True
    if truly:
        roof.dead(0, roof.when(3, 9, 7.0, 13.0))
    found = {(f.fault, f.gateway, f.input) for f in findings(roof)}
    assert ("clock-shift", "G1", None) in found
    assert {fault for fault, _, _ in found - {("clock-shift", "G1", None)}} <= ({"dead-input", "idle-input"} if truly else set())
    assert truly == (("dead-input", "G1", 1) in found)


@pytest.mark.parametrize(("days", "known"), [((1, 13), (0, 13)), ((0, 12), (0, 13)), ((2, 11), (2, 11))])
def test_the_ends_of_the_record_go_with_the_days_beside_them(
    days: tuple[int, int], known: tuple[int, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    case = case_of(make_roof())
    lead = run_rule("clock-shift", case_of(_late(60))).candidates[0]
    seen = np.isin(np.arange(14), range(days[0], days[1] + 1))
    monkeypatch.setattr(rules.ontime, "judge", lambda _: RuleResult([replace(lead, days=seen)]))
    rules.ontime.bins_late.cache_clear()
    late = np.flatnonzero(rules.ontime.bins_late(case).all(axis=1))
    rules.ontime.bins_late.cache_clear()
    assert (late[0], late[-1]) == known


def test_a_clock_eight_hours_off_under_a_limit() -> None:
    """A course cut flat is unlike the clear sky's; the dark hours lie off the night all the same."""
    roof = make_roof(days=12, kinds="cmc")
    roof.power = np.minimum(roof.power, 0.12 * 400.0)
    roof.shift_s = np.full(len(roof.ts), 8.0 * 3600.0)
    found = only(run_rule("clock-shift", case_of(roof)).candidates)
    assert found.scope == "site"
    assert found.evidence["shift_min"] == pytest.approx(480.0, abs=45.0)


def test_days_that_start_late_and_end_early_have_no_wrong_clock() -> None:
    """Snow lets units wake for a few hours about noon, later after sunrise than they stop before sunset."""
    roof = make_roof(days=14, kinds="o")
    asleep = roof.when(4, 9) & ((roof.hour < 9.5) | (roof.hour > 18.3))
    roof.power[asleep] = 0.0
    assert not run_rule("clock-shift", case_of(roof)).candidates


def test_a_spell_without_a_day_of_light_is_none() -> None:
    """Ends and courses may be told on days too short to be judged: whoever asks for the clock must not fall over them."""
    case = case_of(_late(60))
    assert run_rule("clock-shift", case).candidates
    case = case_of(_late(60))
    case.__dict__["light_days"] = np.zeros(case.day_count, bool)
    assert not run_rule("clock-shift", case).candidates
    assert not rules.ontime.bins_late(case).any()
