from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import rules.faults.gateway_silent as rule
import rules.reduce.silence
import rules.silence
from rules.case import Case
from rules.engine import judge
from tests.rules.conftest import MoveThreshold
from tests.rules.make import Roof, case_of, check, findings, make_roof, only, run_rule


def _silent(roof: Roof, units: list[int], first: int, last: int, dark: bool = False) -> Roof:
    for u in units:
        roof.silent(u, roof.when(first, last))
        if dark:
            roof.power[np.ix_(roof.when(first, last), roof.inputs_of(u))] = 0.0
    return roof


@pytest.fixture(scope="module")
def case() -> Case:
    return case_of(_silent(make_roof(), [0, 1, 2, 3, 4], 5, 7))


def test_silent_but_producing(case: Case) -> None:
    found = only(judge(case.table).findings)
    assert (found.fault, found.gateway, found.unit, found.days) == ("gateway-silent", "G1", None, 3)
    roof = make_roof()
    made = roof.healthy[roof.when(5, 7)].sum() / 12
    assert found.evidence["counter_rise_wh"] == pytest.approx(made, rel=0.05)
    assert found.loss_wh_total == 0
    assert found.action == "remote"


def test_silent_and_dark_is_an_outage() -> None:
    found = only(findings(_silent(make_roof(), [0, 1, 2, 3, 4], 5, 7, dark=True)))
    assert (found.fault, found.days) == ("site-outage", 3)
    assert found.loss_wh_total > 0


def test_what_counts_as_dark(case: Case, threshold: MoveThreshold) -> None:
    threshold(rule, "DARK_SHARE", 2.0)
    assert only(run_rule("gateway-silent", case).candidates).fault == "site-outage"


@pytest.mark.parametrize(("factor", "fires"), [(0.7, False), (1.5, True)])
def test_just_under_and_over_a_long_gap(factor: float, fires: bool) -> None:
    roof = make_roof(days=4, kinds="c")
    hours = factor * rules.silence.LONG_GAP.value
    for u in range(5):
        roof.silent(u, roof.when(2, 2, 10.0, 10.0 + hours))
    assert bool(run_rule("gateway-silent", case_of(roof)).candidates) is fires


@pytest.mark.parametrize(("share", "told"), [(0.02, 0), (0.5, 1)])
def test_units_that_sleep_under_snow_are_no_outage(share: float, told: int, threshold: MoveThreshold) -> None:
    """Units are fed by their modules: who wakes to a trickle on the day after slept under a cover (common practice)."""
    roof = _silent(make_roof(days=10, kinds="c"), [0, 1, 2, 3, 4], 4, 5, dark=True)
    roof.power[roof.when(6, 6)] *= share
    case = case_of(roof)
    assert len(run_rule("gateway-silent", case).candidates) == told
    threshold(rule, "GLOOM", 0.0)
    assert run_rule("gateway-silent", case).candidates


def test_rows_that_single_units_lose_beside_a_silence_are_no_sign_of_life() -> None:
    """What a counter gained over rows lost by a poor link was not made in the gap."""
    roof = make_roof(days=8, kinds="c")
    gap = roof.when(4, 4, 11.0, 16.0)
    rng = np.random.default_rng(3)
    for u in range(5):
        roof.power[np.ix_(gap, roof.inputs_of(u))] = 0.0
        roof.silent(u, gap | (roof.when(4, 4) & (rng.random(len(roof.ts)) < 0.15)))
    assert only(run_rule("gateway-silent", case_of(roof)).candidates).fault == "site-outage"


def test_rows_beside_a_silence_gain_no_more_than_the_sky_gave() -> None:
    """A roof that made its share of a dull day behind a silent gateway: what a clear sky gives the other hours is no measure."""
    roof = make_roof(days=8, kinds="cccco" + "ccc")
    roof.power[roof.when(4, 4)] *= 0.6
    rng = np.random.default_rng(3)
    for u in range(5):
        roof.silent(u, roof.when(4, 4, 10.0, 15.0) | (roof.when(4, 4) & (rng.random(len(roof.ts)) < 0.35)))
    case = case_of(roof, weather=roof.weather(poa_of="south"))
    assert only(run_rule("gateway-silent", case).candidates).fault == "gateway-silent"


