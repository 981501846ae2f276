"""What columns are taken for, and why: header words, units, and the values themselves."""

from __future__ import annotations

import pytest
from csvfiles import SITE, SITE_TOML

from collectors.csv_kind import kind_of
from collectors.csv_reading import Reading
from collectors.csv_source import from_bytes
from collectors.csv_telemetry import read_telemetry
from collectors.errors import ReadingError
from collectors.site import SiteDescription, parse_site

ONE_UNIT = parse_site(SITE_TOML.split("[[units]]")[0] + '[[units]]\nserial = "K9"\n[[units.inputs]]\ninput = 1\nmodule = "m"\n')


def read(text: str, site: SiteDescription = SITE) -> Reading:
    return read_telemetry(from_bytes(text.encode(), "f.csv"), site)


def taken(text: str, site: SiteDescription = SITE) -> dict[str, str]:
    return {g.header: g.taken_for for g in read(text, site).columns}


ROW = "2025-06-01T10:0{}:00Z,D2001,1,{}\n"


@pytest.mark.parametrize(
    ("header", "values", "role"),
    [
        ("Voltage (V)", (31, 32), "dc_voltage_v"),
        ("Voltage (V)", (231, 232), "ac_voltage_v"),
        ("Grid voltage", (31, 32), "ac_voltage_v"),
        ("Strom [A]", (5, 6), "dc_current_a"),
        ("Potencia AC (W)", (200, 210), "ac_power_w"),
        ("Puissance", (200, 210), "dc_power_w"),
        ("Temperatur °C", (20, 21), "temperature_c"),
        ("Netzfrequenz", (50, 50.01), "ac_frequency_hz"),
        ("RSSI", (-60, -61), "signal_dbm"),
        ("Lifetime energy kWh", (900, 901), "energy_total_wh"),
    ],
)
def test_header(header: str, values: tuple[float, float], role: str) -> None:
    text = f"Time,Serial,Input,{header}\n" + "".join(ROW.format(k, v) for k, v in enumerate(values))
    assert taken(text)[header] == role


def test_power_without_a_unit_that_only_fits_kilowatts() -> None:
    reading = read("Time,D2001/1\n2025-06-01T10:00:00Z,0.251\n2025-06-01T10:05:00Z,0.3\n")
    assert reading.frame["dc_power_w"].tolist() == [251.0, 300.0]
    assert "fits kW" in reading.columns[1].why


def energy(values: list[float]) -> Reading:
    rows = "".join(f"2025-06-{1 + k // 24:02}T{k % 24:02}:00:00Z,D2001,1,{v}\n" for k, v in enumerate(values))
    return read(f"Time,Serial,Input,Energy (Wh)\n{rows}")


def test_energy_is_told_by_its_values() -> None:
    day = [0] * 6 + [50, 120, 200, 260, 300, 320, 300, 260, 200, 120, 50] + [0] * 7
    per_interval = energy(day * 2)
    assert per_interval.frame["dc_power_w"].max() == 320.0  # Wh in one hour
    assert "energy rises and falls: taken as energy per interval" in per_interval.notes
    total = 0.0
    counter = energy([total := total + v for v in day * 2])
    assert counter.frame["energy_total_wh"].iloc[-1] == 2 * sum(day)
    assert "energy never falls: taken as a lifetime counter" in counter.notes


def test_a_daily_counter_is_not_taken_for_a_lifetime_counter() -> None:
    text = "Time,Serial,Input,Power W,Energy today\n2025-06-01T10:00:00Z,D2001,1,200,5\n"
    assert taken(text)["Energy today"] == "ignore"


def test_a_site_of_one_unit_needs_no_serial() -> None:
    reading = read("Time,Power (W),Voltage\n2025-06-01T10:00:00Z,200,30\n", ONE_UNIT)
    assert reading.frame[["unit", "input", "dc_power_w", "dc_voltage_v"]].to_numpy().tolist() == [["K9", 1, 200, 30]]


def test_leading_zeros_that_a_spreadsheet_dropped() -> None:
    assert read("Time,Serial,Input,Power\n2025-06-01T10:00:00Z,417,1,200\n").frame["unit"].tolist() == ["00417"]


