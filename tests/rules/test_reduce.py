"""From samples to features of a day."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import rules.panel
import rules.reduce.frame
from rules.daytable import DARK, DEAD, FIELDS, IDLE, MISSING, STANDBY
from rules.reduce import reduce_days, symptoms
from tests.rules.conftest import MoveThreshold
from tests.rules.make import FIRST_DAY, NO_WEATHER, Roof, make_roof, table_of


def _hours(roof: Roof, code: int) -> np.ndarray:
    return table_of(roof)["symptom_slots"][:, :, code]


def test_energy_is_what_was_recorded() -> None:
    roof = make_roof(days=3)
    made = np.array([roof.power[roof.day == d].sum(axis=0) / 12 / 400 for d in range(3)])
    np.testing.assert_allclose(table_of(roof)["power"].sum(axis=2), made, rtol=1e-3)


@pytest.mark.parametrize(("inject", "code"), [("dead", DEAD), ("idle", IDLE), ("standby", STANDBY), ("silent", MISSING)])
def test_each_symptom_has_its_code(inject: str, code: int) -> None:
    roof = make_roof(days=3, kinds="c")
    getattr(roof, inject)(1, roof.when(1, 1, 10, 13))
    hours = table_of(roof)["symptom_slots"]
    inputs = [1] if inject in ("dead", "idle") else roof.inputs_of(1)
    assert hours[1, inputs, code] == pytest.approx(3.0, abs=0.1)
    rest = hours.copy()
    rest[1, inputs] = 0
    assert rest.sum() < 0.5


def test_without_voltage_it_is_dark() -> None:
    roof = make_roof(days=3, kinds="c")
    roof.dead(1, roof.when(1, 1, 10, 13))
    roof.without |= {"dc_voltage_v"}
    assert _hours(roof, DARK)[1, 1] == pytest.approx(3.0, abs=0.1)


def test_first_and_last_second_of_a_symptom() -> None:
    roof = make_roof(days=3, kinds="c")
    when = roof.when(1, 1, 10, 13)
    roof.dead(1, when)
    table = table_of(roof)
    assert table["symptom_first"][1, 1, DEAD] == roof.ts[when][0]
    assert table["symptom_last"][1, 1, DEAD] == roof.ts[when][-1]


def test_no_day_depends_on_another() -> None:
    roof = make_roof(days=6)
    roof.dead(1, roof.when(2, 3))
    frame = roof.frame()
    span = (int(frame["ts"].min()), int(frame["ts"].max()))
    whole = reduce_days(roof.site, frame, NO_WEATHER, span=span)
    for k, day in enumerate(whole.days.tolist()):
        alone = reduce_days(roof.site, frame, NO_WEATHER, days=[day], span=span)
        for name in FIELDS:
            np.testing.assert_allclose(alone[name][0], whole[name][k], rtol=1e-5, atol=1e-6, err_msg=name)


@pytest.mark.parametrize(("name", "value"), [("LIT_POWER", 2.0), ("ZERO_POWER", -1.0), ("DEAD_VOLTS", -1.0)])
def test_thresholds_count(threshold: MoveThreshold, name: str, value: float) -> None:
    roof = make_roof(days=3, kinds="c")
    roof.dead(1, roof.when(1, 1, 10, 13))
    before = _hours(roof, DEAD)[1, 1]
    threshold(rules.reduce.frame if name == "LIT_POWER" else symptoms, name, value)
    if name == "ZERO_POWER":
        threshold(symptoms, "ZERO_SHARE", value)
    assert _hours(roof, DEAD)[1, 1] < before


def test_a_leak_below_the_share_is_nil() -> None:
    for factor, nil in ((0.5, True), (2.0, False)):
        roof = make_roof(days=3, kinds="c")
        when = roof.when(1, 1, 10, 14)
        roof.idle(1, when)
        leak = factor * max(symptoms.ZERO_SHARE.value * roof.healthy[when, 1].max(), 400 * symptoms.ZERO_POWER.value)
        roof.power[when, 1] = leak
        assert bool(_hours(roof, IDLE)[1, 1] > 3) is nil


def test_weather_is_kept_by_half_hours() -> None:
    roof = make_roof(days=2, kinds="c")
    sky = table_of(roof, roof.weather(poa_of="south"))
    noon = roof.when(0, 0, 12, 12.5)
    pick = noon & (roof.ts % 900 == 0)
    assert sky["sky"][0, 0, 24] == pytest.approx(roof.ghi[pick].mean(), rel=1e-6)
    assert sky["poa_plane"].tolist() == [0, 0]


def test_counters_of_the_day() -> None:
    roof = make_roof(days=3)
    at = int(np.flatnonzero(roof.when(1, 1, 12))[0])
    roof.counter_reset_at = {4: at}
    table = table_of(roof)
    assert table["counter_reset"].tolist() == [[0] * 10, [0, 0, 0, 0, 1, 0, 0, 0, 0, 0], [0] * 10]
    assert (table["counter_last"][0] > table["counter_first"][0]).all()


def test_rows_written_all_night_change_only_what_tells_of_the_night() -> None:
    roof = make_roof(days=4)
    roof.standby(1, roof.when(1, 1, 10, 13))
    by_day = roof.frame()
    first = by_day.drop_duplicates(["unit", "input"]).assign(dc_power_w=0.0, dc_voltage_v=0.0, dc_current_a=0.0, state="off")
    start = int(by_day["ts"].min()) // 86400 * 86400
    silent = sorted(set(range(start, int(by_day["ts"].max()), 300)) - set(by_day["ts"]))
    by_night = pd.concat([first.assign(ts=ts) for ts in silent])
    everything = pd.concat([by_day, by_night]).sort_values("ts").reset_index(drop=True)
    span = (start, int(by_day["ts"].max()))
    part = reduce_days(roof.site, by_day, NO_WEATHER, span=span)
    whole = reduce_days(roof.site, everything, NO_WEATHER, span=span)
    assert whole["night_rows_h"][1].min() > 5.0
    assert part["night_rows_h"].max() == 0.0
    for name in ("power", "typical", "clear", "symptom_loss", "volt_ratio", "restarts", "frozen_h", "clipped_h"):
        np.testing.assert_allclose(whole[name], part[name], atol=2e-3, err_msg=name)


def test_what_is_computed_of_daylight_is_that_of_the_whole_day(monkeypatch: pytest.MonkeyPatch) -> None:
    roof = make_roof(days=4)
    roof.standby(1, roof.when(1, 1, 10, 13))
    cut = table_of(roof)
    monkeypatch.setattr(rules.panel, "lit_slots", lambda *args: (0, args[2]))
    uncut = table_of(roof)
    for name in set(FIELDS) - {"hz_bin", "volt_bin"}:  # grid readings by the half hour are kept of the day only
        np.testing.assert_allclose(cut[name], uncut[name], rtol=1e-5, atol=1e-6, err_msg=name)


def test_a_roof_turned_from_a_winters_sun_has_its_light() -> None:
    """A plane to the north at 50 degrees in December sees no direct sun at all (pvlib): dead is dead there, too."""
    roof = make_roof(
        days=4, kinds="o", first=FIRST_DAY + 183, latitude=50.0, units=(("north",) * 2,) * 3, planes={"north": (0.0, 50.0)}
    )
    roof.power *= 3.0  # a sky as bright all over as a thin overcast
    roof.dead(2, roof.when(1, 2))
    hours = table_of(roof)["symptom_slots"][:, 2, DEAD]
    assert (hours[1:3] > 2.0).all()
    assert not hours[[0, 3]].any()


def test_who_waits_for_his_grid_is_measured_by_nobody() -> None:
    """At a branch's end a unit trips time and again; the instants read between show a grid in its window (common practice)."""
    roof = make_roof(days=2, kinds="c", step=900)
    noon, u = roof.when(1, 1, 11.0, 13.0), 1
    rows = np.flatnonzero(noon)
    roof.standby(u, noon, "starting")
    roof.ac_volts[rows[::4], u] = 258.0
    roof.ac_volts[rows[1::4], u] = 249.0
    table, mine = table_of(roof), roof.inputs_of(u)
    assert table["grid_trip_h"][1, u] >= 1.0
    made, owed = table["free_power"][1, mine].sum(), table["free_typical"][1, mine].sum()
    assert made == pytest.approx(owed, rel=0.03)
    assert table["power"][1, mine].sum() < 0.85 * table["typical"][1, mine].sum()
    assert table["free_typical"][0, mine].sum() == pytest.approx(table["typical"][0, mine].sum(), rel=1e-6)
