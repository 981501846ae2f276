"""Suspicions that turn out to be something else, by another suspicion beside them: left out before causes are weighed.

``EXPLAINS`` (:mod:`rules.diagnose`) asks for common inputs and days only; these tests ask for more.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

import numpy as np

from rules.behind import asleep_behind, in_any_light, only_in_shadow
from rules.candidate import Candidate
from rules.case import Case
from rules.days import window_sum
from rules.faults.swapped_record import SWAP_SPAN
from rules.ontime import heard_on_time, on_time

#: Faults of standing still.
ZERO: Final = ("dead-input", "idle-input", "unit-standby", "restart-cycling")
#: What a unit shows whose module falls asleep in a deep shadow.
_ASLEEP: Final = (*ZERO, "patchy-comms")
#: Days of a lost substring that are part of how a contact fails.
_FLICKER: Final = 2
#: Share of a suspicion's days that must belong to the other one, too.
_MOSTLY: Final = 0.5
_ALIKE: Final = 0.7
#: Share of another suspicion's loss: one that costs less is a part of it, not a cause of its own.
_SMALL: Final = 0.3
#: Share of a unit's supposed loss by heat that shade on all of its inputs takes on the same days, from which on it is the cause:
#: where heat is the cause its hours at noon read as a thin shade that costs as much at most (own data).
_DEEPER: Final = 2.0
#: What an input makes between the restarts of its unit, of siblings' energy (own reasoning: a dead one makes nothing).
_BETWEEN: Final = 0.15
#: Shade's and weakness' loss over what an input lacks in all, from which on one of the two is told for the other's
#: (own data: 1.1 where both are there, 1.4 to 2 where shade lies on most of the day).
_TWICE: Final = 1.3
#: Hours of light a day without grid voltage that are more than a dip.
_GRID_GONE_H: Final = 1.0
#: Stops a day that are more than the one at evening; share of siblings' power that counts as none.
_OFTEN: Final = 2.0
_NOTHING: Final = 0.1
#: Days that a cover lies, and other units whose inputs lack power at the same time: trackers do not fail and mend together.
_FEW_DAYS: Final = 3
_MATES: Final = 2
#: Share of a plane's other members that must be frozen high to spoil the comparison.
_SEVERAL_STILL: Final = 0.25
#: Share of a clear sky that no cloud goes below: a unit that makes less sleeps.
_DARK: Final = 0.02


def without_pretenders(case: Case, candidates: Sequence[Candidate]) -> list[Candidate]:
    """The candidates that stand, in their order; each test of :data:`PRETENDS` sees what the tests before it left."""
    left = list(candidates)
    for fault_of, pretends in PRETENDS:
        left = [c for c in left if c.fault not in fault_of or not pretends(case, c, left)]
    return left


def _on_same(c: Candidate, among: Sequence[Candidate], fault: str, least: float) -> list[Candidate]:
    """Suspicions of one fault on a suspicion's own inputs and at least a share of its days."""
    return [o for o in among if o.fault == fault and o.inputs == c.inputs and (o.days & c.days).sum() >= least * c.days.sum()]


def _overlapping(c: Candidate, among: Sequence[Candidate], fault: str, least: float) -> list[Candidate]:
    """Suspicions of one fault on at least a share of a suspicion's days, wherever."""
    return [o for o in among if o.fault == fault and (o.days & c.days).sum() >= least * c.days.sum()]


def _flickers(_: Case, c: Candidate, among: Sequence[Candidate]) -> bool:
    """Whether a substring lost for a day or two lies beside days on which its input was dead or idle: a contact comes and goes."""
    where = np.flatnonzero(c.days)
    near = slice(max(where[0] - 1, 0), where[-1] + 2)
    return len(where) <= _FLICKER and any(
        o.fault in ("dead-input", "idle-input") and o.inputs == c.inputs and o.days[near].any() for o in among
    )


def _other_type(case: Case, c: Candidate, among: Sequence[Candidate]) -> bool:
    """Whether an input's lost substring is the voltage of another module type, whose record it was swapped with on those days."""
    label, mine = {ref.label: ref for ref in case.inputs}, case.inputs[c.inputs[0]].module
    mates = {n: label.get(str(o.evidence.get("partner"))) for n, o in enumerate(among) if o.fault == "swapped-record"}
    return any(
        mate is not None
        and mate.module != mine
        and among[n].inputs == c.inputs
        and (c.days & (window_sum(among[n].days.astype(int), SWAP_SPAN) > 0)).sum() >= _ALIKE * c.days.sum()
        for n, mate in mates.items()
    )


def _sleeps(case: Case, c: Candidate, among: Sequence[Candidate]) -> bool:
    """Whether inputs that stand still, or send no rows, sleep in a shadow: then shade is the cause."""
    shades = {o.inputs[0]: o for o in among if o.fault == "shading" and o.scope == "input"}
    if not all(n in shades for n in c.inputs):
        return False
    if c.fault == "dead-input" and np.isfinite(case.table["volts"][c.days][:, list(c.inputs)]).any():
        return False  # a shaded module has voltage
    return all(
        asleep_behind(case, n, c.days) or (c.fault in ZERO and only_in_shadow(case, n, c.days, shades[n].evidence))
        for n in c.inputs
    )


