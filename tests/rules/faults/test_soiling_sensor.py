"""A plain fall of a roof, no rain in it: told against a sensor that the inputs agree with, and not without."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

import rules.faults.soiling as rule
import rules.planelevel as planelevel
import rules.sensordrift as sensordrift
import rules.sinkingplanes as planes
from rules.case import Case
from rules.planelevel import plane_level
from rules.sawteeth import saw_teeth
from tests.rules.conftest import MoveThreshold
from tests.rules.make import FIRST_DAY, case_of, findings, make_roof, run_rule


@cache
def _roof(drop: float = 0.07, days: int = 40, sensor: bool = True) -> Case:
    """0.2 % a day: published rates for dry days are 0.1 to 0.5 % (from memory)."""
    roof = make_roof(days=days, kinds="c", units=[["south"] * 2] * 3)
    for n in range(6):
        roof.scale(n, 1 - drop * roof.day / (days - 1), roof.when())
    return case_of(roof, roof.weather() if sensor else None)


def _planes(case: Case) -> set[str | None]:
    return {c.plane for c in run_rule("soiling", case).candidates if c.scope == "plane"}


def test_seven_per_cent_against_a_sensor() -> None:
    case = _roof()
    assert case.sensor_trust[0]
    assert _planes(case) == {"south"}
    assert {c.evidence["resets"] for c in run_rule("soiling", case).candidates} == {0}


@pytest.mark.parametrize(("drop", "sensor"), [(0.07, False), (0.04, True), (0.0, True)])
def test_without_a_sensor_or_with_less_nobody_knows(drop: float, sensor: bool) -> None:
    assert not _planes(_roof(drop, sensor=sensor))


@pytest.mark.parametrize(("name", "value"), [("SENSOR_DROP", 0.079), ("SENSOR_SURE", 1e4), ("SENSOR_FASTEST", 0.001)])
def test_thresholds_count(threshold: MoveThreshold, name: str, value: float) -> None:
    threshold(planes, name, value)
    assert not _planes(_roof())


@pytest.mark.parametrize(("slope", "told"), [(0.018, True), (0.025, False)])
def test_how_fast_dust_falls(slope: float, told: bool) -> None:
    """A dust storm takes more a day than dry weather: a sensor tells it from our own error, up to 2 % a day."""
    level = 1.0 - slope * np.arange(12.0) + 0.004 * np.random.default_rng(3).standard_normal(12)
    teeth = saw_teeth(level, 0.004, planes.PLANE_SURE.value, whole=True)
    assert teeth is not None
    assert (planes._convincing(_roof(), teeth) is not None) is told
    assert planes._convincing(_roof(sensor=False), teeth) is None


@pytest.mark.parametrize(("back", "sensor", "told"), [(1.06, True, True), (1.02, True, False), (1.06, False, False)])
def test_a_fall_that_rain_gave_back_needs_no_more_than_a_sensor_errs_by(back: float, sensor: bool, told: bool) -> None:
    """A twentieth to a twelfth: under what a guessed sky may be off by, over what a good pyranometer errs by (2 to 5 %)."""
    level = np.array([*np.linspace(1.05, 0.99, 14), *np.full(3, back), *np.linspace(back, back - 0.06, 14)])
    level += 0.004 * np.random.default_rng(3).standard_normal(len(level))
    teeth = saw_teeth(level, 0.004, 4.0, whole=True)
    assert teeth is not None
    teeth = replace(teeth, sure=6.8)  # too little for a fall that no rain ended
    assert (planes._convincing(_roof(sensor=sensor), teeth) is not None) is told


def test_a_slow_fall_on_a_shaded_input_is_the_shadows(threshold: MoveThreshold) -> None:
    """Its saw-tooth speaks against shade only where it is steeper than shadows move with the season."""
    roof = make_roof(days=24)
    roof.scale(2, np.where(roof.day < 18, 1 - 0.004 * roof.day, 1.0), roof.when())
    case = case_of(roof)
    assert [c.despite for c in run_rule("soiling", case).candidates] == [("shading",)]
    threshold(rule, "SHADE_SLOPE", 0.006)
    assert [c.despite for c in run_rule("soiling", case).candidates] == [()]


def test_without_a_witness_nobody_sinks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of two, one whose sibling is another plane's record follows the weather beside it."""
    roof = make_roof(days=24)
    roof.scale(2, 1 - 0.006 * roof.day, roof.when())
    case = case_of(roof)
    assert run_rule("soiling", case).candidates
    monkeypatch.setattr(rule, "witnessed", lambda case: np.zeros((case.day_count, len(case.inputs)), bool))
    assert not run_rule("soiling", case).candidates


