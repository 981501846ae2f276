"""hot-derating: a unit gives less as it heats and recovers as it cools.

On the roof: a unit without air behind it, in the sun, under leaves, or with a
failing heat path. It protects itself; heat shortens its life.

Looks at: the ratio to siblings (or to the sky) by the unit's own temperature,
over all days: full when cooler, falling when hot. Columns: ``temperature_c``
and ``dc_power_w`` or ``ac_power_w``.

Looks the same: ``shading`` at noon (follows the sun, not the temperature),
``clipping`` (flat), ``curtailment`` (all units at once).
"""

from __future__ import annotations

import numpy as np

from rules.case import Candidate, Case, RuleResult, Unjudged
from rules.daytable import HEAT_BINS, HEAT_FROM_C, HEAT_STEP_C
from rules.finding import Alternative, Threshold

COLUMNS = ("temperature_c", "dc_power_w")
HOT_C = Threshold(60.0, "Celsius", "common practice: power electronics reduce output from 60 to 80 Celsius inside")
DROP = Threshold(0.05, "ratio", "own reasoning: above the spread of a unit's ratio between cool and warm hours")
MIN_ENERGY = Threshold(0.25, "h", "own reasoning: a quarter of a full-sun hour of hot operation")


def judge(case: Case) -> RuleResult:
    """Candidates per unit."""
    table, result = case.table, RuleResult()
    edges = HEAT_FROM_C + HEAT_STEP_C * (np.arange(HEAT_BINS) - 1)
    warm = np.flatnonzero(np.isfinite(table["temp_max"]).any(axis=0)) if case.day_count else np.zeros(0, int)
    if len(warm) < len(case.site.units) and case.light_days.any():
        missing = [u for u in range(len(case.site.units)) if u not in set(warm.tolist())]
        result.unjudged += [
            Unjudged(int(n), "hot-derating", "no temperature_c", int(case.light_days.sum()))
            for u in missing for n in case.inputs_of_unit(u)
        ]  # fmt: skip
    for u in warm:
        power = table["heat_power"][:, u]
        typical = table["heat_typical"][:, u]
        total_p, total_t = power.sum(axis=0), typical.sum(axis=0)
        hot = edges >= HOT_C.value
        if total_t[hot].sum() < MIN_ENERGY.value or total_t[~hot].sum() < MIN_ENERGY.value:
            continue
        with np.errstate(invalid="ignore", divide="ignore"):
            ratio = np.where(total_t > 0.05, total_p / total_t, np.nan)
        cool = float(total_p[~hot].sum() / total_t[~hot].sum())
        # The knee: the bins from which on the unit stays low and goes lower.
        below = np.flatnonzero(hot & (ratio < cool * (1 - DROP.value)))
        if not below.size:
            continue
        knee = int(below[0])
        after = np.arange(HEAT_BINS) >= knee
        deep = float(total_p[after].sum() / max(total_t[after].sum(), 1e-9)) / cool
        if total_t[after].sum() < MIN_ENERGY.value or deep > 1 - DROP.value:
            continue
        day_t = typical[:, after].sum(axis=1)
        with np.errstate(invalid="ignore", divide="ignore"):
            day_ratio = np.where(day_t > 0.05, power[:, after].sum(axis=1) / day_t / cool, np.nan)
        days = np.nan_to_num(day_ratio, nan=1.0) < 1 - DROP.value
        # Cool hours of the same days must be sound, or it is not the heat.
        cool_t = typical[days][:, ~after].sum()
        cool_day = power[days][:, ~after].sum() / max(cool_t, 1e-9) / cool
        if not days.any() or cool_t < 0.1 or cool_day < 1 - DROP.value:
            continue
        inputs = case.inputs_of_unit(int(u))
        lost = np.maximum(day_t * cool - power[:, after].sum(axis=1), 0) * float(np.nanmean(case.rated[inputs]))
        hottest = float(np.nanmax(table["temp_max"][days, u]))
        result.candidates.append(
            Candidate(
                fault="hot-derating",
                scope="unit",
                inputs=tuple(int(n) for n in inputs),
                days=days,
                loss_wh=lost * days,
                strength=float(np.clip(0.6 + 1.2 * (1 - deep - DROP.value) + 0.1 * (days.sum() > 2), 0, 0.95)),
                why=(
                    f"Unit {case.site.units[int(u)].serial} fell to {100 * deep:.0f} % of its siblings above "
                    f"{edges[knee]:.0f} °C (hottest {hottest:.0f} °C) and was sound when cooler, on {int(days.sum())} days."
                ),
                evidence={"knee_c": float(edges[knee]), "hot_ratio": round(deep, 3), "temperature_max_c": round(hottest, 1)},
                alternatives=(
                    Alternative("shading", 0.12, "A cool clear day: shade bites then too, heat does not."),
                    Alternative("clipping", 0.05, "Whether power stays flat at the rating as temperature rises."),
                ),
            )
        )  # fmt: skip
    return result
