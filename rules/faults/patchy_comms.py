"""patchy-comms: rows of a unit (or of a whole gateway) come with many holes.

On the roof: a weak radio path (metal roof, distance, a new obstacle), a bus
with a bad termination, interference, or a gateway short of signal. Nothing is
wrong with production: the counter goes on.

Looks at: share and number of missing rows in light. Columns: any;
``signal_dbm`` supports.

Looks the same: ``unit-silent`` (one long gap), ``gateway-silent`` (all units,
one long gap), ``restart-cycling`` (the unit itself goes off), a few per cent
lost in health.

Silent for fewer than three gaps a day or under a tenth of the rows, and for one day alone in a record of more:
snow, gloom and interference take rows for a day.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from rules.candidate import Candidate, RuleResult, suspect
from rules.case import Case
from rules.days import runs_of, span_mask
from rules.finding import Alternative, Threshold
from rules.ontime import unit_hours_off
from rules.ranks import Mask, median_of
from rules.silence import PATCHY_SHARE, gateway_gaps, gateway_kinds, unit_kinds

COLUMNS = ("timestamp", "signal_dbm")
SINGLE_DAY = Threshold(0.25, "of lit hours", "own reasoning: a record of one day must be plainly bad")
UNITS = Threshold(3, "units", "own reasoning: of two, one bad link is half of the site")
OWN_DAYS = Threshold(0.5, "of a spell's days", "own reasoning: a bad link has better days too")
BY_CHANCE = Threshold(3.3, "standard deviations", "own reasoning: binomial, chance reaches it on one unit-day in some thousand")
#: Quantile of the units' own usual losses.
BETTER_LINKS = 0.25
SINGLE_ROWS = Threshold(6, "rows", "own reasoning: among hundreds of unit-days one loses four of eleven rows by chance (binomial)")


def judge(case: Case) -> RuleResult:
    """Candidates for units, and for gateways whose every unit is patchy at once."""
    table, result = case.table, RuleResult()
    _, patchy, judged = unit_kinds(case)
    # Beside a unit whose clock is right, one whose clock is wrong seems to miss rows at an end of its days.
    share = np.maximum(table["own_missing_h"] - unit_hours_off(case), 0.0) / np.maximum(table["unit_lit_h"], 1e-6)
    patchy &= share >= PATCHY_SHARE.value
    own = share >= _common_loss(case, share)
    rows = table["own_missing_h"] * 3600.0 / table["step_s"][:, None]
    for u, unit in enumerate(case.site.units):
        for days in _spells(patchy[:, u], judged[:, u], share[:, u], rows[:, u]):
            if own[days, u].mean() < OWN_DAYS.value:
                continue
            inputs = tuple(int(n) for n in case.inputs_of_unit(u))
            result.candidates.append(_candidate(case, f"Unit {unit.serial}", "unit", inputs, days, share[:, u], u))
    _, patchy, judged = gateway_kinds(case)
    missing = gateway_gaps(case)[0]
    share = missing / np.maximum(table["unit_day_h"], 1e-6)
    rows = missing * 3600.0 / table["step_s"][:, None]
    gateways = [unit.gateway for unit in case.site.units]
    for name in dict.fromkeys(gateways):
        units = [u for u, g in enumerate(gateways) if g == name]
        u = units[0]
        for days in _spells(patchy[:, u], judged[:, u], share[:, u], rows[:, u]):
            inputs = tuple(int(n) for k in units for n in case.inputs_of_unit(k))
            result.candidates.append(_candidate(case, f"Gateway {name}", "gateway", inputs, days, share[:, u], u))
    return result


def _common_loss(case: Case, share: np.ndarray) -> np.ndarray:
    """The share of a day's rows that chance takes of one unit where the whole site loses some, [D, U].

    Where most links lose a few per cent, now this one and now that one loses a tenth of a day.
    """
    rows = np.maximum(case.table["unit_lit_h"] * 3600.0 / case.table["step_s"][:, None], 1.0)
    units = [median_of(of[on]) for of, on in zip(share.T, (rows > 1.0).T, strict=True) if on.any()]
    # Of a few links several may be bad: the better ones tell what chance takes.
    better = float(np.quantile(units, BETTER_LINKS, method="lower")) if len(units) >= UNITS.value else 0.0
    base = min(better, PATCHY_SHARE.value)
    return base + BY_CHANCE.value * np.sqrt(base * (1.0 - base) / rows)


def _spells(patchy: Mask, judged: Mask, share: np.ndarray, rows: np.ndarray) -> list[Mask]:
    out = []
    for first, last in runs_of(patchy, ~judged, most=3):
        days = span_mask(len(patchy), [(first, last)]) & patchy
        only = judged.sum() == 1 and share[days].max() >= SINGLE_DAY.value and rows[days].max() >= SINGLE_ROWS.value
        if days.sum() >= 2 or only:
            out.append(days)
    return out


def _candidate(case: Case, who: str, scope: str, inputs: tuple[int, ...], days: Mask, share: np.ndarray, u: int) -> Candidate:
    mean = float(share[days].mean())
    told = (
        "The counter and the state after each gap: a restart shows as starting."
        if case.reports("state")
        else "Whether the counter stood still over the gaps: a restart makes nothing meanwhile."
        if case.reports("energy_total_wh")
        else "Whether power is back at once after each gap (lost rows) or climbs over minutes (a restart)."
    )

    def tell(days: Mask) -> tuple[str, dict[str, Any]]:
        mean, signal = float(share[days].mean()), case.table["signal"][days, u]
        dbm = round(float(np.nanmedian(signal)), 1) if np.isfinite(signal).any() else None
        why = f"{who} lost {100 * mean:.0f} % of its daylight rows in many short gaps on {int(days.sum())} days" + (
            f"; median signal {dbm:.0f} dBm." if dbm is not None else "."
        )
        return why, {"missing_share": round(mean, 3), "signal_dbm": dbm}

    return suspect(
        tell,
        fault="patchy-comms",
        scope=scope,
        inputs=inputs,
        days=days,
        loss_wh=np.zeros(case.day_count),
        strength=float(1 - 0.5 * np.exp(-mean * days.sum() / 0.25)),
        alternatives=(
            Alternative("restart-cycling", 0.05, told),
            Alternative("unit-silent", 0.05, "Length of the gaps: hours mean silence, minutes mean a weak link."),
        ),
        lasting=True,
    )  # fmt: skip
