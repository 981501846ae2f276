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

from typing import Any

import numpy as np
from numpy.typing import NDArray

from rules.allowed import allowed, as_beside
from rules.candidate import RuleResult, Teller, suspect
from rules.case import Case
from rules.compat.expected import expected_clipping
from rules.daytable import BIN_HOURS
from rules.finding import Alternative, Threshold
from rules.ranks import Floats, Mask

COLUMNS = ("dc_power_w", "ac_power_w")
MIN_HOURS = Threshold(0.75, "h a day", "own reasoning: a natural noon stays within 1 % of its top for about an hour")
RATED_HOURS = Threshold(0.3, "h a day", "own reasoning: at a declared rating a few rows suffice")
TOTAL_HOURS = Threshold(1.0, "h in all", "own reasoning: what bites for less in a whole record costs nothing")
OWN = Threshold(0.95, "of the unit's ceiling", "own reasoning: data sheets and meters agree within some 3 %")
NEAR = Threshold(0.95, "of the ceiling", "own reasoning: a half hour of which a cloud took a twentieth is still one at the ceiling")
LIT = Threshold(0.15, "W per rated W", "own reasoning: in lower light sky models are at their worst")
MOST_BROKEN = Threshold(3.0, "of the loss of whole half hours", "own reasoning: in more broken light the few whole tell little")
SURE_HOURS = Threshold(1.5, "h", "own reasoning: in less a flat cloud top, a frozen row or a meter's steps may look like a ceiling")
MIN_DAYS = Threshold(2, "days", "own reasoning: a ceiling shows again on the next bright day")

_THIN = 0.1  # off the strength with so little to show


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
        if not days.any() or hours[days].sum() < TOTAL_HOURS.value:
            continue
        # A ceiling is the same on every day; a lucky flat cloud top is not.
        top = float(np.median(levels[days]))
        days &= np.abs(levels - top) < 0.03 * top
        if not days.any() or (not rated and days.sum() < MIN_DAYS.value):
            continue
        own = False
        if ceiling is not None and ceiling.unit_w is not None:
            unit_top = top * float(case.rated[inputs].sum())
            amps = ceiling.current_w is not None and top * case.rated[inputs].max() > 0.9 * ceiling.current_w
            if unit_top < OWN.value * ceiling.unit_w and not amps:
                continue  # held below its own rating: not its ceiling
            own = OWN.value * unit_top < ceiling.unit_w  # a unit that runs far above its rating has another one, or a wrong record
        near = table["power"][:, inputs] > NEAR.value * levels[:, None, None] * BIN_HOURS
        near &= days[:, None, None]
        could = _could(case, inputs, near.any(axis=1))
        loss = (np.where(near, np.maximum(could - table["power"][:, inputs], 0), 0).sum(axis=2) * case.rated[inputs]).sum(axis=1)
        loss *= _broken(hours, near.any(axis=1).sum(axis=1) * BIN_HOURS)
        result.candidates.append(
            suspect(
                _telling(unit.serial, hours, top),
                fault="clipping",
                scope="unit",
                inputs=tuple(int(n) for n in inputs),
                days=days,
                loss_wh=loss,
                strength=(0.9 if ceiling is not None else 0.75) - (_THIN if hours[days].sum() < SURE_HOURS.value else 0.0),
                alternatives=(
                    Alternative("curtailment", 0.08, "Whether every unit stops at the same level below its rating."),
                ),
                despite=("clock-shift",) if own else (),  # a unit at its own rating is so at any hour
            )
        )  # fmt: skip
    return result


def _telling(serial: str, hours: Floats, top: float) -> Teller:
    """What stands in a finding of some days: ``hours`` [D] at the ceiling, ``top`` of the modules' rating."""

    def tell(days: Mask) -> tuple[str, dict[str, Any]]:
        total = float(hours[days].sum())
        why = (
            f"Unit {serial} ran at its ceiling for {total:.{0 if total >= 10 else 1}f} h on {int(days.sum())} days, "
            f"at {100 * top:.0f} % of the modules' rating."
        )
        return why, {"hours": round(total, 1), "level": round(top, 3)}

    return tell


def _broken(hours: Floats, whole: Floats) -> Floats:
    """Hours at the ceiling, [D], over those of whole half hours at it, [D]: between clouds a ceiling takes as much of an hour."""
    return np.asarray(np.clip(hours / np.maximum(whole, BIN_HOURS), 1.0, MOST_BROKEN.value))


def _could(case: Case, inputs: NDArray[np.int64], held: Mask) -> Floats:
    """Energy inputs could have made in the half hours ``held`` [D, B] at the ceiling, h, [D, M, B].

    By a sensor, or by the share of a clear sky's power that the planes made in the
    half hours beside: at the ceiling no input tells of the sky.
    """
    planes = case.plane_of[inputs]
    if case.sensor_trust[0]:
        return allowed(case, held)[:, planes]
    return np.nan_to_num(as_beside(case, held, np.unique(planes), LIT.value))[:, planes]
