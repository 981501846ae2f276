"""unit-standby: a unit reports, its modules have voltage, and it makes nothing.

On the roof: the unit waits: no grid at its AC connector (a branch breaker or an
AC connector is open), a locked fault, or failed power electronics.

Looks at: all inputs of the unit without power in light that others use, with
voltage or a state of standby, fault or off. Columns: ``dc_power_w`` or
``ac_power_w``; ``state`` and ``ac_voltage_v`` help.

Looks the same: ``site-outage`` (every unit at once), ``grid-out-of-range`` and
the reconnection wait after it (`reconnect_s` and a ramp are allowed for),
``curtailment`` to nothing, ``unit-silent`` (no rows), ``idle-input`` (one input).
All units of one branch together: look at the branch first.

Silent at night, below waking light, during reconnection waits.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from rules.candidate import Candidate, RuleResult, Teller, Unjudged
from rules.case import Case
from rules.days import runs_of, span_mask
from rules.daytable import STANDBY
from rules.finding import Alternative, Threshold
from rules.hard import PLAIN_LIGHT, blacked_out, certainty, symptom_days, symptom_loss_wh, unit_down
from rules.ontime import unit_hours_off
from rules.ranks import Floats, Mask
from rules.unlit import unlit

COLUMNS = ("dc_power_w", "state")
TRICKLE = Threshold(0.004, "of clear sky", "own reasoning: a unit that stands by makes nothing, a covered module a trickle")
HARDLY = Threshold(0.05, "of clear sky", "own reasoning: less than a thick overcast leaves")
REST = Threshold(0.25, "of the day's clear sky", "own reasoning: enough of the day beside the stops to say what the unit made")


def judge(case: Case) -> RuleResult:
    """Candidates for every unit with standby days."""
    table, result = case.table, RuleResult()
    hours, seen = unit_down(case, STANDBY)
    hours = np.where(blacked_out(case), 0.0, hours)  # told of its inputs, that show no voltage
    # Where stamps are wrong hours of the night pass for light; half of a standstill is its own all the same.
    hours = hours - np.minimum(unit_hours_off(case), 0.5 * hours)
    for u in range(len(case.site.units)):
        inputs = case.inputs_of_unit(u)
        days, judged = symptom_days(hours[:, u], seen[:, u])
        days &= ~unlit(case)[:, inputs].all(axis=1)  # no standstill: no light comes through
        unjudged = int((case.light_days & ~judged).sum())
        if unjudged:
            result.unjudged += [
                Unjudged(int(n), "unit-standby", "less than an hour of reported power in light", unjudged) for n in inputs
            ]
        if not days.any():
            continue
        lost = symptom_loss_wh(case, (STANDBY,), inputs)
        days = _in_plain_light(lost / float(case.rated[inputs].sum()), days, judged)
        days = _untrickled(case, inputs, days, judged, table["grid_trip_h"][:, u] > 0.0)
        if not days.any():
            continue
        tell = _telling(case, u, hours)
        why, evidence = tell(days)
        sight = case.reports("ac_voltage_v")
        result.candidates.append(
            Candidate(
                fault="unit-standby",
                scope="unit",
                inputs=tuple(int(n) for n in inputs),
                days=days,
                loss_wh=lost * days,
                strength=certainty(float(hours[days, u].sum()), int(days.sum())),
                why=why,
                evidence=evidence,
                alternatives=(
                    Alternative("idle-input", 0.15 if len(inputs) == 1 else 0.02,
                                "Its AC voltage while it stands still: with the grid there and no fault told it may be the input."
                                if sight else
                                "AC volts at the unit's connector: with the grid there and no fault told it may be the input."),
                    Alternative("site-outage", 0.02, "Whether any other unit produced at the time."),
                ),
                lasting=True,
                tell=tell,
            )
        )  # fmt: skip
    return result


def _telling(case: Case, u: int, hours: Floats) -> Teller:
    """What stands in a finding of some days: ``hours`` [D, U] at nothing, and what state and grid voltage said, if reported."""
    unit, table = case.site.units[u], case.table
    states, volts = case.reports("state"), case.reports("ac_voltage_v")

    def tell(days: Mask) -> tuple[str, dict[str, Any]]:
        total = float(hours[days, u].sum())
        fault_h = float(table["fault_h"][days, u].sum())
        no_grid = min(float(table["ac_dead_h"][days, u].sum()), total)
        said = ["state fault" if fault_h > 0.3 * total else "no fault state"] if states else []
        said += [f"no grid voltage for {no_grid:.1f} h"] if no_grid > 0.3 * total else []
        why = f"Unit {unit.serial} reported but made nothing on any input for {total:.1f} h of light on {int(days.sum())} days"
        why += f" ({', '.join(said)})." if said else "."
        return why, {
            "hours": round(total, 2),
            "no_grid_voltage_h": round(no_grid, 2) if volts else None,
            "state_fault_h": round(fault_h, 2) if states else None,
            "branch": unit.branch,
        }

    return tell


def _in_plain_light(lost_h: Floats, days: Mask, judged: Mask) -> Mask:
    """The runs of days whose stops cost something on one of them at least: in less light a unit may sleep, which is no standby.

    ``lost_h`` [D] is what the stops cost, h at full sun.
    """
    dear = lost_h >= PLAIN_LIGHT.value
    runs = [(first, last) for first, last in runs_of(days, ~judged) if dear[first : last + 1].any()]
    return days & span_mask(len(days), runs)


def _untrickled(case: Case, inputs: np.ndarray, days: Mask, judged: Mask, tripped: Mask) -> Mask:
    """The runs of days, [D], in which the unit was not merely covered: snow of one week says nothing of a stop in another."""
    runs = [span_mask(len(days), [run]) & days for run in runs_of(days, ~judged)]
    kept = [run for run in runs if not _trickles(case, inputs, run & ~tripped)]
    return np.any(kept, axis=0) if kept else np.zeros_like(days)


def _trickles(case: Case, inputs: np.ndarray, days: Mask) -> bool:
    """Whether the unit made a trickle in the light beside its stops: it was awake and covered, it did not stand by.

    ``days`` [D] are those without a trip of the grid: what is made between trips is no trickle through a cover.
    """
    clear = case.table["clear"][days][:, inputs].sum(axis=(1, 2))
    rest = clear - case.table["symptom_clear"][days][:, inputs, STANDBY].sum(axis=1)
    told = rest >= REST.value * clear
    made = case.energy[days][:, inputs].sum(axis=1)[told] / np.maximum(rest[told], 1e-9)
    return bool(made.size and TRICKLE.value < np.median(made) < HARDLY.value)
