"""The fleet in one object: what `callout fleet` prints, as a table, JSON or a page."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, date, datetime, timedelta
from statistics import median
from typing import Any, Final
from zoneinfo import ZoneInfo

from rules.finding import Threshold
from triage import figures
from triage.fleet.ages import age_band, days_between
from triage.fleet.batches import BatchPattern, batch_patterns
from triage.fleet.peers import PeerPosition, peer_positions
from triage.fleet.prices import DEFAULT_PRICES, Prices
from triage.fleet.summary import FindingBrief, SiteSummary
from triage.fleet.value import VisitGroup, VisitValue, visit_groups, visit_values

#: A site is silent when nothing arrived for this long: one whole day must be
#: missing, so that a late upload is no alarm.
SILENT_AFTER: Final = Threshold(48.0, "h", "own choice: one whole missing day and the night around it")
LOW_COMPLETENESS: Final = Threshold(0.90, "ratio", "common practice: data below 90 % bias a monthly figure")
REPEAT_WINDOW: Final = Threshold(365.0, "d", "own choice: a year, so that seasonal shade shows once")
REPEAT_COUNT: Final = Threshold(3.0, "1", "own choice: a first fault, a second, and then it is a habit")
BATCH_WINDOW: Final = Threshold(730.0, "d", "own choice: two years, the usual reach of a production batch")
DEFAULT_SPAN_KM: Final = 25.0


@dataclass(frozen=True)
class FaultRow:
    """How often one fault stands, where, and for how long."""

    fault: str
    live: int
    sites: int
    loss_wh_per_day: float
    median_days_open: int
    by_age: dict[str, int]
    by_inverter: dict[str, int]
    loss_unknown: bool = False


@dataclass(frozen=True)
class Silent:
    """A site nobody hears from; ``hours`` is None when nothing ever arrived.

    ``last_sample`` is a UTC ISO time, ``when`` the same by the clock at the site.
    """

    site_id: str
    name: str
    last_sample: str
    hours: float | None
    when: str = ""


@dataclass(frozen=True)
class Offender:
    """A unit or place whose faults keep coming back."""

    site_id: str
    place: str
    events: int
    returns: int
    faults: tuple[str, ...]


@dataclass(frozen=True)
class FleetOverview:
    """Everything the fleet page says.

    ``today`` is the day it is judged from; lists are in the order a person
    should read them.
    """

    today: str
    sites: int
    inputs: int
    rated_w: float
    never_checked: tuple[str, ...]
    failed: dict[str, str]
    loss_wh_per_day: float
    prices: Prices
    visits: tuple[VisitValue, ...]
    rounds: tuple[VisitGroup, ...]
    faults: tuple[FaultRow, ...]
    silent: tuple[Silent, ...]
    incomplete: dict[str, float]
    completeness: float | None
    offenders: tuple[Offender, ...]
    peers: tuple[PeerPosition, ...]
    batches: tuple[BatchPattern, ...]

    @property
    def needs_action(self) -> bool:
        return bool(self.visits or self.failed or self.silent)

    @property
    def headline(self) -> str:
        """The fleet in one sentence."""
        if not self.sites:
            return "No sites yet."
        if not self.visits:
            first = f"No visit is due on {figures.plural(self.sites, 'site')}"
        else:
            pays = sum(v.per_visit >= 1 for v in self.visits)
            want = "wants" if len(self.visits) == 1 else "want"
            of = figures.plural(self.sites, "site")
            first = f"{len(self.visits)} of {of} {want} a visit, {pays} would pay for it"
        more = []
        if self.silent:
            more.append(f"{len(self.silent)} {'is' if len(self.silent) == 1 else 'are'} silent")
        if self.failed:
            more.append(f"{figures.plural(len(self.failed), 'check')} failed")
        return f"{first}; {' and '.join(more)}." if more else f"{first}."

    def to_json(self) -> dict[str, Any]:
        return asdict(self)


def overview(
    summaries: Sequence[SiteSummary],
    now: datetime,
    *,
    prices: Prices = DEFAULT_PRICES,
    span_km: float = DEFAULT_SPAN_KM,
) -> FleetOverview:
    """Put the summaries of a fleet together.

    Parameters
    ----------
    summaries : of every site.
    now : aware time the fleet is judged from.
    prices : what to reckon with where a site file is silent.
    span_km : greatest distance between two sites of one round.
    """
    today = now.astimezone(UTC).date().isoformat()
    rounds, visits = visit_groups(visit_values(summaries, prices), summaries, span_km)
    known = [s.completeness for s in summaries if s.completeness is not None]
    low = sorted(
        (s.completeness, s.site_id) for s in summaries if s.completeness is not None and s.completeness < LOW_COMPLETENESS.value
    )
    return FleetOverview(
        today=today,
        sites=len(summaries),
        inputs=sum(s.inputs for s in summaries),
        rated_w=sum(s.rated_w for s in summaries),
        never_checked=tuple(s.site_id for s in summaries if not s.night and not s.error),
        failed={s.site_id: s.error for s in summaries if s.error},
        loss_wh_per_day=round(sum(s.lost_wh_per_day for s in summaries), 1),
        prices=prices,
        visits=tuple(visits),
        rounds=tuple(rounds),
        faults=tuple(fault_rows(summaries, today)),
        silent=tuple(silent_sites(summaries, now)),
        incomplete={site: value for value, site in low},
        completeness=sum(known) / len(known) if known else None,
        offenders=tuple(offenders(summaries, _before(today, REPEAT_WINDOW.value))),
        peers=tuple(peer_positions(summaries, today)),
        batches=tuple(batch_patterns(summaries, since=_before(today, BATCH_WINDOW.value))),
    )


def fault_rows(summaries: Sequence[SiteSummary], today: str) -> list[FaultRow]:
    """One row per fault that stands, the costliest first."""
    live: dict[str, list[tuple[SiteSummary, FindingBrief]]] = defaultdict(list)
    for s in summaries:
        for f in s.findings:
            if f.live:
                live[f.fault].append((s, f))
    rows = [
        FaultRow(
            fault=fault,
            live=len(pairs),
            sites=len({s.site_id for s, _ in pairs}),
            loss_wh_per_day=round(sum(f.loss_wh_per_day for _, f in pairs), 1),
            median_days_open=int(median(max(days_between(f.first_seen, today), 0) for _, f in pairs)),
            by_age=_counts(age_band(s.commissioned, today) or "age unknown" for s, _ in pairs),
            by_inverter=_counts(f.inverter or "no single model" for _, f in pairs),
            loss_unknown=any(f.loss_unknown for _, f in pairs),
        )
        for fault, pairs in live.items()
    ]
    return sorted(rows, key=lambda r: (-r.loss_wh_per_day, r.fault))


def silent_sites(summaries: Sequence[SiteSummary], now: datetime) -> list[Silent]:
    """Sites from which nothing came for :data:`SILENT_AFTER`, the longest silence first."""
    rows: list[tuple[float, Silent]] = []
    for s in summaries:
        if s.last_sample is None:
            rows.append((float("-inf"), Silent(s.site_id, s.name, "", None)))
            continue
        hours = (now.timestamp() - s.last_sample) / 3600
        if hours > SILENT_AFTER.value:
            when = datetime.fromtimestamp(s.last_sample, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
            local = figures.clock(s.last_sample, ZoneInfo(s.timezone))
            rows.append((s.last_sample, Silent(s.site_id, s.name, when, round(hours, 1), local)))
    return [row for _, row in sorted(rows, key=lambda r: (r[0], r[1].site_id))]


def offenders(summaries: Sequence[SiteSummary], since: str) -> list[Offender]:
    """Places with at least :data:`REPEAT_COUNT` faults or returns since a date, the worst first."""
    rows: list[Offender] = []
    for s in summaries:
        places: dict[str, list[FindingBrief]] = defaultdict(list)
        for f in s.findings:
            if f.last_seen >= since and f.action != "none":
                places[f"unit {f.unit}" if f.unit else f.place].append(f)
        for place, found in places.items():
            returns = sum(f.returns for f in found)
            # Two inputs of one unit failing on one day is one event, not two.
            events = len({f.first_seen for f in found}) + returns
            if events >= REPEAT_COUNT.value:
                names = tuple(sorted({f.fault for f in found}))
                rows.append(Offender(s.site_id, place, events, returns, names))
    return sorted(rows, key=lambda r: (-r.events, r.site_id, r.place))


def _counts(names: Any) -> dict[str, int]:
    return dict(Counter(names).most_common())


def _before(today: str, days: float) -> str:
    return (date.fromisoformat(today) - timedelta(days=days)).isoformat()
