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

from typing import Any

import numpy as np

from rules.candidate import Candidate, RuleResult, Teller, Unjudged
from rules.case import Case, once
from rules.days import runs_of, span_mask
from rules.finding import Alternative, Threshold
from rules.gridwindow import GridWindow, grid_window
from rules.ranks import Mask

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
        result.candidates.append(_candidate(case, "site", list(range(len(case.site.units))), site_days, window))
    lone = hit & ~site_days[:, None]
    for u in range(len(case.site.units)):
        for first, last in runs_of(lone[:, u], ~case.light_days, most=5):
            days = span_mask(case.day_count, [(first, last)]) & lone[:, u]
            if out[days, u].sum() >= 1.0:
                result.candidates.append(_candidate(case, "unit", [u], days, window))
    return result


def _candidate(case: Case, scope: str, units: list[int], days: np.ndarray, window: GridWindow) -> Candidate:
    table = case.table
    inputs = tuple(int(n) for u in units for n in case.inputs_of_unit(u))
    mean = _hours(case, units, days)
    who = "The site" if scope == "site" else f"Unit {case.site.units[units[0]].serial}"
    tell = _telling(case, who, units, window)
    why, evidence = tell(days)
    loss = (table["grid_loss"][:, units] * np.nanmean(case.rated)).sum(axis=1) * days
    total = sum(mean.values())
    return Candidate(
        fault="grid-out-of-range",
        scope=scope,
        inputs=inputs,
        days=days,
        loss_wh=loss,
        strength=float(1 - 0.5 * np.exp(-total / 0.7)),
        why=why,
        evidence=evidence,
        alternatives=(
            Alternative("site-outage", 0.03, "Whether voltage was present: an outage shows none."),
            Alternative("restart-cycling", 0.03, "Whether one unit or all saw it at the same minutes."),
        ),
        lasting=True,
        tell=tell,
    )  # fmt: skip


def _hours(case: Case, units: list[int], days: Mask) -> dict[str, float]:
    """Hours of some days, mean of some units, in which the grid was out of its window, by side, and in which it cost."""
    names = ("volt_high_h", "volt_low_h", "hz_out_h", "grid_trip_h")
    return {name: float(case.table[name][days][:, units].mean(axis=1).sum()) for name in names}


def _telling(case: Case, who: str, units: list[int], window: GridWindow) -> Teller:
    """What stands in a finding of some days: hours by side of the window, and the furthest reading with its limit."""
    table = case.table

    def tell(days: Mask) -> tuple[str, dict[str, Any]]:
        mean = _hours(case, units, days)
        top = float(np.fmax.reduce(table["ac_volts_max"][days][:, units].ravel())) if days.any() else np.nan
        low = float(np.fmin.reduce(table["ac_volts_min"][days][:, units].ravel())) if days.any() else np.nan
        fast = float(np.fmax.reduce(table["ac_hz_max"][days][:, units].ravel())) if days.any() else np.nan
        slow = float(np.fmin.reduce(table["ac_hz_min"][days][:, units].ravel())) if days.any() else np.nan
        sides = {
            "volt_high_h": ("above its voltage window", f"highest {top:.1f} V, limit {window.high_v:.1f} V", top),
            "volt_low_h": ("below its voltage window", f"lowest {low:.1f} V, limit {window.low_v:.1f} V", low),
            "hz_out_h": (
                "outside its frequency window",
                f"{slow:.2f} to {fast:.2f} Hz, limits {window.low_hz:.1f} and {window.high_hz:.1f} Hz",
                fast,
            ),
        }
        seen = {key: side for key, side in sides.items() if mean[key] > 0.05}
        parts = " and ".join(f"{mean[key]:.1f} h {text}" for key, (text, _, _) in seen.items())
        furthest = "; ".join(words for _, words, value in seen.values() if np.isfinite(value))
        why = (
            f"{who} saw the grid {parts or 'out of range'} on {int(days.sum())} days and made nothing for "
            f"{mean['grid_trip_h']:.1f} h of light then and while reconnecting{f' ({furthest})' if furthest else ''}."
        )
        numbers = {k: round(v, 2) for k, v in mean.items()}
        return why, {
            **numbers, "ac_voltage_max_v": _num(top), "ac_voltage_min_v": _num(low),
            "high_v": round(window.high_v, 1), "low_v": round(window.low_v, 1),
        }  # fmt: skip

    return tell


def _num(value: float) -> float | None:
    return round(float(value), 2) if np.isfinite(value) else None
