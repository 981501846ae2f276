"""Batch patterns: does one inverter or module model fail on more roofs than chance allows?

Units of one roof share its wiring, its storms and its installer, so ten dead
units on one roof are one observation, not ten: what is counted is roofs with
at least one such fault. A roof with more units of a model has more chances.
If every unit failed with the same probability ``q``, a roof with ``n`` units
shows at least one failure with probability ``1 - (1 - q)**n``; ``q`` is fitted
so that the whole fleet shows as many roofs as it does, and the number of
roofs of one model then follows a Poisson-binomial distribution (the binomial
when all roofs are of one size). ``p_value`` is its upper tail.

Many pairs of model and fault are looked at, and they depend on each other, so
p-values are corrected by Benjamini and Yekutieli (Annals of Statistics 29,
2001, theorem 1.3), which holds under any dependence. Looking again every
night is not corrected for: hence the strict :data:`MAX_Q`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rules.finding import Threshold
from triage.fleet.summary import SiteSummary

MAX_Q: Final = Threshold(0.01, "1", "own choice: one false batch alarm in a hundred raised")
MIN_ROOFS: Final = Threshold(3, "1", "own choice: two roofs are a coincidence whatever the p-value")

#: Faults that a make of hardware can bring along; shade and snow cannot.
HARDWARE_FAULTS: Final = (
    "dead-input",
    "idle-input",
    "substring-loss",
    "weak-input",
    "unit-silent",
    "unit-standby",
    "restart-cycling",
    "hot-derating",
    "patchy-comms",
)


@dataclass(frozen=True)
class BatchPattern:
    """One model that shows one fault on more roofs than its share.

    Attributes
    ----------
    kind : "inverter" or "module".
    roofs, roofs_with_model : roofs that show it, out of those that carry the model.
    expected : how many would by chance.
    p_value, q_value : before and after correction for the number of pairs looked at.
    """

    kind: str
    model: str
    fault: str
    roofs: int
    roofs_with_model: int
    expected: float
    p_value: float
    q_value: float
    sites: tuple[str, ...]


def batch_patterns(summaries: Sequence[SiteSummary], since: str = "", max_q: float = MAX_Q.value) -> list[BatchPattern]:
    """Patterns among findings, live or resolved, first seen on or after ``since`` (ISO date)."""
    looked: list[BatchPattern] = []
    for kind in ("inverter", "module"):
        for fault in HARDWARE_FAULTS:
            looked += _of_fault(summaries, kind, fault, since)
    if not looked:
        return []
    from scipy.stats import false_discovery_control

    q_values = false_discovery_control([p.p_value for p in looked], method="by")
    found = [BatchPattern(**{**vars(p), "q_value": float(q)}) for p, q in zip(looked, q_values, strict=True)]
    kept = [p for p in found if p.q_value <= max_q and p.roofs >= MIN_ROOFS.value]
    return sorted(kept, key=lambda p: p.q_value)


def _of_fault(summaries: Sequence[SiteSummary], kind: str, fault: str, since: str) -> Iterable[BatchPattern]:
    rows: list[tuple[str, str, int, bool]] = []
    for s in summaries:
        failed = {getattr(f, kind) for f in s.findings if f.fault == fault and f.first_seen >= since}
        counts = s.inverters if kind == "inverter" else s.modules
        rows += [(model, s.site_id, n, model in failed) for model, n in counts.items()]
    models = {model for model, *_ in rows}
    if len(models) < 2 or not any(hit for *_, hit in rows):
        return
    chance = roof_chances(np.array([n for _, _, n, _ in rows]), sum(hit for *_, hit in rows))
    for model in sorted(models):
        mine = np.array([m == model for m, *_ in rows])
        hits = tuple(site for m, site, _, hit in rows if hit and m == model)
        p_value = upper_tail(len(hits), chance[mine])
        yield BatchPattern(kind, model, fault, len(hits), int(mine.sum()), float(chance[mine].sum()), p_value, 1.0, hits)


def roof_chances(units: NDArray[np.int64], roofs_hit: int) -> NDArray[np.float64]:
    """Chance of each roof to show a fault, if all units were alike.

    Parameters
    ----------
    units : [R] units on each roof.
    roofs_hit : how many roofs show the fault.
    """
    if roofs_hit >= len(units):
        return np.ones(len(units))
    from scipy.optimize import brentq

    def shown(log_survival: float) -> float:
        return float(-np.expm1(units * log_survival).sum()) - roofs_hit

    # log(1 - q) between "surely fails" and "never fails".
    return np.asarray(-np.expm1(units * brentq(shown, -60.0, 0.0, xtol=1e-14)))


def upper_tail(hits: int, chances: NDArray[np.float64]) -> float:
    """Probability of at least ``hits`` successes among independent trials."""
    if hits == 0:
        return 1.0
    from scipy.stats import poisson_binom

    return float(np.clip(poisson_binom.sf(hits - 1, chances), 0.0, 1.0))
