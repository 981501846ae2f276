"""One site's night, as a plain function a process pool can run: check, ledger, summary."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from triage.fleet.index import FleetIndex
from triage.ledger import LedgerDiff
from triage.nightly import check_site
from triage.service.dusk import iso_day
from triage.workspace import Workspace

#: Changes worth a word in the morning, by the ledger's name for them.
NEWS = ("new", "reopened", "resolved", "woken", "changed")


@dataclass(frozen=True)
class SiteNight:
    """What one site's night changed: ``changes`` are (finding number, kind of change)."""

    site: str
    day: int
    at: str
    changes: tuple[tuple[int, str], ...]


def site_night(workspace: Path, site: str, day: int, at: str) -> SiteNight:
    """Check one site up to a solar day, record it, refresh its line in the fleet index.

    Doing it twice for one night changes nothing.
    """
    with Workspace(workspace).open(site) as store:
        summary, diff = check_site(store, iso_day(day), at)
        FleetIndex(workspace).update(site, summary)
    return SiteNight(site, day, at, changes_of(diff))


def changes_of(diff: LedgerDiff) -> tuple[tuple[int, str], ...]:
    """(finding number, kind) of everything worth a word."""
    return tuple((entry.id, kind) for kind in NEWS for entry in getattr(diff, kind))
