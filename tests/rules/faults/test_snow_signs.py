"""Single signs of snow, and what takes them back."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import rules.faults.snow as rule
from rules import snowsky, snowsleep, snowspell
from rules.case import Case
from tests.rules.conftest import MoveThreshold
from tests.rules.make import FIRST_DAY, Roof, case_of, make_roof, run_rule

JANUARY = FIRST_DAY - 125
DAYS = 12
ROOF = [["south", "south"]] * 3 + [["west", "west"]] * 3
#: Every branch and every gateway holds units of both planes.
SHARED = ["A", "B", "C", "A", "B", "C"]


def _roof(**options: object) -> Roof:
    return make_roof(days=DAYS, first=JANUARY, air_c=-4.0, kinds="c", **options)  # type: ignore[arg-type]


def _asleep(dark: bool = True, units: tuple[int, ...] = (0, 1, 2), apart: bool = True, **groups: object) -> Roof:
    """Units of the south plane are silent for days of sun, while the west one works; the first comes back before the others.

    Not where they come back together, ``apart`` false.
    """
    roof = _roof(units=ROOF, **({"branches": SHARED, "gateways": SHARED} | groups))
    for u in units:
        when = roof.when(5, 7 + (apart and u > 0))
        roof.silent(u, when)
        if dark:
            roof.power[np.ix_(when, roof.inputs_of(u))] = 0.0
    return roof


def _snowy(roof: Roof) -> set[int]:
    return {n for c in run_rule("snow", case_of(roof, roof.weather(ghi=False))).candidates for n in c.inputs}


def test_a_plane_that_sleeps_alone_in_the_dark_is_under_snow(threshold: MoveThreshold) -> None:
    assert _snowy(_asleep(apart=False)) == set(range(6))
    threshold(snowsleep, "ALONE_UNITS", 4)
    assert not _snowy(_asleep(apart=False))


def test_units_that_wake_one_after_the_other_slept_under_snow(threshold: MoveThreshold) -> None:
    """Common practice: a supply or a link comes back for all at once; snow leaves one module after the other."""
    threshold(snowsleep, "ALONE_UNITS", 4)
    assert _snowy(_asleep()) == set(range(6))


@pytest.mark.parametrize("apart", [True, False])
def test_a_plane_that_counted_on_was_not_under_snow(apart: bool) -> None:
    assert not _snowy(_asleep(dark=False, apart=apart))


def _site_asleep(*, stops_at: float = 0.0, scale: tuple[float, ...] = (1.0,) * 6, late: int = 0) -> Roof:
    """A whole site of one plane is silent and dark on day 5, from an hour of the day on; its units come back on day 6.

    Inputs make ``scale`` of their share on day 6; the last ``late`` units are heard from 13:00 on only.
    """
    roof = _roof(units=[["south", "south"]] * 3, planes={"south": (180.0, 25.0)})
    for u in range(3):
        when = roof.when(5, 5, stops_at, 24.0)
        roof.silent(u, when)
        roof.power[np.ix_(when, roof.inputs_of(u))] = 0.0
    for n, share in enumerate(scale):
        roof.scale(n, share, roof.when(6, 6))
    for u in range(3 - late, 3):
        morning = roof.when(6, 6, 0.0, 13.0)
        roof.silent(u, morning)
        roof.power[np.ix_(morning, roof.inputs_of(u))] = 0.0
    return roof


@pytest.mark.parametrize(
    ("roof", "told"),
    [
        (_site_asleep(), False),  # all at once, and with all that the sky gives: a supply
        (_site_asleep(scale=(1.0, 0.4, 0.2, 1.0, 1.0, 1.0)), True),
        (_site_asleep(scale=(1.0, 0.8, 0.75, 1.0, 0.74, 0.95)), True),
        (_site_asleep(stops_at=13.0, scale=(1.0, 0.4, 0.2, 1.0, 1.0, 1.0)), False),  # it stopped in full light
        (_site_asleep(late=1), False),  # one unit may be silent for itself
        (_site_asleep(late=2), True),
    ],
)
def test_a_site_that_sleeps_from_the_morning_on_and_wakes_apart(roof: Roof, told: bool) -> None:
    case = case_of(roof)
    sky = snowsky.Sky.of(case)
    inputs = np.arange(6)
    stood = snowsky.counted_share(case, inputs, 5, sky) < snowsky.STOOD.value
    assert (stood and snowsleep._woke_apart(case, inputs, 5, sky)) is told


@pytest.mark.parametrize("group", ["branches", "gateways"])
def test_a_plane_that_is_a_branch_or_a_gateway_fell_for_that(group: str) -> None:
    """A breaker takes a branch and a gateway its units, whichever way they look (common practice)."""
    assert not _snowy(_asleep(apart=False, **{group: ["A"] * 3 + ["B"] * 3}))


def test_a_plane_does_not_sleep_alone_where_others_do() -> None:
    assert not _snowy(_asleep(units=(0, 1, 2, 3), apart=False))


@pytest.mark.parametrize(
    ("last", "after", "told"),
    [((0.02, 0.3), (0.95, 1.0), True), ((0.28, 0.3), (0.95, 1.0), False), ((0.02, 0.3), (0.5, 1.0), False),
     ((0.02, 0.05), (0.95, 1.0), False), ((0.02, np.nan), (0.95, 1.0), False)],
)  # fmt: skip
def test_apart_on_the_last_day_and_alike_on_the_next(last: tuple[float, ...], after: tuple[float, ...], told: bool) -> None:
    assert snowspell._one_by_one(np.array([[0.03, 0.03], last, after]), 1) is told


def test_the_last_day_of_the_record_shows_nobody_come_back() -> None:
    assert not snowspell._one_by_one(np.array([[0.03, 0.03], [0.02, 0.3]]), 1)


def _says_no_grid(units: int) -> Case:
    """``units`` of five in fault for want of voltage on day 5; the rest is dark and says nothing."""
    roof = _roof(units=[["south", "south"]] * 5)
    for n in range(10):
        roof.scale(n, 0.01, roof.when(5, 5))
    for u in range(units):
        roof.state[roof.when(5, 5), u] = "fault"
        roof.ac_volts[roof.when(5, 5), u] = 0.0
    return case_of(roof)


@pytest.mark.parametrize(("units", "standing"), [(2, False), (3, True)])
def test_most_of_a_site_without_voltage_is_no_snow(units: int, standing: bool) -> None:
    assert rule._standing(_says_no_grid(units), np.array([8, 9]), 5) is standing


def _ill(case: Case) -> snowsky.Sky:
    """A dull day that a trusted sensor saw, and an input that stays behind on the bright one after it."""
    sky = snowsky.Sky.of(case)
    sky.share[:], sky.plane[:], sky.expected[:], sky.light[:], sky.asleep[:] = 0.9, 0.9, 0.9, 4.0, False
    sky.share[6, 0], sky.plane[5], sky.share[5] = 0.1, 0.2, 0.2
    return replace(sky, trusted=True)


@pytest.mark.parametrize(("expected", "back"), [(0.9, True), (0.22, False)])
def test_who_made_what_a_dull_sky_left_came_from_no_cover(expected: float, back: bool) -> None:
    case = case_of(_roof(units=[["south"]] * 3, planes={"south": (180.0, 25.0)}))
    sky = _ill(case)
    sky.expected[5] = expected
    assert rule._came_back(case, 0, 6, sky) is back
    # Without a sensor to trust nobody knows what the sky left.
    assert rule._came_back(case, 0, 6, replace(sky, trusted=False))


def test_a_dark_day_before_the_snow_is_no_fault_of_an_input() -> None:
    """On the eve all made nothing; one input was dead for days before that."""
    roof = _roof(units=[["south", "south"]] * 3)
    for n in range(6):
        roof.dead(n, roof.when(4, 4))
    roof.dead(3, roof.when(2, 4))
    case = case_of(roof)
    dark = np.arange(case.day_count) == 4
    assert not snowspell._ill_before(case, 0, 5, dark)
    assert snowspell._ill_before(case, 3, 5, dark)
    # Had the eve alone been looked at, everybody would have been ill.
    assert snowspell._ill_before(case, 0, 5, np.isin(np.arange(case.day_count), (2, 3)))


def test_days_that_are_dark_for_all_leave_every_input_in_the_spell() -> None:
    roof = _roof(units=[["south", "south"]] * 3, planes={"south": (180.0, 25.0)})
    for n in range(6):
        roof.dead(n, roof.when(2, 4)).scale(n, 0.03, roof.when(5, 5 + n % 2))
    case = case_of(roof, roof.weather())
    cold, _ = snowsky.cold_days(case)
    spell = snowspell.spell_of(case, 0, np.arange(6), 5, False, cold, snowsky.Sky.of(case))
    assert spell is not None
    assert all(days[5] for days in spell.days.values())


@pytest.mark.parametrize(("free", "uneven"), [(0, False), (1, True)])
def test_a_module_free_on_the_last_day_came_off_before_the_others(free: int, uneven: bool) -> None:
    roof = _roof(units=[["south", "south"]] * 3, planes={"south": (180.0, 25.0)})
    for n in range(6):
        roof.scale(n, 0.03, roof.when(5, 5)).scale(n, 0.45 if n < free else 0.03, roof.when(6, 6))
    assert {c.evidence["uneven"] for c in run_rule("snow", case_of(roof)).candidates} == {uneven}


def _some_asleep(units: tuple[int, ...], dark: bool = True, back: bool = True, branches: list[str] | None = None) -> Roof:
    """Units of one plane silent on days 5 to 7 (or to the end) while their gateway hears the others."""
    roof = _roof(units=[["south", "south"]] * 5, planes={"south": (180.0, 25.0)}, branches=branches)
    for u in units:
        when = roof.when(5, 7 if back else DAYS)
        roof.silent(u, when)
        if dark:
            roof.power[np.ix_(when, roof.inputs_of(u))] = 0.0
    return roof


@pytest.mark.parametrize(
    ("roof", "told"),
    [
        (_some_asleep((0, 1, 2)), set(range(6))),
        (_some_asleep((0, 1)), set()),  # two may share a cable or a fault of their own
        (_some_asleep((0, 1, 2), dark=False), set()),  # they counted on: links
        (_some_asleep((0, 1, 2), back=False), set()),  # they never came back
        (_some_asleep((0, 1, 2), branches=["A", "A", "A", "B", "B"]), set()),  # a breaker takes a branch (common practice)
    ],
)
def test_several_units_that_sleep_while_others_work_lie_under_snow(roof: Roof, told: set[int]) -> None:
    case = case_of(roof)
    cold = np.ones(case.day_count, bool)
    spells = snowsleep.sleepers(case, 0, cold, snowsky.Sky.of(case), [])
    assert {n for s in spells for n, days in s.days.items() if days.any()} == told
    assert not snowsleep.sleepers(case, 0, ~cold, snowsky.Sky.of(case), [])


@pytest.mark.parametrize(("through", "told"), [(0.005, True), (0.03, False)])
def test_one_day_darker_than_any_storm_is_snow(through: float, told: bool) -> None:
    """A thick overcast leaves 0.10 to 0.25 of the light on the level (common practice), a steep winter plane a third of that."""
    roof = _roof(units=[["south", "south"]] * 3, planes={"south": (180.0, 40.0)})
    for n in range(6):
        roof.scale(n, through, roof.when(5, 5))
    (spell,) = rule._spells(case := case_of(roof), 0, np.ones(DAYS, bool), snowsky.Sky.of(case))
    assert (spell.start, spell.deep) == (5, told)


def test_snow_lay_through_the_silence_before_it_was_seen() -> None:
    """Nobody is heard on days 4 and 5; on day 6 the plane is heard and covered."""
    roof = _roof(units=[["south", "south"]] * 3, planes={"south": (180.0, 25.0)})
    asleep, thin = roof.when(4, 5), roof.when(6, 7)
    for u in range(3):
        roof.silent(u, asleep)
        roof.power[np.ix_(asleep, roof.inputs_of(u))] = 0.0
    for n in range(6):
        roof.scale(n, 0.02, thin)
    (spell,) = rule._spells(case := case_of(roof), 0, np.ones(DAYS, bool), snowsky.Sky.of(case))
    assert all(np.flatnonzero(days)[0] <= 4 for days in spell.days.values())


def test_a_sensor_sees_the_light_in_which_nobody_sends_a_row() -> None:
    """No row shows that there was light: the sensor does."""
    roof = _roof(units=[["south", "south"]] * 3, planes={"south": (180.0, 25.0)})
    for u in range(3):
        roof.silent(u, roof.when(5, 6))
    case = case_of(roof, roof.weather())
    case.table["lit_h"][5:7] = 0.0
    assert case.sensor_trust[0]
    assert snowsky.Sky.of(case).asleep[5:7].all()
    assert not snowsky.Sky.of(case).asleep[3:5].any()


def _turned_away(lows: int, apart: bool = True) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Shares of two planes over 24 days, the second at a tenth on some clear days; what the sky allowed both."""
    sky = np.tile([[1.0, 0.6], [0.5, 0.4]], (12, 1))  # every other day is clear
    made = sky.copy()
    clear = np.arange(0, 24, 2)
    made[clear[:lows], 1] = 0.1
    if not apart:
        made[1::2, 1] = 0.1  # under cloud as well
    return made, sky.copy(), sky


