"""One night over a whole workspace: each site checked once, on one machine or many.

The unit of work is a site-night (:func:`site_night`): open one file, check
what is new in it, record it, return one small summary. It is the same
function in this process, in a pool and on a cluster, and doing it twice
changes nothing. The site's own file says which night it has behind it, so a
run that was stopped goes on where it was, wherever it is started again.
"""

from __future__ import annotations

import json
import logging
import sqlite3
import time
import traceback
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, Final, Literal

from collectors.errors import CalloutError, UsageError
from collectors.store import Store, solar_day
from rules.performance import Performance, performance
from triage.check import CheckResult, check_store, look_back_of
from triage.figures import plural
from triage.fleet.closing import Closer
from triage.fleet.cluster import run_on_cluster
from triage.fleet.index import FleetIndex
from triage.fleet.pool import default_jobs, run_in_pool
from triage.fleet.reading import SUMMARY_KEY, briefs, save_summary, stored_summary
from triage.fleet.summary import SiteSummary, describe
from triage.ledger import Ledger, LedgerDiff
from triage.workspace import Workspace

#: Days over which performance and completeness are given.
WINDOW_DAYS: Final = 30
#: Summaries are written to the fleet index in lots, at the latest after so many seconds.
_LOT: Final = 200
_LOT_SECONDS: Final = 2.0
_SITES_PER_WORKER: Final = 8
_closer: Final = Closer()

#: Key in a site's ``meta`` table that holds what had arrived when its last night was done.
_STATE_KEY: Final = "night_state"

Progress = Callable[[int, int, str], None]
Outcome = Literal["done", "skipped", "failed"]

# Not structlog: unless told otherwise that writes to stdout, where `--json` belongs.
_log = logging.getLogger(__name__)


@dataclass(frozen=True)
class SiteNight:
    """What a worker needs: plain text, so that it can travel.

    ``alone`` opens the file as a folder shared between machines demands.
    """

    site_id: str
    path: str
    night: str
    at: str
    again: bool = False
    alone: bool = False


@dataclass(frozen=True)
class NightResult:
    """What came of one site-night; ``trace`` is only set by a bug of ours."""

    site_id: str
    outcome: Outcome
    summary: SiteSummary | None = None
    error: str = ""
    trace: str = ""
    new: int = 0
    reopened: int = 0
    resolved: int = 0
    cpu_s: float = 0.0


@dataclass
class NightReport:
    """What came of the night.

    ``failed`` gives the error of each site that failed, ``act`` the answer of each
    with a live finding that asks for a visit or a remote step. ``cpu_s`` is what the
    sites took of all processors together, ``seconds`` how long the run took.
    """

    at: str
    done: int = 0
    skipped: int = 0
    seconds: float = 0.0
    cpu_s: float = 0.0
    new: int = 0
    reopened: int = 0
    resolved: int = 0
    failed: dict[str, str] = field(default_factory=dict)
    act: dict[str, str] = field(default_factory=dict)

    @property
    def sites(self) -> int:
        return self.done + self.skipped + len(self.failed)

    @property
    def exit_code(self) -> int:
        """0 nothing to do, 1 a site needs action or failed."""
        return 1 if self.act or self.failed else 0

    def to_json(self) -> dict[str, Any]:
        return {**vars(self), "sites": self.sites}

    def text(self, most: int = 20) -> str:
        """The report for people; at most so many sites of each list."""
        before = f", {self.skipped} had this night behind them" if self.skipped else ""
        lines = [
            f"{plural(self.done, 'site')} checked{before}, {len(self.failed)} failed, in {self.seconds:.1f} s.",
            f"{plural(self.new, 'new finding')}, {self.reopened} came back, {self.resolved} resolved.",
        ]
        for title, sites in (("Sites that need action:", self.act), ("Sites that failed:", self.failed)):
            if sites:
                lines += [
                    "",
                    title,
                    *(f"  {site}: {told.splitlines()[0]}" for site, told in list(sites.items())[:most]),
                ]
            if len(sites) > most:
                lines.append(f"  and {len(sites) - most} more: `callout fleet` ranks them, --json lists them")
        return "\n".join(lines)


