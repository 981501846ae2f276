"""What looks like snow and is told apart: warmth, a lit module, a link, a weak input, a plane that the sun does not reach."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import rules.faults.snow as rule
from rules import snowsky, snowslide, snowspell
from rules.candidate import Candidate
from rules.case import Case
from rules.diagnose import diagnose
from tests.rules.conftest import MoveThreshold
from tests.rules.make import FIRST_DAY, Roof, case_of, make_roof, run_rule

JANUARY = FIRST_DAY - 125
DAYS = 12
PLANE = {"south": (180.0, 25.0)}


def _roof(units: int = 3, **options: object) -> Roof:
    given = {"days": DAYS, "first": JANUARY, "air_c": -4.0, "kinds": "c", "planes": PLANE} | options
    return make_roof(units=[["south", "south"]] * units, **given)  # type: ignore[arg-type]


def _sky(case: Case) -> snowsky.Sky:
    """Bright days that a trusted sensor saw, on which all is well."""
    sky = snowsky.Sky.of(case)
    sky.share[:], sky.plane[:], sky.expected[:], sky.light[:], sky.asleep[:] = 0.9, 0.9, 0.9, 4.0, False
    sky.heard[:] = np.nan
    return replace(sky, trusted=True)


@pytest.mark.parametrize(("noon_c", "cold"), [(4.0, True), (13.0, False)])
def test_in_warm_sun_no_snow_lies(noon_c: float, cold: bool) -> None:
    """Degree-day melt of some 5 mm of water a K and day (common practice): a night's snow is gone by noon at 10 Celsius."""
    roof = _roof()
    roof.air[:] = np.where((roof.hour > 8.0) & (roof.hour < 17.0), noon_c, -3.0)
    case = case_of(roof, roof.weather())
    assert snowsky.cold_days(case)[0][5] == cold


def test_a_unit_with_open_voltage_in_the_light_is_not_under_snow() -> None:
    """Single-diode model (pvlib, De Soto): open-circuit voltage is 1.2 of Vmp in full sun, 1.0 in a hundredth of it."""
    roof = _roof()
    for u in (0, 1):
        roof.standby(u, roof.when(5, 5))
    case = case_of(roof)
    lit = case.table["zero_volts"][5, :4].copy()
    assert (lit >= rule.OPEN_VOLTS.value).all()
    inputs = np.arange(6)
    assert rule._lit_but_still(case, inputs, 5).tolist() == [True] * 4 + [False] * 2
    case.table["zero_volts"][5, :4] = 1.0
    assert not rule._lit_but_still(case, inputs, 5).any()


def test_a_link_that_is_lost_in_the_morning_leaves_no_dark_day() -> None:
    """By the gateway's own log nothing came after a gloomy morning: the sensor's bright noon counts for nothing."""
    roof = _roof()
    stop = roof.when(5, 5, 10.0)
    for u in range(3):
        roof.silent(u, stop)
    ts = [int(roof.ts[stop][0]), int(roof.ts[roof.when(6, 6, 12.0)][0])]
    events = pd.DataFrame({"ts": ts, "source": "G1", "event": ["offline", "online"], "detail": ""})
    case = case_of(roof, roof.weather(), events=events)
    sky = snowsky.Sky.of(case)
    assert np.isfinite(sky.heard[5, 0])
    assert np.isnan(sky.heard[3, 0])
    sky = _sky(case)
    sky.plane[5], sky.heard[5] = 0.08, 0.09
    assert not rule._covered(case, 5, 0, sky)
    sky.heard[5] = np.nan
    assert rule._covered(case, 5, 0, sky)


def test_a_plane_known_dark_on_days_as_bright_lies_under_no_snow() -> None:
    case = case_of(_roof())
    sky, cold = _sky(case), np.ones(DAYS, bool)
    sky.plane[:6] = 0.2
    sky.plane[3], sky.light[3] = 0.9, 1.0  # well on a dull day alone
    sky.plane[6] = 0.1
    assert not rule._sudden(case, 6, 0, sky, cold)
    sky.light[3] = 4.0
    assert rule._sudden(case, 6, 0, sky, cold)