def test_inputs_that_count_from_zero() -> None:
    reading = read("Time,Serial,Channel,Power\n2025-06-01T10:00:00Z,D2001,0,200\n2025-06-01T10:00:00Z,D2001,1,210\n")
    assert reading.frame["input"].tolist() == [1, 2]
    assert any("count from 0" in note for note in reading.notes)


def test_a_unit_with_several_inputs_and_no_input_number_is_refused_by_name() -> None:
    text = "Time,Serial,DC Power\n2025-06-01T10:00:00Z,D2001,200\n"
    with pytest.raises(Exception, match="no input number, and the unit has several inputs"):
        read(text)


def test_unit_values_alone_stand_on_each_input() -> None:
    reading = read("Time,Serial,AC Power (W)\n2025-06-01T10:00:00Z,D2001,400\n")
    assert reading.frame[["input", "ac_power_w"]].to_numpy().tolist() == [[1, 400], [2, 400]]


def test_serial_and_input_in_one_cell() -> None:
    reading = read("Time,Device,Power\n2025-06-01T10:00:00Z,D2001-2,200\n2025-06-01T10:00:00Z,D2002 PV1,210\n")
    assert reading.frame[["unit", "input"]].to_numpy().tolist() == [["D2001", 2], ["D2002", 1]]


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("timestamp,unit,input,dc_power_w\n2025-06-01T10:00:00Z,D2001,1,5\n", "telemetry"),
        ("Time,D2001-1 W,Irradiance\n2025-06-01 10:00,5,6\n", "telemetry"),
        ("timestamp,ghi_w_m2\n2025-06-01T10:00:00Z,5\n", "weather"),
        ("Time;Globalstrahlung;Wind\n01.06.2025 10:00;5;6\n", "weather"),
        ("timestamp,input,dc_power_w,temperature_c\n2025-06-01T10:00:00Z,1,5,31\n", "telemetry"),
        ("Time;Power;Temperature\n01.06.2025 10:00;5;31\n", "telemetry"),
        ("Time;Power;Air temperature\n01.06.2025 10:00;5;31\n", "weather"),
        ("Time;T;p;RH\n01.06.2025 10:00;31;1013;40\n", "weather"),
        ("timestamp,source,event,detail\n2025-06-01T10:00:00Z,D2001,online,\n", "log"),
        ("When;Device;What\n2025-06-01 10:00;D2001;Connected\n", "log"),
    ],
)
def test_kind(text: str, kind: str) -> None:
    assert kind_of(from_bytes(text.encode(), "f.csv"), SITE) == kind


def test_telemetry_that_names_no_unit_is_not_taken_for_weather() -> None:
    text = "timestamp,input,dc_power_w,temperature_c\n2025-06-01T10:00:00Z,1,5,31\n"
    assert kind_of(from_bytes(text.encode(), "f.csv"), SITE) == "telemetry"
    with pytest.raises(ReadingError, match="neither a column nor a header names a unit"):
        read(text)


def test_in_a_wide_table_a_sum_or_a_stranger_is_left_out() -> None:
    reading = read("Time,D2001/1 [W],D2001/2 [W],X9/1 [W],Total [W]\n2025-06-13 10:00,100,200,50,350\n")
    assert reading.frame[["unit", "input", "dc_power_w"]].to_numpy().tolist() == [
        ["D2001", 1, 100],
        ["D2001", 2, 200],
    ]
    assert reading.frame["ac_power_w"].isna().all()
    assert [g.header for g in reading.columns if g.taken_for == "ignore"] == ["X9/1 [W]", "Total [W]"]
    assert sum("names no unit of the site file" in note for note in reading.notes) == 2


def test_a_column_of_utc_is_preferred_and_named() -> None:
    reading = read("Local time,UTC time,Unit,Input,W\n2025-06-13 12:00,2025-06-13 10:00,D2001,1,100\n")
    assert reading.frame["ts"].tolist() == [1749808800]
    assert "UTC" in reading.format["times"]