@pytest.mark.parametrize(("lows", "apart", "blind"), [(12, True, 12), (2, True, 0), (12, False, 0)])
def test_a_plane_that_no_sun_reaches_is_lowest_on_clear_days(lows: int, apart: bool, blind: int) -> None:
    """A north roof at 40 degrees north in January (pvlib: beam incidence over 90 degrees) is no plane under snow; a cover
    takes the light of cloudy days too."""
    out = snowsky._blind(*_turned_away(lows, apart))
    assert not out[:, 0].any()
    assert out[:, 1].sum() == blind
    assert not out[1::2].any()


def test_on_blind_days_only_what_no_sky_leaves_is_a_cover() -> None:
    case = case_of(_roof(units=[["south"]] * 3, planes={"south": (180.0, 25.0)}))
    sky = _ill(case)
    sky.plane[5] = 0.1
    assert rule._covered(case, 5, 0, sky)
    sky.blind[5] = True
    assert not rule._covered(case, 5, 0, sky)
    sky.plane[5] = 0.5 * snowspell.DEEP.value * sky.dull[5, 0]
    assert rule._covered(case, 5, 0, sky)


def test_a_frozen_record_leaves_no_sibling_behind() -> None:
    """Units that repeat one bright reading through a dull day outdo the others, who did not stay behind under snow."""
    roof = make_roof(days=14, first=JANUARY, air_c=-1.0, kinds="ccccccccoccccc", units=[["south", "south"]] * 4)
    at = roof.when(8, 8)
    for n in (0, 1, 2, 3):
        for values in (roof.power, roof.volts):
            values[at, n] = values[roof.when(7, 7), n].max() * (roof.healthy[at, n] > 0)
    case = case_of(roof)
    assert np.isnan(snowsky.Sky.of(case).share[8, :4]).all()
    assert not run_rule("snow", case).candidates