@pytest.mark.parametrize("at_a_stroke", [False, True])
def test_what_falls_at_a_stroke_is_no_dust(at_a_stroke: bool) -> None:
    """A tenth in one night, and the rest of the month level: a sensor cleaned or a cloudy spell, not dust."""
    days = np.arange(30.0)
    level = np.where(days < 12, 1.0, 0.9) if at_a_stroke else 1.0 - 0.1 * days / 29
    level += 0.004 * np.random.default_rng(5).standard_normal(30)
    assert saw_teeth(level, 0.03, planes.BESIDE_SURE.value, whole=True)  # so restless that the stroke is no cut
    assert (planes.teeth_of(level, 0.03, planes.BESIDE_SURE.value) is None) is at_a_stroke


def test_a_plane_that_makes_half_as_much_again_was_expected_wrongly(threshold: MoveThreshold) -> None:
    """Its best days are nearly clean ones: from 1.45 of them no dust falls."""
    level = np.linspace(1.45, 1.2, 30) + 0.004 * np.random.default_rng(3).standard_normal(30)
    teeth = saw_teeth(level, 0.004, planes.PLANE_SURE.value, whole=True)
    assert planes._convincing(_roof(), teeth) is None
    threshold(planes, "HIGHEST", 1.6)
    assert planes._convincing(_roof(), teeth)


@pytest.mark.parametrize(("told", "along"), [(30, True), (24, True), (15, False)])
def test_a_plane_tells_for_itself_whether_it_sinks_with_the_others(told: int, along: bool) -> None:
    level = 1.0 - 0.005 * np.arange(30.0)
    teeth = saw_teeth(level, 0.004, planes.PLANE_SURE.value, whole=True)
    assert teeth is not None
    assert planes._told_along(teeth, np.where(np.arange(30) < told, level, np.nan)) is along


@pytest.mark.parametrize("late_s", [0.0, 3600.0])
def test_a_clock_that_is_off_hides_no_dust(late_s: float) -> None:
    """Put right, the inputs agree with the sensor, whose clock is its own; the dust is told beside the clock."""
    roof = make_roof(days=30, kinds="ccm", units=[["south"] * 2] * 3)
    for n in range(6):
        roof.scale(n, 1 - 0.008 * roof.day, roof.when())
    weather = roof.weather()
    roof.shift_s = np.full(len(roof.ts), late_s)
    told = {f.fault for f in findings(roof, weather=weather)}
    assert told == {"soiling"} | ({"clock-shift"} if late_s else set())


@pytest.mark.parametrize(("weather", "silent"), [(True, True), (False, False)])
def test_where_dirt_cannot_show_it_is_said(weather: bool, silent: bool) -> None:
    """Without a sensor the dirt that all of a plane share looks like the sky."""
    roof = make_roof(days=14, kinds="cm")
    case = case_of(roof, roof.weather()) if weather else case_of(roof)
    said = {u.input for u in run_rule("soiling", case).unjudged if "no irradiance sensor" in u.reason}
    assert (said == set()) is silent
    assert silent or said == set(range(10))


def test_a_plane_turned_from_the_winter_sun_is_not_called_dull(threshold: MoveThreshold) -> None:
    """At 50 degrees north in December the sun stands 17 degrees high at noon (pvlib SPA), behind a pitch of 40 to the north."""
    options = {"latitude": 50.0, "planes": {"south": (180.0, 40.0), "north": (0.0, 40.0)}}
    roof = make_roof(days=6, kinds="c", first=20432, units=[["south"] * 2, ["north"] * 2], **options)  # from 10 December 2025
    case = case_of(roof, roof.weather())
    assert case.sensor_trust[0]

    def said() -> dict[str, str]:
        told = run_rule("soiling", case).unjudged
        return {case.names[case.plane_of[u.input]]: u.reason for u in told if u.input is not None}

    assert said() == {"south": rule.DULL_RECORD, "north": rule.TURNED}  # six days have no slope
    threshold(planelevel, "LIT_BINS", 0)
    assert said()["north"] == rule.DULL_RECORD


