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

from dataclasses import dataclass
from statistics import median

import numpy as np
from numpy.typing import NDArray

from rules.allowed import allowed, as_beside
from rules.candidate import Candidate, RuleResult
from rules.case import Case, once
from rules.days import runs_of, with_neighbours
from rules.daytable import BIN_HOURS
from rules.finding import Alternative, Threshold
from rules.gridwindow import grid_window
from rules.orders import CALM, CROWD, LEVEL, SAME, crowded, days_at
from rules.ranks import Floats, Mask
from rules.siblings import middle, nan_median
from rules.withheld import by_grid_volts, withheld

COLUMNS = ("dc_power_w", "ac_frequency_hz")
TIGHT = Threshold(0.012, "ratio", "own reasoning: units under one order stay level to a meter's per cent")
ALIKE_UNITS = Threshold(0.025, "ratio", "own reasoning: the same order per VA for all; free units differ by their modules")
BEND = Threshold(0.10, "ratio", "own reasoning: a natural course bends with the clear sky, five times the level's scatter")
BELOW = Threshold(0.95, "of clear sky", "own reasoning: model error is some 10 %, mostly taken out by the plane's gain")
FAR_BELOW = Threshold(0.80, "of clear sky", "own reasoning: where the sky's curve is flat, only a plain shortfall counts")
STRONG_HOURS = Threshold(1.5, "h", "own reasoning: no thin cloud keeps a level for so long against the sky's bend")
ALONE_HOURS = Threshold(2.5, "h", "own reasoning: one day alone must be plain")
PLAIN_HOURS = Threshold(4.0, "h", "own reasoning: half a day at one number while the sky's curve went up and down")
PLAIN_BEND = Threshold(0.25, "ratio", "own reasoning: a quarter of the sky's curve, twenty times the level's scatter")
FAIR_BEND = Threshold(0.07, "ratio", "own reasoning: near noon on three days, still five times the level's scatter")
DIP = Threshold(1.06, "of the share of clear sky", "own reasoning: dirt takes the same share at all hours, an order does not")
DIP_LIGHT = Threshold(0.35, "of the light of the run", "own reasoning: in lower light sky models are at their worst")
DIP_REACH = 6  # filled half hours on either side
EDGE = Threshold(0.25, "ratio", "own reasoning: an order begins or ends from one half hour to the next, in a sky that offered more")
REACHED = Threshold(0.97, "of the level", "own reasoning: units under an order stay level to some per cent")
REACHED_SHARE = Threshold(0.25, "of the hours of the order", "own reasoning: a plane seldom up to it loses next to nothing")
SUM_CROWD = Threshold(15.0, "standard deviations", "own reasoning: twice CROWD: with most units at a ceiling a sum moves little")
STIRRED = Threshold(0.05, "ratio", "own reasoning: twice CALM: what a cloud does within half an hour")
PAST = Threshold(0.5, "of the half hours at it", "own reasoning: clouds pass a number up and down")
OTHERS_STILL = Threshold(0.35, "of the clear sky's range", "own reasoning: a free unit follows the sky's curve and its clouds")
OTHERS_BINS = Threshold(4, "half hours of an order", "own reasoning: fewer show no range")
PLACES = Threshold(4, "places", "own reasoning: a report of more places than that is read as the whole site")
RETURNS = Threshold(3, "spells", "own reasoning: the same number three times is an order")
LEAST_LEVEL = Threshold(0.10, "of rating", "own reasoning: below, readings in steps of 5 W make a grey sky level")
STEPS = Threshold(10, "steps", "own reasoning: in fewer steps of the readings a grey sky stands still by itself")
LEAST_HOURS = Threshold(0.75, "h", "own reasoning: two half hours; one may be a cloud's")
COSTS = Threshold(0.005, "of the day's energy", "own reasoning: a number met in passing takes nothing; an order bites")
NEAR = Threshold(0.9, "of the level", "own reasoning: a half hour in which a cloud went by lies a little under it")
AGAIN_DAYS = Threshold(5, "days", "own reasoning: an order to the same number within a week is the same order")
AGAIN_HOURS = Threshold(1.5, "h", "own reasoning: no cloud stands for three half hours at a number known before")
BITES_HOURS = Threshold(1.5, "h a day", "own reasoning: an order that bites for less on its days can't be told from a broad noon")
GLOOM = Threshold(0.2, "of rating", "own reasoning: what a dull sky gives; a lid of cloud holds it level as an order would")
GLOOM_HOURS = Threshold(2.2, "h a day", "own reasoning: an order so low bites from morning to evening")
GLOOM_DAYS = Threshold(6, "days", "own reasoning: no lid of cloud comes back at one number for so many days")
FROZEN_HOURS = Threshold(3.0, "h", "own reasoning: a gateway repeats itself for hours; a ceiling's power moves in its last digit")
UPPER = 0.8  # rank of the units' load that is the site's level (rules.reduce)
RUNS = Threshold(0.01, "of rating", "own reasoning: as the level itself is read: less is a unit that does not run")
WORKING = Threshold(0.1, "of the unit's best input", "own reasoning: an input at a tenth of its neighbours is dead or dark")
OTHERS_AT = Threshold(0.5, "of half hours", "own reasoning: units that are free meet a number for minutes only")
FEW_FROZEN = Threshold(0.25, "of the inputs", "own reasoning: of a plane that stands still none sees the others do")
OWN_CEILING = Threshold(0.94, "of rating", "own reasoning: data sheets and meters agree within some 3 %, and half hours hold a dip")
CROWN_OVER = Threshold(0.04, "of the level", "own reasoning: what half hours beside, drawn on, may miss a natural noon by")
CROWN_FIT = Threshold(0.02, "of the level", "common practice: meters of units scatter by one or two per cent")
CROWN_HOURS = Threshold(3.0, "h", "own reasoning: a cosine stays within 1.2 % of its top for 1.5 to 2 h, with heat for 3")
OUTLAST = Threshold(1.0, "h", "own reasoning: two half hours at the ends; an order repeats readings no longer than it holds")
LEFT = Threshold(0.02, "of clear sky", "own reasoning: below what units need to stay awake")
HZ_RISE = Threshold(0.3, "Hz over nominal", "common practice: droop starts 0.036 to 0.2 Hz above nominal")


