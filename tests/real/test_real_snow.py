"""A real combiner under snow: volts, amperes, plane irradiance, temperatures, and an independent snowfall
record.

Snowfall (``snow_snowfall.csv``): 38 mm on 7 January 2022, 25 mm on 8 January, none on the other days.
Energy over
what the plane irradiance would give: 0.98 and 0.91 before, 0.29, 0.44, 0.59 under snow, 0.79 on the 10th.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from measured import DATA, combiner, epoch

from collectors.site import Module
from rules.module import per_rated
from rules.sun import sun_of


def test_place_and_zone_follow_from_the_files_own_sun(tmp_path: Path) -> None:
    """The file carries pvlib sun positions and incidence angles; place, zone and plane were found from
    them."""
    case = combiner(tmp_path)
    site, _ = case.load()
    sun = sun_of(site.site, epoch(case.source.index))
    known = case.source["azimuth"].notna().to_numpy()
    np.testing.assert_allclose(sun.azimuth_deg[known], case.source["azimuth"][known], atol=2e-3)
    np.testing.assert_allclose(sun.elevation_deg[known], case.source["apparent_elevation"][known], atol=2e-3)


def test_ratio_to_plane_irradiance_drops_with_the_snowfall(tmp_path: Path) -> None:
    """Expected from measured light and module temperature: within 10 % before the snowfall, under 70 % on the
    days of the record and the day after."""
    case = combiner(tmp_path)
    d = case.source
    snowfall = pd.read_csv(str(DATA / "snow_snowfall.csv"), index_col="DATE")["SNOW"]
    light = np.maximum(d["POA [W/m²]"].to_numpy(), 0.0)
    expected = 22000.0 * per_rated(Module(pmax_w=22000), light, d["Module Temp [C]"].to_numpy())
    power = (d["INV1 CB2 Voltage [V]"] * d["INV1 CB2 Current [A]"]).to_numpy()
    use = np.isfinite(power) & (light > 50.0)
    ratio = {
        str(day): power[use & (d.index.date == day)].sum() / expected[use & (d.index.date == day)].sum()
        for day in np.unique(d.index.date)
    }
    assert [ratio["2022-01-05"], ratio["2022-01-06"]] == pytest.approx([0.95, 0.95], abs=0.07)
    for day in snowfall[snowfall > 0].index:
        assert ratio[day] < 0.5
    assert ratio["2022-01-09"] < 0.7
    assert ratio["2022-01-10"] > 0.7


def test_snow_is_found_on_its_days(tmp_path: Path) -> None:
    """The days of the snowfall record and the day after, when the combiner still made 0.59 of its light; nobody is sent up."""
    result = combiner(tmp_path).check()
    assert result.irradiance_source == "poa sensor"
    assert [(f.fault, f.first_seen, f.last_seen) for f in result.findings] == [("snow", "2022-01-07", "2022-01-09")]
    assert result.findings[0].action != "visit"
