"""The cost of shade against what the roof lost; its beam and its sky's own light are pvlib's."""

from __future__ import annotations

import numpy as np
import pytest

import rules.shadeloss
import rules.shademap
from rules.days import with_neighbours
from tests.rules.conftest import MoveThreshold
from tests.rules.make import Roof, case_of, make_roof, run_rule

_HIDDEN = 0.25


def _told_over_true(roof: Roof, n: int) -> float:
    found = {c.inputs[0]: c for c in run_rule("shading", case_of(roof)).candidates}
    return float(found[n].loss_wh.sum()) / roof.lost_wh([n])


def _beside_a_wall() -> Roof:
    """A wall hides the morning's sun, and a quarter of an even sky at all hours (view factor: Liu and Jordan, from memory)."""
    roof = make_roof(days=14, kinds="cmo").shade(2, (80.0, 115.0), 50.0, 0.95)
    return roof.scale(2, 1.0 - _HIDDEN * (1.0 - roof.beam_share[:, 2]), np.ones(len(roof.ts), bool))


def test_the_sky_that_is_hidden_for_good_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    roof = _beside_a_wall()
    # The rules count the brightening around the sun with the beam: less of the sky is left to hide.
    assert _told_over_true(roof, 2) == pytest.approx(1.0, abs=0.12)
    monkeypatch.setattr(rules.shadeloss, "_MOST_HIDDEN", 0.0)
    assert _told_over_true(roof, 2) < 0.8


def test_how_much_of_the_sky_is_hidden() -> None:
    case = case_of(_beside_a_wall())
    shade = rules.shademap.shade_map(case)
    hidden, level = rules.shadeloss._hidden_sky(case, shade, with_neighbours(rules.shademap.falling(shade, shade.shaded)))
    assert hidden[2] == pytest.approx(_HIDDEN, abs=0.05)
    assert level[2] > 1.02
    others = np.arange(len(case.inputs)) != 2
    assert np.all(hidden[others] < 0.02)


def _edge_wanders(members: int) -> Roof:
    """All but one stand in a shadow whose edge reaches each five degrees after the one before: the typical one, too."""
    roof = make_roof(days=12, kinds="cm", units=[["south"]] * members)
    for n in range(members - 1):
        roof.shade(n, (80.0 + 5.0 * n, 120.0 + 5.0 * n), 50.0, 0.9)
    return roof


@pytest.mark.parametrize("members", [3, 4])
def test_mates_in_the_same_shadow_are_no_measure(threshold: MoveThreshold, members: int) -> None:
    roof = _edge_wanders(members)
    assert _told_over_true(roof, 0) == pytest.approx(1.0, abs=0.03)
    threshold(rules.shadeloss, "FREE_MATE", 1.0)  # all are taken for free ones
    assert _told_over_true(roof, 0) < 0.94


def test_without_a_shadow_nothing_is_lifted() -> None:
    case = case_of(make_roof(days=6))
    shade = rules.shademap.shade_map(case)
    assert np.all(rules.shadeloss._mates_lift(case, shade, shade.shaded) == 1.0)
