"""Options that many commands share, said in one place."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from triage.workspace import VARIABLE

WorkspaceOption = Annotated[
    Path | None,
    typer.Option("--workspace", envvar=VARIABLE, help="Folder of the workspace; else ./callout-data."),
]
JsonOption = Annotated[bool, typer.Option("--json", help="JSON on stdout.")]
