from __future__ import annotations

import numpy as np
import pytest

import rules.faults.grid_out_of_range as rule
import rules.record
import rules.reduce.grid
from rules.case import Case
from rules.engine import judge
from rules.finding import Threshold
from tests.rules.conftest import MoveThreshold
from tests.rules.make import Roof, case_of, findings, make_roof, only, run_rule


def _away(roof: Roof, volts: float = 231.0, hertz: float = 50.0, units: range = range(5), hours: float = 2.0) -> Roof:
    when = roof.when(5, 6, 11.0, 11.0 + hours)
    for u in units:
        roof.standby(u, when)
        roof.ac_volts[when, u], roof.hertz[when, u] = volts, hertz
    return roof


@pytest.fixture(scope="module")
def case() -> Case:
    return case_of(_away(make_roof(), volts=258.0))


def test_fires(case: Case) -> None:
    found = only(judge(case.table).findings)
    assert (found.fault, found.unit, found.gateway, found.days) == ("grid-out-of-range", None, None, 2)
    assert found.evidence["volt_high_h"] == pytest.approx(4.0, abs=0.3)
    assert found.evidence["ac_voltage_max_v"] == pytest.approx(258.0)


def test_loss(case: Case) -> None:
    true = _away(make_roof(), volts=258.0).lost_wh()
    assert only(judge(case.table).findings).loss_wh_total == pytest.approx(true, rel=0.15)


@pytest.mark.parametrize("kinds", ["c", "cm"])
def test_loss_of_trips_within_coarse_rows(kinds: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Half an hour away and 5 min of waiting, in rows of 15 min: some rows hold a part of it."""
    roof = make_roof(kinds=kinds, step=900)
    when = roof.when(5, 8, 10.0, 10.5) | roof.when(5, 8, 13.0, 13.5)
    part = roof.when(5, 8, 10.5, 10.75) | roof.when(5, 8, 13.5, 13.75)
    for u in range(5):
        roof.standby(u, when)
        roof.ac_volts[when, u] = 258.0
    for n in range(10):
        roof.scale(n, 0.5, part)
    told = only(findings(roof, "grid-out-of-range")).loss_wh_total
    assert told == pytest.approx(roof.lost_wh(), rel=0.25)
    monkeypatch.setattr(rules.reduce.grid, "PART_ROW", Threshold(0.0, "", "moved"))
    assert only(findings(roof, "grid-out-of-range")).loss_wh_total < 0.85 * told


@pytest.mark.parametrize(
    ("volts", "hertz", "fires"),
    [
        (251.5, 50.0, False), (254.5, 50.0, True),  # high_v = 253 in the site file
        (208.5, 50.0, False), (205.5, 50.0, True),  # low_v = 207
        (231.0, 51.4, False), (231.0, 51.6, True),  # high_hz = 51.5
        (231.0, 47.6, False), (231.0, 47.4, True),  # low_hz = 47.5
    ],
)  # fmt: skip
def test_the_window_of_the_site_file_counts(volts: float, hertz: float, fires: bool) -> None:
    roof = _away(make_roof(days=8), volts=volts, hertz=hertz)
    assert bool(run_rule("grid-out-of-range", case_of(roof)).candidates) is fires


@pytest.mark.parametrize(("factor", "fires"), [(0.6, False), (1.5, True)])
def test_just_under_and_over_the_hours(factor: float, fires: bool) -> None:
    roof = make_roof(days=8)
    when = roof.when(5, 5, 11.0, 11.0 + factor * rule.TOTAL_HOURS.value)
    roof.ac_volts[when] = 258.0
    assert bool(run_rule("grid-out-of-range", case_of(roof)).candidates) is fires


def test_the_hours_are_a_threshold(case: Case, threshold: MoveThreshold) -> None:
    threshold(rule, "MIN_HOURS", 20.0)
    assert not run_rule("grid-out-of-range", case).candidates


def test_one_unit_alone_points_to_its_cable() -> None:
    roof = _away(make_roof(days=8), volts=258.0, units=range(1, 2))
    found = only(findings(roof, "grid-out-of-range"))
    assert (found.unit, found.input) == ("U2", None)


def test_no_voltage_at_all_is_an_outage() -> None:
    assert {f.fault for f in findings(_away(make_roof(days=8), volts=0.0, hertz=0.0))} == {"site-outage"}


def test_standby_inside_the_window_is_the_units_own() -> None:
    roof = _away(make_roof(days=8), units=range(1, 2), hours=7.0)
    assert {f.fault for f in findings(roof)} == {"unit-standby"}


def test_without_grid_readings_it_cannot_be_judged() -> None:
    roof = make_roof(days=4)
    roof.without |= {"ac_voltage_v", "ac_frequency_hz"}
    result = run_rule("grid-out-of-range", case_of(roof))
    assert not result.candidates
    assert [u.reason for u in result.unjudged] == ["no ac_voltage_v or ac_frequency_hz"]


def test_a_mean_on_the_brink_is_a_trip_on_a_day_of_excursions(threshold: MoveThreshold) -> None:
    """IEEE 1547-2018 trips on excursions of seconds (from memory); the row is a mean of minutes, here 0.4 % under the limit."""
    roof = make_roof()
    for u, hours in enumerate((1.5, 1.5, 4.5, 1.5, 1.5)):
        when = roof.when(5, 6, 11.0, 11.0 + hours)
        roof.standby(u, when, state="fault")
        roof.ac_volts[when, u] = 252.0
        roof.ac_volts[roof.when(5, 6, 11.0, 12.0), u] = 258.0
    assert {f.fault for f in findings(roof)} == {"grid-out-of-range"}
    threshold(rules.reduce.grid, "BRINK", 0.0)
    assert "unit-standby" in {f.fault for f in findings(roof)}


def test_trips_at_the_same_hours_of_many_days_throw_no_shadow(threshold: MoveThreshold) -> None:
    """Clear days on which every unit is out of its window half of the time before noon: nothing stands before the plane."""
    roof = make_roof(days=20, kinds="c", units=[["south"] * 2] * 3)
    slot = np.arange(len(roof.ts)) // 3
    for u in range(3):
        when = roof.when(2, 18, 10.5, 12.0) & (slot % 2 == 0)
        roof.standby(u, when, state="fault")
        roof.ac_volts[when, u] = 257.0
    assert (case_of(roof, roof.weather()).plane_open == 1.0).all()
    threshold(rules.record, "TRIPPED", 99.0)
    assert (case_of(roof, roof.weather()).plane_open < 1.0).any()
