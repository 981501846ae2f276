"""What the rules say: findings, and where they could not judge.

A finding's JSON form is a contract (DEVELOPERS.md, "Contracts"): keys may be
added, never renamed or removed.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, Literal

Action = Literal["visit", "remote", "watch", "none"]
Severity = Literal["high", "medium", "low", "info"]

ACTIONS: Final[tuple[Action, ...]] = ("visit", "remote", "watch", "none")
SEVERITIES: Final[tuple[Severity, ...]] = ("high", "medium", "low", "info")

#: Every fault slug by the scope at which it is usually found.
FAULT_SCOPES: Final[Mapping[str, str]] = {
    "gateway-silent": "gateway",
    "site-outage": "site",
    "grid-out-of-range": "site",
    "curtailment": "site",
    "unit-silent": "unit",
    "patchy-comms": "unit",
    "unit-standby": "unit",
    "restart-cycling": "unit",
    "hot-derating": "unit",
    "dead-input": "input",
    "idle-input": "input",
    "substring-loss": "input",
    "shading": "input",
    "soiling": "input",
    "snow": "input",
    "weak-input": "input",
    "swapped-record": "record",
    "frozen-readings": "record",
    "clock-shift": "record",
    "clipping": "information",
}


@dataclass(frozen=True)
class Threshold:
    """A number a rule depends on.

    Parameters
    ----------
    value : the number.
    unit : its unit, "ratio" or "1" when it has none.
    source : published (give table or equation), data sheet, common practice,
        or own data (give the sample and the command).
    """

    value: float
    unit: str
    source: str

    def __float__(self) -> float:
        return self.value


@dataclass(frozen=True)
class Alternative:
    """Another cause that would look alike, and the one observation that settles it.

    ``kin`` is what a site without the telling column cannot tell from the fault
    itself (dead from idle without a voltage): the finding's confidence is of both.
    """

    fault: str
    confidence: float
    tell_apart: str
    kin: bool = False


@dataclass(frozen=True)
class Finding:
    """A fault with a place, a time span, evidence, confidence, loss and an action.

    ``first_seen`` and ``last_seen`` are local solar days (ISO dates); ``days``
    counts the days between them on which the symptom was seen.  ``plane`` is
    the input's plane, or the plane that shares the symptom.  ``unit`` and
    ``input`` are None at a higher scope.  ``confidence`` is a calibrated
    probability; losses are in Wh at the input.
    """

    site: str
    fault: str
    first_seen: str
    last_seen: str
    days: int
    confidence: float
    severity: Severity
    loss_wh_per_day: float
    loss_wh_total: float
    action: Action
    why: str
    gateway: str | None = None
    unit: str | None = None
    input: int | None = None
    plane: str | None = None
    alternatives: Sequence[Alternative] = ()
    evidence: Mapping[str, Any] = field(default_factory=dict)

    @property
    def place(self) -> str:
        """Short text of where it is, for people."""
        if self.unit is not None and self.input is not None:
            return f"{self.unit}/{self.input}"
        if self.unit is not None:
            return f"unit {self.unit}"
        if self.plane is not None:
            return f"plane {self.plane}"
        if self.gateway is not None:
            return f"gateway {self.gateway}"
        return "site"

    @property
    def key(self) -> tuple[str, str | None, str | None, int | None, str | None]:
        """Identity across nights: the fault and its place."""
        return (self.fault, self.gateway, self.unit, self.input, self.plane)

    def to_json(self) -> dict[str, Any]:
        """The contract form, in the contract's order."""
        return {
            "site": self.site,
            "gateway": self.gateway,
            "unit": self.unit,
            "input": self.input,
            "plane": self.plane,
            "fault": self.fault,
            "first_seen": self.first_seen,
            "last_seen": self.last_seen,
            "days": self.days,
            "confidence": round(self.confidence, 3),
            "severity": self.severity,
            "loss_wh_per_day": round(self.loss_wh_per_day, 1),
            "loss_wh_total": round(self.loss_wh_total, 1),
            "action": self.action,
            "why": self.why,
            "alternatives": [
                {
                    "fault": a.fault,
                    "confidence": round(a.confidence, 3),
                    "tell_apart": a.tell_apart,
                }
                for a in self.alternatives
            ],
            "evidence": {key: _finite(value) for key, value in self.evidence.items()},
        }

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Finding:
        """Inverse of :meth:`to_json`; unknown keys are ignored."""
        known = {k: data[k] for k in cls.__dataclass_fields__ if k in data}
        known["alternatives"] = tuple(Alternative(a["fault"], a["confidence"], a["tell_apart"]) for a in data["alternatives"])
        return cls(**known)


def _finite(value: Any) -> Any:
    """JSON knows no NaN or infinity: unknown is null."""
    return None if isinstance(value, float) and not math.isfinite(value) else value


@dataclass(frozen=True)
class NotJudged:
    """Where a rule could not judge, and why; ``days`` counts the days."""

    unit: str | None
    input: int | None
    fault: str
    reason: str
    days: int

    def to_json(self) -> dict[str, Any]:
        return {
            "unit": self.unit,
            "input": self.input,
            "fault": self.fault,
            "reason": self.reason,
            "days": self.days,
        }
