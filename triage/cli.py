"""The ``callout`` command: every file in ``triage/commands`` adds its own words.

A command file has a function ``register(app)`` and is imported when one of its words
is called (``triage/words.py``). Exit codes: 0 nothing to do, 1 findings that need
action, 2 usage or input error.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import Annotated

import typer
from rich.markup import escape

from collectors.errors import CalloutError
from triage.console import err
from triage.words import WordGroup

app = typer.Typer(
    name="callout",
    cls=WordGroup,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="Read what a rooftop PV gateway recorded; say which input lost what, why, and whether anyone must climb.",
)


def _show_version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        typer.echo(f"callout {version('callout')}")
        raise typer.Exit


@app.callback()
def _top(
    version: Annotated[
        bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version and exit.")
    ] = False,
) -> None:
    pass


def main(argv: Sequence[str] | None = None) -> None:
    """Run the command; a mistake in the input ends in one line and exit code 2."""
    try:
        app(args=list(argv) if argv is not None else None)
    except CalloutError as exc:
        err.print(f"[bold]callout:[/bold] {escape(str(exc))}", highlight=False, markup=True, soft_wrap=True)
        sys.exit(2)
