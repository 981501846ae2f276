"""What has not arrived: a site whose newest reading is older than its own habit of delivery allows.

A record says nothing of the time after its last row. Only whoever asks at a
known time, and knows how readings of this site use to arrive, can miss them.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np

from collectors.site import SiteDescription
from rules.action import choose
from rules.daytable import day_iso
from rules.finding import Alternative, Finding, NotJudged, Threshold
from rules.panel import day_offset

LEAST = Threshold(5, "deliveries", "own reasoning: fewer make no habit")
USUAL = Threshold(0.9, "quantile", "own reasoning: one delivery in ten may be late without a fault")
MARGIN = Threshold(1.5, "of the usual age", "own reasoning: half as late again is plainly late")
SPARE_H = Threshold(24.0, "h", "own reasoning: a delivery a day late is a holiday or a slow link")
GATEWAY = Threshold(0.8, "of such silences", "own reasoning: the others are outages, and files that nobody sent")


def overdue(site: SiteDescription, newest: int, ages_s: Sequence[float], as_of: int) -> tuple[list[Finding], list[NotJudged]]:
    """Gateways that should have been heard of by now, and what could not be judged.

    Parameters
    ----------
    newest : UTC second of the site's newest reading.
    ages_s : how old the newest reading had become when the next ones came, s, one for each delivery so far.
    as_of : UTC second of the asking; nothing is said of a time before the newest reading.

    Returns
    -------
    One ``gateway-silent`` a gateway, from the day after the newest reading to the
    last finished solar day. Its loss is unknown and stands as 0. Confidence: by the rule
    of succession one more delivery is this late by chance in one of n + 2 cases.
    """
    # A night is over at the next solar noon, as the nightly check has it.
    heard, last = (newest + day_offset(site)) // 86400, (as_of - 43200 + day_offset(site)) // 86400
    age = as_of - newest
    if last <= heard or age <= SPARE_H.value * 3600.0:
        return [], []
    if len(ages_s) < LEAST.value:
        reason = f"nothing has arrived since {_when(newest, site.site.zone)}; too few deliveries so far to say whether that is late"
        return [], [NotJudged(None, None, "gateway-silent", reason, last - heard)]
    usual = float(np.quantile(ages_s, USUAL.value))
    if age <= max(MARGIN.value * usual, usual + SPARE_H.value * 3600.0):
        return [], []
    confidence = GATEWAY.value * (len(ages_s) + 1) / (len(ages_s) + 2)
    newest_at = _when(newest, site.site.zone)
    days = [day_iso(d) for d in range(heard + 1, last + 1)]
    action, severity, reason = choose("gateway-silent", 0.0, len(days), confidence, site.site.tariff_per_kwh, site.site.visit_cost)
    found = [
        Finding(
            site=site.site.id,
            fault="gateway-silent",
            first_seen=days[0],
            last_seen=days[-1],
            days=len(days),
            confidence=confidence,
            severity=severity,
            loss_wh_per_day=0.0,
            loss_wh_total=0.0,
            action=action,
            why=(
                f"Nothing has arrived from gateway {gateway} since {newest_at}, {_long(age)} ago; in {len(ages_s)} deliveries "
                f"so far the newest reading was seldom older than {_long(usual)} when the next ones came. Whether the roof "
                "produces is not known: no loss is counted until its counters are read."
            ),
            gateway=gateway,
            alternatives=(
                Alternative("site-outage", 0.1, "Ask whether the house has power; then the counters: no rise means an outage."),
            ),
            evidence={
                "newest": newest_at,
                "age_h": round(age / 3600.0, 1),
                "usual_h": round(usual / 3600.0, 1),
                "deliveries": len(ages_s),
                "dates": days,
                "action_reason": reason,
            },
        )
        for gateway in dict.fromkeys(unit.gateway for unit in site.units)
    ]  # fmt: skip
    return found, []


def _when(ts: int, zone: ZoneInfo) -> str:
    """On the site's clock, with its zone."""
    return f"{datetime.fromtimestamp(ts, UTC).astimezone(zone):%Y-%m-%d %H:%M %Z}"


def _long(seconds: float) -> str:
    hours = seconds / 3600.0
    return f"{hours:.0f} hours" if hours < 48 else f"{hours / 24:.1f} days"


__all__ = ["overdue"]
