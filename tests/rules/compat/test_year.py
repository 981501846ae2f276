"""Clipping over a year against pvlib's own chain on a typical year that pvlib ships."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pvlib
import pytest

from rules.compat.profile import Profile
from rules.compat.year import YearWeather, clipping_loss, year_checks

DATA = Path(pvlib.__file__).parent / "data"


@pytest.fixture(scope="module")
def typical_year() -> tuple[pd.DataFrame, dict[str, Any]]:
    """Typical year of a place in North Carolina (TMY3), one common year, UTC."""
    frame, meta = pvlib.iotools.read_tmy3(DATA / "723170TYA.CSV", coerce_year=2021, map_variables=True)
    return frame, meta


def _weather(frame: pd.DataFrame) -> YearWeather:
    # TMY3 rows hold the hour before their stamp: its middle stands for it.
    middle = (frame.index.tz_convert("UTC") - pd.Timedelta("30min")).as_unit("s").astype(np.int64).to_numpy()
    columns = (frame[name].to_numpy(float) for name in ("ghi", "dni", "dhi", "temp_air", "wind_speed"))
    return YearWeather(middle, *columns)


def _there(make_site: Any, meta: dict[str, Any], **changes: Any) -> Any:
    place = {
        "site.latitude": meta["latitude"],
        "site.longitude": meta["longitude"],
        "site.altitude_m": meta["altitude"],
    }
    return make_site(place | changes)


def _pvlib_loss(frame: pd.DataFrame, meta: dict[str, Any], ceiling_ratio: float) -> float:
    """Share of DC energy above ``ceiling_ratio`` of the rating by pvlib's own functions, percent."""
    sun = pvlib.solarposition.get_solarposition(
        frame.index - pd.Timedelta("30min"), meta["latitude"], meta["longitude"], meta["altitude"]
    )
    sun.index = frame.index
    extra = pvlib.irradiance.get_extra_radiation(frame.index.day_of_year.to_numpy())
    air_mass = pvlib.atmosphere.get_relative_airmass(sun["apparent_zenith"])
    poa = pvlib.irradiance.get_total_irradiance(
        30, 180, sun["apparent_zenith"], sun["azimuth"], frame["dni"], frame["ghi"], frame["dhi"], extra,
        air_mass, model="perez",
    )["poa_global"].fillna(0.0)  # fmt: skip
    cell = pvlib.temperature.faiman(poa, frame["temp_air"], frame["wind_speed"])
    power = pvlib.pvsystem.pvwatts_dc(poa, cell, 1.0, -0.0034)
    return float(100 * np.maximum(power - ceiling_ratio, 0).sum() / power.sum())


@pytest.mark.parametrize("rated_va", [500.0, 600.0, 700.0])
def test_power_clipping_against_pvlib(typical_year: Any, make_site: Any, rated_va: float) -> None:
    frame, meta = typical_year
    site = _there(make_site, meta, **{"inverters.i.rated_va": rated_va, "inverters.i.max_input_a": None})
    refs = tuple(ref for ref in site.inputs if ref.unit == "U1")
    ours = clipping_loss(refs, site, _weather(frame))
    reference = _pvlib_loss(frame, meta, rated_va / 0.953 / 810.0)
    # Perez against Hay-Davies, reflection and low light: some points apart.
    assert ours.percent == pytest.approx(reference, abs=1.5)
    assert reference > 0.3
    assert ours.lost_by_current_wh == 0.0


def test_less_ceiling_more_loss(make_site: Any) -> None:
    losses = []
    for rated in (900.0, 600.0, 500.0, 400.0):
        site = make_site({"inverters.i.rated_va": rated})
        losses.append(clipping_loss(site.inputs[:2], site).percent)
    assert losses[0] == 0.0
    assert losses == sorted(losses)
    assert losses[-1] > 10.0


def test_current_limit_clips_before_the_unit(make_site: Any) -> None:
    site = make_site({"inverters.i.max_input_a": 9.0, "inverters.i.rated_va": 900.0})
    loss = clipping_loss(site.inputs[:2], site)
    assert loss.lost_by_current_wh > 0.0
    assert loss.lost_by_power_wh == 0.0


def test_two_planes_share_the_ceiling(make_site: Any) -> None:
    # East and west peak apart, so the same rating clips less than one plane does.
    changes = {
        "inverters.i.rated_va": 500.0,
        "planes.east": {"azimuth_deg": 90, "tilt_deg": 30},
        "planes.west": {"azimuth_deg": 270, "tilt_deg": 30},
        "units.0.inputs.0.plane": "east",
        "units.0.inputs.1.plane": "west",
    }
    split, whole = make_site(changes), make_site({"inverters.i.rated_va": 500.0})
    assert clipping_loss(split.inputs[:2], split).percent < 0.5 * clipping_loss(whole.inputs[:2], whole).percent


def test_limit_changes_the_verdict_and_missing_plane_is_named(make_site: Any, iec: Profile) -> None:
    verdicts = []
    for rated in (800.0, 500.0):
        (check,) = year_checks(make_site({"inverters.i.rated_va": rated}), iec)
        verdicts.append(check.verdict)
    assert verdicts == ["pass", "near"]
    (check,) = year_checks(make_site({"planes.south": {}}), iec)
    assert check.verdict == "unknown"
    assert "[planes.south] azimuth_deg and tilt_deg" in check.change


@pytest.mark.parametrize(("name", "bound"), [("723170TYA.CSV", 2.0), ("703165TY.csv", 4.0)])
def test_share_of_a_year_below_the_waking_light(name: str, bound: float) -> None:
    # The profile says 1 to 4 % of a year's energy falls below 50 W/m² on south and east roofs.
    frame, meta = pvlib.iotools.read_tmy3(DATA / name, coerce_year=2021, map_variables=True)
    sun = pvlib.solarposition.get_solarposition(frame.index - pd.Timedelta("30min"), meta["latitude"], meta["longitude"])
    for azimuth in (90, 180):
        poa = pvlib.irradiance.get_total_irradiance(
            30, azimuth, sun["apparent_zenith"].to_numpy(), sun["azimuth"].to_numpy(),
            frame["dni"].to_numpy(), frame["ghi"].to_numpy(), frame["dhi"].to_numpy(),
        )["poa_global"]  # fmt: skip
        share = 100.0 * poa[poa < 50.0].sum() / poa.sum()
        assert 0.5 < share < bound
