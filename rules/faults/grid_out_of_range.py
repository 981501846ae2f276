"""grid-out-of-range: grid voltage or frequency leaves the window and units trip.

On the roof nothing is wrong: the supply, or the rise along a long or thin trunk
cable, pushes the units out of their window. They wait `reconnect_s` and ramp.

Looks at: hours outside the window of `[grid]` (or stand-ins, see
:mod:`rules.gridwindow`), and light without production right after. Columns:
``ac_voltage_v`` or ``ac_frequency_hz``.

Looks the same: ``site-outage`` (no voltage at all; rows that are means of a grid there
and gone show a frequency that no supply has: see ``Case.grid_went``), ``unit-standby`` (voltage in
the window), ``restart-cycling`` (one unit, voltage in the window). One unit or
one branch alone points to its cable; all units to the supply.
"""

from __future__ import annotations

import numpy as np

from rules.candidate import Candidate, RuleResult, Unjudged
from rules.case import Case, once
from rules.days import runs_of, span_mask
from rules.finding import Alternative, Threshold
from rules.gridwindow import grid_window

COLUMNS = ("ac_voltage_v", "ac_frequency_hz")
TOTAL_HOURS = Threshold(0.75, "h outside", "own reasoning: well beyond a dip of one or two rows")
HABIT_DAYS = Threshold(3, "days", "own reasoning: three such days are a habit of this supply")
MIN_HOURS = Threshold(0.25, "h", "own reasoning: three 5-minute rows; single spikes are common on weak grids")


@once
def judge(case: Case) -> RuleResult:
    """One candidate for the site, or one per unit when only a few see it."""
    table, result = case.table, RuleResult()
    outside = case.grid_outside_h
    out = outside + table["grid_trip_h"]
    if not np.isfinite(table["ac_volts_med"]).any() and not np.isfinite(table["ac_hz_max"]).any():
        if case.light_days.any():
            result.unjudged.append(
                Unjudged(None, "grid-out-of-range", "no ac_voltage_v or ac_frequency_hz", int(case.light_days.sum()))
            )
        return result
    window = grid_window(case.site, np.ravel(table["ac_volts_med"]), np.ravel(table["ac_hz_max"]))
    hit = (out >= MIN_HOURS.value) & (outside > 0)
    count = hit.sum(axis=1)
    site_days = (count >= 0.5 * len(case.site.units)) & (count > 0)
    # One dip and the wait after it are a normal day of any grid.
    weight = np.median(outside, axis=1) * site_days
    if site_days.any() and (weight.sum() >= TOTAL_HOURS.value or site_days.sum() >= HABIT_DAYS.value):
        result.candidates.append(_candidate(case, "site", list(range(len(case.site.units))), site_days, window.high_v))
    lone = hit & ~site_days[:, None]
    for u in range(len(case.site.units)):
        for first, last in runs_of(lone[:, u], ~case.light_days, most=5):
            days = span_mask(case.day_count, [(first, last)]) & lone[:, u]
            if out[days, u].sum() >= 1.0:
                result.candidates.append(_candidate(case, "unit", [u], days, window.high_v))
    return result


def _candidate(case: Case, scope: str, units: list[int], days: np.ndarray, high_v: float) -> Candidate:
    table = case.table
    inputs = tuple(int(n) for u in units for n in case.inputs_of_unit(u))
    mean = {
        name: float(table[name][days][:, units].mean(axis=1).sum())
        for name in ("volt_high_h", "volt_low_h", "hz_out_h", "grid_trip_h")
    }
    top = float(np.fmax.reduce(table["ac_volts_max"][days][:, units].ravel())) if days.any() else np.nan
    loss = (table["grid_loss"][:, units] * np.nanmean(case.rated)).sum(axis=1) * days
    parts = [
        f"{mean[key]:.1f} h {text}"
        for key, text in (
            ("volt_high_h", "above its voltage window"),
            ("volt_low_h", "below its voltage window"),
            ("hz_out_h", "outside its frequency window"),
        )
        if mean[key] > 0.05
    ]
    total = sum(mean.values())
    who = "The site" if scope == "site" else f"Unit {case.site.units[units[0]].serial}"
    return Candidate(
        fault="grid-out-of-range",
        scope=scope,
        inputs=inputs,
        days=days,
        loss_wh=loss,
        strength=float(1 - 0.5 * np.exp(-total / 0.7)),
        why=(
            f"{who} saw the grid {', '.join(parts) or 'out of range'} on {int(days.sum())} days and made nothing for "
            f"{mean['grid_trip_h']:.1f} h of light then and while reconnecting"
            + (f" (highest {top:.1f} V)." if np.isfinite(top) else ".")
        ),
        evidence={**{k: round(v, 2) for k, v in mean.items()}, "ac_voltage_max_v": _num(top), "high_v": round(high_v, 1)},
        alternatives=(
            Alternative("site-outage", 0.03, "Whether voltage was present: an outage shows none."),
            Alternative("restart-cycling", 0.03, "Whether one unit or all saw it at the same minutes."),
        ),
        lasting=True,
    )  # fmt: skip


def _num(value: float) -> float | None:
    return round(float(value), 2) if np.isfinite(value) else None
