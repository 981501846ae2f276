"""One invented day and a half of telemetry, and the ways people write it down."""

from __future__ import annotations

import gzip
import io
import zipfile
from collections.abc import Callable
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from collectors.columns import CSV_HEADER, TELEMETRY_COLUMNS
from collectors.site import SiteDescription, parse_site

BERLIN = ZoneInfo("Europe/Berlin")
SERIALS = ("D2001", "D2002", "00417")
SITE_TOML = """
[site]
id = "harrow-lane"
latitude = 48.14
longitude = 11.58
timezone = "Europe/Berlin"
[modules.m]
pmax_w = 400
voc_v = 37.1
isc_a = 13.8
[planes.south]
azimuth_deg = 180
tilt_deg = 35
""" + "".join(
    f"""
[[units]]
serial = "{serial}"
[[units.inputs]]
input = 1
module = "m"
plane = "south"
[[units.inputs]]
input = 2
module = "m"
plane = "south"
"""
    for serial in SERIALS
)
SITE: SiteDescription = parse_site(SITE_TOML)
START = int(datetime(2025, 10, 25, 4, 0, tzinfo=UTC).timestamp())


def truth(hours: float = 36, step: int = 900) -> pd.DataFrame:
    """Canonical frame from 2025-10-25 04:00 UTC, across the night on which Berlin's clocks go back."""
    times = START + np.arange(int(hours * 3600 / step)) * step
    keys = [(serial, number) for serial in sorted(SERIALS) for number in (1, 2)]
    n, k = times.size, len(keys)
    light = np.clip(np.sin((times % 86400 - 21600) / 43200 * np.pi), 0, None)
    rng = np.random.default_rng(7)
    volts = np.round(30 + rng.normal(0, 0.5, (n, k)), 2)
    amps = np.round(9 * light[:, None] * rng.uniform(0.9, 1, (n, k)), 3)
    watts = np.round(volts * amps, 1)
    counter = 1_234_567 + np.round(np.cumsum(watts, axis=0) * step / 3600)
    unit_grid = np.round(231 + rng.normal(0, 1, (n, k // 2)), 1).repeat(2, axis=1)
    frame = pd.DataFrame(
        {
            "ts": times.repeat(k),
            "unit": pd.Series([u for u, _ in keys] * n, dtype="str"),
            "input": np.tile([i for _, i in keys], n),
            "dc_voltage_v": volts.ravel(),
            "dc_current_a": amps.ravel(),
            "dc_power_w": watts.ravel(),
            "energy_total_wh": counter.ravel(),
            "ac_voltage_v": unit_grid.ravel(),
            "ac_frequency_hz": 50.0,
            "ac_power_w": np.round(watts.reshape(n, k // 2, 2).sum(axis=2), 1).repeat(2, axis=1).ravel(),
            "temperature_c": np.round(15 + 20 * light, 1).repeat(k),
            "state": pd.Series(np.where(light > 0, "producing", "standby").repeat(k), dtype=object),
            "signal_dbm": -61.0,
        }
    )
    return frame[list(TELEMETRY_COLUMNS)]


def iso(ts: int) -> str:
    return datetime.fromtimestamp(ts, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def local(ts: int, form: str) -> str:
    return datetime.fromtimestamp(ts, BERLIN).strftime(form)


def comma(value: float, digits: int) -> str:
    return f"{value:.{digits}f}".replace(".", ",")


def canonical(frame: pd.DataFrame) -> str:
    table = frame.rename(columns={"ts": "timestamp"}).assign(timestamp=frame["ts"].map(iso))
    text: str = table[list(CSV_HEADER)].to_csv(index=False, lineterminator="\n")
    return text


def german_long(frame: pd.DataFrame) -> str:
    """Semicolons, decimal comma, groups of three, date and clock time apart, local, kWh, a totals row."""
    lines = ["Anlage Harrow Lane;;;;;", "Datum;Uhrzeit;Seriennummer;Eingang;Leistung [W];Zählerstand [kWh]"]
    for row in frame.itertuples(index=False):
        kwh = comma(row.energy_total_wh / 1000, 3)
        grouped = f"{kwh[:-7]}.{kwh[-7:]}" if len(kwh) > 7 else kwh
        lines.append(
            f"{local(row.ts, '%d.%m.%Y')};{local(row.ts, '%H:%M')};{row.unit};{row.input};{comma(row.dc_power_w, 1)};{grouped}"
        )
    return "\n".join([*lines, "Summe;;;;123,0;", ""])


def american_long(frame: pd.DataFrame) -> str:
    """Month first, twelve-hour clock, quoted thousands, the zone's abbreviation, repeated headers."""
    head = '"Date/Time","Serial Number","Channel","DC Voltage (V)","DC Current (mA)","Status"'
    lines = []
    for n, row in enumerate(frame.itertuples(index=False)):
        if n % 100 == 0:
            lines.append(head)
        stamp = local(row.ts, "%m/%d/%Y %I:%M:%S %p %Z")
        status = "Running" if row.state == "producing" else "Waiting"
        lines.append(f'"{stamp}","{row.unit}","{row.input}","{row.dc_voltage_v}","{row.dc_current_a * 1000:,.0f}","{status}"')
    return "\r\n".join([*lines, ""])


def wide(frame: pd.DataFrame) -> str:
    """A column per input, serial and input in the header, blanks as `--`, a remark column."""
    table = frame.pivot(index="ts", columns=["unit", "input"], values=["dc_power_w", "dc_voltage_v"])
    heads = {"dc_power_w": "Power (kW)", "dc_voltage_v": "Voltage (V)"}
    lines = ["Time\t" + "\t".join(f"{u}-{i} {heads[m]}" for m, u, i in table.columns) + "\tRemark"]
    for ts, row in zip(table.index, table.to_numpy(), strict=True):
        cells = [f"{v / 1000:.4f}" if m == "dc_power_w" else f"{v:.2f}" for v, (m, _, _) in zip(row, table.columns, strict=True)]
        lines.append("\t".join([local(ts, "%Y-%m-%d %H:%M:%S%z"), *cells, "--"]))
    return "\n".join([*lines, ""])


def tall_header(frame: pd.DataFrame) -> str:
    """Two header lines, serials over inputs, with merged cells; epoch milliseconds."""
    table = frame.pivot(index="ts", columns=["unit", "input"], values="dc_power_w")
    top, below, last = ["Epoch"], [""], None
    for unit, number in table.columns:
        top.append(unit if unit != last else "")
        below.append(f"MPPT {number} [W]")
        last = unit
    below[0] = "timestamp"
    lines = [",".join(top), ",".join(below)]
    for ts, row in zip(table.index, table.to_numpy(), strict=True):
        lines.append(",".join([str(ts * 1000), *(f"{v:.1f}" for v in row)]))
    return "\n".join([*lines, ""])


def per_unit(frame: pd.DataFrame) -> str:
    """A row per unit, its inputs side by side, epoch seconds."""
    lines = ["ts|device|udc1|idc1|udc2|idc2|pac|fac"]
    for (ts, unit), rows in frame.groupby(["ts", "unit"]):
        a, b = rows.itertuples(index=False)
        lines.append(
            f"{ts}|{unit}|{a.dc_voltage_v}|{a.dc_current_a}|{b.dc_voltage_v}|{b.dc_current_a}|{a.ac_power_w}|{a.ac_frequency_hz}"
        )
    return "\n".join([*lines, ""])


def zipped(text: str) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("export/telemetry.csv", text)
    return stream.getvalue()


#: name: (bytes of the truth, the columns that way of writing carries)
Dialect = tuple[Callable[[pd.DataFrame], bytes], tuple[str, ...]]
_ALL = tuple(TELEMETRY_COLUMNS[3:])
DIALECTS: dict[str, Dialect] = {
    "canonical": (lambda f: canonical(f).encode(), _ALL),
    "canonical, CRLF": (lambda f: canonical(f).replace("\n", "\r\n").encode(), _ALL),
    "canonical, UTF-8 mark": (lambda f: b"\xef\xbb\xbf" + canonical(f).encode(), _ALL),
    "canonical, UTF-16": (lambda f: canonical(f).encode("utf-16"), _ALL),
    "canonical, UTF-16 without a mark": (lambda f: canonical(f).encode("utf-16-le"), _ALL),
    "canonical, gzip": (lambda f: gzip.compress(canonical(f).encode()), _ALL),
    "canonical, zip": (lambda f: zipped(canonical(f)), _ALL),
    "canonical, all quoted": (
        lambda f: "\n".join(",".join(f'"{c}"' for c in line.split(",")) for line in canonical(f).splitlines()).encode(),
        _ALL,
    ),
    "German long": (lambda f: german_long(f).encode("cp1252"), ("dc_power_w", "energy_total_wh")),
    "American long": (lambda f: american_long(f).encode(), ("dc_voltage_v", "dc_current_a", "state")),
    "wide": (lambda f: wide(f).encode(), ("dc_power_w", "dc_voltage_v")),
    "tall header, epoch ms": (lambda f: tall_header(f).encode(), ("dc_power_w",)),
    "row per unit, epoch s": (
        lambda f: per_unit(f).encode(),
        ("dc_voltage_v", "dc_current_a", "ac_power_w", "ac_frequency_hz"),
    ),
}