def _restarts(case: Case, c: Candidate, among: Sequence[Candidate]) -> bool:
    """Whether what seems dead or to stand by is a unit that restarts: between its stops it makes its part.

    An input of no known voltage on the same days, or the unit on days on which few others are left to tell its restarts.
    """
    inputs, days = list(c.inputs), c.days
    dead = c.fault == "dead-input"
    if dead and np.isfinite(case.table["volts"][days][:, inputs]).any():
        return False
    least = _ALIKE * days.sum() if dead else 0.0
    same = any(o.fault == "restart-cycling" and set(inputs) <= set(o.inputs) and (o.days & days).sum() >= least for o in among)
    made, owed = case.energy[days][:, inputs].sum(), case.witness[days][:, inputs].sum()
    return bool(same and made >= _BETWEEN * owed)


def _capped_by_heat(case: Case, c: Candidate, among: Sequence[Candidate]) -> bool:
    """Whether most of a plane that seems held down are units too hot on those days: they hold themselves."""
    hot = np.zeros(len(case.inputs), bool)
    for o in _overlapping(c, among, "hot-derating", _MOSTLY):
        hot[list(o.inputs)] = True
    return c.scope == "plane" and bool(hot[list(c.inputs)].mean() >= _MOSTLY)


def _own_limit(_: Case, c: Candidate, among: Sequence[Candidate]) -> bool:
    """Whether a unit under orders of its own is too hot on most of those days: it holds itself down."""
    return c.scope == "unit" and bool(_on_same(c, among, "hot-derating", _MOSTLY))


def _record_stood(case: Case, c: Candidate, among: Sequence[Candidate]) -> bool:
    """Whether most of the units held down repeat their voltage as well: no order keeps that still to its last digit."""
    still = np.zeros(len(case.inputs), bool)
    for o in among:
        if o.fault == "frozen-readings" and (o.days & c.days).sum() >= _ALIKE * c.days.sum():
            still[list(o.inputs)] = True
    volts = case.table["volts"][c.days]
    told = np.isfinite(volts).any(axis=0)
    if (np.nan_to_num(2.0 * volts) % 1.0 == 0.0).all():
        return False  # whole volts stand still by themselves while a limit holds
    return bool((still & told)[list(c.inputs)].mean() >= _ALIKE)


def _without_grid(case: Case, c: Candidate, _: Sequence[Candidate]) -> bool:
    """Whether units of what seems to lie under snow report that their grid is gone: modules in the dark feed none that could."""
    gone = (case.table["ac_dead_h"][c.days][:, case.unit_of[list(c.inputs)]] >= _GRID_GONE_H).any(axis=1)
    return bool(gone.mean() >= _MOSTLY)


def _known_law(_: Case, c: Candidate, among: Sequence[Candidate]) -> bool:
    """Whether an input's supposed dirt is a loss that depends on power: dull and bright days differ as if rain had come between."""
    return c.scope == "input" and any("grows_with" in o.evidence for o in _on_same(c, among, "weak-input", _ALIKE))


def _weak_not_shaded(case: Case, c: Candidate, among: Sequence[Candidate]) -> bool:
    """Whether what looks like shade is a weakness, told on most of the same days, that is there in any light."""
    if not _on_same(c, among, "weak-input", _ALIKE):
        return False
    return in_any_light(on_time(case), c.inputs[0], c.days, c.evidence)


def _counted_twice(case: Case, c: Candidate, among: Sequence[Candidate]) -> bool:
    """Whether a weakness beside shade claims what the shade takes: together they cost more than the input lacks."""
    n = c.inputs[0]
    for shade in _on_same(c, among, "shading", _MOSTLY):
        days = c.days & shade.days
        lacks = float(np.maximum(case.witness[days, n] - case.table["power"][days, n], 0.0).sum()) * case.rated[n]
        if float(c.loss_wh[days].sum() + shade.loss_wh[days].sum()) > _TWICE * lacks:
            return True
    return False


def _shaded_whole(_: Case, c: Candidate, among: Sequence[Candidate]) -> bool:
    """Whether a unit that seems too hot stands in shade with all of its inputs, which costs far more than its heat would."""
    shades = [o for o in among if o.fault == "shading" and o.scope == "input" and o.inputs[0] in c.inputs]
    taken = sum(float(np.nansum(o.loss_wh[c.days])) for o in shades)
    return len(shades) == len(c.inputs) and taken >= _DEEPER * float(np.nansum(c.loss_wh[c.days]))


