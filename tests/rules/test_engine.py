from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rules.alternatives import fitting
from rules.candidate import Candidate
from rules.daytable import DayTable
from rules.engine import _findings, judge, singular
from rules.finding import Alternative
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


def test_each_spell_is_told_by_its_own_days_and_hours() -> None:
    roof = make_roof(days=14)
    roof.dead(1, roof.when(1, 2)).dead(1, roof.when(8, 10))
    first, second = sorted(findings(roof), key=lambda f: f.first_seen)
    assert " on 2 days " in first.why
    assert " on 3 days " in second.why
    for f in (first, second):
        assert f"for {f.evidence['hours']:.1f} h of light" in f.why
    assert second.evidence["hours"] > 1.3 * first.evidence["hours"]


def test_a_finding_and_its_rivals_are_no_surer_than_one() -> None:
    roof = make_roof(days=12)
    roof.dead(1, roof.when(1, 4)).standby(2, roof.when(2, 5)).idle(7, roof.when(3, 5)).silent(0, roof.when(8, 9))
    found = findings(roof)
    assert {f.fault for f in found} >= {"dead-input", "unit-standby", "idle-input", "unit-silent"}
    for f in found:
        assert f.confidence + sum(a.confidence for a in f.alternatives) <= 1.0 + 1e-9
    told = fitting((Alternative("shading", 0.12, ""), Alternative("clipping", 0.04, "")), 0.92)
    assert [round(a.confidence, 3) for a in told] == [0.06, 0.02]
    # What the record cannot tell apart shares the finding's own confidence.
    (kin,) = fitting((Alternative("idle-input", 0.4, "", kin=True),), 0.9)
    assert kin.confidence == pytest.approx(0.36)


_NEEDS = {
    "dc_voltage_v": ("voltage comes back", "Module voltage in full sun", "voltage stood still"),
    "ac_voltage_v": ("Its AC voltage", "AC voltage at the unit in", "Grid voltage and frequency recorded"),
    "energy_total_wh": ("counter",),
    "signal_dbm": ("Signal",),
}


@pytest.mark.parametrize("column", _NEEDS)
def test_what_would_settle_it_can_be_seen_in_this_record(column: str) -> None:
    roof = make_roof(days=14)
    roof.shade(0, (90.0, 150.0), 35.0, 0.9).standby(2, roof.when(2, 4)).silent(3, roof.when(12)).scale(7, 0.8, roof.when(3))
    roof.without |= {column}
    said = [a.tell_apart for f in findings(roof) for a in f.alternatives]
    assert len(said) > 4
    for words in _NEEDS[column]:
        assert not [text for text in said if words in text]
    roof.without -= {column}
    whole = " ".join(a.tell_apart for f in findings(roof) for a in f.alternatives)
    assert any(words in whole for words in _NEEDS[column])


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
