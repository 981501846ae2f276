"""``callout init``: a draft of a site file, commented, to be filled in."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path
from typing import Annotated

import typer

from collectors.errors import UsageError
from triage.console import out
from triage.textfile import write_text

_EPILOG = """
[bold]Examples[/bold]

  callout init mill.toml

  callout init -          prints the draft, a complete site file with every key explained

Exit codes: 0 done, 2 usage or input error.
"""


def register(app: typer.Typer) -> None:
    app.command("init", epilog=_EPILOG, rich_help_panel="A site")(init)


def draft_text() -> str:
    """The draft: a complete, valid site file of an invented site."""
    return files("triage.commands").joinpath("site_draft.toml").read_text(encoding="utf-8")


def init(
    file: Annotated[Path, typer.Argument(help="File to write; `-` prints it.")] = Path("site.toml"),
) -> None:
    """Draft a site file: what stands on the roof, with every key explained."""
    if str(file) == "-":
        typer.echo(draft_text(), nl=False)
        return
    if file.exists():
        raise UsageError(f"{file} exists and was left as it is", "Choose another name, or remove it first.")
    write_text(file, draft_text())
    out.print(f"{file}: a draft of an invented site.", highlight=False, soft_wrap=True)
    out.print(
        f"Next: replace its values, then callout site add {file}",
        style="dim",
        highlight=False,
        soft_wrap=True,
    )
