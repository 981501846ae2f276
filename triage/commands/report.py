"""``callout report``: one HTML file per site."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer
from rich.progress import Progress

from collectors.csv_layout import load_layout
from collectors.errors import UsageError
from collectors.site import load_site
from triage.answer import Answer
from triage.console import err, out
from triage.importing import read_files
from triage.judging import open_to_judge
from triage.options import JsonOption, WorkspaceOption
from triage.report.build import report_html
from triage.report.files import write_report
from triage.review import CHART_DAYS, files_view, review_files
from triage.textfile import write_text
from triage.workspace import Workspace

_EXAMPLES = """
Examples:

  callout report alder-court

  callout report --all --days 60

  callout report --site-file site.toml --telemetry telemetry.csv --output alder.html

Exit codes: 0 nothing to do, 1 findings that need action, 2 usage or input error.
"""


def register(app: typer.Typer) -> None:
    app.command("report", epilog=_EXAMPLES)(report)


def report(
    site: Annotated[str | None, typer.Argument(help="Id of a site in the workspace.")] = None,
    all_sites: Annotated[bool, typer.Option("--all", help="A report for every site.")] = False,
    output: Annotated[
        Path | None,
        typer.Option("--output", "-o", help="HTML file [default: <workspace>/reports/<site>.html]"),
    ] = None,
    days: Annotated[int, typer.Option(min=1, help="Days the charts reach back.")] = CHART_DAYS,
    site_file: Annotated[Path | None, typer.Option(help="Site TOML, to report on loose files.")] = None,
    telemetry: Annotated[list[Path] | None, typer.Option(help="Telemetry file (repeatable).")] = None,
    weather: Annotated[list[Path] | None, typer.Option(help="Weather file (repeatable).")] = None,
    gateway_log: Annotated[list[Path] | None, typer.Option(help="Gateway log file (repeatable).")] = None,
    layout: Annotated[Path | None, typer.Option(help="Layout TOML that says what the columns are.")] = None,
    as_json: JsonOption = False,
    workspace: WorkspaceOption = None,
) -> None:
    """Write a report that opens offline: answer, roof plan, evidence, what could not be judged."""
    now = datetime.now(UTC)
    if sum((site is not None, all_sites, site_file is not None)) != 1:
        raise UsageError("name one site, or --all, or --site-file", "`callout site list` shows the sites.")
    written: list[tuple[Path, Answer]] = []
    if site_file is not None:
        if not telemetry:
            raise UsageError("--site-file needs --telemetry", "Add --telemetry FILE.")
        path = output or Path(f"{site_file.stem}-report.html")
        written.append((path, _loose(site_file, telemetry, weather or [], gateway_log or [], layout, path, days, now)))
    else:
        place = Workspace(workspace)
        names = place.known_sites() if all_sites else [str(site)]
        if output is not None and all_sites:
            raise UsageError("--output names one file, --all writes many", "Leave --output out.")
        with Progress(console=err, transient=True, disable=len(names) < 2) as bar:
            for name in bar.track(names, description="reports"):
                path = output or place.path / "reports" / f"{name}.html"
                with open_to_judge(place, name) as store:
                    made = write_report(place, store, path, now.isoformat(), days=days, today=now.date().isoformat())
                written.append((path, made.review.answer(now.date().isoformat())))
    if as_json:
        shown = [{"report": str(path), **answer.to_json()} for path, answer in written]
        typer.echo(json.dumps(shown, indent=1, ensure_ascii=False))
    else:
        for path, answer in written:
            out.print(f"{answer.symbol} {answer.name}: {answer.headline}", markup=False, highlight=False)
            out.print(f"  {path.resolve()}", markup=False, highlight=False, soft_wrap=True)
    raise typer.Exit(1 if any(answer.verdict in ("go", "desk") for _, answer in written) else 0)


def _loose(
    site_file: Path,
    telemetry: list[Path],
    weather: list[Path],
    gateway_log: list[Path],
    layout: Path | None,
    path: Path,
    days: int,
    now: datetime,
) -> Answer:
    site = load_site(site_file)
    for note in site.notes:
        err.print(f"{site_file}: {note}", style="yellow", markup=False, highlight=False)
    with err.status("reading"):
        loaded = read_files(site, telemetry, weather, gateway_log, load_layout(layout) if layout else None, now=now.timestamp())
    with err.status("judging"):
        text = site_file.read_text(encoding="utf-8")
        review = review_files(text, str(site_file), loaded, now.isoformat())
        view = files_view(review.site, loaded, days, review.result.irradiance_source)
    html = report_html(review.site, view, review.result, review.entries, made_at=int(now.timestamp()))
    write_text(path, html, "Choose another place with --output.")
    return review.answer()
