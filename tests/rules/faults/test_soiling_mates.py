"""Dirt on most members of a plane, and what dirty members tell of the whole plane."""

from __future__ import annotations

import numpy as np
import pytest

import rules.alongmembers as alongmembers
import rules.cleanest as cleanest
import rules.faults.soiling as rule
import rules.sinkingplanes as planes
from rules.case import Case
from rules.levels import relative_levels
from tests.rules.conftest import MoveThreshold
from tests.rules.make import Roof, case_of, make_roof, run_rule

RATES = (0.006, 0.012, 0.008, 0.014)  # per day, of five members all but the last; a dry year's fastest is some 0.01 (from memory)


def _plane(rates: tuple[float, ...], members: int = 5, days: int = 27, rains: tuple[int, ...] = (9, 18)) -> Roof:
    """One plane; dust on its first members, which rain takes."""
    roof = make_roof(days=days, kinds="cmc", units=[["south"]] * members)
    since = roof.day - np.max([np.where(roof.day >= rain, rain, 0) for rain in rains], axis=0)
    for n, rate in enumerate(rates):
        roof.scale(n, 1 - rate * since, roof.when())
    return roof


def _inputs(case: Case) -> set[tuple[int, ...]]:
    return {c.inputs for c in run_rule("soiling", case).candidates}


def test_where_most_are_dirty_the_clean_one_is_the_measure(threshold: MoveThreshold) -> None:
    roof = _plane(RATES)
    case = case_of(roof)
    found = run_rule("soiling", case).candidates
    assert {c.inputs for c in found} == {(0,), (1,), (2,), (3,)}
    for c in found:
        assert c.evidence["slope_per_day"] == pytest.approx(-RATES[c.inputs[0]], rel=0.2)
        assert c.loss_wh.sum() == pytest.approx(roof.lost_wh(c.inputs), rel=0.3)
    threshold(cleanest, "RISES", 1e4)
    assert len(_inputs(case_of(roof))) < len(found)


@pytest.mark.parametrize(("name", "value"), [("FASTEST", 0.0), ("WASHES", 2.0), ("DEEPEST", 0.0), ("MOVES", 1e4)])
def test_what_turns_a_plane_over(threshold: MoveThreshold, name: str, value: float) -> None:
    case = case_of(_plane(RATES))
    assert cleanest.beside_clean(case) is not relative_levels(case)
    threshold(cleanest, name, value)
    assert cleanest.beside_clean(case) is relative_levels(case)


def test_members_a_little_dirty_are_not_the_clean_one(threshold: MoveThreshold) -> None:
    case = case_of(_plane((0.006, 0.015, 0.014, 0.013)))
    assert (0,) in _inputs(case)
    threshold(cleanest, "ALIKE", 0.0)
    assert (0,) not in _inputs(case)


def test_one_that_rises_beside_still_ones_is_the_odd_one() -> None:
    """Its record follows another plane, whose share of the light grows with the days: the others are not dirty."""
    roof = make_roof(days=27, kinds="cmc", units=[["south"]] * 6)
    roof.scale(5, 0.8 + 0.007 * (roof.day % 9), roof.when())
    assert not _inputs(case_of(roof)) - {(5,)}


def _dusty(members: tuple[float, ...], plane: float, restless: float = 0.012) -> Case:
    """A roof that sinks by ``plane`` a day under a sky that no expectation follows, and ``members`` by more."""
    roof = make_roof(days=14, kinds="c", units=[["south"] * 2] * 4)
    sky = 1 + restless * np.random.default_rng(11).standard_normal(14)[roof.day]
    for n in range(8):
        more = members[n] if n < len(members) else 0.0
        roof.scale(n, (1 - plane * roof.day) * (1 - more * roof.day) * sky, roof.when())
    return case_of(roof, weather=roof.weather())


def test_members_that_sink_speak_for_a_plane_that_sinks_by_more(threshold: MoveThreshold) -> None:
    threshold(planes, "PLANE_SURE", 50.0)  # a sky so restless that the plane alone would not do
    everyone = (tuple(range(8)),)
    assert set(everyone) <= _inputs(_dusty((0.004, 0.004), 0.008))
    assert not set(everyone) & _inputs(_dusty((), 0.008))
    assert not set(everyone) & _inputs(_dusty((0.004,), 0.008))  # one alone may have a fault of its own
    assert not set(everyone) & _inputs(_dusty((0.012, 0.012), 0.002))  # the others are clean
    threshold(planes, "BESIDE_SURE", 50.0)
    threshold(alongmembers, "FOLLOWS", 50.0)
    assert not set(everyone) & _inputs(_dusty((0.004, 0.004), 0.008))