def run_nights(
    workspace: Workspace | str | Path,
    jobs: int | None = None,
    cluster: str | None = None,
    progress: Progress | None = None,
    *,
    at: datetime | None = None,
    night: str | None = None,
    sites: Sequence[str] | None = None,
    again: bool = False,
) -> NightReport:
    """Check every site of a workspace.

    Parameters
    ----------
    workspace : the workspace or its folder. With ``cluster`` every worker must
        see it under the same path.
    jobs : worker processes; None takes every core where there are sites enough, 1 stays in this process.
    cluster : address of a Dask scheduler such as ``tcp://10.0.0.5:8786``.
    progress : called in this process with (done, total, site id).
    at : time of the run, aware; None is now.
    night : solar day to check up to (ISO date); None is each site's last
        finished one. A night is over at local solar noon of the next day, so a
        run before and after midnight is the same night.
    sites : only these; None is all.
    again : check sites too that have this night behind them.

    Returns
    -------
    NightReport. A site that fails is listed in it and stops no other.

    Raises
    ------
    UsageError : a wrong night, or no sites.
    LinkError : the cluster does not answer.
    """
    started = time.perf_counter()
    place = workspace if isinstance(workspace, Workspace) else Workspace(workspace)
    moment = at or datetime.now(UTC)
    report = NightReport(at=moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"))
    known = place.known_sites()
    place.need_writing()
    tasks = [
        SiteNight(site_id, str(place.path_of(site_id).resolve()), _night(night), report.at, again, bool(cluster))
        for site_id in (known if sites is None else sites)
    ]
    index = FleetIndex(place.path)
    index.keep_only(known)
    lot = _Lot(index)
    try:
        for count, result in enumerate(_results(tasks, jobs, cluster), 1):
            _count(report, result)
            lot.add(result, report.at)
            if progress:
                progress(count, len(tasks), result.site_id)
    finally:
        # Also when stopped by hand: what is done is done.
        lot.flush()
        _closer.wait()
    return _closed(report, time.perf_counter() - started)


def site_night(task: SiteNight) -> NightResult:
    """Do one site's night; never raises for what is wrong with one site."""
    started = time.thread_time()
    try:
        closing = 0.0
        store = Store.open(Path(task.path), alone=task.alone, any_thread=True)
        try:
            if not task.again and _already(store, task):
                return NightResult(task.site_id, "skipped", stored_summary(store))
            summary, diff = check_site(store, task.night, task.at)
        finally:
            if task.alone:
                store.close()  # others wait for it
            else:
                closing = _closer.close(store)
        counts = (len(diff.new), len(diff.reopened), len(diff.resolved))
        cpu_s = time.thread_time() - started + closing
        return NightResult(task.site_id, "done", summary, "", "", *counts, cpu_s)
    except (CalloutError, sqlite3.Error, OSError) as exc:
        return _failed(task, str(exc))
    except Exception as exc:
        # A bug of ours on one site must not cost the others their night; it keeps its traceback.
        return _failed(task, f"{type(exc).__name__}: {exc}", traceback.format_exc(limit=-12))


def check_site(store: Store, night: str, at: str) -> tuple[SiteSummary, LedgerDiff]:
    """Check an open store for a night, record it in the ledger and in the site's own file.

    Returns the site's summary for the fleet index, and what the night changed.

    Parameters
    ----------
    night : solar day to check up to (ISO date); "" is the last finished one at ``at``.
    at : UTC ISO time of the run.
    """
    present = night_of(at, store.site.site.longitude)
    night = night or present
    day = _day_number(night)
    # An old night says nothing of what should have arrived by now.
    as_of = round(datetime.fromisoformat(at).timestamp()) if night == present else None
    result = check_store(store, until_day=day, look_back=look_back_of(store, day), as_of=as_of)
    return record_check(store, result, night, at)


def record_check(store: Store, result: CheckResult, night: str, at: str) -> tuple[SiteSummary, LedgerDiff]:
    """Record a check's result in the ledger and the site's summary in its own file.

    Returns the summary for the fleet index, and what the check changed.

    Parameters
    ----------
    night : solar day that was checked up to (ISO date).
    at : UTC ISO time of the run.
    """
    day = _day_number(night)
    ledger = Ledger(store)
    with store.transaction():
        diff = ledger.record(result, night, at)
        summary = _summary(store, result, diff, night, at, day)
        save_summary(store, summary)
        store.set_meta(_STATE_KEY, _state(store.db.conn, day))
        return replace(summary, findings=briefs(store, ledger)), diff


def record_now(place: Workspace, store: Store, result: CheckResult, at: str) -> tuple[SiteSummary, LedgerDiff]:
    """Record a check made at any time of the day, in the ledger, the site's file and the fleet index.

    It counts for the newest day with data, or for a later night the site has behind it: a check by
    hand never takes a night back. Returns as :func:`record_check`; ``at`` is the UTC ISO time.
    """
    saved = SiteSummary.loads(store.meta(SUMMARY_KEY) or '{"site_id": ""}')
    night = max(result.to_day, saved.night) or at[:10]
    summary, diff = record_check(store, result, night, at)
    if store.mode == "kept":
        FleetIndex(place.path).update(store.site.site.id, summary)
    return summary, diff


def night_of(at: str, longitude: float) -> str:
    """The night a time belongs to: the solar day that was running twelve hours before (ISO date)."""
    moment = datetime.fromisoformat(at).timestamp()
    return date.fromordinal(_EPOCH + int(solar_day(moment - 43200, longitude))).isoformat()


_EPOCH: Final = date(1970, 1, 1).toordinal()


def _day_number(night: str) -> int:
    return date.fromisoformat(night).toordinal() - _EPOCH


def _night(night: str | None) -> str:
    try:
        return date.fromisoformat(night).isoformat() if night else ""
    except ValueError as exc:
        raise UsageError(f"night = '{night}' is not a date", "Write it as YYYY-MM-DD.") from exc


def _summary(store: Store, result: CheckResult, diff: LedgerDiff, night: str, at: str, day: int) -> SiteSummary:
    figures: Performance | None = performance(result.case, day, WINDOW_DAYS) if result.case else None
    span = store.span()
    # The same night again adds what it found since; it doesn't take back what it said before.
    saved = SiteSummary.loads(store.meta(SUMMARY_KEY) or '{"site_id": ""}')
    before = saved if saved.night == night else SiteSummary("")
    base = replace(
        describe(store.site),
        night=night,
        at=at,
        from_day=result.from_day,
        to_day=result.to_day,
        new=before.new + len(diff.new),
        reopened=before.reopened + len(diff.reopened),
        resolved=before.resolved + len(diff.resolved),
        last_sample=span[1] if span else None,
        not_judged=len(result.not_judged),
    )
    if figures is None:
        return base
    return replace(
        base,
        window_days=figures.days,
        energy_wh=round(figures.energy_wh, 1),
        expected_wh=round(figures.expected_wh, 1),
        performance=None if figures.value is None else round(figures.value, 4),
        performance_basis=figures.basis,
        completeness=None if figures.completeness is None else round(figures.completeness, 4),
    )


def _state(db: sqlite3.Connection, day: int) -> str:
    """Changes when something arrived that a check up to ``day`` would look at."""
    runs = db.execute("SELECT max(id) FROM import_run").fetchone()[0]
    # Weather beyond the last reading leaves its day stale for good: what counts is that none was added.
    stale = [d for (d,) in db.execute("SELECT day FROM stale_day WHERE day <= ? ORDER BY day", (day,))]
    return json.dumps([runs, stale])


def _already(store: Store, task: SiteNight) -> bool:
    """Whether a site has this night behind it and nothing new since."""
    text = store.meta(SUMMARY_KEY)
    if not text:
        return False
    summary = SiteSummary.loads(text)
    night = task.night or night_of(task.at, store.site.site.longitude)
    return not summary.error and summary.night == night and store.meta(_STATE_KEY) == _state(store.db.conn, _day_number(night))


def _results(tasks: Sequence[SiteNight], jobs: int | None, cluster: str | None) -> Iterator[NightResult]:
    if cluster:
        return run_on_cluster(cluster, site_night, tasks, _failed)
    # A worker takes seconds to start: for a few sites it isn't worth one.
    workers = jobs or min(default_jobs(), -(-len(tasks) // _SITES_PER_WORKER))
    return run_in_pool(site_night, tasks, workers, lambda task: _failed(task, _DIED))


_DIED: Final = "the process that checked this site died (killed, or out of memory)"


def _failed(task: SiteNight, message: str, trace: str = "") -> NightResult:
    return NightResult(task.site_id, "failed", None, message, trace)


def _count(report: NightReport, result: NightResult) -> None:
    if result.outcome == "failed":
        report.failed[result.site_id] = result.error
        if result.trace:
            _log.error("site %s: a bug of ours\n%s", result.site_id, result.trace)
        return
    if result.outcome == "skipped":
        report.skipped += 1
    else:
        report.done += 1
    report.new += result.new
    report.reopened += result.reopened
    report.resolved += result.resolved
    report.cpu_s += result.cpu_s
    if result.summary and any(f.action in ("visit", "remote") for f in result.summary.live):
        report.act[result.site_id] = result.summary.answer


def _closed(report: NightReport, seconds: float) -> NightReport:
    """A report in the order and to the digits in which it is told."""
    report.act = dict(sorted(report.act.items()))
    report.failed = dict(sorted(report.failed.items()))
    report.cpu_s = round(report.cpu_s, 3)
    report.seconds = round(seconds, 3)
    return report


class _Lot:
    """Summaries on their way to the index: one transaction for many."""

    def __init__(self, index: FleetIndex) -> None:
        self._index = index
        self._waiting: list[tuple[str, SiteSummary]] = []
        self._since = time.monotonic()

    def add(self, result: NightResult, at: str) -> None:
        summary = result.summary
        if summary is None:
            known = self._index.get(result.site_id) or SiteSummary(site_id=result.site_id)
            summary = known.with_error(result.error, at)
        self._waiting.append((result.site_id, summary))
        if len(self._waiting) >= _LOT or time.monotonic() - self._since > _LOT_SECONDS:
            self.flush()

    def flush(self) -> None:
        if self._waiting:
            self._index.update_many(self._waiting)
        self._waiting, self._since = [], time.monotonic()
