"""restart-cycling: a unit stops and starts again several times a day in full light.

On the roof: a loose AC connector, a trunk at its voltage limit at that unit, an
internal fault that clears itself, a module whose voltage collapses under load.
Each restart costs a waiting time.

Looks at: falls from production to nil or to starting/standby in light in which
the other units go on, three a day or more; half hours that lack a part of every input's power
now and then (:mod:`rules.unrest`), where no row shows the stop. Columns: ``dc_power_w`` or
``ac_power_w``; ``state`` helps.

Looks the same: ``grid-out-of-range`` (all units, voltage outside), passing
clouds (siblings fall too), ``patchy-comms`` (rows missing, counter goes on).
"""

from __future__ import annotations

import numpy as np

from rules.candidate import Candidate, RuleResult, Unjudged
from rules.case import Case
from rules.days import runs_of, span_mask
from rules.daytable import STANDBY
from rules.finding import Alternative, Threshold
from rules.hard import symptom_loss_wh
from rules.levels import deficit_wh
from rules.ranks import Mask
from rules.unrest import restless

COLUMNS = ("dc_power_w", "state")
PER_DAY = Threshold(3, "restarts a day", "own reasoning: one follows any disturbance; three are a pattern")
HABIT = Threshold(8, "restarts", "own reasoning: a supply's dips restart all units, not one of them eight times")
HABIT_DAYS = Threshold(5, "days", "own reasoning: one bad day is weather or work on the roof")
RARELY = Threshold(0.1, "of its restarts", "own reasoning: what others do too is the supply's")
SAID = Threshold(0.8, "of its days", "own reasoning: a start takes minutes (IEEE 1547-2018: 300 s), a row now and then shows it")
OTHERS = Threshold(2, "units", "own reasoning: one other may be the ill one")
ALONE = Threshold(5, "restarts", "own reasoning: one day alone must be plain")


def judge(case: Case) -> RuleResult:
    """Candidates per unit."""
    table, result = case.table, RuleResult()
    for u, unit in enumerate(case.site.units):
        inputs = case.inputs_of_unit(u)
        count = table["restarts"][:, u]
        judged = table["seen_h"][:, inputs].max(axis=1) >= 2.0
        coarse = judged & (table["step_s"] > 1800)
        if coarse.any():
            result.unjudged += [
                Unjudged(int(n), "restart-cycling", "rows too far apart to see restarts", int(coarse.sum())) for n in inputs
            ]
        standing = table["symptom_slots"][:, inputs, STANDBY].max(axis=1)
        # Long standing still with a start or two is standby; restarts are many and short.
        hit = judged & (count >= PER_DAY.value) & (standing <= 1.5 * count)
        spells = [span_mask(case.day_count, [run]) & hit for run in runs_of(hit, ~judged, most=3)]
        spells = [days for days in spells if days.sum() >= 2 or count[days].sum() >= ALONE.value]
        habit = _habit(case, u, judged & ~coarse & (standing <= 1.5 * count))
        if habit is not None and habit.sum() > 1.5 * sum(int(days.sum()) for days in spells):
            spells = [habit]
        unrest = restless(case).get(u)
        hidden = unrest is not None and unrest.days.sum() > 1.5 * sum(int(days.sum()) for days in spells)
        if unrest is not None and hidden:
            spells = [unrest.days]
        for days in spells:
            total = float(unrest.falls) if unrest is not None and hidden else float(count[days].sum())
            # Inputs that stop together are no measure of each other: what they stood still for is lost at least.
            loss = np.maximum(sum(deficit_wh(case, int(n), days) for n in inputs), symptom_loss_wh(case, (STANDBY,), inputs) * days)
            result.candidates.append(
                Candidate(
                    fault="restart-cycling",
                    scope="unit",
                    inputs=tuple(int(n) for n in inputs),
                    days=days,
                    loss_wh=np.asarray(loss),
                    strength=float(1 - 0.5 * np.exp(-total / 8.0)),
                    why=(
                        f"Unit {unit.serial} stopped and restarted {total:.0f} times in full light on "
                        f"{int(days.sum())} days while other units went on"
                        + (", seen by half hours that lack a part of all its inputs' power." if hidden else ".")
                    ),
                    evidence={"restarts": int(total), "per_day": round(total / max(int(days.sum()), 1), 1)},
                    alternatives=(
                        Alternative("grid-out-of-range", 0.1, "AC voltage at the unit in the minute before a stop."),
                        Alternative("patchy-comms", 0.05, "Whether the counter stood still during the gaps."),
                    ),
                    lasting=True,
                    despite=("grid-out-of-range",) if _for_itself(case, u, days) else (),
                )
            )  # fmt: skip
    return result


def _for_itself(case: Case, u: int, days: Mask) -> bool:
    """Whether the other units of the site hardly ever restarted on the days of one: they hang on the same supply."""
    count = case.table["restarts"][days]
    others = np.delete(count, u, axis=1).sum(axis=0)
    return bool(others.size and float(np.median(others)) <= RARELY.value * float(count[:, u].sum()))


def _habit(case: Case, u: int, judged: Mask) -> Mask | None:
    """Days with a restart of a unit that restarts now and then while others of the site never do, [D]; None if it does not.

    Rows of a quarter of an hour see a few of many stops, each as one restart.
    """
    count = case.table["restarts"]
    days = judged & (count[:, u] >= 1)
    total, others = float(count[days, u].sum()), np.delete(count, u, axis=1).sum(axis=0)
    if others.size < OTHERS.value or total < HABIT.value or days.sum() < HABIT_DAYS.value:
        return None
    if float(np.median(others)) > RARELY.value * total:
        return None
    # Its own state must say so, and its grid must be sound: deep shade stops a unit too, and a weak cable.
    said = case.table["start_h"] + case.table["fault_h"]
    more = said[:, u] - np.median(np.delete(said, u, axis=1), axis=1)
    grid = case.grid_outside_h[:, u] + case.table["grid_trip_h"][:, u]
    told = (more[days] > 0.0).mean() >= SAID.value and not bool(np.any(grid > 0.0))
    return days if told else None
