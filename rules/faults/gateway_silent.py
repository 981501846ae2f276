"""gateway-silent: nothing at all from any unit of a gateway by day.

On the roof nothing need be wrong: the gateway indoors has no power, no
network, or has failed. Units go on producing, and their counters show it after
the gap.

Looks at: hours without a single row of any of the gateway's units, lifetime
counters across the gap, the gateway log. Columns: any; ``energy_total_wh``
decides against ``site-outage``.

Looks the same: ``site-outage`` (counters did not move), an export that ends
(outside the record nothing is judged).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from rules.case import Candidate, Case, RuleResult, Unjudged, runs_of, span_mask
from rules.counters import counter_rise
from rules.daytable import day_iso
from rules.finding import Alternative, Threshold
from rules.panel import day_offset
from rules.silence import gateway_kinds

COLUMNS = ("timestamp", "energy_total_wh")
DARK_SHARE = Threshold(0.04, "of clear sky", "own reasoning: below a thick overcast; a dark roof counts nothing")


def judge(case: Case) -> RuleResult:
    """One candidate per gateway and run of silent days: gateway-silent, or site-outage when counters stood."""
    result = RuleResult()
    silent, _, judged = gateway_kinds(case)
    gateways = [unit.gateway for unit in case.site.units]
    for name in dict.fromkeys(gateways):
        units = [u for u, g in enumerate(gateways) if g == name]
        u = units[0]
        inputs = np.array([n for k in units for n in case.inputs_of_unit(k)])
        for first, last in runs_of(silent[:, u], ~judged[:, u]):
            days = span_mask(case.day_count, [(first, last)]) & silent[:, u]
            result.candidates.append(_candidate(case, name, u, inputs, days, len(set(gateways)) == 1))
        dim = int((case.light_days & ~judged[:, u]).sum())
        if dim:
            result.unjudged.append(Unjudged(None, "gateway-silent", "less than an hour of daylight in the record", dim))
    _join_gateways(case, result)
    return result


def _join_gateways(case: Case, result: RuleResult) -> None:
    """One site-outage when every gateway's roof stood still over the same days."""
    dark = [c for c in result.candidates if c.fault == "site-outage" and c.scope == "gateway"]
    names = {unit.gateway for unit in case.site.units}
    for lead in list(dark):
        same = [c for c in dark if (c.days & lead.days).sum() >= 0.7 * (c.days | lead.days).sum()]
        if len(same) == len(names) > 1 and any(c is lead for c in result.candidates):
            result.candidates = [c for c in result.candidates if not any(c is o for o in same)]
            result.candidates.append(
                replace(
                    lead,
                    scope="site",
                    inputs=tuple(sorted(n for c in same for n in c.inputs)),
                    days=np.any([c.days for c in same], axis=0),
                    loss_wh=np.sum([c.loss_wh for c in same], axis=0),
                    why=f"All {len(names)} gateways alike. {lead.why}",
                )
            )


