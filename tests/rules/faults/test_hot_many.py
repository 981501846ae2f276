"""Units of one plane that all fall with their heat: many at once must prove it."""

from __future__ import annotations

import numpy as np
import pytest

import rules.faults.hot_derating as rule
import rules.heatcurve as heatcurve
from rules.case import Case
from tests.rules.conftest import MoveThreshold
from tests.rules.make import case_of, make_roof, run_rule

#: Shares of clear sky in bins of 5 K from 40 Celsius on; 2 to 5 % a kelvin is common practice for derating.
DEEP, SLIGHT = (1.0, 1.0, 1.0, 0.9, 0.8), (1.0, 1.0, 1.0, 0.92, 0.895)


def _alike(units: int, share: tuple[float, ...] = DEEP, days: int = 10) -> Case:
    """``units`` of one plane, all with one course over their heat, on ``days`` of ten."""
    case = case_of(make_roof(days=10, kinds="c", units=[["south", "south"]] * units))
    fields = case.table.fields
    light = np.zeros(case.table["heat_light"][0, 0].shape)
    light[: len(share)] = 1.0
    for u in range(units):
        fields["heat_light"][:, u] = light
        fields["heat_light"][days:, u, 3:] = 0.0  # the other days stay cool
        fields["heat_power"][:, u] = 0.0
        fields["heat_power"][:, u, : len(share)] = share
        fields["heat_power"][:, u] *= fields["heat_light"][:, u]
        fields["heat_typical"][:, u] = fields["heat_power"][:, u]
    return case


def _told(case: Case) -> int:
    return len(run_rule("hot-derating", case).candidates)


def test_a_plane_of_many_hot_units_is_told_when_deep_and_lasting() -> None:
    assert _told(_alike(4)) == 4


@pytest.mark.parametrize(("share", "days"), [(SLIGHT, 10), (DEEP, 7)])
def test_many_that_fall_a_little_or_for_a_week_are_haze_or_dirt(share: tuple[float, ...], days: int) -> None:
    assert _told(_alike(4, share, days)) == 0
    # Up to three may be so warm each for itself.
    assert _told(_alike(3, share, days)) == 3


@pytest.mark.parametrize(
    ("name", "value", "share", "days"),
    [("MANY", 4, SLIGHT, 10), ("MANY_DEEP", 0.93, SLIGHT, 10), ("MANY_DAYS", 7, DEEP, 7)],
)
def test_thresholds_count(threshold: MoveThreshold, name: str, value: float, share: tuple[float, ...], days: int) -> None:
    case = _alike(4, share, days)
    threshold(rule, name, value)
    assert _told(case) == 4


def test_many_that_sink_from_their_coolest_hours_on_follow_the_sky() -> None:
    """Derating begins at a limit (2 to 5 % a kelvin beyond it, common practice): under it there is a shelf."""
    slope = (1.0, 1.0, 0.94, 0.9, 0.85)
    assert _told(_alike(4, slope)) == 0
    assert _told(_alike(3, slope)) == 3


@pytest.mark.parametrize(("swing_k", "told"), [(1.0, 1), (4.0, 0)])
def test_a_unit_that_holds_one_heat_day_after_day_is_told_by_less(swing_k: float, told: int) -> None:
    """It gives 5 to 6 % less in its hottest hours: within what the models miss by, but only a limit pins its heat."""
    case = _alike(1, (1.0, 1.0, 1.0, 0.97, 0.945))
    case.table.fields["temp_max"][:, 0] = 76.0 + swing_k * np.resize([-1.0, 1.0], 10)
    assert _told(case) == told
    for name, value in (("PINNED_K", 9.0), ("FALL", 0.045)):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(heatcurve, name, type(rule.MANY)(value, "", ""))
            assert _told(case) == 1
    for name, value in (("PINNED_FALL", 0.07), ("PINNED_DAYS", 11), ("PINNED_C", 80.0), ("PINNED_BRIGHT", 1.0)):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(heatcurve, name, type(rule.MANY)(value, "", ""))
            assert _told(case) == 0


@pytest.mark.parametrize(("swing_k", "told"), [(1.0, 4), (4.0, 0)])
def test_many_that_hold_one_heat_need_not_fall_so_deep(swing_k: float, told: int) -> None:
    """Neither haze nor a model pins the heat of units; their limits do."""
    case = _alike(4, SLIGHT)
    case.table.fields["temp_max"][:] = 76.0 + swing_k * np.resize([-1.0, 1.0], 10)[:, None]
    assert _told(case) == told
