from __future__ import annotations

import pytest

import rules.faults.snow as rule
from rules import snowsky, snowsleep, snowspell
from rules.case import Case
from rules.engine import judge
from tests.rules.conftest import MoveThreshold
from tests.rules.make import FIRST_DAY, Roof, case_of, findings, make_roof, run_rule

JANUARY = FIRST_DAY - 125


def _move(threshold: MoveThreshold, name: str, value: float) -> None:
    """Move a threshold wherever the rule's parts read it."""
    for part in (rule, snowsky, snowspell, snowsleep):
        if hasattr(part, name):
            threshold(part, name, value)


def _snowed(air_c: float = -3.0, first: int = JANUARY, days: int = 12) -> Roof:
    """Snow on day 5; inputs come back over three days."""
    roof = make_roof(days=days, first=first, air_c=air_c, kinds="cmcc")
    for n in range(10):
        roof.scale(n, 0.03, roof.when(5, 6 + n % 3))
    return roof


@pytest.fixture(scope="module")
def case() -> Case:
    roof = _snowed()
    return case_of(roof, roof.weather())


def test_fires(case: Case) -> None:
    found = judge(case.table).findings
    assert {f.fault for f in found} == {"snow"}
    # One finding a plane, though its inputs come back one after the other; each day of each input is counted once.
    assert {(f.plane, f.unit): f.days for f in found} == {("south", None): 4, ("west", None): 4}
    assert {f.plane: len(f.evidence["inputs"]) for f in found} == {"south": 6, "west": 4}
    assert all("inputs of plane" in f.why for f in found)
    assert sum(f.loss_wh_total for f in found) == pytest.approx(_snowed().lost_wh(), rel=0.2)
    assert {f.action for f in found} == {"none"}


def test_without_weather_the_season_says_it() -> None:
    found = findings(_snowed())
    assert {f.fault for f in found} == {"snow"}
    assert {f.evidence["cold_by"] for f in found} == {"season and latitude"}


@pytest.mark.parametrize(("name", "value"), [("COLD_C", -40.0), ("LOW", 0.0), ("HIDDEN", 0.0)])
def test_thresholds_count(case: Case, threshold: MoveThreshold, name: str, value: float) -> None:
    assert run_rule("snow", case).candidates
    _move(threshold, name, value)
    _move(threshold, "COVERED", snowsky.COVERED.value if name == "COLD_C" else 0.0)
    _move(threshold, "DARK", snowsky.DARK.value if name == "COLD_C" else 0.0)
    assert not run_rule("snow", case).candidates


def test_season_and_cover_count_without_weather(threshold: MoveThreshold) -> None:
    case = case_of(_snowed())
    assert run_rule("snow", case).candidates
    _move(threshold, "COVERED", 0.001)
    _move(threshold, "DARK", 0.001)
    assert not run_rule("snow", case).candidates
    _move(threshold, "COVERED", 0.09)
    _move(threshold, "COLD_SEASON_C", -30.0)
    assert not run_rule("snow", case).candidates


def test_the_longest_spell_counts(case: Case, threshold: MoveThreshold) -> None:
    assert max(c.days.sum() for c in run_rule("snow", case).candidates) == 4
    _move(threshold, "MAX_DAYS", 1)
    assert max((c.days[:6].sum() for c in run_rule("snow", case).candidates), default=0) <= 1


def test_what_never_clears_is_no_snow(threshold: MoveThreshold) -> None:
    """Most of a plane next to nil for weeks on end."""
    roof = make_roof(days=32, first=JANUARY, air_c=-3.0, kinds="cmcc", units=[["south"] * 2] * 2 + [["west"] * 2] * 2)
    for n in range(3):
        roof.scale(n, 0.02, roof.when(5))
    case = case_of(roof, roof.weather())
    assert not run_rule("snow", case).candidates
    _move(threshold, "MAX_DAYS", 40)
    assert run_rule("snow", case).candidates


