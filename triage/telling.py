"""How findings are told: one vocabulary and one rule of units for check, findings, call, sheets and pages.

A fault's own words are those of :mod:`triage.wording`, numbers those of :mod:`triage.figures`;
here is what a line about one finding, or about several alike, says with them.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from typing import Final, TypeVar

from collectors.site import SiteFacts
from rules.finding import Finding
from triage.figures import day_text, days_text, energy, percent, with_money
from triage.wording import ACTION_SHORT, wording

Item = TypeVar("Item")

#: More of one fault and action than this are told together, and so many of their places by name (own choice: a phone's screen).
FEW: Final = 4
PLACES: Final = 12
#: Columns of a table of findings in their order, and those of numbers among them.
COLUMNS: Final = ("do", "finding", "where", "since", "loss a day", "sure")
NUMBERS: Final = ("#", "days", "loss a day", "sure")
_NOT_KNOWN: Final = "not known yet"


def alike(items: Sequence[Item], of: Callable[[Item], Finding], few: int = FEW) -> list[list[Item]]:
    """Items in their order; those of one branch that began on one day stand together, a swapped pair, and many of a kind.

    Parameters
    ----------
    of : the finding of an item.
    few : so many of one fault and action still stand for themselves.
    """
    keys: list[tuple[str, str, str]] = []
    for item in items:
        f = of(item)
        shared, mate = f.evidence.get("common_cause"), f.evidence.get("partner")
        cause = shared["name"] if shared else " and ".join(sorted((f.place, mate))) if mate else ""
        keys.append((f.fault, cause, f.first_seen if shared else f.action))
    many = {key for key, count in Counter(keys).items() if count > few or key[1]}
    groups: dict[object, list[Item]] = {}
    for n, (key, item) in enumerate(zip(keys, items, strict=True)):
        groups.setdefault(key if key in many else n, []).append(item)
    return list(groups.values())


def where_of(group: Sequence[Finding]) -> str:
    """Where a group of :func:`alike` is: ``branch B2, 14 units``, ``24 inputs``, or the place of one."""
    if len(group) == 1:
        return group[0].place
    shared = group[0].evidence.get("common_cause")
    if shared:
        return f"branch {shared['name']}, {len(group)} units"
    if group[0].evidence.get("partner"):
        return f"{group[0].place} and {group[0].evidence['partner']}"
    kinds = {"input" if f.input is not None else "unit" if f.unit is not None else "place" for f in group}
    return f"{len(group)} {kinds.pop() if len(kinds) == 1 else 'place'}s"


def places_of(group: Sequence[Finding]) -> str:
    """The places of a group, the first :data:`PLACES` by name."""
    names = [f.place.removeprefix("unit ") for f in group]
    rest = len(names) - PLACES
    return ", ".join(names[:PLACES]) + (f" and {rest} more" if rest > 0 else "")


def since_words(since: str, data_from: str) -> str:
    """A first day; what was there on the first day of the record may be older."""
    return f"{day_text(since)} or earlier (the record begins then)" if since == data_from else day_text(since)


def uncounted(finding: Finding) -> bool:
    """A silence whose counters have not been read yet: it may have cost anything."""
    return finding.fault == "gateway-silent" and finding.evidence.get("counter_rise_wh") is None


def loss_words(group: Sequence[Finding], facts: SiteFacts | None = None, per: str = "a day") -> str:
    """What findings cost a day: ``1.2 kWh a day (0.36 EUR)``, ``none``, ``not known yet``.

    Parameters
    ----------
    facts : the site, to say what that is worth; None leaves its worth out.
    per : what follows the figure; empty in a column whose head says it.
    """
    each = f"{per} together" if per and len(group) > 1 else per
    return amount(sum(f.loss_wh_per_day for f in group), any(map(uncounted, group)), facts, each)


def total_words(group: Sequence[Finding], facts: SiteFacts | None = None) -> str:
    """What findings have cost so far, and whether more may have been lost."""
    return amount(sum(f.loss_wh_total for f in group), any(map(uncounted, group)), facts)


def amount(wh: float, unknown: bool, facts: SiteFacts | None = None, per: str = "") -> str:
    """Energy lost; ``unknown`` where it may be more than what was counted."""
    if abs(wh) < 0.5:
        return _NOT_KNOWN if unknown else "none"
    counted = with_money(wh, facts, per) if facts else f"{energy(wh)} {per}".rstrip()
    return f"{counted} and what is {_NOT_KNOWN}" if unknown else counted


def cells(group: Sequence[Finding], over: bool = False, everything: bool = False) -> tuple[str, ...]:
    """One line of a table of findings, by :data:`COLUMNS`.

    Parameters
    ----------
    over : nothing is left to do about it.
    everything : tell the whole time in which it was seen, rather than when it began.
    """
    first, start, last = group[0], min(f.first_seen for f in group), max(f.last_seen for f in group)
    return (
        "over" if over else ACTION_SHORT[first.action],
        wording(first.fault).short,
        where_of(group),
        days_text(start, last) if everything else day_text(start),
        loss_words(group, per=""),
        percent(first.confidence),
    )
