"""Invented fleets for the tests of this folder."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np

from triage.fleet.summary import FindingBrief, SiteSummary

NOW = datetime(2026, 6, 5, 6, 0, tzinfo=UTC)
TODAY = "2026-06-05"

_BRIEF = FindingBrief(
    id="1",
    fault="dead-input",
    place="A1/1",
    action="visit",
    severity="high",
    confidence=1.0,
    loss_wh_per_day=1000.0,
    loss_wh_total=4000.0,
    first_seen="2026-06-01",
    last_seen="2026-06-04",
    status="open",
    why="No voltage by day.",
    unit="A1",
    input=1,
    inverter="U2",
    module="M400",
)


def brief(**changes: object) -> FindingBrief:
    return replace(_BRIEF, **changes)  # type: ignore[arg-type]


def site(site_id: str, *findings: FindingBrief, **changes: object) -> SiteSummary:
    base = SiteSummary(
        site_id=site_id,
        name=f"Roof {site_id}",
        region="north",
        latitude=47.0,
        longitude=8.0,
        commissioned="2022-05-01",
        currency="CHF",
        tariff_per_kwh=0.25,
        visit_cost=100.0,
        inputs=24,
        units=12,
        rated_w=9600.0,
        inverters={"U2": 12},
        modules={"M400": 24},
        night="2026-06-04",
        at="2026-06-04T21:00:00Z",
        to_day="2026-06-04",
        findings=findings,
        energy_wh=900_000.0,
        expected_wh=1_000_000.0,
        performance=0.9,
        performance_basis="energy over expected energy, own inputs",
        completeness=0.99,
        last_sample=int(NOW.timestamp()) - 6 * 3600,
    )
    return replace(base, **changes)  # type: ignore[arg-type]


def fleet(sites: int, seed: int = 1) -> list[SiteSummary]:
    """An invented fleet with something of everything."""
    rng = np.random.default_rng(seed)
    made = []
    faults = ("dead-input", "idle-input", "shading", "unit-silent", "substring-loss", "gateway-silent")
    for n in range(sites):
        found = [
            brief(
                id=str(k),
                fault=str(rng.choice(faults)),
                unit=f"A{k}",
                place=f"A{k}/1",
                action=str(rng.choice(["visit", "remote", "watch"])),
                loss_wh_per_day=float(rng.gamma(2.0, 400.0)),
                confidence=float(rng.uniform(0.6, 1.0)),
                returns=int(rng.poisson(0.2)),
                inverter="U1" if n % 3 == 0 else "U2",
            )
            for k in range(rng.poisson(0.5))
        ]
        made.append(
            site(
                f"roof-{n:04d}",
                *found,
                region=["north", "lakes", "south"][n % 3],
                latitude=float(46.5 + rng.normal(0, 0.3)),
                longitude=float(7.5 + rng.normal(0, 0.5)),
                commissioned=f"{2012 + n % 13}-05-01",
                inverters={"U1" if n % 3 == 0 else "U2": 12},
                performance=float(np.clip(rng.normal(0.93, 0.03), 0, 1)) if n % 17 else 0.6,
                completeness=float(rng.beta(60, 1)),
                last_sample=int(NOW.timestamp()) - (40 * 86400 if n % 29 == 5 else 7200),
                error="roof.sqlite: damaged" if n % 97 == 3 else "",
            )
        )
    return made
