"""An electrical check's answer: formula, numbers, limit, margin, source, verdict, what to change."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, Literal

Verdict = Literal["pass", "near", "fail", "unknown"]
Scope = Literal["DC", "AC", "link"]

VERDICTS: Final[tuple[Verdict, ...]] = ("fail", "near", "unknown", "pass")

CAUTION: Final = (
    "Arithmetic on the numbers given, not a design approval: local codes, the network operator's rules "
    "and the makers' instructions prevail, and the work is for licensed persons. Check every limit against "
    "the document it names. Isolate AC first, lock and prove dead; treat modules and their cables as live "
    "in daylight."
)


@dataclass(frozen=True)
class Check:
    """One check.

    Parameters
    ----------
    id : slug, the same in table, JSON and page.
    place : what was checked, for people; ``members`` are the inputs, units or branches by label.
    formula : as text, with the symbols of ``numbers``.
    value, limit : in ``unit``; None when unknown or when there is nothing to compare.
    relation : "<=" when the value must stay below the limit, ">=" above.
    margin : room left as a share of the limit, negative when it is broken.
    source : where the limit or the formula comes from.
    note : what else a reader must know; ``change`` what to do when near or
        failing, or which key to give when unknown.
    """

    id: str
    title: str
    scope: Scope
    place: str
    verdict: Verdict
    formula: str
    numbers: Mapping[str, float | int | str]
    value: float | None
    limit: float | None
    relation: Literal["<=", ">=", ""]
    unit: str
    source: str
    margin: float | None = None
    note: str = ""
    change: str = ""
    members: Sequence[str] = ()

    def to_json(self) -> dict[str, Any]:
        return {
            "id": self.id,
            "title": self.title,
            "scope": self.scope,
            "place": self.place,
            "members": list(self.members),
            "verdict": self.verdict,
            "formula": self.formula,
            "numbers": {key: _plain(value) for key, value in self.numbers.items()},
            "value": _plain(self.value),
            "relation": self.relation,
            "limit": _plain(self.limit),
            "unit": self.unit,
            "margin": _plain(self.margin),
            "source": self.source,
            "note": self.note,
            "change": self.change,
        }


@dataclass(frozen=True)
class CompatResult:
    """All checks of one site file against one profile of limits."""

    site: str
    name: str
    profile: str
    profile_title: str
    profile_status: str
    checks: tuple[Check, ...]
    caution: str = CAUTION
    notes: tuple[str, ...] = field(default_factory=tuple)

    def counts(self) -> dict[Verdict, int]:
        return {v: sum(c.verdict == v for c in self.checks) for v in VERDICTS}

    @property
    def verdict(self) -> Verdict:
        """The worst of all checks."""
        return next((v for v in VERDICTS if self.counts()[v]), "unknown")

    def of(self, check_id: str) -> tuple[Check, ...]:
        return tuple(c for c in self.checks if c.id == check_id)

    def to_json(self) -> dict[str, Any]:
        return {
            "site": self.site,
            "name": self.name,
            "profile": self.profile,
            "profile_title": self.profile_title,
            "profile_status": self.profile_status,
            "verdict": self.verdict,
            "counts": self.counts(),
            "checks": [c.to_json() for c in self.checks],
            "notes": list(self.notes),
            "caution": self.caution,
        }


def judged(
    *,
    id: str,
    title: str,
    scope: Scope,
    place: str,
    members: Sequence[str],
    formula: str,
    numbers: Mapping[str, float | int | str],
    value: float,
    relation: Literal["<=", ">="],
    limit: float,
    unit: str,
    near: float,
    source: str,
    change: str,
    note: str = "",
    worst: Verdict = "fail",
) -> Check:
    """A check with its verdict.

    ``near`` is the margin, as a share of the limit, under which it is near.
    ``worst`` caps the verdict where breaking the limit costs energy, not safety.
    ``change`` is shown unless the check passes.
    """
    room = (limit - value) if relation == "<=" else (value - limit)
    # A limit of zero (no licence to exceed at all) has no share: any room is enough.
    margin = room / abs(limit) if limit else math.copysign(1.0, room) if room else 0.0
    # Floats: 50 x 1.2 is not over 60.
    broken = margin < -1e-9
    verdict: Verdict = "fail" if broken else "near" if margin < near - 1e-9 else "pass"
    if verdict == "fail" and worst == "near":
        verdict = "near"
    return Check(
        id=id,
        title=title,
        scope=scope,
        place=place,
        verdict=verdict,
        formula=formula,
        numbers=numbers,
        value=value,
        limit=limit,
        relation=relation,
        unit=unit,
        source=source,
        margin=margin,
        note=note,
        change="" if verdict == "pass" else change if broken else f"Little room. {change}",
        members=tuple(members),
    )


def unknown(
    *,
    id: str,
    title: str,
    scope: Scope,
    place: str,
    members: Sequence[str],
    missing: Sequence[str],
    formula: str = "",
    source: str = "",
    note: str = "",
) -> Check:
    """A check that could not be made, naming the keys that would allow it."""
    return Check(
        id=id,
        title=title,
        scope=scope,
        place=place,
        verdict="unknown",
        formula=formula,
        numbers={},
        value=None,
        limit=None,
        relation="",
        unit="",
        source=source,
        note=note,
        change=f"Give {', '.join(missing)}.",
        members=tuple(members),
    )


def _plain(value: float | int | str | None) -> float | int | str | None:
    """JSON has no infinity: what never happens is null."""
    if isinstance(value, float):
        return round(value, 4) if math.isfinite(value) else None
    return value
