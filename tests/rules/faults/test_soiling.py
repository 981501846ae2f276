from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

import rules.faults.soiling as rule
import rules.planelevel
import rules.sawteeth as sawteeth
import rules.sinkingplanes as planes
from rules.case import Case
from rules.engine import judge
from rules.planelevel import plane_level
from tests.rules.conftest import MoveThreshold
from tests.rules.make import PLANES, Roof, case_of, findings, make_roof, only, run_rule


def _dirty(slope: float = 0.004, inputs: tuple[int, ...] = (2,), reset: int | None = 18, days: int = 24, **kwargs: Any) -> Roof:
    """Dust from the first day on, and rain on day ``reset``."""
    roof = make_roof(days=days, **kwargs)
    last = days if reset is None else reset
    factor = np.where(roof.day < last, 1 - slope * roof.day, 1.0)
    for n in inputs:
        roof.scale(n, factor, roof.when())
    return roof


@pytest.fixture(scope="module")
def case() -> Case:
    return case_of(_dirty())


def test_fires(case: Case) -> None:
    found = only(judge(case.table).findings)
    assert (found.fault, found.unit, found.input) == ("soiling", "U2", 1)
    assert found.evidence["slope_per_day"] == pytest.approx(-0.004, rel=0.2)
    assert found.loss_wh_total == pytest.approx(_dirty().lost_wh(), rel=0.2)
    assert found.action in ("watch", "visit")


@pytest.mark.parametrize(("name", "value"), [("MIN_SLOPE", 0.05), ("MIN_DROP", 0.5), ("MIN_DAYS", 99)])
def test_thresholds_count(case: Case, threshold: MoveThreshold, name: str, value: float) -> None:
    assert run_rule("soiling", case).candidates
    threshold(sawteeth, name, value)
    assert not run_rule("soiling", case).candidates


@pytest.mark.parametrize(("factor", "fires"), [(0.5, False), (2.5, True)])
def test_just_under_and_over_the_drop(factor: float, fires: bool) -> None:
    roof = _dirty(slope=factor * sawteeth.MIN_DROP.value / 17)
    assert bool(run_rule("soiling", case_of(roof)).candidates) is fires


def test_a_steady_share_is_weakness() -> None:
    roof = make_roof(days=20)
    roof.scale(2, 0.85, roof.when())
    assert {f.fault for f in findings(roof)} == {"weak-input"}


def test_a_tree_at_some_hours_is_shade() -> None:
    roof = make_roof(days=20)
    roof.shade(2, (80.0, 115.0), 50.0, 0.9)
    assert not findings(roof, "soiling")


def test_a_whole_plane_against_a_sensor() -> None:
    roof = _dirty(slope=0.01, inputs=tuple(range(10)))
    found = findings(roof, "soiling", weather=roof.weather())
    assert {f.plane for f in found} == {"south", "west"}
    assert sum(f.loss_wh_total for f in found) == pytest.approx(roof.lost_wh(), rel=0.35)


def test_teeth_between_rains_are_told_as_such() -> None:
    roof = make_roof(days=21)
    since = roof.day % 7
    for n in (2, 4):
        roof.scale(n, 1 - 0.012 * since, roof.when())
    found = findings(roof)
    assert {(f.fault, f.unit) for f in found} == {("soiling", "U2"), ("soiling", "U3")}
    assert {f.evidence["resets"] for f in found} == {2}
    assert sum(f.loss_wh_total for f in found) == pytest.approx(roof.lost_wh(), rel=0.25)


@pytest.mark.parametrize("cause", ["grid-out-of-range", "curtailment", "clock-shift"])
def test_what_takes_of_all_alike_hides_no_roofs_dirt(cause: str) -> None:
    """Its levels are of the days and hours that nothing else held."""
    roof = _dirty(slope=0.01, inputs=tuple(range(10)))
    dirt = [c for c in run_rule("soiling", case_of(roof, roof.weather())).candidates if c.plane]
    assert dirt
    assert all(cause in c.despite for c in dirt)


def test_rain_takes_no_shade_away() -> None:
    # Shade at some hours and dust on the same module are two cases.
    roof = make_roof(days=21, kinds="c")
    roof.shade(2, (80.0, 115.0), 50.0, 0.9)
    roof.scale(2, 1 - 0.012 * (roof.day % 7), roof.when())
    assert {f.fault for f in findings(roof) if f.unit == "U2" and f.input == 1} == {"shading", "soiling"}


