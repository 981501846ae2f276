"""``callout evidence``: the zip for a warranty claim."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Annotated

import typer
from rich.table import Table

from collectors.errors import UsageError
from triage.console import err, out
from triage.options import JsonOption, WorkspaceOption
from triage.service.dusk import iso_time
from triage.workspace import Workspace

_EXAMPLE = """
[bold]Examples[/bold]

  callout evidence hill-farm 3 --out claim.zip

  unzip claim.zip -d claim && cd claim && sha256sum -c SHA256SUMS

Exit codes: 0 written, 2 usage or input error.
"""


def register(app: typer.Typer) -> None:
    app.command("evidence", epilog=_EXAMPLE, rich_help_panel="Visits")(evidence)


def evidence(
    site: Annotated[str, typer.Argument(help="Site id.")],
    number: Annotated[int, typer.Argument(help="Number of the finding.")],
    target: Annotated[
        Path | None, typer.Option("--output", "-o", "--out", help="File to write; default SITE-finding-NUMBER.zip.")
    ] = None,
    workspace: WorkspaceOption = None,
    as_json: JsonOption = False,
) -> None:
    """Pack summary, charts, raw rows, time line, serials and checksums of one finding into a zip."""
    from triage.warranty import write_evidence  # PDF and charts: only here

    path = target or Path(f"{site}-finding-{number}.zip")
    part = path.parent / f".{path.name}.part"
    with Workspace(workspace).open(site) as store, err.status("Packing"):
        try:
            with part.open("wb") as file:
                files = write_evidence(store, number, file, iso_time(time.time()))
            part.replace(path)
        except OSError as exc:
            raise UsageError(f"{path}: cannot be written: {exc.strerror}", "Choose another file with --output.") from exc
        finally:
            part.unlink(missing_ok=True)
    if as_json:
        out.print_json(json.dumps({"file": str(path), "files": [vars(f) for f in files]}))
        return
    table = Table(title=f"Written to {path}")
    table.add_column("File")
    table.add_column("Bytes", justify="right")
    table.add_column("SHA-256", overflow="fold")
    for f in files:
        table.add_row(f.name, str(f.size), f.sha256)
    out.print(table)
