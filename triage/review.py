"""What commands and pages ask of one site: check it, record it, give findings with their life."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from collectors.site import SiteDescription
from collectors.store import Store, day_bounds, solar_day
from rules.finding import Finding
from rules.view import SiteView, build_view
from triage.answer import Answer, answer_of
from triage.check import CheckResult, check_files, check_store
from triage.importing import Loaded
from triage.ledger import Ledger, LedgerDiff, LedgerEntry
from triage.nightly import record_now
from triage.workspace import Workspace

#: Days a report's charts reach back, unless told otherwise.
CHART_DAYS: Final = 31


@dataclass(frozen=True)
class Review:
    """A site as it stands: the check's result and every finding with its life."""

    site: SiteDescription
    result: CheckResult
    entries: tuple[LedgerEntry, ...]
    diff: LedgerDiff

    @property
    def live(self) -> list[Finding]:
        return [entry.finding for entry in self.entries if entry.live]

    def answer(self, today: str | None = None) -> Answer:
        """The answer; ``today`` (ISO date) is held against the age of the data."""
        return answer_of(
            self.site.site,
            self.live,
            self.result.not_judged,
            from_day=self.result.from_day,
            to_day=self.result.to_day,
            today=today,
            inputs=len(self.site.inputs),
        )


def review_store(place: Workspace, store: Store, at: str) -> Review:
    """Check what is new in a site's store and record it; ``at`` is the UTC ISO time of doing so."""
    result = check_store(store)
    ledger = Ledger(store)
    ledger.wake(at)
    _, diff = record_now(place, store, result, at)
    return Review(store.site, result, tuple(ledger.all()), diff)


def review_files(site_toml: str, source: str, loaded: Loaded, at: str) -> Review:
    """The same for loose files, leaving nothing behind; ``source`` names the site file in errors."""
    with Store.create(None, site_toml, source) as store:
        result = check_files(store.site, loaded)
        ledger = Ledger(store)
        diff = ledger.record(result, result.to_day or at[:10], at)
        return Review(store.site, result, tuple(ledger.all()), diff)


def store_view(store: Store, days: int = CHART_DAYS, source: str = "") -> SiteView | None:
    """Arrays of the last ``days`` solar days with data, for charts; None without data."""
    span = store.span()
    if not span or not span[1]:
        return None
    start = _start(span[1], store.site, days)
    return build_view(store.site, store.telemetry(start), store.weather(start), source)


def files_view(site: SiteDescription, loaded: Loaded, days: int = CHART_DAYS, source: str = "") -> SiteView | None:
    """The same for loose files."""
    telemetry, weather = loaded.telemetry, loaded.weather
    if telemetry.empty:
        return None
    start = _start(int(telemetry["ts"].max()), site, days)
    return build_view(site, telemetry[telemetry["ts"] >= start], weather[weather["ts"] >= start], source)


def _start(last_ts: int, site: SiteDescription, days: int) -> int:
    longitude = site.site.longitude
    return day_bounds(int(solar_day(last_ts, longitude)) - days + 1, longitude)[0]
