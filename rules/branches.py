"""What the units of one AC branch share: a breaker, a cable, a piece of the bus.

The finding form knows no branch, so each unit keeps its own finding; all of them
then name the branch as the common cause, and what to look at before any roof.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from rules.candidate import Candidate
from rules.case import Case
from rules.days import alike_days
from rules.finding import Threshold

ALIKE = Threshold(0.7, "of days", "own reasoning: units behind one breaker stop and start on the same days")
NEARLY_ALL = Threshold(0.9, "of the branch's units", "own reasoning: one of ten may have been down before")
#: Faults of single units that a branch can have as a whole, what it then shares, and what would tell.
_SHARED: Final[dict[str, tuple[str, str]]] = {
    "unit-standby": ("its breaker and cable", "Voltage at the branch's breaker, load side: none means the breaker or the supply."),
    "unit-silent": ("its breaker, its cable and its piece of the bus",
                    "Whether the branch's breaker is on; then the first unit of the branch on the bus."),
    "patchy-comms": ("its piece of the bus, or a source of noise on it",
                     "Termination and the first joint of the branch's bus cable, or what is switched nearby when rows are lost."),
    "restart-cycling": ("its breaker, its joints and its cable", "Voltage at the end of the branch while the units start."),
    "grid-out-of-range": ("its cable, along which the voltage rises with the power",
                          "Voltage at the board and at the branch's end at noon."),
}  # fmt: skip


def on_branches(case: Case, candidates: Sequence[Candidate]) -> list[Candidate]:
    """The same candidates; those that all units of a branch share, and not all of the site, name it as the common cause."""
    names = [unit.branch for unit in case.site.units]
    out = list(candidates)
    for name in dict.fromkeys(n for n in names if n):
        units = [u for u, n in enumerate(names) if n == name]
        if len(units) < 2 or len(units) == len(names):
            continue
        for fault in _SHARED:
            at = [k for k, c in enumerate(out) if c.fault == fault and c.scope == "unit" and _unit(case, c) in units]
            for lead in list(at):
                alike = [k for k in at if alike_days(out[lead].days, out[k].days) >= ALIKE.value]
                shared = dict.fromkeys(_unit(case, out[k]) for k in alike)  # one may have several causes on those days
                if len(shared) < max(2.0, NEARLY_ALL.value * len(units)):
                    continue
                serials = [case.site.units[u].serial for u in shared]
                for k in alike:
                    out[k] = _named(out[k], fault, name, serials)
                at = [k for k in at if k not in alike]
    return out


def _unit(case: Case, candidate: Candidate) -> int:
    return int(case.unit_of[candidate.inputs[0]])


def _named(candidate: Candidate, fault: str, name: str, serials: list[str]) -> Candidate:
    shares, tell = _SHARED[fault]
    return candidate.worded(
        after=f" {len(serials)} units of branch {name} are alike: look at what the branch shares, {shares}, first.",
        common_cause={"level": "branch", "name": name, "units": serials, "tell_apart": tell},
    )


__all__ = ["on_branches"]
