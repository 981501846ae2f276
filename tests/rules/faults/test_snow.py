from __future__ import annotations

import pytest

import rules.faults.snow as rule
from rules.case import Case
from rules.engine import judge
from tests.rules.conftest import MoveThreshold
from tests.rules.make import FIRST_DAY, Roof, case_of, findings, make_roof, run_rule

JANUARY = FIRST_DAY - 125


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
    assert {(f.unit, f.input): f.days for f in found if f.unit} == {
        (ref.unit, ref.input): 2 + ref.index % 3 for ref in case.inputs
    }
    assert sum(f.loss_wh_total for f in found) == pytest.approx(_snowed().lost_wh(), rel=0.2)
    assert {f.action for f in found} == {"none"}


def test_without_weather_the_season_says_it() -> None:
    found = findings(_snowed())
    assert {f.fault for f in found} == {"snow"}
    assert {f.evidence["cold_by"] for f in found} == {"season and latitude"}


@pytest.mark.parametrize(("name", "value"), [("COLD_C", -40.0), ("LOW", 0.0)])
def test_thresholds_count(case: Case, threshold: MoveThreshold, name: str, value: float) -> None:
    assert run_rule("snow", case).candidates
    threshold(rule, name, value)
    threshold(rule, "COVERED", rule.COVERED.value if name == "COLD_C" else 0.0)
    assert not run_rule("snow", case).candidates


def test_season_and_cover_count_without_weather(threshold: MoveThreshold) -> None:
    case = case_of(_snowed())
    assert run_rule("snow", case).candidates
    threshold(rule, "COVERED", 0.001)
    assert not run_rule("snow", case).candidates
    threshold(rule, "COVERED", 0.09)
    threshold(rule, "COLD_SEASON_C", -30.0)
    assert not run_rule("snow", case).candidates


def test_the_longest_spell_counts(case: Case, threshold: MoveThreshold) -> None:
    threshold(rule, "MAX_DAYS", 1)
    assert max(c.days.sum() for c in run_rule("snow", case).candidates) == 1


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
