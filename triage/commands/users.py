"""``callout users``: who may enter the service, and who did what."""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path
from typing import Annotated

import typer
from rich.table import Table

from collectors.errors import StoreError, UsageError
from triage.console import example, out
from triage.options import JsonOption, WorkspaceOption
from triage.service.accounts import Role, add_user, remove_user, users
from triage.service.dusk import iso_time
from triage.service.state import ServiceState
from triage.who import local_name
from triage.workspace import Workspace

_EXAMPLE = """
[bold]Examples[/bold]

  callout users add ines --role operator        asks for the password

  printf '%s' "$PASSWORD" | callout users add board --role viewer --password-stdin

  callout users audit

A viewer reads every page; an operator also changes things. As soon as there is a user, every page asks for a
login. Exit codes: 0 done, 2 usage error.
"""


RoleOption = Annotated[str, typer.Option("--role", help="viewer or operator.")]
StdinOption = Annotated[bool, typer.Option("--password-stdin", help="Read the password from standard input instead of asking.")]


def register(app: typer.Typer) -> None:
    group = typer.Typer(no_args_is_help=True, help="Who may enter the service.", epilog=_EXAMPLE)
    group.command("add", epilog=example("users add ines --role operator"))(add)
    group.command("password", epilog=example("users password ines --role viewer"))(password)
    group.command("remove", epilog=example("users remove ines"))(remove)
    group.command("list", epilog=example("users list --json"))(show)
    group.command("audit", epilog=example("users audit --site hill-farm --limit 20"))(audit)
    app.add_typer(group, name="users", rich_help_panel="Service")


def add(
    name: str,
    role: RoleOption = "viewer",
    workspace: WorkspaceOption = None,
    password_stdin: StdinOption = False,
) -> None:
    """Add a user."""
    state, at = _state(workspace), iso_time(time.time())
    known = _role(role)  # before anybody types a password for nothing
    add_user(state, name, _password(password_stdin), known, at)
    state.record(at, local_name(), "user added", detail=f"{name}, {role}")
    out.print(f"User '{name}' added as {role}.", highlight=False, markup=False)


def password(name: str, role: RoleOption = "", workspace: WorkspaceOption = None, password_stdin: StdinOption = False) -> None:
    """Give a user a new password (and, with --role, another role); ends their sessions."""
    state, at = _state(workspace), iso_time(time.time())
    now = next((r for n, r, _ in users(state) if n == name), "viewer")
    known = _role(role or now)
    add_user(state, name, _password(password_stdin), known, at, replace=True)
    state.record(at, local_name(), "password changed", detail=name)
    out.print(f"Password of '{name}' changed.", highlight=False, markup=False)


def remove(name: str, workspace: WorkspaceOption = None) -> None:
    """Remove a user and end their sessions."""
    state = _state(workspace)
    remove_user(state, name)
    state.record(iso_time(time.time()), local_name(), "user removed", detail=name)
    out.print(f"User '{name}' removed.", highlight=False, markup=False)


def show(workspace: WorkspaceOption = None, as_json: JsonOption = False) -> None:
    """List users."""
    rows = [{"name": n, "role": r, "created_at": at} for n, r, at in users(_state(workspace, reading=True))]
    _print("Users", rows, as_json)


def audit(
    workspace: WorkspaceOption = None,
    limit: Annotated[int, typer.Option("--limit", min=1, help="How many lines, newest first.")] = 100,
    site: Annotated[str, typer.Option("--site", help="Only changes at this site.")] = "",
    as_json: JsonOption = False,
) -> None:
    """Who changed what, newest first."""
    _print("Who did what (UTC)", _state(workspace, reading=True).audit(limit, site or None), as_json)


def _state(workspace: Path | None, reading: bool = False) -> ServiceState:
    place = Workspace(workspace)
    if not reading:
        return ServiceState(place.path.resolve())
    state = ServiceState(place.known_folder(), reading=True)
    if state.hidden:
        raise StoreError(f"{state.path}: may not be read", "Ask as the user the service runs as.")
    return state


def _role(role: str) -> Role:
    if role == "viewer":
        return "viewer"
    if role == "operator":
        return "operator"
    raise UsageError(f"role '{role}' is not known", "Use viewer or operator.")


def _password(from_stdin: bool) -> str:
    if from_stdin:
        return sys.stdin.read().rstrip("\r\n")
    return str(typer.prompt("Password", hide_input=True, confirmation_prompt=True))


def _print(title: str, rows: list[dict[str, str]], as_json: bool) -> None:
    if as_json:
        out.print_json(json.dumps(rows))
        return
    if not rows:
        out.print(f"{title}: none.", highlight=False)
        return
    table = Table(title=title)
    for key in rows[0]:
        table.add_column(key.replace("_", " ").capitalize(), overflow="fold")
    for row in rows:
        table.add_row(*row.values())
    out.print(table)
