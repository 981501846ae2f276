"""The hand-drawn roof as fixtures."""

from __future__ import annotations

import pytest
from report_makers import FakeView, make_finding, make_view

from rules.finding import Alternative, Finding, NotJudged


@pytest.fixture(scope="session")
def view() -> FakeView:
    return make_view()


@pytest.fixture(scope="session")
def findings() -> tuple[Finding, ...]:
    return (
        make_finding(
            "dead-input",
            why="No voltage <0.5 V> by day & night.",
            alternatives=(Alternative("idle-input", 0.05, "A meter at the connector tells."),),
            evidence={"voltage_v": 0.2, "siblings": 5},
        ),
        make_finding("shading", input=1, action="watch", severity="low", loss_wh_per_day=300.0),
        make_finding("unit-silent", unit="C", input=None, plane=None, action="remote", first_seen="2026-06-06"),
        make_finding("patchy-comms", unit="D", input=None, plane=None, action="watch", loss_wh_per_day=0.0),
    )


@pytest.fixture(scope="session")
def not_judged() -> tuple[NotJudged, ...]:
    return (
        NotJudged("C", None, "shading", "no rows", 3),
        NotJudged(None, None, "soiling", "under 14 days", 8),
    )
