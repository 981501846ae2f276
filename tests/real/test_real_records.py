"""Records that lie: inserted stale and interpolated runs, clocks off by an hour and by two, an impossible
sensor.

Labels: ``stale_data_mask`` and ``interpolated_data_mask`` of pvanalytics; summer time began in the United
States
on 11 March 2012 (common knowledge); the sun set at 16:45 where ``nrel_RSF_II`` still reports light at 18:15.
"""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pandas as pd
import pytest
from measured import (
    MOUNTAIN,
    input_rows,
    late_clock_array,
    measured,
    site_toml,
    stale_inverter,
    summer_time_array,
    write_case,
)

from rules.learn import complete_site
from triage.check import CheckResult


def labelled_runs(mask: pd.Series) -> list[set[str]]:
    """Days of each labelled run longer than two hours."""
    run = (mask != mask.shift()).cumsum()
    groups = [g.index for _, g in mask[mask].groupby(run[mask])]
    return [{str(t.date()) for t in g} for g in groups if len(g) > 8]


def dates_of(result: CheckResult, fault: str) -> set[str]:
    return {d for f in result.findings if f.fault == fault for d in f.evidence["dates"]}


def test_every_stale_run_is_found_frozen(tmp_path: Path) -> None:
    """Three inserted runs, 245 rows: each shows as frozen readings on one of its days at least, and no day
    without a stale row does."""
    case = stale_inverter(tmp_path)
    runs = labelled_runs(case.source["stale_data_mask"])
    found = dates_of(case.check(), "frozen-readings")
    assert len(runs) == 3
    assert all(found & run for run in runs)
    assert found <= set().union(*runs)


def test_the_same_month_before_the_runs_were_put_in(tmp_path: Path) -> None:
    """The untouched series repeats nothing: no frozen readings."""
    source = measured("ac_power_inv_2173.csv", "timestamp", "UTC")
    case = stale_inverter(tmp_path)
    rows = pd.read_csv(case.telemetry)
    rows["dc_power_w"] = (5000.0 * source["value_normalized"]).to_numpy()
    rows.to_csv(case.telemetry, index=False)
    assert dates_of(case.check(), "frozen-readings") == set()


def test_interpolated_nights_are_not_taken_for_readings(tmp_path: Path) -> None:
    """1,254 interpolated rows in 12 runs, most of them over nights: power by night shows the record up."""
    case = stale_inverter(tmp_path, "interpolated")
    found = dates_of(case.check(), "frozen-readings")
    labelled = set().union(*labelled_runs(case.source["interpolated_data_mask"]))
    assert len(found) >= 5
    assert found <= labelled


def test_summer_time_in_a_record_that_says_it_has_none(tmp_path: Path) -> None:
    """Stamps say UTC-7 all year; the clock went ahead on 11 March 2012."""
    case = summer_time_array(tmp_path, slice("2012-02-10", "2012-05-10"))
    found = [f for f in case.check().findings if f.fault == "clock-shift"]
    assert len(found) == 1
    began = date.fromisoformat(found[0].first_seen)
    assert abs((began - date(2012, 3, 11)).days) <= 3
    assert "late" in found[0].why


def test_summer_time_with_the_plane_left_out(tmp_path: Path) -> None:
    """A whole summer an hour off: plane and clock are both found (winter gives azimuth 162 to 164)."""
    case = summer_time_array(tmp_path, slice("2011-06-01", "2011-10-30"), declared=False)
    site, loaded = case.load()
    plane = complete_site(site, loaded.telemetry).site.planes["roof"]
    assert plane.azimuth_deg == pytest.approx(163.0, abs=10.0)
    found = [f for f in case.check().findings if f.fault == "clock-shift"]
    assert found
    assert found[0].first_seen <= "2011-06-10"
    assert "late" in found[0].why


def test_record_two_hours_behind_the_sun(tmp_path: Path) -> None:
    case = late_clock_array(tmp_path)
    found = [f for f in case.check().findings if f.fault == "clock-shift"]
    assert len(found) == 1
    assert "late" in found[0].why
    assert found[0].evidence["shift_min"] == pytest.approx(120, abs=20)


def test_impossible_sensor_is_read_but_not_trusted(tmp_path: Path) -> None:
    """``system_15_poa_irradiance`` of summer 2023, up to 5,600 W/m², as the weather file of a site.

    The power beside it is another array's of the same place and season
    (``serf_east``, moved on by seven years): a stand-in, for no power of that
    system is published here.
    """
    sensor = measured("system_15_poa_irradiance.parquet", "measured_on", MOUNTAIN)
    sensor = sensor.loc["2023-07-01":"2023-08-31"].asfreq("15min")
    power = measured("serf_east_15min_ac_power.csv", "measured_on", MOUNTAIN).loc["2016-07-01":"2016-08-31"]
    power.index = power.index + (pd.Timestamp("2023-07-01") - pd.Timestamp("2016-07-01"))
    rows = input_rows(pd.DatetimeIndex(power.index), dc_power_w=power["ac_power"].clip(lower=0.0).to_numpy())
    weather = pd.DataFrame({"timestamp": sensor.index, "poa_w_m2": sensor["poa_irradiance__484"].to_numpy()})
    toml = site_toml((39.742, -105.18, 1829), MOUNTAIN, "azimuth_deg = 158\ntilt_deg = 45", "pmax_w = 6000", "inputs = 1")
    case = write_case(tmp_path, toml, rows, weather, sensor)
    site, loaded = case.load()
    assert sensor["poa_irradiance__484"].max() > 5000.0
    assert sum(loaded.emptied_values.values()) > 0
    assert loaded.weather["poa_w_m2"].max() > 1300.0
    result = case.check()
    assert result.irradiance_source == "own inputs"
    assert site.planes["roof"].tilt_deg == 45.0


def test_winter_storms_are_not_standby(tmp_path: Path) -> None:
    """Snow storms at the foot of the Rocky Mountains on 26 October 2011 and 3 February 2012 (well known, from memory):
    nothing that day, a trickle next morning, then full power within the hour in the middle of the day."""
    result = summer_time_array(tmp_path, slice("2011-10-15", "2012-03-05")).check()
    snow = dates_of(result, "snow")
    assert {"2011-10-26", "2011-10-27", "2012-02-03", "2012-02-04"} <= snow
    assert not dates_of(result, "unit-standby") & snow
    assert all(f.action != "visit" for f in result.findings if f.fault == "snow")
