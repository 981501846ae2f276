"""What a rule gives: suspicions with their days and cost, and where it could not judge."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from rules.finding import Alternative
from rules.ranks import Floats, Mask


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
