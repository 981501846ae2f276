"""Whether a symptom that was not seen is gone, hidden, or just not judged.

A finding is over only when its place was judged without the symptom: missing
data resolves nothing. How many quiet days that takes is :data:`QUIET_DAYS`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from typing import Any, Final, Protocol

from collectors.site import SiteDescription
from rules.finding import Finding, NotJudged
from triage.figures import day_text, plural
from triage.wording import unjudged_words

#: Days without the symptom after which the engine calls a finding over, by fault
#: (own choice, tried by replaying the samples night by night): a dead input that
#: produces is mended at once, shade needs clear days to show, a bad radio link has
#: good days in between, whether a record fits its plane is seen on clear days only,
#: and a limit is met on cool bright days only.
QUIET_DAYS: Final[dict[str, int]] = {
    **dict.fromkeys(("shading", "soiling", "substring-loss", "weak-input"), 3),
    **dict.fromkeys(("patchy-comms", "restart-cycling", "grid-out-of-range", "curtailment", "hot-derating"), 7),
    "clock-shift": 7,
    "swapped-record": 14,
    "clipping": 30,
}
_DEFAULT_QUIET_DAYS: Final = 1

#: Spells of one fault at one place with at most so many days between are one (own choice:
#: a fortnight without a clear day is common in winter).
SPELL_GAP_DAYS: Final = 14

#: What is first seen so soon after the first day looked at may have begun before it (own choice).
EDGE_DAYS: Final = 10

#: While one of these stands over a place, nothing beneath it can be judged.
_MASKING: Final = frozenset({"gateway-silent", "site-outage", "unit-silent", "unit-standby", "grid-out-of-range", "snow"})


#: Nothing arrives from a place under one of these, of whatever kind its own trouble is.
_SILENT: Final = frozenset({"gateway-silent", "unit-silent"})
#: Under one of these no input shows what ails it, all day long; a grid out of range leaves most hours to see by.
_BLINDING: Final = _MASKING - {"grid-out-of-range"}


class Judged(Protocol):
    """What :meth:`Ledger.record` needs of a check's result."""

    @property
    def from_day(self) -> str: ...
    @property
    def to_day(self) -> str: ...
    @property
    def bounded(self) -> bool: ...
    @property
    def findings(self) -> Sequence[Finding]: ...
    @property
    def not_judged(self) -> Sequence[NotJudged]: ...


class Absence:
    """Whether a symptom not seen is gone, hidden or just not judged."""

    def __init__(self, site: SiteDescription, result: Judged, until: str) -> None:
        self._site, self._result, self.until = site, result, until
        self.from_day = result.from_day

    def gone(self, finding: Finding) -> bool:
        """Quiet long enough, and on at least one of those days its place was judged."""
        quiet = (date.fromisoformat(self.until) - date.fromisoformat(finding.last_seen)).days
        if quiet - len(self._covered(finding)) < QUIET_DAYS.get(finding.fault, _DEFAULT_QUIET_DAYS):
            return False
        # A result counts the days not judged without naming them: only more
        # quiet days than those prove that one of them was judged.
        return self._days_not_judged(finding) < quiet

    def hidden(self, finding: Finding) -> bool:
        """A wider fault that began later stands over the place now."""
        return any(f.fault in _MASKING and f.last_seen >= self.until and self._contains(f, finding) for f in self._result.findings)

    def heir(self, finding: Finding) -> Finding | None:
        """Another fault that now explains the whole of this one, at its place or a wider one."""
        for f in self._result.findings:
            if f.fault == finding.fault or f.last_seen < finding.last_seen:
                continue
            same = place_of(f) == place_of(finding)
            if f.first_seen <= finding.first_seen and (same or self._contains(f, finding)):
                return f
        return None

    def unlisted(self, finding: Finding) -> bool:
        """Its place stands in the site file no more: a unit taken down or replaced, a plane under another name."""
        return not self._members(finding)

    def out_of_sight(self, finding: Finding) -> bool:
        """It began before the days looked at, and more is on record: not seeing it ends nothing."""
        return self._result.bounded and finding.first_seen < self.from_day

    def waits(self, finding: Finding, unseen: Sequence[Finding]) -> bool:
        """A new finding without a beginning in sight, where one that is out of sight stands: a longer look tells."""
        edge = date.fromisoformat(self.from_day) + timedelta(days=EDGE_DAYS)
        if not self._result.bounded or finding.first_seen > edge.isoformat():
            return False
        members = self._members(finding)
        return any(members & self._members(f) for f in unseen)

    def _covered(self, finding: Finding) -> set[str]:
        """Days (ISO) since it was last seen on which nothing of its place could be seen, by a wider fault.

        A silence is judged, so it counts as no day without judgement; of what lies beneath it says nothing.
        """
        own = self._members(finding)
        days: set[str] = set()
        for f in self._result.findings:
            silent = f.fault in _SILENT and finding.fault not in _SILENT and own <= self._members(f)
            if silent or (f.fault in _BLINDING and self._contains(f, finding)):
                days |= set(f.evidence.get("dates", ())) or _span(f)
        return {day for day in days if finding.last_seen < day <= self.until}

    def _members(self, finding: Finding) -> frozenset[int]:
        """Columns of the inputs a finding speaks of."""
        return frozenset(
            ref.index
            for ref in self._site.inputs
            if (finding.unit is None or ref.unit == finding.unit)
            and (finding.input is None or ref.input == finding.input)
            and (finding.unit or finding.gateway is None or ref.gateway == finding.gateway)
            and (finding.unit or not finding.plane or ref.plane in ("", finding.plane))
        )

    def _contains(self, wider: Finding, finding: Finding) -> bool:
        own = self._members(finding)
        return wider.input is None and bool(own) and own < self._members(wider)

    def _days_not_judged(self, finding: Finding) -> int:
        """Most days on which no member of the place could be judged for this fault."""
        members = self._members(finding)
        days: dict[int, int] = dict.fromkeys(members, 0)
        whole = 0
        for item in self._result.not_judged:
            if item.fault not in ("", "*", "all", finding.fault) or item.reason in unjudged_words().partly:
                continue
            if item.unit is None:
                whole = max(whole, item.days)
                continue
            for ref in self._site.inputs:
                if ref.index in members and ref.unit == item.unit and item.input in (None, ref.input):
                    days[ref.index] = max(days[ref.index], item.days)
        return max(whole, min(days.values(), default=0))


