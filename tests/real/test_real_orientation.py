"""A real array of documented orientation (azimuth 158, tilt 45, latitude 39.742: pvanalytics' documentation).

AC power of July to October 2016 at 15 minutes, monsoon afternoons and all.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from measured import MOUNTAIN, east_array, epoch, measured

from collectors.site import SiteFacts
from rules.clearness import clear_spells
from rules.irradiance import plane_effective
from rules.learn import complete_site
from rules.module import ambient_estimate, cell_temperature, per_rated
from rules.orientation import best_plane, infer_orientation
from rules.planefit import Orientation
from rules.sun import sun_of

FACTS = SiteFacts(id="east", latitude=39.742, longitude=-105.18, altitude_m=1829, timezone=MOUNTAIN)
AZIMUTH, TILT = 158.0, 45.0


def inferred(keep: slice = slice(None), clock_s: int = 0, step: str = "15min", find_shift: bool = False) -> Orientation:
    power = measured("serf_east_15min_ac_power.csv", "measured_on", MOUNTAIN).loc[keep, "ac_power"]
    power = power.asfreq("15min").resample(step).mean()
    ts = epoch(power.index) + clock_s
    step_s = int(ts[1] - ts[0])
    return infer_orientation(
        sun_of(FACTS, ts),
        power.to_numpy() / 6000.0,
        step_s,
        temp_air_c=ambient_estimate(FACTS, ts),
        find_shift=find_shift,
    )


def test_whole_record_within_ten_degrees() -> None:
    """Measured: azimuth 160.4, tilt 52.9 (errors 2.4 and 7.9 degrees)."""
    found = inferred()
    assert found.azimuth_deg == pytest.approx(AZIMUTH, abs=5.0)
    assert found.tilt_deg == pytest.approx(TILT, abs=10.0)
    assert abs(found.azimuth_deg - AZIMUTH) < 2.0 * found.azimuth_err_deg
    assert abs(found.tilt_deg - TILT) < 2.0 * found.tilt_err_deg
    assert found.days > 50


@pytest.mark.parametrize("start", ["2016-07-01", "2016-07-15", "2016-08-01", "2016-09-01", "2016-09-28"])
def test_fortnights_know_their_error(start: str) -> None:
    """Two cloudy weeks tell little; the stated errors must hold it, and the azimuth stays within 15
    degrees."""
    first = np.datetime64(start)
    found = inferred(slice(str(first), str(first + 13)))
    assert abs(found.azimuth_deg - AZIMUTH) < min(2.0 * found.azimuth_err_deg, 15.0)
    assert abs(found.tilt_deg - TILT) < 2.0 * found.tilt_err_deg


def test_hourly_means() -> None:
    """Stamped at the start of the hour, so taken 22.5 minutes later (the middle of its quarters)."""
    found = inferred(step="1h", clock_s=1350)
    assert found.azimuth_deg == pytest.approx(AZIMUTH, abs=10.0)
    assert found.tilt_deg == pytest.approx(TILT, abs=10.0)


@pytest.mark.parametrize("clock_s", [-3600, 3600])
def test_clock_an_hour_off_is_told_from_a_turned_plane(clock_s: int) -> None:
    """Without a look at first and last light it would be taken for 20 degrees or more of azimuth."""
    blind = inferred(clock_s=clock_s)
    found = inferred(clock_s=clock_s, find_shift=True)
    assert abs(blind.azimuth_deg - AZIMUTH) > 15.0
    assert found.shift_s == pytest.approx(clock_s, abs=600)
    assert found.azimuth_deg == pytest.approx(AZIMUTH, abs=10.0)


def test_right_clock_is_left_alone() -> None:
    found = inferred(find_shift=True)
    assert abs(found.shift_s) < 900


def test_its_own_plane_among_others() -> None:
    power = measured("serf_east_15min_ac_power.csv", "measured_on", MOUNTAIN)["ac_power"].asfreq("15min")
    ts = epoch(power.index)
    name, _ = best_plane(
        sun_of(FACTS, ts),
        power.to_numpy() / 6000.0,
        {"own": (AZIMUTH, TILT), "west": (248.0, 45.0), "east": (68.0, 45.0), "flat": (180.0, 5.0)},
        900,
        temp_air_c=ambient_estimate(FACTS, ts),
    )
    assert name == "own"


def test_healthy_array_has_no_findings(tmp_path: Path) -> None:
    """104 days of one input without siblings, thunderstorms most afternoons: nobody is called or sent."""
    findings = east_array(tmp_path).check().findings
    assert all(f.action == "none" for f in findings)
    assert {f.fault for f in findings} <= {"curtailment", "clipping"}


def test_undeclared_plane_through_the_check(tmp_path: Path) -> None:
    """The site file leaves the plane out: it is found, marked as inferred, and nothing is invented for it."""
    case = east_array(tmp_path, declared=False)
    site, loaded = case.load()
    done = complete_site(site, loaded.telemetry)
    plane = done.site.planes["roof"]
    assert plane.azimuth_deg == pytest.approx(AZIMUTH, abs=10.0)
    assert plane.tilt_deg == pytest.approx(TILT, abs=12.0)
    assert "azimuth" in done.inferred["orientation of plane roof"]
    result = case.check()
    assert result.inferred == done.inferred
    assert all(f.action == "none" for f in result.findings)
    assert "clock-shift" not in {f.fault for f in result.findings}


def test_clear_energy_keeps_its_level_from_july_to_october(tmp_path: Path) -> None:
    """Measured over expected on clear spells, by month: within 3 % of each other (0.80 to 0.81 of 6 kW)."""
    d = east_array(tmp_path).source
    ts = epoch(d.index)
    sun = sun_of(FACTS, ts)
    light = plane_effective(sun, AZIMUTH, TILT)
    air = ambient_estimate(FACTS, ts)
    expected = 6000.0 * per_rated(None, light, cell_temperature(light, air))
    power = d["ac_power"].to_numpy()
    spells = clear_spells(sun, power, 900, clear=expected)
    level = np.array(
        [power[spells & (d.index.month == m)].sum() / expected[spells & (d.index.month == m)].sum() for m in (7, 8, 9, 10)]
    )
    assert np.max(np.abs(level / level.mean() - 1.0)) < 0.03
    assert 0.7 < level.mean() < 1.0
