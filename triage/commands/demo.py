"""``callout demo``: the three invented sample sites, from files to reports."""

from __future__ import annotations

import json
import time
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer
from rich.progress import BarColumn, TextColumn
from rich.table import Table

from collectors.errors import CalloutError, UsageError
from sample_logs import SampleSite, sample_sites
from triage.console import err, out, progress_bar
from triage.fleet.pool import default_jobs, run_in_pool
from triage.importing import import_files
from triage.options import JsonOption
from triage.report.files import write_report
from triage.workspace import Workspace

_EXAMPLES = """
Examples:

  callout demo

  callout demo --workspace /tmp/look --json

Afterwards the sites can be asked like any other: callout call quillfen-bakery --workspace callout-demo

Exit codes: 0 done, 2 a site failed or usage error. Findings don't count here: the faults are built in.
"""
DEFAULT_FOLDER = Path("callout-demo")


@dataclass(frozen=True)
class _Job:
    sample: SampleSite
    workspace: str
    at: str


@dataclass(frozen=True)
class _Done:
    site: str
    headline: str = ""
    symbol: str = ""
    findings: int = 0
    report: str = ""
    seconds: float = 0.0
    error: str = ""


def register(app: typer.Typer) -> None:
    app.command("demo", epilog=_EXAMPLES)(demo)


def demo(
    workspace: Annotated[Path, typer.Option(envvar="CALLOUT_DEMO", help="Folder for the demo.")] = DEFAULT_FOLDER,
    jobs: Annotated[int | None, typer.Option(min=1, help="Processes [default: one per core].")] = None,
    as_json: JsonOption = False,
) -> None:
    """Import, check and report three invented sites whose faults are known; say where the reports lie."""
    samples = sample_sites()
    if not samples:
        raise UsageError("the sample sites are not installed", "Install callout with its sample_logs folder.")
    started = time.perf_counter()
    at = datetime.now(UTC).isoformat()
    work = [_Job(sample, str(workspace), at) for sample in samples]
    # The largest first, so that the last worker is not left alone with it.
    work.sort(key=lambda job: -job.sample.telemetry.stat().st_size)
    done: list[_Done] = []
    columns = (TextColumn("{task.description}"), BarColumn(), TextColumn("{task.completed}/{task.total}"))
    with progress_bar(*columns) as bar:
        task = bar.add_task("importing, checking, reporting", total=len(work))
        for result in run_in_pool(_one, work, min(jobs or default_jobs(), len(work)), _died):
            done.append(result)
            bar.advance(task)
    done.sort(key=lambda result: result.site)
    seconds = time.perf_counter() - started
    if as_json:
        typer.echo(json.dumps({"seconds": round(seconds, 1), "sites": [vars(d) for d in done]}, indent=1))
    else:
        _show(done, seconds, workspace)
    if any(result.error for result in done):
        raise typer.Exit(2)


def _one(job: _Job) -> _Done:
    """One sample site from its files to its report; runs in a worker."""
    started = time.perf_counter()
    sample, place = job.sample, Workspace(job.workspace)
    try:
        with place.add_site(sample.site.read_text(encoding="utf-8"), str(sample.site)) as store:
            import_files(
                store,
                telemetry=[sample.telemetry],
                weather=[sample.weather] if sample.weather else [],
                log=[sample.gateway_log] if sample.gateway_log else [],
            )
            path = place.path / "reports" / f"{store.site.site.id}.html"
            review = write_report(place, store, path, job.at).review
    except CalloutError as exc:
        return _Done(sample.id, error=str(exc))
    answer = review.answer()
    return _Done(
        site=review.site.site.id,
        headline=answer.headline,
        symbol=answer.symbol,
        findings=len(review.live),
        report=str(path.resolve()),
        seconds=round(time.perf_counter() - started, 2),
    )


def _died(job: _Job) -> _Done:
    return _Done(job.sample.id, error="the worker died, perhaps for want of memory")


def _show(done: list[_Done], seconds: float, workspace: Path) -> None:
    table = Table(box=None, pad_edge=False, header_style="bold")
    table.add_column("site", no_wrap=True)
    table.add_column("answer")
    table.add_column("findings", justify="right")
    for result in done:
        table.add_row(
            result.site,
            f"{result.symbol} {result.headline}" if not result.error else "failed",
            "" if result.error else str(result.findings),
        )
    out.print("Three invented sites with built-in faults; nothing here is real data.")
    out.print(table)
    for error in dict.fromkeys(result.error for result in done if result.error):
        err.print(f"callout: {error}", markup=False, highlight=False, soft_wrap=True)
    made = [result for result in done if result.report]
    if not made:
        return
    out.print()
    out.print("Reports (open them in a browser, no network needed):")
    for result in made:
        out.print(f"  {result.report}", markup=False, highlight=False, soft_wrap=True)
    out.print(f"{seconds:.1f} s. Next: callout call {made[0].site} --workspace {workspace}", highlight=False)
