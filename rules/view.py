"""What charts need: measured, expected and siblings' power on one grid."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from collectors.site import SiteDescription
from rules.learn import complete_site
from rules.panel import Panel, build_panels
from rules.ranks import F32
from rules.reduce import reference_frame
from rules.sun import sun_of


@dataclass(frozen=True)
class SiteView:
    """Arrays over T stamps, N inputs (order of ``site.inputs``), U units.

    ``typical_w`` is what the siblings made, scaled to this input's rating;
    ``expected_w`` what sun, sky and module should give under the sky the site
    as a whole saw. NaN is unknown or not reported. Powers in W.
    """

    site: SiteDescription
    ts: NDArray[np.int64]
    step_s: int
    power_w: F32
    voltage_v: F32
    current_a: F32
    expected_w: F32
    typical_w: F32
    ac_voltage_v: F32
    ac_frequency_hz: F32
    ac_power_w: F32
    temperature_c: F32
    state: NDArray[np.int8]
    present: NDArray[np.bool_]
    sun_azimuth_deg: NDArray[np.float64]
    sun_elevation_deg: NDArray[np.float64]
    irradiance_source: str
    plane_of: tuple[str, ...]


def build_view(
    site: SiteDescription,
    telemetry: pd.DataFrame,
    weather: pd.DataFrame,
    irradiance_source: str = "own inputs",
) -> SiteView:
    """Arrays of the whole frame; days logged at another step than the last are left out."""
    site = complete_site(site, telemetry).site
    panels = list(build_panels(site, telemetry))
    if not panels:
        raise ValueError("no telemetry to show")
    step = panels[-1].step_s
    panels = [p for p in panels if p.step_s == step]
    frames = [reference_frame(p, weather) for p in panels]
    rated = frames[0].rated

    def join(name: str) -> NDArray[Any]:
        return np.concatenate([_flat(getattr(p, name)) for p in panels])

    ts = np.concatenate([p.ts.ravel() for p in panels])
    sun = sun_of(site.site, ts)
    with np.errstate(invalid="ignore"):
        expected = np.concatenate([_flat(np.nan_to_num(f.sky)[:, :, None] * f.clear * rated) for f in frames])
        typical = np.concatenate([_flat(f.typical * rated) for f in frames])
    return SiteView(
        site=site,
        ts=ts,
        step_s=step,
        power_w=join("power_w"),
        voltage_v=join("voltage_v"),
        current_a=join("current_a"),
        expected_w=expected,
        typical_w=typical,
        ac_voltage_v=join("ac_voltage_v"),
        ac_frequency_hz=join("ac_frequency_hz"),
        ac_power_w=join("ac_power_w"),
        temperature_c=join("temperature_c"),
        state=join("state"),
        present=join("present"),
        sun_azimuth_deg=sun.azimuth_deg,
        sun_elevation_deg=sun.elevation_deg,
        irradiance_source=irradiance_source,
        plane_of=tuple(ref.plane for ref in site.inputs),
    )


def _flat(values: NDArray[Any]) -> NDArray[Any]:
    return values.reshape(-1, values.shape[-1])


__all__ = ["Panel", "SiteView", "build_view"]
