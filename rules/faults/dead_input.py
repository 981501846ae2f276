"""dead-input: an input shows no voltage while its siblings produce.

On the roof: a module is unplugged, its connector or cable is open, its junction
box has failed, or all its bypass diodes conduct. The unit itself works: its
other inputs produce, or it could not report.

Looks at: voltage (or, without voltages, power) while siblings or the sky say
there is light. Columns: ``dc_power_w`` or what it can be derived from;
``dc_voltage_v`` to be sure.

Looks the same: ``idle-input`` (voltage present), ``unit-standby`` (every input
of the unit), ``snow`` (a whole plane after cold), deep ``shading`` (only at the
same sun positions). Without voltages it cannot be told from ``idle-input``.

Silent at night, below the light at which units wake, and for missing rows.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from rules.candidate import Candidate, RuleResult, Teller, Unjudged
from rules.case import Case
from rules.daytable import DARK, DEAD, MISSING, STANDBY
from rules.finding import Alternative
from rules.hard import blacked_out, certainty, symptom_days, symptom_loss_wh, witnessed
from rules.ranks import Floats, Mask

COLUMNS = ("dc_power_w", "dc_voltage_v")


def judge(case: Case) -> RuleResult:
    """Candidates for every input with dead days."""
    table, result = case.table, RuleResult()
    for ref in case.inputs:
        n = ref.index
        dead, dark = table["symptom_slots"][:, n, DEAD], table["symptom_slots"][:, n, DARK]
        empty = _empty_rows(case, n)
        without = table["symptom_slots"][:, n, STANDBY] * blacked_out(case)[:, case.unit_of[n]]
        dead = dead + empty + without
        hours = dead + dark
        days, judged = symptom_days(hours, table["seen_h"][:, n])
        unjudged = int((case.light_days & ~judged).sum())
        if unjudged:
            result.unjudged.append(Unjudged(n, "dead-input", "less than an hour of reported power in light", unjudged))
        codes = (DEAD, DARK, *((MISSING,) if empty.any() else ()), *((STANDBY,) if without.any() else ()))
        days = witnessed(case, codes, n, days, judged)
        if not days.any():
            continue
        blind = dark[days].sum() > dead[days].sum()
        tell = _telling(ref.label, hours, blind)
        why, evidence = tell(days)
        kin = blind and not case.reports("dc_voltage_v")
        result.candidates.append(
            Candidate(
                fault="dead-input",
                scope="input",
                inputs=(n,),
                days=days,
                loss_wh=symptom_loss_wh(case, codes, np.array([n])) * days,
                strength=certainty(float(hours[days].sum()), int(days.sum())) * (0.6 if blind else 1.0),
                why=why,
                evidence=evidence,
                alternatives=(
                    Alternative("idle-input", 0.4 if blind else 0.02,
                                "Measure the module's voltage at its open connectors, AC isolated: near open-circuit "
                                "voltage means the module lives and the input is idle.", kin),
                ),
                lasting=True,
                tell=tell,
            )
        )  # fmt: skip
    return result


def _telling(label: str, hours: Floats, blind: bool) -> Teller:
    """What stands in a finding of some days: ``hours`` [D] without power, and whether no voltage was there to tell (``blind``)."""

    def tell(days: Mask) -> tuple[str, dict[str, Any]]:
        total = float(hours[days].sum())
        why = f"{label} made nothing for {total:.1f} h of light on {int(days.sum())} days while its siblings produced" + (
            ": dead or idle, no module voltage is reported to tell which (sure of the two together)."
            if blind
            else ", and showed no module voltage."
        )
        return why, {"hours": round(total, 2), "voltage_v": None if blind else 0.0, "voltage_reported": not blind}

    return tell


def _empty_rows(case: Case, n: int) -> Floats:
    """Lit hours with rows of an input's unit that hold nothing but noughts and a counter that stands, [D].

    All modules of the unit are dark, and the gateway writes its rows for it. Where the counter went on meanwhile, or
    none is kept, it may be the link that is lost.
    """
    table = case.table
    hours = np.maximum(table["seen_h"][:, n] + table["symptom_slots"][:, n, MISSING] - table["lit_h"][:, n], 0.0)
    first, last = table["counter_first"][:, n], table["counter_last"][:, n]
    stands = (last - first) <= 0.0
    stands[:-1] &= ~(first[1:] - last[:-1] > 0.0)
    return np.where(stands & (case.energy[:, n] <= 0.0), hours, 0.0)
