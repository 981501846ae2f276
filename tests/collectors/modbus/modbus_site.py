"""A small invented site for the Modbus tests."""

from __future__ import annotations

from collectors.site import SiteDescription, parse_site
from sample_logs.gateway.replay import ClearDay
from sample_logs.gateway.server import SimulatedGateway, serve_site

HEAD = """
[site]
id = "shed"
latitude = 40.4
longitude = 0.0
timezone = "Europe/Madrid"
[modules.m]
pmax_w = 400
[inverters.quad]
rated_va = 1500
inputs = 4
"""


def site_toml(units: int = 3, inputs: int = 4) -> str:
    text = HEAD
    for n in range(1, units + 1):
        text += f'[[units]]\nserial = "Q-{n:03}"\ninverter = "quad"\ngateway = "gw"\n'
        text += "".join(f'[[units.inputs]]\ninput = {k}\nmodule = "m"\n' for k in range(1, inputs + 1))
    return text


def site(units: int = 3, inputs: int = 4) -> SiteDescription:
    return parse_site(site_toml(units, inputs))


def gateway(units: int = 3, inputs: int = 4, *, hour: float = 12.0, **options: object) -> SimulatedGateway:
    described = site(units, inputs)
    day = ClearDay(described)
    return serve_site(described, day, lambda: day.start + hour * 3600, **options)  # type: ignore[arg-type]
