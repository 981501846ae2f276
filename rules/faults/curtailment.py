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

from rules.case import Candidate, Case, Floats, Mask, RuleResult, once, with_neighbours
from rules.daytable import BIN_HOURS
from rules.finding import Alternative, Threshold
from rules.gridwindow import grid_window

COLUMNS = ("dc_power_w", "ac_frequency_hz")
TIGHT = Threshold(0.012, "ratio", "own reasoning: units under one order stay level to a meter's per cent")
ALIKE_UNITS = Threshold(0.025, "ratio", "own reasoning: the same order per VA for all; free units differ by their modules")
SAME = Threshold(0.006, "ratio", "own reasoning: an order returns as the same number; chance levels lie anywhere")
LEVEL = Threshold(0.012, "ratio", "own reasoning: an order is the same number from half hour to half hour and day to day")
BEND = Threshold(0.10, "ratio", "own reasoning: a natural course bends with the clear sky, five times the level's scatter")
BELOW = Threshold(0.95, "of clear sky", "own reasoning: model error is some 10 %, mostly taken out by the plane's gain")
FAR_BELOW = Threshold(0.80, "of clear sky", "own reasoning: where the sky's curve is flat, only a plain shortfall counts")
STRONG_HOURS = Threshold(1.5, "h", "own reasoning: no thin cloud keeps a level for so long against the sky's bend")
ALONE_HOURS = Threshold(2.5, "h", "own reasoning: one day alone must be plain")
PLAIN_HOURS = Threshold(4.0, "h", "own reasoning: half a day at one number while the sky's curve went up and down")
PLAIN_BEND = Threshold(0.25, "ratio", "own reasoning: a quarter of the sky's curve, twenty times the level's scatter")
FAIR_BEND = Threshold(0.07, "ratio", "own reasoning: near noon on three days, still five times the level's scatter")
EDGE = Threshold(0.25, "ratio", "own reasoning: an order begins or ends from one half hour to the next, in a sky that offered more")
REACHED = Threshold(0.97, "of the level", "own reasoning: units under an order stay level to some per cent")
REACHED_SHARE = Threshold(0.25, "of the hours of the order", "own reasoning: a plane seldom up to it loses next to nothing")
RETURNS = Threshold(3, "spells", "own reasoning: the same number three times is an order")
LEAST_LEVEL = Threshold(0.10, "of rating", "own reasoning: below, readings in steps of 5 W make a grey sky level")
LEAST_HOURS = Threshold(0.75, "h", "own reasoning: two half hours; one may be a cloud's")
HZ_RISE = Threshold(0.3, "Hz over nominal", "common practice: droop starts 0.036 to 0.2 Hz above nominal")


@dataclass(frozen=True)
class _Spell:
    """A run of level half hours on one day.

    Positions, level, hours, whether the sky bent, share of clear sky, whether the
    units were level with each other, and whether more was made just before or after.
    """

    day: int
    bins: np.ndarray
    level: float
    hours: float
    bend: float
    share: float
    alike: bool
    edge: bool

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
        if not self.strong or not self.alike or self.hours < ALONE_HOURS.value:
            return False
        far = self.share < FAR_BELOW.value and self.edge
        return self.bend > 1.5 * BEND.value or self.hours >= PLAIN_HOURS.value or far


@once
def _held_down(case: Case) -> tuple[Mask, Mask]:
    """Bins at an ordered level, and bins pulled down by the grid's frequency, [D, B]; asked for by two rules."""
    clear = case.table["plane_clear"].max(axis=1) * (float(np.max(case.plane_gain)) if len(case.names) else 1.0)
    return _ordered(case, clear), _droop(case, clear)


def held_bins(case: Case) -> Mask:
    """Bins in which the site was held down, and those on either side, [D, B]: they tell nothing of sun or shade."""
    cap, droop = _held_down(case)
    held = (cap | droop) & ((cap | droop).sum(axis=1) * _bin_hours(case.table["cap_level"]) >= LEAST_HOURS.value)[:, None]
    return with_neighbours(held)