@pytest.mark.parametrize("name", ["SURE", "PLANE_SURE", "MIN_RESET"])
def test_its_own_scatter_counts(case: Case, threshold: MoveThreshold, name: str) -> None:
    roof = _dirty(slope=0.01, inputs=tuple(range(10)))
    whole = case_of(roof, weather=roof.weather())
    before = {c.inputs for c in (*run_rule("soiling", case).candidates, *run_rule("soiling", whole).candidates)}
    threshold({"MIN_RESET": sawteeth, "PLANE_SURE": planes, "SURE": rule}[name], name, 1e3)
    after = {c.inputs for c in (*run_rule("soiling", case).candidates, *run_rule("soiling", whole).candidates)}
    assert after < before


def test_few_percent_of_a_whole_plane_are_the_sky(threshold: MoveThreshold) -> None:
    roof = _dirty(slope=0.01, inputs=tuple(range(10)))
    case = case_of(roof, weather=roof.weather())
    assert any(c.scope == "plane" for c in run_rule("soiling", case).candidates)
    threshold(planes, "PLANE_DROP", 0.5)
    threshold(planes, "SENSOR_DROP", 0.5)
    assert not any(c.scope == "plane" for c in run_rule("soiling", case).candidates)


def test_a_sensor_that_speaks_every_other_hour() -> None:
    """Most half hours have no reading of their own: what the inputs say of them is no witness against the inputs."""
    roof = _dirty(slope=0.01, inputs=tuple(range(10)))
    found = findings(roof, "soiling", weather=roof.weather(step=7200))
    assert {f.plane for f in found} == {"south", "west"}


def _course(seed: int, slope: float, scatter: float = 0.03, days: int = 56, rain: int = 27) -> np.ndarray:
    """Levels of a dusty plane under a restless sky; half-way in time the rain takes it all."""
    day = np.arange(days)
    since = np.where(day < rain, day, day - rain)
    return 1.0 - slope * since + scatter * np.random.default_rng(seed).standard_normal(days)


def test_teeth_that_drown_in_the_scatter_are_still_two() -> None:
    """0.5 % a day, a published middle for dry places (from memory); no single day shows the rain."""
    found = [sawteeth.spread_teeth(_course(seed, 0.005), 0.03, planes.PLANE_SURE.value) for seed in range(20)]
    told = [teeth for teeth in found if teeth]
    assert len(told) >= 18
    saw = [sawteeth.saw_teeth(_course(seed, 0.005), 0.03, planes.PLANE_SURE.value, whole=True) for seed in range(20)]
    assert sum(teeth is not None for teeth in saw) <= len(told) / 2
    assert np.median([teeth.slope for teeth in told]) == pytest.approx(-0.005, rel=0.15)
    assert np.median([teeth.drop for teeth in told]) == pytest.approx(0.14, rel=0.2)
    assert {teeth.resets for teeth in told} <= {1, 2}


def test_scatter_alone_has_no_teeth() -> None:
    clean = [sawteeth.spread_teeth(_course(seed, 0.0), 0.03, planes.PLANE_SURE.value) for seed in range(200)]
    assert [teeth for teeth in clean if teeth] == []


@pytest.mark.parametrize(("name", "value"), [("PARTING", 1e4), ("PART_DAYS", 29)])
def test_what_parts_two_teeth(threshold: MoveThreshold, name: str, value: float) -> None:
    level = _course(1, 0.005)
    assert sawteeth.spread_teeth(level, 0.03, planes.PLANE_SURE.value)
    threshold(sawteeth, name, value)
    assert sawteeth.spread_teeth(level, 0.03, planes.PLANE_SURE.value) is None


def test_one_rain_that_washes_a_roof_speaks_against_a_sensor(threshold: MoveThreshold) -> None:
    """A tenth lost over weeks, and back overnight: under what a slow fall alone must reach."""
    threshold(planes, "SENSOR_DROP", 0.5)  # it would speak for itself
    roof = _dirty(slope=0.0045, inputs=tuple(range(6)), reset=19, days=26, units=[["west", "west"]] * 3)
    case = case_of(roof, roof.weather())
    assert "west" in {c.plane for c in run_rule("soiling", case).candidates}
    threshold(planes, "WASHED", 9.0)
    assert not run_rule("soiling", case).candidates


@pytest.mark.parametrize(("days", "a_day", "name", "value"), [(48, 0.004, "NO_RAIN", 99), (16, 0.03, "SENSOR_FASTEST", 0.05)])
def test_what_sinks_too_long_or_too_fast_is_no_dirt(
    days: int, a_day: float, name: str, value: float, threshold: MoveThreshold
) -> None:
    """Weeks of fall without a rain on one module alone are its own; dust does not fall as fast as that."""
    roof = make_roof(days=days)
    roof.scale(2, 1 - a_day * roof.day, roof.when())
    case = case_of(roof)
    assert not run_rule("soiling", case).candidates
    threshold(rule, name, value)
    assert run_rule("soiling", case).candidates


