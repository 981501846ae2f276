"""weak-input: one input makes a steady share less than its siblings.

On the roof: a degraded or damaged module, wrong module, dirt that no rain takes
(lichen, droppings): same share at every hour and sun position, day after day. A
bad contact: a share that grows with the power, at any hour. A shunt (potential-induced
degradation, cracked cells): one amount in any light, most of a dim hour.

Looks at: the day's upper level of the ratio to siblings, for at least five
judged days, and the loss over power (:mod:`rules.resistance`, :mod:`rules.shunt`). Columns: ``dc_power_w`` or what it
can be derived from.

Looks the same: ``soiling`` (grows, resets with rain; :mod:`rules.spells`), ``shading`` (bound to sun
position), ``substring-loss`` (a third of the voltage gone), module spread (a
few per cent), ``clipping`` of siblings with bigger units (masked by level).
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from rules.ageing import Ramp, at_every_hour, ramp_of
from rules.alternatives import IN_SUN, OPEN_VOLTS
from rules.candidate import Candidate, RuleResult, Unjudged, by_days, suspect
from rules.case import Case, once
from rules.faults.soiling import goes_with_sky, only_in_sun
from rules.faults.soiling import judge as dirty
from rules.finding import Alternative, Threshold
from rules.levels import WIDEST_SPREAD, Levels, Segment, deficit_wh, relative_levels
from rules.ranks import Floats, Mask, weighted_quantile
from rules.resistance import Resistive, resistive
from rules.shunt import Shunted, shunted
from rules.siblings import middle
from rules.spells import Spell, spells
from rules.witnessed import witnessed

COLUMNS = ("dc_power_w",)
_PLATEAU = (0.95, 0.7)  # quantiles of the light between which the ratio stands still
_DULL = 0.2  # of surely direct sun
MIN_DEFICIT = Threshold(0.11, "ratio", "own reasoning: tolerance of 3 % either way (common practice) and a class of rating")
MIN_VOLTS = Threshold(0.06, "ratio", "own reasoning: twice the tolerance of a type's voltage (3 %, common practice)")
FULL_AMPS = Threshold(0.985, "ratio", "own reasoning: a weak module lacks current too; module spread is 1 to 2 % (common practice)")
MIN_FALL = Threshold(0.06, "ratio", "own reasoning: against the input's own earlier level module spread doesn't count")
SPREADS = Threshold(4.2, "robust spreads", "own reasoning: of thousands of healthy modules one or two lie further out")
NEIGHBOURS = Threshold(4, "others", "own reasoning: of fewer, one or two that are ill set the middle")
MIN_DAYS = Threshold(4, "judged days", "own reasoning: outlasts snow and a spell of odd weather")
MAX_SLOPE = Threshold(0.0015, "per day", "own reasoning: a steady level moves less than 4 % in a month")
MAX_RISE = Threshold(0.02, "ratio", "own reasoning: what lies lower than that below the own level is no level kept")
TOGETHER = Threshold(0.25, "of the site's inputs", "own reasoning: a quarter of a roof does not weaken overnight")
PASSED_SURE = Threshold(0.7, "of such spells", "own reasoning: bird leavings outlast dry weather; who cleans one module is rare")
MENDED_DAYS = Threshold(10, "judged days", "own reasoning: dirt on one module gathers or is washed off within them")
MENDED_DEPTH = Threshold(0.15, "ratio", "own reasoning: more than a bird's leavings take (common practice)")
PASSED = "made less for a while and then all of it again: dirt, a cover or a repair, not told apart"
ALONE = "no sibling left to compare with: they are dark or another plane's record, or its own clock is off"
NO_MATE = "alone on its plane: only a fall from its own earlier level shows"
SHORT = "made less, but on too few judged days yet"
ITS_OWN = "makes some per cent less from the first day on: a weak module, another class of rating or dirt, not told apart"
PLATEAU = Threshold(0.2, "of the deficit", "own reasoning: no shadow takes one share of much of the light and less of none")
DEEP = Threshold(0.5, "ratio", "own reasoning: what lacks more than half at its best hours stands in a shadow all day")
LEAST = Threshold(0.15, "ratio", "own reasoning: who makes next to nothing stands still, whatever ends there are")
NEAR_THIRD = Threshold(0.035, "ratio", "one of three strings bypassed; module spread around it")
PAIR = Threshold(0.15, "ratio", "own reasoning: of two modules alone, one may be of another rating class or binned better")
BORNE_OUT = Threshold(0.4, "of the deficit", "own reasoning: what lacks at the best hours lacks in most of the day's energy")


def judge(case: Case) -> RuleResult:
    """Candidates for inputs with a steady deficit."""
    result = RuleResult()
    levels = relative_levels(case)
    told, spread = witnessed(case), _spread(case, levels)
    for ref in case.inputs:
        n = ref.index
        unjudged = int((case.light_days & ~levels.judged[:, n]).sum())
        if unjudged:
            result.unjudged.append(Unjudged(n, "weak-input", "too little light or too few rows", unjudged))
        by_law = _by_law(case, n, told[:, n])
        if by_law is not None:
            result.candidates.append(by_law)
            continue
        own = _own(levels, n)
        weak = _weak_parts(case, levels, n, own, float(spread[n]))
        ramp = None if weak else _ageing(case, levels, n, told[:, n])
        if ramp is not None:
            result.candidates.append(_aged(case, n, ramp))
            continue
        if not weak and own is not None:
            weak = _sinking(levels.segments[n], own, levels.noise[n])
        if not weak or sum(len(s.days) for s in weak) < MIN_DAYS.value:
            if case.members[n] == 1 and case.light_days.any():
                result.unjudged.append(Unjudged(n, "weak-input", NO_MATE, int(case.light_days.sum())))
            result.unjudged += _undecided(levels, n, own, weak)
            continue
        days = np.zeros(case.day_count, bool)
        for s in weak:
            days[s.days] = True
        alone = days & ~told[:, n]
        if alone.any():
            result.unjudged.append(Unjudged(n, "weak-input", ALONE, int(alone.sum())))
            days &= ~alone
            if days.sum() < MIN_DAYS.value:
                continue
        spell = spells(case).get(n)
        if spell is not None and spell.rained and (days & ~spell.days).sum() < MIN_DAYS.value:
            continue  # told as dirt
        if _healed(levels, n, days, own):
            if spell is not None and not spell.rained and (days & spell.days).sum() >= MIN_DAYS.value:
                result.candidates.append(_passed(case, n, spell))
                continue
            result.unjudged.append(Unjudged(n, "weak-input", PASSED, int(days.sum())))
            continue
        healthy = own if own is not None else 1.0
        deficit = 1 - middle(levels.level[days, n]) / healthy
        days = _with_onset(levels, n, days, healthy)
        lost = deficit_wh(case, n, days, healthy)
        if _lacks_free(case, levels, n, days, healthy) < BORNE_OUT.value * deficit:
            continue  # the upper level says so, the day's energy does not
        if own is None and (deficit < _least_among(case, n) or _in_shadow(case, n, days, deficit)):
            continue
        margin = (deficit - MIN_DEFICIT.value) / max(levels.noise[n], 0.01)
        flat = _evenness(case, n, days)
        result.candidates.append(
            _candidate(
                case, n, days, lost,
                strength=float(np.clip(0.9 + 0.05 * margin, 0.3, 0.98)) * (0.5 + 0.5 * flat),
                text=(
                    f"{ref.label} made a steady {100 * deficit:.0f} % less than "
                    + ("before" if own is not None else "its siblings")
                    + " at every hour on {days} days."
                ),
                evidence={"deficit": round(deficit, 3), "evenness": round(flat, 2), "siblings": int(case.members[n] - 1)},
                despite=("shading",) if _stands(case, levels, n, days, healthy) else (),
            )
        )  # fmt: skip
    result.candidates = _one_by_one(case, result.candidates)
    return result


def _by_law(case: Case, n: int, told: Mask) -> Candidate | None:
    """An input whose loss follows its power as a bad contact's or a shunt's does, on enough of the days ``told`` [D]."""
    grown = resistive(case).get(n)
    if grown is not None and (grown.days & told).sum() >= MIN_DAYS.value:
        return _resistive(case, n, grown)
    leaking = shunted(case).get(n)
    if leaking is not None and (leaking.days & told).sum() >= MIN_DAYS.value:
        return _shunted(case, n, leaking)
    return None


def _weak_parts(case: Case, levels: Levels, n: int, own: float | None, spread: float) -> list[Segment]:
    """Stretches in which an input makes a steady share less, than its ``own`` level if it showed one."""
    return [
        s
        for s in levels.segments[n]
        if _is_weak(s, levels, n, own, spread, own is None and 1 - s.middle > MIN_VOLTS.value and _lacks_volts(case, n, s.days))
    ]


def _undecided(levels: Levels, n: int, own: float | None, weak: list[Segment]) -> list[Unjudged]:
    """What stands out but can't be told: too short a stretch, or a level that may be the module's own."""
    if weak:
        return [Unjudged(n, "weak-input", SHORT, sum(len(s.days) for s in weak))]
    least = max(MIN_FALL.value, 2.5 * levels.noise[n], 2.5 * levels.spread[n])
    parts = [s for s in levels.segments[n] if len(s.days) >= MIN_DAYS.value and abs(s.slope) <= MAX_SLOPE.value]
    # What lacks more than half stands still or in shadow all day: that is others' to say.
    low = sum(len(s.days) for s in parts if own is None and least < 1 - s.middle <= DEEP.value)
    return [Unjudged(n, "weak-input", ITS_OWN, low)] if low else []


def _in_shadow(case: Case, n: int, days: Mask, deficit: float) -> bool:
    """Whether an input has lacked so much from the first day on that it stands in a shadow all day.

    Two of three strings lost look as deep, where no voltage tells.
    """
    two = not np.isfinite(case.table["volts"][days, n]).any() and abs(deficit - 2 / 3) < NEAR_THIRD.value
    return deficit > DEEP.value and not two


def _least_among(case: Case, n: int) -> float:
    """The least deficit from the first day on that says anything, given how many siblings an input has."""
    if case.members[n] == 1:
        return np.inf  # it is held against the sky on a scale learnt from itself
    return PAIR.value if case.members[n] < 3 else 0.0


def _candidate(
    case: Case,
    n: int,
    days: Mask,
    lost: Floats,
    strength: float,
    text: str,
    evidence: dict[str, Any],
    despite: tuple[str, ...] = (),
) -> Candidate:
    blind = not np.isfinite(case.table["volts"][days, n]).any()
    third = blind and abs(evidence["deficit"] - 1 / 3) < 0.04
    if third:
        text += " A weak module or a bypassed string: no module voltage is reported to tell which (sure of the two together)."
    return suspect(
        by_days(text, evidence),
        fault="weak-input",
        scope="input",
        inputs=(n,),
        days=days,
        loss_wh=lost,
        strength=strength,
        alternatives=(
            Alternative("soiling", 0.15, "Whether the next good rain brings it back."),
            Alternative("substring-loss", 0.45 if third else 0.1, OPEN_VOLTS if blind else IN_SUN, kin=third),
        ),
        lasting=True,
        despite=despite,
    )


def _resistive(case: Case, n: int, grown: Resistive) -> Candidate:
    """An input whose loss grows with its power."""
    days = grown.days
    return _candidate(
        case, n, days, deficit_wh(case, n, days, grown.own if grown.own is not None else 1.0),
        strength=0.95,
        text=(
            f"{case.inputs[n].label} made {100 * grown.fall:.0f} % less in full sun and hardly less in dim light, at every hour, "
            f"on {{days}} days: the loss grows with the current, as in a bad contact, that gets hot."
        ),
        evidence={"deficit": round(grown.fall, 3), "grows_with": "power", "siblings": int(case.members[n] - 1)},
        # A hot unit and a shadow take current; the voltage stays.
        despite=("hot-derating", "shading") if grown.in_volts else (),
    )  # fmt: skip


def _shunted(case: Case, n: int, leaking: Shunted) -> Candidate:
    """An input that loses one amount in any light."""
    days = leaking.days
    lost = deficit_wh(case, n, days, leaking.own)
    share = float(lost[days].sum()) / max(float(case.witness[days, n].sum() * case.rated[n]), 1e-9)
    return _candidate(
        case, n, days, lost,
        strength=0.95,
        text=(
            f"{case.inputs[n].label} lacked {leaking.drain * case.rated[n]:.0f} W in full sun and as much in dim light and under "
            f"cloud, {100 * share:.0f} % of its energy, on {{days}} days: current passes beside its cells, as through a "
            "shunt or after potential-induced degradation."
        ),
        evidence={
            "deficit": round(share, 3), "drain": round(leaking.drain, 3), "grows_with": "nothing",
            "siblings": int(case.members[n] - 1),
        },
        despite=("hot-derating", "shading"),
    )  # fmt: skip


def _ageing(case: Case, levels: Levels, n: int, told: Mask) -> Ramp | None:
    """The ramp of an input that sinks for weeks at every hour, where it is not told as dirt; None without one."""
    level = np.where(told, levels.level[:, n], np.nan)
    if case.members[n] < 3 or (ramp := ramp_of(level, float(levels.noise[n]))) is None:
        return None
    shade = goes_with_sky(case, n, level) or only_in_sun(case, n, ramp.own, level)
    if shade or not at_every_hour(case, n, ramp, levels.scale[:, n]):
        return None
    return None if any(n in c.inputs and (c.days & ramp.days).any() for c in _dirty(case)) else ramp


@once
def _dirty(case: Case) -> list[Candidate]:
    return dirty(case).candidates


def _aged(case: Case, n: int, ramp: Ramp) -> Candidate:
    """An input that sinks beside its siblings and gets nothing back."""
    fall = ramp.drop / ramp.own
    found = _candidate(
        case, n, ramp.days, deficit_wh(case, n, ramp.days, ramp.own),
        strength=0.85,
        text=(
            f"{case.inputs[n].label} sank by {-100 * ramp.slope:.2f} % a day beside its siblings, to {100 * fall:.0f} % below "
            "where it stood, at every hour, on {days} days, and no rain gave any back."
        ),
        evidence={"deficit": round(fall, 3), "slope_per_day": round(ramp.slope, 5), "siblings": int(case.members[n] - 1)},
    )  # fmt: skip
    dirt = Alternative("soiling", 0.4, "Whether the next good rain or a wash brings it back: dirt goes, weakness stays.")
    return replace(found, alternatives=(dirt, *found.alternatives[1:]))


def _passed(case: Case, n: int, spell: Spell) -> Candidate:
    """An input that made less for a while and all of it again in dry weather: somebody or something mended or freed it."""
    lost = deficit_wh(case, n, spell.days, spell.before)
    found = _candidate(
        case, n, spell.days, lost,
        strength=PASSED_SURE.value,
        text=(
            f"{case.inputs[n].label} made a steady {100 * spell.fall:.0f} % less than before for {{days}} days and "
            "all of it again with no rain between: a contact mended, a cover taken off, or dirt cleaned off. It is over."
        ),
        evidence={"deficit": round(spell.fall, 3), "over": True, "siblings": int(case.members[n] - 1)},
    )  # fmt: skip
    cleaned = Alternative("soiling", 1.0 - PASSED_SURE.value, "Whether somebody cleaned the module then.")
    return replace(found, lasting=False, alternatives=(cleaned, *found.alternatives[1:]))


def _one_by_one(case: Case, candidates: list[Candidate]) -> list[Candidate]:
    """The candidates without those that began on one day on a good part of the site: modules fail one by one."""
    begin = [int(np.flatnonzero(c.days)[0]) for c in candidates]
    first = int(np.flatnonzero(case.light_days)[0]) if case.light_days.any() else 0
    most = max(3.0, TOGETHER.value * len(case.inputs))
    return [c for c, b in zip(candidates, begin, strict=True) if b <= first + 1 or begin.count(b) <= most]


def _own(levels: Levels, n: int) -> float | None:
    """The input's own healthy level, from a steady stretch near its siblings' levels; None if it shows none.

    A record that sinks from its first day on shows that level where it begins.
    """
    steady = [s for s in levels.segments[n] if _keeps(s)]
    top = max((s.middle for s in steady), default=0.0)
    first = levels.segments[n][0] if levels.segments[n] else None
    if first is not None and len(first.days) >= MIN_DAYS.value and first.slope < -MAX_SLOPE.value:
        top = max(top, middle(levels.level[first.days[:3], n]))
    usual = abs(top - 1.0) <= max(MIN_DEFICIT.value, SPREADS.value * levels.spread[n])
    return top if usual and len(levels.segments[n]) > 1 else None


def _keeps(s: Segment) -> bool:
    """Whether a stretch is long enough and keeps its level; a slow rise over a few days is weather, a fall may be dirt."""
    kept = abs(s.slope) <= MAX_SLOPE.value or 0.0 < s.end - s.start <= MAX_RISE.value
    return len(s.days) >= MIN_DAYS.value and kept


def _healed(levels: Levels, n: int, days: np.ndarray, own: float | None) -> bool:
    """Whether the deficit is gone at the end, as after rain or thaw: modules do not heal.

    Not so where a deep deficit stood level for long and ended from one day to the next: that one was mended.
    """
    last = levels.segments[n][-1]
    back = own is not None and last.middle > own - MIN_FALL.value
    over = back and len(last.days) >= 3 and last.days[0] > np.flatnonzero(days)[-1]
    kept = [s for s in levels.segments[n] if days[s.days].all() and len(s.days) >= MENDED_DAYS.value]
    mended = any(abs(s.slope) <= 0.5 * MAX_SLOPE.value and s.middle < (own or 1.0) - MENDED_DEPTH.value for s in kept)
    return bool(over and not mended)


def _sinking(stretches: list[Segment], own: float, noise: float) -> list[Segment]:
    """The last stretch, if it sinks from a level kept before and has not settled yet.

    Such a fall is not dirt: dirt gathers from one rain to the next, and does not begin after weeks without any.
    """
    if len(stretches) < 2:
        return []
    before, last = stretches[-2:]
    kept = _keeps(before) and before.middle > own - MAX_RISE.value
    fall = 1 - last.end / own
    even = last.scatter < 0.25 * fall and abs(last.start - before.end) < 0.5 * fall
    return [last] if kept and even and last.slope < -MAX_SLOPE.value and fall > max(MIN_FALL.value, 4.0 * noise) else []


def _lacks_volts(case: Case, n: int, days: np.ndarray) -> bool:
    """Whether voltage is missing at full current: within a module type voltage varies by less than power."""
    volts, amps = (case.table[name][days, n] for name in ("volt_ratio", "amp_ratio"))
    told = np.isfinite(volts) & np.isfinite(amps)
    return bool(told.sum() >= MIN_DAYS.value and 1 - middle(volts[told]) > MIN_VOLTS.value and middle(amps[told]) > FULL_AMPS.value)


def _spread(case: Case, levels: Levels) -> Floats:
    """Robust spread of the usual levels an input is held against, [N]: the site's, or its neighbours' own where that is wider.

    Where neighbours differ widely from each other, so may this one without a fault.
    """
    usual = np.array([middle(y) for y in levels.level.T])
    out: Floats = levels.spread.copy()
    for p in range(len(case.names)):
        mine = np.flatnonzero((case.plane_of == p) & np.isfinite(usual))
        for n in mine.tolist() if len(mine) > NEIGHBOURS.value else ():
            others = usual[mine[mine != n]]
            apart = 1.4826 * middle(np.abs(others - middle(others)))
            out[n] = max(out[n], min(apart, WIDEST_SPREAD))
    return out


def _is_weak(s: Segment, levels: Levels, n: int, own: float | None, spread: float, in_volts: bool = False) -> bool:
    if own is None:
        least = MIN_VOLTS.value if in_volts else max(MIN_DEFICIT.value, SPREADS.value * spread)
        low = 1 - s.middle > max(least, 2.5 * levels.noise[n])
    else:
        low = 1 - s.middle / own > max(MIN_FALL.value, 4.0 * levels.noise[n])
    steady = abs(s.slope) <= MAX_SLOPE.value or abs(s.start - s.end) < 0.03 or len(s.days) < 6
    return low and steady and len(s.days) >= 2 and s.middle > LEAST.value


def _lacks_free(case: Case, levels: Levels, n: int, days: Mask, healthy: float) -> float:
    """Share of its energy that an input lacked over days, [D], in the hours in which neither it nor a sibling is at a ceiling."""
    scale = np.where(np.isfinite(levels.scale[days, n]), levels.scale[days, n], 1.0)
    owed = float((case.free_witness[days, n].sum(axis=1) * scale).sum()) * healthy
    return 1.0 - float(case.table["free_power"][days, n].sum()) / max(owed, 1e-9)


def _with_onset(levels: Levels, n: int, days: np.ndarray, healthy: float) -> np.ndarray:
    """Days of the steady deficit and those on which it grew to it, [D]."""
    out = days.copy()
    low = 1 - levels.level[:, n] / healthy > MIN_FALL.value
    d = int(np.flatnonzero(days)[0]) - 1
    while d >= 0 and (low[d] or not levels.judged[d, n]):
        out[d] = low[d]
        d -= 1
    return out


def _stands(case: Case, levels: Levels, n: int, days: Mask, healthy: float) -> bool:
    """Whether a good part of the hours lies at one low level, day after day, whatever happens at the other hours."""
    scale = levels.scale[days, n]
    ratio = case.ratio[days, n] / (np.where(np.isfinite(scale), scale, 1.0) * healthy)[:, None]
    weight = np.where(np.isfinite(ratio), case.witness[days, n], 0.0)
    upper, lower = (weighted_quantile(ratio.reshape(1, -1), weight.reshape(1, -1), q)[0] for q in _PLATEAU)
    own = levels.level[days, n] / healthy
    scatter = 1.4826 * middle(np.abs(own - middle(own)))
    lacks = 1.0 - float(upper)
    within = PLATEAU.value * lacks
    if not (MIN_DEFICIT.value < lacks < DEEP.value and upper - lower < within and scatter < 0.5 * within):
        return False
    # The shadow of something near bypasses a string of cells in any light; a farther obstacle leaves the sky's light.
    if abs(lacks - 1 / 3) < NEAR_THIRD.value:
        return False
    dull = np.where((case.clear_weight[days] < _DULL) & np.isfinite(ratio), weight, 0.0)
    return not dull.any() or float((dull * np.nan_to_num(ratio)).sum() / dull.sum()) < upper + within


def _evenness(case: Case, n: int, days: np.ndarray) -> float:
    """1 when the loss is the same share in every bin, falling to 0 when it comes and goes with the hour."""
    power, witness = case.table["power"][days, n].sum(axis=0), case.witness[days, n].sum(axis=0)
    use = witness > 0.02 * witness.sum()
    if use.sum() < 3:
        return 0.5
    ratio = power[use] / witness[use]
    level = power[use].sum() / witness[use].sum()
    unevenness = float(np.average(np.abs(ratio - level), weights=witness[use])) / max(1 - level, 0.02)
    return float(np.clip(1.4 - 1.6 * unevenness, 0, 1))
