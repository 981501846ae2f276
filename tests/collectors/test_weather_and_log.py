"""Weather and gateway logs: the plane a sensor belongs to, units, events."""

from __future__ import annotations

import pytest
from csvfiles import SITE, SITE_TOML

from collectors.csv_layout import Layout
from collectors.csv_reading import Reading
from collectors.csv_source import from_bytes
from collectors.errors import ReadingError
from collectors.log_csv import read_log
from collectors.site import SiteDescription, parse_site
from collectors.weather_csv import read_weather

TWO = parse_site(SITE_TOML + "[planes.east]\nazimuth_deg = 90\ntilt_deg = 35\n")


def weather(text: str, site: SiteDescription = SITE, layout: Layout | None = None) -> Reading:
    return read_weather(from_bytes(text.encode(), "w.csv"), site, layout)


POA = "timestamp,poa_w_m2,ghi_w_m2\n2025-06-01T10:00:00Z,600,700\n"


def test_the_plane_of_a_plane_sensor() -> None:
    assert weather(POA).frame["plane"].tolist() == ["south"]
    assert weather(POA, TWO).frame["plane"].tolist() == [""]
    told = Layout.model_validate({"file": {"plane": "east"}})
    assert weather(POA, TWO, told).frame["plane"].tolist() == ["east"]
    column = "timestamp,plane,poa_w_m2\n2025-06-01T10:00:00Z,east,600\n2025-06-01T10:00:00Z,south,500\n"
    assert weather(column, TWO).frame[["plane", "poa_w_m2"]].to_numpy().tolist() == [
        ["east", 600],
        ["south", 500],
    ]
    header = "timestamp,POA east W/m2,POA south W/m2,ghi_w_m2\n2025-06-01T10:00:00Z,600,500,700\n"
    frame = weather(header, TWO).frame
    assert frame["plane"].tolist() == ["", "east", "south"]
    assert frame["ghi_w_m2"].dropna().tolist() == [700]
    assert frame["poa_w_m2"].dropna().tolist() == [600, 500]


def test_without_a_plane_sensor_rows_have_no_plane() -> None:
    assert weather("timestamp,ghi_w_m2\n2025-06-01T10:00:00Z,5\n").frame["plane"].tolist() == [""]


def test_telemetry_given_as_weather_is_refused() -> None:
    with pytest.raises(ReadingError, match="the header of telemetry, not of weather"):
        weather("timestamp,unit,input,dc_power_w,temperature_c\n2025-06-01T10:00:00Z,D2001,1,200,41\n")


def test_units_are_turned_into_ours() -> None:
    text = "Datum;Uhrzeit;Globalstrahlung (kW/m²);Umgebung °F;Wind km/h\n13.06.2025;12:00;0,85;68;36\n"
    (row,) = weather(text).frame[["ghi_w_m2", "temp_air_c", "wind_m_s"]].to_numpy().tolist()
    assert row == pytest.approx([850, 20, 10])


def test_impossible_weather_becomes_empty() -> None:
    # The sun above the air is 1361 W/m2 at the mean distance (Kopp and Lean 2011; from memory).
    reading = weather("timestamp,ghi_w_m2,dni_w_m2\n2025-06-01T10:00:00Z,500,1500\n2025-06-01T10:05:00Z,-999,800\n")
    assert reading.emptied == {"dni_w_m2 outside -20 to 1400": 1, "ghi_w_m2 outside -20 to 2000": 1}


def test_no_weather_column_is_refused() -> None:
    with pytest.raises(ReadingError, match="no weather column"):
        weather("timestamp,mood\n2025-06-01T10:00:00Z,5\n")


def test_events_in_other_words() -> None:
    text = 'When,Device,Type,Message\n2025-06-01 10:00,D2001,Disconnected,"line one\nline two"\n2025-06-01 10:05,D2001,Reboot,\n'
    reading = read_log(from_bytes(text.encode(), "l.csv"), SITE)
    assert reading.frame["event"].tolist() == ["offline", "restart"]
    assert reading.frame["detail"].tolist() == ["line one\nline two", ""]
    assert reading.frame["ts"].iloc[0] == 1748764800  # 10:00 in Berlin's summer is 08:00 UTC


def test_an_unknown_event_is_named_by_its_file_line() -> None:
    text = 'timestamp,source,event,detail\n2025-06-01T10:00:00Z,gw,alarm,"a\nb"\n2025-06-01T10:01:00Z,gw,sneezed,\n'
    reading = read_log(from_bytes(text.encode(), "l.csv"), SITE)
    assert [(p.line, p.value) for p in reading.problems] == [(4, "sneezed")]
    assert len(reading.frame) == 1
