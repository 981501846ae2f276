"""What rules may ask: sky, sensor, ratios, runs."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import rules.sensor
from rules.case import Case
from rules.days import runs_of, span_mask
from rules.finding import Threshold
from rules.ranks import weighted_quantile
from tests.rules.make import FIRST_DAY, case_of, cloud_course, make_roof, sky


def test_clear_index_agrees_with_pvlib() -> None:
    """The index read from the inputs, against GHI over pvlib's simplified Solis clear sky it was made from."""
    roof = make_roof(days=10, kinds="cmo", spread=0.0)
    case = case_of(roof)
    made = cloud_course(10, 288, "cmo", 7)
    by_bin = made.reshape(10, 48, 6).mean(axis=2)
    use = np.isfinite(case.inputs_index) & (case.bin_elevation > 25)
    error = (case.inputs_index - by_bin)[use]
    assert use.sum() > 100
    assert abs(np.median(error)) < 0.08
    assert np.quantile(np.abs(error), 0.8) < 0.15


def test_clear_index_by_a_sensor_agrees_too() -> None:
    roof = make_roof(days=6, kinds="cmo")
    case = case_of(roof, roof.weather(step=300))
    by_bin = cloud_course(6, 288, "cmo", 7).reshape(6, 48, 6).mean(axis=2)
    use = np.isfinite(case.sensor_index) & (case.bin_elevation > 25)
    assert np.quantile(np.abs(case.sensor_index - by_bin)[use], 0.9) < 0.1


def test_inversion_undoes_the_response(healthy_case: Case) -> None:
    index = np.full((healthy_case.day_count, 48), 0.6)
    share = healthy_case.sky_levels.made(index, 0)
    again = healthy_case.sky_levels.brightness(share, 0)
    use = (healthy_case.bin_elevation > 20) & np.isfinite(again)
    assert use.sum() > 50
    np.testing.assert_allclose(again[use], 0.6, atol=0.02)


def test_a_good_sensor_is_used_and_a_wrong_one_is_not() -> None:
    roof = make_roof(days=8)
    right, wrong = roof.weather(), roof.weather()
    wrong["ghi_w_m2"] *= 2.2
    low = roof.weather()
    low["ghi_w_m2"] /= 1000.0  # kW/m2 in a column of W/m2
    assert case_of(roof, right).irradiance_source == "ghi sensor"
    assert case_of(roof, roof.weather(ghi=False, poa_of="south")).irradiance_source == "poa sensor"
    assert case_of(roof, wrong).irradiance_source == "own inputs"
    assert case_of(roof, low).irradiance_source == "own inputs"
    assert case_of(roof).irradiance_source == "own inputs"


def test_a_sensor_that_is_wrong_by_a_steady_factor_is_scaled() -> None:
    roof = make_roof(days=8)
    weather = roof.weather()
    weather["ghi_w_m2"] *= 0.6
    case = case_of(roof, weather)
    assert case.irradiance_source == "ghi sensor"
    use = np.isfinite(case.sensor_index) & (case.bin_elevation > 20)
    assert np.median(case.sky_index[use] / case.inputs_index[use]) == pytest.approx(1.0, abs=0.03)
    assert "scaled" in case.sensor_trust[1]
    for name, value in (("SENSOR_SCALE", 0.8), ("SENSOR_STEADY", 0.0)):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(rules.sensor, name, Threshold(value, "", "moved"))
            assert case_of(roof, weather).irradiance_source == "own inputs"


_TWO_WAYS = {"south": (180.0, 35.0), "north": (0.0, 35.0)}


def test_a_sensor_turned_from_the_sun_speaks_for_its_own_plane_alone() -> None:
    """Under thin cloud a north plane in winter gets more light than under a clear sky (the roof's light is pvlib's)."""
    roof = make_roof(days=10, kinds="cmo", first=20089, planes=_TWO_WAYS, units=[["south"] * 2, ["north"] * 2])
    case = case_of(roof, roof.weather(ghi=False, poa_of="north", step=300))
    south, north = case.names.index("south"), case.names.index("north")
    high = case.bin_elevation > 15
    assert np.isfinite(case.sensor_sky(north)[high]).mean() > 0.9
    assert np.isfinite(case.sensor_sky(south)[high]).mean() < 0.1
    made = np.where(high, case.table["plane_typical"][:, south], 0.0).sum()
    owed = np.where(high, np.nan_to_num(case.expected_share[:, south]) * case.table["plane_clear"][:, south], 0.0).sum()
    assert owed == pytest.approx(made, rel=0.1)