def test_one_gateway_of_two() -> None:
    roof = _silent(make_roof(days=8, gateways=["A", "A", "A", "B", "B"]), [3, 4], 3, 4)
    found = only(findings(roof))
    assert (found.fault, found.gateway, found.days) == ("gateway-silent", "B", 2)


def test_one_unit_of_a_gateway_is_another_fault() -> None:
    assert {f.fault for f in findings(_silent(make_roof(days=6), [1], 2, 3))} == {"unit-silent"}


def test_a_record_that_ends_is_no_silence() -> None:
    roof = _silent(make_roof(days=8), [0, 1, 2, 3, 4], 5, 7)
    assert check(roof).findings == ()


def test_a_log_that_goes_on_shows_the_silence() -> None:
    roof = _silent(make_roof(days=8), [0, 1, 2, 3, 4], 5, 7)
    noon = [int(roof.ts[roof.when(d, d, 12, 24)][0]) for d in (5, 7)]
    events = pd.DataFrame({"ts": noon, "source": "G1", "event": ["offline", "online"], "detail": ""})
    found = only(check(roof, events=events).findings)
    assert found.fault == "gateway-silent"
    assert found.evidence["gateway_log"].startswith("offline")


def test_a_record_of_one_night_is_not_judged() -> None:
    roof = make_roof(days=3)
    table = case_of(roof).table
    table.fields["unit_day_h"][1] = 0.4
    result = run_rule("gateway-silent", Case(table))
    assert [(u.input, u.days) for u in result.unjudged] == [(None, 1)]


def _log(roof: Roof, *lines: tuple[int, float, str], source: str = "G1") -> pd.DataFrame:
    """Log lines as (day, solar hour, event)."""
    at = [int(roof.ts[roof.when(day, day, hour, 24)][0]) for day, hour, _ in lines]
    return pd.DataFrame({"ts": at, "source": source, "event": [e for *_, e in lines], "detail": ""})


@pytest.mark.parametrize(("event", "fires"), [("offline", True), ("restart", False)])
def test_a_logged_silence_may_be_shorter(event: str, fires: bool) -> None:
    """An hour and a half is too short for the rows alone; a restart is no lost link."""
    roof = make_roof(days=5, kinds="c")
    for u in range(5):
        roof.silent(u, roof.when(2, 2, 10.0, 11.5))
    events = _log(roof, (2, 10.0, event), (2, 11.5, "online"))
    found = run_rule("gateway-silent", case_of(roof, events=events)).candidates
    assert [c.fault for c in found] == (["gateway-silent"] if fires else [])


def test_how_short_a_logged_silence_may_be(threshold: MoveThreshold) -> None:
    roof = make_roof(days=5, kinds="c")
    for u in range(5):
        roof.silent(u, roof.when(2, 2, 10.0, 11.5))
    case = case_of(roof, events=_log(roof, (2, 10.0, "offline"), (2, 11.5, "online")))
    threshold(rules.silence, "LOGGED_GAP", 1.8)
    assert not run_rule("gateway-silent", case).candidates


def _short(dark: bool, waiting: bool = True) -> Roof:
    roof = make_roof(days=8, kinds="c")
    for u in range(5):
        quiet = roof.when(4, 4, 11.0, 12.5)
        roof.silent(u, quiet)
        if dark:
            roof.power[np.ix_(quiet, roof.inputs_of(u))] = 0.0
        if waiting:
            roof.standby(u, roof.when(4, 4, 12.5, 12.6), "starting")
    return roof


@pytest.mark.parametrize("dark", [True, False])
def test_a_short_gap_with_standing_counters_is_an_outage(dark: bool) -> None:
    found = findings(_short(dark))
    assert [(f.fault, f.days) for f in found] == ([("site-outage", 1)] if dark else [])


def test_a_clock_set_forward_is_no_outage() -> None:
    """Nothing was counted in an hour and a half that never was; neither units nor log say more."""
    roof = _short(dark=True, waiting=False)
    assert not run_rule("gateway-silent", case_of(roof)).candidates
    events = _log(roof, (4, 12.5, "restart"))
    assert only(run_rule("gateway-silent", case_of(roof, events=events)).candidates).fault == "site-outage"


@pytest.mark.parametrize(("name", "value"), [("SHORT_HOURS", 1.8), ("SHORT_LIGHT", 2.0), ("SHORT_SHARE", -1.0)])
def test_thresholds_of_a_short_outage(threshold: MoveThreshold, name: str, value: float) -> None:
    case = case_of(_short(dark=True))
    assert run_rule("gateway-silent", case).candidates
    threshold(rule, name, value)
    assert not run_rule("gateway-silent", case).candidates


