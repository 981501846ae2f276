"""unit-silent: one unit sends nothing by day while its gateway hears others.

On the roof: either the unit produces and only its radio or bus is lost, or it
is dark (AC open, electronics dead, every module dark, since units are fed by
their modules). The lifetime counter after the gap says which.

Looks at: rows of the unit while others report in light. Columns: any; for the
verdict ``energy_total_wh``.

Looks the same: ``gateway-silent`` (all units), ``patchy-comms`` (many short
gaps), night and dawn (silence is normal), a unit not yet installed (no row
ever before, and a first counter unlike those of the units installed with it).

Where the last unit heard falls silent days after all others, or the only one of a gateway whose log notes nothing,
the silence of all is its own (:func:`rules.silence.left_alone`).
A unit of the site file that was never heard is silent from the first day on.
Silent otherwise when the whole gateway is silent, and outside the span of the record.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from rules.candidate import Candidate, RuleResult, Unjudged, suspect
from rules.case import Case
from rules.counters import counter_rise, risen
from rules.days import runs_of, span_mask
from rules.finding import Alternative, Threshold
from rules.ranks import Floats, Mask
from rules.silence import FEW_ROWS, left_alone, unit_kinds

COLUMNS = ("timestamp", "energy_total_wh")
EVEN = Threshold(0.5, "of what siblings made", "own reasoning: until a counter tells, dark is as likely as a lost link")
FULL_LOAD = Threshold(12.0, "h a day", "own reasoning: more than the clearest midsummer day gives on any plane (pvlib: under 10 h)")
OTHERS = Threshold(3, "inputs", "own reasoning: fewer show no common age")
MOST = Threshold(0.9, "quantile", "own reasoning: one counter in ten may have been reset or replaced")
ALIKE = Threshold(0.25, "of the middle counter", "own reasoning: planes of a roof differ so in yearly energy (pvlib: 0 to 30 %)")
PRODUCED = Threshold(0.15, "of clear sky", "own reasoning: more than a dark unit can count, less than any month's mean sky")


def judge(case: Case) -> RuleResult:
    """One candidate per unit and run of silent days."""
    table, result = case.table, RuleResult()
    silent, _, judged = unit_kinds(case)
    silent, judged = silent | left_alone(case), judged | left_alone(case)
    hours = _hours(case)
    for u in range(len(case.site.units)):
        inputs = case.inputs_of_unit(u)
        ever = np.flatnonzero(table["unit_seen_h"][:, u] > 0)
        if not ever.size:
            # The site file has it, and it was never heard: silent on the days on which others could be.
            days_list = [(0, case.day_count - 1)] if silent[:, u].any() else []
        else:
            # Before its first row a unit may not have been installed, unless its counter says that it ran.
            mask = silent[:, u].copy()
            early = int((mask[: ever[0] + 1]).sum())
            if early and not _ran_before(case, inputs, int(ever[0])):
                mask[: ever[0] + 1] = False
                reason = "no row of this unit before: it may not have been installed"
                result.unjudged += [Unjudged(int(n), "unit-silent", reason, early) for n in inputs]
            days_list = runs_of(mask, ~judged[:, u])
        for first, last in days_list:
            days = span_mask(case.day_count, [(first, last)]) & silent[:, u]
            if (hours[days, u] * 3600.0 / table["step_s"][days]).sum() >= FEW_ROWS.value:
                result.candidates.append(_candidate(case, u, inputs, days))
        dim = int((case.light_days & ~judged[:, u]).sum())
        if dim:
            result.unjudged += [Unjudged(int(n), "unit-silent", "gateway silent or no light", dim) for n in inputs]
    return result


def _ran_before(case: Case, inputs: np.ndarray, first: int) -> bool:
    """Whether the unit's first counters, on day ``first``, show that it was installed with the others before the record began.

    They hold more than a new unit could have made, and what those of the other units hold.
    """
    elapsed = float(case.table.days[first] - case.table.days[0]) + 1.0
    with np.errstate(invalid="ignore"):
        hours = case.table["counter_first"][first] / case.rated
    own, known = hours[inputs], np.isfinite(hours)
    known[inputs] = False
    if known.sum() < OTHERS.value or not np.isfinite(own).all() or own.min() <= FULL_LOAD.value * elapsed:
        return False
    usual = float(np.median(hours[known]))
    alike = float(np.quantile(np.abs(hours[known] / usual - 1.0), MOST.value)) <= ALIKE.value
    return alike and bool((np.abs(own / usual - 1.0) <= ALIKE.value).all())


def _hours(case: Case) -> Floats:
    """Hours of light of each unit's own silence, [D, U]."""
    return np.asarray(case.table["own_missing_h"] + np.where(left_alone(case), case.table["quiet_missing_h"], 0.0))


