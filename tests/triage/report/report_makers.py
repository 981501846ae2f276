"""A small invented roof with known faults, drawn by hand: no rule and no simulator behind it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from collectors.columns import STATE_CODES
from collectors.site import SiteDescription, parse_site
from rules.finding import Finding

DAYS = 8
STEP = 300
START = 1_780_272_000  # 2026-06-01 00:00 UTC
LAYOUT = (("A", 2, "south"), ("B", 2, "south"), ("C", 2, "south"), ("D", 4, "east"))


def _site_toml() -> str:
    lines = [
        '[site]\nid = "hand-drawn"\nname = "Hand-drawn <roof>"\nlatitude = 46.0\nlongitude = 0.0\n'
        'timezone = "Europe/Paris"\ntariff_per_kwh = 0.25\ncurrency = "EUR"\n',
        "[grid]\nnominal_v = 230\nlow_v = 207\nhigh_v = 253\n",
        "[modules.m]\npmax_w = 400\nvmp_v = 31\nsubstrings = 3\n",
        "[inverters.i]\nrated_va = 800\n",
        "[planes.south]\nazimuth_deg = 180\ntilt_deg = 35\n[planes.east]\nazimuth_deg = 90\ntilt_deg = 35\n",
    ]
    column = {"south": 0, "east": 0}
    for serial, count, plane in LAYOUT:
        lines.append(f'[[units]]\nserial = "{serial}"\ninverter = "i"\ngateway = "g1"\n')
        for number in range(1, count + 1):
            row, col = divmod(column[plane], 3)
            column[plane] += 1
            lines.append(
                f'[[units.inputs]]\ninput = {number}\nmodule = "m"\nplane = "{plane}"\nrow = {row + 1}\ncolumn = {col + 1}\n'
            )
    return "".join(lines)


@dataclass
class FakeView:
    """Stands in for the rules' SiteView: same attributes, arrays drawn by hand."""

    site: SiteDescription
    ts: NDArray[np.int64]
    step_s: int
    power_w: NDArray[np.float64]
    voltage_v: NDArray[np.float64]
    current_a: NDArray[np.float64]
    expected_w: NDArray[np.float64]
    typical_w: NDArray[np.float64]
    ac_voltage_v: NDArray[np.float64]
    ac_frequency_hz: NDArray[np.float64]
    ac_power_w: NDArray[np.float64]
    temperature_c: NDArray[np.float64]
    state: NDArray[np.int8]
    present: NDArray[np.bool_]
    sun_azimuth_deg: NDArray[np.float64]
    sun_elevation_deg: NDArray[np.float64]
    irradiance_source: str
    plane_of: tuple[str, ...]


def make_view() -> FakeView:
    site = parse_site(_site_toml())
    ts = START + STEP * np.arange(DAYS * 288, dtype=np.int64)
    hour = (ts - START) % 86400 / 3600
    elevation = 65 * np.sin(np.pi * (hour - 5) / 14)
    azimuth = 60 + (hour - 5) / 14 * 240
    light = np.clip(np.sin(np.pi * (hour - 5) / 14), 0, None)
    shape = {"south": light**1.3, "east": np.clip(np.sin(np.pi * (hour - 4) / 11), 0, None) * (light > 0)}
    planes = tuple(ref.plane for ref in site.inputs)
    typical = np.stack([360 * shape[p] for p in planes], axis=1)
    power = typical * np.linspace(0.98, 1.02, len(planes))
    voltage = np.where(typical > 5, 31.0, 2.0)
    day = (ts - START) // 86400
    # input 1 of A: shaded at azimuth 100 to 140; input 2 of A: dead from day 3 on.
    power[(azimuth > 100) & (azimuth < 140), 0] *= 0.3
    power[day >= 3, 1], voltage[day >= 3, 1] = 0.0, 0.2
    # unit C silent from day 5 on, unit D patchy.
    present = np.repeat((light > 0)[:, None], len(planes), axis=1)
    present[day >= 5, 4:6] = False
    present[(np.arange(len(ts)) % 5 == 0), 6:] = False
    for array in (power, voltage):
        array[~present] = np.nan
    units = len(site.units)
    unit_seen = present[:, [0, 2, 4, 6]]
    ac = np.where(unit_seen, 236.0 + 10 * light[:, None], np.nan)
    return FakeView(
        site=site,
        ts=ts,
        step_s=STEP,
        power_w=power,
        voltage_v=voltage,
        current_a=power / voltage,
        expected_w=typical * 1.05,
        typical_w=typical,
        ac_voltage_v=ac,
        ac_frequency_hz=np.full((len(ts), units), 50.0),
        ac_power_w=np.where(unit_seen, 1.0, np.nan) * 500 * light[:, None],
        temperature_c=20 + 30 * np.repeat(light[:, None], units, axis=1),
        state=np.where(unit_seen, STATE_CODES["producing"], -1).astype(np.int8),
        present=present,
        sun_azimuth_deg=azimuth,
        sun_elevation_deg=elevation,
        irradiance_source="siblings",
        plane_of=planes,
    )


def make_finding(fault: str, **changes: Any) -> Finding:
    base: dict[str, Any] = {
        "site": "hand-drawn",
        "fault": fault,
        "first_seen": "2026-06-04",
        "last_seen": "2026-06-08",
        "days": 5,
        "confidence": 0.93,
        "severity": "high",
        "loss_wh_per_day": 1800.0,
        "loss_wh_total": 9000.0,
        "action": "visit",
        "why": "Seen on 5 days.",
        "gateway": "g1",
        "unit": "A",
        "input": 2,
        "plane": "south",
    }
    return Finding(**{**base, **changes})
