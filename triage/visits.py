"""Visits: which findings a drive-out takes on, and the sheet that goes along.

A visit is kept in the file of every site it touches (table ``visit``), under
one number, so that a site's file alone tells its visits. What to take, measure
and watch out for comes from :mod:`triage.wording`; nothing is invented here.
"""

from __future__ import annotations

import json
import math
import secrets
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, tzinfo
from typing import Any, Final, Literal

from collectors.errors import StoreError, UsageError
from collectors.site import InputRef, SiteDescription, SiteFacts
from collectors.store import Store
from rules.finding import ACTIONS, Finding
from triage.figures import day_text
from triage.ledger import Ledger, LedgerEntry
from triage.roofplan import spot_of
from triage.wording import cautions, gather, wording
from triage.workspace import Workspace

VisitState = Literal["planned", "done", "cancelled"]

_SCHEMA: Final = """CREATE TABLE IF NOT EXISTS visit (id TEXT PRIMARY KEY, planned_for TEXT NOT NULL,
    state TEXT NOT NULL CHECK (state IN ('planned', 'done', 'cancelled')), created_at TEXT NOT NULL,
    created_by TEXT NOT NULL, done_on TEXT, note TEXT NOT NULL DEFAULT '', findings TEXT NOT NULL)"""

#: Faults settled at the board or the gateway come before anyone climbs (common practice).
_WORK_ORDER: Final = {"desk": 0, "board": 1, "none": 2, "roof": 3}
_EARTH_KM: Final = 6371.0


@dataclass(frozen=True)
class Visit:
    """One visit. ``findings`` maps a site to its finding numbers; dates are ISO."""

    id: str
    planned_for: str
    state: VisitState
    created_at: str
    created_by: str
    findings: dict[str, tuple[int, ...]]
    done_on: str | None = None
    note: str = ""

    def to_json(self) -> dict[str, Any]:
        return {**vars(self), "findings": {site: list(numbers) for site, numbers in self.findings.items()}}


@dataclass(frozen=True)
class Stop:
    """One piece of work at a site: a finding, where it is and what settles it."""

    number: int
    finding: Finding
    title: str
    means: str
    where: str
    work: str
    parts: tuple[str, ...]
    tools: tuple[str, ...]
    measure: tuple[str, ...]
    remote: tuple[str, ...]
    settles: tuple[tuple[str, float, str], ...]


@dataclass(frozen=True)
class SiteSheet:
    """Everything for one site, in the order of work."""

    site: SiteDescription
    facts: SiteFacts
    stops: tuple[Stop, ...]
    isolation: tuple[str, ...]
    cautions: tuple[str, ...]
    loss_wh_per_day: float


@dataclass(frozen=True)
class VisitSheet:
    """The printable sheet: sites in the order of the drive, what to load before leaving."""

    visit: Visit
    sites: tuple[SiteSheet, ...]
    parts: tuple[str, ...]
    tools: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        return {
            "visit": self.visit.to_json(),
            "parts": list(self.parts),
            "tools": list(self.tools),
            "sites": [
                {
                    "site": s.facts.id,
                    "name": s.facts.name,
                    "isolation": list(s.isolation),
                    "cautions": list(s.cautions),
                    "stops": [
                        {
                            "finding": stop.number,
                            "fault": stop.finding.fault,
                            "where": stop.where,
                            "why": stop.finding.why,
                            "measure": list(stop.measure),
                            "parts": list(stop.parts),
                            "tools": list(stop.tools),
                            "settles": [{"fault": f, "confidence": round(c, 3), "reading": r} for f, c, r in stop.settles],
                        }
                        for stop in s.stops
                    ],
                }
                for s in self.sites
            ],
        }


# -- planning ----------------------------------------------------------------


