"""site-outage: no unit of the site produces in daylight, and they say so.

On the roof: nothing; the grid is gone, the main isolator or breaker of the PV
circuit is open, or a protection relay has tripped. (The same with silent units
is judged in ``gateway_silent``: there the counters decide.)

Looks at: every reporting unit standing by with nobody producing, and grid
voltage at zero or an alarm about the grid in the gateway log. Columns:
``dc_power_w`` or ``ac_power_w``; ``ac_voltage_v`` helps.

Looks the same: ``curtailment`` to nothing (told here too: grid voltage is there
throughout), ``grid-out-of-range`` (voltage present but outside, or at the edge
of its window while all stand; without a voltage, short stops on many days), ``snow``
(power small, not zero), ``unit-standby`` of one unit (others produce), night.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from rules.candidate import Candidate, RuleResult, Teller
from rules.case import Case, once
from rules.days import runs_of
from rules.daytable import BIN_HOURS, STANDBY
from rules.faults import grid_out_of_range
from rules.finding import Alternative, Threshold
from rules.gridwindow import grid_window
from rules.hard import NOTHING, PLAIN_LIGHT, certainty, unit_down
from rules.ontime import hours_off
from rules.panel import day_offset
from rules.ranks import Floats, Mask
from rules.standstill import MIN_HOURS, edges, nobody_made, same_hours, standing
from rules.unlit import unlit

COLUMNS = ("dc_power_w", "ac_voltage_v")
HALF = Threshold(0.6, "of units", "own reasoning: some may be silent, most must say themselves that they stand still")
SHORT_HOURS = Threshold(2.0, "h", "own reasoning: a few trips and waits of five to ten minutes (IEEE 1547-2018) add up to no more")
HABIT_DAYS = Threshold(4, "days", "own reasoning: an outage comes once or twice in some weeks")
HABIT_SHARE = Threshold(0.7, "of such days", "own reasoning: trips are short; units that stand for hours, too, were told to")
SOME = Threshold(0.25, "of units", "own reasoning: those that the sun reaches speak for a site where nobody else produces")
THERE = Threshold(0.8, "of the usual grid voltage", "EN 50160 (from memory): within 10 %; an open supply shows none")
EDGE = Threshold(0.01, "of the limit", "common practice: a unit's meter is good to that; means hide excursions of minutes")
UNITS = Threshold(3, "units", "own reasoning: two may well stand still for themselves")
ALIKE = Threshold(0.35, "of the usual hours", "own reasoning: units wake and stop one after another")
ALL = Threshold(0.8, "of units", "own reasoning: the common cause when nearly all share the symptom")

AT_ONCE = Threshold(600.0, "s", "own reasoning: units polled in turn; snow and cloud take one module after another")
FINE_ROWS = Threshold(900.0, "s between rows", "own reasoning: within an hour snow may cover a roof, or a storm darken it")
FROM = Threshold(0.1, "W per rated W", "own reasoning: a plain level for half an hour before; snow falls out of a dull sky")


@once
def judge(case: Case) -> RuleResult:
    """At most one candidate for the site."""
    table, result = case.table, RuleResult()
    down = _all_down(case)
    days, gone, typical, loss, stood_h = down.days, down.gone, down.typical, down.loss_wh, down.hours
    if not days.any():
        return result
    days = _habit(case, days, stood_h, loss, result)
    # A fault state is no order: something happened to the grid that half an hour's mean does not show.
    there = days & ~gone & _grid_there(case, days & ~gone)
    # One unit in a fault state beside another that waits is not the supply's doing.
    faulty = (table["fault_h"] >= 0.3 * np.maximum(typical, 1e-6)[:, None]).mean(axis=1) >= HALF.value
    tripped = there & (_at_edge(case, there) | (faulty & _leaves_window(case)))
    if tripped.any():
        result.candidates.append(_tripped(case, tripped, stood_h, loss))
    there &= ~tripped & ~faulty
    days = days & ~there & ~tripped  # two units that see their grid stand each for a reason of its own
    outside = case.grid_outside_h.max(axis=1) > 0
    # Units sleep in the dark without an order: each day of an order must have cost something.
    there &= loss >= down.plain_wh
    there &= unlit(case).mean(axis=1) < HALF.value
    ordered = there & ~outside  # on a day on which the grid left its window the stop belongs to another rule
    if ordered.any() and len(case.site.units) >= UNITS.value:
        result.candidates.append(_to_nil(case, ordered, stood_h, loss))
    if not days.any():
        return result
    tell = _telling(case, stood_h)
    why, evidence = tell(days)
    result.candidates.append(
        Candidate(
            fault="site-outage",
            scope="site",
            inputs=tuple(range(len(case.inputs))),
            days=days,
            loss_wh=loss * days,
            strength=certainty(float(stood_h[days].sum()), int(days.sum()))
            * (1.0 if (table["ac_dead_h"][days] > 0.0).any() else 0.9),
            why=why,
            evidence=evidence,
            alternatives=(
                Alternative("curtailment", 0.03, "Whether an export limit of nil was ordered: the house has power then."),
                Alternative("grid-out-of-range", 0.03,
                            "Grid voltage and frequency recorded just before." if case.reports("ac_voltage_v") else
                            "The network operator's record of that time: an outage, or voltage out of bounds."),
            ),
            lasting=True,
            tell=tell,
        )
    )  # fmt: skip
    return result


@dataclass(frozen=True)
class _Down:
    """Days on which all units stood still, each [D].

    Attributes
    ----------
    days : such days.
    gone : days on which the grid's voltage was absent for a good part of the time.
    typical : median unit's hours at nothing, silence among them.
    hours : hours for which the site stood.
    loss_wh : what that cost under a mean sky.
    plain_wh : least cost of a day on which there was light to make power from.
    """

    days: Mask
    gone: Mask
    typical: Floats
    hours: Floats
    loss_wh: Floats
    plain_wh: float


def _all_down(case: Case) -> _Down:
    table = case.table
    hours, _ = unit_down(case, STANDBY)
    # A row about as long as the outage is the mean of a grid there and gone: the voltage tells the hours, no symptom does.
    went = np.where(case.grid_went & (hours < table["ac_dead_h"]), table["ac_dead_h"], 0.0)
    down = np.maximum(hours, went) + table["own_missing_h"]
    enough, every = _most_lit(case, down)
    typical = np.median(down, axis=1)
    gone = table["ac_dead_h"].mean(axis=1) >= 0.3 * np.maximum(typical, 1e-6)
    alarm = _grid_alarm(case)
    stood = (hours >= MIN_HOURS.value).mean(axis=1)
    asked = stood >= SOME.value
    nobody = nobody_made(case, asked)
    window = same_hours(case, asked) & ((stood >= HALF.value) | nobody) & np.bool_(len(case.site.units) >= 2)
    days = enough & _alike(case) & (np.maximum(hours, went).max(axis=1) > 0) & (window | gone)
    days |= window & nobody & (gone | alarm | (stood >= HALF.value))
    night = _makes_at_night(case)
    days &= (every | nobody) & (~night | (gone & _unlike(table["ac_dead_h"].mean(axis=1), night)))
    loss = case.sky_mean * (table["symptom_clear"][:, :, STANDBY] * case.rated).sum(axis=1)
    # Where stamps are wrong, so many hours of the night pass for light.
    off_h = hours_off(case).max(axis=1)
    days &= gone | (off_h == 0.0) | (typical >= off_h + MIN_HOURS.value)
    # In less light units sleep, under snow or by night: some day of a run must have cost something.
    plain = PLAIN_LIGHT.value * float(np.nansum(case.rated))
    dear = gone | alarm | (loss >= plain)
    for first, last in runs_of(days, ~case.light_days):
        days[first : last + 1] &= dear[first : last + 1].any()
    lit = np.maximum(table["unit_lit_h"].mean(axis=1), went.mean(axis=1)) + 1e-6
    loss += case.sky_mean * (table["clear"].sum(axis=2) * case.rated).sum(axis=1) * went.mean(axis=1) / lit
    # Where the sun reaches only a few units, those say for how long the site stood.
    stood_h = np.where(typical >= MIN_HOURS.value, typical, hours.max(axis=1))
    return _Down(days, gone, typical, stood_h, loss, plain)


def _alike(case: Case) -> Mask:
    """Days on which inputs stood or were silent for as long as the others of their plane, [D].

    A plane that the sun reaches later or longer has other hours.
    """
    each = case.table["symptom_slots"][:, :, STANDBY] + case.table["own_missing_h"][:, case.unit_of]
    usual = np.zeros_like(each)
    for p in range(len(case.names)):
        usual[:, case.plane_of == p] = np.median(each[:, case.plane_of == p], axis=1, keepdims=True)
    return np.asarray(np.abs(each - usual).mean(axis=1) <= ALIKE.value * np.maximum(usual.mean(axis=1), 1e-6))


def _telling(case: Case, hours: Floats) -> Teller:
    """What stands in a finding of some days: ``hours`` [D] at nothing, and for how many of them the grid's voltage was gone."""

    def tell(days: Mask) -> tuple[str, dict[str, Any]]:
        total = float(hours[days].sum())
        gone = float(case.table["ac_dead_h"][days].mean(axis=1).sum())
        why = f"Every unit reported and none produced for {total:.1f} h of daylight on {int(days.sum())} days" + (
            f"; grid voltage was absent for {gone:.1f} h." if gone > 0 else "."
        )
        told = gone > 0 or case.reports("ac_voltage_v")
        return why, {"hours": round(total, 2), "no_grid_voltage_h": round(gone, 2) if told else None}

    return tell


