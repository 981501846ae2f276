from __future__ import annotations

import numpy as np
import pandas as pd
import pvlib
import pytest

import rules.faults.unit_silent as rule
import rules.silence
from rules.case import Case
from rules.engine import judge
from tests.rules.conftest import MoveThreshold
from tests.rules.make import Roof, case_of, check, findings, make_roof, only, run_rule


def _roof(dark: bool = False) -> Roof:
    roof = make_roof()
    roof.silent(1, roof.when(5, 7))
    if dark:
        roof.power[np.ix_(roof.when(5, 7), roof.inputs_of(1))] = 0.0
    return roof


@pytest.fixture(scope="module")
def case() -> Case:
    return case_of(_roof())


def test_silent_but_producing(case: Case) -> None:
    found = only(judge(case.table).findings)
    assert (found.fault, found.unit, found.input, found.days) == ("unit-silent", "U2", None, 3)
    assert found.evidence["produced"] is True
    assert found.loss_wh_total == 0
    roof = _roof()
    made = roof.healthy[np.ix_(roof.when(5, 7), [2, 3])].sum() / 12
    assert found.evidence["counter_rise_wh"] == pytest.approx(made, rel=0.05)


def test_silent_and_dark() -> None:
    roof = _roof(dark=True)
    found = only(findings(roof))
    assert (found.fault, found.unit, found.days, found.evidence["produced"]) == ("unit-silent", "U2", 3, False)
    assert found.loss_wh_total == pytest.approx(roof.lost_wh(), rel=0.2)


def test_without_counters_nobody_knows_yet() -> None:
    roof = _roof()
    roof.without |= {"energy_total_wh"}
    found = only(findings(roof))
    assert found.fault == "unit-silent"
    assert found.evidence["produced"] is None
    # Dark or not, nobody knows: half of what the unit would have made is counted.
    made = roof.healthy[np.ix_(roof.when(5, 7), [2, 3])].sum() / 12
    assert found.loss_wh_total == pytest.approx(0.5 * made, rel=0.1)
    assert "half of what its siblings made" in found.why


def test_still_silent_at_the_end() -> None:
    roof = make_roof(days=8)
    roof.silent(1, roof.when(5))
    found = only(findings(roof))
    assert (found.fault, found.days, found.evidence["ongoing"]) == ("unit-silent", 3, True)
    assert found.evidence["produced"] is None


def test_what_counts_as_produced(case: Case, threshold: MoveThreshold) -> None:
    threshold(rule, "PRODUCED", 2.0)
    assert only(run_rule("unit-silent", case).candidates).evidence["produced"] is False


@pytest.mark.parametrize(("factor", "fires"), [(0.7, False), (1.5, True)])
def test_just_under_and_over_a_long_gap(factor: float, fires: bool) -> None:
    roof = make_roof(days=4, kinds="c")
    hours = factor * rules.silence.LONG_GAP.value
    roof.silent(1, roof.when(2, 2, 10.0, 10.0 + hours))
    assert bool(run_rule("unit-silent", case_of(roof)).candidates) is fires


def test_the_length_of_a_gap_is_a_threshold(threshold: MoveThreshold) -> None:
    roof = make_roof(days=4, kinds="c")
    roof.silent(1, roof.when(2, 2, 10.0, 14.0))
    case = case_of(roof)
    assert run_rule("unit-silent", case).candidates
    threshold(rules.silence, "LONG_GAP", 20.0)
    assert not run_rule("unit-silent", case).candidates


def test_the_whole_gateway_is_another_fault() -> None:
    roof = make_roof(days=6)
    for u in range(5):
        roof.silent(u, roof.when(2, 3))
    assert {f.fault for f in findings(roof)} == {"gateway-silent"}


def test_many_short_gaps_are_a_weak_link() -> None:
    roof = make_roof(days=8)
    roof.silent(1, roof.when(2, 6) & (np.random.default_rng(1).random(len(roof.ts)) < 0.35))
    assert {f.fault for f in findings(roof)} == {"patchy-comms"}


