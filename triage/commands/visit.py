"""``callout visit`` and ``callout verify``: plan a drive-out, print its sheet, see whether it helped."""

from __future__ import annotations

import json
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from collectors.errors import StoreError, UsageError
from triage.console import err, example, out
from triage.figures import chance, day_text, percent
from triage.options import JsonOption, WorkspaceOption
from triage.service.dusk import iso_time
from triage.visits import Visit, VisitSheet, begun_later, close_visit, get_visit, plan_visit, visit_sheet, visits
from triage.who import local_name
from triage.wording import wording
from triage.workspace import Workspace

if TYPE_CHECKING:
    from triage.verify import Verification

_EXAMPLE = """
[bold]Examples[/bold]

  callout visit plan hill-farm:3 hill-farm:5 mill:1 --on 2026-06-12

  callout visit plan hill-farm --on 2026-06-12      every finding of the site that wants a visit

  callout visit sheet 20260611-a1b2c3 --pdf sheet.pdf

  callout visit done 20260611-a1b2c3 --on 2026-06-12 --note "connector replaced"

  callout verify 20260611-a1b2c3

Exit codes: 0 done, 2 usage or input error.
"""
_VERIFY = """
[bold]Examples[/bold]

  callout verify 20260611-a1b2c3

  callout verify hill-farm:3 --visited 2026-06-12 --json

Exit codes: 0 everything is fixed, 1 something is not (or it is too early to say), 2 usage or input error.
"""


OnOption = Annotated[str, typer.Option("--on", help="Day, YYYY-MM-DD.")]


def register(app: typer.Typer) -> None:
    group = typer.Typer(no_args_is_help=True, help="Plan visits and print their sheets.", epilog=_EXAMPLE)
    group.command("plan", epilog=example("visit plan hill-farm:3 mill:1 --on 2026-06-12"))(plan)
    group.command("list", epilog=example("visit list --json"))(show)
    group.command("sheet", epilog=example("visit sheet 20260611-a1b2c3 --pdf sheet.pdf"))(sheet)
    group.command("done", epilog=example('visit done 20260611-a1b2c3 --on 2026-06-12 --note "connector replaced"'))(done)
    group.command("cancel", epilog=example('visit cancel 20260611-a1b2c3 --note "owner called it off"'))(cancel)
    app.add_typer(group, name="visit", rich_help_panel="Visits")
    app.command("verify", epilog=_VERIFY, rich_help_panel="Visits")(verify)


def plan(
    what: Annotated[list[str], typer.Argument(help="SITE:NUMBER for one finding, SITE for all that want a visit.")],
    on: OnOption,
    note: Annotated[str, typer.Option("--note", help="Remark for the sheet.")] = "",
    workspace: WorkspaceOption = None,
    as_json: JsonOption = False,
) -> None:
    """Plan a visit to one or several sites."""
    chosen: dict[str, list[int]] = {}
    for word in what:
        site, number = _parse(word)
        chosen.setdefault(site, []).extend([] if number is None else [number])
    visit = plan_visit(Workspace(workspace), dict(chosen), on, local_name(), iso_time(time.time()), note)
    if as_json:
        out.print_json(json.dumps(visit.to_json()))
        return
    out.print(f"Visit {visit.id} planned for {visit.planned_for}: {_sites(visit)}.", highlight=False, markup=False)
    out.print(f"Its sheet: callout visit sheet {visit.id} --pdf sheet.pdf", highlight=False, markup=False)


def show(workspace: WorkspaceOption = None, as_json: JsonOption = False) -> None:
    """List visits, the next one first."""
    unreadable: list[StoreError] = []
    found = visits(Workspace(workspace), unreadable=unreadable)
    for problem in unreadable:
        err.print(f"left out: {problem.message}", style="yellow", markup=False, highlight=False, soft_wrap=True)
    if as_json:
        out.print_json(json.dumps([v.to_json() for v in found]))
        return
    table = Table(title="Visits")
    for column in ("Visit", "Planned for", "State", "Sites and findings", "By"):
        table.add_column(column, overflow="fold")
    for v in found:
        table.add_row(v.id, v.planned_for, v.state + (f" {v.done_on}" if v.done_on else ""), _sites(v), v.created_by)
    out.print(table if found else "No visit yet." if not unreadable else "No visit at the sites that can be read.")


def sheet(
    visit_id: Annotated[str, typer.Argument(metavar="VISIT", help="Number of the visit.")],
    pdf: Annotated[Path | None, typer.Option("--pdf", help="Write the sheet to this file.")] = None,
    workspace: WorkspaceOption = None,
    as_json: JsonOption = False,
) -> None:
    """Print the sheet that goes along: what to load, how to make safe, what to do and measure."""
    place = Workspace(workspace)
    made = visit_sheet(place, get_visit(place, visit_id))
    if pdf is not None:
        from triage.visit_sheet import write_visit_pdf  # the PDF library: only here

        try:
            write_visit_pdf(str(pdf), made)
        except OSError as exc:
            raise UsageError(f"{pdf}: cannot be written: {exc.strerror}", "Choose another file.") from exc
    if as_json:
        out.print_json(json.dumps(made.to_json()))
    elif pdf is not None:
        out.print(f"Sheet written to {pdf}", highlight=False, markup=False)
    else:
        _print_sheet(made)


