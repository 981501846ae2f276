"""Inputs that lose more the more current they carry: a resistance in their way.

A bad contact takes ``I^2 R``; of the power ``U I`` that is a share ``I R / U``,
which grows in proportion to the current at a voltage that hardly moves
(Ohm's law). So an input behind one loses nothing under clouds and most in full sun, whatever
the hour: its day level jumps with the weather, its loss over power does not.
Dirt, ageing and shade of the diffuse sky take a share; a shadow has its hours.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rules.case import Case, once
from rules.daytable import BIN_HOURS
from rules.finding import Threshold
from rules.held import held_bins
from rules.levels import Segment, among_members, relative_levels, scatter_of, segments
from rules.ranks import Floats, Mask, median_of, row_quantile
from rules.siblings import middle

LIT = Threshold(0.05, "of rated power", "own reasoning: below it readings are whole watts")
LOADED = Threshold(0.5, "of the usual load", "own reasoning: a day of half the light still shows half of the loss")
FALL = Threshold(0.04, "ratio", "own reasoning: twice the scatter of a level; module spread does not grow with power")
STEADY = Threshold(0.3, "of the fall", "own reasoning: loss over power is one figure, day after day")
MIN_DAYS = Threshold(4, "judged days", "own reasoning: as many as for a steady share")
SPAN = Threshold(0.6, "ratio of loads", "own reasoning: the dim and the bright hours must lie apart to compare them")
GROWS = Threshold(0.4, "of the way to a steady share", "Ohm's law: half the power, half the share; else the same share")
HOURS = Threshold(0.3, "of the loss per power", "own reasoning: one figure at every hour; a shadow has its own hours")
STRAIGHT = Threshold(0.25, "of the fall", "own reasoning: hour by hour the loss lies on its line, not with coarse counters")
IN_VOLTS = Threshold(0.5, "of the loss in good light", "Ohm's law: it is the voltage that is lost, not the current")
_CLASSES = 3  # of power, with as much energy each


@dataclass(frozen=True)
class Drag:
    """Day levels at one load.

    ``level`` [D, N] is what the ratio to siblings would be at the input's usual
    load on a sunny day, if its loss were in proportion to power; NaN on days
    too dull to say. ``noise`` [N] is its scatter from day to day, ``usual`` [N] that load, of rated power.
    """

    level: Floats
    noise: Floats
    usual: Floats


@dataclass(frozen=True)
class Resistive:
    """An input behind a resistance: its days [D], the share it loses at its usual load, and its level before, if told.

    ``in_volts``: its voltage says so too; ``per`` the share lost at rated power.
    """

    days: Mask
    fall: float
    per: float
    own: float | None
    in_volts: bool


@once
def drag_levels(case: Case) -> Drag:
    """Levels at one load of each input."""
    power = case.witness / BIN_HOURS
    told = np.isfinite(case.ratio) & ~held_bins(case)[:, None, :] & (power > LIT.value)
    power = np.where(told, power, 0.0)
    # Least squares of the loss upon power, each bin by its energy.
    square, cube = (power**2).sum(axis=2), (power**3).sum(axis=2)
    lost = (power**2 * (1.0 - np.where(told, case.ratio, 1.0))).sum(axis=2)
    with np.errstate(invalid="ignore", divide="ignore"):
        load = cube / square
        usual = row_quantile(np.where(square > 0, load, np.nan).T, 0.7)
        raw = 1.0 - lost / cube * usual
        raw = np.where((load >= LOADED.value * usual) & relative_levels(case).judged, raw, np.nan)
    level = raw.copy()
    for p in range(len(case.names)):
        inputs = np.flatnonzero(case.plane_of == p)
        if len(inputs) >= 3 and case.day_count:
            level[:, inputs] = among_members(raw[:, inputs])
    return Drag(level, scatter_of(level), usual)


@once
def resistive(case: Case) -> dict[int, Resistive]:
    """Inputs whose loss grows with power, by position."""
    out: dict[int, Resistive] = {}
    if not case.day_count:
        return out
    drag = drag_levels(case)
    # Most inputs never fall: their courses need not be cut into stretches.
    upper = np.fmax(row_quantile(drag.level.T, 0.9), 1.0)
    low = (drag.level < (1.0 - FALL.value) * upper).sum(axis=0)
    for n in np.flatnonzero((case.members >= 2) & (low >= MIN_DAYS.value)).tolist():
        parts = segments(drag.level[:, n], float(drag.noise[n]))
        own = _own(parts)
        healthy = own if own is not None else 1.0
        weak = [s for s in parts if len(s.days) >= 2 and _is_low(s, healthy, float(drag.noise[n]), own is not None)]
        if sum(len(s.days) for s in weak) < MIN_DAYS.value:
            continue
        days = np.zeros(case.day_count, bool)
        for s in weak:
            # Dull days in between show little of the loss, and do not end it.
            days[s.days[0] : s.days[-1] + 1] = True
        days &= relative_levels(case).judged[:, n]
        fall = 1.0 - middle(drag.level[days, n]) / healthy
        in_volts = _in_volts(case, n, days, own is not None)
        if in_volts is not False and _grows(case, n, days, healthy):
            out[n] = Resistive(days, fall, fall / float(drag.usual[n]), own, bool(in_volts))
    return out


def _own(parts: list[Segment]) -> float | None:
    """The input's healthy level, from a steady stretch near its siblings' before or after the loss; None if there is none."""
    steady = [s.middle for s in parts if len(s.days) >= MIN_DAYS.value and abs(s.start - s.end) < FALL.value]
    top = max(steady, default=0.0)
    return top if len(parts) > 1 and abs(top - 1.0) <= 2 * FALL.value else None


def _is_low(s: Segment, healthy: float, noise: float, known: bool) -> bool:
    fall = 1.0 - s.middle / healthy
    least = FALL.value if known else 1.5 * FALL.value
    return fall > max(least, 4.0 * noise) and s.scatter < STEADY.value * fall and abs(s.start - s.end) < fall


def _grows(case: Case, n: int, days: Mask, healthy: float) -> bool:
    """Whether the share lost grows with power, and is one figure over power at all hours."""
    scale = relative_levels(case).scale[days, n]
    energy, ratio = case.witness[days, n], case.ratio[days, n] / np.where(np.isfinite(scale), scale, 1.0)[:, None]
    power = energy / BIN_HOURS
    told = np.isfinite(ratio) & ~held_bins(case)[days] & (power > LIT.value)
    bins = np.broadcast_to(np.arange(power.shape[1]), power.shape)[told]
    power, lost = power[told], healthy - ratio[told]
    if len(power) < 4 * _CLASSES:
        return False
    order = np.argsort(power)
    share = np.cumsum(power[order]) / power.sum()
    classes = [order[(share > k / _CLASSES) & (share <= (k + 1) / _CLASSES)] for k in range(_CLASSES)]
    if min(len(c) for c in classes) < 4:
        return False
    loads = [float(power[c].mean()) for c in classes]
    losses = [median_of(lost[c]) for c in classes]
    near = loads[0] / loads[-1]
    steadier = losses[0] / max(losses[-1], 1e-6)
    if near > SPAN.value or not losses[0] < losses[1] < losses[2] or steadier > near + GROWS.value * (1.0 - near):
        return False
    per = float((power**2 * lost).sum() / (power**3).sum())
    fall = per * float((power**2).sum() / power.sum())
    if 1.4826 * median_of(np.abs(lost - per * power)) > STRAIGHT.value * fall:
        return False
    weight = np.bincount(bins, power**3, minlength=case.ratio.shape[2])
    use = weight > 0.03 * weight.sum()
    hourly = np.bincount(bins, power**2 * lost, minlength=len(weight))[use] / weight[use]
    return float(np.average(np.abs(hourly - per), weights=weight[use])) < HOURS.value * per


def _in_volts(case: Case, n: int, days: Mask, known: bool) -> bool | None:
    """Whether the loss is one of voltage; None where no voltage is reported."""
    lost = []
    for name in ("volt_ratio", "amp_ratio"):
        values = case.table[name][:, n]
        there, before = (values[mask & np.isfinite(values)] for mask in (days, ~days))
        if not len(there):
            return None
        lost.append(1.0 - median_of(there) / (median_of(before) if known and len(before) >= MIN_DAYS.value else 1.0))
    return None if sum(lost) < 0.5 * FALL.value else lost[0] > IN_VOLTS.value * sum(lost)
