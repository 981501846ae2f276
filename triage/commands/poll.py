"""``callout poll``: read gateways on a schedule and store what they say."""

from __future__ import annotations

import asyncio
import contextlib
import json
import signal
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Annotated

import typer
from rich.markup import escape

from collectors.errors import UsageError
from triage.console import err, out
from triage.options import WorkspaceOption
from triage.poller import Poller, PollReport, iso
from triage.pollfile import POLL_FILE, GatewayEntry, PollFile, gateways_of, load_poll_file
from triage.workspace import Workspace

_HELP = """Read gateways over Modbus on a schedule and store what they say; only ever reads.

The poll file names the gateways (default: poll.toml in the workspace):

\b
[[gateways]]
site = "shed-roof"             # site id in the workspace
name = "gw-a"                  # the gateway's name, as in the site file
link = "tcp://192.0.2.10:502"  # or rtu:///dev/ttyUSB0?baud=9600, rtu+tcp://...
units = "1-12,20"              # Modbus unit ids
interval_s = 60
daylight = "auto"              # while the sun is up; "always"; "06:00-21:30"
timeout_s = 1.0                # left out, it fits the link
attempts = 2
[[gateways.devices]]           # units without SunSpec, or weather sensors
units = "60"
map = "sensor.toml"            # register map, relative to the poll file
plane = "south"                # plane whose irradiance it measures
serials = { 60 = "PYR-1" }

A register map (function 3 or 4; addresses count from first_register):

\b
name = "Pyranometer"
source = "maker's register list, issue 4"
function = 4
first_register = 30001
word_order = "big"             # and byte_order; max_registers; max_gap
[[points]]
point = "poa_w_m2"             # a telemetry or weather column, serial,
register = 30001               # clock_s, state (with states = { 4 = "producing" })
type = "uint16"                # or alarm_bits (with bits = { 0 = "text" })
scale = 0.1                    # and offset, missing = [0xFFFF], size of a string,
                               # inputs = 4 with stride = 20

Exit code: 0; with --once 1 if a unit or gateway did not answer; 2 the call or a file is wrong.
"""
_EPILOG = """Examples:

callout poll

callout poll --config poll.toml --once

callout poll --site shed-roof --for 3600 --json
"""


def register(app: typer.Typer) -> None:
    app.command("poll", help=escape(_HELP), epilog=_EPILOG)(_poll)


def _poll(
    workspace: WorkspaceOption = None,
    config: Annotated[Path | None, typer.Option(help="poll file; else poll.toml in the workspace")] = None,
    site: Annotated[str | None, typer.Option(help="only the gateways of this site")] = None,
    once: Annotated[bool, typer.Option("--once", help="poll every gateway once, whatever the hour")] = False,
    seconds: Annotated[float | None, typer.Option("--for", help="end after so many seconds", min=0)] = None,
    as_json: Annotated[bool, typer.Option("--json", help="one JSON object a line for every poll")] = False,
) -> None:
    folder = Workspace(workspace)
    parsed = load_poll_file(config or folder.path / POLL_FILE)
    chosen = list(gateways_of(parsed, site))
    if not chosen:
        named = ", ".join(sorted({g.site for g in parsed.gateways}))
        raise UsageError(f"--site {site}: the poll file has no gateway of it; it has: {named}", "Check the id.")

    def show(report: PollReport) -> None:
        if as_json:
            out.print(json.dumps(report.to_json()), soft_wrap=True, highlight=False, markup=False)
        else:
            _show(report)

    reports = asyncio.run(_run(folder, parsed, chosen, show, once=once, seconds=seconds))
    if once and not all(r.complete for r in reports):
        raise typer.Exit(1)


async def _run(
    folder: Workspace,
    parsed: PollFile,
    chosen: Sequence[GatewayEntry],
    show: Callable[[PollReport], None],
    *,
    once: bool,
    seconds: float | None,
) -> list[PollReport]:
    async with Poller(folder, parsed, gateways=chosen, on_report=show) as poller:
        if once:
            return await poller.poll_once()
        stop = asyncio.Event()
        loop = asyncio.get_running_loop()
        for number in (signal.SIGINT, signal.SIGTERM):
            # Not every platform has signal handlers in its event loop; Ctrl-C still ends it there.
            with contextlib.suppress(NotImplementedError, ValueError, RuntimeError):
                loop.add_signal_handler(number, stop.set)
        for entry in chosen:
            err.print(
                f"polling {entry.name} of {entry.site} at {entry.link}: "
                f"{len(entry.unit_ids)} units every {entry.interval_s:g} s, daylight {entry.daylight}",
                highlight=False,
                soft_wrap=True,
            )
        err.print("Ctrl-C ends it", highlight=False)
        if seconds is not None:
            loop.call_later(seconds, stop.set)
        await poller.run(stop)
        err.print("stopped; everything read is stored", highlight=False)
    return []


def _show(report: PollReport) -> None:
    done = f"{report.units_ok}/{report.units} units, {report.inputs_stored} inputs stored"
    colour = "green" if report.complete else "yellow" if report.units_ok else "red"
    out.print(
        f"{report.at}  {report.site}/{report.gateway}  [{colour}]{done}[/]  {report.requests} requests, {report.seconds:.2f} s",
        highlight=False,
        soft_wrap=True,
    )
    if report.problem and not report.events:
        out.print(f"  {report.problem}", highlight=False, markup=False, soft_wrap=True)
    for ts, source, event, detail in report.events:
        text = f"  {iso(ts)}  {source}  {event}: {detail}"
        out.print(text, highlight=False, markup=False, soft_wrap=True)
    if report.unknown:
        named = ", ".join(report.unknown[:6]) + (" ..." if len(report.unknown) > 6 else "")
        text = f"  not in the site file, so not stored: {named}"
        out.print(text, highlight=False, markup=False, soft_wrap=True)
    for reason, count in report.rejected.items():
        out.print(f"  {count} values dropped: {reason}", highlight=False, markup=False, soft_wrap=True)