def _most_lit(case: Case, down: Floats) -> tuple[Mask, Mask]:
    """Days on which nearly all units in the light were ``down``, hours [D, U], and days on which nearly all had light, [D] each.

    A unit whose plane the sun does not reach has no hours to be down in.
    """
    lit = np.stack([case.table["lit_h"][:, case.inputs_of_unit(u)].max(axis=1) for u in range(down.shape[1])], axis=1) > 0.0
    lit |= case.table["own_missing_h"] > 0.0
    enough = ((down >= MIN_HOURS.value) & lit).sum(axis=1) >= ALL.value * np.maximum(lit.sum(axis=1), 1)
    return enough & (lit.mean(axis=1) >= SOME.value), lit.mean(axis=1) >= ALL.value


def _grid_there(case: Case, asked: Mask) -> Mask:
    """Of the days asked for, those on which the units saw their grid while they stood still, [D]."""
    out = np.zeros(case.day_count, bool)
    volts = case.table["volt_bin"]
    usual = float(np.nanmedian(volts)) if np.isfinite(volts).any() else np.nan
    for d in np.flatnonzero(asked & ~_grid_alarm(case)).tolist():
        if not edges(case, d)[0].size:
            continue  # told by its voltage alone, which was gone
        told = volts[d, standing(case, d)]
        out[d] = told.size > 0 and bool((told >= THERE.value * usual).all())
    return out