def test_who_never_comes_back_whole_has_another_cause(threshold: MoveThreshold) -> None:
    """Two days next to nil, and a substring lost since on one input: nobody came back later than the others."""
    roof = make_roof(days=16, first=JANUARY, air_c=-3.0, kinds="c", units=[["south"] * 2] * 3)
    for n in range(6):
        roof.scale(n, 0.03, roof.when(5, 6))
    roof.bypass(2, 1, roof.when(5, 8))
    roof.scale(2, 0.8, roof.when(9))
    case = case_of(roof)
    assert not any(c.evidence["uneven"] for c in run_rule("snow", case).candidates)
    _move(threshold, "BACK", 0.5)
    assert any(c.evidence["uneven"] for c in run_rule("snow", case).candidates)
    _move(threshold, "BACK", 0.85)
    _move(threshold, "BACK_DAYS", 99)
    assert any(c.evidence["uneven"] for c in run_rule("snow", case).candidates)


def test_in_the_warm_it_is_something_else() -> None:
    roof = _snowed(air_c=22.0, first=FIRST_DAY)
    assert not findings(roof, "snow", weather=roof.weather())
    assert not findings(roof, "snow")


def test_a_dark_overcast_recovers_at_once() -> None:
    roof = make_roof(days=12, first=JANUARY, air_c=0.0, kinds="cccoc")
    assert findings(roof, "snow") == []
    assert findings(roof, "snow", weather=roof.weather()) == []


def test_units_that_stand_by_are_not_under_snow() -> None:
    roof = make_roof(days=12, first=JANUARY, air_c=-3.0, kinds="cmcc")
    for u in range(5):
        roof.standby(u, roof.when(5, 6))
        roof.ac_volts[roof.when(5, 6), u] = 0.0
    assert {f.fault for f in findings(roof, weather=roof.weather())} == {"site-outage"}


def test_without_air_temperature_it_is_said_where_snow_is_possible() -> None:
    # A milder month: snow is possible, the estimate alone does not show it.
    cases = [case_of(make_roof(days=4, first=FIRST_DAY - back, latitude=47.0)) for back in (30, 45, 60)]
    reasons = {u.reason for case in cases for u in run_rule("snow", case).unjudged}
    assert "no air temperature" in reasons


def test_in_summer_nothing_needs_saying() -> None:
    assert not run_rule("snow", case_of(make_roof(days=4, first=FIRST_DAY + 40, latitude=47.0))).unjudged


def _thin(through: float = 0.16) -> Roof:
    """A cover that lets more light through than a thick overcast; two of eight inputs stay behind a day longer."""
    roof = make_roof(days=12, first=JANUARY, air_c=-3.0, kinds="cmcc", units=[["south", "south"]] * 4)
    for n in range(8):
        roof.scale(n, through, roof.when(5, 6 + (n < 2)))
    return roof


def test_inputs_that_come_back_one_by_one_were_under_snow(threshold: MoveThreshold) -> None:
    """No sensor: one dull day alone would be cloud, what stays behind after it is not."""
    case = case_of(_thin())
    found = {c.inputs[0]: c.days.sum() for c in run_rule("snow", case).candidates}
    assert found == {n: 3 if n < 2 else 2 for n in range(8)}
    _move(threshold, "DARK", 0.1)
    assert not run_rule("snow", case).candidates


def test_what_stayed_behind_before_too_has_another_cause() -> None:
    roof = _thin()
    for n in range(2):
        roof.scale(n, 0.6, roof.when(0, 4))
    assert not run_rule("snow", case_of(roof)).candidates


def test_another_plane_in_the_sun_shows_the_snow(threshold: MoveThreshold) -> None:
    """The west plane is steep and clear; the south one comes back everywhere at once."""
    roof = make_roof(days=12, first=JANUARY, air_c=-3.0, kinds="c")
    for n in range(6):
        roof.scale(n, 0.15, roof.when(5, 6))
    case = case_of(roof)
    assert {c.inputs[0] for c in run_rule("snow", case).candidates} == set(range(6))
    _move(threshold, "BESIDE", 0.01)
    assert not run_rule("snow", case).candidates
    _move(threshold, "BESIDE", 0.3)
    _move(threshold, "BRIGHT", 2.0)
    assert not run_rule("snow", case).candidates


def test_units_sleep_under_snow(threshold: MoveThreshold) -> None:
    roof = _snowed()
    for u in (0, 3):
        roof.silent(u, roof.when(5, 5))
    assert {f.fault for f in findings(roof)} == {"snow"}
    _move(threshold, "ASLEEP", 9.0)
    assert {f.fault for f in findings(roof, weather=roof.weather())} >= {"snow"}


