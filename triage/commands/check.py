"""``callout check``: what is wrong, on loose files, one site or all of them."""

from __future__ import annotations

import json
import time
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.progress import MofNCompleteColumn, Progress
from rich.table import Table
from rich.text import Text

from collectors.csv_layout import load_layout
from collectors.errors import UsageError
from collectors.site import load_site
from triage.absence import over
from triage.console import err, out, progress_bar
from triage.figures import day_text, days_text, plural
from triage.importing import read_files
from triage.judging import open_to_judge
from triage.options import JsonOption, WorkspaceOption
from triage.telling import COLUMNS, NUMBERS, alike, cells, places_of
from triage.wording import light_words
from triage.workspace import Workspace

if TYPE_CHECKING:
    from rules.finding import Finding
    from triage.check import CheckResult

_EXAMPLES = """
Examples:

  callout check --site-file site.toml --telemetry telemetry.csv --json

  callout check alder-court          one site of the workspace

  callout check --all --jobs 2       every site, as the night does it

Exit codes: 0 nothing to do, 1 findings that need action, 2 usage or input error,
or no reading to judge.
"""


#: More rows of one fault and action than this become one row (own choice: a screen).
_FEW = 8
#: From this many columns on there is room for the reasons beside the figures; below it they stand under the table.
_BESIDE = 120


def register(app: typer.Typer) -> None:
    app.command("check", epilog=_EXAMPLES)(check)


def check(
    site: Annotated[str | None, typer.Argument(help="Id of a site in the workspace.")] = None,
    site_file: Annotated[Path | None, typer.Option(help="Site TOML, to check loose files.")] = None,
    telemetry: Annotated[list[Path] | None, typer.Option(help="Telemetry file (repeatable).")] = None,
    weather: Annotated[list[Path] | None, typer.Option(help="Weather file (repeatable).")] = None,
    gateway_log: Annotated[list[Path] | None, typer.Option(help="Gateway log file (repeatable).")] = None,
    layout: Annotated[Path | None, typer.Option(help="Layout TOML that says what the columns are.")] = None,
    all_sites: Annotated[bool, typer.Option("--all", help="Check every site of the workspace.")] = False,
    jobs: Annotated[int | None, typer.Option(help="Processes for --all (default: one per core).")] = None,
    cluster: Annotated[str | None, typer.Option(help="Dask scheduler for --all, tcp://host:port.")] = None,
    as_of: Annotated[
        str | None,
        typer.Option(
            help="Time by which readings should have arrived (ISO): a stored site silent for longer than is its "
            "habit is told. Default: the present for --all, none for one site."
        ),
    ] = None,
    full: Annotated[bool, typer.Option(help="Reduce every stored day again.")] = False,
    as_json: JsonOption = False,
    workspace: WorkspaceOption = None,
) -> None:
    """Find faults: what, where, since when, how sure, what it costs, what to do."""
    moment = _moment(as_of)
    if all_sites:
        if site or site_file:
            raise UsageError("--all goes without a site or --site-file", "Give one or the other.")
        _check_all(workspace, jobs, cluster, as_json, moment)
        return
    if site_file is not None:
        if moment is not None:
            raise UsageError("--as-of goes without --site-file", "Loose files have no habit of arriving: import them first.")
        result = _check_files(site_file, telemetry or (), weather or (), gateway_log or (), layout)
    elif site is not None:
        if telemetry or weather or gateway_log:
            raise UsageError("loose files need --site-file", "Use `callout import` to add files to a stored site.")
        result = _check_site(Workspace(workspace), site, full, moment)
    else:
        raise UsageError("nothing to check", "Name a site, or give --site-file and --telemetry, or --all.")
    if as_json:
        typer.echo(json.dumps(result.to_json(), indent=1, allow_nan=False))
    else:
        _show(result)
    # Without a reading nothing was judged: that is no clean bill of health.
    raise typer.Exit(2 if not result.to_day else 1 if result.needs_action else 0)


