"""curtailment: all units are held below what the light offers.

On the roof nothing is wrong: an export limit, an operator's order, or the
units' own response to high frequency or voltage holds them down together.

Looks at: an upper level of all units that stays flat for an hour and a half or
more, below their rating, while the clear sky's curve moves; or power falling as
frequency rises. Columns: ``dc_power_w`` or ``ac_power_w``; ``ac_frequency_hz``
for the second kind.

Looks the same: ``clipping`` (a unit's own ceiling), ``soiling`` (a share, not a
flat top), passing clouds (not flat), ``hot-derating`` (follows temperature).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from rules.allowed import allowed, as_beside
from rules.candidate import Candidate, RuleResult, Teller, by_days, suspect
from rules.case import Case
from rules.compat.expected import expected_clipping
from rules.days import runs_of, with_neighbours
from rules.finding import Alternative, Threshold
from rules.held import LEAST_HOURS, held_down, ordered_days
from rules.levelspells import BEND
from rules.loads import ALIKE_UNITS, LEAST_LEVEL, REACHED, unit_loads
from rules.ontime import on_time, one_clock
from rules.orders import LEVEL
from rules.ranks import Floats, Mask
from rules.siblings import nan_median
from rules.withheld import by_grid_volts, withheld

COLUMNS = ("dc_power_w", "ac_frequency_hz")
REACHED_SHARE = Threshold(0.25, "of the hours of the order", "own reasoning: a plane seldom up to it loses next to nothing")
OTHERS_STILL = Threshold(0.35, "of the clear sky's range", "own reasoning: a free unit follows the sky's curve and its clouds")
OTHERS_BINS = Threshold(4, "half hours of an order", "own reasoning: fewer show no range")
PLACES = Threshold(4, "places", "own reasoning: a report of more places than that is read as the whole site")
OWN_RATING = Threshold(
    0.94, "of its share of the rating", "own reasoning: meters agree within some 3 %; a bin's mean lies below its top"
)
COSTS = Threshold(0.005, "of the day's energy", "own reasoning: a number met in passing takes nothing; an order bites")
NEAR = Threshold(0.9, "of the level", "own reasoning: a half hour in which a cloud went by lies a little under it")
BITES_HOURS = Threshold(1.5, "h a day", "own reasoning: an order that bites for less on its days can't be told from a broad noon")
GLOOM = Threshold(0.2, "of rating", "own reasoning: what a dull sky gives; a lid of cloud holds it level as an order would")
GLOOM_HOURS = Threshold(2.2, "h a day", "own reasoning: an order so low bites from morning to evening")
GLOOM_DAYS = Threshold(6, "days", "own reasoning: no lid of cloud comes back at one number for so many days")
FROZEN_HOURS = Threshold(3.0, "h", "own reasoning: a gateway repeats itself for hours; a ceiling's power moves in its last digit")
OTHERS_AT = Threshold(0.5, "of half hours", "own reasoning: units that are free meet a number for minutes only")
FEW_FROZEN = Threshold(0.25, "of the inputs", "own reasoning: of a plane that stands still none sees the others do")
OUTLAST = Threshold(1.0, "h", "own reasoning: two half hours at the ends; an order repeats readings no longer than it holds")


def _some_frozen(case: Case, held: Mask) -> Mask:
    """Days on which inputs repeat themselves for hours, [D]: the level of the hours ``held`` [D, B] is theirs.

    Coarse readings repeat themselves under an order too, but most inputs do, and at
    the order's number and for as long as it holds; frozen ones keep each the number it had.
    """
    frozen = case.table["frozen_h"] >= FROZEN_HOURS.value
    some: Mask = np.logical_or.reduce(frozen, axis=1)
    out = some & (frozen.mean(axis=1) <= 0.5)
    apart = np.zeros_like(out)
    for d in np.flatnonzero(some & ~out & held.any(axis=1)):
        own = nan_median(unit_loads(case)[d, frozen[d]][:, held[d]], 1)
        outlast = np.median(case.table["frozen_h"][d, frozen[d]]) > held[d].sum() * case.bin_hours + OUTLAST.value
        apart[d] = bool(outlast) or float(own.std()) > LEVEL.value * float(own.mean())
    for first, last in runs_of(some):
        # In the gloom of one day of them all may have the same number.
        out[first : last + 1] |= apart[first : last + 1].any()
    for d in np.flatnonzero(out & held.any(axis=1)):
        # Where many others stand at the level as well, it is no number of the few frozen ones.
        others = unit_loads(case)[d, ~frozen[d]][:, held[d]] / case.table["cap_level"][d, held[d]]
        few = frozen[d].mean() <= FEW_FROZEN.value
        out[d] = not (few and (np.abs(others - 1.0) < ALIKE_UNITS.value).mean() > OTHERS_AT.value)
    return np.asarray(out)


def judge(case: Case) -> RuleResult:
    """One candidate for the site, or one for each of the few places that came up to the order; one for hidden limits."""
    result, despite = RuleResult(), ("clock-shift",) if one_clock(case).all() else ()
    case = on_time(case)
    table = case.table
    result.candidates += _hidden(case)
    cap, total, droop = held_down(case)
    held = cap | total | droop
    width = case.bin_hours
    hours = held.sum(axis=1) * width
    # What stands in for a few frozen records in the sum moves with the light, and so the sum is the order's.
    summed = (total.sum(axis=1) > cap.sum(axis=1)) & (
        (case.table["frozen_h"] >= FROZEN_HOURS.value).mean(axis=1) <= FEW_FROZEN.value
    )
    days = (hours >= LEAST_HOURS.value) & (~_some_frozen(case, held) | summed)
    if not days.any():
        return result
    cap, total, droop = (bins & days[:, None] for bins in (cap, total, droop))
    by_hz = bool(droop.sum() > (cap | total).sum())
    places = _places(case, cap)
    whole = by_hz or total.sum() > cap.sum()
    if len(places[0][2]) < len(case.inputs) and _others_too(case, cap, np.concatenate([inputs for _, _, inputs in places])):
        whole, total = True, total | cap  # a limit on the sum, or by the unit: none of them stands out
    if whole:
        places = [("site", None, np.arange(len(case.inputs)))]
    lost = _lost(case, cap, total, droop)
    days &= (lost * case.rated).sum(axis=1) >= COSTS.value * (case.energy * case.rated).sum(axis=1)
    if not days.any():
        return result
    levels = float(np.nanmedian(table["cap_level"][cap | total])) if (cap | total).any() else None
    low = levels is not None and levels < GLOOM.value and not case.sensor_trust[0] and days.sum() < GLOOM_DAYS.value
    least = GLOOM_HOURS.value if low else BITES_HOURS.value
    if not droop.any() and hours[days].mean() < least:
        return result
    for scope, place, inputs in places:
        if scope != "site" and _at_own_rating(case, inputs, cap & days[:, None]):
            continue  # with an ill input the others stand above the share of the rating that all would
        tell = _telling(scope, place, hours, by_hz, levels)
        why, evidence = tell(days)
        loss = (lost[:, inputs] * case.rated[inputs]).sum(axis=1) * days
        result.candidates.append(
            Candidate(
                fault="curtailment",
                scope=scope,
                plane=place if scope == "plane" else None,
                inputs=tuple(inputs.tolist()),
                days=days,
                loss_wh=loss,
                strength=float(np.clip(0.55 + 0.08 * hours[days].mean() + 0.05 * days.sum(), 0, 0.97)),
                why=why,
                evidence=evidence,
                alternatives=(
                    Alternative("clipping", 0.08, "Whether the level is the units' own rating."),
                    Alternative("soiling", 0.03, "Whether mornings and evenings are low too: a cap leaves them alone."),
                ),
                despite=despite,
                tell=tell,
            )
        )
    return result


def _at_own_rating(case: Case, inputs: np.ndarray, held: Mask) -> bool:
    """Whether an input of each of some units makes its share of the unit's rating in the bins held, [D, B]: no order, a ceiling."""
    for u in np.unique(case.unit_of[inputs]).tolist():
        mine = case.inputs_of_unit(u)
        ceiling = expected_clipping(case.inputs[int(mine[0])], connected=len(mine))
        made_w = (case.table["power"][:, mine] * case.rated[mine, None]).transpose(1, 0, 2)[:, held] / case.bin_hours
        if ceiling is None or not made_w.size or np.median(made_w, axis=1).max() < OWN_RATING.value * ceiling.power_w:
            return False
    return True