def _uncounted(waiting: bool, gateways: tuple[str, ...] = ()) -> Roof:
    """A silence without counters, from noon to noon; units that wait to reconnect afterwards or not."""
    roof = make_roof(days=9, kinds="c", gateways=gateways)
    roof.without |= {"energy_total_wh"}
    for u in range(5):
        roof.silent(u, roof.when(4, 4, 12.0, 24.0) | roof.when(5, 5, 0.0, 12.0))
        if waiting:
            roof.standby(u, roof.when(5, 5, 12.0, 12.2), "starting")
    return roof


@pytest.mark.parametrize(("waiting", "fault"), [(True, "site-outage"), (False, "gateway-silent")])
def test_units_that_wait_to_reconnect_lost_their_grid(waiting: bool, fault: str) -> None:
    """IEEE 1547-2018: by default 300 s of sound grid before a unit enters service."""
    found = only(findings(_uncounted(waiting)))
    assert (found.fault, found.days) == (fault, 2)


def test_waiting_of_most_units_counts(threshold: MoveThreshold) -> None:
    case = case_of(_uncounted(waiting=True))
    threshold(rule, "WAITING", 1.1)
    assert only(run_rule("gateway-silent", case).candidates).fault == "gateway-silent"


def test_every_gateway_at_once_points_to_the_supply(threshold: MoveThreshold) -> None:
    case = case_of(_uncounted(waiting=False, gateways=("A", "A", "A", "B", "B")))
    assert [(c.fault, c.scope) for c in run_rule("gateway-silent", case).candidates] == [("site-outage", "site")]
    threshold(rule, "ALIKE", 1.1)
    assert {c.fault for c in run_rule("gateway-silent", case).candidates} == {"gateway-silent"}


def test_a_link_lost_the_evening_before_is_in_the_log() -> None:
    roof = _silent(make_roof(days=9), [0, 1, 2, 3, 4], 5, 6)
    events = _log(roof, (4, 21.0, "offline"), (7, 5.0, "online"))
    found = only(run_rule("gateway-silent", case_of(roof, events=events)).candidates)
    assert found.evidence["gateway_log"].startswith("offline")
    assert not only(run_rule("gateway-silent", case_of(roof)).candidates).evidence["gateway_log"]


@pytest.mark.parametrize("days", [(4, 4), (3, 5)])
def test_behind_a_wrong_clock_standing_counters_tell_no_outage(days: tuple[int, int], monkeypatch: pytest.MonkeyPatch) -> None:
    """The gap may have lain in the night."""
    roof = make_roof(days=10, kinds="c")
    for u in range(5):
        roof.silent(u, roof.when(*days, 9.0, 13.0))
        roof.power[np.ix_(roof.when(*days, 9.0, 13.0), roof.inputs_of(u))] = 0.0
        roof.standby(u, roof.when(days[1], days[1], 13.0, 13.1), "starting")
    case = case_of(roof)
    assert [c.fault for c in run_rule("gateway-silent", case).candidates] == ["site-outage"]
    monkeypatch.setattr(rule, "bins_late", lambda case: np.full((case.day_count, len(case.inputs)), 6.0))
    monkeypatch.setattr(rule, "hours_off", lambda case: np.full((case.day_count, len(case.inputs)), 3.0))
    assert "site-outage" not in [c.fault for c in run_rule("gateway-silent", case).candidates if "counters rose" in c.why]


def test_an_outage_over_parts_of_days_in_coarse_rows() -> None:
    """From one afternoon to the morning after next, the units waiting before the first whole half hour."""
    roof = make_roof(days=10, kinds="c", step=1800)
    gone = roof.when(4, 6) & ~roof.when(4, 4, 0.0, 12.0) & ~roof.when(6, 6, 9.0, 24.0)
    for u in range(5):
        roof.silent(u, gone)
        roof.power[np.ix_(gone, roof.inputs_of(u))] = 0.0
        roof.standby(u, roof.when(6, 6, 9.0, 9.5), "starting")
    found = only(run_rule("gateway-silent", case_of(roof)).candidates)
    assert (found.fault, np.flatnonzero(found.days).tolist()) == ("site-outage", [4, 5, 6])