@dataclass(frozen=True)
class _Spell:
    """A run of level half hours on one day.

    Positions, level, hours, whether the sky bent, share of clear sky, whether the
    units were level with each other, whether more was made just before or after,
    and whether the units made more of the sky in the hours around.
    """

    day: int
    bins: np.ndarray
    level: float
    hours: float
    bend: float
    share: float
    alike: bool
    edge: bool
    dips: bool

    @property
    def fair(self) -> bool:
        return self.hours >= STRONG_HOURS.value and self.bend >= FAIR_BEND.value and self.share < BELOW.value

    @property
    def strong(self) -> bool:
        return self.fair and self.bend >= BEND.value

    @property
    def plain(self) -> bool:
        """Long and far below the sky: whatever the units, no cloud does that."""
        return self.hours >= PLAIN_HOURS.value and self.bend >= PLAIN_BEND.value and self.share < FAR_BELOW.value

    @property
    def alone(self) -> bool:
        """Enough by itself where several units stood at the level."""
        if not self.fair or not self.alike or self.hours < ALONE_HOURS.value:
            return False
        far = self.share < FAR_BELOW.value and self.edge
        return far or (self.strong and (self.bend > 1.5 * BEND.value or self.hours >= PLAIN_HOURS.value))


@once
def _held_down(case: Case) -> tuple[Mask, Mask, Mask]:
    """Bins with units at an ordered level, with their sum at one, and pulled down by the grid's frequency, [D, B]."""
    clear = case.table["plane_clear"].max(axis=1) * (float(np.max(case.plane_gain)) if len(case.names) else 1.0)
    light = _upper_light(case)
    own = _own_ceiling(case)
    return _again(case, _ordered(case, light, own), light, own), _by_sum(case), _droop(case, clear)


