"""Small invented sites, simulated gateways and poll files for the poller's tests."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from pathlib import Path

from collectors.site import parse_site
from sample_logs.gateway.faults import Fault
from sample_logs.gateway.replay import ClearDay
from sample_logs.gateway.server import SimulatedGateway, serve_site
from triage.poller import Poller, PollReport
from triage.pollfile import PollFile, parse_poll_file
from triage.workspace import Workspace

#: 2026-06-12T11:00:00Z: the sun is high over the site below.
NOON = 1_781_262_000


def site_toml(site_id: str = "shed", gateways: Sequence[str] = ("gw",), units: int = 2) -> str:
    text = (
        f'[site]\nid = "{site_id}"\nlatitude = 40.4\nlongitude = 0.0\ntimezone = "Europe/Madrid"\n'
        "[modules.m]\npmax_w = 400\n[planes.south]\n"
    )
    for gateway in gateways:
        for n in range(1, units + 1):
            text += f'[[units]]\nserial = "{gateway}-{n}"\ngateway = "{gateway}"\n'
            text += "".join(f'[[units.inputs]]\ninput = {k}\nmodule = "m"\n' for k in (1, 2))
    return text


def simulated(toml: str, gateway: str = "gw", faults: Sequence[Fault] = (), **options: object) -> SimulatedGateway:
    site = parse_site(toml)
    day = ClearDay(site)
    noon = day.start + 12 * 3600
    return serve_site(site, day, lambda: noon, gateway=gateway, faults=faults, **options)  # type: ignore[arg-type]


def poll_file(ports: dict[str, int], *, site: str = "shed", units: str = "1-2", more: str = "") -> PollFile:
    text = ""
    for gateway, port in ports.items():
        text += f'[[gateways]]\nsite = "{site}"\nname = "{gateway}"\nlink = "tcp://127.0.0.1:{port}"\n'
        text += f'units = "{units}"\ntimeout_s = 0.2\n{more}\n'
    return parse_poll_file(text)


class Hand:
    """A clock moved by hand."""

    def __init__(self, at: float = NOON) -> None:
        self.at = at

    def __call__(self) -> float:
        return self.at


@asynccontextmanager
async def polled(
    folder: Path, faults: Sequence[Fault] = (), *, clock: Hand | None = None, more: str = ""
) -> AsyncIterator[tuple[Poller, SimulatedGateway, Hand]]:
    """A poller on one simulated gateway of two units."""
    workspace, hand = Workspace(folder), clock or Hand()
    workspace.add_site(site_toml()).close()
    async with simulated(site_toml(), faults=faults) as served:
        port = await served.start_tcp()
        async with Poller(workspace, poll_file({"gw": port}, more=more), clock=hand) as poller:
            yield poller, served, hand


async def poll(poller: Poller, hand: Hand, seconds: float = 60.0) -> PollReport:
    """One poll, then the clock moves on."""
    (report,) = await poller.poll_once()
    hand.at += seconds
    await asyncio.sleep(0)
    return report