def _at_edge(case: Case, asked: Mask) -> Mask:
    """Of the days asked for, those whose grid voltage touched its window's edge while all stood or just beside, [D]."""
    out, table = np.zeros(case.day_count, bool), case.table
    window = grid_window(case.site, np.ravel(table["ac_volts_med"]), np.ravel(table["ac_hz_max"]))
    for d in np.flatnonzero(asked).tolist():
        stood = standing(case, d)
        volts = table["volt_bin"][d, max(stood.start - 1, 0) : stood.stop + 1]
        out[d] = bool((volts >= window.high_v * (1 - EDGE.value)).any() or (volts <= window.low_v * (1 + EDGE.value)).any())
    return out


def _leaves_window(case: Case) -> bool:
    """Whether the site's supply is known to leave its window."""
    return any(c.scope == "site" for c in grid_out_of_range.judge(case).candidates)


def _on_grid(case: Case, days: Mask, loss: Floats, total: float, tell: Teller, **said: Any) -> Candidate:
    """All units at nothing for ``total`` h with their grid there; ``said``: the candidate's other fields."""
    why, evidence = tell(days)
    return Candidate(
        why=why,
        evidence=evidence,
        tell=tell,
        scope="site",
        inputs=tuple(range(len(case.inputs))),
        days=days,
        loss_wh=loss * days,
        strength=certainty(total, int(days.sum())) * 0.9,
        **said,
    )


def _tripped(case: Case, days: Mask, hours: Floats, loss: Floats) -> Candidate:
    """All units at nothing with a grid there that touches the edge of its window: they tripped on it and wait."""

    def tell(days: Mask) -> tuple[str, dict[str, Any]]:
        total, top = float(hours[days].sum()), float(np.fmax.reduce(case.table["ac_volts_max"][days].ravel()))
        why = (
            f"Every unit reported its grid and none produced for {total:.1f} h of daylight on {int(days.sum())} days; the supply "
            f"was not gone but at the edge of its window, then or on other days (highest {top:.1f} V)."
        )
        return why, {"hours": round(total, 2), "ac_voltage_max_v": round(top, 2), "all_stood": True}

    return _on_grid(
        case,
        days,
        loss,
        float(hours[days].sum()),
        tell,
        fault="grid-out-of-range",
        alternatives=(
            Alternative("curtailment", 0.1, "Whether an export limit of nil was ordered."),
            Alternative("site-outage", 0.05, "Whether voltage was present: an outage shows none."),
        ),
        lasting=True,
    )


