from __future__ import annotations

import numpy as np
import pytest

import rules.unrest as rule
from rules.unrest import restless
from tests.rules.conftest import MoveThreshold
from tests.rules.make import Roof, case_of, findings, make_roof, only


def _stopping(roof: Roof, inputs: tuple[int, ...] = (2, 3), per_day: int = 5) -> Roof:
    """Stops of minutes at hours of chance, each a part of one quarter hour's mean power and of the next one's."""
    rng = np.random.default_rng(3)
    for day in range(4, 16):
        for start in rng.uniform(7.5, 16.5, per_day):
            part = float(rng.uniform(0.1, 0.5))
            for n in inputs:
                roof.scale(n, part, roof.when(day, day, start, start + 0.5))
    return roof


def _roof(kinds: str = "cmc") -> Roof:
    roof = make_roof(days=20, kinds=kinds, step=900)
    roof.without |= {"state"}
    return roof


def test_stops_that_no_row_shows() -> None:
    roof = _stopping(_roof())
    found = only(findings(roof))
    assert (found.fault, found.unit, found.input) == ("restart-cycling", "U2", None)
    assert (found.first_seen, found.last_seen) == ("2024-05-24", "2024-06-04")
    assert found.loss_wh_total == pytest.approx(roof.lost_wh(), rel=0.25)


def test_one_input_alone_does_not_stop_a_unit() -> None:
    assert not restless(case_of(_stopping(_roof(), inputs=(2,))))


def test_what_all_units_do_is_the_sites() -> None:
    assert not restless(case_of(_stopping(_roof(), inputs=tuple(range(10)))))


def test_clouds_are_nobodys() -> None:
    assert not restless(case_of(_roof("m")))


def test_what_stands_for_hours_is_standby() -> None:
    roof = _stopping(_roof())
    rng = np.random.default_rng(9)
    for day in range(4, 16):
        start = float(rng.uniform(6.0, 9.0))
        for begin in (start, start + 5.0):
            roof.standby(1, roof.when(day, day, begin, begin + 3.5))
    assert not restless(case_of(roof))


def test_a_shadow_keeps_its_hours() -> None:
    roof = _roof("c")
    for n in (2, 3):
        roof.shade(n, (90.0, 110.0), 70.0, 0.9)
        roof.shade(n, (170.0, 190.0), 80.0, 0.9)
        roof.shade(n, (245.0, 265.0), 70.0, 0.9)
    assert not restless(case_of(roof))


def test_heat_falls_once_a_day() -> None:
    roof = _roof("c")
    for n in (2, 3):
        roof.scale(n, 0.6, roof.when(0, 30, 11.0, 15.0))
    assert not restless(case_of(roof))


@pytest.mark.parametrize(
    ("name", "value"),
    [("FALL", 0.95), ("LIT", 2.0), ("PER_DAY", 9), ("DAYS", 99), ("FALLS", 999), ("SOUND", 1.0), ("WANDERS", 0.05), ("OTHERS", 9),
     ("STANDS", -1.0)],
)  # fmt: skip
def test_thresholds_count(threshold: MoveThreshold, name: str, value: float) -> None:
    case = case_of(_stopping(_roof()))
    assert list(restless(case)) == [1]
    threshold(rule, name, value)
    restless.cache_clear()  # type: ignore[attr-defined]
    assert not restless(case)


def test_who_else_is_restless_and_what_comes_back_late_are_thresholds(threshold: MoveThreshold) -> None:
    case = case_of(_stopping(_stopping(_stopping(_roof()), inputs=(0, 1), per_day=1), inputs=(4, 5, 6, 7, 8, 9), per_day=1))
    threshold(rule, "RARELY", 9.0)
    assert 1 in restless(case)
    threshold(rule, "RARELY", 0.0)
    restless.cache_clear()  # type: ignore[attr-defined]
    assert not restless(case)
    late = _stopping(_roof())
    rng = np.random.default_rng(5)
    for day in range(4, 16):
        for start in rng.uniform(7.5, 16.5, 4):
            for n in (2, 3):
                late.scale(n, 1.6, late.when(day, day, start, start + 0.5))
    assert not restless(case_of(late))