def plan_visit(
    workspace: Workspace,
    findings: dict[str, Sequence[int]],
    planned_for: str,
    who: str,
    at: str,
    note: str = "",
) -> Visit:
    """Plan a visit and write it into every site's file.

    Parameters
    ----------
    findings : site -> finding numbers; an empty list takes every live finding
        whose action is a visit.
    planned_for : ISO date.
    at : UTC ISO time.

    Raises
    ------
    UsageError : no such finding, one that is over, nothing to do, or no date.
    """
    try:
        day = date.fromisoformat(planned_for).isoformat()
    except ValueError as exc:
        raise UsageError(f"'{planned_for}' is not a date", "Give it as YYYY-MM-DD.") from exc
    chosen = {site: _chosen(workspace, site, numbers) for site, numbers in findings.items()}
    chosen = {site: numbers for site, numbers in chosen.items() if numbers}
    if not chosen:
        raise UsageError(
            "no finding to visit for",
            "Name findings, e.g. SITE:3; `callout findings SITE` lists them with their numbers.",
        )
    visit = Visit(f"{at[:10].replace('-', '')}-{secrets.token_hex(3)}", day, "planned", at, who, chosen, note=note)
    for site in chosen:
        with workspace.open(site) as store:
            _write(store, visit)
            ledger = Ledger(store)
            for number in chosen[site]:
                ledger.note(number, f"visit {visit.id} planned for {day}", who, at)
    return visit


def get_visit(workspace: Workspace, visit_id: str, site: str | None = None) -> Visit:
    """One visit by its number; ``site`` spares looking through all of them.

    Raises
    ------
    UsageError : no such visit.
    """
    found = next((v for v in visits(workspace, [site] if site else None) if v.id == visit_id), None)
    if found is None:
        raise UsageError(f"no visit '{visit_id}'", "`callout visit list` shows them.")
    return found


def visits(workspace: Workspace, sites: Iterable[str] | None = None, unreadable: list[StoreError] | None = None) -> list[Visit]:
    """Every visit, the next first, those behind us last; ``unreadable`` gains the error of each site that can't be opened."""
    found: dict[str, Visit] = {}
    for site in workspace.site_ids() if sites is None else sites:
        try:
            with workspace.open(site) as store:
                for visit in _read(store):
                    found.setdefault(visit.id, visit)
        except StoreError as exc:
            if sites is not None:
                raise
            if unreadable is not None:  # among many, a damaged site hides no other's visits
                unreadable.append(exc)
    return sorted(found.values(), key=lambda v: (v.state != "planned", v.planned_for, v.id))


def close_visit(workspace: Workspace, visit: Visit, state: VisitState, day: str, who: str, at: str, note: str = "") -> Visit:
    """Say that a visit was made on ``day`` (ISO), or that it is off.

    Raises
    ------
    UsageError : it cannot have been made on that day.
    """
    if state == "done":
        day = _day_made(workspace, visit, day, at)
    closed = replace(visit, state=state, done_on=day if state == "done" else None, note=note or visit.note)
    for site, numbers in visit.findings.items():
        with workspace.open(site) as store:
            _write(store, closed)
            ledger = Ledger(store)
            for number in numbers:
                told = f"visit {visit.id} {'made on ' + day if state == 'done' else 'cancelled'}"
                ledger.note(number, f"{told}. {note}".strip(), who, at)
    return closed


def begun_later(workspace: Workspace, visit: Visit, day: str) -> list[tuple[str, Finding]]:
    """Findings (and their sites) that a visit on ``day`` (ISO) was too early for: nobody had seen them yet."""
    return [(site, f) for site, f in _findings(workspace, visit) if f.first_seen > day]


def _day_made(workspace: Workspace, visit: Visit, text: str, at: str) -> str:
    try:
        day = date.fromisoformat(text).isoformat()
    except ValueError as exc:
        raise UsageError(f"'{text}' is not a date", "Give it as YYYY-MM-DD.") from exc
    now = datetime.fromisoformat(at)
    zones: list[tzinfo] = [UTC]  # the day a form or a command takes when none is given
    for site in visit.findings:
        with workspace.open(site) as store:
            zones.append(store.site.site.zone)
    if day > max(now.astimezone(zone).date().isoformat() for zone in zones):
        raise UsageError(f"{day_text(day)} has not come yet", "Say on which day the visit was made, as --on YYYY-MM-DD.")
    found = [f for _, f in _findings(workspace, visit)]
    if found and all(f.first_seen > day for f in found):
        first = min(f.first_seen for f in found)
        raise UsageError(
            f"on {day_text(day)} nothing of this visit had begun: it was first seen on {day_text(first)}",
            "Check the day, and its year.",
        )
    return day


