"""site-outage: no unit of the site produces in daylight, and they say so.

On the roof: nothing; the grid is gone, the main isolator or breaker of the PV
circuit is open, or a protection relay has tripped. (The same with silent units
is judged in ``gateway_silent``: there the counters decide.)

Looks at: every reporting unit standing by with nobody producing, and grid
voltage at nil. Columns: ``dc_power_w`` or ``ac_power_w``; ``ac_voltage_v`` helps.

Looks the same: ``grid-out-of-range`` (voltage present but outside), ``snow``
(power small, not nil), ``unit-standby`` of one unit (others produce), night.
"""

from __future__ import annotations

import numpy as np

from rules.case import Candidate, Case, RuleResult
from rules.daytable import STANDBY
from rules.finding import Alternative, Threshold
from rules.hard import certainty, unit_down

COLUMNS = ("dc_power_w", "ac_voltage_v")
MIN_HOURS = Threshold(0.75, "h", "own reasoning: longer than a reconnection wait and ramp (IEEE 1547-2018: 600 s)")
HALF = Threshold(0.6, "of units", "own reasoning: some may be silent, most must say themselves that they stand still")
TOGETHER = Threshold(30.0, "min", "own reasoning: units wake and reconnect within half an hour of each other")
ALL = Threshold(0.8, "of units", "own reasoning: the common cause when nearly all share the symptom")


def judge(case: Case) -> RuleResult:
    """At most one candidate for the site."""
    table, result = case.table, RuleResult()
    hours, _ = unit_down(case, STANDBY)
    down = hours + table["own_missing_h"]
    enough = (down >= MIN_HOURS.value).mean(axis=1) >= ALL.value
    typical = np.median(down, axis=1)
    # The same hours for all: the sum over units stays close to the number of units times the median.
    together = np.abs(down - typical[:, None]).mean(axis=1) <= 0.35 * np.maximum(typical, 1e-6)
    several = len(case.site.units) >= 2
    gone = table["ac_dead_h"].mean(axis=1) >= 0.3 * np.maximum(typical, 1e-6)
    likely = enough & together & (hours.max(axis=1) > 0)
    same_hours = _same_hours(case, likely) & ((hours >= MIN_HOURS.value).mean(axis=1) >= HALF.value)
    days = likely & ((same_hours & np.bool_(several)) | gone)
    if not days.any():
        return result
    total = float(typical[days].sum())
    no_volts = float(table["ac_dead_h"][days].mean(axis=1).sum())
    loss = case.sky_mean * (table["symptom_clear"][:, :, STANDBY] * case.rated).sum(axis=1)
    result.candidates.append(
        Candidate(
            fault="site-outage",
            scope="site",
            inputs=tuple(range(len(case.inputs))),
            days=days,
            loss_wh=loss * days,
            strength=certainty(total, int(days.sum())) * (1.0 if no_volts > 0 else 0.9),
            why=(
                f"Every unit reported and none produced for {total:.1f} h of daylight on {int(days.sum())} days"
                + (f"; grid voltage was absent for {no_volts:.1f} h." if no_volts > 0 else ".")
            ),
            evidence={"hours": round(total, 2), "no_grid_voltage_h": round(no_volts, 2)},
            alternatives=(
                Alternative("curtailment", 0.03, "Whether an export limit of nil was ordered: grid voltage is present then."),
                Alternative("grid-out-of-range", 0.03, "Grid voltage and frequency recorded just before."),
            ),
            lasting=True,
        )
    )  # fmt: skip
    return result


def _same_hours(case: Case, asked: np.ndarray) -> np.ndarray:
    """Of the days asked for, those on which the units stood still from and to about the same minute, [D]."""
    first = case.table["symptom_first"][:, :, STANDBY]
    last = case.table["symptom_last"][:, :, STANDBY]
    out = np.zeros(case.day_count, bool)
    for d in np.flatnonzero(asked):
        a, b = first[d][np.isfinite(first[d])], last[d][np.isfinite(last[d])]
        if a.size:
            out[d] = np.median(np.abs(a - np.median(a))) <= TOGETHER.value * 60 and (
                np.median(np.abs(b - np.median(b))) <= TOGETHER.value * 60
            )
    return out