def test_what_went_dark_on_a_warm_day_did_not_for_snow() -> None:
    case = case_of(_roof())
    sky, cold = _sky(case), np.ones(DAYS, bool)
    sky.plane[5:7] = 0.05
    assert rule._sudden(case, 6, 0, sky, cold)
    cold[5] = False
    assert not rule._sudden(case, 6, 0, sky, cold)


def test_an_input_behind_on_all_days_is_not_the_last_under_the_snow() -> None:
    case = case_of(_roof())
    sky, inputs = _sky(case), np.arange(6)
    sky.share[:, 2] = 0.5
    assert snowspell._usual(2, 5, inputs, sky) == pytest.approx(0.5 / 0.9)
    assert snowspell._usual(0, 5, inputs, sky) == 1.0


def test_a_bad_link_is_no_sleep_under_snow() -> None:
    """Rows of the early morning that show all of what siblings made: the rest of the day's are lost, not dark."""
    roof = _roof()
    roof.silent(0, roof.when(5, 5, 10.5))
    case = case_of(roof)
    sky, inputs = snowsky.Sky.of(case), np.arange(6)
    assert sky.asleep[5, 0]
    assert snowspell._free_early(case, 0, 5, inputs, sky)
    roof = _roof()
    roof.silent(0, roof.when(5, 5, 0.0, 14.0))
    case = case_of(roof)
    assert not snowspell._free_early(case, 0, 5, inputs, snowsky.Sky.of(case))


def test_who_is_hardly_heard_is_no_measure_of_the_others() -> None:
    roof = _roof()
    roof.silent(0, roof.when(5, 5, 0.0, 11.0))
    case = case_of(roof)
    share = rule._well_heard(case, 5, np.arange(6), snowsky.Sky.of(case))
    assert np.isnan(share).tolist() == [True, True, False, False, False, False]


def test_inputs_not_yet_installed_do_not_count_for_a_plane() -> None:
    """Half of the plane sends its first row a week after the snow."""
    roof = _roof(units=4)
    for u in (2, 3):
        roof.silent(u, roof.when(0, 9))
    case = case_of(roof)

    def snow(n: int) -> Candidate:
        days = np.isin(np.arange(case.day_count), (4, 5))
        return Candidate("snow", "input", (n,), days, np.zeros(case.day_count), 0.7, "")

    (told,) = diagnose(case, [snow(n) for n in range(4)]).accepted
    assert (told.scope, told.inputs) == ("plane", (0, 1, 2, 3))
    whole = case_of(_roof(units=4))
    assert {c.scope for c in diagnose(whole, [snow(n) for n in range(4)]).accepted} == {"input"}


def test_whom_no_light_reaches_does_not_keep_an_outage_alive() -> None:
    """Snow took the two inputs that had light; the sun did not reach the other four."""
    case = case_of(_roof(units=3))
    days = np.isin(np.arange(case.day_count), (4, 5))

    def told(fault: str, inputs: tuple[int, ...], scope: str) -> Candidate:
        return Candidate(fault, scope, inputs, days, np.zeros(case.day_count), 0.7, "")

    asked = [told("site-outage", tuple(range(6)), "site"), *(told("snow", (n,), "input") for n in (0, 1))]
    assert {c.fault for c in diagnose(case, asked).accepted} == {"site-outage", "snow"}
    case.table["lit_h"][4:6, 2:] = 0.0
    assert {c.fault for c in diagnose(case, asked).accepted} == {"snow"}


def test_who_comes_back_as_weak_as_ever_was_under_the_snow() -> None:
    case = case_of(_roof())
    sky, inputs = _sky(case), np.arange(6)
    sky.share[:, 2] = 0.5
    sky.share[4:6] = 0.05
    days = np.isin(np.arange(DAYS), (4, 5))
    snowspell._back_whole(2, weak := days.copy(), inputs, sky, snowspell._usual(2, 4, inputs, sky))
    assert weak.tolist() == days.tolist()
    sky.share[4:6, :2] = 0.9
    snowspell._back_whole(2, weak, inputs, sky, 1.0)
    assert not weak.any()


