"""Half hours in which the sum of all units stood at an order, whatever each of them made."""

from __future__ import annotations

import numpy as np

from rules.case import Case
from rules.days import runs_of
from rules.daytable import BIN_HOURS
from rules.finding import Threshold
from rules.hard import NOTHING
from rules.levelspells import BELOW, FAIR_BEND, FAR_BELOW, STRONG_HOURS
from rules.loads import ALIKE_UNITS, LEAST_LEVEL, own_ceiling
from rules.orders import CALM, LEVEL, SAME, crowded, days_at
from rules.ranks import Floats, Mask

SUM_CROWD = Threshold(15.0, "standard deviations", "own reasoning: twice CROWD: with most units at a ceiling a sum moves little")
STIRRED = Threshold(0.05, "ratio", "own reasoning: twice CALM: what a cloud does within half an hour")
EXACT = Threshold(
    0.003, "of the level", "own reasoning: a meter's limit holds to its last digits; a broad noon of two planes bends by more"
)
EXACT_ROWS = Threshold(3, "rows", "own reasoning: two alike are the top of any smooth course")
EXACT_DAYS = Threshold(2, "days", "own reasoning: no two skies level a site at one number for hours")
STUCK = Threshold(1.5, "h a day", "own reasoning: as for frozen readings")
PAST = Threshold(0.5, "of the half hours at it", "own reasoning: clouds pass a number up and down")


def by_sum(case: Case) -> Mask:
    """Bins in which the sum of all units stood at an order, whatever each unit made, [D, B].

    A limit at the meter does not say which unit gives how much: planes take turns under it.
    """
    if len(case.site.units) < 2:
        return np.zeros(case.table["cap_level"].shape, bool)
    level, light, free = _sums(case)
    with np.errstate(invalid="ignore", divide="ignore"):
        row = max(round(case.bin_hours / BIN_HOURS), 1)  # hourly rows fill every other half hour
        step = np.nan_to_num(np.abs(np.log(level[:, row:] / level[:, :-row])), nan=np.inf)
        edge = np.full((len(level), row), np.inf)
        step = np.minimum(np.hstack([edge, step]), np.hstack([step, edge]))
        use = (level > LEAST_LEVEL.value) & (light > level / BELOW.value) & free
        far = use & (level < FAR_BELOW.value * light) & (step < CALM.value)
        out = np.zeros(level.shape, bool)
        numbers = [(number, LEVEL.value) for number in crowded(level[far], SUM_CROWD.value)]
        numbers += [(number, SAME.value) for number in _exact(case, level, light, use, row)]
        for number, reach in numbers:
            near = use & (np.abs(level / number - 1) < reach) & ~_in_step(case)
            # A sum that rose past the number between half hours at it was not held down to it.
            about = use & (np.abs(level / number - 1) < CALM.value)
            between = np.maximum.accumulate(about, axis=1) & np.maximum.accumulate(about[:, ::-1], axis=1)[:, ::-1]
            past = (between & (level > (1 + CALM.value) * number)).sum(axis=1) >= PAST.value * near.sum(axis=1)
            days = days_at(near, step) & ~past
            # A cloud or a lost row in a half hour leaves it a little below the number of its day.
            out |= about & days[:, None]
    return out


def _exact(case: Case, level: Floats, light: Floats, use: Mask, row: int) -> list[float]:
    """Numbers at which the sum stood on several days, to its last digits, for hours in which the sky's curve bent.

    However little they lie below the sky: planes that take turns may level their sum, but not to a thousandth.

    Parameters
    ----------
    level, light, use : [D, B], the sum, what a clear sky offers, and bins that may be asked.
    row : bins from one row to the next.
    """
    stuck = np.median(case.table["frozen_h"], axis=1)
    runs: list[tuple[int, float]] = []
    for d in np.flatnonzero(use.sum(axis=1) >= EXACT_ROWS.value).tolist():
        rows = np.flatnonzero(use[d])
        joins = (np.diff(rows) <= row) & (np.abs(np.diff(level[d, rows]) / level[d, rows[:-1]]) < EXACT.value)
        for first, last in runs_of(joins):
            at = rows[first : last + 2]
            held, curve = level[d, at], light[d, at]
            number = float(np.median(held))
            bent = curve.max() > (1 + FAIR_BEND.value) * curve.min()
            if len(at) < EXACT_ROWS.value or not bent or np.abs(held / number - 1).max() >= EXACT.value:
                continue
            hours = len(at) * case.bin_hours
            # A sum that stays at its number when the sky no longer allows it is a record that repeats itself.
            more = ((np.abs(level[d] / number - 1) < EXACT.value) & (light[d] < FAR_BELOW.value * number)).any()
            if hours >= STRONG_HOURS.value and stuck[d] < 0.5 * hours and not more:
                runs.append((d, number))
    out: list[float] = []
    for _, number in runs:
        again = {d for d, other in runs if abs(other / number - 1) < SAME.value}
        if len(again) >= EXACT_DAYS.value and all(abs(known / number - 1) > LEVEL.value for known in out):
            out.append(number)
    return out


def _in_step(case: Case) -> Mask:
    """Bins in which the units rose and fell alike, [D, B]: then their sum did too, whatever its mean."""
    alike = np.nan_to_num(case.table["cap_spread"], nan=1.0) < ALIKE_UNITS.value
    return np.asarray(alike & (case.table["cap_wobble"] > STIRRED.value))


def _sums(case: Case) -> tuple[Floats, Floats, Mask]:
    """Sum of all units over their rated VA (or module watts), what a clear sky offers, and bins not at the units' own ceilings.

    Each [D, B]. Where the inputs of a plane have one rating, the others stand in
    for rows that one lost.
    """
    table, units, width = case.table, case.site.units, case.bin_hours
    va = [case.site.inverters[u.inverter].rated_va if u.inverter else None for u in units]
    known = all(va)
    whole = sum(v or 0.0 for v in va) if known else float(case.rated.sum())
    power = np.zeros(table["cap_level"].shape)
    for p in range(len(case.names)):
        mine = np.flatnonzero(case.plane_of == p)
        alike = np.ptp(case.rated[mine]) == 0
        made = (table["power"][:, mine] * case.rated[mine, None]).sum(axis=1)
        power += table["plane_power"][:, p] * case.rated[mine].sum() if alike else made
    # A record that repeats itself is no part of the sum: what its siblings made stands in for it.
    stuck = (table["frozen_h"] >= STUCK.value) & (np.median(table["frozen_h"], axis=1) < STUCK.value)[:, None]
    if stuck.any():
        power += (np.where(stuck[:, :, None], table["typical"] - table["power"], 0.0) * case.rated[:, None]).sum(axis=1)
    # An input that reports and stands still offers nothing; counted in, it would make the others' noon look held down.
    stands = (table["clear"] > 0.0) & (table["power"] <= NOTHING.value * BIN_HOURS)
    offered = (table["plane_clear_all"] * case.plane_gain[None, :, None])[:, case.plane_of]
    clear = (np.where(stands, 0.0, offered) * case.rated[:, None]).sum(axis=1)
    if known:
        free = ~own_ceiling(case)
    else:
        free = (table["free_power"] * case.rated[:, None]).sum(axis=1) >= 0.5 * (table["power"] * case.rated[:, None]).sum(axis=1)
    return power / whole / width, clear / whole / width, free
