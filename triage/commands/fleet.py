"""``callout fleet``: where a visit pays, what fails across roofs, who went silent."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.table import Table
from rich.text import Text

from collectors.errors import UsageError
from triage import figures
from triage.console import err, out, progress_bar
from triage.fleet.prices import DEFAULT_PRICES, Prices
from triage.options import JsonOption, WorkspaceOption
from triage.telling import amount
from triage.textfile import write_text
from triage.wording import wording
from triage.workspace import Workspace

if TYPE_CHECKING:
    from triage.fleet.overview import FleetOverview
    from triage.fleet.summary import SiteSummary

EXAMPLE = """
[bold]Examples[/bold]

  callout fleet

  callout fleet --region north --html fleet.html

  callout fleet --json | jq '.visits[] | select(.per_visit >= 1) | .site_id'

Exit codes: 0 nothing to do, 1 a site wants a visit, is silent or failed its check, 2 usage or input error.
"""


def register(app: typer.Typer) -> None:
    app.command("fleet", epilog=EXAMPLE, rich_help_panel="Fleet")(fleet)


def fleet(
    workspace: WorkspaceOption = None,
    as_json: JsonOption = False,
    html: Annotated[Path | None, typer.Option("--html", help="Write the fleet page to this file.")] = None,
    region: Annotated[str, typer.Option("--region", help="Only sites whose site file says this region.")] = "",
    top: Annotated[int, typer.Option("--top", min=1, help="Rows of each table.")] = 15,
    span_km: Annotated[
        float,
        typer.Option("--span-km", min=0.1, help="Greatest distance between two sites of one round, km."),
    ] = 25.0,
    tariff: Annotated[
        float, typer.Option("--tariff", min=0, help="Worth of a kWh where a site file does not say.")
    ] = DEFAULT_PRICES.tariff_per_kwh,
    visit_cost: Annotated[
        float, typer.Option("--visit-cost", min=0, help="Cost of a visit where a site file does not say.")
    ] = DEFAULT_PRICES.visit_cost,
    days: Annotated[
        int, typer.Option("--days", min=1, help="For how many days a loss would go on if nobody went.")
    ] = DEFAULT_PRICES.horizon_days,
    rebuild: Annotated[bool, typer.Option("--rebuild", help="Read every site's file again first.")] = False,
) -> None:
    """Rank the whole fleet: visits by what they are worth, faults, batches, silent sites, peers.

    Reads the fleet index, which `callout check --all` keeps up to date; nothing is checked again.
    """
    # Statistics take a second to load: only this command needs them.
    from triage.fleet.overview import overview

    place = Workspace(workspace)
    summaries = [s for s in _summaries(place, rebuild) if not region or s.region == region]
    if region and not summaries:
        raise UsageError(
            f"region '{region}': no site of workspace {place.path} has it",
            "`callout fleet` shows the regions.",
        )
    now = datetime.now(UTC)
    prices = Prices(tariff, visit_cost, days)
    result = overview(summaries, now, prices=prices, span_km=span_km)
    if html is not None:
        from triage.fleet.page import fleet_page

        _write(html, fleet_page(summaries, result, now))
    if as_json:
        typer.echo(json.dumps(result.to_json(), indent=2))
    else:
        _print(result, top)
    raise typer.Exit(1 if result.needs_action else 0)


def _summaries(place: Workspace, rebuild: bool) -> list[SiteSummary]:
    from triage.fleet.index import FleetIndex

    ids = place.known_sites()
    index = FleetIndex(place.path)
    known = {s.site_id for s in index.summaries()}
    if rebuild or known != set(ids):
        with progress_bar() as bar:
            task = bar.add_task("Reading site files", total=len(ids))
            return index.rebuild(lambda done, total, _id: bar.update(task, completed=done, total=total))
    return index.summaries()


def _write(path: Path, text: str) -> None:
    write_text(path, text, "Choose another file for --html.")
    err.print(f"Fleet page: {path}", highlight=False, soft_wrap=True)


def _print(fleet: FleetOverview, top: int) -> None:
    out.print(f"[bold]{fleet.headline}[/bold]", highlight=False)
    loss = figures.energy(fleet.loss_wh_per_day)
    complete = "unknown" if fleet.completeness is None else figures.percent(fleet.completeness)
    size = f"{figures.plural(fleet.sites, 'site')}, {figures.plural(fleet.inputs, 'input')}, {fleet.rated_w / 1000:.0f} kW"
    out.print(f"{size}; {loss} lost a day; record complete {complete}.", highlight=False)
    for table in (*_visit_tables(fleet, top), *_fault_tables(fleet, top), *_record_tables(fleet, top)):
        if table.row_count:
            out.print()
            out.print(table)


def _visit_tables(fleet: FleetOverview, top: int) -> list[Table]:
    visits = _table(
        f"Where a visit pays most: money at risk in {fleet.prices.horizon_days} days per cost of a visit",
        "site", "answer", ">lost a day", ">at risk", ">per visit", ">round",
    )  # fmt: skip
    for v in fleet.visits[:top]:
        mark = "*" if v.assumed else ""
        _row(
            visits, v.site_id, v.answer, figures.energy(v.loss_wh_per_day),
            f"{v.money_at_risk:.0f} {v.currency}{mark}", f"{v.per_visit:.1f}", str(v.group or ""),
        )  # fmt: skip
    if any(v.assumed for v in fleet.visits[:top]):
        visits.caption = f"* reckoned with {fleet.prices.tariff_per_kwh} per kWh and {fleet.prices.visit_cost} a visit"
    rounds = _table("Rounds: visits by place", ">round", "sites", ">furthest apart", ">per visit")
    for g in fleet.rounds[:top]:
        if len(g.sites) > 1:
            _row(rounds, str(g.number), _some(g.sites), f"{g.span_km:.1f} km", f"{g.per_visit:.1f}")
    return [visits, rounds]


def _fault_tables(fleet: FleetOverview, top: int) -> list[Table]:
    faults = _table("Live findings", "fault", ">live", ">sites", ">lost a day", ">open for", "age of site", "inverter")
    for r in fleet.faults[:top]:
        _row(faults,
            wording(r.fault).title, str(r.live), str(r.sites), amount(r.loss_wh_per_day, r.loss_unknown),
            f"{r.median_days_open} d", _counts(r.by_age), _counts(r.by_inverter),
        )  # fmt: skip
    batches = _table("One model failing across roofs", "model", "fault", ">roofs", ">by chance", ">false-alarm rate")
    for b in fleet.batches[:top]:
        roofs = f"{b.roofs} of {b.roofs_with_model}"
        _row(
            batches,
            f"{b.kind} {b.model}",
            wording(b.fault).title,
            roofs,
            f"{b.expected:.1f}",
            f"{b.q_value:.1g}",
        )
    repeat = _table("Repeat offenders", "site", "place", ">times", ">came back", "faults")
    for o in fleet.offenders[:top]:
        _row(repeat, o.site_id, o.place, str(o.events), str(o.returns), ", ".join(o.faults))
    return [faults, batches, repeat]


def _record_tables(fleet: FleetOverview, top: int) -> list[Table]:
    silent = _table("Nobody hears from", "site", "last reading", ">silent for")
    for s in fleet.silent[:top]:
        _row(
            silent,
            s.site_id,
            s.when or "never one",
            "" if s.hours is None else figures.silence(s.hours),
        )
    gaps = _table("Gaps in the record", "site", ">daylight that arrived")
    for site, share in list(fleet.incomplete.items())[:top]:
        _row(gaps, site, figures.percent(share))
    peers = _table("Behind their peers", "site", ">figure", ">median of peers", "peers", "what the figure is")
    for p in [p for p in fleet.peers if p.behind][:top]:
        _row(
            peers,
            p.site_id,
            f"{p.performance:.2f}",
            f"{p.peer_median:.2f}",
            f"{p.peer_count} of {p.peers}",
            p.basis,
        )
    failed = _table("Not checked", "site", "why")
    for site, error in list(fleet.failed.items())[:top]:
        _row(failed, site, error.splitlines()[0])
    for site in fleet.never_checked[:top]:
        _row(failed, site, "never checked: `callout check --all`")
    return [silent, gaps, peers, failed]


def _table(title: str, *columns: str) -> Table:
    """Table of named columns; a name that starts with ``>`` stands to the right."""
    table = Table(
        title=title,
        title_justify="left",
        title_style="bold",
        caption_justify="left",
        box=None,
        pad_edge=False,
    )
    for name in columns:
        right = name.startswith(">")
        table.add_column(name.lstrip(">"), justify="right" if right else "left", overflow="fold")
    return table


def _row(table: Table, *cells: str) -> None:
    # Names come from site files: square brackets in them are no markup.
    table.add_row(*(Text(cell) for cell in cells))


def _some(names: tuple[str, ...], most: int = 6) -> str:
    rest = len(names) - most
    return ", ".join(names[:most]) + (f" and {rest} more" if rest > 0 else "")


def _counts(counts: dict[str, int]) -> str:
    return ", ".join(f"{name}: {n}" for name, n in list(counts.items())[:3])
