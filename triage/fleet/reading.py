"""From a site's file to its summary, without checking anything again."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Final

from collectors.store import Store
from triage.fleet.summary import FindingBrief, SiteSummary, describe
from triage.ledger import ENGINE, Ledger

#: Key in a site's ``meta`` table that holds the summary of its last night.
SUMMARY_KEY: Final = "night_summary"


def read_summary(path: Path) -> SiteSummary:
    """Summary of one site's file: the figures of its last night, findings and newest sample as they stand now.

    Raises
    ------
    CalloutError : the file or the site description in it cannot be read.
    sqlite3.Error : the file is damaged.
    """
    with Store.open(path) as store:
        return stored_summary(store)


def stored_summary(store: Store) -> SiteSummary:
    """As :func:`read_summary`, of an open store."""
    now = describe(store.site)
    saved = store.meta(SUMMARY_KEY)
    if saved:
        night = SiteSummary.loads(saved)
        # What the site file says may have changed since that night.
        fresh = {k: getattr(now, k) for k in _FROM_SITE_FILE}
        now = replace(night, **fresh)
    span = store.span()
    return replace(now, findings=briefs(store), last_sample=span[1] if span else None)


def save_summary(store: Store, summary: SiteSummary) -> None:
    """Keep a night's summary in the site's file; its findings stay in the ledger alone."""
    store.set_meta(SUMMARY_KEY, replace(summary, findings=()).dumps())


def briefs(store: Store, ledger: Ledger | None = None) -> tuple[FindingBrief, ...]:
    """Everything the ledger holds, in the fleet's short form."""
    ledger = ledger or Ledger(store)
    returns = Counter(e.finding_id for e in ledger.history() if e.event == "reopened" and e.who == ENGINE)
    return tuple(FindingBrief.of(e.finding, store.site, id=str(e.id), status=e.status, returns=returns[e.id]) for e in ledger.all())


_FROM_SITE_FILE: Final = (
    "site_id",
    "name",
    "customer_ref",
    "region",
    "latitude",
    "longitude",
    "timezone",
    "commissioned",
    "currency",
    "tariff_per_kwh",
    "visit_cost",
    "inputs",
    "units",
    "rated_w",
    "inverters",
    "modules",
)
