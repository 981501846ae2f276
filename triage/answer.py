"""The answer of one site: go, don't go, and why; for the phone, the report and the morning page."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields
from datetime import date
from typing import Any, Final, Literal

from collectors.site import SiteFacts
from rules.finding import ACTIONS, Finding, NotJudged
from triage.figures import day_text, money, plural, with_money
from triage.telling import alike, amount, uncounted, where_of
from triage.wording import cautions, gather, lowered, unjudged_words, wording

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
    data_from: str
    data_to: str
    loss_wh_per_day: float
    loss_wh_total: float
    loss_unknown: bool
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
    inputs: int = 0,
) -> Answer:
    """The answer from the findings that are live.

    Parameters
    ----------
    facts : the site.
    findings : live findings; those that are over stay out.
    not_judged : what the check could not judge.
    from_day, to_day : first and last solar day with data, ISO; empty without any.
    today : ISO date to hold the age of the data against; None leaves age out.
    inputs : how many inputs the site has; 0 unknown.
    """
    live = sorted(findings, key=lambda f: (ACTIONS.index(f.action), -f.loss_wh_per_day))
    act = [f for f in live if f.action in ("visit", "remote")]
    age = (date.fromisoformat(today) - date.fromisoformat(to_day)).days if today and to_day else 0
    verdict, headline = _headline(live, not_judged, from_day, to_day, age, inputs)
    losing = [f for f in live if f.action != "none"]
    per_day = sum(f.loss_wh_per_day for f in losing)
    chosen = act or live
    return Answer(
        site=facts.id,
        name=facts.name or facts.id,
        verdict=verdict,
        headline=headline,
        since=min((f.first_seen for f in act or losing), default=None),
        data_from=from_day,
        data_to=to_day,
        loss_wh_per_day=per_day,
        loss_wh_total=sum(f.loss_wh_total for f in losing),
        loss_unknown=any(uncounted(f) for f in losing),
        worth=_worth(facts, per_day, sum(_yearly(f) for f in losing)),
        age_note=_age_note(to_day, age) if act else "",  # else the headline says it
        reasons=tuple(reason(f) for f in live),
        ask=gather(chosen, "ask"),
        remote=(*_shared_steps(chosen), *gather(chosen, "remote")),
        parts=gather((f for f in act if f.action == "visit"), "parts"),
        tools=gather((f for f in act if f.action == "visit"), "tools"),
        cautions=cautions(live),
        unjudged=unjudged_lines(not_judged, _span(from_day, to_day)),
    )


def lost_words(answer: Answer, facts: SiteFacts) -> str:
    """What has been lost so far, and whether more may have been."""
    return amount(answer.loss_wh_total, answer.loss_unknown, facts)


def _span(from_day: str, to_day: str) -> int:
    return (date.fromisoformat(to_day) - date.fromisoformat(from_day)).days + 1 if to_day else 0


def _shared_steps(findings: Sequence[Finding]) -> tuple[str, ...]:
    """What to look at first where all units of a branch are alike."""
    causes = [f.evidence["common_cause"] for f in findings if f.evidence.get("common_cause")]
    return tuple(dict.fromkeys(f"Branch {c['name']}, {len(c['units'])} units alike: {c['tell_apart']}" for c in causes))


def reason(finding: Finding) -> str:
    """One finding in one line: what, where, since when, why."""
    words = wording(finding.fault)
    return f"{words.short}, {finding.place}, since {day_text(finding.first_seen)}: {finding.why}"


def unjudged_lines(not_judged: Sequence[NotJudged], span: int = 0) -> tuple[str, ...]:
    """What could not be judged, like cases gathered, each with what would help.

    ``Shade, snow, 12 inputs: overcast (20 of 30 days). Wait for clear days.``  What
    was only too dim, or too thin, on less than half of the days goes into one line at the end.

    Parameters
    ----------
    span : days of the record; 0 unknown.
    """
    kept: dict[tuple[str, str], list[NotJudged]] = {}
    passing: list[NotJudged] = []
    for item in not_judged:
        if span and item.days < 0.5 * span and item.reason in unjudged_words().passing:
            passing.append(item)
        else:
            kept.setdefault((item.reason, item.fault), []).append(item)
    lines: dict[tuple[str, str, str], list[str]] = {}
    for (why, fault), items in kept.items():
        places = tuple(dict.fromkeys(_place(item) for item in items))
        where = ", ".join(places) if len(places) <= 3 else f"{len(places)} {_kind(items)}"
        few, most = (min(most, span or most) for most in (min(i.days for i in items), max(i.days for i in items)))
        count = f"{few} to {most}" if few != most else f"{most}"
        days = f"{count} of {span} days" if span > 1 else f"{count} day{'s' * (most > 1)}"
        days = f"all {span} days" if few == span > 1 else days
        lines.setdefault((where, why, days), []).append(wording(fault).short)
    told = [f"{_listed(faults)}, {where}: {why} ({days}){_help(why)}" for (where, why, days), faults in lines.items()]
    if passing:
        faults = _listed(list(dict.fromkeys(wording(item.fault).short for item in passing)))
        most = max(item.days for item in passing)
        told.append(f"On some days only (up to {most} of {span}), for want of light or rows: {lowered(faults)}.")
    return tuple(told)


def _listed(faults: Sequence[str]) -> str:
    """``Shade, clock is off``: the first with a capital."""
    return ", ".join(f if n == 0 else lowered(f) for n, f in enumerate(faults))


def _help(reason: str) -> str:
    words = unjudged_words().helps.get(reason, "")
    return f". {words}" if words else ""


def _kind(items: Sequence[NotJudged]) -> str:
    return "inputs" if all(item.input is not None for item in items) else "places"


def _place(item: NotJudged) -> str:
    if item.unit is None:
        return "whole site"
    return f"unit {item.unit}" if item.input is None else f"{item.unit}/{item.input}"


def _headline(
    live: Sequence[Finding], not_judged: Sequence[NotJudged], from_day: str, to_day: str, age: int, inputs: int
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
    if age < -STALE_DAYS:
        return "unknown", f"Can't tell: {_to_come(to_day)}."
    if age > STALE_DAYS:
        return "unknown", f"Can't tell: the data end on {day_text(to_day)}, {plural(age, 'day')} ago."
    span = _span(from_day, to_day)
    if not live and (blind := _blind(not_judged, span, inputs)):
        return "unknown", f"Can't tell: {blind}."
    if watch:
        return "watch", f"Don't go, keep watching: {_names(watch)}."
    if live:
        return "fine", f"Don't go: nothing to do. For information: {_names(live)}."
    partly = " in what could be judged" if any(n.days >= span for n in not_judged) else ""
    return "fine", f"Don't go: no fault found{partly} up to {day_text(to_day)}."


def _blind(not_judged: Sequence[NotJudged], span: int, inputs: int) -> str:
    """Why nothing at all could be seen; empty where something could.

    One rule that lacks its column says nothing of the others: a site is blind where all rules are, where no day had
    daylight in its record, or where nobody could say of most inputs whether they live.
    """
    for n in not_judged:
        if n.unit is None and n.days >= span and n.fault in ("", "*", "all", "gateway-silent"):
            return n.reason
    dark = [n for n in not_judged if n.fault == "dead-input" and n.input is not None and n.days >= span]
    return dark[0].reason if inputs and len({(n.unit, n.input) for n in dark}) > inputs / 2 else ""


def _age_note(to_day: str, age: int) -> str:
    if age < -STALE_DAYS:
        return f"Mind: {_to_come(to_day)}."
    if age <= STALE_DAYS:
        return ""
    return f"The data end on {day_text(to_day)}, {plural(age, 'day')} ago: what came after is unknown."


def _to_come(to_day: str) -> str:
    return f"the data end on {day_text(to_day)}, which is still to come: a date or a clock in the record is wrong"


def _names(findings: Sequence[Finding]) -> str:
    """``dead input (B2/1); unit silent (branch B2, 14 units); shade (A1/1, A1/2 and 3 more)``."""
    names: dict[str, list[str]] = {}
    for group in alike(findings, lambda f: f):
        places = [where_of(group)] if group[0].evidence.get("common_cause") else [f.place for f in group]
        names.setdefault(wording(group[0].fault).running, []).extend(places)
    parts = []
    for title, several in names.items():
        places = list(dict.fromkeys(several))
        shown = ", ".join(places[:3]) + (f" and {len(places) - 3} more" if len(places) > 3 else "")
        parts.append(f"{title} ({shown})")
    return "; ".join(parts)


def _yearly(finding: Finding) -> float:
    """Wh that a year of a finding costs: shade comes and goes with the sun's path, the rest is taken as it is."""
    kwh = finding.evidence.get("loss_year_kwh")
    return 365 * finding.loss_wh_per_day if kwh is None else 1000.0 * float(kwh)


def _worth(facts: SiteFacts, per_day: float, per_year: float) -> str:
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
        text += f", {money(per_year, facts)} in a year like this"
    return text + "."