@pytest.mark.parametrize(
    ("latitude", "month", "climate_c"),
    [
        # Climate tables (from memory), mean of the coldest month: Tokyo 5, New York 0, Toronto -4; Sydney 13, Melbourne 10.
        (35.7, 1, 5.0), (40.8, 1, 0.0), (43.7, 1, -4.0), (-33.9, 7, 13.0), (-37.8, 7, 10.0),
    ],
)  # fmt: skip
def test_winters_by_latitude(latitude: float, month: int, climate_c: float) -> None:
    first = JANUARY if month == 1 else FIRST_DAY + 50
    roof = make_roof(days=20, first=first, units=[["south"]], planes=PLANE, latitude=latitude)
    assert np.mean(snowsky.winter_mean(case_of(roof))) == pytest.approx(climate_c, abs=6.0)


def test_the_season_is_the_day_s_mean_whatever_the_longitude() -> None:
    means = [
        snowsky.winter_mean(case_of(make_roof(days=3, first=JANUARY, units=[["south"]], planes=PLANE, longitude=lon)))[1]
        for lon in (-120.0, -3.0, 140.0)
    ]
    assert np.ptp(means) < 0.2


def test_a_mild_winter_brings_no_snow_by_its_season() -> None:
    """Melbourne at 38 degrees south has ten degrees in July, Chicago at 42 north four below in January (from memory)."""
    for latitude, first, snow in ((-37.8, FIRST_DAY + 50, False), (42.0, JANUARY, True)):
        case = case_of(make_roof(days=6, first=first, units=[["south"]], planes=PLANE, latitude=latitude))
        assert snowsky.cold_days(case)[0].any() == snow


def test_a_plane_that_is_never_well_after_a_dark_beginning_is_turned_away(threshold: MoveThreshold) -> None:
    """The record begins with a plane at an eighth of what is expected, and it makes some two fifths of it ever after."""
    case = case_of(_roof())
    sky = _sky(case)
    days = np.arange(case.day_count)
    poor = replace(sky, plane=sky.expected * np.where(days < 4, 0.12, np.where(days % 2, 0.4, 0.5))[:, None])
    assert not rule._sudden(case, 0, 0, poor, np.ones(case.day_count, bool))
    well = replace(sky, plane=sky.expected * np.where(days < 4, 0.12, 0.9)[:, None])
    assert rule._sudden(case, 0, 0, well, np.ones(case.day_count, bool))
    threshold(rule, "WELL", 0.3)
    assert rule._sudden(case, 0, 0, poor, np.ones(case.day_count, bool))


def test_days_on_which_a_plane_makes_what_a_sensor_expects_are_no_snows(monkeypatch: pytest.MonkeyPatch) -> None:
    """Snow for two days of sun, then days so dark that all planes make next to nothing of a clear sky."""
    roof = make_roof(days=16, first=JANUARY, air_c=-4.0, kinds="c", units=[["south", "south"]] * 3)
    dark = roof.when(9, 12)
    roof.ghi[dark] *= 0.06
    roof.power[dark] *= 0.06
    under = roof.when(7, 8)
    roof.power[under] *= 0.02
    case = case_of(roof, roof.weather())
    assert {int(np.flatnonzero(c.days)[-1]) for c in run_rule("snow", case).candidates} == {8}
    monkeypatch.setattr(snowsky.Sky, "makes_it", lambda *_: False)
    assert {int(np.flatnonzero(c.days)[-1]) for c in run_rule("snow", case).candidates} == {12}


