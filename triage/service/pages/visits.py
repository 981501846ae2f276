"""Visits: choose findings over sites, print the sheet, say it was made, see whether it helped."""

from __future__ import annotations

import io
from datetime import timedelta

from starlette.exceptions import HTTPException
from starlette.responses import Response
from starlette.routing import Route

from collectors.errors import InputError
from triage.fleet.summary import SiteSummary
from triage.roofplan import roof_plan
from triage.service.context import Context
from triage.service.pages.base import Page, change, read, today
from triage.telling import amount, loss_words
from triage.verifying import verify_visit
from triage.visit_sheet import write_visit_pdf
from triage.visits import Visit, close_visit, get_visit, plan_visit, visit_sheet, visits
from triage.wording import ACTION_WORDS, wording


def routes(context: Context) -> list[Route]:
    return [
        read(context, "/visits", show_visits),
        read(context, "/visits/new", show_new),
        change(context, "/visits", make),
        read(context, "/visits/{visit}", show_sheet),
        read(context, "/visits/{visit}/sheet.pdf", sheet_pdf),
        read(context, "/visits/{visit}/verify", show_verify),
        change(context, "/visits/{visit}/close", close),
    ]


def show_visits(page: Page) -> Response:
    found = visits(page.context.workspace)
    names = {s.site_id: s.name or s.site_id for s in page.context.summaries()}
    return page.render("visits.html", here="visits", visits=found, names=names)


def show_new(page: Page) -> Response:
    """Live findings to tick, the sites asked for first."""
    asked = page.request.query_params.getlist("site")[:50]
    ticked = page.request.query_params.get("finding", "")
    wanted = [s for s in page.context.summaries() if (s.site_id in asked if asked else _worth_going(s))]
    sites = [
        (
            s,
            [
                (f, wording(f.fault).title, ACTION_WORDS[f.action], amount(f.loss_wh_per_day, f.loss_unknown, per="a day"),
                 f.id == ticked if ticked else f.action == "visit")
                for f in s.live if f.action != "none"
            ],
        )
        for s in sorted(wanted, key=lambda s: -sum(f.loss_wh_per_day for f in s.live))[:40]
    ]  # fmt: skip
    return page.render(
        "visit_new.html",
        here="visits",
        sites=[(s, rows) for s, rows in sites if rows],
        asked=asked,
        tomorrow=(today(page) + timedelta(days=1)).isoformat(),
    )


def make(page: Page) -> Response:
    chosen: dict[str, list[int]] = {}
    known = set(page.context.workspace.site_ids())
    for value in page.form.getlist("finding")[:200]:
        site, _, number = str(value).rpartition(":")
        if site not in known or not (number.isascii() and number.isdigit() and len(number) < 12):
            raise HTTPException(404)
        chosen.setdefault(site, []).append(int(number))
    if not chosen:
        raise InputError("no finding was ticked", "Go back and tick what the visit should settle.")
    visit = plan_visit(
        page.context.workspace, dict(chosen), page.field("planned_for", 10), page.operator.name, page.at,
        page.field("note", 500),
    )  # fmt: skip
    page.audit("visit planned", ", ".join(chosen), visit.id)
    return page.go(f"/visits/{visit.id}", "visit")


def show_sheet(page: Page) -> Response:
    visit = _visit(page)
    sheet = visit_sheet(page.context.workspace, visit)
    return page.render(
        "visit.html",
        here="visits",
        visit=visit,
        sheet=sheet,
        plans=[roof_plan(s.site, [stop.finding for stop in s.stops]) for s in sheet.sites],
        today=today(page).isoformat(),
        loss_words=loss_words,
    )


def sheet_pdf(page: Page) -> Response:
    visit = _visit(page)
    out = io.BytesIO()
    write_visit_pdf(out, visit_sheet(page.context.workspace, visit))
    headers = {"Content-Disposition": f'inline; filename="visit-{visit.id}.pdf"'}
    return Response(out.getvalue(), media_type="application/pdf", headers=headers)


def show_verify(page: Page) -> Response:
    visit = _visit(page)
    results = verify_visit(page.context.workspace, visit)
    names = {s.site_id: s.name or s.site_id for s in page.context.summaries()}
    return page.render("verify.html", here="visits", visit=visit, results=results, names=names, wording=wording)


def close(page: Page) -> Response:
    visit = _visit(page)
    state = page.field("state", 10)
    if state not in ("done", "cancelled"):
        raise InputError(f"'{state}' is not a state of a visit", "Choose done or cancelled.")
    day = page.field("day", 10) or today(page).isoformat()
    workspace = page.context.workspace
    close_visit(
        workspace, visit, "done" if state == "done" else "cancelled", day, page.operator.name, page.at,
        page.field("note", 500),
    )  # fmt: skip
    for site in visit.findings:
        with workspace.open(site) as store:
            page.context.index.refresh(store)
    page.audit(f"visit {state}", ", ".join(visit.findings), visit.id)
    return page.go(f"/visits/{visit.id}", "visited" if state == "done" else "")


def _visit(page: Page) -> Visit:
    visit_id: str = page.request.path_params["visit"]
    if not (len(visit_id) < 40 and visit_id.replace("-", "").isalnum()):
        raise HTTPException(404)
    try:
        return get_visit(page.context.workspace, visit_id)
    except InputError as exc:
        raise HTTPException(404) from exc


def _worth_going(summary: SiteSummary) -> bool:
    return any(f.action == "visit" for f in summary.live)