def test_dull_days_and_what_returns_at_an_hour_leave_a_planes_level(threshold: MoveThreshold) -> None:
    """A tree takes an hour of each morning, and thick cloud spoils the expectation: neither is dirt."""
    roof = make_roof(days=24, kinds="cmco", units=[["south"] * 2] * 2)
    for n in range(4):
        roof.shade(n, (90.0, 150.0), 40.0, 0.8)
    case = case_of(roof, roof.weather())
    level, _ = plane_level(case, 0)
    threshold(planelevel, "DULL", 0.0)
    threshold(planelevel, "HOUR_DAYS", 99)
    before, _ = plane_level(case, 0)
    apart = [float(np.nanmedian(np.abs(y - np.nanmedian(y)))) for y in (level, before)]
    assert apart[0] < 0.5 * apart[1]
    assert np.isfinite(level).sum() < np.isfinite(before).sum()


@pytest.mark.parametrize(("climbs", "told"), [(0.003, False), (0.0, True)])
def test_a_sensor_that_climbs_makes_clean_modules_seem_to_sink(threshold: MoveThreshold, climbs: float, told: bool) -> None:
    """A tenth in five weeks, on clear days: against the sky itself the inputs hold, and the sensor does not."""
    roof = make_roof(days=36, kinds="c", units=[["south"] * 2] * 3)
    for n in range(6 if told else 0):
        roof.scale(n, 1 - 0.003 * roof.day, roof.when())
    roof.ghi *= 1.0 + climbs * (roof.day - 18)
    case = case_of(roof, roof.weather())
    assert case.sensor_trust[0]
    assert _planes(case) == ({"south"} if told else set())
    if not told:
        threshold(sensordrift, "CLIMBS", 9.0)
        assert _planes(case) == {"south"}


@pytest.mark.parametrize(("name", "value"), [("TREND", 1e6), ("LEAST", 0.3), ("CALM", 0.0), ("CALM_BINS", 49), ("CLEAR", 1.2)])
def test_what_tells_of_a_sensor(threshold: MoveThreshold, name: str, value: float) -> None:
    roof = make_roof(days=36, kinds="c", units=[["south"] * 2] * 3)
    roof.ghi *= 1.0 + 0.003 * (roof.day - 18)
    case = case_of(roof, roof.weather())
    teeth = planes.teeth_of(*plane_level(case, 0), planes.PLANE_SURE.value)
    assert teeth is not None
    assert sensordrift.sensor_climbs(case, teeth)
    threshold(sensordrift, name, value)
    assert not sensordrift.sensor_climbs(case, teeth)


def _one_of_two(drop: float, days: int = 24) -> Case:
    """A plane that sinks from day to day beside one that does not, under a sensor and steady skies."""
    roof = make_roof(days=days, kinds="c", units=[["south"] * 2] * 2 + [["west"] * 2] * 2)
    for n in range(4):
        roof.scale(n, 1 - drop * roof.day / (days - 1), roof.when())
    return case_of(roof, roof.weather())


@pytest.mark.parametrize(("drop", "days", "told"), [(0.15, 24, {"south"}), (0.07, 24, set()), (0.2, 15, set())])
def test_one_plane_that_falls_fast_and_far_against_a_sensor_is_dirty(
    drop: float, days: int, told: set[str], threshold: MoveThreshold
) -> None:
    """The other plane vouches for the sensor: 0.6 % a day is dust of dry weather; 1.4 % is more than dust (from memory)."""
    assert _planes(_one_of_two(drop, days)) == told
    threshold(planes, "MEASURED_ALONE_DROP", 0.5)
    assert not _planes(_one_of_two(drop, days))


def test_what_goes_down_and_up_with_the_winter_sun_is_no_dirt(threshold: MoveThreshold) -> None:
    """A plane that low sun, hills or rime hold down in midwinter follows the noon sun's height (pvlib's), dirt follows the rain."""
    roof = make_roof(days=150, first=FIRST_DAY - 215, kinds="c", step=1800, units=[["south"] * 2] * 2, latitude=50.0)
    noon = np.array([roof.sun_elevation[roof.day == d].max() for d in range(150)])
    lacks = 0.3 * np.clip((25.0 - noon) / 9.0, 0.0, 1.0)
    for n in range(4):
        roof.scale(n, 1.0 - lacks[roof.day], roof.when())
    case = case_of(roof, roof.weather())
    level = plane_level(case, 0)[0]
    assert planes._winters(case, level)
    snowed = np.where(np.arange(150) % 40 == 20, 0.1, level)
    assert planes._winters(case, snowed)
    assert not planes._winters(case, 1.0 - 0.002 * (np.arange(150.0) % 50))
    threshold(planes, "WINTER_ALIKE", 1.1)
    assert not planes._winters(case, level)
