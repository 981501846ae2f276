"""frozen-readings: a record repeats the same values while the sun moves.

On the roof nothing need be wrong: the gateway or exporter repeats the last
answer it got. What the input really does cannot be seen meanwhile.

Looks at: power and voltage repeated to the last digit for an hour or more while
siblings (or the sun) moved, or power at night. Columns: ``dc_power_w``,
``dc_voltage_v``.

Looks the same: ``clipping`` and ``curtailment`` (power flat, voltage moves),
``dead-input`` (nil is not judged here), coarse meters.
"""

from __future__ import annotations

import numpy as np

from rules.case import Candidate, Case, RuleResult, runs_of, span_mask
from rules.finding import Alternative, Threshold

COLUMNS = ("dc_power_w", "dc_voltage_v")
MIN_HOURS = Threshold(1.0, "h", "own reasoning: no meter repeats two values for an hour of changing light")
MIN_ROWS = Threshold(6, "rows", "own reasoning: at coarse steps an hour is too few repetitions")
BLIND_ROWS = Threshold(10, "rows", "own reasoning: power alone, in whole watts, repeats by chance more often")
NIGHT_HOURS = Threshold(4.0, "h", "own reasoning: power with the sun 8 degrees down is not power")


def judge(case: Case) -> RuleResult:
    """Candidates per input."""
    table, result = case.table, RuleResult()
    for ref in case.inputs:
        n = ref.index
        frozen = table["frozen_h"][:, n]
        rows = np.where(np.isfinite(table["volts"][:, n]), MIN_ROWS.value, BLIND_ROWS.value)
        need = np.maximum(MIN_HOURS.value, rows * table["step_s"] / 3600.0)
        night = table["night_power_h"][:, n]
        days = (frozen >= need) | (night >= NIGHT_HOURS.value)
        judged = table["seen_h"][:, n] >= 1.0
        for first, last in runs_of(days, ~judged & ~days):
            spell = span_mask(case.day_count, [(first, last)]) & days
            hours = float(frozen[spell].sum())
            result.candidates.append(
                Candidate(
                    fault="frozen-readings",
                    scope="input",
                    inputs=(n,),
                    days=spell,
                    loss_wh=np.zeros(case.day_count),
                    strength=float(1 - 0.35 * np.exp(-(hours + night[spell].sum()) / 2.0)),
                    why=(
                        f"{ref.label} repeated the same reading for up to {frozen[spell].max():.1f} h while its siblings "
                        f"changed, on {int(spell.sum())} days"
                        + (f", and showed power for {night[spell].sum():.1f} h of night." if night[spell].sum() > 0 else ".")
                    ),
                    evidence={"longest_h": round(float(frozen[spell].max()), 2), "hours": round(hours, 2),
                              "night_h": round(float(night[spell].sum()), 2)},
                    alternatives=(
                        Alternative("clipping", 0.03, "Whether voltage stood still too: a ceiling leaves it moving."),
                    ),
                    lasting=True,
                )
            )  # fmt: skip
    return result
