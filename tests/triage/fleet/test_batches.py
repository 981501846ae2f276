"""Batch patterns: found when they are there, silent when they are not."""

from __future__ import annotations

import numpy as np
import pytest
from fleet_makers import brief, site
from scipy import stats

from triage.fleet.batches import batch_patterns, roof_chances, upper_tail
from triage.fleet.summary import SiteSummary


def _fleet(rates: dict[str, float], roofs: int, rng: np.random.Generator) -> list[SiteSummary]:
    """Roofs of one model each, 4 to 40 units, every unit failing with its model's rate."""
    made = []
    models = list(rates)
    for n in range(roofs):
        model = models[n % len(models)]
        units = int(rng.integers(4, 41))
        failed = rng.random(units) < rates[model]
        found = [brief(id=str(k), unit=f"A{k}", inverter=model, module="M") for k in np.flatnonzero(failed)]
        made.append(site(f"s{n}", *found, inverters={model: units}, modules={"M": units}))
    return made


def test_equal_roofs_give_the_binomial() -> None:
    # scipy.stats.binom is the independent reference.
    chances = roof_chances(np.full(20, 12), 5)
    assert chances == pytest.approx(np.full(20, 0.25))
    assert upper_tail(8, chances) == pytest.approx(stats.binom.sf(7, 20, 0.25))


def test_chances_add_up_to_what_was_seen_and_grow_with_the_roof() -> None:
    units = np.array([1, 5, 20, 100])
    chances = roof_chances(units, 2)
    assert chances.sum() == pytest.approx(2)
    assert (np.diff(chances) > 0).all()
    q = 1 - (1 - chances[0])
    assert chances == pytest.approx(1 - (1 - q) ** units)
    assert roof_chances(units, 4) == pytest.approx(np.ones(4))
    assert upper_tail(0, chances) == 1.0


def test_upper_tail_against_counting_by_hand() -> None:
    # Three coins of 1/2, 1/4, 1/8: at least two heads = 1/8 + 1/16 + 1/32 - 2/64.
    assert upper_tail(2, np.array([0.5, 0.25, 0.125])) == pytest.approx(1 / 8 + 1 / 16 + 1 / 32 - 2 / 64)


def test_a_bad_batch_is_found_and_named() -> None:
    fleet = _fleet({"good": 0.002, "other": 0.002, "bad": 0.03}, 180, np.random.default_rng(7))
    found = batch_patterns(fleet)
    assert [(p.kind, p.model, p.fault) for p in found] == [("inverter", "bad", "dead-input")]
    assert found[0].roofs > 2 * found[0].expected
    assert found[0].q_value <= 0.01
    assert found[0].roofs == len(found[0].sites)


def test_no_pattern_among_equals_over_many_fleets() -> None:
    # At a false-discovery rate of 1 % per fleet, 40 fleets of equals give one or two at the very most.
    rng = np.random.default_rng(8)
    found = sum(bool(batch_patterns(_fleet({"a": 0.01, "b": 0.01, "c": 0.01}, 90, rng))) for _ in range(40))
    assert found <= 1


def test_big_roofs_alone_are_no_pattern() -> None:
    # Model "big" stands on roofs ten times the size, with the same rate per unit: more roofs show
    # a fault, which a test that only counted roofs (Fisher's) would call a pattern.
    rng = np.random.default_rng(9)
    made = []
    for n in range(200):
        model, units = ("big", 100) if n % 2 else ("small", 10)
        failed = rng.random(units) < 0.01
        found = [brief(id=str(k), unit=f"A{k}", inverter=model, module="") for k in np.flatnonzero(failed)]
        made.append(site(f"s{n}", *found, inverters={model: units}, modules={}))
    hit = {m: sum(bool(s.findings) for s in made if m in s.inverters) for m in ("big", "small")}
    table = [[hit["big"], 100 - hit["big"]], [hit["small"], 100 - hit["small"]]]
    assert stats.fisher_exact(table, alternative="greater").pvalue < 1e-6
    assert batch_patterns(made) == []


def test_one_roof_full_of_faults_is_one_roof() -> None:
    fleet = _fleet({"a": 0.0, "b": 0.0}, 60, np.random.default_rng(1))
    storm = site("storm", *(brief(id=str(k), unit=f"A{k}", inverter="a") for k in range(30)), inverters={"a": 30})
    assert batch_patterns([*fleet, storm]) == []


def test_old_findings_and_shade_do_not_count() -> None:
    fleet = _fleet({"good": 0.0, "bad": 0.05}, 80, np.random.default_rng(2))
    assert batch_patterns(fleet)
    assert batch_patterns(fleet, since="2026-06-02") == []
    shady = [
        site(s.site_id, *(brief(id=f.id, fault="shading", inverter=f.inverter) for f in s.findings),
             inverters=s.inverters, modules={})
        for s in fleet
    ]  # fmt: skip
    assert batch_patterns(shady) == []


def test_nothing_to_compare_with_is_no_pattern() -> None:
    assert batch_patterns([]) == []
    assert batch_patterns(_fleet({"only": 0.05}, 50, np.random.default_rng(3))) == []