def test_not_yet_installed() -> None:
    roof = make_roof(days=8)
    roof.silent(1, roof.when(0, 3))
    result = run_rule("unit-silent", case_of(roof))
    assert not result.candidates
    assert {(u.input, u.days, u.reason.split(":")[0]) for u in result.unjudged} == {
        (2, 4, "no row of this unit before"), (3, 4, "no row of this unit before"),
    }  # fmt: skip


@pytest.mark.parametrize(
    ("own", "others", "fires"),
    [(0.0, 2000.0, False), (50.0, 50.0, False), (2000.0, 2000.0, True), (1700.0, 2000.0, True), (900.0, 2000.0, False)],
)
def test_a_counter_like_the_others_tells_that_a_unit_was_there(
    own: float, others: float, fires: bool, threshold: MoveThreshold
) -> None:
    """First heard on the fifth day: a new unit could not have counted what those installed before have."""
    roof = make_roof(days=8)
    roof.silent(1, roof.when(0, 3))
    case = case_of(roof)
    case.table.fields["counter_first"][4] = others * 400.0
    case.table.fields["counter_first"][4, [2, 3]] = own * 400.0
    result = run_rule("unit-silent", case)
    assert bool(result.candidates) is fires
    assert any("may not have been installed" in u.reason for u in result.unjudged) is not fires
    threshold(rule, "FULL_LOAD", 1000.0)
    assert not run_rule("unit-silent", case).candidates


def test_counters_of_all_ages_tell_nothing(threshold: MoveThreshold) -> None:
    roof = make_roof(days=8)
    roof.silent(1, roof.when(0, 3))
    case = case_of(roof)
    case.table.fields["counter_first"][4] = 400.0 * np.linspace(300.0, 3000.0, 10)
    case.table.fields["counter_first"][4, [2, 3]] = 1650.0 * 400.0
    assert not run_rule("unit-silent", case).candidates
    threshold(rule, "ALIKE", 1.0)
    assert run_rule("unit-silent", case).candidates
    threshold(rule, "OTHERS", 9)
    assert not run_rule("unit-silent", case).candidates


@pytest.mark.parametrize("latitude", [0.0, 23.0, 45.0, 60.0, 75.0, 88.0])
def test_no_day_holds_so_much_sun(latitude: float) -> None:
    """pvlib's clear sky (simplified Solis) of the longest day on the best of fixed planes."""
    ts = pd.date_range("2024-06-21", periods=288, freq="5min", tz="UTC")
    sun = pvlib.solarposition.get_solarposition(ts, latitude, 0.0)
    clear = pvlib.clearsky.simplified_solis(sun["apparent_elevation"], aod700=0.01, precipitable_water=0.5)
    extra = float(pvlib.irradiance.get_extra_radiation(173))
    most = max(
        pvlib.irradiance.get_total_irradiance(
            tilt, 180.0, sun["apparent_zenith"], sun["azimuth"], clear["dni"], clear["ghi"], clear["dhi"],
            dni_extra=extra, model="haydavies",
        )["poa_global"].sum() / 12000.0
        for tilt in range(0, 90, 10)
    )  # fmt: skip
    assert 5.0 < most < rule.FULL_LOAD.value


def test_never_heard_of() -> None:
    roof = make_roof(days=4)
    roof.silent(1, roof.when())
    roof.heard[roof.when(0, 0, 0.0, 19.0)] = False  # a first day with too little light to judge anybody
    case = case_of(roof)
    found = only(run_rule("unit-silent", case).candidates)
    assert found.inputs == tuple(roof.inputs_of(1))
    assert found.evidence["produced"] is None
    # A day too dark for anybody to be awake says nothing of it.
    roof.power[roof.when(2, 2)] = 0.0
    again = only(run_rule("unit-silent", case_of(roof)).candidates)
    assert again.days.tolist() == [False, True, False, True]


