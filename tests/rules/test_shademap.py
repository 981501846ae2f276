"""Shade held against the beam: what is a witness, what is a shadow, and what it costs."""

from __future__ import annotations

import numpy as np
import pytest

import rules.openness
from rules import shademap
from rules.case import Case
from rules.shademap import shade_map
from tests.rules.conftest import MoveThreshold
from tests.rules.make import Roof, case_of, findings, make_roof, run_rule

FAR = {"south": (135.0, 30.0), "west": (265.0, 30.0)}
EAST, HIGH = (80.0, 130.0), 55.0


def _shaded(roof: Roof, inputs: tuple[int, ...], depth: float = 0.9) -> Roof:
    """A tree in the east before some inputs; each sees it a little further south than the one before."""
    for k, n in enumerate(inputs):
        roof.shade(n, (EAST[0] + 4 * k, EAST[1] + 4 * k), HIGH, depth)
    return roof


def _labels(roof: Roof) -> set[str]:
    return {f.place for f in findings(roof, "shading")}


def test_open_modules_speak_for_a_shaded_plane(threshold: MoveThreshold) -> None:
    """Eight of ten stand in shade at the same hours: the typical one does too."""
    roof = _shaded(make_roof(days=12, kinds="c", units=[["south"] * 2] * 5), tuple(range(8)))
    assert _labels(roof) == {f"U{u}/{i}" for u in (1, 2, 3, 4) for i in (1, 2)}
    assert sum(f.loss_wh_total for f in findings(roof, "shading")) == pytest.approx(roof.lost_wh(), rel=0.15)
    case = case_of(roof)
    assert case.sibling_lift.max() > 2
    threshold(rules.openness, "OPEN_FIT", 0.0)
    assert case_of(roof).sibling_lift.max() == 1.0


def test_siblings_that_all_lose_alike_stand_before_no_obstacle() -> None:
    roof = make_roof(days=12, kinds="c", units=[["south"] * 2] * 3)
    for n in range(6):
        roof.shade(n, EAST, HIGH, 0.9)
    assert not findings(roof, "shading")


def test_a_shadow_costs_on_broken_days_too() -> None:
    """One clear day in three: most of the loss falls on days that are not clear."""
    roof = _shaded(make_roof(days=18, kinds="cmm"), (2,))
    found = findings(roof, "shading")
    assert [f.place for f in found] == ["U2/1"]
    assert found[0].loss_wh_total == pytest.approx(roof.lost_wh(), rel=0.12)


def test_the_last_hours_of_a_shadow_count_though_they_do_not_repeat(threshold: MoveThreshold) -> None:
    """Its edge runs on by twelve degrees of azimuth a day: the later hours are in shade on the last days only."""
    roof = make_roof(days=12, kinds="c")
    day = (roof.ts - roof.ts[0]) // 86400
    hidden = (roof.sun_azimuth > 110) & (roof.sun_azimuth < 150 + 12 * day)
    roof.scale(2, np.where(hidden, 1 - 0.9 * roof.beam_share[:, 2], 1.0), np.ones(len(roof.ts), bool))
    case = case_of(roof)

    def lost() -> float:
        return float(run_rule("shading", case).candidates[0].loss_wh.sum())

    assert lost() == pytest.approx(roof.lost_wh(), rel=0.03)
    threshold(shademap, "BESIDE", 0)
    assert lost() < 0.95 * roof.lost_wh()


def test_a_shadow_behind_a_wrong_clock_keeps_its_direction() -> None:
    right = findings(_shaded(make_roof(), (2,)), "shading")
    roof = _shaded(make_roof(), (2,))
    roof.shift_s = np.full(len(roof.ts), 3600.0)
    found = findings(roof, "shading")
    assert [f.place for f in found] == ["U2/1"]
    # An hour is 15 degrees of the sun's turn and more: uncorrected, the direction would be off by that.
    assert found[0].evidence["direction_deg"] == pytest.approx(right[0].evidence["direction_deg"], abs=6)