def test_what_a_plane_turned_from_the_sun_makes_of_bright_days_is_its_share_of_them(threshold: MoveThreshold) -> None:
    """It makes all that dull days let expect, and a fifth of bright ones; a few days of a kind tell nothing."""
    expected = np.array([0.1] * 8 + [0.6] * 8 + [0.3] * 2)
    made = np.array([1.0] * 8 + [0.2] * 6 + [0.02] * 2 + [0.3] * 2)
    level = snowsky._light_level(made, expected, np.full(18, 0.9))
    assert level == pytest.approx([0.9] * 8 + [0.2] * 8 + [0.9] * 2)
    threshold(snowsky, "LEAST_LEVEL", 0.5)
    assert snowsky._light_level(made, expected, np.full(18, 0.9))[8:16] == pytest.approx(0.5)
    threshold(snowsky, "ALIKE_LIGHT", 1e3)
    assert snowsky._light_level(made, expected, np.full(18, 0.9)) == pytest.approx(0.9)


def test_snow_is_told_by_records_put_right() -> None:
    """Three hours late at first: east and west seem to see two skies, and the first day's rows lie partly before it."""
    planes = {"east": (90.0, 30.0), "west": (270.0, 30.0)}
    roof = make_roof(units=[["east", "west"]] * 4, days=14, first=JANUARY, air_c=-4.0, kinds="c", planes=planes)
    roof.shift_s = np.where(roof.ts < roof.ts[roof.when(8, 8, 0.0)][0], 10800.0, 0.0)
    for n in range(0, 8, 2):
        roof.scale(n, 0.03, roof.when(4, 5 + n % 4 // 2))
    case = case_of(roof, roof.weather())
    assert np.flatnonzero(rule._torn(case)).tolist() == [0]
    found = run_rule("snow", case).candidates
    assert {n for c in found for n in c.inputs} == {0, 2, 4, 6}
    assert set(np.flatnonzero(np.any([c.days for c in found], axis=0)).tolist()) <= {3, 4, 5, 6}


def test_who_makes_plain_power_and_as_much_as_all_others_is_out_of_the_snow() -> None:
    """A limit that holds after a snowfall takes half of a bright day from all alike; what is left of snow lies unevenly."""
    roof = _roof()
    for n in range(6):
        roof.scale(n, 0.03, roof.when(5, 5))
        roof.scale(n, 0.5, roof.when(6, 8))
    days = {tuple(np.flatnonzero(c.days)) for c in run_rule("snow", case_of(roof, roof.weather())).candidates}
    assert days == {(5,)}
    roof = _roof()
    for n in range(6):
        roof.scale(n, 0.03, roof.when(5, 5))
        roof.scale(n, 0.5 if n % 2 else 0.9, roof.when(6, 8))
    days = {tuple(np.flatnonzero(c.days)) for c in run_rule("snow", case_of(roof, roof.weather())).candidates}
    assert (5, 6, 7, 8) in days


def test_a_morning_without_grid_is_no_snow_that_slid(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody made anything up to some hour of a bright morning, units with open modules in the light least of all."""
    roof = _roof()
    for n, hour in enumerate((11.0, 12.0, 13.0, 14.0, 14.5, 10.0)):
        roof.scale(n, 0.17, roof.when(5, 5, 0.0, hour))
    case = case_of(roof, roof.weather())
    assert run_rule("snow", case).candidates
    monkeypatch.setattr(rule, "_standing", lambda *about: about[-1] == 5)
    assert not run_rule("snow", case_of(roof, roof.weather())).candidates


def test_who_stands_by_all_day_slid_from_nowhere() -> None:
    roof = _roof()
    for u in (0, 1):
        roof.standby(u, roof.when(5, 5, 0.0, 24.0 if u else 13.0))
    case = case_of(roof, roof.weather())
    case.table["symptom_slots"][5, :2, 4] = 0.0  # under a cover in the morning, and free at noon
    assert not snowslide.slid_free(case)[5, 0]
    case.table["symptom_slots"][5, :4, 4] = 0.0
    again = Case(case.table)
    assert snowslide.slid_free(again)[5, 0]
