"""frozen-readings: a record repeats the same values while the sun moves.

On the roof nothing need be wrong: the gateway or exporter repeats the last
answer it got. What the input really does cannot be seen meanwhile.

Looks at: power and voltage repeated to the last digit for hours while
siblings (or the sun) moved, power at night, one power from dawn to dusk, or a
counter that stood and then caught up. Columns: ``dc_power_w``,
``dc_voltage_v``.

Looks the same: ``clipping`` and ``curtailment`` (power flat, voltage moves),
``dead-input`` (readings of zero are not judged here), coarse meters.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from rules.candidate import Candidate, RuleResult, Teller, Unjudged, by_days, suspect
from rules.case import Case
from rules.days import runs_of, span_mask
from rules.daytable import BIN_HOURS, DARK, DEAD, IDLE, STANDBY
from rules.faults.curtailment import OUTLAST
from rules.finding import Alternative, Threshold
from rules.held import held_bins
from rules.ontime import bins_late, hours_off
from rules.ranks import Floats, Mask, median_of, row_quantile

COLUMNS = ("dc_power_w", "dc_voltage_v")
MIN_HOURS = Threshold(1.5, "h", "own reasoning: in dim light whole watts repeat for an hour, not for longer while siblings change")
PLAIN_HOURS = Threshold(3.0, "h", "own reasoning: a gateway repeats itself for hours; shaded whole watts do for two")
PLAIN_TOLD_HOURS = Threshold(2.5, "h", "own reasoning: where the voltage stands still to its last digit, too")
MIN_ROWS = Threshold(6, "rows", "own reasoning: at coarse steps an hour is too few repetitions")
BLIND_ROWS = Threshold(10, "rows", "own reasoning: power alone, in whole watts, repeats by chance more often")
APART_ROWS = Threshold(3, "rows", "own reasoning: an hour on, voltage and power are others in their last digit")
BLIND_APART_ROWS = Threshold(5, "rows", "own reasoning: power alone, in whole watts, repeats once in twenty half hours")
BLIND_WATTS = Threshold(25.0, "W", "own reasoning: a whole watt is 4 % of it; open sky without sun changes by less for hours")
FAINT_HOURS = Threshold(6.0, "h", "own reasoning: from low to high sun and back even so little light doubles")
AGAIN_ROWS = Threshold(4, "rows", "own reasoning: four equal readings in changing light are rare, and do not come day after day")
AGAIN_DAYS = Threshold(3, "days", "own reasoning: chance does not make such repetitions on so many days in a row")
CAUGHT_UP = Threshold(0.3, "of siblings' energy", "own reasoning: a unit that stood counts nothing, one that ran some nine tenths")
COUNTER_DAYS = Threshold(3, "days", "own reasoning: on fewer it is not known that the counter counts")
COUNTED_WH = Threshold(20.0, "Wh", "own reasoning: twenty times the step of most counters")
COUNTED_MISS = Threshold(6.0, "of what counter and power differ by", "own reasoning: counters in kWh miss a day by their step")
FAR_APART = "rows far apart and no voltage: a record that repeats itself for a few hours does not show"
COARSE_H = 0.5  # rows so far apart that a day holds few
AT_ONCE = Threshold(1.25, "of siblings' energy", "own reasoning: modules differ by some per cent, shade on siblings adds")
OTHERS = Threshold(3, "inputs", "own reasoning: of two neither says what all do")
LEVEL_BINS = Threshold(6, "half hours", "own reasoning: from low to high sun and back")
LEVEL_OVER = Threshold(1.5, "of clear sky", "own reasoning: edges of clouds add a third for minutes, no more (common practice)")
NIGHT_HOURS = Threshold(4.0, "h", "own reasoning: power with the sun 8 degrees down is not power")


def judge(case: Case) -> RuleResult:
    """Candidates per input."""
    result = RuleResult()
    far = (case.table["step_s"] >= COARSE_H * 3600.0)[:, None] & ~np.isfinite(case.table["volts"]) & (case.table["seen_h"] > 0.0)
    for n in np.flatnonzero(far.any(axis=0)).tolist():
        result.unjudged.append(Unjudged(n, "frozen-readings", FAR_APART, int(far[:, n].sum())))
    stood = _stood_still(case)
    for n in np.flatnonzero((stood.again | stood.days | stood.idle).any(axis=0)).tolist():
        judged = case.table["seen_h"][:, n] >= 1.0
        days, again = stood.days[:, n].copy(), stood.again[:, n]
        for first, last in runs_of(days, ~judged & ~days):
            days[first : last + 1] &= stood.plain[first : last + 1, n].any()
        for first, last in runs_of(again, ~judged & ~again):
            days[first : last + 1] |= again[first : last + 1] & (again[first : last + 1].sum() >= AGAIN_DAYS.value)
        idle = stood.idle[:, n] & ~days
        for first, last in runs_of(idle, ~judged & ~idle):
            if _caught_up(case, n, first, last):
                spell = span_mask(case.day_count, [(first, last)]) & idle
                result.candidates.append(_counted(case, n, spell, float(stood.idle_h[spell, n].sum())))
        for first, last in runs_of(days, ~judged & ~days):
            spell = span_mask(case.day_count, [(first, last)]) & days
            result.candidates.append(_candidate(case, n, spell, stood.frozen_h[:, n], stood.night_h[:, n]))
    return result


@dataclass(frozen=True)
class _Still:
    """Where readings stood still, [D, N] each.

    Attributes
    ----------
    frozen_h, night_h, idle_h : hours of one reading, of power by night, and without power while siblings had it.
    days : days of a frozen record; ``plain`` days that leave no doubt, of which a spell needs one.
    again : days too short to tell by themselves, but not by chance on several in a row.
    idle : days on which the input seemed to make nothing.
    """

    frozen_h: Floats
    night_h: Floats
    idle_h: Floats
    days: Mask
    plain: Mask
    again: Mask
    idle: Mask


def _stood_still(case: Case) -> _Still:
    """Where readings stood still."""
    table = case.table
    rows = (table["step_s"] / 3600.0)[:, None]
    idle_h = table["symptom_slots"][:, :, [DEAD, IDLE, DARK, STANDBY]].sum(axis=2)
    idle_h = idle_h - hours_off(case)  # so many of them may be the night's
    if len(case.inputs) >= OTHERS.value:
        idle_h = idle_h - np.median(idle_h, axis=1, keepdims=True)  # what stopped all of them is not one input's record
    level_h = np.maximum(_level_hours(case), _counted_nothing(case))
    # By a wrong clock a night is not the sun's.
    night_h = np.where(bins_late(case) != 0.0, 0.0, table["night_power_h"])
    frozen_h, blind = np.maximum(table["frozen_h"], level_h), ~np.isfinite(table["volts"])
    faint = blind & (table["power"].max(axis=2) / BIN_HOURS * case.rated < BLIND_WATTS.value)
    # Light an hour apart is another light: fewer rows tell.
    apart = rows >= COARSE_H
    told_rows = np.where(apart, APART_ROWS.value, MIN_ROWS.value)
    blind_rows = np.where(apart & ~faint, BLIND_APART_ROWS.value, BLIND_ROWS.value)
    need_h = np.maximum(MIN_HOURS.value, np.where(blind, blind_rows, told_rows) * rows)
    by_night = night_h >= NIGHT_HOURS.value
    # An hour or two of dim or shaded light repeats itself; some day of a frozen record must be plain.
    plain_h = np.where(faint, FAINT_HOURS.value, np.where(blind, PLAIN_HOURS.value, PLAIN_TOLD_HOURS.value))
    return _Still(
        frozen_h=frozen_h,
        night_h=night_h,
        idle_h=idle_h,
        days=(frozen_h >= need_h) | by_night,
        plain=(frozen_h >= np.maximum(plain_h, need_h)) | by_night,
        again=blind & apart & (frozen_h >= np.maximum(MIN_HOURS.value, AGAIN_ROWS.value * rows)),
        idle=(idle_h >= 1.0) & (idle_h >= 0.15 * table["lit_h"]),
    )


def _candidate(case: Case, n: int, spell: Mask, frozen_h: Floats, night_h: Floats) -> Candidate:
    """One frozen spell of an input, all [D]."""
    hours = float(frozen_h[spell].sum())
    moves = (
        "Whether voltage stood still too: a ceiling leaves it moving."
        if case.reports("dc_voltage_v")
        else "Whether power stood still to the last digit in changing light: under a ceiling it falls with every cloud."
    )
    return suspect(
        _telling(case.inputs[n].label, frozen_h, night_h),
        fault="frozen-readings",
        scope="input",
        inputs=(n,),
        days=spell,
        loss_wh=np.zeros(case.day_count),
        strength=float(1 - 0.35 * np.exp(-(hours + night_h[spell].sum()) / 2.0)),
        alternatives=(Alternative("clipping", 0.03, moves),),
        lasting=True,
        despite=("curtailment",) if _outlasts_orders(case, frozen_h, spell) else (),
    )


def _telling(label: str, frozen: Floats, night: Floats) -> Teller:
    """What stands in a finding of some days: hours of one reading and hours of power by night, [D] each."""

    def tell(days: Mask) -> tuple[str, dict[str, Any]]:
        longest, dark = float(frozen[days].max()), float(night[days].sum())
        count = int(days.sum())
        most = f"up to {longest:.1f} h a day" if count > 1 else f"{longest:.1f} h"
        why = f"{label} repeated the same reading for {most} while its siblings changed, on {count} days"
        why += f", and showed power for {dark:.1f} h of night." if dark > 0 else "."
        return why, {"longest_h": round(longest, 2), "hours": round(float(frozen[days].sum()), 2), "night_h": round(dark, 2)}

    return tell


def _outlasts_orders(case: Case, frozen_h: Floats, days: Mask) -> bool:
    """Whether readings that stood for ``frozen_h`` [D] a day did so for longer than the units were held down on those days."""
    held_h = held_bins(case)[days].sum(axis=1) * BIN_HOURS
    return bool(np.median(frozen_h[days] - held_h) > OUTLAST.value)


def _level_hours(case: Case) -> Floats:
    """Hours of days on which an input showed one power from dawn to dusk, more than the low sun can give, [D, N]; else 0.

    A ceiling is level too, but only while the sky offers more.
    """
    power = case.table["power"]
    clear = case.table["plane_clear_all"][:, case.plane_of]
    filled = power > 0
    top = power.max(axis=2)
    low = np.where(filled, power, np.inf).min(axis=2)
    beyond = (filled & (clear > 0.02 * BIN_HOURS) & (power > LEVEL_OVER.value * clear)).sum(axis=2)
    offered = (filled & (power < clear)).any(axis=2)
    flat = (filled.sum(axis=2) >= LEVEL_BINS.value) & (top <= 1.01 * low) & (beyond >= 1) & offered
    return np.where(flat, filled.sum(axis=2) * np.maximum(BIN_HOURS, case.table["step_s"] / 3600.0)[:, None], 0.0)


def _counted_nothing(case: Case) -> Floats:
    """Hours of days on which an input showed power and its counter did not move, [D, N]; else 0.

    The whole site may repeat itself, and no sibling be left that changes.
    """
    table = case.table
    if not case.day_count:
        return np.zeros(case.energy.shape)
    rise, made = table["counter_last"] - table["counter_first"], case.energy * case.rated
    whole = np.isfinite(rise) & (table["counter_reset"] == 0) & (table["seen_h"] >= 0.5 * table["lit_h"])
    moved = whole & (rise > 0)
    apart = row_quantile(np.where(moved, np.abs(rise - made), np.nan).T, 0.5)
    told = moved.sum(axis=0) >= COUNTER_DAYS.value
    least = np.where(told, COUNTED_WH.value + COUNTED_MISS.value * np.nan_to_num(apart), np.inf)
    return np.where(whole & (rise == 0) & (made > least), table["seen_h"], 0.0)


def _caught_up(case: Case, n: int, first: int, last: int) -> bool:
    """Whether an input's counter jumped after it seemed to make nothing: it had made it, the record stood.

    By more than its siblings' counters: a silence of all hides energy of all.
    """
    spell = slice(first, last + 1)
    siblings = float(case.witness[spell, n].sum() * case.rated[n])
    if case.table["counter_reset"][spell, n].any() or siblings < case.rated[n]:
        return False
    others = np.flatnonzero((case.plane_of == case.plane_of[n]) & (np.arange(len(case.inputs)) != n))
    hidden = [h for h in (_uncounted(case, int(k), first, last) for k in others) if np.isfinite(h)]
    return bool(_uncounted(case, n, first, last) - np.fmax(median_of(np.array(hidden)), 0.0) > CAUGHT_UP.value * siblings)


def _uncounted(case: Case, n: int, first: int, last: int) -> float:
    """What an input's counter rose by from before the first to after the last day, beyond what was recorded as power, Wh."""
    begin, end = case.table["counter_first"][:, n], case.table["counter_last"][:, n]
    # Readings of the days next to it only: what a silence before or after hid is not this input's jump.
    low = float(end[first - 1]) if first > 0 and np.isfinite(end[first - 1]) else float(begin[first])
    high = float(begin[last + 1]) if last + 1 < case.day_count and np.isfinite(begin[last + 1]) else float(end[last])
    # Where power comes from the counter a day's jump shows as its power: more than siblings made is of days before.
    days = slice(first, last + 1)
    made = np.minimum(case.energy[days, n], AT_ONCE.value * case.witness[days, n].sum(axis=1))
    return high - low - float(made.sum() * case.rated[n])


def _counted(case: Case, n: int, days: Mask, hours: float) -> Candidate:
    """A counter that stood and then caught up."""
    return suspect(
        by_days(
            f"{case.inputs[n].label} seemed to make nothing for {hours:.1f} h of light on {{days}} days, but its "
            "counter then jumped by what its siblings had made: the record stood, not the input.",
            {"hours": round(hours, 2), "longest_h": round(float(case.table["frozen_h"][days, n].max()), 2), "night_h": 0.0},
        ),
        fault="frozen-readings",
        scope="input",
        inputs=(n,),
        days=days,
        loss_wh=np.zeros(case.day_count),
        strength=float(1 - 0.35 * np.exp(-hours / 2.0)),
        alternatives=(Alternative("unit-standby", 0.05, "The unit's own display or state in light while the counter stands."),),
        lasting=True,
        despite=("curtailment",),  # no order makes a counter stand and jump
    )