def _findings(workspace: Workspace, visit: Visit) -> list[tuple[str, Finding]]:
    found = []
    for site, numbers in visit.findings.items():
        with workspace.open(site) as store:
            ledger = Ledger(store)
            found += [(site, ledger.get(number).finding) for number in numbers]
    return found


# -- the sheet ---------------------------------------------------------------


def visit_sheet(workspace: Workspace, visit: Visit) -> VisitSheet:
    """The sheet of a visit as it stands now: what was resolved meanwhile is left out."""
    sheets = []
    for site, numbers in visit.findings.items():
        with workspace.open(site) as store:
            ledger = Ledger(store)
            entries = [e for e in map(ledger.get, numbers) if e.live or visit.state != "planned"]
            sheets.append(_site_sheet(store.site, entries))
    ordered = _drive(sheets)
    findings = [stop.finding for s in ordered for stop in s.stops]
    return VisitSheet(visit, tuple(ordered), gather(findings, "parts"), gather(findings, "tools"))


def place_text(site: SiteDescription, finding: Finding) -> str:
    """Where on the roof, in words: unit, input, plane, row and column."""
    refs = [r for r in site.inputs if r.unit == finding.unit and finding.input in (None, r.input)]
    if finding.unit is None:
        if finding.plane:
            return f"plane {finding.plane}"
        return f"gateway {finding.gateway}" if finding.gateway else "whole site"
    words = [f"unit {finding.unit}" + (f", input {finding.input}" if finding.input is not None else "")]
    words += _spots(site, refs)
    branch = next((r.branch for r in refs if r.branch), "")
    if branch:
        words.append(_branch_text(branch))
    return "; ".join(words)


def isolation_steps(site: SiteDescription, findings: Iterable[Finding]) -> tuple[str, ...]:
    """Steps to make safe, for the branches that are touched; empty where no hand is needed.

    Common practice, general on purpose: the maker's instructions, local codes and a licensed
    person decide.
    """
    hands = [f for f in findings if wording(f.fault).work in ("roof", "board")]
    if not hands:
        return ()
    units = {f.unit for f in hands if f.unit is not None}
    branches = sorted({r.branch for r in site.inputs if r.unit in units and r.branch})
    which = ", ".join(map(_branch_text, branches)) if branches else "the whole array"
    return (
        "Tell the people in the building; agree who may switch on again.",
        f"At the board, switch off AC of {which}; lock it and tag it with name and time.",
        "Wait as long as the unit's maker says before touching connectors.",
        "Prove dead with a tester that was itself proved before and after.",
        "Unplug AC before DC; never under load. Cover or turn away modules where the maker asks for it.",
        "Afterwards: connectors seated and strain-relieved, then AC on; wait out the grid's reconnection "
        "time before judging a unit.",
        "Local codes and a licensed person decide; this list replaces neither.",
    )


def _branch_text(branch: str) -> str:
    return branch if branch.lower().startswith("branch") else f"branch {branch}"


def _chosen(workspace: Workspace, site: str, numbers: Sequence[int]) -> tuple[int, ...]:
    with workspace.open(site) as store:
        ledger = Ledger(store)
        if not numbers:
            return tuple(e.id for e in ledger.open() if e.finding.action == "visit")
        entries = [ledger.get(n) for n in dict.fromkeys(numbers)]
    over = [str(e.id) for e in entries if not e.live]
    if over:
        raise UsageError(
            f"site '{site}': finding {', '.join(over)} is over",
            "Leave it out, or open it again if it is not.",
        )
    return tuple(e.id for e in entries)


def _site_sheet(site: SiteDescription, entries: Sequence[LedgerEntry]) -> SiteSheet:
    stops = [_stop(site, e) for e in entries]
    stops.sort(key=lambda s: (_WORK_ORDER.get(s.work, 9), _roof_order(site, s.finding)))
    findings = [s.finding for s in stops]
    # On a visit hands are used whatever action the finding still has.
    warn = cautions([replace(f, action="visit") for f in findings])
    return SiteSheet(
        site=site,
        facts=site.site,
        stops=tuple(stops),
        isolation=isolation_steps(site, findings),
        cautions=warn,
        loss_wh_per_day=sum(f.loss_wh_per_day for f in findings if f.action != "none"),
    )