def _dark(case: Case, produced: bool | None) -> str:
    """What tells whether a silent unit stands by."""
    if produced is not None:
        return "Its own state and alarms of that time."
    if case.reports("energy_total_wh"):
        return "The first counter reading after contact returns: no rise means it was dark."
    return "AC current of its drop by daylight: none means that it makes nothing."


def _candidate(case: Case, u: int, inputs: np.ndarray, days: np.ndarray) -> Candidate:
    table, unit = case.table, case.site.units[u]
    rise, clear = counter_rise(case, days, inputs)
    hours = float(_hours(case)[days, u].sum())
    alone = left_alone(case)[:, u]
    nobody = bool(alone[days].all())
    ongoing = bool(days[np.flatnonzero(case.light_days)[-1]]) if case.light_days.any() else False
    loss = np.zeros(case.day_count)
    mean_rating = float(np.nanmean(case.rated[inputs]))
    unheard = np.where(alone, table["quiet_clear"][:, u] * case.sky_mean, 0.0)
    could_be = (table["own_missing_loss"][:, u] + unheard) * mean_rating * days
    if np.isfinite(rise) and clear > 0:
        produced = rise > PRODUCED.value * clear
        if produced:
            text = f"its counter rose by {rise / 1000:.2f} kWh meanwhile: it produced, only the link was lost"
        else:
            text = f"its counter {risen(rise)} meanwhile: it was dark"
            loss = could_be
    else:
        produced = None
        text = (
            "no counter reading after the gap tells yet whether it produces"
            if case.reports("energy_total_wh")
            else "no counter is reported that could tell whether it produces"
        ) + ": half of what its siblings made is counted as lost"
        loss = EVEN.value * could_be
    only = sum(unit.gateway == other.gateway for other in case.site.units) == 1
    beside = (
        "while its gateway heard others" if not nobody
        else f"and its gateway {unit.gateway}, that has no other unit, notes no trouble of its own" if only
        else "after the other units of its gateway had fallen silent one by one"
    )  # fmt: skip

    def tell(days: Mask) -> tuple[str, dict[str, Any]]:
        hours = float(_hours(case)[days, u].sum())
        why = f"Unit {unit.serial} sent nothing for {hours:.1f} h of light on {int(days.sum())} days {beside}; {text}."
        return why, {
            "hours": round(hours, 2),
            "counter_rise_wh": None if not np.isfinite(rise) else round(rise, 1),
            "produced": produced,
            "ongoing": ongoing,
            "possible_loss_wh": round(float(could_be[days].sum()), 1),
            "branch": unit.branch,
        }

    return suspect(
        tell,
        fault="unit-silent",
        scope="unit",
        inputs=tuple(int(n) for n in inputs),
        days=days,
        loss_wh=loss,
        strength=float(1 - 0.4 * np.exp(-hours / 3.0)) * (0.8 if nobody else 1.0),
        alternatives=(
            *(() if produced else (Alternative("unit-standby", 0.1 if produced is None else 0.02, _dark(case, produced)),)),
            Alternative("patchy-comms", 0.03, "Signal strength, and whether rows come back in pieces."
                        if case.reports("signal_dbm") else "Whether rows come back in pieces."),
            *((Alternative("gateway-silent", 0.3, "Whether the gateway answers from the house's network."),) if nobody else ()),
        ),
        lasting=True,
    )  # fmt: skip
