"""``callout probe``: what is behind a Modbus link."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path
from typing import Annotated

import typer
from rich import box
from rich.progress import BarColumn, TextColumn, TimeRemainingColumn
from rich.table import Table

from collectors.errors import UsageError
from collectors.modbus import parse_link
from triage.console import err, out, progress_bar
from triage.options import JsonOption
from triage.pollfile import parse_units
from triage.probing import Probe, compact_units, draft_poll, draft_site, probe
from triage.textfile import write_text

_HELP = """Find the units behind a Modbus link, name them, and draft a site and a poll file.

Only reads: no function code but 3 and 4 is ever sent.

LINK is tcp://HOST:PORT, rtu:///dev/ttyUSB0?baud=9600&parity=N&stop=1 or rtu+tcp://HOST:PORT
(RTU frames over TCP, as serial device servers do).

Exit code: 0 units found, 1 none found, 2 the gateway cannot be reached or the call is wrong.
"""
_EPILOG = """Examples:

callout probe tcp://192.0.2.10:502

callout probe tcp://192.0.2.10:502 --units 1-20 --site-file site.toml --poll-file poll.toml

callout probe 'rtu:///dev/ttyUSB0?baud=19200&parity=E' --units 1-32 --json
"""


def register(app: typer.Typer) -> None:
    app.command("probe", help=_HELP, epilog=_EPILOG)(_probe)


def _probe(
    link: Annotated[str, typer.Argument(metavar="LINK", help="where the gateway or bus is")],
    units: Annotated[str, typer.Option(help="unit ids to ask, such as 1-20,100")] = "1-247",
    timeout: Annotated[
        float | None, typer.Option(help="seconds each unit id may take; left out, it fits the link", min=0.01)
    ] = None,
    site_file: Annotated[Path | None, typer.Option(help="write a drafted site file here")] = None,
    poll_file: Annotated[Path | None, typer.Option(help="write a drafted poll file here")] = None,
    site_id: Annotated[str, typer.Option(help="site id for the drafts")] = "new-site",
    gateway: Annotated[str, typer.Option(help="gateway name for the drafts")] = "gateway",
    force: Annotated[bool, typer.Option("--force", help="overwrite drafts that exist")] = False,
    as_json: JsonOption = False,
) -> None:
    address = parse_link(link)
    try:
        unit_ids = parse_units(units)
    except ValueError as exc:
        raise UsageError(f"--units: {exc}", "Give unit ids such as 1-20,100.") from exc
    for path in (site_file, poll_file):
        if path is not None and path.exists() and not force:
            raise UsageError(f"{path}: already there", "Give another name, or --force to overwrite it.")
    columns = (TextColumn("asking unit {task.completed:.0f}"), BarColumn(), TimeRemainingColumn())
    with progress_bar(*columns, TextColumn("{task.fields[found]} found")) as bar:
        task = bar.add_task("", total=len(unit_ids), found=0)
        found = asyncio.run(
            probe(
                address,
                unit_ids,
                timeout_s=timeout,
                on_unit=lambda _unit, count: bar.update(task, advance=1, found=count),
            )
        )
    if as_json:
        out.print_json(json.dumps(found.to_json()))
    else:
        _show(found)
    if found.devices:
        _write(site_file, draft_site(found, site_id, gateway), "site file: complete the lines marked FILL IN")
        _write(poll_file, draft_poll(found, site_id, gateway), "poll file")
    raise typer.Exit(0 if found.devices or found.without_map else 1)


def _show(found: Probe) -> None:
    title = f"{len(found.devices)} units behind {found.address}"
    table = Table(title=title, title_justify="left", title_style="bold", box=box.SIMPLE_HEAD, padding=(0, 0))
    table.add_column("id", justify="right")
    table.add_column("serial", overflow="fold")
    table.add_column("device", overflow="fold")
    table.add_column("models", overflow="fold")
    for name in ("inputs", "VA", "DC W"):
        table.add_column(name, justify="right", no_wrap=True)
    table.add_column("state", no_wrap=True)
    for d in found.devices:
        table.add_row(
            str(d.unit_id),
            d.serial,
            f"{d.maker} {d.product}".strip() or "-",
            " ".join(map(str, d.models)),
            str(d.inputs) if d.inputs else "-",
            f"{d.rated_va:.0f}" if d.rated_va else "-",
            f"{d.dc_power_w:.0f}" if d.dc_power_w is not None else "-",
            d.state or "-",
        )
    if found.devices:
        out.print(table)
    else:
        out.print(f"No SunSpec unit behind {found.address}.", highlight=False)
    for ids, text in (
        (found.without_map, "answer but have no SunSpec map: describe their registers in a map file"),
        (found.gone, "are not there: the gateway answers for them that nothing replies"),
        (found.silent, "gave no reply"),
    ):
        if ids:
            out.print(f"Unit ids {compact_units(ids)} {text}.", highlight=False)
    for unit, text in found.problems.items():
        out.print(f"Unit id {unit}: {text}", highlight=False)


def _write(path: Path | None, text: str, what: str) -> None:
    if path is None:
        return
    write_text(path, text)
    err.print(f"wrote {path} ({what})", highlight=False, soft_wrap=True)