def _together(case: Case, c: Candidate, among: Sequence[Candidate]) -> bool:
    """Whether inputs of several units lack power over the same few days and then no more: snow or gloom, no fault of each."""
    if c.days.sum() > _FEW_DAYS:
        return False
    mates = {
        int(case.unit_of[o.inputs[0]]) for o in among
        if o.fault in ("dead-input", "idle-input") and o.days.sum() <= _FEW_DAYS and (o.days & c.days).any()
    }  # fmt: skip
    return len(mates - {int(case.unit_of[c.inputs[0]])}) >= _MATES


def _beside_frozen(case: Case, c: Candidate, among: Sequence[Candidate]) -> bool:
    """Whether inputs fall short only of plane-mates whose records are frozen at a higher value: those are no measure."""
    inputs = np.array(c.inputs)
    mates = np.isin(case.plane_of, case.plane_of[inputs])
    mates[inputs] = False
    still = np.zeros((case.day_count, len(mates)), bool)
    for o in among:
        if o.fault == "frozen-readings":
            still[np.ix_(o.days, np.array(o.inputs))] = True
    still &= case.energy > case.energy[:, inputs].mean(axis=1, keepdims=True)
    beside = still[c.days][:, mates].sum(axis=1)
    return c.scope != "plane" and bool((beside >= max(_SEVERAL_STILL * mates.sum(), 1)).mean() >= _ALIKE)


def _dim_end(_: Case, c: Candidate, among: Sequence[Candidate]) -> bool:
    """Whether an input that makes nothing in dim light makes less in any light: a shunt takes all of a dim hour."""
    return any(
        c.loss_wh[o.days].sum() < _SMALL * o.loss_wh[o.days & c.days].sum() for o in _on_same(c, among, "weak-input", _MOSTLY)
    )


def _not_begun(case: Case, c: Candidate, among: Sequence[Candidate]) -> bool:
    """Whether inputs make nothing only where a wrong clock puts their night: with the clock set right they make their share."""
    inputs = np.array(c.inputs)
    clocks = [
        o
        for o in among
        if o.fault == "clock-shift" and set(o.inputs) >= set(c.inputs) and (o.days & c.days).sum() >= _MOSTLY * c.days.sum()
    ]
    if not clocks:
        return False
    if not _own_clocks(clocks):
        return c.fault == "unit-standby" and _lit_right(case, c) < _MOSTLY
    if c.fault == "restart-cycling":
        # By the others' clock such a unit seems to stop each evening.
        return float(case.table["restarts"][c.days, case.unit_of[inputs[0]]].mean()) < _OFTEN
    planes = case.plane_of[inputs]
    if not np.isin(planes, np.delete(case.plane_of, inputs)).all():
        return False  # no sibling tells
    right = on_time(case)
    theirs = right.table["plane_typical"][c.days][:, planes] * heard_on_time(case)[c.days][:, inputs]
    still = right.table["power"][c.days][:, inputs] < _NOTHING * theirs
    lost = (np.where(still, theirs, 0.0).sum(axis=(0, 2)) * case.rated[inputs]).sum()
    return bool(lost < _MOSTLY * np.nansum(c.loss_wh))


def _lit_right(case: Case, c: Candidate) -> float:
    """Of the clear sky's light in which a unit stands by the stamps, the share that is light once the site's clock is set right."""
    inputs = np.array(c.inputs)
    clear = case.table["plane_clear_all"][c.days][:, case.plane_of[inputs]]
    still, right = (of.table["power"][c.days][:, inputs] <= _DARK * clear for of in (case, on_time(case)))
    return float((clear * right).sum() / max((clear * still).sum(), 1e-6))


def _other_clock(case: Case, c: Candidate, among: Sequence[Candidate]) -> bool:
    """Whether rows are missing on the first or last day only, because the stamps of another clock begin or end the record."""
    lit = np.flatnonzero(case.table["covered_h"] > 0)
    return bool(_own_clocks(among)) and not np.delete(c.days, lit[[0, -1]]).any()


def _own_clocks(among: Sequence[Candidate]) -> list[Candidate]:
    """Wrong clocks of a part of the site: the rest has another clock."""
    return [o for o in among if o.fault == "clock-shift" and o.scope != "site"]


#: Which suspicions are tried, and how they show that they are something else.
PRETENDS: Final[tuple[tuple[tuple[str, ...], Callable[[Case, Candidate, Sequence[Candidate]], bool]], ...]] = (
    (("substring-loss",), _flickers),
    (("substring-loss",), _other_type),
    (_ASLEEP, _sleeps),
    (("dead-input", "idle-input"), _dim_end),
    (("dead-input", "idle-input"), _together),
    (("dead-input", "unit-standby"), _restarts),
    (("shading",), _weak_not_shaded),
    (("hot-derating",), _shaded_whole),
    (("weak-input",), _counted_twice),
    (ZERO, _not_begun),
    (("unit-silent", "patchy-comms"), _other_clock),
    (("weak-input", "soiling", "hot-derating"), _beside_frozen),
    (("snow",), _without_grid),
    (("curtailment",), _own_limit),
    (("curtailment",), _capped_by_heat),
    (("curtailment",), _record_stood),
    (("soiling",), _known_law),
)
