from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rules.candidate import Candidate
from rules.daytable import DayTable
from rules.engine import _findings, judge, singular
from tests.rules.make import NO_EVENTS, findings, make_roof, only, table_of


def test_nothing_to_say_about_nothing() -> None:
    judged = judge(DayTable.empty(make_roof(days=1).site), NO_EVENTS)
    assert (judged.findings, judged.from_day, judged.to_day) == ((), "", "")


def test_from_and_to_are_days_with_light() -> None:
    judged = judge(table_of(make_roof(days=5)))
    assert (judged.from_day, judged.to_day) == ("2024-05-20", "2024-05-24")
    assert judged.irradiance_source == "own inputs"


def test_two_spells_are_two_findings() -> None:
    roof = make_roof(days=14)
    roof.dead(1, roof.when(1, 2)).dead(1, roof.when(8, 10))
    found = sorted(findings(roof), key=lambda f: f.first_seen)
    assert [(f.fault, f.first_seen, f.last_seen, f.days) for f in found] == [
        ("dead-input", "2024-05-21", "2024-05-22", 2), ("dead-input", "2024-05-28", "2024-05-30", 3),
    ]  # fmt: skip
    assert sum(f.loss_wh_total for f in found) < 1.2 * roof.lost_wh()


def test_the_costliest_comes_first() -> None:
    roof = make_roof(days=14)
    roof.scale(4, 0.8, roof.when(2)).dead(1, roof.when(5, 9))
    loss = [f.loss_wh_per_day for f in findings(roof)]
    assert loss == sorted(loss, reverse=True)
    assert len(loss) == 2


def test_evidence_names_the_days_and_the_action() -> None:
    roof = make_roof(days=8)
    roof.dead(1, roof.when(3, 5))
    found = only(findings(roof))
    assert found.evidence["dates"] == ["2024-05-23", "2024-05-24", "2024-05-25"]
    assert found.evidence["action_reason"]
    assert found.loss_wh_per_day * found.days == found.loss_wh_total


def test_judging_changes_nothing() -> None:
    table = table_of(make_roof(days=5))
    before = {name: values.copy() for name, values in table.fields.items()}
    one, other = judge(table), judge(table)
    assert [f.to_json() for f in one.findings] == [f.to_json() for f in other.findings]
    for name, values in before.items():
        np.testing.assert_array_equal(table[name], values)


def test_what_comes_with_the_weather_is_told_once_and_what_stays_away_is_not() -> None:
    case = judge(table_of(make_roof(days=24))).case
    assert case is not None
    seen = np.zeros(24, bool)
    seen[[1, 4, 9, 20, 21]] = True
    heat = Candidate("hot-derating", "unit", (0, 1), seen, 100.0 * seen, 0.9, "")
    dead = replace(heat, fault="dead-input", scope="input", inputs=(0,))
    assert [f.days for f in _findings(case, heat)] == [3, 2]
    assert [f.days for f in _findings(case, dead)] == [1, 1, 1, 2]


@pytest.mark.parametrize(
    ("said", "told"),
    [
        ("for 1 days of cold", "for 1 day of cold"),
        ("on 1 of 1 clear days.", "on 1 of 1 clear day."),
        ("on 11 days, 0.1 days late", "on 11 days, 0.1 days late"),
    ],
)
def test_one_day_is_no_days(said: str, told: str) -> None:
    assert singular(said) == told


def test_no_finding_speaks_of_1_days() -> None:
    roof = make_roof(days=6, kinds="c")
    roof.dead(1, roof.when(3, 3)).standby(2, roof.when(4, 4))
    found = findings(roof)
    assert len(found) == 2
    assert all("1 day " in f.why and "1 days" not in f.why for f in found)