def test_of_several_sensors_the_sunniest_plane_s_is_read() -> None:
    roof = make_roof(days=4, kinds="cm", planes=_TWO_WAYS, units=[["south"] * 2, ["north"] * 2])
    both = pd.concat([roof.weather(ghi=False, poa_of=name) for name in ("north", "south")], ignore_index=True)
    case = case_of(roof, both.sort_values(["ts", "plane"], ignore_index=True))
    assert case.names[int(case.table["poa_plane"].max())] == "south"


_APART = {"east": (90.0, 40.0), "west": (250.0, 40.0)}


def _miss(case: Case, plane: str) -> float:
    """How far a plane's expectation lies from what it made, by half hours, as a share of all."""
    p = case.names.index(plane)
    made, clear = case.table["plane_typical"][:, p], case.table["plane_clear"][:, p]
    owed = np.nan_to_num(case.expected_share[:, p]) * clear
    return float(np.abs(owed - made).sum() / made.sum())


def test_a_plane_s_own_sensor_says_what_it_gets() -> None:
    """Clouds in the east take of its light what a sensor in the west does not see: one in each leaves no sky model between."""
    roof = make_roof(days=9, kinds="mmc", planes=_APART, units=[["east"] * 2, ["west"] * 2])
    cloudy = roof.when(0, 8, 6.0, 13.0) & (roof.ts // 86400 % 2 == 0)
    roof.power[cloudy, :2] *= 0.7
    roof.poa[cloudy, :2] *= 0.7
    one = case_of(roof, roof.weather(ghi=False, poa_of="west"))
    frames = [roof.weather(ghi=False, poa_of=name) for name in ("east", "west")]
    both = pd.concat(frames, ignore_index=True).sort_values(["ts", "plane"], ignore_index=True)
    each = case_of(roof, both)
    assert _miss(each, "east") < 0.7 * _miss(one, "east")
    assert _miss(each, "west") == pytest.approx(_miss(one, "west"), abs=0.01)
    wrong = both.assign(poa_w_m2=both["poa_w_m2"] * np.where(both["plane"] == "east", 0.5, 1.0))
    assert _miss(case_of(roof, wrong), "east") == pytest.approx(_miss(one, "east"))


def test_beam_and_diffuse_light_leave_no_sky_model_between() -> None:
    """Global and diffuse light, as the roof was made from (pvlib's transposition), against global light alone."""
    roof = make_roof(days=9, kinds="mmc", planes=_APART, units=[["east"] * 2, ["west"] * 2])
    seen = sky(roof.site.site.latitude, roof.site.site.longitude, FIRST_DAY, 9, 300)
    index = np.pad(cloud_course(9, 288, "mmc", 7), (0, 300), mode="edge")[: len(roof.ts)]
    dni = seen["dni"] * np.clip((index - 0.3) / 0.7, 0.0, 1.02) ** 1.3
    cosine = np.maximum(np.cos(np.radians(seen["zenith"])), 0.0)
    dhi = np.maximum(roof.ghi - dni * cosine, 0.0)
    plain = roof.weather(step=300)
    told = _miss(case_of(roof, plain.assign(dhi_w_m2=dhi)), "east")
    assert told < 0.7 * _miss(case_of(roof, plain), "east")
    parts = plain.assign(dhi_w_m2=dhi, dni_w_m2=dni, ghi_w_m2=np.nan)
    assert _miss(case_of(roof, parts), "east") == pytest.approx(told, abs=0.02)


def _apart(case: Case) -> float:
    """Median deviation of the sensor from what the inputs see of the sky, once scaled."""
    both = np.isfinite(case.sensor_index) & (case.inputs_index > 0.15) & (case.bin_elevation > 12.0)
    ratio = case.sensor_index[both] / case.inputs_index[both]
    return float(np.median(np.abs(ratio / np.median(ratio) - 1.0)))


@pytest.mark.parametrize("late", [0, 3600])
def test_weather_may_be_stamped_at_the_other_end_of_its_rows(late: int) -> None:
    """Hourly means of light, stamped where they begin or end, beside hourly readings of the inputs at that very moment."""
    roof, fine = (make_roof(days=8, kinds="c", step=step) for step in (3600, 300))
    hourly = fine.weather(air=False, step=300).assign(ts=lambda w: w["ts"] // 3600 * 3600 + late)
    weather = hourly.groupby(["ts", "plane"], as_index=False).mean()
    assert _apart(case_of(roof, weather)) < 0.025
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(rules.sensor, "STAMPED", Threshold(0.0, "", "moved"))
        assert _apart(case_of(roof, weather)) > 0.05


def test_readings_are_held_against_the_sun_of_their_stamps() -> None:
    """A station that reads at the full half hour sees the sun a quarter of an hour before the middle of it."""
    roof = make_roof(days=8, kinds="c", longitude=0.0)
    weather = roof.weather(step=1800)
    case = case_of(roof, weather)
    assert case.table["sky_late"] == pytest.approx(np.full(8, -900.0))
    high = case.sky_sun.elevation_deg.reshape(case.bin_elevation.shape)
    low = np.isfinite(case.sensor_index) & (high > 12.0) & (high < 30.0)
    morning = low & (np.arange(48) < 24)
    by_half = [float(np.median(case.sensor_index[part])) for part in (morning, low & ~morning)]
    assert by_half[0] == pytest.approx(by_half[1], rel=0.03)


def test_hours_in_which_something_shades_the_sensor_are_left_out() -> None:
    roof = make_roof(days=12, kinds="ccm")
    weather = roof.weather(step=300)
    dark = np.isin(weather["ts"], roof.ts[roof.when(start=8.0, end=10.0)])
    weather.loc[dark, "ghi_w_m2"] *= 0.4
    case = case_of(roof, weather)
    assert case.irradiance_source == "ghi sensor"
    hours = np.arange(48) / 2
    shaded = (hours >= 8) & (hours < 10)
    silent = np.isnan(case.sensor_index) & (case.bin_elevation > 15)
    assert silent[:, shaded].mean() > 0.9
    assert not silent[:, ~shaded].any()
    assert np.median(case.sky_index[:, shaded] / case.inputs_index[:, shaded]) == pytest.approx(1.0, abs=0.03)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(rules.sensor, "SENSOR_SHADOW", Threshold(0.1, "", "moved"))
        assert np.isfinite(case_of(roof, weather).sensor_index[:, shaded]).all()


def test_a_sensor_whose_factor_drifts_is_not() -> None:
    roof = make_roof(days=16)
    weather = roof.weather()
    weather["ghi_w_m2"] *= np.linspace(0.45, 0.9, len(weather))
    assert case_of(roof, weather).irradiance_source == "own inputs"


def test_ratio_of_a_healthy_input_is_one(healthy_case: Case) -> None:
    level = np.nanmedian(healthy_case.day_level, axis=0)
    assert level == pytest.approx(np.ones(10), abs=0.03)
    assert healthy_case.members.tolist() == [6] * 6 + [4] * 4


def test_runs_bridge_days_that_were_not_judged() -> None:
    hit = np.array([1, 0, 1, 1, 0, 0, 1], bool)
    soft = np.array([0, 1, 0, 0, 0, 0, 0], bool)
    assert runs_of(hit) == [(0, 0), (2, 3), (6, 6)]
    assert runs_of(hit, soft) == [(0, 3), (6, 6)]
    assert runs_of(hit, soft, most=2) == [(0, 6)]
    assert runs_of(np.zeros(4, bool)) == []
    assert span_mask(4, [(1, 2)]).tolist() == [False, True, True, False]


def test_weighted_quantile() -> None:
    values = np.array([[1.0, 2.0, np.nan, 4.0]])
    assert weighted_quantile(values, np.array([[1.0, 1.0, 0.0, 1.0]]), 0.5)[0] == 2.0
    assert weighted_quantile(values, np.array([[0.0, 0.0, 0.0, 1.0]]), 0.1)[0] == 4.0
    assert np.isnan(weighted_quantile(values, np.zeros((1, 4)), 0.5)[0])


def test_a_sensor_with_hardly_a_reading_is_not_called_none() -> None:
    roof = make_roof(days=2)
    weather = roof.weather()
    noon = weather[weather["ghi_w_m2"] > 0.9 * weather["ghi_w_m2"].max()].iloc[:12].reset_index(drop=True)
    assert case_of(roof).sensor_trust[1] == "no sensor"
    assert "too few" in case_of(roof, noon).sensor_trust[1]


def test_an_hour_that_is_bright_on_broken_days_stands_in_no_shade() -> None:
    """Clouds at one hour of the few plain days are no obstacle: what stands before a plane does so on every day."""
    roof = make_roof(days=14, kinds="c", units=[["south"] * 2] * 3)
    early = (roof.hour > 7.5) & (roof.hour < 9.5)
    plain = np.isin((np.arange(len(roof.ts)) * roof.step) // 86400, (1, 4, 7, 10, 13))
    shaded = make_roof(days=14, kinds="c", units=[["south"] * 2] * 3)
    for each in (roof, shaded):
        each.power[~plain & ~early] *= 0.6
    roof.power[plain & early] *= 0.3
    shaded.power[early] *= 0.3
    hour = slice(16, 18)
    assert (case_of(roof).plane_open[4:10, 0, hour] == 1.0).all()
    assert (case_of(shaded).plane_open[4:10, 0, hour] < 0.5).all()
