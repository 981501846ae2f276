"""Load of the units over their rating, what a clear sky would allow, and where they stand at their own ceiling."""

from __future__ import annotations

import numpy as np

from rules.case import Case, once
from rules.finding import Threshold
from rules.ranks import Floats, Mask
from rules.reduce.sitelevel import UPPER_RANK

ALIKE_UNITS = Threshold(0.025, "ratio", "own reasoning: the same order per VA for all; free units differ by their modules")
LEAST_LEVEL = Threshold(0.10, "of rating", "own reasoning: below, readings in steps of 5 W make a grey sky level")
REACHED = Threshold(0.97, "of the level", "own reasoning: units under an order stay level to some per cent")
RUNS = Threshold(0.01, "of rating", "own reasoning: as the level itself is read: less is a unit that does not run")
WORKING = Threshold(0.1, "of the unit's best input", "own reasoning: an input at a tenth of its neighbours is dead or dark")
OWN_CEILING = Threshold(0.94, "of rating", "own reasoning: data sheets and meters agree within some 3 %, and half hours hold a dip")


@once
def unit_loads(case: Case) -> Floats:
    """Power of each input's unit over its rated VA (or module watts), [D, N, B]."""
    out = np.zeros(case.table["power"].shape)
    for u, unit in enumerate(case.site.units):
        mine = case.inputs_of_unit(u)
        va = case.site.inverters[unit.inverter].rated_va if unit.inverter else None
        load = (case.table["power"][:, mine] * case.rated[mine, None]).sum(axis=1) / (va or case.rated[mine].sum())
        out[:, mine] = load[:, None, :] / case.bin_hours
    return out


@once
def upper_light(case: Case) -> Floats:
    """Power over rated VA that the unit at the rank of ``cap_level`` would have under a clear sky, [D, B].

    Units differ by their planes and by their modules' watts per VA: the level of
    the upper ones is weighed against what the sky offers to the upper ones.
    """
    loads = unit_loads(case)
    clear = case.table["plane_clear_all"] * case.plane_gain[None, :, None]
    units = []
    for u, unit in enumerate(case.site.units):
        mine = case.inputs_of_unit(u)
        va = case.site.inverters[unit.inverter].rated_va if unit.inverter else None
        could = np.einsum("dnb,n->db", clear[:, case.plane_of[mine]], case.rated[mine]) / (va or case.rated[mine].sum())
        units.append(np.where(loads[:, mine[0]] > RUNS.value, could / case.bin_hours, np.nan))
    ordered = np.sort(np.stack(units), axis=0)
    rank = np.rint(UPPER_RANK * np.maximum(np.isfinite(ordered).sum(axis=0) - 1, 0)).astype(int)
    return np.asarray(np.nan_to_num(np.take_along_axis(ordered, rank[None], 0)[0]))


@once
def own_ceiling(case: Case) -> Mask:
    """Bins in which most upper units give what their working inputs can be rated at, [D, B].

    Each tracker has its share of a unit's rating: with one input dead a unit of
    four stops at three quarters.
    """
    loads, level = unit_loads(case), case.table["cap_level"]
    count, at = np.zeros(level.shape), np.zeros(level.shape)
    for u in range(len(case.site.units)):
        mine = case.inputs_of_unit(u)
        power = case.table["power"][:, mine] * case.rated[mine, None]
        working = (power > WORKING.value * power.max(axis=1, keepdims=True)).sum(axis=1)
        load = loads[:, mine[0]]
        upper = load > REACHED.value * level
        count += upper
        at += upper & (load * len(mine) > OWN_CEILING.value * np.maximum(working, 1))
    return np.asarray((count > 0) & (at > 0.5 * count))


def site_ceiling(case: Case, level: Floats) -> float:
    """Level, per rated VA (or module watt), from which on it is the units' own ceiling."""
    known = [u.inverter is not None and case.site.inverters[u.inverter].rated_va is not None for u in case.site.units]
    if np.mean(known) > 0.5:
        return 0.94
    # Ratings unknown: the highest level of the record may be the units' own.
    top = float(np.nanmax(level, initial=0.0)) if np.isfinite(level).any() else 1.0
    return 0.97 * top
