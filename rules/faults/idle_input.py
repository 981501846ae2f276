"""idle-input: an input has voltage but draws no current while its siblings produce.

On the roof: the module is connected and in light, but the unit's tracker for
this input does not run, or a contact passes voltage and no current.

Looks at: power near zero with voltage above a third of nominal, while siblings
produce. Columns: ``dc_voltage_v`` and ``dc_power_w`` (or ``dc_current_a``).

Looks the same: ``unit-standby`` (every input of the unit at once),
``dead-input`` (no voltage), ``grid-out-of-range`` and ``curtailment`` (all
units), ``snow``.

Silent at night, below waking light, during reconnection waits, for missing rows.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from rules.candidate import Candidate, RuleResult, Teller, Unjudged
from rules.case import Case
from rules.daytable import IDLE
from rules.finding import Alternative
from rules.hard import certainty, symptom_days, symptom_loss_wh, witnessed
from rules.ranks import Floats, Mask

COLUMNS = ("dc_voltage_v", "dc_power_w")


def judge(case: Case) -> RuleResult:
    """Candidates for every input with idle days."""
    table, result = case.table, RuleResult()
    for ref in case.inputs:
        n = ref.index
        hours = table["symptom_slots"][:, n, IDLE]
        days, judged = symptom_days(hours, table["seen_h"][:, n])
        dim = int((case.light_days & ~judged).sum())
        if dim:
            result.unjudged.append(Unjudged(n, "idle-input", "less than an hour of reported power in light", dim))
        blind = judged & ~np.isfinite(table["volts"][:, n]) & (hours == 0) & (case.energy[:, n] > 0)
        if blind.any():
            result.unjudged.append(Unjudged(n, "idle-input", "no dc_voltage_v column", int(blind.sum())))
        days = witnessed(case, (IDLE,), n, days, judged)
        if not days.any():
            continue
        tell = _telling(ref.label, hours)
        why, evidence = tell(days)
        alone = len(case.inputs_of_unit(ref.unit_index)) == 1
        result.candidates.append(
            Candidate(
                fault="idle-input",
                scope="input",
                inputs=(n,),
                days=days,
                loss_wh=symptom_loss_wh(case, (IDLE,), np.array([n])) * days,
                strength=certainty(float(hours[days].sum()), int(days.sum())),
                why=why,
                evidence=evidence,
                alternatives=(
                    Alternative("unit-standby", 0.25 if alone else 0.02,
                                "The unit's own state, and AC volts at its connector: a fault or no grid there is the unit's."
                                if alone else "Whether its sister inputs produce: a unit that stands by makes nothing at all."),
                    Alternative("dead-input", 0.02, "Module voltage at the input: none if the module is cut off."),
                ),
                lasting=True,
                tell=tell,
            )
        )  # fmt: skip
    return result


def _telling(label: str, hours: Floats) -> Teller:
    """What stands in a finding of some days: ``hours`` [D] without power."""

    def tell(days: Mask) -> tuple[str, dict[str, Any]]:
        total = float(hours[days].sum())
        why = (
            f"{label} had module voltage but passed no power for {total:.1f} h of light on "
            f"{int(days.sum())} days while its siblings produced."
        )
        return why, {"hours": round(total, 2)}

    return tell
