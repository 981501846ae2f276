"""``callout notify``: the night's message, shown or sent."""

from __future__ import annotations

import json
import time
from typing import TYPE_CHECKING, Annotated

import typer

from collectors.errors import LinkError, UsageError
from triage.console import err, out
from triage.options import JsonOption, WorkspaceOption
from triage.service.context import Context
from triage.service.morning import morning, night_news
from triage.service.settings import load_settings
from triage.service.state import ServiceState
from triage.workspace import Workspace

if TYPE_CHECKING:
    from triage.notify import Message

_EXAMPLE = """
[bold]Examples[/bold]

  callout notify --dry-run              print the digest and where it would go

  callout notify --test                 send one line to every target

  CALLOUT_NOTIFY_URLS=json://localhost:8080/hook callout notify

Targets stand under \\[notify] urls in service.toml or in CALLOUT_NOTIFY_URLS. Exit codes: 0 sent, shown or
nothing to say, 2 usage error, no target, or a target did not take it.
"""


def register(app: typer.Typer) -> None:
    app.command("notify", epilog=_EXAMPLE, rich_help_panel="Service")(notify)


def notify(
    workspace: WorkspaceOption = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Print the message; send nothing.")] = False,
    test: Annotated[bool, typer.Option("--test", help="Send a test line to every target.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Send the night's digest, or print it."""
    # apprise knows a hundred services and takes its time: only this command pays for it
    from triage.notify import (
        VARIABLE,
        Message,
        Messenger,
        digest_message,
        quiet,
        send,
        shown_targets,
        targets,
    )

    folder = Workspace(workspace).known_folder()
    settings, state = load_settings(folder), ServiceState(folder, reading=dry_run)
    urls = targets(settings.notify)
    context = Context(folder, settings, state)
    context.reread()
    message = (
        Message("test", "test", "Callout: test", "This line came from `callout notify --test`.")
        if test
        else digest_message(morning(context.summaries(), night_news(state), time.time()), settings.service.public_url)
    )
    if as_json or dry_run:
        _show(message, shown_targets(urls), as_json, quiet(time.time(), settings.notify))
    if dry_run or message is None:
        if message is None and not as_json:
            out.print("Nothing to say.")
        return
    if not urls:
        raise UsageError("there is no target", f"Set [notify] urls in service.toml or {VARIABLE}.")
    if test:
        ok = send(message, urls)
    else:
        ok = Messenger(folder, state, settings.notify, time.time, settings.service.public_url).send_now(message)
    if not ok:
        raise LinkError("not every target took the message", "Check the addresses with `callout notify --test`.")
    err.print("Sent.")


def _show(message: Message | None, where: list[str], as_json: bool, in_quiet_hours: bool) -> None:
    if as_json:
        out.print_json(json.dumps({"message": message.to_json() if message else None, "targets": where, "quiet": in_quiet_hours}))
        return
    if message is not None:
        out.print(message.title, style="bold", markup=False, highlight=False)
        out.print(message.body, markup=False, highlight=False)
    out.print(f"\nTargets: {', '.join(where) or 'none'}", markup=False, highlight=False)
    if in_quiet_hours:
        out.print("These are quiet hours: the service would hold it back.", highlight=False)
