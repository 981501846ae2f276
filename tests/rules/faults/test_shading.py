from __future__ import annotations

import numpy as np
import pytest

import rules.faults.shading as rule
import rules.shademap as shademap
from rules.case import Case
from rules.engine import judge
from tests.rules.conftest import MoveThreshold
from tests.rules.make import Roof, case_of, findings, make_roof, only, run_rule


def _shaded(roof: Roof | None = None, depth: float = 0.9) -> Roof:
    """A tree in the east, up to 50 degrees high."""
    return (roof or make_roof()).shade(2, (80.0, 115.0), 50.0, depth)


@pytest.fixture(scope="module")
def case() -> Case:
    return case_of(_shaded())


def test_fires(case: Case) -> None:
    found = only(judge(case.table).findings)
    assert (found.fault, found.unit, found.input) == ("shading", "U2", 1)
    assert found.days >= 8
    assert found.loss_wh_total == pytest.approx(_shaded().lost_wh(), rel=0.2)
    assert found.action in ("watch", "visit")


@pytest.mark.parametrize(("clear", "fires"), [(2, True), (1, False)])
def test_two_clear_hours_of_hourly_rows_show_a_shadow(clear: int, fires: bool) -> None:
    case = case_of(_shaded(make_roof(kinds="c", step=3600)))
    bright = case.clear_weight.copy()
    filled = np.flatnonzero(bright.max(axis=0) >= 0.5)
    # In the morning, when the tree is before the sun, and nowhere else.
    bright[:, filled[1 + clear :]] = bright[:, filled[:1]] = 0.0
    vars(case)["clear_weight"] = bright
    assert bool(run_rule("shading", case).candidates) is fires


@pytest.mark.parametrize(("azimuth", "below"), [((80.0, 115.0), 50.0), ((130.0, 190.0), 75.0), ((230.0, 280.0), 50.0)])
def test_direction_within_ten_degrees(azimuth: tuple[float, float], below: float) -> None:
    roof = make_roof(days=12, kinds="c")
    roof.shade(2, azimuth, below, 0.9)
    behind = (
        (roof.sun_azimuth > azimuth[0]) & (roof.sun_azimuth < azimuth[1]) & (roof.sun_elevation < below)
        & (roof.sun_elevation > 5)
    )  # fmt: skip
    lost = (roof.healthy - roof.power)[:, 2]
    centre = float((roof.sun_azimuth * lost)[behind].sum() / lost[behind].sum())
    found = only(findings(roof))
    assert found.fault == "shading"
    assert found.evidence["direction_deg"] == pytest.approx(centre, abs=10)


def test_from_the_north_in_the_south() -> None:
    roof = make_roof(days=12, kinds="c", latitude=-34.0, planes={"north": (0.0, 25.0)}, units=[["north"] * 2] * 4)
    roof.shade(2, (20.0, 60.0), 40.0, 0.9)
    found = only(findings(roof))
    assert found.fault == "shading"
    assert 20 < found.evidence["direction_deg"] < 60


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("BIN_LOSS", 1.1),
        ("DAY_LOSS", 0.5),
        ("REPEAT", 1.5),
        ("LOW_SUN_DEG", 60.0),
        ("STAGGER", 1.1),
        ("SUNNY_BEAM", 1.1),
        ("CLEAR_HOURS", 24.0),
    ],
)
def test_thresholds_count(case: Case, threshold: MoveThreshold, name: str, value: float) -> None:
    assert run_rule("shading", case).candidates
    threshold(rule if hasattr(rule, name) else shademap, name, value)
    assert not run_rule("shading", case).candidates


@pytest.mark.parametrize(("factor", "fires"), [(0.5, False), (2.0, True)])
def test_just_under_and_over_the_loss_of_a_bin(factor: float, fires: bool) -> None:
    roof = make_roof(days=12, kinds="c")
    roof.scale(2, 1 - factor * shademap.BIN_LOSS.value, roof.when(0, 99, 8.0, 10.5))
    assert bool(run_rule("shading", case_of(roof)).candidates) is fires


def test_a_shadow_needs_days_to_repeat(threshold: MoveThreshold) -> None:
    case = case_of(_shaded(make_roof(days=9, kinds="c")))
    assert run_rule("shading", case).candidates
    threshold(shademap, "MIN_CLEAR", 99)
    threshold(shademap, "AROUND", 1)
    found = run_rule("shading", case).candidates
    assert not found or found[0].days.sum() < 9


def test_the_same_share_at_every_hour_is_weakness() -> None:
    roof = make_roof()
    roof.scale(2, 0.8, roof.when(3))
    assert not findings(roof, "shading")