@once
def _upper_light(case: Case) -> Floats:
    """Power over rated VA that the unit at the rank of ``cap_level`` would have under a clear sky, [D, B].

    Units differ by their planes and by their modules' watts per VA: the level of
    the upper ones is weighed against what the sky offers to the upper ones.
    """
    loads = _loads(case)
    clear = case.table["plane_clear_all"] * case.plane_gain[None, :, None]
    units = []
    for u, unit in enumerate(case.site.units):
        mine = case.inputs_of_unit(u)
        va = case.site.inverters[unit.inverter].rated_va if unit.inverter else None
        could = np.einsum("dnb,n->db", clear[:, case.plane_of[mine]], case.rated[mine]) / (va or case.rated[mine].sum())
        units.append(np.where(loads[:, mine[0]] > RUNS.value, could / case.bin_hours, np.nan))
    ordered = np.sort(np.stack(units), axis=0)
    rank = np.rint(UPPER * np.maximum(np.isfinite(ordered).sum(axis=0) - 1, 0)).astype(int)
    return np.asarray(np.nan_to_num(np.take_along_axis(ordered, rank[None], 0)[0]))


@once
def _own_ceiling(case: Case) -> Mask:
    """Bins in which most upper units give what their working inputs can be rated at, [D, B].

    Each tracker has its share of a unit's rating: with one input dead a unit of
    four stops at three quarters.
    """
    loads, level = _loads(case), case.table["cap_level"]
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


@once
def held_bins(case: Case) -> Mask:
    """Bins in which units were held down, and those on either side, [D, B]: they tell nothing of sun or shade.

    Under a limit on their sum alone units still differ by what reaches them.
    """
    cap, _, droop = _held_down(case)
    held = cap | droop
    return with_neighbours(held & (held.sum(axis=1) * case.bin_hours >= LEAST_HOURS.value)[:, None])


@once
def ordered_days(case: Case) -> Mask:
    """Days on which an order of any kind held, [D]: whoever is held down, what was made of their sky tells nothing."""
    hours = np.logical_or.reduce(_held_down(case)).sum(axis=1) * case.bin_hours
    return np.asarray(hours >= LEAST_HOURS.value)


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
        own = nan_median(_loads(case)[d, frozen[d]][:, held[d]], 1)
        outlast = np.median(case.table["frozen_h"][d, frozen[d]]) > held[d].sum() * case.bin_hours + OUTLAST.value
        apart[d] = bool(outlast) or float(own.std()) > LEVEL.value * float(own.mean())
    for first, last in runs_of(some):
        # In the gloom of one day of them all may have the same number.
        out[first : last + 1] |= apart[first : last + 1].any()
    for d in np.flatnonzero(out & held.any(axis=1)):
        # Where many others stand at the level as well, it is no number of the few frozen ones.
        others = _loads(case)[d, ~frozen[d]][:, held[d]] / case.table["cap_level"][d, held[d]]
        few = frozen[d].mean() <= FEW_FROZEN.value
        out[d] = not (few and (np.abs(others - 1.0) < ALIKE_UNITS.value).mean() > OTHERS_AT.value)
    return np.asarray(out)


def judge(case: Case) -> RuleResult:
    """One candidate for the site, or one for each of the few places that came up to the order; one for hidden limits."""
    table, result = case.table, RuleResult()
    result.candidates += _hidden(case)
    cap, total, droop = _held_down(case)
    held = cap | total | droop
    width = case.bin_hours
    hours = held.sum(axis=1) * width
    days = (hours >= LEAST_HOURS.value) & ~_some_frozen(case, held)
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
        who = {
            "site": "All units",
            "plane": f"The units of plane {place}, up to the limit unlike others,",
            "unit": f"Unit {place}, up to the limit unlike others,",
        }[scope]
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
                why=(
                    f"{who} {'was' if scope == 'unit' else 'were'} held down for {hours[days].sum():.1f} h on "
                    f"{int(days.sum())} days "
                    + ("while the grid's frequency was high." if by_hz else
                       f"at a level of {100 * (levels or 0):.0f} % of their rating while the sky's light went on changing.")
                ),
                evidence={"hours": round(float(hours[days].sum()), 1), "level": None if levels is None else round(levels, 3),
                          "by_frequency": by_hz},
                alternatives=(
                    Alternative("clipping", 0.08, "Whether the level is the units' own rating."),
                    Alternative("soiling", 0.03, "Whether mornings and evenings are low too: a cap leaves them alone."),
                ),
            )
        )  # fmt: skip
    return result