def test_days_under_an_order_say_nothing_of_dirt() -> None:
    """Held down at noon for weeks, ever lower: no dust."""
    roof = make_roof(days=24, kinds="c")
    top = 0.75 - 0.008 * roof.day
    for n in range(10):
        roof.power[:, n] = np.minimum(roof.power[:, n], 400.0 * top)
    assert "soiling" not in {f.fault for f in findings(roof, weather=roof.weather())}


def test_a_ceiling_on_sunny_days_is_no_dirt(threshold: MoveThreshold) -> None:
    """A week of sun between two dull ones: at the ceiling units make a smaller share of the light."""
    roof = make_roof(days=26, kinds="oooooooooccccccccccooooooo", rated_va=560.0)
    top = 280.0
    for n in range(10):
        roof.power[:, n] = np.minimum(roof.power[:, n], top)
    case = case_of(roof, roof.weather())
    level = plane_level(case, 0)[0]
    threshold(rules.planelevel, "FREE", 0.0)
    assert np.nanstd(level) < 0.6 * np.nanstd(plane_level(case, 0)[0])


def test_stamps_that_are_off_are_no_dirt() -> None:
    roof = make_roof(days=24, kinds="cmccoc")
    roof.shift_s = np.where((roof.day >= 10) & (roof.day < 18), 5400.0, 0.0)
    assert {f.fault for f in findings(roof, weather=roof.weather())} == {"clock-shift"}


def test_small_rains_before_a_long_dry_spell_leave_it_dirt() -> None:
    """Tooth by tooth the level stays where it is for two weeks: no part that held and then began to fail."""
    since = np.array([*range(6), *range(6), *range(33)])
    roof = make_roof(days=45)
    roof.scale(2, 1 - 0.0066 * since[np.clip(roof.day, 0, 44)], roof.when())
    assert {f.fault for f in findings(roof)} == {"soiling"}


def test_a_level_between_two_falls_is_chance() -> None:
    """It sank on at the same rate: no contact that came to rest."""
    since = np.array([*range(10), 9.5, 9.6, 9.4, 9.5, *range(10, 20)])
    roof = make_roof(days=24)
    roof.scale(2, 1 - 0.011 * since[np.clip(roof.day, 0, 23)], roof.when())
    assert {f.fault for f in findings(roof)} == {"soiling"}


def _tooth(*levels: float) -> planes.Teeth:
    teeth = sawteeth.saw_teeth(np.array(levels), 0.008, planes.PLANE_SURE.value, whole=True)
    assert teeth is not None
    return teeth


def test_a_rain_that_takes_little_of_a_roofs_dirt_is_weather(threshold: MoveThreshold) -> None:
    roof = case_of(make_roof(days=4))
    fall = np.linspace(1.1, 0.9, 24)
    assert planes._convincing(roof, _tooth(*fall, *np.full(6, 1.09)))
    half = _tooth(*fall, *np.full(6, 1.0))
    assert half.drop == pytest.approx(0.1, abs=0.01)  # what the rain took speaks
    assert planes._convincing(roof, half) is None
    threshold(planes, "PLANE_DROP", 0.06)
    assert planes._convincing(roof, half)
    threshold(planes, "WASHED", 1.1)
    assert planes._convincing(roof, half) is None


def test_a_slow_fall_without_rain_is_a_season(threshold: MoveThreshold) -> None:
    made = make_roof(days=8)
    roof = case_of(made, made.weather())
    assert roof.sensor_trust[0]
    slow = _tooth(*np.linspace(1.1, 0.96, 130))
    assert planes._convincing(roof, slow) is None
    threshold(planes, "MODEL_SLOPE", 0.0)
    assert planes._convincing(roof, slow)
    in_the_plane = case_of(made, made.weather(ghi=False, poa_of="south"))
    threshold(planes, "MODEL_SLOPE", 1.0)
    assert planes._convincing(in_the_plane, slow) is None
    threshold(planes, "DRY_SLOPE", 0.0)
    assert planes._convincing(in_the_plane, slow)


def test_what_a_roof_makes_after_the_rain_is_clean() -> None:
    """A low winter sun lifted the course before the dirt began to fall."""
    teeth = _tooth(*np.linspace(1.2, 0.9, 30), *np.full(8, 1.05))
    assert teeth.clean == pytest.approx(1.05, abs=0.01)
    assert teeth.drop == pytest.approx(0.15, abs=0.02)


