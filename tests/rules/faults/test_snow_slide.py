"""Snow that fell overnight and slid off one module after the other: no whole day is dark."""

from __future__ import annotations

import pytest

from rules import snowsky, snowslide
from tests.rules.make import FIRST_DAY, Roof, case_of, make_roof, run_rule

JANUARY = FIRST_DAY - 125


def _morning(until: tuple[float, ...], air_c: float = -4.0, every_day: bool = False) -> Roof:
    """Six modules on one plane, under snow on the seventh morning up to these solar hours; a thin cover lets a sixth through."""
    roof = make_roof(days=12, first=JANUARY, air_c=air_c, kinds="c", units=[["south", "south"]] * 3)
    for n, hour in enumerate(until):
        for day in range(12) if every_day else (6,):
            roof.scale(n, 0.17, roof.when(day, day, 0, hour))
    return roof


def _covered(roof: Roof, sensor: bool = True) -> set[int]:
    case = case_of(roof, roof.weather() if sensor else roof.weather(ghi=False))
    return {n for c in run_rule("snow", case).candidates for n in c.inputs}


APART = (11.0, 12.0, 13.0, 14.0, 14.5, 10.0)


def test_what_slides_off_by_and_by_is_snow() -> None:
    assert _covered(_morning(APART)) >= {1, 2, 3, 4}


def test_all_at_once_is_frost_or_cloud() -> None:
    assert not _covered(_morning((12.0,) * 6))


def test_what_comes_back_every_morning_is_shade() -> None:
    assert not _covered(_morning(APART, every_day=True))


def test_in_the_warm_there_is_no_snow() -> None:
    assert not _covered(_morning(APART, air_c=15.0))


def test_without_a_sensor_nobody_saw_the_light() -> None:
    roof = _morning(APART)
    assert not snowslide.slid_free(case_of(roof, roof.weather(ghi=False))).any()


@pytest.mark.parametrize(
    ("name", "value"),
    [("LIGHT", 2.0), ("UNDER", 0.1), ("FREE", 2.0), ("HOURS", 9.0), ("MOST", 1.1), ("APART", 9.0), ("FREED", 7), ("SELDOM", -1.0)],
)
def test_thresholds_count(monkeypatch: pytest.MonkeyPatch, name: str, value: float) -> None:
    roof = _morning(APART)
    assert snowslide.slid_free(case_of(roof, roof.weather()))[:, 0].tolist() == [day == 6 for day in range(12)]
    monkeypatch.setattr(snowslide, name, type(snowslide.HOURS)(value, "", ""))
    assert not snowslide.slid_free(case_of(roof, roof.weather())).any()


def _from_dull_days(left: float) -> Roof:
    """Two dull days, two with ``left`` of the light on all, one on which the first module is free; then sun."""
    roof = make_roof(days=14, first=JANUARY, air_c=-4.0, kinds="oo" + "c" * 12, units=[["south", "south"]] * 3)
    for n in range(6):
        roof.scale(n, left, roof.when(2, 3 if n == 0 else 4))
    return roof


def test_a_record_that_begins_in_dull_weather_is_known_by_its_later_days(monkeypatch: pytest.MonkeyPatch) -> None:
    assert _covered(_from_dull_days(0.12), sensor=False) == set(range(1, 6))
    monkeypatch.setattr(snowsky, "LATER_DAYS", type(snowsky.LATER_DAYS)(99, "", ""))
    assert not _covered(_from_dull_days(0.12), sensor=False)
    # Darker than any sky: that the sun came back at once is enough.
    assert _covered(_from_dull_days(0.015), sensor=False) == set(range(6))
