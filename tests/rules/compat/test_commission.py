"""The commissioning record on days made by pvlib's own chain: clear sky, Perez, CEC one-diode module."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import pandas as pd
import pvlib
import pytest
from measure_library import crystalline

from collectors.columns import EVENT_COLUMNS, TELEMETRY_COLUMNS, WEATHER_COLUMNS
from collectors.site import SiteDescription
from rules.compat.commission import commission
from rules.compat.inputs_seen import WAKE_LATE
from rules.compat.record import CommissionRecord, Place

LATITUDE, LONGITUDE, ALTITUDE = 40.2, -3.5, 620.0
PLANES = {"south": (180.0, 30.0), "east": (90.0, 25.0)}
FIRST = "2025-05-10"
DAYS = 5
CLEAR = (1, 3, 4)
STEP = "5min"


def _module() -> pd.Series:
    """A 60-cell module of the CEC table."""
    table = crystalline()
    return table[(table["N_s"] == 60) & (table["I_mp_ref"] * table["V_mp_ref"]).between(299, 301)].iloc[0]


@cache
def _made() -> tuple[pd.DatetimeIndex, dict[str, pd.DataFrame]]:
    """Voltage and power of one module on each plane; every third day and the first are cloudy."""
    index = pd.date_range(FIRST, periods=DAYS * 288, freq=STEP, tz="UTC").as_unit("s")
    place = pvlib.location.Location(LATITUDE, LONGITUDE, altitude=ALTITUDE)
    sun = place.get_solarposition(index)
    with warnings.catch_warnings():
        # pvlib 0.16.1 still asks pandas for a day of the year by its old name.
        warnings.simplefilter("ignore", pd.errors.Pandas4Warning)
        clear = place.get_clearsky(index, solar_position=sun)
    day = np.arange(len(index)) // 288
    cloudy = ~np.isin(day, CLEAR)
    # Clouds: a rough walk between a tenth and nine tenths of the clear sky.
    walk = 0.5 + 0.4 * np.sin(np.arange(len(index)) * 0.7) * np.sin(np.arange(len(index)) * 0.13)
    extra = pvlib.irradiance.get_extra_radiation(index.day_of_year.to_numpy())
    air_mass = pvlib.atmosphere.get_relative_airmass(sun["apparent_zenith"])
    module = _module()
    made = {}
    for name, (azimuth, tilt) in PLANES.items():
        poa = pvlib.irradiance.get_total_irradiance(
            tilt, azimuth, sun["apparent_zenith"], sun["azimuth"], clear["dni"], clear["ghi"], clear["dhi"],
            extra, air_mass, model="perez",
        )["poa_global"].fillna(0.0).to_numpy()  # fmt: skip
        poa = np.where(cloudy, poa * walk, poa)
        t_cell = pvlib.temperature.faiman(poa, 18.0, 1.5)
        names = ("alpha_sc", "a_ref", "I_L_ref", "I_o_ref", "R_sh_ref", "R_s", "Adjust")
        light = np.maximum(poa, 1e-3)
        five = pvlib.pvsystem.calcparams_cec(light, t_cell, *(float(module[n]) for n in names))
        solved = pvlib.pvsystem.singlediode(*five)
        made[name] = pd.DataFrame({"v": np.asarray(solved["v_mp"]), "p": np.asarray(solved["p_mp"])}, index)
    return index, made


def _site(**changes: Any) -> SiteDescription:
    module = _module()
    data: dict[str, Any] = {
        "site": {"id": "new", "latitude": LATITUDE, "longitude": LONGITUDE, "altitude_m": ALTITUDE,
                 "timezone": "Europe/Madrid"},
        "grid": {"nominal_v": 230, "high_v": 253},
        "modules": {"m": {
            "pmax_w": float(module["V_mp_ref"] * module["I_mp_ref"]),
            "vmp_v": float(module["V_mp_ref"]), "imp_a": float(module["I_mp_ref"]),
            "voc_v": float(module["V_oc_ref"]), "isc_a": float(module["I_sc_ref"]),
            "cells": 60, "substrings": 3, "gamma_pmax_pct_k": float(module["gamma_r"]),
            "beta_voc_pct_k": float(100 * module["beta_oc"] / module["V_oc_ref"]),
        }},
        "inverters": {"i": {"rated_va": 700, "inputs": 2, "start_v": 20}},
        "planes": {n: {"azimuth_deg": a, "tilt_deg": t} for n, (a, t) in PLANES.items()},
        "units": [
            {"serial": f"U{u}", "inverter": "i",
             "inputs": [{"input": k, "module": "m", "plane": "south" if u < 3 else "east"} for k in (1, 2)]}
            for u in range(1, 5)
        ],
    }  # fmt: skip
    return SiteDescription.model_validate(data | changes)


@dataclass
class Fault:
    """What is wrong with one input: factors on voltage and power, another plane, a late start, absence."""

    volts: float = 1.0
    power: float = 1.0
    plane: str | None = None
    late_s: float = 0.0
    absent: bool = False
    keep: float = 1.0


def _telemetry(site: SiteDescription, faults: dict[str, Fault] | None = None, ac_v: float = 235.0) -> pd.DataFrame:
    index, made = _made()
    frames = []
    for ref in site.inputs:
        fault = (faults or {}).get(ref.label, Fault())
        if fault.absent:
            continue
        values = made[fault.plane or ref.plane]
        # Modules of one type differ by a per cent.
        power = values["p"].to_numpy() * fault.power * (1.0 + 0.004 * (ref.index - 3))
        volts = values["v"].to_numpy() * fault.volts
        producing = power > 2.0
        if fault.late_s:
            slot = np.arange(len(index)) % 288
            first = pd.Series(slot).where(producing).groupby(np.arange(len(index)) // 288).transform("min").to_numpy()
            producing &= slot >= first + fault.late_s / 300.0
        frame = pd.DataFrame(
            {
                "ts": index.astype(np.int64),
                "unit": ref.unit,
                "input": ref.input,
                "dc_voltage_v": np.where(producing, volts, np.nan),
                "dc_current_a": np.where(producing, power / volts, np.nan),
                "dc_power_w": np.where(producing, power, 0.0),
                "ac_voltage_v": ac_v,
            }
        )
        kept = np.arange(len(frame)) % 100 < 100 * fault.keep
        frames.append(frame[kept])
    frame = pd.concat(frames).sort_values(["ts", "unit", "input"], ignore_index=True)
    for column in TELEMETRY_COLUMNS:
        if column not in frame:
            frame[column] = None if column == "state" else np.nan
    return frame[list(TELEMETRY_COLUMNS)]


NO_WEATHER = pd.DataFrame({"ts": pd.Series(dtype="int64"), "plane": pd.Series(dtype="str")} | {
    name: pd.Series(dtype="float64") for name in WEATHER_COLUMNS
})  # fmt: skip
AIR = pd.DataFrame({"ts": _made()[0].astype(np.int64)[::6], "plane": "", "temp_air_c": 18.0})


def _record(faults: dict[str, Fault] | None = None, **keywords: Any) -> CommissionRecord:
    site = keywords.pop("site", None) or _site()
    return commission(site, _telemetry(site, faults, keywords.pop("ac_v", 235.0)), NO_WEATHER, **keywords)


def _seen(record: CommissionRecord, label: str) -> dict[str, str]:
    place: Place = next(p for p in record.inputs if p.label == label)
    return {o.id: o.verdict for o in place.observations}


def test_a_sound_installation_passes_on_its_clear_days() -> None:
    record = _record()
    assert record.clear_days == ("2025-05-11", "2025-05-13", "2025-05-14")
    assert not record.partly_clear
    for place in record.inputs:
        assert _seen(record, place.label) == {
            "present": "pass", "plane": "pass", "energy": "pass", "wake-up": "pass", "voltage": "pass",
        }  # fmt: skip
    level = record.site_places[0].observations[0]
    assert level.id == "level"
    assert level.verdict == "pass"
    # Another transposition, another module model: within a tenth.
    assert isinstance(level.value, float)
    assert level.value == pytest.approx(100.0, abs=10.0)


@pytest.mark.parametrize(
    ("fault", "observation", "verdict"),
    [
        (Fault(absent=True), "present", "fail"),
        (Fault(keep=0.9), "present", "near"),
        (Fault(keep=0.97), "present", "pass"),
        (Fault(power=2 / 3, volts=2 / 3), "voltage", "fail"),
        (Fault(power=2 / 3, volts=2 / 3), "energy", "fail"),
        (Fault(power=0.85), "energy", "fail"),
        (Fault(power=0.92), "energy", "near"),
        (Fault(power=0.98), "energy", "pass"),
        (Fault(volts=1.2), "voltage", "fail"),
        (Fault(volts=1.03), "voltage", "pass"),
        (Fault(plane="east"), "plane", "fail"),
        (Fault(late_s=2 * WAKE_LATE.value), "wake-up", "fail"),
        (Fault(late_s=WAKE_LATE.value), "wake-up", "near"),
        (Fault(late_s=600.0), "wake-up", "pass"),
        (Fault(power=1e-6), "wake-up", "fail"),
    ],
)
def test_each_fault_is_seen_where_it_is(fault: Fault, observation: str, verdict: str) -> None:
    record = _record({"U1/2": fault})
    assert _seen(record, "U1/2")[observation] == verdict
    for other in record.inputs:
        if other.label != "U1/2":
            assert set(_seen(record, other.label).values()) == {"pass"}, other.label


def test_lost_substring_is_named() -> None:
    record = _record({"U1/2": Fault(power=2 / 3, volts=2 / 3)})
    (place,) = [p for p in record.inputs if p.label == "U1/2"]
    (voltage,) = [o for o in place.observations if o.id == "voltage"]
    assert "2 of 3 substrings" in voltage.text
    (absent,) = [p for p in _record({"U1/2": Fault(absent=True)}).inputs if p.label == "U1/2"]
    assert [o.id for o in absent.observations] == ["present"]


def test_exchanged_records_are_both_named() -> None:
    record = _record({"U1/1": Fault(plane="east"), "U3/1": Fault(plane="south")})
    failed = {p.label: p for p in record.inputs if p.verdict == "fail"}
    assert set(failed) == {"U1/1", "U3/1"}
    assert any("plane east" in o.text for o in failed["U1/1"].observations)


@pytest.mark.parametrize(("azimuth", "verdict"), [(90, "pass"), (100, "pass"), (180, "near"), (270, "near")])
def test_plane_of_the_file_against_the_data(azimuth: float, verdict: str) -> None:
    planes = {"south": {"azimuth_deg": 180, "tilt_deg": 30}, "east": {"azimuth_deg": azimuth, "tilt_deg": 25}}
    record = _record(site=_site(planes=planes))
    seen = {p.plane: p.observations[0] for p in record.site_places if p.plane}
    assert seen["south"].verdict == "pass"
    assert seen["east"].verdict == verdict, seen["east"]


def test_voltage_near_the_grid_window_is_told() -> None:
    verdicts = [_record(ac_v=v).site_places[0].observations[1].verdict for v in (240.0, 252.0, 254.0)]
    assert verdicts == ["pass", "near", "fail"]


def test_measured_air_temperature_is_used() -> None:
    site = _site()
    telemetry = _telemetry(site)
    cold = commission(site, telemetry, AIR.assign(temp_air_c=-15.0))
    warm = commission(site, telemetry, AIR.assign(temp_air_c=40.0))
    voltage = [next(o for o in record.inputs[0].observations if o.id == "voltage").expected for record in (cold, warm)]
    assert voltage[0] != voltage[1]


def test_no_clear_day_is_said_and_nothing_is_judged() -> None:
    site = _site()
    frame = _telemetry(site)
    cloudy = frame[frame["ts"] < frame["ts"].min() + 86400].reset_index(drop=True)
    record = commission(site, cloudy, NO_WEATHER)
    assert record.clear_days == ()
    assert record.inputs == ()
    assert record.verdict == "unknown"
    assert "No day was clear enough" in record.site_places[0].observations[0].text


def test_from_a_day_on_only_later_days_count() -> None:
    day = (pd.Timestamp("2025-05-12") - pd.Timestamp("1970-01-01")).days
    assert _record(day_from=day, wanted=1).clear_days == ("2025-05-13",)
    with pytest.raises(ValueError, match="no telemetry"):
        _record(day_from=day + 30)


def test_no_telemetry_is_an_error() -> None:
    site = _site()
    with pytest.raises(ValueError, match="no telemetry"):
        commission(site, _telemetry(site).iloc[:0], NO_WEATHER)
    assert EVENT_COLUMNS


def test_single_plane_says_nothing_of_planes() -> None:
    site = _site(
        planes={"south": {"azimuth_deg": 180, "tilt_deg": 30}},
        units=[{"serial": "U1", "inverter": "i", "inputs": [{"input": 1, "module": "m", "plane": "south"}]}],
    )
    record = _record(site=site)
    seen = _seen(record, "U1/1")
    assert "plane" not in seen
    # Without a sibling small losses can't be told, and waking is judged against the light.
    assert seen["energy"] == "unknown"
    assert seen["wake-up"] == "pass"
    assert seen["voltage"] == "pass"


def test_json_is_plain() -> None:
    import json

    text = json.dumps(_record({"U1/2": Fault(absent=True)}).to_json(), allow_nan=False)
    data = json.loads(text)
    assert data["verdict"] == "fail"
    assert data["counts"]["fail"] == 1
    assert len(data["inputs"]) == 8
