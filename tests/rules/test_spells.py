from __future__ import annotations

import numpy as np
import pytest

import rules.spells as rule
from rules.spells import spells
from tests.rules.conftest import MoveThreshold
from tests.rules.make import Roof, case_of, findings, make_roof, only

#: Clear days but for 12 and 13.
SKY = "cccccccccccccooccccccccc"


def _dropped(kinds: str = SKY, share: float = 0.12) -> Roof:
    roof = make_roof(days=24, kinds=kinds)
    return roof.scale(2, 1 - share, roof.when(5, 13))


def test_what_fell_on_a_module_and_went_with_the_rain_is_dirt() -> None:
    roof = _dropped()
    found = only(findings(roof))
    assert (found.fault, found.unit, found.input) == ("soiling", "U2", 1)
    assert found.evidence["drop"] == pytest.approx(0.12, abs=0.02)
    assert found.loss_wh_total == pytest.approx(roof.lost_wh(), rel=0.2)


def test_what_went_in_dry_weather_was_no_rains_work() -> None:
    """Mended, uncovered or cleaned: the record does not say which; it is told, with its end, and that it may have been dirt."""
    roof = _dropped("c")
    assert not spells(case_of(roof))[2].rained
    found = only(findings(roof))
    assert (found.fault, found.unit, found.input, found.evidence["over"]) == ("weak-input", "U2", 1, True)
    assert found.alternatives[0].fault == "soiling"
    assert found.loss_wh_total == pytest.approx(roof.lost_wh(), rel=0.2)


def test_a_deep_one_is_no_dropping() -> None:
    assert not spells(case_of(_dropped(share=rule.DEEPEST.value + 0.05)))


def test_what_stays_is_no_spell() -> None:
    roof = make_roof(days=24, kinds=SKY)
    assert not spells(case_of(roof.scale(2, 0.88, roof.when(5))))


def test_what_gathers_is_no_spell() -> None:
    roof = make_roof(days=24, kinds=SKY)
    roof.scale(2, 1 - 0.02 * np.clip(roof.day - 4, 0, 8), roof.when(5, 13))
    assert not spells(case_of(roof))


@pytest.mark.parametrize(("name", "value"), [("FALL", 0.2), ("MIN_DAYS", 99), ("AFTER", 99), ("EDGE", 9.0), ("DEEPEST", 0.1)])
def test_thresholds_count(threshold: MoveThreshold, name: str, value: float) -> None:
    case = case_of(_dropped())
    assert spells(case)
    threshold(rule, name, value)
    spells.cache_clear()  # type: ignore[attr-defined]
    assert not spells(case)


def test_rain_is_a_threshold(threshold: MoveThreshold) -> None:
    case = case_of(_dropped())
    threshold(rule, "DULL", 0.0)
    spells.cache_clear()  # type: ignore[attr-defined]
    assert not spells(case)[2].rained
