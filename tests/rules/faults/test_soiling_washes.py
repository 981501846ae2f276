"""What a rain takes of a whole roof at once, where nothing tells how fast it had gathered."""

from __future__ import annotations

import numpy as np
import pytest

import rules.washes as washes
from rules.case import Case
from tests.rules.conftest import MoveThreshold
from tests.rules.make import Roof, case_of, make_roof, only, run_rule

RAIN = 9  # the day without sun
SKY = "c" * RAIN + "o" + "c" * 10


def _roof(lies: float = 0.15, kinds: str = SKY, planes: tuple[str, ...] = ("south",), **options: object) -> Roof:
    """Dirt that small rains held as it was on ``planes``, and one rain that took it."""
    roof = make_roof(days=len(kinds), kinds=kinds, **options)  # type: ignore[arg-type]
    for ref in roof.site.inputs:
        if ref.plane in planes:
            roof.scale(ref.index, np.where(roof.day <= RAIN, 1 - lies, 1.0), roof.when())
    return roof


ONE = {"units": [["south"] * 2] * 3}


def _case(roof: Roof, air: bool = True) -> Case:
    case = case_of(roof, roof.weather(air=air))
    assert case.sensor_trust[0]
    return case


def _told(case: Case) -> set[str | None]:
    return {c.plane for c in run_rule("soiling", case).candidates}


def test_a_rain_tells_how_much_lay_there() -> None:
    """No slope to see: 15 % stayed for nine days and went overnight."""
    roof = _roof(**ONE)
    found = only(run_rule("soiling", _case(roof)).candidates)
    assert (found.plane, found.evidence["resets"]) == ("south", 1)
    assert found.evidence["drop"] == pytest.approx(0.15, abs=0.02)
    assert "slope_per_day" not in found.evidence
    assert found.loss_wh[: RAIN + 1].sum() > 0.8 * found.loss_wh.sum()  # rain leaves a little (from memory)
    assert found.loss_wh.sum() == pytest.approx(roof.lost_wh(), rel=0.25)


@pytest.mark.parametrize(
    ("roof", "options"),
    [
        ({"lies": 0.07}, {}),  # a cold front and the sensor's error make as much
        ({"kinds": "c" * 20}, {}),  # nothing fell from a blue sky
        ({"air_c": -2.0}, {}),  # snow that slid
        ({"lies": 0.6}, {}),  # no dirt takes so much
    ],
)
def test_what_else_gives_a_roof_more_at_once_is_none(roof: dict[str, object], options: dict[str, object]) -> None:
    assert not _told(_case(_roof(**(ONE | roof | options))))  # type: ignore[arg-type]


def test_rain_washes_all_planes(threshold: MoveThreshold) -> None:
    both = {"units": [["south"] * 2] * 2 + [["west"] * 2] * 2}
    assert _told(_case(_roof(planes=("south", "west"), **both))) == {"south", "west"}
    one = _case(_roof(**both))
    assert not _told(one)  # somebody mended something there
    threshold(washes, "TOGETHER", -1.0)
    assert "south" in _told(one)


def test_what_comes_back_by_itself_before_was_no_dirt(threshold: MoveThreshold) -> None:
    """A sensor that reads less from day to day lifts all that is held against it."""
    roof = _roof(lies=0.0, **ONE)
    for ref in roof.site.inputs:
        roof.scale(ref.index, np.where(roof.day <= RAIN, 0.78 + 0.012 * roof.day, 1.0), roof.when())
    case = _case(roof)
    assert not _told(case)
    threshold(washes, "RISING", 2.0)
    assert _told(case) == {"south"}


@pytest.mark.parametrize(
    ("name", "value"),
    [("STEP", 0.3), ("ABOVE_NOISE", 40.0), ("APART", 1.2), ("DULLEST", 0.05), ("BETWEEN", 1), ("SIDE_DAYS", 11), ("RISING", -1.0)],
)
def test_thresholds_count(threshold: MoveThreshold, name: str, value: float) -> None:
    case = _case(_roof(**ONE))
    assert _told(case) == {"south"}
    threshold(washes, name, value)
    assert not _told(case)


def test_a_guessed_sky_needs_a_greater_step_and_may_hide_a_week(threshold: MoveThreshold) -> None:
    week = "c" * RAIN + "o" * 6 + "c" * 6
    roof = _roof(lies=0.2, kinds=week, **ONE)
    for ref in roof.site.inputs:
        roof.scale(ref.index, 0.8, roof.when(first=RAIN + 1, last=RAIN + 5))
    case = case_of(roof)
    assert not case.sensor_trust[0]
    assert _told(case) == {"south"}
    threshold(washes, "GUESSED_STEP", 0.25)
    assert not _told(case)
    threshold(washes, "GUESSED_STEP", 0.13)
    threshold(washes, "GUESSED_BETWEEN", 5)
    assert not _told(case)


def test_a_plane_with_no_days_beside_the_rain_is_not_told(threshold: MoveThreshold) -> None:
    """Of eight days each way it must have two that tell."""
    level = np.r_[np.full(9, 0.85), np.nan, np.full(10, 1.0)]
    assert washes._step_at(level, 8, 10) == pytest.approx(0.15)
    assert washes._step_at(np.where(np.arange(20) < 8, level, np.nan), 8, 10) is None
    threshold(washes, "NEAR", 0)
    assert washes._step_at(level, 8, 10) is None