def _stop(site: SiteDescription, entry: LedgerEntry) -> Stop:
    f, words = entry.finding, wording(entry.finding.fault)
    return Stop(
        number=entry.id,
        finding=f,
        title=words.title,
        means=words.means,
        where=place_text(site, f),
        work=words.work,
        parts=words.parts,
        tools=words.tools,
        measure=words.measure,
        remote=words.remote if ACTIONS.index(f.action) > 0 else (),
        settles=tuple((wording(a.fault).title, a.confidence, a.tell_apart) for a in f.alternatives),
    )


def _roof_order(site: SiteDescription, finding: Finding) -> tuple[object, ...]:
    """Branch by branch, plane by plane, row by row: one isolation, one walk."""
    ref = next((r for r in site.inputs if r.unit == finding.unit and finding.input in (None, r.input)), None)
    if ref is None:
        return ("", "", 0, 0)
    return (ref.branch, ref.plane, ref.row or 0, ref.column or 0)


def _spots(site: SiteDescription, refs: Sequence[InputRef]) -> list[str]:
    """Plane, row and columns of inputs, one entry per row: ``plane west row 1, columns 2 to 5``."""
    rows: dict[tuple[str, int | None], list[int]] = {}
    for ref in refs:
        row, column = spot_of(site, ref)
        rows.setdefault((ref.plane, row), []).extend([] if column is None else [column])
    spots = []
    for (plane, row), columns in rows.items():
        parts = [f"plane {plane}"] if plane else []
        if row is not None and columns:
            columns = sorted(set(columns))
            run = len(columns) > 2 and columns[-1] - columns[0] == len(columns) - 1
            shown = f"{columns[0]} to {columns[-1]}" if run else ", ".join(map(str, columns))
            parts.append(f"row {row}, column{'s' if len(columns) > 1 else ''} {shown}")
        spots.append(" ".join(parts))
    return [spot for spot in spots if spot]


def _drive(sheets: list[SiteSheet]) -> list[SiteSheet]:
    """The dearest site first, then always the nearest of the rest, as the crow flies."""
    left = sorted(sheets, key=lambda s: -s.loss_wh_per_day)
    order = [left.pop(0)] if left else []
    while left:
        here = order[-1].facts
        left.sort(key=lambda s: _distance_km(here, s.facts))
        order.append(left.pop(0))
    return order


def _distance_km(a: SiteFacts, b: SiteFacts) -> float:
    """Great-circle distance (haversine)."""
    la, lb = math.radians(a.latitude), math.radians(b.latitude)
    dl = math.radians(b.longitude - a.longitude)
    h = math.sin((lb - la) / 2) ** 2 + math.cos(la) * math.cos(lb) * math.sin(dl / 2) ** 2
    return 2 * _EARTH_KM * math.asin(math.sqrt(min(1.0, h)))


def _write(store: Store, visit: Visit) -> None:
    body = json.dumps({site: list(numbers) for site, numbers in visit.findings.items()})
    with store.transaction() as db:
        db.execute(_SCHEMA)
        db.execute(
            "INSERT OR REPLACE INTO visit(id, planned_for, state, created_at, created_by, done_on, note,"
            " findings) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            (visit.id, visit.planned_for, visit.state, visit.created_at, visit.created_by, visit.done_on,
             visit.note, body),
        )  # fmt: skip


def _read(store: Store) -> list[Visit]:
    db = store.db.conn
    if db.execute("SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = 'visit'").fetchone() is None:
        return []
    rows = db.execute("SELECT id, planned_for, state, created_at, created_by, findings, done_on, note FROM visit").fetchall()
    return [
        Visit(id_, day, state, at, who, {s: tuple(n) for s, n in json.loads(body).items()}, done_on, note)
        for id_, day, state, at, who, body, done_on, note in rows
    ]
