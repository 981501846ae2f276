"""``callout findings``: the list with its life, and what people do to it."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Annotated, Any

import typer
from rich.console import RenderableType
from rich.table import Table
from rich.text import Text

from collectors.errors import UsageError
from collectors.site import SiteFacts
from triage.console import out
from triage.figures import clock, day_text, days_text, percent
from triage.fleet.index import FleetIndex
from triage.ledger import Ledger, LedgerEntry
from triage.options import JsonOption, WorkspaceOption
from triage.telling import COLUMNS, NUMBERS, cells, loss_words
from triage.who import VARIABLE, local_name
from triage.wording import wording
from triage.workspace import Workspace

_EXAMPLES = """
Examples:

  callout findings                             live findings of every site

  callout findings alder-court --all           resolved ones too

  callout findings alder-court --show 3        one finding, with every change to it

  callout findings alder-court --acknowledge 3 --who anna --note "van on Thursday"

  callout findings alder-court --snooze 3 --until 2026-09-01 --who anna

The list is that of the last check; `callout check SITE` brings it up to date.

Exit codes: 0 nothing to do, 1 findings that need action, 2 usage or input error.
"""


def register(app: typer.Typer) -> None:
    app.command("findings", epilog=_EXAMPLES)(findings)


def findings(
    site: Annotated[str | None, typer.Argument(help="Id of a site [default: all of them].")] = None,
    everything: Annotated[bool, typer.Option("--all", help="Resolved findings too.")] = False,
    show: Annotated[int | None, typer.Option(help="Number of a finding to show with its history.")] = None,
    acknowledge: Annotated[int | None, typer.Option(help="Number of a finding somebody takes on.")] = None,
    snooze: Annotated[int | None, typer.Option(help="Number of a finding to keep quiet --until a date.")] = None,
    until: Annotated[str | None, typer.Option(help="Date a snooze ends, YYYY-MM-DD.")] = None,
    resolve: Annotated[int | None, typer.Option(help="Number of a finding that is mended.")] = None,
    reopen: Annotated[int | None, typer.Option(help="Number of a finding to open again.")] = None,
    remark: Annotated[int | None, typer.Option(help="Number of a finding to add a --note to.")] = None,
    note: Annotated[str, typer.Option(help="Text that goes with the change.")] = "",
    who: Annotated[str | None, typer.Option(envvar=VARIABLE, help="Name of who does it [default: your login].")] = None,
    as_json: JsonOption = False,
    workspace: WorkspaceOption = None,
) -> None:
    """List findings, most urgent first; acknowledge, snooze, resolve, reopen, add a note."""
    place = Workspace(workspace)
    acts = {
        "show": show, "acknowledge": acknowledge, "snooze": snooze,
        "resolve": resolve, "reopen": reopen, "remark": remark,
    }  # fmt: skip
    chosen = {name: number for name, number in acts.items() if number is not None}
    if len(chosen) > 1:
        raise UsageError(
            f"one change at a time, not {', '.join('--' + name for name in chosen)}",
            "Do one after the other.",
        )
    if (until is not None) != (snooze is not None):
        raise UsageError("--snooze and --until go together", "For instance --snooze 3 --until 2026-09-01.")
    if note and (not chosen or show is not None):
        raise UsageError("--note goes with a change", "For instance --remark 3 --note 'owner away until May'.")
    if chosen:
        if site is None:
            raise UsageError("a finding's number belongs to a site", "Name the site: callout findings SITE ...")
        ((act, number),) = chosen.items()
        _one(place, site, act, number, note, until, who or local_name(), as_json)
        return
    shown: list[tuple[SiteFacts, LedgerEntry]] = []
    for name in [site] if site else place.site_ids():
        with place.open(name) as store:
            ledger = Ledger(store)
            if ledger.wake(datetime.now(UTC).isoformat()) and store.mode == "kept":
                FleetIndex(place.path).refresh(store)
            shown += [(store.site.site, entry) for entry in (ledger.all() if everything else ledger.open())]
    if as_json:
        typer.echo(json.dumps([entry.to_json() for _, entry in shown], indent=1, ensure_ascii=False))
    elif shown:
        for part in _tables(shown, everything):
            out.print(part)
    else:
        out.print("No findings. `callout check SITE` or `callout check --all` looks for some.")
    act_on = any(e.live and e.status != "snoozed" and e.finding.action in ("visit", "remote") for _, e in shown)
    raise typer.Exit(1 if act_on else 0)


def _one(place: Workspace, site: str, act: str, number: int, note: str, until: str | None, who: str, as_json: bool) -> None:
    at = datetime.now(UTC).isoformat()
    with place.open(site) as store:
        ledger = Ledger(store)
        if act == "acknowledge":
            ledger.acknowledge(number, who, at, note)
        elif act == "snooze":
            ledger.snooze(number, str(until), who, at, note)
        elif act == "resolve":
            ledger.resolve(number, who, at, note)
        elif act == "reopen":
            ledger.reopen(number, who, at, note)
        elif act == "remark":
            ledger.note(number, note, who, at)
        if act not in ("show", "remark"):
            FleetIndex(place.path).refresh(store)
        entry, history, facts = ledger.get(number), ledger.history(number), store.site.site
    if as_json:
        shown: dict[str, Any] = {**entry.to_json(), "history": [event.to_json() for event in history]}
        typer.echo(json.dumps(shown, indent=1, ensure_ascii=False))
        return
    finding = entry.finding
    out.print(
        f"#{entry.id} {wording(finding.fault).title}, {finding.place} ({_status(entry)})",
        style="bold",
        highlight=False,
    )
    out.print(finding.why, markup=False, highlight=False)
    span = days_text(finding.first_seen, finding.last_seen)
    out.print(f"Seen {span}; loss {loss_words([finding], facts)}; sure {percent(finding.confidence)}", highlight=False)
    table = Table(box=None, pad_edge=False, header_style="bold")
    for name in ("when", "who", "what", "detail"):
        table.add_column(name)
    for event in history:
        when = clock(datetime.fromisoformat(event.at).timestamp(), facts.zone)
        table.add_row(when, event.who, event.event, event.detail)
    out.print(table)


def _tables(shown: list[tuple[SiteFacts, LedgerEntry]], everything: bool) -> list[RenderableType]:
    """A title and a table per site; the most urgent site first."""
    parts: list[RenderableType] = []
    for facts in {facts.id: facts for facts, _ in shown}.values():
        table = Table(box=None, pad_edge=False, header_style="bold")
        for name in ("#", *COLUMNS, "status"):
            head = "seen" if name == "since" and everything else name
            folds = name in ("finding", "status") or head == "seen"
            table.add_column(head, justify="right" if name in NUMBERS else "left", no_wrap=not folds)
        for entry in (entry for other, entry in shown if other.id == facts.id):
            table.add_row(str(entry.id), *cells([entry.finding], not entry.live, everything), _status(entry))
        parts += [Text(facts.id, "bold"), table, Text()]
    return parts[:-1]


def _status(entry: LedgerEntry) -> str:
    return f"snoozed until {day_text(entry.snoozed_until)}" if entry.snoozed_until else entry.status