def _telling(scope: str, place: str | None, hours: Floats, by_hz: bool, level: float | None) -> Teller:
    """What stands in a finding of some days: ``hours`` [D] held down, at which ``level`` of the rating."""
    who, their = {
        "site": ("All units were", "their"),
        "plane": (f"The units of plane {place}, which alone came up to the limit, were", "their"),
        "unit": (f"Unit {place}, which came up to the limit while others did not, was", "its"),
    }[scope]

    def tell(days: Mask) -> tuple[str, dict[str, Any]]:
        total = float(hours[days].sum())
        why = f"{who} held down for {total:.1f} h on {int(days.sum())} days " + (
            "while the grid's frequency was high."
            if by_hz
            else f"at a level of {100 * (level or 0):.0f} % of {their} rating while the sky's light went on changing."
        )
        return why, {"hours": round(total, 1), "level": None if level is None else round(level, 3), "by_frequency": by_hz}

    return tell


def _hidden(case: Case) -> list[Candidate]:
    """Limits without a level, on days without an order: the house's load or the grid's voltage moves them."""
    out, free = [], ~ordered_days(case)
    for found, by_volts in ((withheld(case), False), (by_grid_volts(case), True)):
        if found is None or not (found.days & free).any():
            continue
        days = found.days & free
        free &= ~days
        told_volts = np.isfinite(found.volts)
        lift = f", and their modules' voltage lay {100 * (found.volts - 1):.0f} % above its usual" if told_volts else ""
        if by_volts:
            what = "in hours of high grid voltage, on {days} days, and all of it at a lower one: they answer the grid."
        else:
            what = (f"in bright hours, and all of it in dim ones, on {{days}} days{lift}: a limit that moves, as with "
                    "the house's load.")  # fmt: skip
        out.append(
            suspect(
                by_days(
                    f"All units together made {100 * found.made:.0f} % of what the sensor's light offered {what}",
                    {"hours": round(float(found.hours[days].sum()), 1), "of_light": round(found.made, 3), "level": None,
                     "volts_ratio": round(found.volts, 3) if told_volts else None, "by_frequency": False},
                ),
                fault="curtailment",
                scope="site",
                inputs=tuple(range(len(case.inputs))),
                days=days,
                loss_wh=(found.lost_h.sum(axis=2)[:, case.plane_of] * case.rated).sum(axis=1) * days,
                strength=float(np.clip(0.6 + 0.05 * days.sum() + 0.1 * told_volts, 0, 0.95)),
                alternatives=(
                    Alternative("soiling", 0.08, "Whether dim hours are low too: dirt takes its share at all hours."),
                    Alternative("hot-derating", 0.05, "Whether cool bright days are free of it."),
                ),
            )
        )  # fmt: skip
    return out


