"""What lifetime counters say about a silence."""

from __future__ import annotations

import numpy as np
import pytest

from rules import counters
from rules.counters import counter_rise, daily_counters
from tests.rules.conftest import MoveThreshold
from tests.rules.make import Roof, case_of, make_roof


def _rise(roof: Roof, first: int, last: int) -> tuple[float, float]:
    case = case_of(roof)
    days = np.zeros(case.day_count, bool)
    days[first : last + 1] = True
    with np.errstate(invalid="ignore", divide="ignore"):
        return counter_rise(case, days, case.inputs_of_unit(1))


@pytest.mark.parametrize(("start", "end"), [(0, 24), (11, 15), (11, 24)])
def test_rise_is_what_was_made_in_silence(start: float, end: float) -> None:
    roof = make_roof(days=8)
    quiet = roof.when(3, 4, start, end)
    roof.silent(1, quiet)
    made = roof.power[np.ix_(quiet, [2, 3])].sum() / 12
    rise, clear = _rise(roof, 3, 4)
    assert rise == pytest.approx(made, rel=0.05)
    assert clear > 0.8 * made


def test_dark_is_dark() -> None:
    roof = make_roof(days=8)
    roof.silent(1, roof.when(3, 4))
    roof.power[np.ix_(roof.when(3, 4), [2, 3])] = 0.0
    rise, clear = _rise(roof, 3, 4)
    assert abs(rise) < 0.02 * clear


def test_no_answer_without_a_reading_after() -> None:
    roof = make_roof(days=8)
    roof.silent(1, roof.when(5))
    assert np.isnan(_rise(roof, 5, 7)).all()


def test_no_answer_without_counters() -> None:
    roof = make_roof(days=8)
    roof.silent(1, roof.when(3, 4))
    roof.without |= {"energy_total_wh"}
    assert np.isnan(_rise(roof, 3, 4)).all()


def test_no_answer_over_a_reset() -> None:
    roof = make_roof(days=8)
    roof.silent(1, roof.when(3, 4))
    at = int(np.flatnonzero(roof.when(4))[0])
    roof.counter_reset_at = {2: at, 3: at}
    rise, _ = _rise(roof, 3, 4)
    assert np.isnan(rise)


def test_no_days_no_answer() -> None:
    case = case_of(make_roof(days=3))
    assert np.isnan(counter_rise(case, np.zeros(3, bool), np.array([0]))).all()


@pytest.mark.parametrize("made", [True, False])
def test_the_soonest_heard_speak_for_a_silence_of_all(made: bool) -> None:
    """Unit 2 stays away for two days longer and works then: what it counts on those says nothing of the days before."""
    roof = make_roof(days=10)
    for u in range(5):
        roof.silent(u, roof.when(3, 6 if u == 1 else 4))
    if not made:
        roof.power[roof.when(3, 4)] = 0.0
    case = case_of(roof)
    days = np.isin(np.arange(case.day_count), (3, 4))
    with np.errstate(invalid="ignore", divide="ignore"):
        rise, clear = counter_rise(case, days, np.arange(10))
    soon = [n for n in range(10) if n not in roof.inputs_of(1)]
    assert rise == pytest.approx(roof.power[np.ix_(roof.when(3, 4), soon)].sum() / 12, abs=0.02 * clear)


def test_a_counter_that_starts_anew_each_day_tells_of_the_day_on_which_it_is_read_again() -> None:
    roof = make_roof(days=8)
    roof.counter_daily = True
    roof.silent(1, roof.when(2, 4, 0, 24) | roof.when(5, 5, 0, 12))
    made = roof.power[np.ix_(roof.when(5, 5, 0, 12), [2, 3])].sum() / 12
    case = case_of(roof)
    assert daily_counters(case).all()
    rise, clear = _rise(roof, 2, 5)
    assert rise == pytest.approx(made, rel=0.05)
    assert clear == pytest.approx(made, rel=0.15)  # of half a clear day; four whole ones give far more
    # Of whole days nobody read it on, it says nothing: neither that the roof produced nor that it was dark.
    assert np.isnan(_rise(roof, 2, 4)).all()


def test_a_counter_that_fell_once_is_a_lifetime_counter() -> None:
    roof = make_roof(days=8)
    roof.counter_reset_at = {2: int(np.flatnonzero(roof.when(4))[0])}
    assert not daily_counters(case_of(roof)).any()


@pytest.mark.parametrize(("name", "value"), [("DAILY", 1.01), ("DAILY_NIGHTS", 8.0), ("COUNTED", 20.0)])
def test_what_makes_a_daily_counter(name: str, value: float, threshold: MoveThreshold) -> None:
    roof = make_roof(days=8)
    roof.counter_daily = True
    threshold(counters, name, value)
    assert not daily_counters(case_of(roof)).any()