def test_the_odds_of_being_dark_are_a_threshold(threshold: MoveThreshold) -> None:
    roof = _roof()
    roof.without |= {"energy_total_wh"}
    case = case_of(roof)
    threshold(rule, "EVEN", 0.0)
    assert only(run_rule("unit-silent", case).candidates).loss_wh.sum() == 0


@pytest.mark.parametrize(("rows", "fires"), [(2, False), (3, True)])
def test_two_rows_of_a_short_day_are_no_silence(rows: int, fires: bool, threshold: MoveThreshold) -> None:
    """A winter's day with an hour of light in rows of half an hour."""
    roof = make_roof(days=6, step=1800, kinds="c", units=[["south"]] * 4)
    roof.power[roof.when(3, 3, 0.0, 11.0)] = 0.0
    roof.power[roof.when(3, 3, 11.0 + 0.5 * rows, 24.0)] = 0.0
    roof.silent(1, roof.when(3, 3, 11.0, 11.0 + 0.5 * rows))
    case = case_of(roof)
    case.table.fields["unit_lit_h"][3, 1] = max(0.5 * rows, 1.0)
    assert bool(run_rule("unit-silent", case).candidates) is fires
    threshold(rule, "FEW_ROWS", 9.0)
    assert not run_rule("unit-silent", case).candidates


def _one_by_one(gap: int = 3) -> Roof:
    """Two units of one gateway: the second falls silent ``gap`` days after the first, and comes back before it; both dark."""
    roof = make_roof(days=14, units=[["south", "south"]] * 2)
    for u, first, last in ((0, 3, 11), (1, 3 + gap, 9)):
        roof.silent(u, roof.when(first, last))
        roof.power[np.ix_(roof.when(first, last), roof.inputs_of(u))] = 0.0
    return roof


@pytest.mark.parametrize(("gap", "faults"), [(3, {"unit-silent"}), (0, {"site-outage", "unit-silent"})])
def test_units_that_fall_silent_one_by_one_are_silent_for_themselves(gap: int, faults: set[str]) -> None:
    roof = _one_by_one(gap)
    found = findings(roof)
    assert {f.fault for f in found} == faults
    if gap:
        assert {(f.unit, f.days) for f in found} == {("U1", 9), ("U2", 4)}
        assert sum(f.loss_wh_total for f in found) == pytest.approx(roof.lost_wh(), rel=0.3)


def test_how_long_before_the_others_must_be_silent(threshold: MoveThreshold) -> None:
    threshold(rules.silence, "ALONE_DAYS", 4)
    assert "site-outage" in {f.fault for f in findings(_one_by_one())}


def _log(roof: Roof, day: int, hour: float, event: str) -> pd.DataFrame:
    at = [int(roof.ts[0]) + 60, int(roof.ts[roof.when(day, day, hour, 24)][0])]
    return pd.DataFrame({"ts": at, "source": "G1", "event": ["online", event], "detail": ""})


@pytest.mark.parametrize(
    ("day", "hour", "event", "fault"),
    [(7, 8.0, "restart", "unit-silent"), (9, 14.0, "restart", "site-outage"), (4, 19.0, "offline", "site-outage")],
)
def test_a_gateway_that_kept_running_was_not_without_power(day: int, hour: float, event: str, fault: str) -> None:
    """The only unit of a gateway is dark; a supply that comes back restarts the gateway (common practice)."""
    roof = make_roof(days=14, units=[["south", "south"]])
    when = roof.when(5, 8) | roof.when(9, 9, 0, 13)
    roof.silent(0, when)
    roof.power[when] = 0.0
    found = only(check(roof, events=_log(roof, day, hour, event)).findings)
    assert found.fault == fault
    assert found.loss_wh_total == pytest.approx(roof.lost_wh(), rel=0.4)
