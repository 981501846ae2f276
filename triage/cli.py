"""The ``callout`` command: every file in ``triage/commands`` adds its own words.

A command file has a function ``register(app)``. Exit codes: 0 nothing to do,
1 findings that need action, 2 usage or input error.
"""

from __future__ import annotations

import importlib
import pkgutil
import sys
from collections.abc import Sequence

import typer
from rich.markup import escape

import triage.commands
from collectors.errors import CalloutError
from triage.console import err

app = typer.Typer(
    name="callout",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="Read what a rooftop PV gateway recorded; say which input lost what, why, and whether anyone must climb.",
)

for _module in sorted(pkgutil.iter_modules(triage.commands.__path__), key=lambda m: m.name):
    importlib.import_module(f"triage.commands.{_module.name}").register(app)


def main(argv: Sequence[str] | None = None) -> None:
    """Run the command; a mistake in the input ends in one line and exit code 2."""
    try:
        app(args=list(argv) if argv is not None else None)
    except CalloutError as exc:
        err.print(f"[bold]callout:[/bold] {escape(str(exc))}", highlight=False, markup=True)
        sys.exit(2)
