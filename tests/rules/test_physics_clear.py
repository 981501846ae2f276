"""Clear spells against pvlib's detector on measured irradiance, and on made clear sky.

Measured: ``irradiance_RMIS_NREL.csv`` and ``midc_bms_ghi_20220120.csv`` of pvanalytics (MIT), a research
radiometer at latitude 39.742, longitude -105.18, 1829 m.  Made skies are marked as such.
"""

from __future__ import annotations

from importlib import resources

import numpy as np
import pandas as pd
import pytest
from pvlib import clearsky

from collectors.site import SiteFacts
from rules.clearness import clear_spells, solar_days
from rules.irradiance import plane_global
from rules.sun import Sun, sun_of

DATA = resources.files("pvanalytics") / "data"
LAB = SiteFacts(id="lab", latitude=39.742, longitude=-105.18, altitude_m=1829, timezone="Etc/GMT+7")


def radiometer(step: str = "5min") -> tuple[Sun, np.ndarray, float]:
    """Five February days of global horizontal irradiance, averaged to a step, stamped at its middle."""
    table = pd.read_csv(str(DATA / "irradiance_RMIS_NREL.csv"), index_col=0)
    table.index = pd.DatetimeIndex(pd.to_datetime(table.index)).tz_localize("Etc/GMT+7")
    ghi = table["irradiance_ghi__7981"].resample(step).mean()
    step_s = pd.Timedelta(step).total_seconds()
    ts = np.array([int(t.timestamp()) for t in ghi.index], dtype=np.int64) + int(step_s / 2 - 150)
    return sun_of(LAB, ts), ghi.to_numpy(), step_s


def made(days: int = 20, step_s: int = 300, cloudy: float = 0.4, seed: int = 5) -> tuple[Sun, np.ndarray, np.ndarray]:
    """Made: sun, a sensor's readings and which days were cloudy, for a site at 48 degrees north in May."""
    facts = SiteFacts(id="made", latitude=48.0, longitude=11.0, altitude_m=500, timezone="UTC")
    begin = int(pd.Timestamp("2025-05-01", tz="UTC").timestamp())
    sun = sun_of(facts, np.arange(begin, begin + days * 86400, step_s, dtype=np.int64))
    random = np.random.default_rng(seed)
    day = solar_days(sun) - solar_days(sun).min()
    overcast = random.random(int(day.max()) + 1) < cloudy
    index = np.where(overcast[day], np.clip(random.normal(0.5, 0.25, day.size), 0.05, 1.15), 1.0)
    reading = sun.clear_ghi * index * random.normal(1.0, 0.004, day.size)
    return sun, reading, overcast[day]


@pytest.mark.filterwarnings("ignore::pandas.errors.Pandas4Warning")  # raised inside pvlib
@pytest.mark.parametrize("step", ["5min", "15min"])
def test_clear_spells_against_pvlibs_detector(step: str) -> None:
    """``pvlib.clearsky.detect_clearsky`` (Reno and Hansen 2016; Jordan and Hansen 2023 for the window's
    limits).

    That one casts wide (it also takes broken sky of the right mean), ours
    must be sure: nine in ten of our clear stamps are clear to pvlib too, and
    on our spells the sky really stands still.
    """
    sun, ghi, step_s = radiometer(step)
    own = clear_spells(sun, ghi, step_s)
    when = pd.to_datetime(sun.ts, unit="s")
    theirs = clearsky.detect_clearsky(
        pd.Series(ghi, when).interpolate(), pd.Series(sun.clear_ghi, when), infer_limits=True
    ).to_numpy()
    assert own.sum() * step_s > 10 * 3600
    assert theirs[own].mean() > 0.9
    index = ghi[own] / sun.clear_ghi[own]
    assert np.quantile(np.abs(index / np.median(index) - 1.0), 0.95) < 0.12


def test_one_minute_data() -> None:
    """A clear January morning at one minute (``midc_bms_ghi_20220120``), with cloud after 15 h."""
    table = pd.read_csv(str(DATA / "midc_bms_ghi_20220120.csv"), index_col=0)
    stamps = pd.DatetimeIndex(pd.to_datetime(table.index))
    sun = sun_of(LAB, np.array([int(t.timestamp()) for t in stamps], dtype=np.int64))
    own = clear_spells(sun, table.iloc[:, 0].to_numpy(), 60.0)
    hour = stamps.hour + stamps.minute / 60
    assert own[(hour > 12.5) & (hour < 14.5)].mean() > 0.9
    assert own[sun.elevation_deg < 0].sum() == 0


@pytest.mark.parametrize("step_s", [60, 300, 900, 1800, 3600])
def test_made_days_are_told_apart_at_any_step(step_s: int) -> None:
    sun, reading, overcast = made(10 if step_s == 60 else 20, step_s)
    own = clear_spells(sun, reading, step_s)
    high = sun.elevation_deg > 25
    assert own[high & ~overcast].mean() > 0.6
    assert own[high & overcast].mean() < 0.02


def test_power_in_any_unit_and_plane() -> None:
    sun, reading, overcast = made()
    clear = plane_global(sun, 250.0, 35.0)
    power = 0.31 * clear * np.where(overcast, 0.5, 1.0)
    own = clear_spells(sun, power, 300, clear)
    assert own[~overcast & (sun.elevation_deg > 25)].mean() > 0.8
    assert own[overcast].mean() < 0.02
    assert clear_spells(sun, np.full(reading.size, np.nan), 300).sum() == 0


def test_solar_days_change_at_solar_midnight() -> None:
    sun, _, _ = made(6)
    day = solar_days(sun)
    changes = sun.ts[1:][np.diff(day) > 0]
    lowest = [sun.ts[day == d][np.argmin(sun.elevation_deg[day == d])] for d in np.unique(day)[1:-1]]
    for low in lowest:
        assert np.abs(changes - low).min() < 1800
