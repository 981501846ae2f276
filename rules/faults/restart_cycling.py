"""restart-cycling: a unit stops and starts again several times a day in full light.

On the roof: a loose AC connector, a trunk at its voltage limit at that unit, an
internal fault that clears itself, a module whose voltage collapses under load.
Each restart costs a waiting time.

Looks at: falls from production to nothing or to starting/standby in light in which
the other units go on, three a day or more; half hours that lack a part of every input's power
now and then (:mod:`rules.unrest`), where no row shows the stop. Columns: ``dc_power_w`` or
``ac_power_w``; ``state`` helps.

Looks the same: ``grid-out-of-range`` (all units, voltage outside), passing
clouds (siblings fall too), ``patchy-comms`` (rows missing, counter goes on).
"""

from __future__ import annotations

from typing import Any

import numpy as np

from rules.candidate import RuleResult, Teller, Unjudged, suspect
from rules.case import Case, once
from rules.days import runs_of, span_mask
from rules.daytable import BIN_HOURS, DARK, DEAD, IDLE, STANDBY
from rules.finding import Alternative, Threshold
from rules.hard import MIN_HOURS, PLAIN_LIGHT, symptom_loss_wh
from rules.levels import deficit_wh
from rules.panel import day_offset
from rules.ranks import Floats, Mask
from rules.unrest import restless

COLUMNS = ("dc_power_w", "state")
PER_DAY = Threshold(3, "restarts a day", "own reasoning: one follows any disturbance; three are a pattern")
HABIT = Threshold(8, "restarts", "own reasoning: a supply's dips restart all units, not one of them eight times")
HABIT_DAYS = Threshold(5, "days", "own reasoning: one bad day is weather or work on the roof")
RARELY = Threshold(0.1, "of its restarts", "own reasoning: what others do too is the supply's")
TOGETHER = Threshold(0.7, "of its days", "own reasoning: units that fail by themselves do not do so on the same days")
SAID = Threshold(0.8, "of its days", "own reasoning: a start takes minutes (IEEE 1547-2018: 300 s), a row now and then shows it")
OTHERS = Threshold(2, "units", "own reasoning: one other may be the ill one")
RETURNS = Threshold(2, "returns a day", "own reasoning: one follows any disturbance, and a cloud's edge may look like one")
STOOD = Threshold(0.75, "h", "own reasoning: longer than a reconnection wait and ramp (IEEE 1547-2018: 600 s)")
SPAN = Threshold(2.0, "h", "own reasoning: four half hours, to see it come and go")
PIECES = Threshold(0.65, "of the time from first to last stop", "own reasoning: a unit that stands by stands nearly all of it")
DAYS = Threshold(3, "days", "own reasoning: one bad day is weather or work on the roof")
MOST = Threshold(0.5, "of the days with a stop", "own reasoning: a unit that restarts does so on most of its bad days")
COMES_BACK = Threshold(0.25, "of siblings' power", "own reasoning: a quarter of a half hour; siblings differ by some per cent")
LIT = Threshold(0.005, "W per rated W", "own reasoning: units are awake from some 1 %, and siblings' rows may lack")
FEW = Threshold(0.25, "of units", "own reasoning: one bad unit or two, not half a site")
ALONE = Threshold(5, "restarts", "own reasoning: one day alone must be plain")

_BIN_S = 3600.0 * BIN_HOURS


def judge(case: Case) -> RuleResult:
    """Candidates per unit."""
    table, result = case.table, RuleResult()
    broken = _broken(case)
    for u, unit in enumerate(case.site.units):
        inputs = case.inputs_of_unit(u)
        count = table["restarts"][:, u]
        judged = table["seen_h"][:, inputs].max(axis=1) >= 2.0
        coarse = judged & (table["step_s"] > 1800)
        if coarse.any():
            result.unjudged += [
                Unjudged(int(n), "restart-cycling", "rows too far apart to see restarts", int(coarse.sum())) for n in inputs
            ]
        standing, whole = _stood(case, inputs), ~_one_stands(case, inputs)
        # Long standing still with a start or two is standby; restarts are many and short.
        hit = judged & whole & ((count >= PER_DAY.value) & (standing <= 1.5 * count) | (broken[:, u] >= RETURNS.value))
        spells = [span_mask(case.day_count, [run]) & hit for run in runs_of(hit, ~judged, most=3)]
        seen = np.maximum(count, broken[:, u])
        spells = [days for days in spells if days.sum() >= 2 or seen[days].sum() >= ALONE.value]
        habit = _habit(case, u, judged & whole & ~coarse & (standing <= 1.5 * count))
        if habit is not None and habit.sum() > 1.5 * sum(int(days.sum()) for days in spells):
            spells = [habit]
        unrest = restless(case).get(u)
        hidden = unrest is not None and unrest.days.sum() > 1.5 * sum(int(days.sum()) for days in spells)
        if unrest is not None and hidden:
            spells = [unrest.days]
        for days in spells:
            falls = float(unrest.falls) if unrest is not None and hidden else None
            total = float(seen[days].sum()) if falls is None else falls
            # Inputs that stop together are no measure of each other: what they stood still for is lost at least.
            loss = np.maximum(sum(deficit_wh(case, int(n), days) for n in inputs), symptom_loss_wh(case, (STANDBY,), inputs) * days)
            result.candidates.append(
                suspect(
                    _telling(unit.serial, seen, days, falls),
                    fault="restart-cycling",
                    scope="unit",
                    inputs=tuple(int(n) for n in inputs),
                    days=days,
                    loss_wh=np.asarray(loss),
                    strength=float(1 - 0.5 * np.exp(-total / 8.0)),
                    alternatives=(
                        Alternative("grid-out-of-range", 0.1,
                                    "AC voltage at the unit in the minute before a stop." if case.reports("ac_voltage_v") else
                                    "A voltage logger on the unit's AC side: a trip follows a voltage beyond its window."),
                        Alternative("patchy-comms", 0.05,
                                    "Whether the counter stood still during the gaps." if case.reports("energy_total_wh") else
                                    "Whether power climbs back over minutes (a restart) or is there at once (lost rows)."),
                    ),
                    lasting=True,
                    despite=("grid-out-of-range",) if _for_itself(case, u, days) else (),
                )
            )  # fmt: skip
    return result


