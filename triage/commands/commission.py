"""``callout commission``: the first clear days against expectation, and a sheet to fill in on site."""

from __future__ import annotations

import json
import time
from datetime import date
from pathlib import Path
from typing import Annotated

import pandas as pd
import typer
from rich.markup import escape
from rich.table import Table

from collectors.csv_layout import load_layout
from collectors.errors import UsageError
from collectors.site import SiteDescription, load_site
from rules.compat.commission import commission
from rules.compat.record import CommissionRecord
from triage.commission_page import commission_page, days_used, find, observation_text
from triage.compat_page import VERDICT_WORDS
from triage.compat_table import STYLES
from triage.console import err, out
from triage.importing import read_files
from triage.options import JsonOption, WorkspaceOption
from triage.textfile import write_text
from triage.workspace import Workspace

_HELP = """After installation: compare the first clear days with expectation, input by input.

Every input present, on the right plane, awake when its siblings are, its voltage where it should be; \
and a sheet to print, with blanks for what a person must inspect and measure. Local codes and licensed \
practice prevail.
"""
_EXAMPLES = """
Examples:

  callout commission --site-file roof.toml --telemetry week1.csv --html sheet.html

  callout commission alder-court --from 2026-03-02 --json

Exit codes: 0 every input as expected, 1 something to look into, 2 usage or input error.
"""


def register(app: typer.Typer) -> None:
    app.command("commission", help=_HELP, epilog=_EXAMPLES)(commission_command)


def commission_command(
    site: Annotated[str | None, typer.Argument(help="Id of a site in the workspace.")] = None,
    site_file: Annotated[Path | None, typer.Option(help="Site TOML, for loose files.")] = None,
    telemetry: Annotated[list[Path] | None, typer.Option(help="Telemetry file (repeatable).")] = None,
    weather: Annotated[list[Path] | None, typer.Option(help="Weather file (repeatable); its air temperature is used.")] = None,
    layout: Annotated[Path | None, typer.Option(help="Layout TOML that says what the columns are.")] = None,
    start: Annotated[
        str | None,
        typer.Option("--from", help="First day, YYYY-MM-DD; else the site file's commissioned, else all."),
    ] = None,
    days: Annotated[int, typer.Option(min=1, max=14, help="Clear days to use, the earliest ones.")] = 3,
    html: Annotated[Path | None, typer.Option(help="Write the sheet to this file.")] = None,
    as_json: JsonOption = False,
    workspace: WorkspaceOption = None,
) -> None:
    description, readings, sky = _data(site, site_file, telemetry, weather, layout, workspace)
    if readings.empty:
        raise UsageError("no telemetry", "Give --telemetry FILE, or import some into the site first.")
    first = _first_day(start, description, readings)
    with err.status("Looking for clear days"):
        try:
            record = commission(description, readings, sky, wanted=days, day_from=first)
        except ValueError as exc:
            raise UsageError(f"{exc} from {start} on", "Choose an earlier --from.") from exc
    if html is not None:
        write_text(html, commission_page(record, description))
        err.print(f"Sheet written to {html}", highlight=False)
    if as_json:
        typer.echo(json.dumps(record.to_json(), ensure_ascii=False, indent=2))
    else:
        _show(record)
    raise typer.Exit(1 if record.verdict in ("fail", "near") else 0)


def _data(
    site: str | None,
    site_file: Path | None,
    telemetry: list[Path] | None,
    weather: list[Path] | None,
    layout: Path | None,
    workspace: Path | None,
) -> tuple[SiteDescription, pd.DataFrame, pd.DataFrame]:
    if site_file is not None:
        if site is not None:
            raise UsageError("give either SITE or --site-file", "`callout commission --help` has examples.")
        if not telemetry:
            raise UsageError("--site-file needs --telemetry", "Add --telemetry FILE.")
        description = load_site(site_file)
        rules = load_layout(layout) if layout else None
        with err.status("reading"):
            loaded = read_files(description, telemetry, weather or (), (), rules, now=time.time())
        for reason, count in loaded.rejected_rows.items():
            err.print(f"{count} rows rejected: {reason}", markup=False, highlight=False)
        return description, loaded.telemetry, loaded.weather
    if site is None:
        raise UsageError("no site given", "Name a site, or give --site-file and --telemetry.")
    if telemetry or weather:
        raise UsageError("loose files need --site-file", "Use `callout import` to add files to a stored site.")
    with Workspace(workspace).open(site) as store:
        return store.site, store.telemetry(), store.weather()


def _first_day(start: str | None, site: SiteDescription, telemetry: pd.DataFrame) -> int | None:
    """Solar day number to begin with; the commissioning date only where the record still covers it."""
    if start is not None:
        try:
            return _day_number(date.fromisoformat(start))
        except ValueError as exc:
            raise UsageError(f"--from {start}: not a date", "Write it as 2026-03-02.") from exc
    if site.site.commissioned is None:
        return None
    first = int(telemetry["ts"].min()) // 86400
    day = _day_number(site.site.commissioned)
    return day if day >= first else None


def _day_number(day: date) -> int:
    return (day - date(1970, 1, 1)).days


def _show(record: CommissionRecord) -> None:
    out.print(f"[bold]Commissioning record of {escape(record.name or record.site)}[/bold]", highlight=False)
    partly = " (partly clear: the best there were)" if record.partly_clear else ""
    out.print(f"Clear days used: {days_used(record)}{partly}", highlight=False)
    for place in record.site_places:
        for o in place.observations:
            word = f"[{STYLES[o.verdict]}]{VERDICT_WORDS[o.verdict][0]}[/]"
            expected = f" (expected {escape(o.expected)})" if o.expected else ""
            text = f" {escape(o.text)}" if o.text else ""
            out.print(
                f"{word}  {escape(place.label)}: {o.title} {escape(observation_text(o))}{expected}{text}",
                highlight=False,
            )
    if record.inputs:
        out.print(_table(record))
    for place in record.inputs:
        for o in place.observations:
            if o.verdict in ("fail", "near"):
                out.print(f"[{STYLES[o.verdict]}]{escape(place.label)}[/]: {escape(o.text)}", highlight=False)
    out.print(f"\n[bold]Read first.[/bold] {escape(record.caution)}")


def _table(record: CommissionRecord) -> Table:
    table = Table(box=None, pad_edge=False, header_style="bold")
    columns = (
        ("present", "reports"),
        ("energy", "energy"),
        ("wake-up", "wakes"),
        ("voltage", "voltage"),
        ("plane", "fits plane"),
    )
    for name in ("verdict", "input", "plane", *(title for _, title in columns)):
        table.add_column(name, no_wrap=name == "verdict")
    for place in record.inputs:
        cells = []
        for key, _ in columns:
            o = find(place, key)
            style = STYLES[o.verdict] if o and o.verdict != "pass" else ""
            text = observation_text(o).removesuffix(" of daylight").replace(" min after siblings", " min")
            cells.append(f"[{style}]{escape(text)}[/]" if style else escape(text))
        word = f"[{STYLES[place.verdict]}]{VERDICT_WORDS[place.verdict][0]}[/]"
        table.add_row(word, escape(place.label), escape(place.plane or ""), *cells)
    return table