def test_how_long_a_unit_must_be_unheard(threshold: MoveThreshold) -> None:
    """Heard for half of its first covered day."""
    roof = _snowed()
    roof.silent(0, roof.when(5, 5, 12, 24))
    case = case_of(roof)
    _move(threshold, "ASLEEP", 0.2)
    asleep = snowsky.Sky.of(case).asleep
    _move(threshold, "ASLEEP", 0.9)
    assert asleep[5, 0]
    assert not snowsky.Sky.of(case).asleep[5, 0]


def test_a_silent_gateway_after_a_dark_day_is_no_snow() -> None:
    roof = make_roof(days=12, first=JANUARY, air_c=-3.0, kinds="c")
    for n in range(10):
        roof.scale(n, 0.05, roof.when(4, 4))
    for u in range(5):
        roof.silent(u, roof.when(5, 7))
    assert all(c.days.sum() == 1 for c in run_rule("snow", case_of(roof)).candidates)
    assert {f.fault for f in findings(roof)} == {"gateway-silent"}


def test_the_afternoon_of_the_fall_belongs_to_it() -> None:
    roof = _snowed()
    for n in range(10):
        roof.scale(n, 0.03, roof.when(4, 4, 11.5, 24))
    case = case_of(roof)
    assert all(c.days[4] for c in run_rule("snow", case).candidates)


def test_units_that_fall_asleep_with_the_snow(threshold: MoveThreshold) -> None:
    roof = _snowed()
    for u in range(3):
        roof.silent(u, roof.when(4, 4, 11.0, 24))
    case = case_of(roof)
    first = {c.inputs[0]: bool(c.days[4]) for c in run_rule("snow", case).candidates}
    assert first == {n: n < 6 for n in range(10)}
    _move(threshold, "STILL", 9.0)
    assert not any(c.days[4] for c in run_rule("snow", case).candidates)


def test_one_dark_day_that_ends_everywhere_at_once_is_not_told() -> None:
    roof = make_roof(days=12, first=JANUARY, air_c=-3.0, kinds="c")
    for n in range(10):
        roof.scale(n, 0.06, roof.when(5, 5))
    assert run_rule("snow", case_of(roof)).candidates
    assert not findings(roof, "snow")


def test_a_plane_that_falls_silent_with_another_is_under_the_same_snow() -> None:
    """Units of the west plane sleep from the first hour; the south one shows the snow."""
    roof = _snowed()
    for u, last in ((3, 6), (4, 7)):
        roof.silent(u, roof.when(5, last))
    case = case_of(roof)
    found = {c.inputs[0]: int(c.days.sum()) for c in run_rule("snow", case).candidates}
    assert set(found) == set(range(10))
    assert {f.fault for f in findings(roof)} == {"snow"}


def test_units_of_a_plane_that_are_silent_alone_are_not_under_snow() -> None:
    roof = make_roof(days=12, first=JANUARY, air_c=-3.0, kinds="cmcc")
    for u in (3, 4):
        roof.silent(u, roof.when(5, 7))
    assert not run_rule("snow", case_of(roof)).candidates


def _slides(until: float = 11.5, trickle: float = 0.03) -> Roof:
    """One input alone: covered for a day, and until late the next morning."""
    roof = make_roof(days=12, first=JANUARY, air_c=-3.0, kinds="c", units=[["south"]])
    return roof.scale(0, trickle, roof.when(5, 5)).scale(0, trickle, roof.when(6, 6, 0, until))


def test_snow_that_slides_off_in_full_light_needs_no_sibling() -> None:
    found = [f for f in findings(_slides()) if f.days == 2]
    assert [f.fault for f in found] == ["snow"]


@pytest.mark.parametrize(("name", "value"), [("SLID_HOURS", 9.0), ("SLID_UNDER", 0.001), ("SLID_FREE", 2.0), ("SLID_LIGHT", 2.0)])
def test_what_sliding_is(threshold: MoveThreshold, name: str, value: float) -> None:
    case = case_of(_slides())
    assert snowspell._slid(case, 0, 6)
    assert not snowspell._slid(case, 0, 7)
    _move(threshold, name, value)
    assert not snowspell._slid(case, 0, 6)