def test_under_a_restless_sky_a_plane_follows_the_course_that_its_members_draw(threshold: MoveThreshold) -> None:
    """Fourteen days that scatter by 3 % have no slope of their own to see; siblings share the sky, and tell when dust fell."""
    case = _dusty((0.004, 0.005), 0.008, restless=0.03)
    everyone = tuple(range(8))
    threshold(planes, "PLANE_SURE", 50.0)
    threshold(planes, "BESIDE_SURE", 50.0)
    assert everyone in _inputs(case)
    threshold(alongmembers, "FOLLOWS", 50.0)
    assert everyone not in _inputs(case)


@pytest.mark.parametrize(("rain", "told"), [(12, True), (None, False)])
def test_one_dirtier_member_draws_the_course_if_rain_washes_it(threshold: MoveThreshold, rain: int | None, told: bool) -> None:
    """What sinks alone for good may be failing, which says nothing of the others; what rain gives back is dirt."""
    roof = make_roof(days=24, kinds="c", units=[["south"] * 2] * 4)
    sky = 1 + 0.03 * np.random.default_rng(11).standard_normal(24)[roof.day]
    since = np.where(roof.day >= rain, roof.day - rain, roof.day) if rain else roof.day
    for n in range(8):
        roof.scale(n, (1 - 0.008 * since) * (1 - 0.005 * since * (n == 3)) * sky, roof.when())
    case = case_of(roof, weather=roof.weather())
    threshold(planes, "PLANE_SURE", 50.0)
    threshold(planes, "BESIDE_SURE", 50.0)
    assert (3,) in _inputs(case) or told
    assert (tuple(range(8)) in _inputs(case)) is told


@pytest.mark.parametrize(("per", "follows"), [(-3.0, True), (-0.4, False), (0.0, False), (3.0, False)])
def test_who_follows(per: float, follows: bool) -> None:
    """A rain in the middle: what goes with the season does not follow. Where a third are dirty the plane goes along by as much."""
    rng = np.random.default_rng(5)
    course = np.r_[np.linspace(0, 0.06, 15), np.linspace(0, 0.06, 15)]
    level = 0.95 + per * course + 0.02 * rng.standard_normal(30)
    found = alongmembers.along(alongmembers.Sunk(0.06, course), level, 0.02)
    assert (found is not None) is follows
    if found is not None:
        teeth, drawn = found
        assert (teeth.resets, teeth.drop) == (1, pytest.approx(0.18, abs=0.04))
        assert np.ptp(drawn) == pytest.approx(0.18, abs=0.04)


def test_members_that_are_not_known_while_they_sink_draw_no_course(threshold: MoveThreshold) -> None:
    course = np.r_[np.linspace(0, 0.02, 10), np.full(10, np.nan)]
    level = 1 - 3 * np.linspace(0, 0.06, 20)
    assert alongmembers.along(alongmembers.Sunk(0.06, course), level, 0.008) is None  # a third of the drop alone
    assert alongmembers.along(alongmembers.Sunk(0.02, course), level, 0.008) is not None
    threshold(alongmembers, "LEAST_SCATTER", 0.05)
    assert alongmembers.along(alongmembers.Sunk(0.02, course), level, 0.008) is None


@pytest.mark.parametrize("dust", [False, True])
def test_what_lacks_in_the_sun_alone_is_a_shadow(threshold: MoveThreshold, dust: bool) -> None:
    """A hill takes more of the sun from week to week; a dull day shows the module whole, and the next sunny one does not."""
    roof = make_roof(days=40, kinds="cccco", units=[["south"]] * 5)
    lacks = 0.003 * roof.day * (1.0 if dust else (roof.day % 5 != 4))
    roof.scale(2, 1 - lacks, roof.when())
    threshold(rule, "NO_RAIN", 99)
    case = case_of(roof, weather=roof.weather())
    assert ((2,) in _inputs(case)) is dust
    for name, value in (("STAYS", 0.0), ("IN_DULL", -1.0), ("IN_SUN", 9.0), ("DULL_DAYS", 99)):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(rule, name, type(rule.STAYS)(value, "", ""))
            assert (2,) in _inputs(case)


def test_before_any_rain_the_sky_tells_who_is_clean() -> None:
    """Four of six sink; beside them the two clean ones seem to rise, as fast as the plane sinks under its sky."""
    roof = make_roof(days=30, kinds="c", units=[["south"]] * 6)
    for n in range(4):
        roof.scale(n, 1 - 0.009 * roof.day, roof.when())
    case = case_of(roof, weather=roof.weather())
    found = run_rule("soiling", case).candidates
    assert {c.inputs for c in found} == {(0,), (1,), (2,), (3,)}
    assert sum(c.loss_wh.sum() for c in found) == pytest.approx(roof.lost_wh(range(4)), rel=0.2)
    for name, value in (("MEASURED", 1e4), ("AS_FAST", 1.0)):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(cleanest, name, type(cleanest.MOVES)(value, "", ""))
            again = case_of(roof, weather=roof.weather())
            assert cleanest.beside_clean(again) is relative_levels(again)
