"""One site: the answer, the roof, findings with their evidence, what arrived, and what can be taken away."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from urllib.parse import quote

from starlette.exceptions import HTTPException
from starlette.responses import Response
from starlette.routing import Route

from collectors.errors import CalloutError
from collectors.site import SiteFacts
from collectors.store import Store
from rules.finding import Finding
from triage.answer import Answer, answer_of, lost_words
from triage.evidence_words import evidence_rows
from triage.lastcheck import last_check
from triage.ledger import Ledger, LedgerEntry
from triage.roofplan import roof_plan
from triage.service.context import Context
from triage.service.dusk import iso_day, iso_time
from triage.service.nightreport import report_path
from triage.service.pages.base import Page, change, future_day, read, today
from triage.telling import alike, loss_words, places_of, since_words, total_words, where_of
from triage.wording import ACTION_WORDS, wording

ACTS = ("acknowledge", "snooze", "note", "resolve", "reopen")


def routes(context: Context) -> list[Route]:
    return [
        read(context, "/sites/{site}", show_site),
        read(context, "/call", show_call),
        read(context, "/sites/{site}/call", show_site_call),
        *(change(context, f"/sites/{{site}}/findings/{{number}}/{act}", _acting(act)) for act in ACTS),
    ]


@contextmanager
def store_of(page: Page) -> Iterator[Store]:
    """The site named in the address; a name that is none of ours is no such page."""
    site = page.request.path_params["site"]
    if site not in page.context.workspace.site_ids():
        raise HTTPException(404)
    with page.context.workspace.open(site) as store:
        yield store


def site_answer(store: Store, entries: list[LedgerEntry], now: float) -> Answer | None:
    """The phone's answer from the last check; None before the first."""
    check = last_check(store)
    if check is None:
        return None
    live: list[Finding] = [e.finding for e in entries if e.status != "resolved"]
    return answer_of(
        store.site.site,
        live,
        check.not_judged,
        from_day=check.from_day,
        to_day=check.to_day,
        today=iso_time(now)[:10],
        inputs=len(store.site.inputs),
    )


def show_site(page: Page) -> Response:
    now = page.context.clock()
    with store_of(page) as store:
        ledger = Ledger(store)
        ledger.wake(iso_time(now))
        entries = ledger.all()
        live = [e for e in entries if e.live]
        facts = store.site.site
        summary = next((s for s in page.context.summaries() if s.site_id == facts.id), None)
        return page.render(
            "site.html",
            site=facts,
            site_path=quote(facts.id),
            inputs=len(store.site.inputs),
            units=len(store.site.units),
            summary=summary,
            answer=site_answer(store, entries, now),
            live=[_shown(e, ledger, store.site.site) for e in live],
            past=[_shown(e, ledger, store.site.site) for e in entries if not e.live][:30],
            past_count=len(entries) - len(live),
            planes=roof_plan(store.site, [e.finding for e in live]),
            imports=_imports(store),
            report=report_path(page.context.folder, facts.id).is_file(),
            tomorrow=iso_day(int(now // 86400) + 1),
        )


def show_call(page: Page) -> Response:
    """Find a site by name, id, customer reference or region."""
    asked = page.request.query_params.get("q", "")[:100].strip()
    words = asked.casefold().split()
    hits = [
        s for s in page.context.summaries()
        if words and all(w in f"{s.site_id} {s.name} {s.customer_ref} {s.region}".casefold() for w in words)
    ]  # fmt: skip
    exact = [s for s in hits if asked.casefold() in (s.site_id.casefold(), s.customer_ref.casefold())]
    if len(hits) == 1 or len(exact) == 1:
        return page.go(f"/sites/{quote((exact or hits)[0].site_id)}/call")
    return page.render("search.html", here="call", asked=asked, hits=hits[:50], count=len(hits))


def show_site_call(page: Page) -> Response:
    """One screen for the person with the customer on the phone."""
    now = page.context.clock()
    with store_of(page) as store:
        ledger = Ledger(store)
        ledger.wake(iso_time(now))
        entries = ledger.all()
        live = [e for e in entries if e.live]
        return page.render(
            "call.html",
            here="call",
            site=store.site.site,
            site_path=quote(store.site.site.id),
            answer=site_answer(store, entries, now),
            urgent=_alike([e for e in live if e.finding.action in ("visit", "remote")]),
            others=_alike([e for e in live if e.finding.action not in ("visit", "remote")]),
            where_of=where_of,
            places_of=places_of,
            loss_words=loss_words,
            lost_words=lost_words,
            since_words=since_words,
            action_words=ACTION_WORDS,
            wording=wording,
        )


def _alike(entries: list[LedgerEntry]) -> list[list[LedgerEntry]]:
    return alike(entries, lambda entry: entry.finding)


def _acting(act: str):  # type: ignore[no-untyped-def]
    def work(page: Page) -> Response:
        number, who, at, text = page.number("number"), page.operator.name, page.at, page.field("text")
        with store_of(page) as store:
            ledger, site = Ledger(store), store.site.site.id
            if act == "snooze":
                ledger.snooze(number, future_day(page.field("until", 10), today(page)), who, at, text)
            elif act == "note":
                ledger.note(number, text, who, at)
            else:
                getattr(ledger, act)(number, who, at, text)
            page.context.index.refresh(store)
        page.audit(f"finding: {act}", site, f"{number} {text}".strip())
        done = {"acknowledge": "acknowledged", "snooze": "snoozed", "note": "noted", "resolve": "resolved",
                "reopen": "reopened"}[act]  # fmt: skip
        return page.go(f"/sites/{quote(site)}", f"{done}#finding-{number}")

    return work


def _shown(entry: LedgerEntry, ledger: Ledger, facts: SiteFacts) -> dict[str, object]:
    f = entry.finding
    return {
        "entry": entry,
        "f": f,
        "words": wording(f.fault),
        "action": ACTION_WORDS[f.action],
        "alternatives": [(wording(a.fault).title, a.confidence, a.tell_apart) for a in f.alternatives],
        "evidence": evidence_rows(f),
        "loss": loss_words([f], facts),
        "lost": total_words([f], facts),
        "history": ledger.history(entry.id),
    }


def _imports(store: Store) -> list[tuple[object, ...]]:
    try:
        return store.db.conn.execute(
            "SELECT at, kind, source, rows_read, rows_new, rows_rejected FROM import_run ORDER BY id DESC LIMIT 20"
        ).fetchall()
    except CalloutError:
        return []