def test_two_clocks_on_one_plane_cast_no_shadow() -> None:
    roof = make_roof(units=[["south"] * 2] * 4, gateways=["G1", "G1", "G2", "G2"])
    # Times of the second gateway's units only: their rows are moved by two bins of half an hour.
    late = int(3600 / roof.step)
    for column in (roof.power, roof.volts):
        column[:, 4:] = np.roll(column[:, 4:], late, axis=0)
    assert {f.fault for f in findings(roof)} <= {"clock-shift"}


def test_a_record_of_another_plane_is_neither_shade_nor_witness(threshold: MoveThreshold) -> None:
    roof = make_roof(planes=FAR, rated_va=None)
    for column in (roof.power, roof.volts):
        column[:, [1, 7]] = column[:, [7, 1]]
    assert not run_rule("shading", case_of(roof)).candidates
    case = case_of(roof)
    assert set(np.flatnonzero(case.foreign.any(axis=0))) == {1, 7}
    threshold(rules.openness, "FOREIGN_MORE", 9.0)
    assert not case_of(roof).foreign.any()


def test_a_frozen_input_is_not_in_shade() -> None:
    roof = make_roof(days=14, kinds="c")
    roof.freeze(2, roof.when(2, 11, 8.0, 16.0))
    assert not run_rule("shading", case_of(roof)).candidates


def test_a_low_ceiling_in_broken_cloud_is_not_shade() -> None:
    """Clipped for minutes, a quarter hour's mean lies below the ceiling and below open siblings."""
    roof = make_roof(days=14, kinds="mmc", rated_va=None, units=[["south"]] * 6)
    roof.power[:, 0] = np.minimum(roof.power[:, 0], 0.55 * 400.0)
    coarse = roof.power.reshape(-1, 6, roof.power.shape[1]).mean(axis=1).repeat(6, axis=0)
    roof.power[:] = coarse
    assert not run_rule("shading", case_of(roof)).candidates


def test_a_beam_s_share_lies_between_none_and_all(healthy_case: Case) -> None:
    share = healthy_case.beam_share
    assert share.min() >= 0.0
    assert share.max() <= 1.0
    noon = np.abs(np.arange(48) - 24) < 3
    bright = np.nan_to_num(healthy_case.sky_index) > 0.95
    # A clear sky's beam is some 80 to 90 % of its light in a plane that faces the sun (common practice).
    assert 0.75 < np.median(share[:, 0][bright & noon[None, :]]) < 1.0
    dull = np.nan_to_num(healthy_case.sky_index, nan=9.0) < 0.3
    assert np.median(share[:, 0][dull & noon[None, :]]) < 0.1


def test_two_inputs_need_three_sunny_days() -> None:
    """Of two there is no third to say which of them is wrong."""
    site = [["south"] * 2]
    roof = make_roof(days=2, kinds="c", units=site, planes={"south": (180.0, 30.0)})
    roof.shade(1, (100.0, 160.0), 60.0, 0.8)
    assert not shade_map(case_of(roof)).told.any()
    longer = make_roof(days=4, kinds="c", units=site, planes={"south": (180.0, 30.0)})
    longer.shade(1, (100.0, 160.0), 60.0, 0.8)
    assert shade_map(case_of(longer)).shaded[:, 1].any()


def test_days_under_snow_are_no_evidence_of_shade(threshold: MoveThreshold) -> None:
    """One module of four stays covered for ten days, and is as dark at its open hours: the tree is seen on the others."""
    roof = make_roof(days=14, kinds="c", air_c=-4.0, units=[["south"] * 2] * 2)
    _shaded(roof, (2,))
    roof.scale(2, 0.4, roof.when(2, 7))
    case = case_of(roof)
    assert shade_map(case).shaded[9:, 2].any()
    assert not shade_map(case).sunny[2:7, 2].any()
    threshold(shademap, "LOW_OPEN", 0.0)
    assert shade_map(case).sunny[2:7, 2].any()
