"""The scorer itself: an oracle scores full marks, silence scores none, and each rule of matching bites."""

from __future__ import annotations

import json
import tomllib
from typing import Any

import numpy as np
import pytest

from sample_logs.sim import SimSite, make_site
from tests.scenarios import score
from tests.scenarios.library import FAMILIES, SEALED_FROM, TRAIN_UNTIL, Scenario, scenarios
from tests.scenarios.matching import Claim, claims_of, day_grid, true_faults
from tests.scenarios.measure import HEALTHY, PRODUCT, SiteMeasure, Tally, _tally
from tests.scenarios.peers import control_chart, naive
from tests.scenarios.summary import summarise


@pytest.fixture(scope="module")
def site() -> SimSite:
    return make_site(3, "dead-input", days=8, inputs=8, step_s=900, style={"columns": "all", "packet_loss": 0.0})


def _oracle(site: SimSite) -> list[Claim]:
    return [Claim(t.fault, t.inputs, frozenset(range(t.first, t.last + 1)), 1.0, t.lost_wh) for t in true_faults(site)]


def _judged(site: SimSite, claims: list[Claim]) -> dict[str, Any]:
    tally = _tally(site, day_grid(site), claims, [])
    return summarise([SiteMeasure(Scenario("x", 0), {PRODUCT: tally}, 0.0, 0)], PRODUCT)


@pytest.mark.parametrize("profile", ["dead-input", "shading", "gateway-silent", "mixed-many", "unit-standby"])
def test_an_oracle_scores_full_marks(profile: str) -> None:
    made = make_site(2, profile, days=8, inputs=8, step_s=900)
    result = _judged(made, _oracle(made))
    assert result["macro_f1"]["value"] == 1.0
    assert not result["false_per_1000"]["value"]  # None where a fault spans the whole site and record
    if result["lost_kwh"]:
        assert result["named"]["value"] > 0.9
        assert result["loss_error"]["value"] == pytest.approx(0.0, abs=1e-6)


def test_silence_finds_nothing_and_disturbs_nobody(site: SimSite) -> None:
    result = _judged(site, [])
    assert result["faults"]["dead-input"]["recall"]["value"] == 0.0
    assert result["specificity"]["value"] == 1.0
    assert result["noticed"]["value"] == 0.0


def test_a_wrong_name_is_noticed_but_not_named(site: SimSite) -> None:
    claims = [Claim("shading", c.inputs, c.days, 0.9) for c in _oracle(site)]
    result = _judged(site, claims)
    assert result["noticed"]["value"] > 0.9
    assert result["named"]["value"] == 0.0
    assert result["faults"]["shading"]["precision"]["value"] == 0.0


def test_a_claim_over_everybody_is_not_right_for_one(site: SimSite) -> None:
    everyone = frozenset(range(len(site.keys)))
    wide = [Claim("dead-input", everyone, c.days, 0.9) for c in _oracle(site)]
    tally = _tally(site, day_grid(site), wide, [])
    assert tally.events["dead-input"][3] == 0
    assert tally.false_days > 0


def test_days_far_off_do_not_match(site: SimSite) -> None:
    off = [Claim(c.fault, c.inputs, frozenset(d - 40 for d in c.days), 0.9) for c in _oracle(site)]
    assert _tally(site, day_grid(site), off, []).events["dead-input"][1] == 0


def test_healthy_days_have_no_fault_in_them(site: SimSite) -> None:
    grid = day_grid(site)
    for t in true_faults(site):
        if t.fault != "clipping":
            assert not grid.healthy[t.first - grid.day0 : t.last - grid.day0 + 1, sorted(t.inputs)].any()
    tally = _tally(site, grid, [], [])
    assert tally.confusion[(HEALTHY, HEALTHY)] == grid.healthy.sum() > 0


def test_places_expand_to_inputs(site: SimSite) -> None:
    parsed = tomllib.loads(site.toml)
    unit = parsed["units"][0]["serial"]
    plane = parsed["units"][0]["inputs"][0]["plane"]
    base: dict[str, Any] = {
        "fault": "shading",
        "gateway": None,
        "unit": None,
        "input": None,
        "plane": None,
        "first_seen": "2024-01-01",
        "last_seen": "2024-01-03",
        "confidence": 0.7,
        "loss_wh_total": 1.0,
        "evidence": {},
    }

    def inputs(**change: object) -> set[tuple[str, int]]:
        claim = claims_of([{**base, **change}], parsed, site.keys)[0]
        return {site.keys[i] for i in claim.inputs}

    assert inputs() == set(site.keys)
    assert inputs(unit=unit) == {k for k in site.keys if k[0] == unit}
    assert inputs(unit=unit, input=1) == {(unit, 1)}
    on_plane = {(u["serial"], i["input"]) for u in parsed["units"] for i in u["inputs"] if i["plane"] == plane}
    assert inputs(plane=plane) == on_plane
    claim = claims_of([base], parsed, site.keys)[0]
    assert len(claim.days) == 3


def test_the_naive_peer_does_what_it_says() -> None:
    energy = np.array([[5.0, 5.0, 3.0, 0.1, 0.0]] * 3)
    rows = np.array([[40, 40, 40, 40, 0]] * 3)
    said = {(c.fault, next(iter(c.inputs))) for c in naive(energy, rows, 0)}
    assert said == {("shading", 2), ("dead-input", 3), ("unit-silent", 4)}


def test_the_control_chart_flags_a_step_and_not_the_noise() -> None:
    rng = np.random.default_rng(1)
    energy = 5 * (1 + 0.01 * rng.normal(size=(30, 6)))
    energy[24:, 2] *= 0.7
    claims = control_chart(energy, np.full((30, 6), 100.0), 0)
    assert {next(iter(c.inputs)) for c in claims} == {2}


def test_seeds_stay_apart() -> None:
    assert max(s.seed for s in scenarios("train", TRAIN_UNTIL)) < TRAIN_UNTIL
    assert min(s.seed for s in scenarios("sealed", 10)) == SEALED_FROM
    with pytest.raises(ValueError, match=f"{TRAIN_UNTIL} train seeds"):
        scenarios("train", TRAIN_UNTIL + 1)
    assert {s.family for s in scenarios("train", len(FAMILIES))} == set(FAMILIES)


def test_intervals_hold_the_plain_figure() -> None:
    tallies = []
    for k in range(20):
        t = Tally(events={"shading": [4, 3 + k % 2, 4, 3]}, healthy_days=100, false_days=k % 3)
        tallies.append(SiteMeasure(Scenario("x", k), {PRODUCT: t}, 0.0, 0))
    out = summarise(tallies, PRODUCT)
    recall = out["faults"]["shading"]["recall"]
    assert recall["low"] < recall["value"] == 0.875 < recall["high"]
    assert out["false_per_1000"]["value"] == pytest.approx(9.5)


def test_the_command_prints_json_and_refuses_to_open_the_seal(capsys: pytest.CaptureFixture[str]) -> None:
    assert score.main(["--sites", "1", "--family", "healthy", "--json", "--no-delay"]) == 0
    result = json.loads(capsys.readouterr().out)
    assert result["sites"] == 1
    assert {"naive", "control chart"} <= set(result["judges"])
    with pytest.raises(SystemExit) as stop:
        score.main(["--seeds", "sealed", "--remarks"])
    assert stop.value.code == 2
