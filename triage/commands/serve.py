"""``callout serve``, ``callout night`` and ``callout morning``: the service and what it does, by hand."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Annotated

import typer
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from triage.console import err, out
from triage.figures import day_text, plural
from triage.options import JsonOption, WorkspaceOption
from triage.service.context import Context
from triage.service.dusk import iso_day, iso_time
from triage.service.lock import only_one
from triage.service.logs import set_up_logs
from triage.service.morning import SECTIONS, Morning, morning, night_news
from triage.service.nights import Nights
from triage.service.settings import Settings, load_settings, settings_table
from triage.service.state import ServiceState
from triage.service.workers import Here
from triage.workspace import Workspace

_SERVE = """
[bold]Examples[/bold]

  callout serve

  callout serve --port 9000 --log-format console

  callout serve --settings          every key of service.toml with its default

Stops cleanly on SIGTERM and Ctrl-C. Exit codes: 0 stopped, 2 usage error (another process looks after the
workspace, or another address than loopback without logins and TLS).
"""
_NIGHT = """
[bold]Examples[/bold]

  callout night                     work off what is due, then say what changed

  callout night --list              the last nights and how they went

Exit codes: 0 nothing needs action, 1 a site needs action or failed, 2 usage or input error.
"""
_MORNING = """
[bold]Examples[/bold]

  callout morning

  callout morning --json | jq -r .headline

Exit codes: 0 nobody has to act, 1 someone has to, 2 usage or input error.
"""


def register(app: typer.Typer) -> None:
    app.command("serve", epilog=_SERVE, rich_help_panel="Service")(serve)
    app.command("night", epilog=_NIGHT, rich_help_panel="Service")(night)
    app.command("morning", epilog=_MORNING, rich_help_panel="Service")(show_morning)


def serve(
    workspace: WorkspaceOption = None,
    host: Annotated[str, typer.Option("--host", help="Address to listen on; default from service.toml.")] = "",
    port: Annotated[int | None, typer.Option("--port", min=0, max=65535, help="Port to listen on; 0 takes a free one.")] = None,
    log_format: Annotated[str, typer.Option("--log-format", help="json or console.")] = "json",
    settings_only: Annotated[bool, typer.Option("--settings", help="List every setting of service.toml and stop.")] = False,
) -> None:
    """Do the night's work and show the morning's answer in a browser."""
    if settings_only:
        _print_settings()
        return
    if log_format not in ("json", "console"):
        raise typer.BadParameter("json or console", param_hint="--log-format")
    from triage.service.server import serve as run_service  # scheduler and web server: only here

    folder = Workspace(workspace).path.resolve()
    settings = _with(load_settings(folder), host, port)
    set_up_logs(log_format == "json")
    run_service(folder, settings, lambda address: out.print(f"Callout listens on {address}", highlight=False))


def night(
    workspace: WorkspaceOption = None,
    listing: Annotated[bool, typer.Option("--list", help="Show the last nights instead of working.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Check each site whose dusk has passed, once, as the service would."""
    from triage.service.keeper import NightKeeper  # pulls in the engine; `--help` need not wait for it

    folder = Workspace(workspace).path.resolve()
    settings = load_settings(folder)
    state = ServiceState(folder)
    if listing:
        _list_nights(state, as_json)
        return
    set_up_logs(as_json=False, level="WARNING")
    with only_one(folder, "callout night"):
        Nights(state).recover(time.time())
        keeper = NightKeeper(folder, state, settings.night, time.time, Here())
        with err.status("Looking for due nights"):
            result = keeper.sweep()
    found = _morning(folder, settings, state)
    if as_json:
        body = {
            "done": [{"site": n.site, "night": iso_day(n.day), "changes": len(n.changes)} for n in result.done],
            "failed": [{"site": site, "error": error} for site, error in result.failed],
            **found.to_json(),
        }
        out.print_json(json.dumps(body))
    else:
        out.print(f"{plural(len(result.done), 'night')} worked off, {len(result.failed)} failed.", highlight=False)
        for site, error in result.failed:
            err.print(f"{site}: {error}", markup=False, highlight=False)
        out.print(found.headline, highlight=False)
    raise typer.Exit(1 if result.failed or _asks(found) else 0)


def show_morning(workspace: WorkspaceOption = None, as_json: JsonOption = False) -> None:
    """What changed overnight and who must go: the morning page as text."""
    folder = Workspace(workspace).known_folder()
    state = ServiceState(folder, reading=True)
    if state.hidden:
        err.print(f"{state.path}: may not be read, so what changed overnight is left out.", style="yellow", highlight=False)
    found = _morning(folder, load_settings(folder), state)
    if as_json:
        out.print_json(json.dumps(found.to_json()))
        raise typer.Exit(1 if _asks(found) else 0)
    out.print(f"[bold]{found.headline}[/bold]", highlight=False)
    for key, (heading, _) in SECTIONS.items():
        lines = found.section(key)
        if not lines:
            continue
        if key == "quiet":
            out.print(f"\n{heading}: {len(lines)}", highlight=False)
            continue
        out.print(f"\n[bold]{heading}[/bold] ({len(lines)})", highlight=False)
        for line in lines:
            facts = [line.worth] if line.loss_wh_per_day > 0 else []
            facts += [f"since {day_text(line.since)}"] if line.since else []
            facts += [line.silent] if line.silent else []
            out.print(f"  {line.name}  {', '.join(facts)}", markup=False, highlight=False)
            for text in (line.answer, *line.changes):
                out.print(Padding(Text(text), (0, 0, 0, 6)))
    raise typer.Exit(1 if _asks(found) else 0)


def _morning(folder: Path, settings: Settings, state: ServiceState) -> Morning:
    context = Context(folder, settings, state)
    context.reread()
    return morning(context.summaries(), night_news(state), time.time())


def _asks(found: Morning) -> bool:
    return any(line.urgency in ("visit", "remote", "trouble") for line in found.lines)


def _with(settings: Settings, host: str, port: int | None) -> Settings:
    changes: dict[str, object] = {}
    if host:
        changes["host"] = host
    if port is not None:
        changes["port"] = port
    return settings.model_copy(update={"service": settings.service.model_copy(update=changes)})


def _list_nights(state: ServiceState, as_json: bool) -> None:
    rows = [
        {"site": n.site, "night": iso_day(n.day), "state": n.state, "attempts": n.attempts,
         "started": iso_time(n.started_ts), "error": n.error}
        for n in Nights(state).last(200)
    ]  # fmt: skip
    if as_json:
        out.print_json(json.dumps(rows))
        return
    table = Table(title="Nights")
    for column in ("Night", "Site", "State", "Tries", "Started (UTC)", "Error"):
        table.add_column(column, overflow="fold")
    for row in rows:
        table.add_row(*(str(row[k]) for k in ("night", "site", "state", "attempts", "started", "error")))
    out.print(table)


def _print_settings() -> None:
    table = Table(title="service.toml in the workspace")
    for column in ("Key", "Default", "Meaning"):
        table.add_column(column, overflow="fold")
    for name, key, default, help_ in settings_table():
        table.add_row(f"[{name}] {key}".replace("[", "\\[", 1), default, help_)
    out.print(table)
