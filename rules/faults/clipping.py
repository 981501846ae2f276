"""clipping: the unit or input runs at its ceiling (information, not a fault).

On the roof nothing is wrong: the module can give more than the unit takes in
bright hours; a design choice.

Looks at: power at the unit's rating, or a flat top of the day where the clear
sky's curve would have bent. Columns: ``dc_power_w`` or ``ac_power_w``;
``rated_va`` in the site file.

Looks the same: ``curtailment`` (all units together, below their rating),
``hot-derating`` (falls as the unit heats), ``frozen-readings`` (voltage stands
still too).
"""

from __future__ import annotations

import numpy as np

from rules.case import Candidate, Case, RuleResult
from rules.compat.expected import expected_clipping
from rules.finding import Alternative, Threshold

COLUMNS = ("dc_power_w", "ac_power_w")
MIN_HOURS = Threshold(0.75, "h a day", "own reasoning: a natural noon stays within 1 % of its top for about an hour")
RATED_HOURS = Threshold(0.3, "h a day", "own reasoning: at a declared rating a few rows suffice")
MIN_DAYS = Threshold(2, "days", "own reasoning: a ceiling shows again on the next bright day")


def judge(case: Case) -> RuleResult:
    """One candidate per unit that clips on two days or more."""
    table, result = case.table, RuleResult()
    for u, unit in enumerate(case.site.units):
        inputs = case.inputs_of_unit(u)
        hours = table["clipped_h"][:, inputs].max(axis=1)
        levels = np.nanmax(np.where(hours[:, None] > 0, table["clip_level"][:, inputs], np.nan), axis=1, initial=0)
        ceiling = expected_clipping(case.inputs[int(inputs[0])], connected=len(inputs))
        rated = ceiling is not None and ceiling.unit_w is not None
        days = hours >= (RATED_HOURS.value if rated else MIN_HOURS.value)
        if not days.any() or hours[days].sum() < MIN_HOURS.value:
            continue
        # A ceiling is the same on every day; a lucky flat cloud top is not.
        top = float(np.median(levels[days]))
        days &= np.abs(levels - top) < 0.03 * top
        if not days.any() or (not rated and days.sum() < MIN_DAYS.value):
            continue
        if ceiling is not None and ceiling.unit_w is not None:
            unit_top = top * float(case.rated[inputs].sum())
            amps = ceiling.current_w is not None and top * case.rated[inputs].max() > 0.9 * ceiling.current_w
            if unit_top < 0.88 * ceiling.unit_w and not amps:
                continue  # held below its own rating: not its ceiling
        lost = np.maximum(case.expected[:, inputs] - table["power"][:, inputs], 0)
        near = table["power"][:, inputs] > 0.95 * levels[:, None, None] * 0.5
        loss = (np.where(near, lost, 0).sum(axis=2) * case.rated[inputs]).sum(axis=1) * days
        result.candidates.append(
            Candidate(
                fault="clipping",
                scope="unit",
                inputs=tuple(int(n) for n in inputs),
                days=days,
                loss_wh=loss,
                strength=0.9 if ceiling is not None else 0.75,
                why=(
                    f"Unit {unit.serial} ran at its ceiling for {hours[days].sum():.0f} h on {int(days.sum())} days, "
                    f"at {100 * top:.0f} % of the modules' rating."
                ),
                evidence={"hours": round(float(hours[days].sum()), 1), "level": round(top, 3)},
                alternatives=(
                    Alternative("curtailment", 0.08, "Whether every unit stops at the same level below its rating."),
                ),
            )
        )  # fmt: skip
    return result
