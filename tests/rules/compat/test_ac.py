"""AC checks: rise worked by hand, and each limit seen to change the verdict."""

from __future__ import annotations

from typing import Any

import pytest
from conftest import read_profile

from rules.compat.ac import ac_checks
from rules.compat.grid import grid_checks
from rules.compat.profile import Profile
from rules.compat.result import Check


def _one(checks: Any, check_id: str) -> Check:
    (found,) = [c for c in checks if c.id == check_id]
    return found


def test_rise_by_hand(make_site: Any, iec: Profile) -> None:
    # 3 x 3.5 A; copper at 70 C is 1.1965 x its 20 C value: 6 mm² 3.685, 10 mm² 2.190 ohm/km.
    # Trunk 2 x 10.5 A x 10 m x 3.685e-3 = 0.774 V; line (7 + 3.5) A x 2 x 2 m x 3.685e-3 = 0.155 V;
    # service 2 x 10.5 A x 10 m x 2.190e-3 = 0.460 V.
    checks = list(ac_checks(make_site(), iec))
    branch = _one(checks, "branch-rise")
    assert branch.value == pytest.approx(100 * (0.7739 + 0.1548) / 230, rel=1e-3)
    total = _one(checks, "total-rise")
    assert total.value == pytest.approx(100 * (0.7739 + 0.1548 + 0.4598) / 230, rel=1e-3)
    window = _one(checks, "grid-window")
    assert window.value == pytest.approx(238 + 1.3885, abs=1e-3)
    assert "251.6 V" in window.note


@pytest.mark.parametrize(
    ("check_id", "key", "fail", "near", "passing"),
    [
        ("branch-units", "branches.A.max_units", 2, None, 3),
        ("branch-breaker", "branches.A.breaker_a", 10, 11, 16),
        ("branch-breaker", "inverters.i.max_ac_a", 6.7, 6.6, 6.0),
        ("branch-cable", "branches.A.ampacity_a", 19, None, 20),
        ("branch-rise", "branches.A.trunk_m", None, 40, 20),
        ("branch-rise", "branches.A.unit_spacing_m", None, 40, 10),
        ("total-rise", "service.length_m", 100, 75, 40),
        ("grid-window", "service.highest_v", 252, 250, 245),
        ("grid-window", "grid.high_v", 239, 240, 250),
        ("profile-fit", "grid.nominal_v", 120, None, 240),
        ("window-high", "grid.high_v", None, 260, 253),
        ("window-low", "grid.low_v", None, 190, 196),
        ("reconnect", "grid.reconnect_s", 20, None, 60),
    ],
)
def test_each_limit_changes_the_verdict(
    make_site: Any, iec: Profile, check_id: str, key: str, fail: Any, near: Any, passing: Any
) -> None:
    for verdict, value in (("fail", fail), ("near", near), ("pass", passing)):
        if value is None:
            continue
        site = make_site({key: value})
        check = _one([*ac_checks(site, iec), *grid_checks(site, iec)], check_id)
        assert check.verdict == verdict, (check_id, value, check.value, check.limit)


def test_continuous_current_share_of_a_code_changes_the_answer(make_site: Any, iec: Profile) -> None:
    # 125 % for continuous current is 80 % of the breaker: 10.5 A fits 13 A under one code, not the other.
    site = make_site({"branches.A.breaker_a": 13})
    assert _one(ac_checks(site, iec), "branch-breaker").verdict == "pass"
    other = _one(ac_checks(site, read_profile("na-240")), "branch-breaker")
    assert other.verdict == "fail"
    assert "carries 2 of these units" in other.change


def test_current_follows_from_the_rating(make_site: Any, iec: Profile) -> None:
    check = _one(ac_checks(make_site({"inverters.i.max_ac_a": None}), iec), "branch-breaker")
    assert check.value == pytest.approx(3 * 800 / 230)


def test_wire_gauge_and_aluminium(make_site: Any, iec: Profile) -> None:
    awg = {"branches.A.trunk_mm2": None, "branches.A.trunk_awg": 10}
    copper = _one(ac_checks(make_site(awg), iec), "branch-rise").value
    aluminium = _one(ac_checks(make_site(awg | {"branches.A.conductor": "aluminium"}), iec), "branch-rise").value
    assert copper is not None
    assert aluminium is not None
    # Resistivities 1/58 and 0.02826.
    assert aluminium / copper == pytest.approx(0.02826 * 58, rel=0.01)


def test_branches_are_judged_apart(make_site: Any, iec: Profile) -> None:
    checks = list(ac_checks(make_site({"units.2.branch": "B"}), iec))
    rows = {c.place: c for c in checks if c.id == "branch-rise"}
    assert rows["branch A, 2 units"].verdict == "pass"
    assert rows["branch B, 1 unit"].verdict == "unknown"
    assert "[branches.B] trunk_m" in rows["branch B, 1 unit"].change
    assert "unit_spacing_m" not in rows["branch B, 1 unit"].change


@pytest.mark.parametrize(
    ("key", "named"),
    [
        ("service.length_m", "[service] length_m"),
        ("branches.A.trunk_m", "[branches.A] trunk_m"),
        ("branches.A.unit_spacing_m", "[branches.A] unit_spacing_m"),
        ("branches.A.trunk_mm2", "[branches.A] trunk_mm2 or trunk_awg"),
    ],
)
def test_a_missing_length_is_named(make_site: Any, iec: Profile, key: str, named: str) -> None:
    check = _one(ac_checks(make_site({key: None}), iec), "grid-window")
    assert check.verdict == "unknown"
    assert named in check.change


def test_after_an_outage_patience_is_wait_and_ramp(make_site: Any) -> None:
    # IEEE 1547-2018 defaults: 300 s, then up to 300 s of ramp: ten minutes are normal.
    site = make_site({"grid.reconnect_s": None, "grid.nominal_v": 240})
    check = _one(grid_checks(site, read_profile("na-240")), "after-outage")
    assert check.value == 600.0
    assert check.verdict == "pass"
    assert "m on i, 6 inputs at" in check.note