def judge(case: Case) -> RuleResult:
    """At most one candidate for the site."""
    table, result = case.table, RuleResult()
    cap, droop = _held_down(case)
    held = cap | droop
    width = _bin_hours(table["cap_level"])
    hours = held.sum(axis=1) * width
    days = hours >= LEAST_HOURS.value
    if not days.any():
        return result
    level = table["cap_level"]
    free = table["plane_clear_all"][:, case.plane_of] * case.plane_gain[case.plane_of][None, :, None]
    expected = np.maximum(free, table["power"])
    lost = np.where(held[:, None, :], expected - table["power"], 0.0).sum(axis=2)
    levels = float(np.nanmedian(level[cap & days[:, None]])) if cap[days].any() else None
    by_hz = bool(droop[days].sum() > cap[days].sum())
    plane = _only_plane(case, cap & days[:, None]) if cap[days].any() and not by_hz else None
    inputs = np.arange(len(case.inputs)) if plane is None else np.flatnonzero(case.plane_of == plane)
    others = np.setdiff1d(np.arange(len(case.inputs)), inputs)
    lost[:, others] = 0.0
    who = "All units" if plane is None else f"The units of plane {case.names[plane]}, the only ones to reach the limit,"
    result.candidates.append(
        Candidate(
            fault="curtailment",
            scope="site" if plane is None else "plane",
            plane=None if plane is None else case.names[plane],
            inputs=tuple(inputs.tolist()),
            days=days,
            loss_wh=(lost * case.rated).sum(axis=1) * days,
            strength=float(np.clip(0.55 + 0.08 * hours[days].mean() + 0.05 * days.sum(), 0, 0.97)),
            why=(
                f"{who} were held down for {hours[days].sum():.1f} h on {int(days.sum())} days "
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


def _only_plane(case: Case, held: Mask) -> int | None:
    """The plane whose inputs alone came up to the order while it held; None when several did, or there is one plane."""
    level = case.table["cap_level"] * np.where(held, 1.0, np.nan)
    there = np.zeros(len(case.inputs))
    for u, unit in enumerate(case.site.units):
        mine = case.inputs_of_unit(u)
        va = case.site.inverters[unit.inverter].rated_va if unit.inverter else None
        load = (case.table["power"][:, mine] * case.rated[mine, None]).sum(axis=1) / BIN_HOURS / (va or case.rated[mine].sum())
        with np.errstate(invalid="ignore"):
            there[mine] = (load > REACHED.value * level).sum() / max(int(held.sum()), 1)
    reach = [p for p in range(len(case.names)) if there[case.plane_of == p].mean() > REACHED_SHARE.value]
    return reach[0] if len(reach) == 1 < len(case.names) else None


def _bin_hours(level: Floats) -> float:
    """Hours a filled bin stands for: longer than the bin where rows are hourly."""
    filled = np.isfinite(level).sum(axis=1)
    many = filled[filled > 0]
    return 1.0 if many.size and np.median(many) < 16 and _alternating(level) else BIN_HOURS


def _alternating(level: Floats) -> bool:
    day = int(np.isfinite(level).sum(axis=1).argmax())
    at = np.flatnonzero(np.isfinite(level[day]))
    return bool(at.size > 2 and np.median(np.diff(at)) >= 2)


def _ordered(case: Case, clear: Floats) -> Mask:
    """Bins at a level that was ordered, [D, B]."""
    table = case.table
    level, wobble, spread = table["cap_level"], table["cap_wobble"], table["cap_spread"]
    # With four units or fewer the upper and the middle one are the same: no spread to see.
    several = len(case.site.units) >= 5
    coarse = bool(np.median(table["step_s"]) > 900) if case.day_count else False
    # Levels are per rated VA, the sky's curve per module watt.
    light = clear / BIN_HOURS * _watts_per_va(case)
    tight = np.isfinite(level) & (level > LEAST_LEVEL.value) & (light > 0.15)
    ceiling = _site_ceiling(case, level)
    tight &= level < ceiling
    alike = (np.nan_to_num(spread, nan=1.0) < ALIKE_UNITS.value) & np.bool_(several)
    width = _bin_hours(level)
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
        short = s.share < FAR_BELOW.value and s.alike and len(below) >= RETURNS.value
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
        level_with = float(alike[at].mean()) >= 0.7
        out.append(
            _Spell(d, at, held, len(at) * width, max(curve) / min(curve) - 1, held / median(curve), level_with, edge)
        )
    return out


def _watts_per_va(case: Case) -> float:
    """Module watts per rated VA of the units, 1 where ratings are unknown."""
    va = [case.site.inverters[u.inverter].rated_va if u.inverter else None for u in case.site.units]
    watts = [float(case.rated[case.inputs_of_unit(k)].sum()) for k in range(len(va))]
    known = [(w, v) for w, v in zip(watts, va, strict=True) if v]
    return sum(w for w, _ in known) / sum(v for _, v in known) if len(known) == len(va) else 1.0


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
    low = (worst < 0.8) & (worst < 0.85 * np.where(np.isfinite(near), near, 0).max(axis=0))
    calm = np.nan_to_num(case.table["kt_wobble"]) < 0.25
    return high & low & calm & (clear > 0.2 * BIN_HOURS)
