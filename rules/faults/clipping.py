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

from rules.allowed import allowed, as_beside, free_gain
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
FAR_APART = Threshold(1800.0, "s between rows", "own reasoning: a noon's two or three means are alike without a ceiling")
FAR_ROWS = Threshold(4, "rows", "own reasoning: two noons of two rows")
OWN = Threshold(0.95, "of the unit's ceiling", "own reasoning: data sheets and meters agree within some 3 %")
SUNNY = Threshold(0.5, "weight", "own reasoning: the direct sun more likely shone than not")
LIT = Threshold(0.15, "W per rated W", "own reasoning: in lower light sky models are at their worst")
WHOLE = Threshold(0.95, "of the highest reading", "own reasoning: three deviations of a meter good to 1.5 %")
UNSEEN = Threshold(1.25, "of the hours seen", "own reasoning: such a meter puts a sixth of the rows under what counts")
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
        far = table["step_s"] >= FAR_APART.value
        if not days.any() or hours[days].sum() < TOTAL_HOURS.value:
            continue
        if far[days].all() and (days.sum() < MIN_DAYS.value or hours[days].sum() * 3600.0 < FAR_ROWS.value * table["step_s"].max()):
            continue  # noon's means of an hour are alike by themselves
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
        loss = _loss_wh(case, inputs, days)
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


def _loss_wh(case: Case, inputs: NDArray[np.int64], days: Mask) -> Floats:
    """Energy a unit's ``inputs`` could have made above its ceiling, Wh, [D]; none but on ``days`` [D]."""
    table, rated = case.table, case.rated[inputs]
    # What was made in no free row was made at a ceiling, and a ceiling is the same in all of them: energy tells the hours.
    held = table["power"][:, inputs] - table["free_power"][:, inputs]
    held_wh = np.where(days[:, None], np.einsum("dmb,m->db", held, rated), 0.0)
    wide = np.maximum(table["step_s"] / 3600.0, BIN_HOURS)  # a row of an hour fills every other half hour
    # The highest reading is a meter's noise too high; a whole half hour's mean is not, but clouds may leave none whole.
    highest_w = np.einsum("dm,m->d", np.nan_to_num(table["clip_level"][:, inputs]), rated)
    top_w = np.clip((held_wh / wide[:, None]).max(axis=1), WHOLE.value * highest_w, highest_w)
    at = held_wh / np.maximum(top_w, 1e-9)[:, None]
    hours = table["clipped_h"][:, inputs].max(axis=1)
    at *= np.minimum(1.0, UNSEEN.value * hours / np.maximum(at.sum(axis=1), 1e-9))[:, None]
    at = np.minimum(at, wide[:, None])
    could_w = np.einsum("dmb,m->db", _could(case, inputs, at, held, wide), rated)
    return np.asarray((np.maximum(could_w - top_w[:, None], 0.0) * at).sum(axis=1))


def _could(case: Case, inputs: NDArray[np.int64], at: Floats, held: Floats, wide: Floats) -> Floats:
    """Power inputs could have given while their unit stood at its ceiling, W per rated W, [D, M, B].

    A clear sky's, for under less light the unit comes off its ceiling between two
    clouds: at the share of the model that the planes made in clear half hours
    beside, else on other days. A sensor tells of thin cloud: its mean over the
    half hour, less what was made in the rest of it.

    Parameters
    ----------
    at : [D, B], hours at the ceiling.
    held : [D, M, B], energy made meanwhile, h.
    wide : [D], hours that a bin's rows stand for.
    """
    planes, bins, wide = case.plane_of[inputs], at > 0, wide[:, None, None]
    clear = _clear_sky(case, bins, np.unique(planes))[:, planes] / wide
    if not case.sensor_trust[0]:
        return clear
    mean = allowed(case, bins)[:, planes]
    rest = case.table["power"][:, inputs] - held
    told = (mean - rest) / np.maximum(at[:, None], 0.1 * wide)
    return np.minimum(told, np.maximum(clear, mean / wide))


def _clear_sky(case: Case, bins: Mask, planes: NDArray[np.int64]) -> Floats:
    """Energy planes make under the clear sky of a day, h, [D, P, B]; ``bins`` [D, B] are those that tell nothing of it."""
    beside = as_beside(case, bins | (case.clear_weight < SUNNY.value), planes, LIT.value)
    usual = case.table["plane_clear_all"] * free_gain(case, bins)[None, :, None]
    return np.where(np.isfinite(beside), beside, usual)