def test_a_night_by_a_clock_far_off_is_no_silence() -> None:
    roof = make_roof(days=12, kinds="c")
    roof.shift_s = np.full(len(roof.ts), 8.0 * 3600.0)
    case = case_of(roof)
    assert not run_rule("gateway-silent", case).candidates


def test_a_clock_set_forward_leaves_no_silence() -> None:
    """Two hours early until one noon: the stamps then jump over two hours in which nothing was counted."""
    roof = make_roof(days=14, kinds="c")
    roof.shift_s = np.where(roof.ts < roof.ts[roof.when(8, 8, 12.0)][0], -7200.0, 0.0)
    assert not run_rule("gateway-silent", case_of(roof)).candidates


@pytest.mark.parametrize(("first", "last"), [(5, 5), (10, 11)])
def test_a_wrong_clock_hides_no_silence(first: int, last: int, threshold: MoveThreshold) -> None:
    """Stamps nearly four hours early miss an end of each day's light: no bad link, among whose gaps a silence is lost."""
    roof = make_roof(days=14, kinds="c")
    roof.shift_s = np.where(roof.ts < roof.ts[roof.when(8, 8, 0.0)][0], -14100.0, 0.0)
    case = case_of(_silent(roof, [0, 1, 2, 3, 4], first, last))
    found = only(run_rule("gateway-silent", case).candidates)
    assert set(range(first, last + 1)) <= set(np.flatnonzero(found.days).tolist()) <= set(range(first - 1, last + 1))
    assert not run_rule("patchy-comms", case).candidates
    threshold(rules.silence, "EDGE", -24.0)
    assert run_rule("patchy-comms", case_of(roof)).candidates


@pytest.mark.parametrize(("units", "fault"), [(5, "gateway-silent"), (1, "patchy-comms")])
def test_a_day_lost_between_sound_ones_is_a_silence_of_its_own(units: int, fault: str) -> None:
    """Three broken days and, three sound ones later, one without a row: all links at once are not all bad, one may be."""
    roof = make_roof(days=14, kinds="c")
    for u in range(units):
        for day in (3, 4, 5):
            roof.silent(u, roof.when(day, day, 10.0, 14.0))
        roof.silent(u, roof.when(9, 9))
    found = [c for slug in ("gateway-silent", "patchy-comms", "unit-silent") for c in run_rule(slug, case_of(roof)).candidates]
    assert {c.fault for c in found if c.days[9]} == {fault}


def test_the_winter_day_of_a_plane_turned_from_the_sun_has_its_daylight() -> None:
    """At 45 degrees south a roof that faces south hardly sees the sun in July (pvlib's sun), and still makes a little."""
    away = {"south": (180.0, 20.0)}
    roof = make_roof(days=12, first=19905, latitude=-45.0, planes=away, units=(("south",) * 2,) * 5)  # from 2024-07-01
    found = findings(_silent(roof, [0, 1, 2, 3, 4], 5, 7))
    assert [(f.fault, f.days) for f in found] == [("gateway-silent", 3)]


@pytest.mark.parametrize(("light", "told"), [(0.04, False), (0.6, True)])
def test_units_that_make_next_to_nothing_before_and_after_may_be_asleep(light: float, told: bool) -> None:
    """Under snow or in polar gloom units fade out and in; behind a gateway that fails they stop at what they made."""
    roof = make_roof(days=8, kinds="c")
    roof.power[roof.when(4, 5)] *= light
    for u in range(5):
        roof.silent(u, roof.when(4, 4, 13.0, 24.0))
        roof.silent(u, roof.when(5, 5, 0.0, 11.0))
    result = run_rule("gateway-silent", case_of(roof))
    assert bool(result.candidates) is told
    assert any("asleep in the dark" in u.reason for u in result.unjudged) is not told


def test_a_sun_below_the_hills_is_no_daylight_to_be_silent_in() -> None:
    """Midwinter at 65 degrees north: a steep plane gets the low sun by the book, and by no hill that is there."""
    roof = make_roof(days=6, kinds="c", first=20073, latitude=65.0, planes={"south": (180.0, 60.0), "west": (180.0, 60.0)})
    for u in range(5):
        roof.silent(u, roof.when(2, 4))
    assert roof.sun_elevation.max() < rules.reduce.silence.HORIZON_DEG.value
    assert not run_rule("gateway-silent", case_of(roof)).candidates
