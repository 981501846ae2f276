"""What a visit is worth: the money that stops being lost, set against what the drive costs.

Money at risk is the loss of the findings that ask for a visit, weighed by
their confidence, at the site's tariff, over a stated number of days at
today's rate. Sites in different currencies are ranked by the same ratio,
money at risk per unit of visit cost, so nothing is ever converted.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from rules.finding import Action
from triage.fleet.groups import group_by_place, span_of
from triage.fleet.prices import DEFAULT_PRICES, Prices
from triage.fleet.summary import FindingBrief, SiteSummary


@dataclass(frozen=True)
class VisitValue:
    """One site's worth of a visit.

    Attributes
    ----------
    loss_wh_per_day : expected loss that a visit would end (confidence-weighted).
    money_per_day, money_at_risk : the same in the site's currency, per day and over the horizon.
    per_visit : money at risk per unit of visit cost; above 1 the drive pays.
    payback_days : after how many days the drive has paid, None when never.
    assumed : which prices the site file did not say.
    """

    site_id: str
    name: str
    region: str
    currency: str
    answer: str
    findings: int
    loss_wh_per_day: float
    money_per_day: float
    money_at_risk: float
    visit_cost: float
    per_visit: float
    payback_days: float | None
    assumed: tuple[str, ...] = ()
    group: int | None = None


@dataclass(frozen=True)
class VisitGroup:
    """Sites that one round can take, by place.

    ``money_at_risk`` is by currency; ``span_km`` the greatest distance between
    two of them as the crow flies; ``per_visit`` the group's money at risk per
    unit of visit cost, each site paying a whole visit.
    """

    number: int
    sites: tuple[str, ...]
    latitude: float
    longitude: float
    span_km: float
    money_at_risk: dict[str, float]
    per_visit: float


def at_risk(findings: Iterable[FindingBrief], action: Action = "visit") -> float:
    """Expected loss in Wh/day of the live findings that ask for ``action``."""
    return sum(f.loss_wh_per_day * f.confidence for f in findings if f.live and f.action == action)


def visit_values(summaries: Sequence[SiteSummary], prices: Prices = DEFAULT_PRICES) -> list[VisitValue]:
    """Sites where a visit is due, the best use of a visit first."""
    rows = [_value(s, prices) for s in summaries if any(f.live and f.action == "visit" for f in s.findings)]
    return sorted(rows, key=lambda v: (-v.per_visit, v.site_id))


def _value(site: SiteSummary, prices: Prices) -> VisitValue:
    assumed = tuple(name for name in ("tariff_per_kwh", "visit_cost") if getattr(site, name) is None)
    tariff = site.tariff_per_kwh if site.tariff_per_kwh is not None else prices.tariff_per_kwh
    cost = site.visit_cost if site.visit_cost is not None else prices.visit_cost
    loss = at_risk(site.findings)
    per_day = loss / 1000 * tariff
    money = per_day * prices.horizon_days
    return VisitValue(
        site_id=site.site_id,
        name=site.name,
        region=site.region,
        currency=site.currency,
        answer=site.answer,
        findings=sum(f.live and f.action == "visit" for f in site.findings),
        loss_wh_per_day=round(loss, 1),
        money_per_day=round(per_day, 2),
        money_at_risk=round(money, 2),
        visit_cost=cost,
        # A visit that costs nothing is reckoned as one unit of money, so that it can be ranked.
        per_visit=round(money / max(cost, 1.0), 2),
        payback_days=round(cost / per_day, 1) if per_day > 0 else None,
        assumed=assumed,
    )


def visit_groups(
    values: Sequence[VisitValue], summaries: Sequence[SiteSummary], span_km: float
) -> tuple[list[VisitGroup], list[VisitValue]]:
    """Rounds, the best first, and the visits with the number of their round.

    Parameters
    ----------
    values : visits due, from :func:`visit_values`.
    span_km : greatest distance between two sites of one round.
    """
    place = {s.site_id: (s.latitude, s.longitude) for s in summaries}
    placed = [v for v in values if None not in place[v.site_id]]
    if not placed:
        return [], list(values)
    at = np.array([place[v.site_id] for v in placed], dtype=float)
    labels = group_by_place(at[:, 0], at[:, 1], span_km)
    groups = [_group(placed, at, np.flatnonzero(labels == n)) for n in range(int(labels.max()) + 1)]
    groups.sort(key=lambda g: (-len(g.sites) * g.per_visit, g.sites))
    groups = [replace(g, number=n) for n, g in enumerate(groups, 1)]
    number = {site: g.number for g in groups for site in g.sites}
    return groups, [replace(v, group=number.get(v.site_id)) for v in values]


def _group(values: Sequence[VisitValue], at: np.ndarray, members: np.ndarray) -> VisitGroup:
    rows = [values[i] for i in members]
    money: dict[str, float] = {}
    for v in rows:
        money[v.currency] = round(money.get(v.currency, 0.0) + v.money_at_risk, 2)
    latitude, longitude = at[members, 0], at[members, 1]
    return VisitGroup(
        number=0,
        sites=tuple(v.site_id for v in rows),
        latitude=round(float(latitude.mean()), 4),
        longitude=round(float(longitude.mean()), 4),
        span_km=round(span_of(latitude, longitude), 1),
        money_at_risk=money,
        per_visit=round(float(np.mean([v.per_visit for v in rows])), 2),
    )
