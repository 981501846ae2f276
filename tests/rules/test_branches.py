"""What all units of a branch share is told of each with the branch as the common cause."""

from __future__ import annotations

import pytest

import rules.branches
from rules.finding import Finding
from tests.rules.conftest import MoveThreshold
from tests.rules.make import Roof, findings, make_roof


def _two_branches() -> Roof:
    """U1 to U3 on branch B1, U4 and U5 on B2."""
    return make_roof(days=10, branches=("B1", "B1", "B1", "B2", "B2"))


def _shared(found: list[Finding]) -> dict[str | None, str | None]:
    return {f.unit: f.evidence.get("common_cause", {}).get("name") for f in found}


def test_a_breaker_that_fell_is_told_of_its_branch(threshold: MoveThreshold) -> None:
    roof = _two_branches()
    for u in (0, 1, 2):
        roof.standby(u, roof.when(4, 6))
        roof.ac_volts[roof.when(4, 6), u] = 0.0
    found = findings(roof)
    assert {f.fault for f in found} == {"unit-standby"}
    assert _shared(found) == {"U1": "B1", "U2": "B1", "U3": "B1"}
    assert all("3 units of branch B1 are alike" in f.why and "breaker" in f.why for f in found)
    assert all(f.evidence["common_cause"]["units"] == ["U1", "U2", "U3"] for f in found)
    # Losses are counted once: each unit its own.
    assert sum(f.loss_wh_total for f in found) == pytest.approx(roof.lost_wh(), rel=0.2)
    threshold(rules.branches, "ALIKE", 1.1)
    assert set(_shared(findings(roof)).values()) == {None}


def test_some_units_of_a_branch_stand_for_themselves(threshold: MoveThreshold) -> None:
    roof = _two_branches()
    for u in (0, 1):
        roof.standby(u, roof.when(4, 6))
    assert _shared(findings(roof)) == {"U1": None, "U2": None}
    threshold(rules.branches, "NEARLY_ALL", 0.6)
    assert _shared(findings(roof)) == {"U1": "B1", "U2": "B1"}


def test_units_down_on_other_days_share_nothing() -> None:
    roof = _two_branches()
    for u in (3, 4):
        roof.standby(u, roof.when(2 * (u - 2), 2 * (u - 2) + 1))
    assert _shared(findings(roof)) == {"U4": None, "U5": None}