def test_several_that_sink_for_weeks_without_a_rain_are_dirty(threshold: MoveThreshold) -> None:
    roof = make_roof(days=48)
    for n, slope in ((0, 0.003), (2, 0.004), (5, 0.005)):
        roof.scale(n, 1 - slope * roof.day, roof.when())
    case = case_of(roof)
    assert {c.inputs for c in run_rule("soiling", case).candidates} == {(0,), (2,), (5,)}
    threshold(rule, "SEVERAL", 4)
    assert not run_rule("soiling", case).candidates


def test_what_lacks_on_dull_days_only_is_hidden_sky(threshold: MoveThreshold) -> None:
    """A wall before one module takes part of the sky: from clear days to dull ones it seems to sink, twice."""
    roof = make_roof(days=14, kinds="ccccmoo")
    dull = np.array([0.0, 0.0, 0.0, 0.0, 0.02, 0.06, 0.06])[roof.day % 7]
    roof.scale(2, 1 - dull, roof.when())
    threshold(rule, "SURE", 1.0)  # so few days tell too little otherwise
    case = case_of(roof)
    assert not run_rule("soiling", case).candidates
    threshold(rule, "WITH_SKY", 1.1)
    assert run_rule("soiling", case).candidates


@pytest.mark.parametrize(("last", "resets"), [([1.0], 0), ([1.0, 1.0], 1), ([1.09], 1)])
def test_a_roofs_last_day_alone_is_that_days_sky(last: list[float], resets: int) -> None:
    """A tenth on one day is haze that went; on two, or far more, it is rain."""
    assert _tooth(*np.linspace(1.1, 0.9, 24), *last).resets == resets


def test_a_roofs_last_day_may_end_two_dull_ones() -> None:
    """Dull days lift a plane's level; the day on which it falls back is no third day of a fall."""
    teeth = _tooth(*np.linspace(1.1, 0.9, 24), 1.06, 1.06, 0.92)
    assert max(int(s.days[-1]) for s in teeth.parts) == 23


def test_without_a_sensor_a_slow_fall_is_the_guessed_skys(threshold: MoveThreshold) -> None:
    roof = case_of(make_roof(days=4))
    assert not roof.sensor_trust[0]
    slow = _tooth(*np.linspace(1.1, 0.95, 44))
    assert planes._convincing(roof, slow) is None
    threshold(planes, "GUESSED_SLOPE", 0.003)
    assert planes._convincing(roof, slow)
    threshold(planes, "GUESSED_SLOPE", 0.004)
    assert planes._convincing(roof, _tooth(*np.linspace(1.1, 0.85, 84)))  # a quarter is no guess's error
    threshold(planes, "GUESSED_DROP", 0.9)
    assert planes._convincing(roof, _tooth(*np.linspace(1.1, 0.85, 84))) is None


def _late(sinks: bool, rain: int | None) -> Case:
    """One input stays clean for 12 days, then sinks by a fifth in twelve, or falls at a stroke, until a rain."""
    roof = make_roof(days=30)
    last = 30 if rain is None else rain
    lacks = np.clip(0.015 * (roof.day - 11), 0, 0.2) if sinks else np.where(roof.day > 11, 0.12, 0.0)
    roof.scale(2, np.where(roof.day < last, 1 - lacks, 1.0), roof.when())
    return case_of(roof)


def test_dirt_may_begin_late() -> None:
    found = only(run_rule("soiling", _late(sinks=True, rain=24)).candidates)
    assert found.inputs == (2,)
    assert found.evidence["slope_per_day"] == pytest.approx(-0.015, rel=0.15)
    assert 10 <= np.flatnonzero(found.days)[0] <= 13  # not on the clean days before


@pytest.mark.parametrize(("sinks", "rain"), [(True, None), (False, 24)])
def test_what_stays_and_then_sinks_for_good_or_falls_at_a_stroke_is_none(sinks: bool, rain: int | None) -> None:
    """A contact that begins to fail stays, then sinks, and does not heal."""
    assert not [c for c in run_rule("soiling", _late(sinks, rain)).candidates if c.evidence.get("slope_per_day")]


@pytest.mark.parametrize(("sure", "resets", "told"), [(6.0, 1, False), (6.0, 2, True), (7.0, 1, True)])
def test_one_rain_makes_no_fall_surer_against_a_guessed_sky(sure: float, resets: int, told: bool) -> None:
    roof = case_of(make_roof(days=4))
    teeth = replace(_tooth(*np.linspace(1.1, 0.9, 24), *np.full(6, 1.09)), sure=sure, resets=resets)
    assert (planes._convincing(roof, teeth) is not None) == told


