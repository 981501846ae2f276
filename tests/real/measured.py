"""Real measurements shipped with pvanalytics (MIT licence), written out as a contractor's files.

Each ``*_case`` writes plain CSV files and a site file into a folder and names
them; nothing of it is made up but what the data leave open (ratings, and the
place of the series whose place isn't published), and each such choice is
stated beside it.  Times in the source files are naive: the zone given here is
the one in which they are stamped.
"""

from __future__ import annotations

from dataclasses import dataclass
from importlib import resources
from pathlib import Path

import numpy as np
import pandas as pd

from collectors.columns import CSV_HEADER, WEATHER_HEADER
from collectors.site import SiteDescription, load_site
from triage.check import CheckResult, check_files
from triage.importing import Loaded, read_files

DATA = resources.files("pvanalytics") / "data"
MOUNTAIN = "Etc/GMT+7"  # UTC-7 all year
EASTERN = "Etc/GMT+5"


@dataclass(frozen=True)
class Case:
    """Files of one case, and the measurements they were written from."""

    site_file: Path
    telemetry: Path
    weather: Path | None
    source: pd.DataFrame

    def load(self) -> tuple[SiteDescription, Loaded]:
        site = load_site(self.site_file)
        weather = [self.weather] if self.weather else []
        return site, read_files(site, [self.telemetry], weather)

    def check(self) -> CheckResult:
        return check_files(*self.load())


def measured(name: str, stamp: str, zone: str) -> pd.DataFrame:
    """A data file with its stamps as index, in the zone they were written in."""
    path = Path(str(DATA / name))
    frame = pd.read_parquet(path) if path.suffix == ".parquet" else pd.read_csv(path)
    stamps = pd.to_datetime(frame.pop(stamp), utc=False)
    index = pd.DatetimeIndex(stamps)
    frame.index = index.tz_localize(zone) if index.tz is None else index.tz_convert(zone)
    return frame[~frame.index.duplicated()].sort_index()


def site_toml(
    place: tuple[float, float, float],
    zone: str,
    planes: str,
    module: str,
    inverter: str,
    inputs: int = 1,
    units: str = "U1",
) -> str:
    latitude, longitude, altitude = place
    rows = "\n".join(f'[[units.inputs]]\ninput = {n}\nmodule = "array"\nplane = "roof"' for n in range(1, inputs + 1))
    return f"""[site]
id = "measured"
latitude = {latitude}
longitude = {longitude}
altitude_m = {altitude}
timezone = "{zone}"

[modules.array]
{module}

[inverters.array]
{inverter}

[planes.roof]
{planes}

[[units]]
serial = "{units}"
inverter = "array"
{rows}
"""


def write_case(folder: Path, toml: str, rows: pd.DataFrame, weather: pd.DataFrame | None, source: pd.DataFrame) -> Case:
    """Write the files; ``rows`` and ``weather`` hold a tz-aware ``timestamp`` and canonical columns."""
    site_file = folder / "site.toml"
    site_file.write_text(toml, encoding="utf-8")
    telemetry = folder / "telemetry.csv"
    _written(rows, CSV_HEADER).to_csv(telemetry, index=False)
    if weather is None:
        return Case(site_file, telemetry, None, source)
    path = folder / "weather.csv"
    _written(weather, WEATHER_HEADER).to_csv(path, index=False)
    return Case(site_file, telemetry, path, source)


def _written(frame: pd.DataFrame, header: tuple[str, ...]) -> pd.DataFrame:
    out = frame.reindex(columns=list(header))
    out["timestamp"] = [t.isoformat() for t in frame["timestamp"]]
    return out


def input_rows(index: pd.DatetimeIndex, number: int = 1, unit: str = "U1", **columns: object) -> pd.DataFrame:
    return pd.DataFrame({"timestamp": index, "unit": unit, "input": number, **columns})


