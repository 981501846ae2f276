"""The answer of one site: go, don't go, and why; for the phone, the report and the morning page."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields
from datetime import date
from typing import Any, Final, Literal

from collectors.site import SiteFacts
from rules.finding import ACTIONS, Finding, NotJudged
from triage.figures import day_text, money, plural, with_money
from triage.wording import cautions, gather, wording

#: ``unknown``: nothing found because nothing could be seen.
Verdict = Literal["go", "desk", "watch", "fine", "unknown"]

VERDICT_WORDS: Final[dict[Verdict, str]] = {
    "go": "Go",
    "desk": "Don't go yet",
    "watch": "Don't go",
    "fine": "Don't go",
    "unknown": "Can't tell",
}
VERDICT_SYMBOLS: Final[dict[Verdict, str]] = {
    "go": "▲",
    "desk": "◆",
    "watch": "●",
    "fine": "✓",
    "unknown": "?",
}
#: A caller asks about now: data that ended longer ago than this say nothing of it (own choice).
STALE_DAYS: Final = 2


@dataclass(frozen=True)
class Answer:
    """What to say on the phone about one site.

    ``ask``, ``remote``, ``parts`` and ``tools`` are over the findings that need
    action; ``reasons`` gives one sentence per live finding, most urgent first.
    """

    site: str
    name: str
    verdict: Verdict
    headline: str
    since: str | None
    data_to: str
    loss_wh_per_day: float
    loss_wh_total: float
    worth: str
    age_note: str
    reasons: tuple[str, ...]
    ask: tuple[str, ...]
    remote: tuple[str, ...]
    parts: tuple[str, ...]
    tools: tuple[str, ...]
    cautions: tuple[str, ...]
    unjudged: tuple[str, ...]

    @property
    def word(self) -> str:
        return VERDICT_WORDS[self.verdict]

    @property
    def symbol(self) -> str:
        return VERDICT_SYMBOLS[self.verdict]

    def to_json(self) -> dict[str, Any]:
        plain = {f.name: getattr(self, f.name) for f in fields(self)}
        return {key: list(value) if isinstance(value, tuple) else value for key, value in plain.items()}


def answer_of(
    facts: SiteFacts,
    findings: Iterable[Finding],
    not_judged: Sequence[NotJudged] = (),
    *,
    from_day: str,
    to_day: str,
    today: str | None = None,
) -> Answer:
    """The answer from the findings that are live.

    Parameters
    ----------
    facts : the site.
    findings : live findings; those that are over stay out.
    not_judged : what the check could not judge.
    from_day, to_day : first and last solar day with data, ISO; empty without any.
    today : ISO date to hold the age of the data against; None leaves age out.
    """
    live = sorted(findings, key=lambda f: (ACTIONS.index(f.action), -f.loss_wh_per_day))
    act = [f for f in live if f.action in ("visit", "remote")]
    age = (date.fromisoformat(today) - date.fromisoformat(to_day)).days if today and to_day else 0
    verdict, headline = _headline(live, not_judged, from_day, to_day, age)
    losing = [f for f in live if f.action != "none"]
    per_day = sum(f.loss_wh_per_day for f in losing)
    chosen = act or live
    return Answer(
        site=facts.id,
        name=facts.name or facts.id,
        verdict=verdict,
        headline=headline,
        since=min((f.first_seen for f in act or losing), default=None),
        data_to=to_day,
        loss_wh_per_day=per_day,
        loss_wh_total=sum(f.loss_wh_total for f in losing),
        worth=_worth(facts, per_day),
        age_note=_age_note(to_day, age) if act else "",  # else the headline says it
        reasons=tuple(reason(f) for f in live),
        ask=gather(chosen, "ask"),
        remote=gather(chosen, "remote"),
        parts=gather((f for f in act if f.action == "visit"), "parts"),
        tools=gather((f for f in act if f.action == "visit"), "tools"),
        cautions=cautions(live),
        unjudged=unjudged_lines(not_judged),
    )


def reason(finding: Finding) -> str:
    """One finding in one line: what, where, since when, why."""
    words = wording(finding.fault)
    return f"{words.short}, {finding.place}, since {day_text(finding.first_seen)}: {finding.why}"


def unjudged_lines(not_judged: Sequence[NotJudged]) -> tuple[str, ...]:
    """What could not be judged, like cases gathered: ``shading, 12 inputs: overcast (3 days)``."""
    groups: dict[tuple[str, str], list[NotJudged]] = {}
    for item in not_judged:
        groups.setdefault((item.fault, item.reason), []).append(item)
    lines = []
    for (fault, why), items in groups.items():
        places = dict.fromkeys(_place(item) for item in items)
        where = ", ".join(places) if len(places) <= 3 else f"{len(places)} places"
        few, most = min(i.days for i in items), max(i.days for i in items)
        days = plural(most, "day") if few == most else f"{few} to {plural(most, 'day')}"
        lines.append(f"{wording(fault).short}, {where}: {why} ({days})")
    return tuple(lines)


def _place(item: NotJudged) -> str:
    if item.unit is None:
        return "whole site"
    return f"unit {item.unit}" if item.input is None else f"{item.unit}/{item.input}"


def _headline(
    live: Sequence[Finding], not_judged: Sequence[NotJudged], from_day: str, to_day: str, age: int
) -> tuple[Verdict, str]:
    visit = [f for f in live if f.action == "visit"]
    remote = [f for f in live if f.action == "remote"]
    watch = [f for f in live if f.action == "watch"]
    if visit:
        also = f" {plural(len(remote), 'more finding')} to try from the desk first." if remote else ""
        return "go", f"Go: {_names(visit)}.{also}"
    if remote:
        return "desk", f"Don't go yet, try from the desk first: {_names(remote)}."
    if not to_day:
        return "unknown", "Can't tell: there are no readings yet."
    if age > STALE_DAYS:
        return "unknown", f"Can't tell: the data end on {day_text(to_day)}, {plural(age, 'day')} ago."
    span = (date.fromisoformat(to_day) - date.fromisoformat(from_day)).days + 1
    blind = [n for n in not_judged if n.unit is None and n.days >= span]
    if not live and blind:
        return "unknown", f"Can't tell: {blind[0].reason}."
    if watch:
        return "watch", f"Don't go, keep watching: {_names(watch)}."
    if live:
        return "fine", f"Don't go: nothing to do. For information: {_names(live)}."
    return "fine", f"Don't go: no fault found up to {day_text(to_day)}."


def _age_note(to_day: str, age: int) -> str:
    if age <= STALE_DAYS:
        return ""
    return f"The data end on {day_text(to_day)}, {plural(age, 'day')} ago: what came after is unknown."


def _names(findings: Sequence[Finding]) -> str:
    """``dead input (B2/1); shade (A1/1, A1/2 and 3 more)``."""
    groups: dict[str, list[str]] = {}
    for finding in findings:
        groups.setdefault(wording(finding.fault).short, []).append(finding.place)
    parts = []
    for title, places in groups.items():
        shown = ", ".join(places[:3]) + (f" and {len(places) - 3} more" if len(places) > 3 else "")
        parts.append(f"{title[0].lower()}{title[1:]} ({shown})")
    return "; ".join(parts)


def _worth(facts: SiteFacts, per_day: float) -> str:
    """What the loss is worth, and how soon it equals a visit."""
    if per_day <= 0:
        return ""
    text = f"{with_money(per_day, facts, 'a day')} is being lost"
    daily = per_day / 1e3 * (facts.tariff_per_kwh or 0.0)
    if facts.visit_cost and daily > 0:
        days = facts.visit_cost / daily
        cost = f"{facts.visit_cost:.0f} {facts.currency}".rstrip()
        text += f"; a visit ({cost}) equals {plural(max(1, round(days)), 'day')} of it"
    elif facts.tariff_per_kwh is not None:
        text += f", {money(365 * per_day, facts)} in a year at this rate"
    return text + "."
