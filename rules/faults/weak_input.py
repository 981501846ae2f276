"""weak-input: one input makes a steady share less than its siblings.

On the roof: a degraded or damaged module, a bad contact, wrong module, dirt
that no rain takes (lichen, droppings); same share at every hour and sun
position, day after day.

Looks at: the day's upper level of the ratio to siblings, for at least five
judged days. Columns: ``dc_power_w`` or what it can be derived from.

Looks the same: ``soiling`` (grows, resets with rain), ``shading`` (bound to sun
position), ``substring-loss`` (a third of the voltage gone), module spread (a
few per cent), ``clipping`` of siblings with bigger units (masked by level).
"""

from __future__ import annotations

import numpy as np

from rules.case import Candidate, Case, RuleResult, Unjudged
from rules.finding import Alternative, Threshold
from rules.levels import Levels, Segment, deficit_wh, relative_levels
from rules.siblings import middle

COLUMNS = ("dc_power_w",)
MIN_DEFICIT = Threshold(0.065, "ratio", "own reasoning: power tolerance and spread of 3 % (common practice) doubled")
SPREADS = Threshold(4.0, "robust spreads", "own reasoning: one healthy module in some thousands lies further out")
MIN_DAYS = Threshold(4, "judged days", "own reasoning: outlasts snow and a spell of odd weather")
MAX_SLOPE = Threshold(0.0015, "per day", "own reasoning: a steady level moves less than 4 % in a month")


def judge(case: Case) -> RuleResult:
    """Candidates for inputs with a steady deficit."""
    result = RuleResult()
    levels = relative_levels(case)
    for ref in case.inputs:
        n = ref.index
        unjudged = int((case.light_days & ~levels.judged[:, n]).sum())
        if unjudged:
            result.unjudged.append(Unjudged(n, "weak-input", "too little light or too few rows", unjudged))
        weak = [s for s in levels.segments[n] if _is_weak(s, levels, n)]
        if not weak or sum(len(s.days) for s in weak) < MIN_DAYS.value:
            continue
        days = np.zeros(case.day_count, bool)
        for s in weak:
            days[s.days] = True
        deficit = 1 - middle(levels.level[days, n])
        margin = (deficit - MIN_DEFICIT.value) / max(levels.noise[n], 0.01)
        flat = _evenness(case, n, days)
        result.candidates.append(
            Candidate(
                fault="weak-input",
                scope="input",
                inputs=(n,),
                days=days,
                loss_wh=deficit_wh(case, n, days),
                strength=float(np.clip(0.5 + 0.15 * margin, 0.3, 0.95)) * (0.5 + 0.5 * flat)
                * (1.0 if case.members[n] >= 3 else 0.6),
                why=(
                    f"{ref.label} made a steady {100 * deficit:.0f} % less than its siblings at every hour "
                    f"on {int(days.sum())} days."
                ),
                evidence={"deficit": round(deficit, 3), "evenness": round(flat, 2), "siblings": int(case.members[n] - 1)},
                alternatives=(
                    Alternative("soiling", 0.15, "Whether the next good rain brings it back."),
                    Alternative("substring-loss", 0.1, "Module voltage in full sun against its neighbours: a third less."),
                ),
                lasting=True,
            )
        )  # fmt: skip
    return result


def _is_weak(s: Segment, levels: Levels, n: int) -> bool:
    return (
        1 - s.middle > max(MIN_DEFICIT.value, 2.5 * levels.noise[n], SPREADS.value * levels.spread[n])
        and (abs(s.slope) <= MAX_SLOPE.value or abs(s.start - s.end) < 0.03 or len(s.days) < 6)
        and len(s.days) >= 2
    )


def _evenness(case: Case, n: int, days: np.ndarray) -> float:
    """1 when the loss is the same share in every bin, falling to 0 when it comes and goes with the hour."""
    power, witness = case.table["power"][days, n].sum(axis=0), case.witness[days, n].sum(axis=0)
    use = witness > 0.02 * witness.sum()
    if use.sum() < 3:
        return 0.5
    ratio = power[use] / witness[use]
    level = power[use].sum() / witness[use].sum()
    unevenness = float(np.average(np.abs(ratio - level), weights=witness[use])) / max(1 - level, 0.02)
    return float(np.clip(1.4 - 1.6 * unevenness, 0, 1))