def two_poles(folder: Path, keep: slice = slice(None)) -> Case:
    """``serf_west_15min``: DC volts and amperes of both poles, five winter days with snow on the last.

    The array stands at latitude 39.742, longitude -105.18 and 1829 m; azimuth
    158 and tilt 45 are those documented for its twin (``serf_east``).  Rating
    per pole, 3 kW at 240 V, is taken from the data: no plate is published.
    """
    d = measured("serf_west_15min.csv", "Unnamed: 0", MOUNTAIN).loc[keep]
    parts = [
        input_rows(
            d.index,
            number,
            dc_voltage_v=d[volts].to_numpy(),
            dc_current_a=d[amperes].to_numpy(),
            dc_power_w=(d[volts] * d[amperes]).to_numpy(),
            ac_voltage_v=d["ac_volts__778"].to_numpy(),
            ac_power_w=d["ac_power__773"].to_numpy(),
            temperature_c=d["inveter_temp__784"].to_numpy(),
        )
        for number, volts, amperes in (
            (1, "dc_pos_voltage__774", "dc_pos_current__775"),
            (2, "dc_neg_voltage__776", "dc_neg_current__777"),
        )
    ]
    weather = pd.DataFrame(
        {
            "timestamp": d.index,
            "poa_w_m2": d["poa_irradiance__771"].to_numpy(),
            "temp_air_c": d["ambient_temp__780"].to_numpy(),
            "temp_module_c": d["module_temp_2__782"].to_numpy(),
        }
    )
    toml = site_toml(
        (39.742, -105.18, 1829),
        MOUNTAIN,
        "azimuth_deg = 158\ntilt_deg = 45",
        "pmax_w = 3000\nvmp_v = 240\nimp_a = 12.5\nvoc_v = 300\nisc_a = 13.5",
        "rated_va = 6000\ninputs = 2",
        inputs=2,
    )
    return write_case(folder, toml, pd.concat(parts), weather, d)


def combiner(folder: Path) -> Case:
    """``snow_data``: one combiner's volts and amperes, plane irradiance and temperatures, six winter days.

    Place (42.581, -72.517), zone UTC-5 and plane (225, 35) follow from the
    sun positions and incidence angles in the file itself, to 0.001 degree.
    Rating 22 kW at 680 V is what its snow-free days (5 and 6 January) make per
    1000 W/m²: no plate is published.
    """
    d = measured("snow_data.csv", "Timestamp", EASTERN)
    volts, amperes = d["INV1 CB2 Voltage [V]"], d["INV1 CB2 Current [A]"]
    rows = input_rows(
        d.index,
        dc_voltage_v=volts.to_numpy(),
        dc_current_a=amperes.to_numpy(),
        dc_power_w=(volts * amperes).to_numpy(),
    )
    weather = pd.DataFrame(
        {
            "timestamp": d.index,
            "poa_w_m2": d["POA [W/m²]"].to_numpy(),
            "temp_air_c": d["Ambient Temp [C]"].to_numpy(),
            "temp_module_c": d["Module Temp [C]"].to_numpy(),
        }
    )
    toml = site_toml(
        (42.581, -72.517, 100),
        EASTERN,
        "azimuth_deg = 225\ntilt_deg = 35",
        "pmax_w = 22000\nvmp_v = 680\nimp_a = 32.4\nvoc_v = 800\nisc_a = 34",
        "inputs = 1",
    )
    return write_case(folder, toml, rows, weather, d)


def power_only(
    folder: Path,
    source: pd.DataFrame,
    power_w: pd.Series,
    place: tuple[float, float, float],
    zone: str,
    planes: str,
    rated_w: float,
    inverter: str = "inputs = 1",
) -> Case:
    """A case of one input that reports power alone."""
    rows = input_rows(pd.DatetimeIndex(power_w.index), dc_power_w=power_w.to_numpy())
    toml = site_toml(place, zone, planes, f"pmax_w = {rated_w:g}", inverter)
    return write_case(folder, toml, rows, None, source)


def east_array(folder: Path, keep: slice = slice(None), declared: bool = True) -> Case:
    """``serf_east_15min_ac_power``: AC power of a fixed array of azimuth 158 and tilt 45, July to October
    2016."""
    d = measured("serf_east_15min_ac_power.csv", "measured_on", MOUNTAIN).loc[keep]
    power = d["ac_power"].clip(lower=0.0)
    planes = "azimuth_deg = 158\ntilt_deg = 45" if declared else ""
    return power_only(folder, d, power, (39.742, -105.18, 1829), MOUNTAIN, planes, 6000)