def _telling(serial: str, seen: Floats, of: Mask, falls: float | None) -> Teller:
    """What stands in a finding of some days: restarts ``seen`` [D], or a part of the ``falls`` that dips show on days ``of``."""

    def tell(days: Mask) -> tuple[str, dict[str, Any]]:
        count = int(days.sum())
        total = float(seen[days].sum()) if falls is None else falls * count / max(int(of.sum()), 1)
        why = f"Unit {serial} stopped and restarted {total:.0f} times in full light on {count} days while other units went on" + (
            "." if falls is None else ", seen by half hours that lack a part of all its inputs' power."
        )
        return why, {"restarts": round(total), "per_day": round(total / max(count, 1), 1)}

    return tell


def _stood(case: Case, inputs: np.ndarray) -> Floats:
    """Hours a unit's inputs stood still together, [D], whether the unit says that it stands by or that it starts or produces."""
    slots = case.table["symptom_slots"][:, inputs]
    return np.maximum(slots[:, :, STANDBY].max(axis=1), slots[:, :, [IDLE, STANDBY]].sum(axis=2).min(axis=1))


def _one_stands(case: Case, inputs: np.ndarray) -> Mask:
    """Days on which one input stood for hours and another never, [D]: rows without the other's power look like the unit's stops."""
    still = case.table["symptom_slots"][:, inputs][:, :, [DEAD, IDLE, DARK, STANDBY]].sum(axis=2)
    return np.asarray((still.max(axis=1) >= MIN_HOURS.value) & (still.min(axis=1) <= 0.0))


@once
def _broken(case: Case) -> Floats:
    """How often each unit came back between its first and its last stop of a day, where it stood for a part of them only, [D, U].

    In gloom, or while another unit of few stands still for good, no row tells a stop for a restart; a unit that
    stands by does so in one piece.
    """
    table = case.table
    units = len(case.site.units)
    out = np.zeros((case.day_count, units))
    if units <= OTHERS.value:
        return out
    start = case.table.days * 86400.0 - day_offset(case.site)
    for u in range(units):
        mine = case.inputs_of_unit(u)
        stood = table["symptom_slots"][:, mine, STANDBY].max(axis=1)
        for d in np.flatnonzero(stood >= STOOD.value).tolist():
            first = float(np.nanmin(table["symptom_first"][d, mine, STANDBY]))
            last = float(np.nanmax(table["symptom_last"][d, mine, STANDBY])) + float(table["step_s"][d])
            if last - first < SPAN.value * 3600 or stood[d] * 3600 > PIECES.value * (last - first):
                continue
            between = slice(int((first - start[d]) // _BIN_S), int(-((start[d] - last) // _BIN_S)))
            held = table["typical"][d, mine, between].sum(axis=0)
            made = table["power"][d, mine, between].sum(axis=0)
            lit = held > LIT.value * BIN_HOURS * len(mine)
            out[d, u] = (np.diff(made[lit] / held[lit]) > COMES_BACK.value).sum()
        # Some days of a long standstill come in pieces too; and a counter's steps in dim light cost nothing.
        lost = symptom_loss_wh(case, (STANDBY,), mine) / float(case.rated[mine].sum())
        kept = np.zeros(case.day_count, bool)
        for begun, ended in runs_of(stood >= STOOD.value, ~case.light_days, most=3):
            run = slice(begun, ended + 1)
            pieces, days = (out[run, u] >= RETURNS.value).sum(), (stood[run] >= STOOD.value).sum()
            kept[run] = pieces >= max(DAYS.value, MOST.value * days) and bool((lost[run] >= PLAIN_LIGHT.value).any())
        out[:, u] *= kept
    # What several units do is the supply's, or the sky's.
    return np.where((out > 0).sum(axis=1, keepdims=True) <= max(1.0, FEW.value * units), out, 0.0)


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
    together = (np.delete(count[days], u, axis=1) >= 1).mean(axis=0)
    if (together >= TOGETHER.value).any():
        return None
    # Its own state must say so, and its grid must be sound: deep shade stops a unit too, and a weak cable.
    said = case.table["start_h"] + case.table["fault_h"]
    more = said[:, u] - np.median(np.delete(said, u, axis=1), axis=1)
    grid = case.grid_outside_h[:, u] + case.table["grid_trip_h"][:, u]
    told = (more[days] > 0.0).mean() >= SAID.value and not bool(np.any(grid > 0.0))
    return days if told else None
