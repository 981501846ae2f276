"""``callout call``: the phone rings; the answer first, then the reasons."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Annotated

import typer
from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from collectors.errors import UsageError
from rules.action import USUAL_REASONS
from rules.finding import Finding
from triage.answer import Answer, lost_words
from triage.console import err, out
from triage.figures import chance, day_text, days_text, percent
from triage.judging import open_to_judge
from triage.ledger import LedgerEntry
from triage.options import JsonOption, WorkspaceOption
from triage.search import find_site
from triage.telling import alike, loss_words, places_of, since_words, where_of
from triage.wording import ACTION_WORDS, wording
from triage.workspace import Workspace

if TYPE_CHECKING:
    from triage.review import Review

_EXAMPLES = """
Examples:

  callout call alder-court

  callout call "mill lane"           part of the name or of the customer reference

  callout call alder-court --json | jq .verdict

Exit codes: 0 nothing to do, 1 findings that need action (or nothing can be told), 2 usage or input error.
"""
_TONES = {
    "go": "bold red",
    "desk": "bold yellow",
    "watch": "bold cyan",
    "fine": "bold green",
    "unknown": "bold magenta",
}


def register(app: typer.Typer) -> None:
    app.command("call", epilog=_EXAMPLES)(call)


def call(
    who: Annotated[str, typer.Argument(help="Site id, or part of its name or customer reference.")],
    as_of: Annotated[
        str | None,
        typer.Option(help="Date to hold the age of the data against, YYYY-MM-DD [default: today]."),
    ] = None,
    as_json: JsonOption = False,
    workspace: WorkspaceOption = None,
) -> None:
    """Answer a service call: go or don't go, since when, what it costs, what to ask, what to try first."""
    now = datetime.now(UTC)
    try:
        today = date.fromisoformat(as_of).isoformat() if as_of else now.date().isoformat()
    except ValueError as exc:
        raise UsageError(f"--as-of '{as_of}' is not a date", "Write it as YYYY-MM-DD.") from exc
    place = Workspace(workspace)
    with open_to_judge(place, find_site(place, who)) as store, err.status("judging"):
        from triage.review import review_store  # the engine: not for `--help` or an unknown name

        review = review_store(place, store, now.isoformat())
    answer = review.answer(today)
    if as_json:
        findings = [entry.to_json() for entry in review.entries if entry.live]
        typer.echo(json.dumps({**answer.to_json(), "findings": findings}, indent=1, ensure_ascii=False))
    else:
        out.print(_screen(answer, review))
    raise typer.Exit(0 if answer.verdict in ("watch", "fine") else 1)


def _screen(answer: Answer, review: Review) -> Group:
    parts: list[RenderableType] = [
        Text(f"{answer.symbol} {answer.headline}", _TONES[answer.verdict]),
        Text(f"{answer.name} ({answer.site})", "dim"),
    ]
    if answer.worth:
        parts.append(Text(answer.worth))
    if answer.since:
        lost = lost_words(answer, review.site.site)
        parts.append(
            Text(
                f"Since {since_words(answer.since, answer.data_from)}; lost so far: {lost}. Data up to {day_text(answer.data_to)}."
            )
        )
    if answer.age_note:
        parts.append(Text(answer.age_note, "yellow"))
    parts += _lines("Ask the caller", answer.ask)
    parts += _lines("Try first, from the desk", answer.remote, numbered=True)
    parts += _lines("If someone goes, take along", [", ".join((*answer.parts, *answer.tools))] if answer.tools else [])
    parts += _lines("Before anyone touches anything", answer.cautions)
    live = [entry for entry in review.entries if entry.live]
    urgent = [entry for entry in live if entry.finding.action in ("visit", "remote")]
    if urgent:
        parts += [
            Text(),
            Text("Why", "bold"),
            *(part for group in _alike(urgent) for part in _reasons(group, review)),
        ]
    parts += _lines("Also known", [_short(group) for group in _alike([e for e in live if e not in urgent])])
    parts += _lines("Could not be judged", answer.unjudged)
    return Group(*parts)


def _alike(entries: list[LedgerEntry]) -> list[list[LedgerEntry]]:
    return alike(entries, lambda entry: entry.finding)


def _reasons(group: list[LedgerEntry], review: Review) -> list[RenderableType]:
    """What needs action: what, why, how sure, and what else it could be; a group is told by its costliest."""
    findings = [entry.finding for entry in group]
    finding, facts = findings[0], review.site.site
    span = days_text(min(f.first_seen for f in findings), max(f.last_seen for f in findings))
    loss = loss_words(findings, facts)
    lines = [
        Text(finding.why),
        *([Text(f"Each of them: {places_of(findings)}.")] if len(group) > 2 else []),
        Text(f"{span}; loss {loss}; sure {percent(finding.confidence)}{_because(finding)}", "dim"),
        *(Text(f"or {wording(a.fault).short} ({chance(a.confidence)}): {a.tell_apart}", "dim") for a in finding.alternatives),
    ]
    return [Text(_head(group), "bold"), *(Padding(line, (0, 0, 0, 2)) for line in lines)]


def _because(finding: Finding) -> str:
    """Why go, or not go, where it is more than what the fault always asks for."""
    reason = str(finding.evidence.get("action_reason", ""))
    return "" if reason in ("", *USUAL_REASONS.values()) else f"; {reason}"


def _head(group: list[LedgerEntry]) -> str:
    entry, finding = group[0], group[0].finding
    states = {e.status for e in group}
    status = "" if states == {"open"} else f", {', '.join(sorted(states))}"
    action = ACTION_WORDS[finding.action].lower()
    where = where_of([e.finding for e in group])
    number = f"#{entry.id}" + (f" and {len(group) - 1} more" if len(group) > 1 else "")
    return f"{number} {wording(finding.fault).short}, {where}: {action}{status}"


def _short(group: list[LedgerEntry]) -> str:
    findings = [entry.finding for entry in group]
    words = loss_words(findings)
    loss = f", loss {words}" if words != "none" else ""
    names = f" ({places_of(findings)})" if len(group) > 1 else ""
    return f"{_head(group)}{names}, since {day_text(min(f.first_seen for f in findings))}{loss}"


def _lines(title: str, lines: tuple[str, ...] | list[str], numbered: bool = False) -> list[RenderableType]:
    if not lines:
        return []
    table = Table.grid(padding=(0, 1))
    for n, line in enumerate(lines, start=1):
        table.add_row(f" {n}." if numbered else " -", Text(line))
    return [Text(), Text(title, "bold"), table]