def _lost(case: Case, cap: Mask, total: Mask, droop: Mask) -> Floats:
    """Energy that units at the order could have made besides, h, [D, N].

    Half hours between those of an order count where a unit stood near it: a cloud went by.
    """
    level = np.where(cap, case.table["cap_level"], np.nan)
    usual = nan_median(level, 1)[:, None]
    index = np.arange(cap.shape[1])
    first = np.where(cap, index, cap.shape[1]).min(axis=1)[:, None] - 1
    last = np.where(cap, index, -1).max(axis=1)[:, None] + 1
    between = (index >= first) & (index <= last)
    at = between[:, None, :] & (unit_loads(case) > NEAR.value * usual[:, None, :]) | (total | droop)[:, None, :]
    beside = as_beside(case, droop, np.arange(len(case.names)))
    beside = np.where(np.isfinite(beside), beside, case.table["plane_clear_all"] * case.plane_gain[None, :, None])
    could = np.where(droop[:, None, :], beside, allowed(case, with_neighbours(cap | total)))[:, case.plane_of]
    return np.asarray(np.where(at, np.maximum(could - case.table["power"], 0.0), 0.0).sum(axis=2))


def _places(case: Case, held: Mask) -> list[tuple[str, str | None, NDArray[np.int64]]]:
    """Where units came up to the order while it held: scope, name and inputs of each place.

    The site, unless some units stayed below and the others are a few planes or units: those below lost nothing.
    """
    everywhere = np.arange(len(case.inputs))
    level = case.table["cap_level"] * np.where(held, 1.0, np.nan)
    with np.errstate(invalid="ignore"):
        there = (unit_loads(case) > REACHED.value * level[:, None, :]).sum(axis=(0, 2)) / max(int(held.sum()), 1)
    reached = there > REACHED_SHARE.value
    out: list[tuple[str, str | None, NDArray[np.int64]]] = []
    for p, name in enumerate(case.names):
        mine = np.flatnonzero(case.plane_of == p)
        if reached[mine].all():
            out.append(("plane", name, mine))
            reached[mine] = False
    for u, unit in enumerate(case.site.units):
        if reached[case.inputs_of_unit(u)].any():
            out.append(("unit", unit.serial, case.inputs_of_unit(u)))
    told = np.concatenate([inputs for _, _, inputs in out]) if out else everywhere
    return out if 0 < len(out) <= PLACES.value and len(told) < len(everywhere) else [("site", None, everywhere)]


def _others_too(case: Case, held: Mask, told: NDArray[np.int64]) -> bool:
    """Whether units beside those ``told`` stood still too while an order held, each at its own level, and the sky moved."""
    others = np.setdiff1d(np.arange(len(case.inputs)), told)
    loads, clear = unit_loads(case)[:, others], case.table["clear"][:, others]
    works = (case.energy[:, others] > 0) & (loads.max(axis=2) > LEAST_LEVEL.value)
    still = moved = 0
    for d in np.flatnonzero(held.sum(axis=1) >= OTHERS_BINS.value):
        at = held[d]
        for k in np.flatnonzero(works[d]):
            load, light = loads[d, k, at], clear[d, k, at]
            if not (load > 0).all() or _range(light) < BEND.value:
                continue
            still += _range(load) < OTHERS_STILL.value * _range(light)
            moved += _range(load) >= OTHERS_STILL.value * _range(light)
    return still > 2 * moved


def _range(values: Floats) -> float:
    """Spread of some values between the outer tenths, over their middle."""
    low, mid, high = np.quantile(values, [0.1, 0.5, 0.9])
    return float((high - low) / max(mid, 1e-9))
