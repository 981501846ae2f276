from __future__ import annotations

import numpy as np
import pytest

import rules.overheat as rule
from rules.overheat import overheated
from tests.rules.conftest import MoveThreshold
from tests.rules.make import Roof, case_of, findings, make_roof, only

#: The west plane is one unit's own.
UNITS = (("south",) * 2, ("south",) * 2, ("south",) * 2, ("west",) * 2)


def _hot(rise: float = 30.0, kept: float = 0.7, first: int = 6, kinds: str = "cccm") -> Roof:
    """Unit 4 hot from a day on and cut in its bright hours; others stay as they are."""
    roof = make_roof(days=16, kinds=kinds, units=UNITS)
    roof.heat[:] = 30.0 + 15.0 * roof.healthy[:, [0]] / 400.0
    when = roof.when(first)
    roof.heat[when, 3] += rise * roof.healthy[when, 6] / 400.0
    for n in roof.inputs_of(3):
        cut = np.where(roof.power[:, n] > 0.55 * 400.0, kept, 1.0)
        roof.scale(n, cut, when)
    return roof


def test_a_hot_unit_that_is_all_of_its_plane() -> None:
    roof = _hot()
    found = only(findings(roof))
    assert (found.fault, found.unit, found.input) == ("hot-derating", "U4", None)
    assert found.first_seen >= "2024-05-26"
    assert found.evidence["hot_ratio"] == pytest.approx(0.7, abs=0.06)
    assert found.loss_wh_total == pytest.approx(roof.lost_wh(), rel=0.35)


def test_heat_alone_is_no_fault() -> None:
    assert overheated(case_of(_hot(kept=1.0)), 3) is None


def test_loss_without_heat_is_none() -> None:
    assert overheated(case_of(_hot(rise=0.0)), 3) is None


def test_dirt_takes_from_dim_hours_too() -> None:
    roof = _hot(kept=1.0)
    for n in roof.inputs_of(3):
        roof.scale(n, 0.7, roof.when(6))
    assert overheated(case_of(roof), 3) is None


def test_of_one_plane_nobody_tells_the_sky() -> None:
    roof = make_roof(days=16, units=(("west",) * 2,), planes={"west": (265.0, 20.0)})
    assert overheated(case_of(roof), 0) is None


def test_what_cool_neighbours_lack_too_is_no_heat() -> None:
    roof = make_roof(days=16, kinds="cccm", units=(*UNITS, ("west",) * 2))
    when = roof.when(6)
    for n in (6, 7, 8, 9):
        roof.scale(n, np.where(roof.power[:, n] > 0.55 * 400.0, 0.7, 1.0), when)
    roof.heat[when, 3] += 40.0 * roof.healthy[when, 6] / 400.0
    roof.heat += 20.0
    assert overheated(case_of(roof), 3) is None


def test_hotter_than_on_its_own_sound_days() -> None:
    """All units hot from one day on, and one held down by it: no other tells that it is unduly hot."""
    roof = _hot()
    when = roof.when(6)
    roof.heat[when, :3] = roof.heat[when, 3:]
    assert overheated(case_of(roof), 3) is not None


@pytest.mark.parametrize(
    ("name", "value"),
    [("HOT_C", 120.0), ("BRIGHT", 2.0), ("SHORT", 0.6), ("DAYS", 99), ("MOST", 2.0), ("CEILING", -1.0)],
)
def test_thresholds_count(threshold: MoveThreshold, name: str, value: float) -> None:
    case = case_of(_hot())
    assert overheated(case, 3) is not None
    threshold(rule, name, value)
    assert overheated(case, 3) is None


def test_how_hot_is_unduly_hot_is_a_threshold(threshold: MoveThreshold) -> None:
    case = case_of(_hot())
    threshold(rule, "OVER_K", 90.0)
    assert overheated(case, 3) is not None
    threshold(rule, "JUMP_K", 90.0)
    assert overheated(case, 3) is None
    threshold(rule, "OVER_K", 10.0)
    assert overheated(case, 3) is not None
    threshold(rule, "OTHERS", 9)
    assert overheated(case, 3) is None


@pytest.mark.parametrize("others", [3, 6])
def test_many_others_tell_whether_it_is_the_day_that_is_hot(others: int) -> None:
    """All get hotter from one day on; few units may all lack air, of many the most are sound."""
    roof = make_roof(days=16, kinds="cccm", units=((("south",) * 2,) * others) + (("west",) * 2,))
    roof.heat[:] = 30.0 + 15.0 * roof.healthy[:, [0]] / 400.0
    when = roof.when(6)
    roof.heat[when] += 30.0 * roof.healthy[when][:, [-1]] / 400.0
    for n in roof.inputs_of(others):
        roof.scale(n, np.where(roof.power[:, n] > 0.55 * 400.0, 0.7, 1.0), when)
    assert (overheated(case_of(roof), others) is not None) is (others == 3)