def _hidden(case: Case) -> list[Candidate]:
    """Limits without a level, on days without an order: the house's load or the grid's voltage moves them."""
    out, free = [], ~ordered_days(case)
    for found, by_volts in ((withheld(case), False), (by_grid_volts(case), True)):
        if found is None or not (found.days & free).any():
            continue
        days = found.days & free
        free &= ~days
        told = np.isfinite(found.volts)
        lift = f", and their modules' voltage lay {100 * (found.volts - 1):.0f} % above its usual" if told else ""
        if by_volts:
            what = f"in hours of high grid voltage, on {int(days.sum())} days, and all of it at a lower one: they answer the grid."
        else:
            what = (f"in bright hours, and all of it in dim ones, on {int(days.sum())} days{lift}: a limit that moves, as with "
                    "the house's load.")  # fmt: skip
        out.append(
            Candidate(
                fault="curtailment",
                scope="site",
                inputs=tuple(range(len(case.inputs))),
                days=days,
                loss_wh=(found.lost_h.sum(axis=2)[:, case.plane_of] * case.rated).sum(axis=1) * days,
                strength=float(np.clip(0.6 + 0.05 * days.sum() + 0.1 * told, 0, 0.95)),
                why=f"All units together made {100 * found.made:.0f} % of what the sensor's light offered {what}",
                evidence={"hours": round(float(found.hours[days].sum()), 1), "of_light": round(found.made, 3), "level": None,
                          "volts_ratio": round(found.volts, 3) if told else None, "by_frequency": False},
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
    at = between[:, None, :] & (_loads(case) > NEAR.value * usual[:, None, :]) | (total | droop)[:, None, :]
    beside = as_beside(case, droop, np.arange(len(case.names)))
    beside = np.where(np.isfinite(beside), beside, case.table["plane_clear_all"] * case.plane_gain[None, :, None])
    could = np.where(droop[:, None, :], beside, allowed(case, with_neighbours(cap | total)))[:, case.plane_of]
    return np.asarray(np.where(at, np.maximum(could - case.table["power"], 0.0), 0.0).sum(axis=2))


@once
def _loads(case: Case) -> Floats:
    """Power of each input's unit over its rated VA (or module watts), [D, N, B]."""
    out = np.zeros(case.table["power"].shape)
    for u, unit in enumerate(case.site.units):
        mine = case.inputs_of_unit(u)
        va = case.site.inverters[unit.inverter].rated_va if unit.inverter else None
        load = (case.table["power"][:, mine] * case.rated[mine, None]).sum(axis=1) / (va or case.rated[mine].sum())
        out[:, mine] = load[:, None, :] / case.bin_hours
    return out


def _places(case: Case, held: Mask) -> list[tuple[str, str | None, NDArray[np.int64]]]:
    """Where units came up to the order while it held: scope, name and inputs of each place.

    The site, unless some units stayed below and the others are a few planes or units: those below lost nothing.
    """
    everywhere = np.arange(len(case.inputs))
    level = case.table["cap_level"] * np.where(held, 1.0, np.nan)
    with np.errstate(invalid="ignore"):
        there = (_loads(case) > REACHED.value * level[:, None, :]).sum(axis=(0, 2)) / max(int(held.sum()), 1)
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
    loads, clear = _loads(case)[:, others], case.table["clear"][:, others]
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


def _ordered(case: Case, light: Floats, own: Mask) -> Mask:
    """Bins at a level that was ordered, [D, B]."""
    table = case.table
    level, wobble, spread = table["cap_level"], table["cap_wobble"], table["cap_spread"]
    # With four units or fewer the upper and the middle one are the same: no spread to see.
    several = len(case.site.units) >= 5
    coarse = bool(np.median(table["step_s"]) > 900) if case.day_count else False
    tight = np.isfinite(level) & (level > _least(level, wobble)) & (light > 0.15)
    ceiling = _site_ceiling(case, level)
    tight &= (level < ceiling) & ~own
    alike = (np.nan_to_num(spread, nan=1.0) < ALIKE_UNITS.value) & np.bool_(several)
    width = case.bin_hours
    second = _seconds(level, wobble, tight)
    days = np.flatnonzero(second.any(axis=1)).tolist()
    spells = [s for d in days for s in _spells(d, level[d], wobble[d], tight[d], light[d], second[d], alike[d], width)]
    # A record that repeats itself is level too.
    stuck = np.median(table["frozen_h"], axis=1)
    out = np.zeros(level.shape, bool)
    for s in spells:
        like = [o for o in spells if abs(o.level / s.level - 1) < SAME.value]
        days_alike = {o.day for o in like if o.alike}
        strong = [o for o in like if o.strong and o.alike]
        repeated = s.strong and s.alike and len({o.day for o in strong}) >= (3 if coarse else 2)
        # Units of several planes, or too few to compare: only the number itself speaks, on one more day.
        repeated |= s.fair and len({o.day for o in like if o.fair}) >= 3
        repeated &= s.hours >= (3.0 if coarse else STRONG_HOURS.value)
        below = [o for o in like if o.alike and (o.strong or o.share < FAR_BELOW.value)]
        short = s.share < FAR_BELOW.value and s.alike and s.dips and len(below) >= RETURNS.value
        short &= bool(strong) or len(days_alike) >= 3 or (len(below) > RETURNS.value and len(days_alike) >= 2)
        single = not coarse and (s.alone or (s.plain and stuck[s.day] < 0.5 * s.hours))
        if single or repeated or short:
            out[s.day, s.bins] = True
    # Once a number is known for an order, shorter runs at it on its days are the same order.
    for s in spells:
        if not out[s.day, s.bins].all() and s.share < BELOW.value and (s.alike or not several):
            known = level[s.day][out[s.day]]
            if known.size and abs(s.level / float(np.median(known)) - 1) < SAME.value:
                out[s.day, s.bins] = True
    return out


def _again(case: Case, cap: Mask, light: Floats, own: Mask) -> Mask:
    """Bins of an order, with those in which its number came back under more light, [D, B].

    Readings may scatter too much, or clouds break the level too often, for a day
    to tell by itself. A number that stands out of the whole record counts on any
    day; one that a day told by itself counts within a week, and for longer.
    """
    level, wobble = case.table["cap_level"], case.table["cap_wobble"]
    width = case.bin_hours
    stuck = np.median(case.table["frozen_h"], axis=1)
    told = nan_median(np.where(cap, level, np.nan), 1)
    out = cap.copy()
    with np.errstate(invalid="ignore", divide="ignore"):
        brighter = (light > level / BELOW.value) & ~own
        far = (level > _least(level, wobble)) & (level < _site_ceiling(case, level)) & (level < FAR_BELOW.value * light)
        for number in crowded(level[far & ~(wobble >= CALM.value)], CROWD.value):
            near = (np.abs(level / number - 1) < LEVEL.value) & brighter
            near &= _dips(level / light, light, near)[:, None]
            moved = stuck < 0.5 * near.sum(axis=1) * width
            out |= near & (days_at(near, wobble) & moved | cap.any(axis=1))[:, None]
        for d in np.flatnonzero(cap.any(axis=1)):
            near = (np.abs(level / told[d] - 1) < LEVEL.value) & brighter
            reach = int(AGAIN_DAYS.value)
            for o in range(max(int(d) - reach, 0), min(int(d) + reach + 1, len(cap))):
                runs = [run for run in runs_of(near[o]) if run[1] > run[0]]
                hours = sum(last - first + 1 for first, last in runs) * width
                if o == d or (hours >= AGAIN_HOURS.value and middle(wobble[o, near[o]]) < CALM.value):
                    out[o] |= near[o]
    return out


def _dips(share: Floats, light: Floats, near: Mask) -> Mask:
    """Days on which the units made more of the sky beside the bins near a number than in them, [D]; True with nothing beside.

    The clear noons of a dirty roof come out alike too.
    """
    held = nan_median(np.where(near, share, np.nan), 1)
    lit = light >= DIP_LIGHT.value * np.where(near, light, 0.0).max(axis=1, keepdims=True)
    beside = np.where(lit & ~with_neighbours(near) & np.isfinite(share), share, -np.inf).max(axis=1)
    out: Mask = np.isneginf(beside) | (beside > DIP.value * held)
    return out


def _least(level: Floats, wobble: Floats) -> float:
    """Level from which on a run of one number is no grey sky in the readings' steps."""
    return max(LEAST_LEVEL.value, STEPS.value * _step_of(level, wobble))


def _step_of(level: Floats, wobble: Floats) -> float:
    """Step in which levels are reported: the least gap between those that stood still for half an hour; 0 without."""
    still = np.unique(np.round(level[(wobble == 0.0) & np.isfinite(level)], 3))
    return float(np.diff(still).min()) if len(still) >= 3 else 0.0


def _by_sum(case: Case) -> Mask:
    """Bins in which the sum of all units stood at an order, whatever each unit made, [D, B].

    A limit at the meter leaves it open who gives how much: planes take turns under it.
    """
    if len(case.site.units) < 2:
        return np.zeros(case.table["cap_level"].shape, bool)
    level, light, free = _sums(case)
    with np.errstate(invalid="ignore", divide="ignore"):
        step = np.nan_to_num(np.abs(np.log(level[:, 1:] / level[:, :-1])), nan=np.inf)
        edge = np.full((len(level), 1), np.inf)
        step = np.minimum(np.hstack([edge, step]), np.hstack([step, edge]))
        use = (level > LEAST_LEVEL.value) & (light > level / BELOW.value) & free
        far = use & (level < FAR_BELOW.value * light) & (step < CALM.value)
        out = np.zeros(level.shape, bool)
        for number in crowded(level[far], SUM_CROWD.value):
            near = use & (np.abs(level / number - 1) < LEVEL.value) & ~_in_step(case)
            # What went past a number between half hours at it was not held down to it.
            about = use & (np.abs(level / number - 1) < CALM.value)
            between = np.maximum.accumulate(about, axis=1) & np.maximum.accumulate(about[:, ::-1], axis=1)[:, ::-1]
            past = (between & (level > (1 + CALM.value) * number)).sum(axis=1) >= PAST.value * near.sum(axis=1)
            days = days_at(near, step) & ~past
            # A cloud or a lost row in a half hour leaves it a little below the number of its day.
            out |= about & days[:, None]
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
    clear = ((table["plane_clear_all"] * case.plane_gain[None, :, None])[:, case.plane_of] * case.rated[:, None]).sum(axis=1)
    if known:
        free = ~_own_ceiling(case)
    else:
        free = (table["free_power"] * case.rated[:, None]).sum(axis=1) >= 0.5 * (table["power"] * case.rated[:, None]).sum(axis=1)
    return power / whole / width, clear / whole / width, free


def _seconds(level: Floats, wobble: Floats, tight: Mask) -> Mask:
    """Bins that could be the second of a spell, [D, B]: calm, at the level of the filled bin before."""
    index = np.where(np.isfinite(level), np.arange(level.shape[1]), -1)
    before = np.maximum.accumulate(index, axis=1)
    before = np.concatenate([np.full_like(before[:, :1], -1), before[:, :-1]], axis=1)
    there, at = before >= 0, np.maximum(before, 0)
    with np.errstate(invalid="ignore", divide="ignore"):
        same = np.abs(level / np.take_along_axis(level, at, 1) - 1.0) < LEVEL.value
        return same & there & tight & np.take_along_axis(tight, at, 1) & ~(wobble >= TIGHT.value)


def _spells(
    d: int, level: Floats, wobble: Floats, tight: Mask, light: Floats, second: Mask, alike: Mask, width: float
) -> list[_Spell]:
    """Runs of two or more filled half hours at one level."""
    out: list[_Spell] = []
    filled = np.flatnonzero(np.isfinite(level)).tolist()
    levels, wobbles, tights = level.tolist(), wobble.tolist(), tight.tolist()
    # The first half hour of a run still holds the step down to it; an unknown wobble is none.
    joins = [tights[b] and not wobbles[b] >= TIGHT.value for b in filled]
    stop = 0
    for start in (np.flatnonzero(second[filled]) - 1).tolist():
        if start < stop:
            continue  # inside the spell before
        held, stop = levels[filled[start]], start + 1
        while stop < len(filled) and joins[stop] and abs(levels[filled[stop]] / held - 1) < LEVEL.value:
            stop += 1
            held = median([levels[b] for b in filled[start:stop]])
        at = np.array(filled[start:stop])
        curve = light[at].tolist()
        beside = [levels[b] for b in (*filled[max(start - 1, 0) : start], *filled[stop : stop + 1])]
        edge = any(other > (1 + EDGE.value) * held for other in beside)
        around = np.array([*filled[max(start - DIP_REACH, 0) : start], *filled[stop : stop + DIP_REACH]], dtype=int)
        around = around[light[around] > DIP_LIGHT.value * max(curve)]
        share = held / median(curve)
        if _is_crown(levels, filled, start, stop, held, width):
            continue
        dips = not around.size or float((level[around] / light[around]).max()) > DIP.value * share
        level_with = float(alike[at].mean()) >= 0.7
        out.append(
            _Spell(d, at, held, len(at) * width, max(curve) / min(curve) - 1, share, level_with, edge, dips)
        )
    return out


def _is_crown(levels: list[float], filled: list[int], start: int, stop: int, held: float, width: float) -> bool:
    """Whether a run of level half hours is the round top of a smooth course.

    A clear day's noon stays within 1 % for an hour or two by itself. Then the two
    half hours on either side, drawn on as a parabola, lead to the level; an order
    cuts off what they lead to. Courses that clouds break lead nowhere.

    Parameters
    ----------
    levels : [B] of the day; ``filled`` the bins that hold one; the run is ``filled[start:stop]`` at ``held``.
    """
    if (stop - start) * width > CROWN_HOURS.value or start < 2 or stop + 2 > len(filled):
        return False
    beside = [*range(start - 2, start), *range(stop, stop + 2)]
    middle_of = (filled[start] + filled[stop - 1]) / 2
    run = np.array([filled[i] - middle_of for i in range(start, stop)])
    x, y = np.array([filled[i] - middle_of for i in beside]), np.array([levels[filled[i]] for i in beside]) / held
    course = np.polyfit(x, y, 2)
    missed = np.abs(np.polyval(course, x) - y).max()
    inside = np.abs(np.polyval(course, run) - 1.0).max()
    return bool(missed < CROWN_FIT.value and inside < CROWN_OVER.value)


def _site_ceiling(case: Case, level: Floats) -> float:
    """Level, per rated VA (or module watt), from which on it is the units' own ceiling."""
    known = [u.inverter is not None and case.site.inverters[u.inverter].rated_va is not None for u in case.site.units]
    if np.mean(known) > 0.5:
        return 0.94
    # Ratings unknown: the highest level of the record may be the units' own.
    top = float(np.nanmax(level, initial=0.0)) if np.isfinite(level).any() else 1.0
    return 0.97 * top


def _droop(case: Case, clear: Floats) -> Mask:
    """Bins with high frequency and power below the sky's, [D, B]."""
    hertz = case.table["hz_bin"]
    if not np.isfinite(hertz).any():
        return np.zeros(hertz.shape, bool)
    window = grid_window(case.site, None, hertz[np.isfinite(hertz)])
    high = hertz > window.nominal_hz + HZ_RISE.value
    share = case.plane_share
    worst = np.nanmin(np.where(np.isfinite(share), share, np.inf), axis=1)
    near = np.stack([np.roll(worst, k, axis=1) for k in (-3, -2, 2, 3)])
    # Who makes nothing has left the grid: that is no answer by degrees.
    low = (worst > LEFT.value) & (worst < 0.8) & (worst < 0.85 * np.where(np.isfinite(near), near, 0).max(axis=0))
    calm = np.nan_to_num(case.table["kt_wobble"]) < 0.25
    return high & low & calm & (clear > 0.2 * BIN_HOURS)