def clipped_inverter(folder: Path, rated: bool = True) -> Case:
    """``ac_power_inv_7539``: normalised AC power, ten April days, clipping labelled by hand.

    Its place isn't published.  Stamps are local; the stand-in place has the
    same length of day and noon (12:45).  1.0 is taken as the unit's rating, and
    AC as 95.3 % of DC.
    """
    d = measured("ac_power_inv_7539.csv", "timestamp", "UTC")
    return power_only(
        folder,
        d,
        5000.0 / 0.953 * d["value_normalized"],
        (35.0, -11.2, 0),
        "UTC",
        "azimuth_deg = 180\ntilt_deg = 20",
        5800,
        "inputs = 1\nrated_va = 5000" if rated else "inputs = 1",
    )


def stale_inverter(folder: Path, name: str = "stale") -> Case:
    """``ac_power_inv_2173_*``: normalised AC power of a winter month with inserted stale or interpolated
    runs.

    Its place isn't published; the stand-in place has the same length of day and noon.
    """
    d = measured(f"ac_power_inv_2173_{name}_data.csv", "timestamp", "UTC")
    return power_only(
        folder,
        d,
        5000.0 * d["value_normalized"],
        (40.0, -3.0, 0),
        "UTC",
        "azimuth_deg = 180\ntilt_deg = 30",
        6500,
    )


def epoch(index: pd.Index) -> np.ndarray:
    """UTC epoch seconds of a tz-aware index."""
    utc = pd.DatetimeIndex(index).tz_convert("UTC")
    return ((utc - pd.Timestamp(0, tz="UTC")) // pd.Timedelta("1s")).to_numpy(dtype=np.int64)


def summer_time_array(folder: Path, keep: slice, declared: bool = True) -> Case:
    """``system_50_ac_power_2_full_DST``: AC power stamped as UTC-7 all year, though its clock kept summer
    time.

    Place: latitude 39.74, longitude -105.18 (pvanalytics' documentation of
    this system).  Its plane isn't published; 165 and 45 come from its own
    winter days (no summer time) by :func:`rules.orientation.infer_orientation`.
    """
    d = measured("system_50_ac_power_2_full_DST.parquet", "measured_on", MOUNTAIN).loc[keep]
    planes = "azimuth_deg = 165\ntilt_deg = 45" if declared else ""
    return power_only(folder, d, d["ac_power_2"].clip(lower=0.0), (39.74, -105.18, 1829), MOUNTAIN, planes, 3600)


def late_clock_array(folder: Path) -> Case:
    """``nrel_RSF_II``: one inverter's DC volts, amperes and watts, plane irradiance and temperatures, five
    days.

    Read as UTC-7, its stamps run two hours behind the sun (light until 18:15
    on 2 January at latitude 39.74, where the sun sets at 16:45).
    """
    d = measured("nrel_RSF_II.csv", "Unnamed: 0", MOUNTAIN)
    rows = input_rows(
        d.index,
        dc_voltage_v=d["inv2_dc_voltage__1048"].to_numpy(),
        dc_current_a=d["inv2_dc_current__1049"].to_numpy(),
        dc_power_w=d["inv2_dc_power__1135"].to_numpy(),
        ac_power_w=d["inv2_ac_power_w__1047"].to_numpy(),
        temperature_c=d["inv2_temp__1050"].to_numpy(),
    )
    weather = pd.DataFrame(
        {
            "timestamp": d.index,
            "poa_w_m2": d["poa_irradiance__1055"].to_numpy(),
            "temp_air_c": d["ambient_temp__1053"].to_numpy(),
            "wind_m_s": d["wind_speed__1051"].to_numpy(),
        }
    )
    toml = site_toml(
        (39.741, -105.172, 1829),
        MOUNTAIN,
        "azimuth_deg = 165\ntilt_deg = 10",
        "pmax_w = 170000\nvmp_v = 430\nimp_a = 395",
        "inputs = 1",
    )
    return write_case(folder, toml, rows, weather, d)