def test_a_dead_input_on_dull_winter_days_is_no_sign_of_snow() -> None:
    """The others clear at once, and it never comes back."""
    roof = make_roof(days=14, first=JANUARY, air_c=0.0, kinds="c", units=[["south", "south"]] * 5)
    for n in range(10):
        roof.scale(n, 0.08, roof.when(5, 5))
    roof.dead(3, roof.when(5))
    roof.without |= {"dc_voltage_v"}
    assert not any(3 in c.inputs for c in run_rule("snow", case_of(roof)).candidates)
    assert {f.fault for f in findings(roof)} == {"dead-input"}


def test_a_roof_that_makes_nothing_while_its_sensor_sees_light_is_no_snow() -> None:
    """Snow lets a trickle through, and lets modules free one by one."""
    roof = make_roof(days=7, first=JANUARY, air_c=-3.0, kinds="c", units=[["south"]] * 4)
    for n in range(4):
        roof.scale(n, 0.0, roof.when(6))
    roof.without |= {"state", "dc_voltage_v", "ac_voltage_v"}
    assert not run_rule("snow", case_of(roof, roof.weather())).candidates
    for n in range(4):
        roof.power[roof.when(6), n] = 0.03 * roof.healthy[roof.when(6), n]
    assert run_rule("snow", case_of(roof, roof.weather())).candidates


def _deep(through: float, days: int = 3) -> Roof:
    """One plane that all comes back at once, and no sensor."""
    roof = make_roof(days=12, first=JANUARY, air_c=-3.0, kinds="c", units=[["south", "south"]] * 2)
    for n in range(4):
        roof.scale(n, through, roof.when(5, 4 + days))
    return roof


@pytest.mark.parametrize(("through", "days", "told"), [(0.012, 3, True), (0.05, 3, False), (0.012, 1, False)])
def test_no_cloud_is_so_dark_for_days(through: float, days: int, told: bool) -> None:
    assert bool(findings(_deep(through, days), "snow")) is told


def test_how_dark_and_how_long(threshold: MoveThreshold) -> None:
    case = case_of(_deep(0.012))
    sure = max(c.strength for c in run_rule("snow", case).candidates)
    for name, value in (("DEEP", 0.01), ("DEEP_DAYS", 9)):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(snowspell, name, type(snowspell.DEEP)(value, "", ""))
            assert max(c.strength for c in run_rule("snow", case).candidates) < sure
    _move(threshold, "OVERCAST", 0.02)
    assert not any(c.strength >= sure for c in run_rule("snow", case).candidates)


def test_a_wall_in_winter_is_darker_under_cloud() -> None:
    """A low sun stands right before it: the same cloud takes more of what a clear day gives."""
    roof = make_roof(days=4, first=JANUARY, kinds="c", latitude=52.0, planes={"south": (180.0, 89.0), "west": (180.0, 10.0)})
    dull = snowsky.Sky.of(case_of(roof)).dull[2]
    assert dull[0] < 0.4 * dull[1]


def test_units_asleep_on_the_last_day_stay_under_the_snow() -> None:
    """Their gateway hears others: it is their own silence."""
    roof = make_roof(days=12, first=JANUARY, air_c=-3.0, kinds="c")
    for n in range(6):
        roof.scale(n, 0.03, roof.when(5, 5))
    for u in range(3):
        roof.silent(u, roof.when(6, 6))
    found = findings(roof, weather=roof.weather())
    assert {(f.fault, f.days) for f in found} == {("snow", 2)}


def test_loss_where_nobody_was_free_and_no_sensor_saw_the_sky(threshold: MoveThreshold) -> None:
    """Under a cover of three per cent the inputs themselves say nothing of the sky: that of the days before stands for it."""
    roof = make_roof(days=12, first=JANUARY, kinds="m")
    for n in range(10):
        roof.scale(n, 0.03, roof.when(5, 7 + n % 3))
    true = roof.lost_wh()
    case = case_of(roof)
    assert sum(c.loss_wh.sum() for c in run_rule("snow", case).candidates) == pytest.approx(true, rel=0.4)
    threshold(rule, "LIKE_BEFORE", 0.1)
    assert sum(c.loss_wh.sum() for c in run_rule("snow", case).candidates) < 0.7 * true