def test_one_of_several_planes_against_a_guessed_sky(monkeypatch: pytest.MonkeyPatch) -> None:
    """Dust falls on all planes; what one of three shows alone against a guess is an error of that guess."""
    roof = case_of(make_roof(days=30, units=[["south"] * 2, ["west"] * 2, ["east"] * 2], planes=PLANES | {"east": (95.0, 20.0)}))
    falls = iter([0.2, 0.07, 0.07, 0.2, 0.2, 0.07, 0.3, 0.07, 0.07])

    def level(_: Case, __: int) -> tuple[np.ndarray, float]:
        return 1.1 - next(falls) * np.arange(30) / 30, 0.008

    monkeypatch.setattr(planes, "plane_level", level)
    assert not planes.sinking_planes(roof, {})
    assert len(planes.sinking_planes(roof, {})) >= 2


def test_where_nobody_measured_the_air_cold_days_are_no_wash(threshold: MoveThreshold) -> None:
    """A front of 12 K gives 5 % at 0.4 % a kelvin (common practice): without any temperature a tenth is not told."""
    roof = _dirty(slope=0.0045, inputs=tuple(range(6)), reset=19, days=26, units=[["west", "west"]] * 3)
    assert "west" in {c.plane for c in run_rule("soiling", case_of(roof, roof.weather())).candidates}
    roof.heat[:] = np.nan
    untold = case_of(roof, roof.weather(air=False))
    assert not run_rule("soiling", untold).candidates
    threshold(planes, "COLD_FRONT", 0.0)
    assert "west" in {c.plane for c in run_rule("soiling", untold).candidates}


@pytest.mark.parametrize(("kelvin", "told"), [(0.0, True), (-12.0, False)])
def test_units_tell_of_a_cold_front_too(threshold: MoveThreshold, kelvin: float, told: bool) -> None:
    """They stand in the same air: no colder after the rain, they say that it was a wash."""
    roof = _dirty(slope=0.0045, inputs=tuple(range(6)), reset=19, days=26, units=[["west", "west"]] * 3)
    roof.heat += np.where(roof.day >= 19, kelvin, 0.0)[:, None]
    case = case_of(roof, roof.weather(air=False))
    assert ("west" in {c.plane for c in run_rule("soiling", case).candidates}) is told
    threshold(planes, "PER_KELVIN", 0.0)
    assert "west" in {c.plane for c in run_rule("soiling", case).candidates}


@pytest.mark.parametrize(("minutes", "step"), [(0, 300), (-120, 300), (90, 1800)])
def test_a_wrong_clock_hides_no_roofs_dirt(minutes: int, step: int) -> None:
    """Dust is a share of any day's energy: no sensor, one rain that takes it, and stamps two hours off."""
    roof = make_roof(days=30, kinds="c", step=step, units=[["south", "south"]] * 4, planes={"south": (180.0, 20.0)})
    level = np.where(roof.day < 24, 1.0 - 0.01 * roof.day, 1.0)
    for n in range(roof.power.shape[1]):
        roof.scale(n, level, roof.when())
    roof.shift_s = np.full(len(roof.ts), 60.0 * minutes)
    found = findings(roof, "soiling")
    assert [f.plane for f in found] == ["south"]
    assert found[0].evidence["resets"] == 1


def test_a_steady_fall_is_no_scatter() -> None:
    """Three per cent a day in the cleanest of records; what scatters is what days lie off it."""
    fall = 1.0 - 0.03 * np.arange(10.0)
    assert rules.planelevel.plane_scatter(fall) == pytest.approx(0.008)
    rough = fall + 0.02 * np.random.default_rng(2).standard_normal(10)
    assert rules.planelevel.plane_scatter(rough) > 0.012


@pytest.mark.parametrize("seed", [1, 2, 4, 5])
def test_a_roofs_dirt_may_begin_late(threshold: MoveThreshold, seed: int) -> None:
    """Small rains keep it clean for 12 days, then it sinks by a tenth in ten: two levels fit that better than one line does."""
    scatter = 0.013 * np.random.default_rng(seed).standard_normal(30)
    level = np.r_[np.full(12, 1.0), 1.0 - 0.0105 * np.arange(1, 12), np.full(7, 1.02)] + scatter
    teeth = planes.teeth_of(level, 0.014, planes.PLANE_SURE.value)
    assert teeth is not None
    assert 9 <= teeth.parts[0].days[0] <= 13
    assert teeth.slope == pytest.approx(-0.0105, rel=0.2)
    threshold(planes, "WASHED", 2.0)  # without a rain that gives it back it may be a sensor's doing
    assert planes.teeth_of(level, 0.014, planes.PLANE_SURE.value) is None
