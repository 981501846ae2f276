"""What a rule gives: suspicions with their days and cost, and where it could not judge."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

from rules.finding import Alternative
from rules.ranks import Floats, Mask

#: The sentence and the evidence of some of a candidate's days, [D].
Teller = Callable[[Mask], tuple[str, dict[str, Any]]]


@dataclass
class Candidate:
    """A rule's suspicion, before causes are weighed against each other.

    ``inputs`` are positions in ``site.inputs``; ``days`` is bool[D], the days on
    which the symptom was seen; ``loss_wh`` is [D]. ``strength`` 0 to 1 is the
    rule's own raw certainty, calibrated later.
    """

    fault: str
    scope: str
    inputs: tuple[int, ...]
    days: Mask
    loss_wh: Floats
    strength: float
    why: str
    evidence: dict[str, Any] = field(default_factory=dict)
    alternatives: tuple[Alternative, ...] = ()
    plane: str | None = None
    lasting: bool = False
    #: Causes that leave this symptom to be explained: rain takes no shade away.
    despite: tuple[str, ...] = ()
    #: ``why`` and ``evidence`` of some of the days, [D]: a spell is told by its own hours and days, not by those of all.
    tell: Teller | None = None

    def worded(self, before: str = "", after: str = "", without: str = "", **evidence: Any) -> Candidate:
        """The same with text before and after its sentence, ``without`` a phrase of it, and more evidence, on whatever days."""
        inner = self.tell

        def tell(days: Mask) -> tuple[str, dict[str, Any]]:
            assert inner is not None
            why, numbers = inner(days)
            return f"{before}{why.replace(without, '')}{after}", {**numbers, **evidence}

        return replace(
            self,
            why=f"{before}{self.why.replace(without, '')}{after}",
            evidence={**self.evidence, **evidence},
            tell=None if inner is None else tell,
        )


def by_days(text: str, evidence: dict[str, Any] | None = None) -> Teller:
    """A sentence in which only the number of days, ``{days}``, is a spell's own."""

    def tell(days: Mask) -> tuple[str, dict[str, Any]]:
        return text.replace("{days}", str(int(days.sum()))), dict(evidence or {})

    return tell


def suspect(tell: Teller, *, days: Mask, **rest: Any) -> Candidate:
    """A candidate whose sentence and evidence are what ``tell`` says of its days."""
    why, evidence = tell(days)
    return Candidate(days=days, why=why, evidence=evidence, tell=tell, **rest)


@dataclass(frozen=True)
class Unjudged:
    """Days on which a rule lacked what it needs, for one input (None: all)."""

    input: int | None
    fault: str
    reason: str
    days: int


@dataclass
class RuleResult:
    candidates: list[Candidate] = field(default_factory=list)
    unjudged: list[Unjudged] = field(default_factory=list)