def _span(finding: Finding) -> set[str]:
    """Every day (ISO) from the first to the last it was seen."""
    first, last = date.fromisoformat(finding.first_seen), date.fromisoformat(finding.last_seen)
    return {(first + timedelta(days=n)).isoformat() for n in range((last - first).days + 1)}


def place_of(finding: Finding) -> tuple[Any, ...]:
    """The place that stays the same when a site file renames a plane or gateway above it."""
    if finding.unit is not None:
        return (None, finding.unit, finding.input, None)
    return (finding.gateway, None, None, finding.plane)


def joined(spells: Sequence[Finding]) -> Finding:
    """Several spells of one fault at one place as one finding: the newest, as long as the gaps are short."""
    newest, *older = sorted(spells, key=lambda f: f.last_seen, reverse=True)
    of_newest = newest.days
    for spell in older:
        gap = date.fromisoformat(newest.first_seen) - date.fromisoformat(spell.last_seen)
        if gap.days > SPELL_GAP_DAYS:
            break
        newest = replace(
            newest,
            first_seen=min(newest.first_seen, spell.first_seen),
            days=newest.days + spell.days,
            loss_wh_total=newest.loss_wh_total + spell.loss_wh_total,
        )
    if newest.days == of_newest:
        return newest
    # The sentence tells the newest spell by its own hours and days.
    before = f"It was there before, on {plural(newest.days - of_newest, 'day')} since {day_text(newest.first_seen)}."
    return replace(newest, why=f"{newest.why} {before}")


def over(result: Judged, site: SiteDescription) -> list[bool]:
    """Of each finding of a result, whether it had ended by the result's last day."""
    absence = Absence(site, result, result.to_day)
    return [absence.gone(finding) for finding in result.findings]


def carried(before: Finding, now: Finding, from_day: str) -> Finding:
    """A standing finding of which only the days from ``from_day`` (ISO) on were looked at, whole again.

    What it lost before is kept; each day seen since counts with the loss per
    day of the days looked at. That what shades it grows shows over seasons only:
    where a longer look said so, its words stand until the next one.
    """
    if before.evidence.get("kind") == "growing" != now.evidence.get("kind"):
        now = replace(now, why=before.why, evidence={**before.evidence, "dates": now.evidence.get("dates", [])})
    dates = [day for day in now.evidence.get("dates", ()) if day >= from_day]
    fresh = sum(day > before.last_seen for day in dates)
    older = [day for day in before.evidence.get("dates", ()) if day < from_day]
    evidence = {**now.evidence, "dates": [*older, *dates]} if dates else now.evidence
    return replace(
        now,
        first_seen=before.first_seen,
        days=max(now.days, before.days + fresh),
        loss_wh_total=max(now.loss_wh_total, before.loss_wh_total + fresh * now.loss_wh_per_day),
        evidence=evidence,
    )