def _to_nil(case: Case, days: Mask, hours: Floats, loss: Floats) -> Candidate:
    """All units at nothing with their grid there: somebody ordered it, by a relay, an export limit or a switch of the gateway's."""

    def tell(days: Mask) -> tuple[str, dict[str, Any]]:
        total = float(hours[days].sum())
        why = (
            f"Every unit reported its grid and none produced for {total:.1f} h of daylight on {int(days.sum())} days: "
            "not the supply but an order to nil, by an export limit, a relay or by hand."
        )
        return why, {"hours": round(total, 2), "level": 0.0, "by_frequency": False, "all_stood": True}

    return _on_grid(
        case,
        days,
        loss,
        float(hours[days].sum()),
        tell,
        fault="curtailment",
        alternatives=(
            Alternative("site-outage", 0.15, "Grid voltage at a unit's connector while it stands: an outage shows none."),
            Alternative("grid-out-of-range", 0.05, "Grid voltage and frequency recorded just before."),
        ),
    )


def _habit(case: Case, days: Mask, hours: Floats, loss: Floats, result: RuleResult) -> Mask:
    """Days that are outages; short stops of all units on many days go to the supply, where no voltage tells.

    Nobody loses the grid for an hour on a dozen days; units that trip on its voltage and wait do.
    """
    told = np.isfinite(case.table["ac_volts_med"]).any() or np.isfinite(case.table["ac_hz_max"]).any()
    short = days & (hours < SHORT_HOURS.value)
    if told or short.sum() < max(HABIT_DAYS.value, HABIT_SHARE.value * days.sum()):
        return days

    def tell(days: Mask) -> tuple[str, dict[str, Any]]:
        why = (
            f"All units stopped together for about {np.median(hours[days]):.1f} h a day on {int(days.sum())} days and "
            "went on by themselves; no grid voltage or frequency is reported to say why."
        )
        return why, {"hours": round(float(hours[days].sum()), 2), "all_stood": True}

    result.candidates.append(
        Candidate(
            fault="grid-out-of-range",
            scope="site",
            inputs=tuple(range(len(case.inputs))),
            days=short,
            loss_wh=loss * short,
            strength=float(1 - 0.5 * np.exp(-short.sum() / 4.0)),
            why=tell(short)[0],
            evidence=tell(short)[1],
            alternatives=(
                Alternative("site-outage", 0.2, "The network operator's record of those times, and whether the house went dark."),
            ),
            lasting=True,
            tell=tell,
        )
    )
    return days & ~short


@once
def switched_off(case: Case) -> Mask:
    """Days of outages that began at one moment for all, out of plain production, [D]: a switch does that, no snow."""
    out = np.zeros(case.day_count, bool)
    for c in judge(case).candidates:
        for first, last in runs_of(c.days, ~case.light_days) if c.fault == "site-outage" else []:
            out[first : last + 1] = _cut(case, first)
    return out


def _cut(case: Case, day: int) -> bool:
    """Whether all inputs stopped within minutes on a day, and most of them made plain power in the half hour before."""
    stopped, step = edges(case, day)[0], float(case.table["step_s"][day])
    before = standing(case, day).start - 2
    if not stopped.size or step > FINE_ROWS.value or before < 0 or np.ptp(stopped) > max(AT_ONCE.value, 2 * step):
        return False
    made = case.table["power"][day, :, before] / BIN_HOURS
    return bool(np.median(made) >= FROM.value and stopped.size >= ALL.value * len(case.inputs))


def _makes_at_night(case: Case) -> Mask:
    """Days on which most of the site produced while the sun was down: a wrong clock, whose dark mornings are no outage."""
    dark = case.bin_elevation < 0.0
    made = ((case.table["power"] > NOTHING.value * BIN_HOURS) & dark[:, None, :]).sum(axis=2) * BIN_HOURS
    out: Mask = (made >= MIN_HOURS.value).mean(axis=1) >= HALF.value
    return out


def _unlike(dead: Floats, night: Mask) -> Mask:
    """Days of a wrong clock that show hours more without grid voltage than its dark mornings and evenings do on other days, [D]."""
    return np.asarray(dead >= (np.median(dead[night]) if night.any() else 0.0) + MIN_HOURS.value)


def _grid_alarm(case: Case) -> np.ndarray:
    """Days on which the log notes an alarm about the grid for half of the units, [D]."""
    out, events = np.zeros(case.day_count, bool), case.events
    if not len(events):
        return out
    about = events[(events["event"] == "alarm") & events["detail"].astype("str").str.contains("grid", case=False)]
    about = about[about["source"].isin([unit.serial for unit in case.site.units])]
    day = (about["ts"].to_numpy(np.int64) + day_offset(case.site)) // 86400
    for k, d in enumerate(case.table.days):
        out[k] = about["source"][day == d].nunique() >= 0.5 * len(case.site.units)
    return out
