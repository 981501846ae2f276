"""What should have arrived by now, by the site's own habit. No published figure: own reasoning throughout."""

from __future__ import annotations

import pytest

import rules.overdue as rule
from collectors.site import parse_site
from rules.overdue import overdue
from tests.rules.conftest import MoveThreshold
from tests.rules.make import site_text

SITE = parse_site(site_text(gateways=("G1", "G1", "G1", "G2", "G2")))
HOUR, DAY = 3600, 86400
NEWEST = 20_000 * DAY + 17 * HOUR
NIGHTLY = [30.0 * HOUR] * 20
WEEKLY = [7.2 * DAY] * 8


def _told(ages: list[float], days: float) -> list[str | None]:
    return [f.gateway for f in overdue(SITE, NEWEST, ages, NEWEST + round(days * DAY))[0]]


@pytest.mark.parametrize(("ages", "on_time", "late"), [(NIGHTLY, 2.2, 3.0), (WEEKLY, 10.0, 12.0), ([0.6 * DAY] * 9, 1.5, 2.0)])
def test_later_than_the_habit_allows(ages: list[float], on_time: float, late: float) -> None:
    assert _told(ages, on_time) == []
    assert _told(ages, late) == ["G1", "G2"]


def test_what_is_said() -> None:
    found, unsaid = overdue(SITE, NEWEST, NIGHTLY, NEWEST + 4 * DAY)
    one = found[0]
    assert unsaid == []
    assert (one.fault, one.unit, one.action, one.loss_wh_total) == ("gateway-silent", None, "remote", 0.0)
    assert (one.first_seen, one.last_seen, one.days) == ("2024-10-05", "2024-10-08", 4)
    assert one.confidence == pytest.approx(0.8 * 21 / 22)
    assert [a.fault for a in one.alternatives] == ["site-outage"]
    assert "no loss is counted" in one.why
    assert "4.0 days" in one.why
    assert one.evidence["dates"] == ["2024-10-05", "2024-10-06", "2024-10-07", "2024-10-08"]
    few = overdue(SITE, NEWEST, NIGHTLY[:6], NEWEST + 4 * DAY)[0][0]
    assert few.confidence < one.confidence


def test_without_a_habit_nothing_is_missed_but_it_is_said() -> None:
    found, unsaid = overdue(SITE, NEWEST, NIGHTLY[:4], NEWEST + 9 * DAY)
    assert found == []
    assert [(n.fault, n.days) for n in unsaid] == [("gateway-silent", 9)]
    assert overdue(SITE, NEWEST, [], NEWEST + 10 * HOUR) == ([], [])
    assert overdue(SITE, NEWEST, NIGHTLY, NEWEST - 90 * DAY) == ([], [])


@pytest.mark.parametrize(
    ("name", "value"), [("LEAST", 30.0), ("MARGIN", 9.0), ("SPARE_H", 200.0)]
)  # fmt: skip
def test_thresholds_count(threshold: MoveThreshold, name: str, value: float) -> None:
    assert _told(NIGHTLY, 4.0)
    threshold(rule, name, value)
    assert not _told(NIGHTLY, 4.0)


def test_one_late_delivery_in_ten_is_no_habit(threshold: MoveThreshold) -> None:
    ages = [*NIGHTLY[:19], 20.0 * DAY]
    assert _told(ages, 4.0)
    threshold(rule, "USUAL", 1.0)
    assert not _told(ages, 4.0)


def test_the_newest_reading_is_told_on_the_sites_own_clock() -> None:
    madrid = parse_site(site_text().replace('timezone = "UTC"', 'timezone = "Europe/Madrid"'))
    found = overdue(madrid, NEWEST, NIGHTLY, NEWEST + 4 * DAY)[0][0]
    assert "since 2024-10-04 19:00 CEST" in found.why
    assert found.evidence["newest"] == "2024-10-04 19:00 CEST"
