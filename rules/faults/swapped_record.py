"""swapped-record: an input's data fit another plane than the site file gives it.

On the roof nothing is wrong with production: two inputs were noted in each
other's place, or a module hangs on another plane than drawn. A fault found at
one of them would send someone to the wrong module.

Looks at: the clear-day course of each input against the typical course of every
plane; its own must fit badly and another's well. Columns: ``dc_power_w`` or
what it can be derived from.

Looks the same: ``shading`` (fits its own plane but for some hours),
``clock-shift`` (everybody). Two inputs of one plane cannot be told apart.
"""

from __future__ import annotations

import numpy as np

from rules.case import Candidate, Case, Floats, RuleResult, Unjudged
from rules.finding import Alternative, Threshold
from rules.siblings import middle

COLUMNS = ("dc_power_w",)
BAD_FIT = Threshold(0.07, "of energy", "own reasoning: shapes of planes 30 degrees apart differ by more")
GOOD_FIT = Threshold(0.25, "of energy", "own reasoning: a clear-sky course without its clouds still misses this much")
SURE_FIT = Threshold(0.06, "of energy", "own reasoning: siblings of one plane fit each other within a few per cent")
BETTER = Threshold(0.6, "ratio of misfits", "own reasoning: the other plane must explain at least half of the misfit")
_FEW = 4
MIN_DAYS = Threshold(2, "days", "own reasoning: one day's clouds may imitate another plane")


def judge(case: Case) -> RuleResult:
    """Candidates for inputs that fit another plane."""
    result = RuleResult()
    planes = len(case.names)
    if planes < 2:
        if case.day_count:
            result.unjudged.append(Unjudged(None, "swapped-record", "one plane only: a swap leaves no trace", case.day_count))
        return result
    misfit = _misfit(case)
    size = np.bincount(case.plane_of, minlength=planes)
    fits: dict[int, tuple[int, np.ndarray, bool]] = {}
    for ref in case.inputs:
        n = ref.index
        own = int(case.plane_of[n])
        others = [p for p in range(planes) if p != own]
        best = min(others, key=lambda p: np.nansum(misfit[:, n, p]))
        mine, theirs = misfit[:, n, own], misfit[:, n, best]
        days = (mine > BAD_FIT.value) & (theirs < BETTER.value * mine) & (theirs < GOOD_FIT.value)
        told = np.isfinite(mine)
        if days.sum() < MIN_DAYS.value:
            continue
        inside = told[np.flatnonzero(days)[0] : np.flatnonzero(days)[-1] + 1].sum()
        if days.sum() < 0.6 * inside:
            continue
        plain = float(np.median(theirs[days])) < SURE_FIT.value and float(np.median(mine[days])) > 2 * BAD_FIT.value
        fits[n] = (best, days, plain and min(size[own], size[best]) >= _FEW and days.sum() >= 3)
    for n, (best, days, alone) in fits.items():
        partner = [
            m for m, (other, theirs, _) in fits.items()
            if m != n and other == case.plane_of[n] and case.plane_of[m] == best
            and (theirs & days).sum() >= 0.5 * min(theirs.sum(), days.sum())
            and min(_middle(misfit, m, other, theirs), _middle(misfit, n, best, days)) < SURE_FIT.value
        ]  # fmt: skip
        if not partner and not alone:
            continue
        ref = case.inputs[n]
        mate = case.inputs[partner[0]].label if partner else None
        result.candidates.append(
            Candidate(
                fault="swapped-record",
                scope="input",
                inputs=(n,),
                days=days,
                loss_wh=np.zeros(case.day_count),
                strength=float(np.clip(0.6 + 0.25 * bool(partner) + 0.03 * days.sum(), 0, 0.97)),
                why=(
                    f"{ref.label} follows plane '{case.names[best]}', not its own plane '{ref.plane}', on "
                    f"{int(days.sum())} days"
                    + (f"; {mate} does the opposite: their records are swapped." if mate else ".")
                ),
                evidence={
                    "fits_plane": case.names[best],
                    "partner": mate,
                    "misfit_own": round(middle(misfit[days, n, case.plane_of[n]]), 3),
                    "misfit_other": round(middle(misfit[days, n, best]), 3),
                },
                alternatives=(
                    Alternative("shading", 0.05, "Whether the loss of one half of the day comes with a gain in the other."),
                ),
                lasting=True,
            )
        )  # fmt: skip
    return result


def _middle(misfit: Floats, n: int, plane: int, days: np.ndarray) -> float:
    return middle(misfit[days, n, plane])


def _misfit(case: Case) -> Floats:
    """Share of a day's energy that a plane's typical course leaves unexplained, [D, N, P]; NaN on dull days."""
    power = case.table["power"]
    out = np.full((case.day_count, len(case.inputs), len(case.names)), np.nan)
    bright = (case.clear_weight >= 0.5).sum(axis=1) >= 6
    for p in range(len(case.names)):
        # Two or three members, one of them swapped, are no course to hold it against: the clear sky is.
        few = int((case.plane_of == p).sum()) < _FEW
        course = case.table["plane_clear" if few else "plane_typical"][:, p]
        # Only bins the input reported count.
        told = case.table["clear"] > 0
        shape = np.where(told, course[:, None, :], 0)
        scale = (power * shape).sum(axis=2) / np.maximum((shape**2).sum(axis=2), 1e-9)
        miss = np.abs(power - scale[:, :, None] * shape).sum(axis=2) / np.maximum(power.sum(axis=2), 1e-9)
        enough = bright[:, None] & (power.sum(axis=2) > 0.5) & (shape.sum(axis=2) > 0.5)
        out[:, :, p] = np.where(enough, miss, np.nan)
    return out