def _candidate(
    case: Case, name: str, u: int, inputs: np.ndarray, days: np.ndarray, only_gateway: bool
) -> Candidate:
    table = case.table
    rise, clear = counter_rise(case, days, inputs)
    hours = float(table["quiet_missing_h"][days, u].sum())
    log = _offline(case, name, days)
    stood = np.isfinite(rise) and clear > 0 and rise < DARK_SHARE.value * clear
    # Without counters a gateway that itself lost power points to the supply.
    lost_power = not np.isfinite(rise) and log.startswith("restart")
    logged = f"; the gateway log notes {log}" if log else ""
    loss = np.zeros(case.day_count)
    if stood or (lost_power and only_gateway):
        units = np.unique(case.unit_of[inputs])
        per_day = table["quiet_clear"][:, units].sum(axis=1) * float(np.nanmean(case.rated)) * case.sky_mean
        return Candidate(
            fault="site-outage",
            scope="site" if only_gateway else "gateway",
            inputs=tuple(int(n) for n in inputs),
            days=days,
            loss_wh=per_day * days,
            strength=float(1 - 0.4 * np.exp(-hours / 3.0)) * (1.0 if stood else 0.6),
            why=(
                f"No unit {'' if only_gateway else f'of gateway {name} '}sent anything for {hours:.1f} h of daylight"
                + (
                    f" and the counters rose by only {max(rise, 0) / 1000:.2f} kWh meanwhile: the site made nothing"
                    if stood
                    else "; no counter tells whether it produced, but the gateway itself lost power"
                )
                + f"{logged}."
            ),
            evidence={"hours": round(hours, 2), "counter_rise_wh": round(rise, 1) if stood else None, "gateway_log": log},
            alternatives=(
                Alternative("gateway-silent", 0.05 if stood else 0.4, "Read the lifetime counters: a rise would mean it produced."),
            ),
            lasting=True,
        )
    known = np.isfinite(rise) and clear > 0
    if len(inputs) == len(case.inputs_of_unit(u)) and len(case.events) and not log:
        return _lone_unit(case, name, u, inputs, days, hours, rise if known else None)
    return Candidate(
        fault="gateway-silent",
        scope="gateway",
        inputs=tuple(int(n) for n in inputs),
        days=days,
        loss_wh=loss,
        strength=float(1 - 0.4 * np.exp(-hours / 3.0)) * (1.0 if known or log else 0.85),
        why=(
            f"Gateway {name} passed on nothing for {hours:.1f} h of daylight on {int(days.sum())} days; "
            + (
                f"the counters rose by {rise / 1000:.2f} kWh meanwhile: the roof produced{logged}."
                if known
                else f"no counter after the gap tells yet whether the roof produced{logged}."
            )
        ),
        evidence={
            "hours": round(hours, 2),
            "counter_rise_wh": round(rise, 1) if known else None,
            "gateway_log": log,
        },
        alternatives=(
            Alternative("site-outage", 0.05 if known else 0.25,
                        "Ask whether the house has power; afterwards the counters: no rise means the site was down."),
        ),
        lasting=True,
    )  # fmt: skip


def _lone_unit(
    case: Case, name: str, u: int, inputs: np.ndarray, days: np.ndarray, hours: float, rise: float | None
) -> Candidate:
    """The only unit of a gateway that kept a log and noted nothing about itself: the unit was silent."""
    serial = case.site.units[u].serial
    return Candidate(
        fault="unit-silent",
        scope="unit",
        inputs=tuple(int(n) for n in inputs),
        days=days,
        loss_wh=np.zeros(case.day_count),
        strength=float(1 - 0.4 * np.exp(-hours / 3.0)) * 0.8,
        why=(
            f"Unit {serial}, the only one of gateway {name}, sent nothing for {hours:.1f} h of daylight on "
            f"{int(days.sum())} days, and the gateway's log notes no trouble of its own."
        ),
        evidence={"hours": round(hours, 2), "counter_rise_wh": None if rise is None else round(rise, 1),
                  "produced": None if rise is None else True},
        alternatives=(Alternative("gateway-silent", 0.3, "Whether the gateway answers from the house's network."),),
        lasting=True,
    )  # fmt: skip


def _offline(case: Case, name: str, days: np.ndarray) -> str:
    """Days on which the log says this gateway went offline or restarted, as text."""
    if not len(case.events):
        return ""
    events = case.events
    mine = events[events["event"].isin(["offline", "restart"]) & events["source"].isin([name, "gateway", case.site.site.id])]
    if not len(mine):
        return ""
    at = (mine["ts"].to_numpy(np.int64) + day_offset(case.site)) // 86400
    hit = np.isin(at, case.table.days[days])
    if not hit.any():
        return ""
    # A link that was lost says more than the restart that may have ended it.
    noted, when = mine["event"].to_numpy()[hit], at[hit]
    pick = int(np.argmax(noted == "offline")) if (noted == "offline").any() else 0
    return f"{noted[pick]} on {day_iso(int(when[pick]))}"
