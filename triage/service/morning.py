"""The morning as plain data: what changed overnight and who must go. Page, command and digest read it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final, Literal
from zoneinfo import ZoneInfo

from rules.finding import ACTIONS
from triage.answer import STALE_DAYS
from triage.figures import day_text, energy, plural
from triage.fleet.summary import FindingBrief, SiteSummary
from triage.service.state import ServiceState
from triage.wording import wording

Urgency = Literal["visit", "remote", "watch", "trouble", "inhand", "quiet"]

#: Sections of the morning in the order they are read: heading and what it asks.
SECTIONS: Final[dict[Urgency, tuple[str, str]]] = {
    "visit": ("Go", "Someone has to drive out. Dearest first."),
    "remote": ("Try from the desk first", "A call or a switch may settle these before anyone drives."),
    "trouble": ("Could not be checked", "Silence is not health: see why, then check again."),
    "watch": ("Watch", "Not worth a drive yet, or not sure enough."),
    "inhand": ("In hand", "Acknowledged or snoozed; nothing new."),
    "quiet": ("Nothing wrong", "Checked, and nothing asks for you."),
}

_CHANGE_WORDS: Final = {
    "new": "new",
    "reopened": "back again",
    "resolved": "over",
    "woken": "snooze ended",
    "changed": "action changed",
}
_SEVERITY: Final = {"high": 0, "medium": 1, "low": 2, "info": 3}


@dataclass(frozen=True)
class MorningLine:
    """One site this morning.

    ``value_per_day`` is the live loss in the site's currency a day (None without a tariff);
    ``loss_wh_per_day`` the same in Wh; ``changes`` what the last night changed, in words;
    ``silent`` says of a finding's site that nothing came since, "" while readings come.
    """

    site: str
    name: str
    customer_ref: str
    region: str
    urgency: Urgency
    answer: str
    since: str
    loss_wh_per_day: float
    value_per_day: float | None
    currency: str
    severity: str
    more: int
    changes: tuple[str, ...]
    night: str
    timezone: str
    last_sample: int | None
    completeness: float | None
    silent: str = ""

    @property
    def worth(self) -> str:
        """What it costs a day, with its unit."""
        if self.value_per_day is not None:
            return f"{self.value_per_day:.2f} {self.currency}".rstrip() + " a day"
        return f"{energy(self.loss_wh_per_day)} a day"

    def to_json(self) -> dict[str, Any]:
        return {**vars(self), "changes": list(self.changes), "worth": self.worth}


@dataclass(frozen=True)
class Morning:
    """Every site, in the order in which to read them."""

    lines: tuple[MorningLine, ...]

    def section(self, urgency: Urgency) -> list[MorningLine]:
        return [line for line in self.lines if line.urgency == urgency]

    @property
    def changed(self) -> list[MorningLine]:
        return [line for line in self.lines if line.changes]

    @property
    def headline(self) -> str:
        """The whole morning in one sentence."""
        if not self.lines:
            return "No site yet."
        count = {key: len(self.section(key)) for key in SECTIONS}
        parts = []
        if count["visit"]:
            parts.append(f"{plural(count['visit'], 'roof')} to visit")
        if count["remote"]:
            parts.append(f"{count['remote']} to try from the desk")
        if count["trouble"]:
            parts.append(f"{count['trouble']} could not be checked")
        if not parts:
            quiet = "Nobody has to go."
            return quiet if not count["watch"] else f"{quiet} {plural(count['watch'], 'site')} to watch."
        rest = count["watch"] + count["inhand"] + count["quiet"]
        return f"{', '.join(parts)}; {rest} can wait." if rest else f"{', '.join(parts)}."

    def to_json(self) -> dict[str, Any]:
        return {"headline": self.headline, "sites": [line.to_json() for line in self.lines]}


def morning(summaries: Iterable[SiteSummary], news: dict[str, dict[int, list[str]]], now: float) -> Morning:
    """Put every site in its place.

    Parameters
    ----------
    now : UTC epoch seconds, to hold the age of the readings against.
    news : site -> finding number -> kinds of change of that site's last night (:func:`night_news`).
    """
    lines = [_line(s, news.get(s.site_id, {}), now) for s in summaries]
    order = {key: n for n, key in enumerate(SECTIONS)}
    lines.sort(
        key=lambda line: (
            order[line.urgency],
            _SEVERITY.get(line.severity, 9),
            -(line.value_per_day or 0.0),
            -line.loss_wh_per_day,
            line.site,
        )
    )
    return Morning(tuple(lines))


def night_news(state: ServiceState) -> dict[str, dict[int, list[str]]]:
    """What the newest night of each site changed."""
    with state.connect() as db:
        rows = db.execute(
            "SELECT n.site, n.finding, n.change FROM news n JOIN"
            " (SELECT site, MAX(day) AS day FROM night WHERE state = 'done' GROUP BY site) last"
            " ON last.site = n.site AND last.day = n.day"
        ).fetchall()
    found: dict[str, dict[int, list[str]]] = {}
    for site, finding, change in rows:
        found.setdefault(site, {}).setdefault(finding, []).append(change)
    return found


def _line(s: SiteSummary, news: dict[int, list[str]], now: float) -> MorningLine:
    live = s.live
    open_ = [f for f in live if f.status == "open" and f.action != "none"]
    urgency = _urgency(s, open_, live, now)
    first = _first(open_ or [f for f in live if f.action != "none"] or live)
    loss = sum(f.loss_wh_per_day for f in live if f.action != "none")
    return MorningLine(
        site=s.site_id,
        name=s.name or s.site_id,
        customer_ref=s.customer_ref,
        region=s.region,
        urgency=urgency,
        answer=_answer(s, first, urgency, now),
        since=first.first_seen if first and urgency not in ("trouble", "quiet") else "",
        loss_wh_per_day=loss,
        value_per_day=loss / 1000 * s.tariff_per_kwh if s.tariff_per_kwh is not None else None,
        currency=s.currency,
        severity=first.severity if first else "info",
        more=max(len([f for f in live if f.action != "none"]) - 1, 0),
        changes=tuple(_changes(s, news)),
        night=s.night,
        timezone=s.timezone,
        last_sample=s.last_sample,
        completeness=s.completeness,
        silent=f"no readings since {_last_day(s)}" if _stale(s, now) and urgency != "trouble" else "",
    )


def _urgency(s: SiteSummary, open_: Sequence[FindingBrief], live: Sequence[FindingBrief], now: float) -> Urgency:
    actions = {f.action for f in open_}
    if "visit" in actions:
        return "visit"
    if "remote" in actions:
        return "remote"
    if s.error or not s.night or s.last_sample is None or _stale(s, now):
        return "trouble"
    if "watch" in actions:
        return "watch"
    if any(f.status in ("acknowledged", "snoozed") and f.action != "none" for f in live):
        return "inhand"
    return "quiet"


def _stale(s: SiteSummary, now: float) -> bool:
    """Readings so old that they say nothing about today."""
    return s.last_sample is not None and now - s.last_sample > (STALE_DAYS + 1) * 86400


def _last_day(s: SiteSummary) -> str:
    """Day of the newest reading, by the clock at the site."""
    return day_text(datetime.fromtimestamp(s.last_sample or 0, ZoneInfo(s.timezone)).date().isoformat())


def _first(findings: Sequence[FindingBrief]) -> FindingBrief | None:
    return min(
        findings,
        key=lambda f: (ACTIONS.index(f.action), _SEVERITY.get(f.severity, 9), -f.loss_wh_per_day),
        default=None,
    )


def _answer(s: SiteSummary, first: FindingBrief | None, urgency: Urgency, now: float) -> str:
    if urgency == "trouble":
        if s.error:
            return f"The last check failed: {s.error.splitlines()[0]}"
        if s.last_sample is None:
            return "No readings yet. Import an export or drop one into the site's folder."
        if not s.night:
            return "Not checked yet; its first night has not come."
        days = plural(int((now - s.last_sample) // 86400), "day")
        return f"No readings for {days}; the last came on {_last_day(s)}."
    if urgency == "quiet" or first is None:
        blind = f" {plural(s.not_judged, 'question')} could not be judged." if s.not_judged else ""
        return f"Nothing found up to {day_text(s.to_day or s.night)}.{blind}"
    title = wording(first.fault).short
    # The sentence usually names the place itself.
    told = first.place.casefold() in first.why.casefold()
    return f"{title}: {first.why}" if told else f"{title} at {first.place}: {first.why}"


def _changes(s: SiteSummary, news: dict[int, list[str]]) -> list[str]:
    """What the night changed, like changes gathered: ``new: Shade (4 places)``."""
    by_id = {f.id: f for f in s.findings}
    groups: dict[tuple[str, str], list[str]] = {}
    for number, kinds in sorted(news.items()):
        f = by_id.get(str(number))
        if f is not None and f.action == "none":
            continue  # for information: nothing anyone has to hear of
        for kind in kinds:
            title = wording(f.fault).title if f else f"finding {number}"
            groups.setdefault((_CHANGE_WORDS.get(kind, kind), title), []).append(f.place if f else "")
    return [
        f"{kind}: {title}, {places[0]}" if len(places) == 1 else f"{kind}: {title} ({len(places)} places)"
        for (kind, title), places in groups.items()
    ]