def test_once_is_no_shadow() -> None:
    roof = make_roof(days=10, kinds="c")
    roof.scale(2, 0.4, roof.when(5, 5, 8, 10))
    assert not findings(roof, "shading")


def test_under_thick_cloud_it_cannot_be_judged() -> None:
    roof = make_roof(days=6, kinds="o")
    result = run_rule("shading", case_of(roof))
    assert not result.candidates
    assert {u.input for u in result.unjudged} == set(range(10))
    assert {u.days for u in result.unjudged} == {6}


def test_a_lone_input_against_a_sensor(threshold: MoveThreshold) -> None:
    roof = make_roof(days=12, kinds="c", units=[["south"]])
    roof.shade(0, (80.0, 130.0), 60.0, 0.95)
    case = case_of(roof, roof.weather())
    assert run_rule("shading", case).candidates
    threshold(shademap, "LONE_LOSS", 0.98)
    assert not run_rule("shading", case).candidates
    threshold(shademap, "LONE_LOSS", 0.25)
    threshold(shademap, "LONE_SUN_DEG", 80.0)
    assert not run_rule("shading", case).candidates
    threshold(shademap, "LONE_SUN_DEG", 15.0)
    assert run_rule("shading", case).candidates
    threshold(shademap, "LONE_INCIDENCE_DEG", 15.0)
    assert not run_rule("shading", case).candidates
    threshold(shademap, "LONE_INCIDENCE_DEG", 70.0)
    assert run_rule("shading", case).candidates
    threshold(rule, "LONE_ROWS", 12)
    assert not run_rule("shading", case).candidates


@pytest.mark.parametrize(("mornings", "told"), [(12, 1), (5, 0)])
def test_an_obstacle_is_there_on_every_clear_day(mornings: int, told: int) -> None:
    """Low cloud that leaves some mornings alone is coastal weather, common practice; an obstacle bites on all of them."""
    roof = make_roof(days=12, kinds="c", units=[["south"]])
    shaded = make_roof(days=12, kinds="c", units=[["south"]]).shade(0, (80.0, 130.0), 60.0, 0.95)
    days = [0, 2, 5, 8, 11] if mornings == 5 else range(12)
    for d in days:
        roof.power[roof.when(d, d)] = shaded.power[roof.when(d, d)]
    assert len(run_rule("shading", case_of(roof, roof.weather())).candidates) == told


@pytest.mark.parametrize(("per_day", "told"), [(0, True), (5, False)])
def test_what_comes_at_another_hour_of_each_clear_day_is_no_obstacle(per_day: int, told: bool, threshold: MoveThreshold) -> None:
    """Means of half hours in which a unit stopped for minutes; the sun is back at a shadow's place the next day."""
    roof = make_roof(days=14, kinds="c")
    for d in range(14):
        for k in range(5):
            start = 9.0 + (2 * k + per_day * d * (k + 1)) % 14 * 0.5
            roof.scale(2, 0.3, roof.when(d, d, start, start + 0.5))
    case = case_of(roof)
    assert rule._restless(case, 2) is not told
    if not told:
        assert not run_rule("shading", case).candidates
        threshold(rule, "AGAIN_LEAST", 9e9)
        assert not rule._restless(case, 2)


def _trips(days: tuple[int, ...]) -> Roof:
    """A grid too high at noon of some days: units stop for a part of some quarter hours, one of most, and rows are means."""
    rng = np.random.default_rng(5)
    roof = make_roof(days=30, kinds="c", step=900)
    for d in days:
        roof.ac_volts[roof.when(d, d, 12.0, 12.5)] = 256.0
        high = roof.when(d, d, 10.0, 14.0)  # for minutes, which no row's mean shows
        for u in range(len(roof.site.units)):
            stops = high & (rng.random(len(high)) < (0.9 if u == 1 else 0.2))
            roof.power[np.ix_(stops, roof.inputs_of(u))] *= rng.uniform(0.2, 0.7, (int(stops.sum()), 1))
        roof.power[roof.when(d, d, 12.0, 12.5)] = 0.0
    return roof


def test_part_stops_on_days_of_a_bad_grid_are_no_shade(threshold: MoveThreshold) -> None:
    case = case_of(_trips(tuple(range(2, 20))))
    assert not run_rule("shading", case).candidates
    threshold(rule, "UNTRIPPED", 99)
    assert run_rule("shading", case).candidates


def test_a_shadow_is_there_on_the_other_days_too() -> None:
    roof = _shaded(_trips(tuple(range(2, 20))))
    found = {c.inputs: c for c in run_rule("shading", case_of(roof)).candidates}
    assert set(found) == {(2,)}
    on_all = _shaded(_trips(tuple(range(30))))
    assert (2,) in {c.inputs for c in run_rule("shading", case_of(on_all)).candidates}
