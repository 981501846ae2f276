"""Performance against peers: sites of one region and age, compared as a crowd.

Regions share sun and snow, ages share degradation; what is left is the roof.
A site is set against the median of its peers in units of their spread
(modified z-score of Iglewicz and Hoaglin, "How to Detect and Handle Outliers",
1993, who flag beyond 3.5). Peers must be measured the same way: a performance
ratio from a sensor is never set against a ratio to expected energy.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from rules.finding import Threshold
from triage.fleet.ages import age_band
from triage.fleet.summary import SiteSummary

MIN_PEERS: Final = Threshold(5, "1", "published: about five neighbours suffice, doi 10.1145/3209811.3209860")
MAX_Z: Final = Threshold(3.5, "1", "published: Iglewicz and Hoaglin 1993, from memory")
MIN_SPREAD: Final = Threshold(0.01, "ratio", "own choice: equal peers must not make 1 % an outlier")


@dataclass(frozen=True)
class PeerPosition:
    """Where a site stands among its peers; ``score`` is negative below them."""

    site_id: str
    performance: float
    basis: str
    peers: str
    peer_count: int
    peer_median: float
    score: float

    @property
    def behind(self) -> bool:
        return self.score < -MAX_Z.value


def peer_positions(summaries: Sequence[SiteSummary], today: str) -> list[PeerPosition]:
    """Position of every site that has a performance figure and enough peers, the worst first.

    Peers are sites of one region and age band; where fewer than five others
    are left, of one region; then of the whole fleet.
    """
    rated = [s for s in summaries if s.performance is not None]
    found: list[PeerPosition] = []
    waiting = rated
    for level in (_region_and_age, _region, _fleet):
        groups: dict[tuple[str, str], list[SiteSummary]] = {}
        for s in rated:
            groups.setdefault((basis_kind(s), level(s, today)), []).append(s)
        still: list[SiteSummary] = []
        for s in waiting:
            name = level(s, today)
            group = groups[basis_kind(s), name]
            if not name or len(group) <= MIN_PEERS.value:
                still.append(s)
            else:
                found.append(_position(s, group, name))
        waiting = still
    return sorted(found, key=lambda p: p.score)


def basis_kind(summary: SiteSummary) -> str:
    """The measure itself, without where its irradiance came from."""
    return summary.performance_basis.split(",")[0]


def _position(site: SiteSummary, group: Sequence[SiteSummary], name: str) -> PeerPosition:
    others = np.array([s.performance for s in group if s is not site], dtype=float)
    median = float(np.median(others))
    spread = max(float(np.median(np.abs(others - median))), MIN_SPREAD.value)
    assert site.performance is not None
    score = 0.6745 * (site.performance - median) / spread
    return PeerPosition(site.site_id, site.performance, site.performance_basis, name, len(others), median, round(score, 2))


def _region_and_age(site: SiteSummary, today: str) -> str:
    band = age_band(site.commissioned, today)
    return f"{site.region}, {band}" if site.region and band else ""


def _region(site: SiteSummary, _today: str) -> str:
    return site.region


def _fleet(_site: SiteSummary, _today: str) -> str:
    return "the whole fleet"