def done(
    visit_id: Annotated[str, typer.Argument(metavar="VISIT", help="Number of the visit.")],
    on: OnOption = "",
    note: Annotated[str, typer.Option("--note", help="What was found and done.")] = "",
    workspace: WorkspaceOption = None,
) -> None:
    """Say that a visit was made."""
    place = Workspace(workspace)
    now = time.time()
    day = on or datetime.fromtimestamp(now, UTC).date().isoformat()
    made = close_visit(place, get_visit(place, visit_id), "done", day, local_name(), iso_time(now), note)
    out.print(f"Visit {visit_id} made on {made.done_on}. After some clear days: callout verify {visit_id}", highlight=False)
    for site, finding in begun_later(place, made, str(made.done_on)):
        told = f"{wording(finding.fault).short}, {finding.place}, first seen on {day_text(finding.first_seen)}"
        err.print(f"note: {site}: {told}: this visit was too early for it.", style="yellow", markup=False, highlight=False)


def cancel(
    visit_id: Annotated[str, typer.Argument(metavar="VISIT", help="Number of the visit.")],
    note: Annotated[str, typer.Option("--note", help="Why.")] = "",
    workspace: WorkspaceOption = None,
) -> None:
    """Say that a visit is off."""
    place = Workspace(workspace)
    close_visit(place, get_visit(place, visit_id), "cancelled", "", local_name(), iso_time(time.time()), note)
    out.print(f"Visit {visit_id} cancelled.", highlight=False)


def verify(
    what: Annotated[str, typer.Argument(metavar="VISIT|SITE:NUMBER", help="A visit, or one finding.")],
    visited: Annotated[str, typer.Option("--visited", help="Day of the work, for one finding, YYYY-MM-DD.")] = "",
    workspace: WorkspaceOption = None,
    as_json: JsonOption = False,
) -> None:
    """Compare the days before a visit with those after it: fixed, partly, not, or too early."""
    from triage.verifying import verify_finding, verify_visit  # scipy.stats: only here

    place = Workspace(workspace)
    site, number = _parse(what)
    if number is not None:
        if not visited:
            raise UsageError("--visited is missing", "Give the day of the work: --visited YYYY-MM-DD.")
        with place.open(site) as store:
            results = [(site, number, verify_finding(store, number, visited))]
    else:
        results = verify_visit(place, get_visit(place, what))
    if as_json:
        out.print_json(json.dumps([{"site": s, "finding": n, **v.to_json()} for s, n, v in results]))
    else:
        _print_results(results)
    raise typer.Exit(0 if all(v.verdict == "fixed" for _, _, v in results) else 1)


def _print_results(results: list[tuple[str, int, Verification]]) -> None:
    for site, number, v in results:
        out.print(f"[bold]{v.word}[/bold]: {site}, finding {number}, ", end="", highlight=False)
        out.print(f"{wording(v.fault).title}, {v.place}", markup=False, highlight=False)
        out.print(Padding(Text(v.why), (0, 0, 0, 4)))
        if v.recovered is not None and v.recovered < 0:
            out.print(Padding(Text("The gap did not close."), (0, 0, 0, 4)))
        elif v.recovered is not None and v.recovered_low is not None and v.recovered_high is not None:
            span = f"{percent(v.recovered_low)} to {percent(v.recovered_high)}"
            out.print(Padding(Text(f"Gap closed: {percent(v.recovered)} ({span})."), (0, 0, 0, 4)))


def _print_sheet(made: VisitSheet) -> None:
    def show(text: str) -> None:
        out.print(text, highlight=False, markup=False)

    show(f"Visit {made.visit.id}, planned for {made.visit.planned_for}")
    show(f"Parts: {'; '.join(made.parts) or 'none'}")
    show(f"Tools: {'; '.join(made.tools) or 'none'}")
    for site in made.sites:
        show(f"\n{site.facts.name or site.facts.id}  {site.facts.latitude:.4f}, {site.facts.longitude:.4f}")
        for n, line in enumerate(site.isolation, 1):
            show(f"  {n}. {line}")
        for line in site.cautions:
            show(f"  ! {line}")
        for n, stop in enumerate(site.stops, 1):
            show(f"\n  {n}. {stop.title}: {stop.where}\n     {stop.finding.why}")
            for line in stop.measure:
                show(f"     - measure: {line}")
            for title, confidence, reading in stop.settles:
                show(f"     - or {title} ({chance(confidence)}): {reading}")


def _parse(word: str) -> tuple[str, int | None]:
    site, colon, number = word.rpartition(":")
    if not colon:
        return word, None
    if not (number.isascii() and number.isdigit()):
        raise UsageError(f"'{word}' is not SITE:NUMBER", "`callout findings SITE` lists the numbers.")
    return site, int(number)


def _sites(visit: Visit) -> str:
    return "; ".join(f"{site}: {', '.join(map(str, numbers))}" for site, numbers in visit.findings.items())
