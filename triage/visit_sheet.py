"""The visit sheet on paper: what to load, how to make safe, what to do in which order, what was measured."""

from __future__ import annotations

from typing import Any

from reportlab.platypus import KeepTogether, PageBreak
from reportlab.platypus.flowables import Flowable

from triage.figures import chance, day_text, percent
from triage.paper import blanks, boxed, build_pdf, gap, listed, roof_drawing, table, text
from triage.roofplan import roof_plan
from triage.telling import loss_words, total_words
from triage.visits import SiteSheet, Stop, VisitSheet

_FOOTER = "Local codes and the makers' instructions come first; electrical work is for licensed persons."


def write_visit_pdf(target: Any, sheet: VisitSheet) -> None:
    """Write the sheet as PDF to a path or binary file."""
    visit = sheet.visit
    story: list[Flowable] = [
        text(f"Visit sheet, {day_text(visit.planned_for)}", "h1"),
        text(f"Visit {visit.id}, planned by {visit.created_by}. {visit.note}".strip()),
    ]
    if not sheet.sites or not any(s.stops for s in sheet.sites):
        story.append(text("Nothing is left to do: every finding of this visit is over."))
    if len(sheet.sites) > 1:
        story += [text("Order of the drive", "h2"), listed([_heading(s) for s in sheet.sites], numbered=True)]
    if sheet.parts or sheet.tools:
        story.append(text("Load before leaving", "h2"))
        story.append(
            table(
                ["Parts", "Tools"],
                [["; ".join(sheet.parts) or "none", "; ".join(sheet.tools) or "none"]],
                [1, 1],
            )
        )
    for n, site in enumerate(sheet.sites):
        if n:
            story.append(PageBreak())
        story += _site(site)
    build_pdf(target, f"Visit {visit.id}", story, f"Visit {visit.id}. {_FOOTER}")


def _heading(site: SiteSheet) -> str:
    facts = site.facts
    reference = f", reference {facts.customer_ref}" if facts.customer_ref else ""
    return f"{facts.name or facts.id}{reference} ({facts.latitude:.4f}, {facts.longitude:.4f})"


def _site(site: SiteSheet) -> list[Flowable]:
    story: list[Flowable] = [text(_heading(site), "h2"), text(f"Times in {site.facts.timezone}.", "small")]
    if site.cautions:
        story.append(boxed("Before anyone climbs or opens a board", site.cautions))
    if site.isolation:
        story += [text("Make safe", "h3"), listed(site.isolation, numbered=True)]
    for plane in roof_plan(site.site, [s.finding for s in site.stops]):
        story.append(
            KeepTogether(
                [
                    text(f"{plane.name}: {plane.facing}. Numbers are those of the work below.", "small"),
                    roof_drawing(plane),
                ]
            )
        )
    title = text("Work, in this order", "h2")
    if not site.stops:
        story.append(title)
    for n, stop in enumerate(site.stops, 1):
        story += _stop(n, stop, [title] if n == 1 else [])
    story += [gap(4), blanks(["AC switched on again by (name, date, time):"])]
    return story


def _stop(n: int, stop: Stop, above: list[Flowable]) -> list[Flowable]:
    """One piece of work; what stands above it goes to the same page."""
    f = stop.finding
    head: list[Flowable] = [
        *above,
        text(f"{n}. {stop.title}: {stop.where}", "h3"),
        text(f.why),
        text(
            f"Since {day_text(f.first_seen)}; loss {loss_words([f])}, {total_words([f])} so far; "
            f"{percent(f.confidence)} sure; finding {stop.number}.",
            "small",
        ),
    ]
    story: list[Flowable] = [KeepTogether(head)]
    if stop.remote:
        story += [text("Still to try from the desk", "h3"), listed(stop.remote)]
    if stop.settles:
        rows = [[title, chance(confidence), reading] for title, confidence, reading in stop.settles]
        story.append(table(["It could also be", "How likely", "What settles it"], rows, [2, 1, 5]))
    if stop.measure:
        story += [gap(3), text("Measure", "h3"), blanks([*stop.measure, "Found and done:"])]
    return story
