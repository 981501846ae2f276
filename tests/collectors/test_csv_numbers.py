"""Decimal marks, groups of three and units in cells."""

from __future__ import annotations

import math

import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from collectors.csv_numbers import NumberFormat, format_of, parse_numbers
from collectors.csv_units import UNITS, unit_in_header


def parse(cells: list[str], form: NumberFormat, unit: str = "") -> list[float]:
    values, wrong = parse_numbers(pa.array(cells, pa.string()), form, unit=unit)
    assert all(math.isnan(v) for v, w in zip(values, wrong, strict=True) if w)
    result: list[float] = values.tolist()
    return result


@pytest.mark.parametrize(
    ("cells", "delimiter", "decimal", "thousands"),
    [
        (["1.5", "2"], ",", ".", ""),
        (["1,5", "2"], ";", ",", ""),
        (["1.234,5"], ";", ",", "."),
        (["1,234.5"], ",", ".", ","),
        (["1,234,567"], ",", ".", ","),
        (["1.234.567"], ";", ",", "."),
        (["0,123"], "\t", ",", ""),
        (["1234,567"], "\t", ",", ""),
        (["1,234"], ";", ",", ""),
        (["1,234"], ",", ".", ","),
        (["1.234"], ";", ".", ""),
        (["1 234,5"], ";", ",", ""),
        (["12", "-3"], ",", ".", ""),
        (["5,2 kW", "1.000,0 kW"], ";", ",", "."),
        (["01.06.2025", "1,5"], ";", ",", ""),
    ],
)
def test_marks(cells: list[str], delimiter: str, decimal: str, thousands: str) -> None:
    form = format_of(cells, delimiter)
    assert (form.decimal, form.thousands) == (decimal, thousands)
    assert form.why


@pytest.mark.parametrize(
    ("cell", "form", "value"),
    [
        ("1.234,5", NumberFormat(",", "."), 1234.5),
        ("-0,5", NumberFormat(","), -0.5),
        ("1'234.5", NumberFormat(".", ","), 1234.5),
        ("1\u202f234\u202f567,5", NumberFormat(","), 1234567.5),
        ("\u22125,5", NumberFormat(","), -5.5),
        ("1.5e3", NumberFormat("."), 1500.0),
        (",5", NumberFormat(","), 0.5),
        ("5,", NumberFormat(","), 5.0),
        ("2,5 kW", NumberFormat(","), 2500.0),
        ("250W", NumberFormat(","), 250.0),
        ("12,34", NumberFormat(".", ","), math.nan),
        ("1.5.2", NumberFormat("."), math.nan),
        ("5 apples", NumberFormat("."), math.nan),
        ("--", NumberFormat("."), math.nan),
    ],
)
def test_one_cell(cell: str, form: NumberFormat, value: float) -> None:
    assert parse([cell], form) == pytest.approx([value], nan_ok=True)


@given(st.floats(-1e9, 1e9).map(lambda v: round(v, 3)), st.sampled_from([".", ","]))
def test_grouped_numbers_come_back(value: float, decimal: str) -> None:
    # Python's own formatting is the reference writer.
    text = f"{value:,.3f}"
    if decimal == ",":
        text = text.translate(str.maketrans(",.", ".,"))
    other = "," if decimal == "." else "."
    assert parse([text], NumberFormat(decimal, other)) == pytest.approx([value], abs=1e-9)


@pytest.mark.parametrize(
    ("unit", "one"),
    # SI prefixes; 1 mph = 0.44704 m/s exactly (NIST SP 811, from memory); 32 F = 0 C.
    [
        ("kW", 1000),
        ("mA", 0.001),
        ("MWh", 1e6),
        ("mph", 0.44704),
        ("km/h", 1 / 3.6),
        ("°F", -17.2222222),
        ("K", -272.15),
    ],
)
def test_units(unit: str, one: float) -> None:
    assert parse(["1"], NumberFormat("."), unit) == pytest.approx([one])
    assert unit in UNITS


@pytest.mark.parametrize(
    ("header", "unit"),
    [
        ("Power [kW]", "kW"),
        ("Energy (kWh) total", "kWh"),
        ("dc_power_kw", "kW"),
        ("Voltage / V", "V"),
        ("GHI W/m2", "W/m2"),
        ("ghi_w_m2", "W/m²"),
        ("Frequency, Hz", "Hz"),
        ("Serial", None),
        ("Temp. (ºC)", "°C"),
    ],
)
def test_unit_in_header(header: str, unit: str | None) -> None:
    assert unit_in_header(header)[0] == unit