def _check_files(
    site_file: Path, telemetry: Sequence[Path], weather: Sequence[Path], gateway_log: Sequence[Path], layout: Path | None
) -> CheckResult:
    if not telemetry:
        raise UsageError("--site-file needs --telemetry", "Add --telemetry FILE.")
    description = load_site(site_file)
    for note in description.notes:
        err.print(f"{site_file}: {note}", style="yellow", markup=False, highlight=False)
    with err.status("reading"):
        loaded = read_files(description, telemetry, weather, gateway_log, load_layout(layout) if layout else None, now=time.time())
    for reason, count in loaded.emptied_values.items():
        err.print(f"{plural(count, 'value')} left empty: {reason}", markup=False, highlight=False)
    with err.status("judging"):
        from triage.check import check_files  # the engine: not for `--help` or a wrong path

        return check_files(description, loaded)


def _check_site(place: Workspace, site: str, full: bool, moment: datetime | None) -> CheckResult:
    """Check a stored site and record what it says."""
    now = datetime.now(UTC).isoformat(timespec="seconds")
    with open_to_judge(place, site) as store:
        with err.status("judging"):
            from triage.check import check_store
            from triage.nightly import record_now

            result = check_store(store, full=full, as_of=None if moment is None else round(moment.timestamp()))
        record_now(place, store, result, now)
    return result


def _moment(text: str | None) -> datetime | None:
    if text is None:
        return None
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as exc:
        raise UsageError(f"--as-of '{text}' is not a time", "Write it as 2026-11-25T06:00Z.") from exc
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)


def _check_all(workspace: Path | None, jobs: int | None, cluster: str | None, as_json: bool, moment: datetime | None) -> None:
    from triage.nightly import run_nights  # pulls in process pools; only --all needs it

    with progress_bar(*Progress.get_default_columns(), MofNCompleteColumn()) as bar:
        task = bar.add_task("Checking", total=None)

        def step(done: int, total: int, _site: str) -> None:
            bar.update(task, completed=done, total=total)

        report = run_nights(Workspace(workspace), jobs=jobs, cluster=cluster, progress=step, at=moment)
    if as_json:
        typer.echo(json.dumps(report.to_json(), indent=1))
    else:
        out.print(report.text(), markup=False, highlight=False, soft_wrap=True)
    raise typer.Exit(report.exit_code)


def _itself(finding: Finding) -> Finding:
    return finding


def _show(result: CheckResult) -> None:
    if not result.to_day:
        err.print(f"{result.site}: no readings yet, so nothing can be said. Import what the gateway recorded.", highlight=False)
        return
    out.print(
        f"{result.site}: {days_text(result.from_day, result.to_day)}, light judged by {light_words(result.irradiance_source)}",
        highlight=False,
    )
    if not result.findings:
        out.print("No fault found.")
    table = Table(box=None, pad_edge=False, header_style="bold")
    beside = out.width >= _BESIDE
    for name in (*COLUMNS, "days", *(["why"] if beside else [])):
        table.add_column(name, justify="right" if name in NUMBERS else "left")
    reasons: list[tuple[str, str]] = []
    ended = over(result, result.case.site) if result.case is not None else [False] * len(result.findings)
    past = {id(f) for f, gone in zip(result.findings, ended, strict=True) if gone}
    now, then = ([f for f in result.findings if (id(f) in past) is wanted] for wanted in (False, True))
    for group in [*alike(now, _itself, _FEW), *alike(then, _itself, _FEW)]:
        f, gone = group[0], id(group[0]) in past
        line = cells(group, gone)
        more = f" The like of it: {places_of(group)}." if len(group) > 2 and not f.evidence.get("common_cause") else ""
        why = f"{f.why}{more}" + (f" Last seen {day_text(max(g.last_seen for g in group))}." if gone else "")
        reasons.append((", ".join(line[1:3]), why))
        table.add_row(*line, str(f.days), *([Text(why)] if beside else []))
    if result.findings:
        out.print(table)
    for what, why in [] if beside else reasons:
        out.print(Text.assemble((f"\n{what}: ", "bold"), why))
    unjudged = {(n.fault, n.reason) for n in result.not_judged}
    if unjudged:
        err.print(
            f"{plural(len(unjudged), 'kind')} of judgement could not be made everywhere; --json lists them.",
            highlight=False,
        )
    for reason, count in result.rejected_rows.items():
        err.print(f"{plural(count, 'row')} rejected: {reason}", markup=False, highlight=False)
