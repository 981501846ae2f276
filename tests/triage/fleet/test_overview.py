"""The fleet overview: silent sites, repeat offenders, peers, faults, and its page."""

from __future__ import annotations

import json
from html.parser import HTMLParser

import pytest
from fleet_makers import NOW, TODAY, brief, fleet, site

from triage.fleet.ages import age_band, age_years
from triage.fleet.overview import offenders, overview, silent_sites
from triage.fleet.page import fleet_page
from triage.fleet.peers import MAX_Z, MIN_PEERS, peer_positions


def test_ages() -> None:
    assert age_years("", TODAY) is None
    assert age_years("2027-01-01", TODAY) == 0
    assert age_years("2016-06-05", TODAY) == pytest.approx(10, abs=0.01)
    bands = [age_band(d, TODAY) for d in ("2025-01-01", "2023-01-01", "2018-01-01", "2010-01-01", "")]
    assert bands == ["under 2 years", "2 to 5 years", "5 to 10 years", "over 10 years", ""]


def test_silence_is_more_than_two_days_or_for_ever() -> None:
    now = int(NOW.timestamp())
    sites = [
        site("just", last_sample=now - 48 * 3600),
        site("over", last_sample=now - 48 * 3600 - 60),
        site("long", last_sample=now - 40 * 86400, timezone="Europe/Zurich"),
        site("never", last_sample=None),
    ]
    found = silent_sites(sites, NOW)
    assert [s.site_id for s in found] == ["never", "long", "over"]
    assert found[1].hours == 960.0
    assert found[1].last_sample == "2026-04-26T06:00:00Z"
    assert found[1].when == "26 Apr 2026 08:00 CEST"


def test_repeat_offenders() -> None:
    since = "2025-06-05"
    twice = site("twice", brief(id="1"), brief(id="2", fault="unit-silent", first_seen="2026-03-01"))
    thrice = site("thrice", brief(id="1", returns=2))
    at_once = site("at once", *(brief(id=str(n), input=n) for n in range(4)))
    several = site(
        "several",
        brief(id="1", first_seen="2026-01-01"),
        brief(id="2", first_seen="2026-02-01", input=2),
        brief(id="3", first_seen="2026-03-01", unit="B7"),
        brief(id="4", first_seen="2026-04-01", fault="idle-input"),
    )
    old = site("old", brief(id="1", returns=5, last_seen="2025-01-01"))
    clip = site("clips", brief(id="1", returns=5, action="none"))
    found = offenders([twice, thrice, at_once, several, old, clip], since)
    assert [(o.site_id, o.place, o.events, o.returns) for o in found] == [
        ("several", "unit A1", 3, 0),
        ("thrice", "unit A1", 3, 2),
    ]
    assert found[0].faults == ("dead-input", "idle-input")


def test_a_site_behind_its_peers_is_found_and_few_peers_are_widened() -> None:
    near = [site(f"n{k}", performance=0.90 + 0.01 * k) for k in range(7)]
    low = site("low", performance=0.6)
    alone = site("alone", region="islands", performance=0.9)
    other = site("sensor", performance=0.5, performance_basis="array performance ratio, poa sensor of plane 's'")
    found = {p.site_id: p for p in peer_positions([*near, low, alone, other], TODAY)}
    assert found["low"].behind
    assert found["low"].peers == "north, 2 to 5 years"
    assert found["low"].peer_median == pytest.approx(0.93)
    # By hand: 0.6745 x (0.60 - 0.93) / 0.02.
    assert found["low"].score == pytest.approx(-11.13, abs=0.01)
    assert found["alone"].peers == "the whole fleet"
    assert not found["alone"].behind
    assert "sensor" not in found  # nobody else has that kind of figure


def test_the_peer_thresholds_change_the_result() -> None:
    five = [site(f"n{k}", performance=0.9) for k in range(int(MIN_PEERS.value))]
    assert peer_positions(five, TODAY) == []
    six = [*five, site("six", performance=0.9)]
    assert len(peer_positions(six, TODAY)) == 6
    # Equal peers have the least spread allowed, 0.01: the limit lies 3.5 x 0.01 / 0.6745 = 0.0519 below.
    for gap, behind in ((0.051, False), (0.053, True)):
        worst = peer_positions([*six, site("x", performance=0.9 - gap)], TODAY)[0]
        assert (worst.site_id, worst.behind) == ("x", behind)
    assert MAX_Z.value == 3.5


def test_faults_are_counted_by_age_and_model() -> None:
    result = overview(
        [
            site("a", brief(), brief(id="2", inverter="U1")),
            site("b", brief(first_seen="2026-05-26"), commissioned="2012-01-01"),
            site("c", brief(status="resolved")),
        ],
        NOW,
    )
    (row,) = result.faults
    assert (row.fault, row.live, row.sites, row.loss_wh_per_day) == ("dead-input", 3, 2, 3000.0)
    assert row.by_age == {"2 to 5 years": 2, "over 10 years": 1}
    assert row.by_inverter == {"U2": 2, "U1": 1}
    assert row.median_days_open == 4


def test_overview_is_plain_json_and_says_when_to_act() -> None:
    result = overview(fleet(300), NOW)
    text = json.dumps(result.to_json(), allow_nan=False)
    assert json.loads(text)["sites"] == 300
    assert result.needs_action
    assert result.failed
    assert result.silent
    assert result.incomplete
    assert not overview([site("a")], NOW).needs_action
    assert overview([], NOW).completeness is None


def test_headlines() -> None:
    assert overview([], NOW).headline == "No sites yet."
    assert overview([site("a")], NOW).headline == "No visit is due on 1 site."
    now = int(NOW.timestamp())
    due = [
        site("a", brief(loss_wh_per_day=9000)),
        site("b", last_sample=now - 9 * 86400),
        site("c", error="damaged"),
    ]
    assert overview(due, NOW).headline == ("1 of 3 sites wants a visit, 1 would pay for it; 1 is silent and 1 check failed.")


class _Page(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.ids: list[str] = []
        self.targets: list[str] = []
        self.sources: list[str] = []

    def handle_starttag(self, _tag: str, attrs: list[tuple[str, str | None]]) -> None:
        for name, value in attrs:
            if name == "id":
                self.ids.append(value or "")
            if name == "href":
                self.targets.append(value or "")
            if name == "src":
                self.sources.append(value or "")


def test_the_page_stands_alone_and_escapes_names() -> None:
    sites = fleet(120)
    sites[0] = site("x", brief(place="</script><b>"), name='<img src=x onerror="alert(1)">')
    text = fleet_page(sites, overview(sites, NOW), NOW)
    page = _Page()
    page.feed(text)
    assert page.sources == []
    assert {t.lstrip("#") for t in page.targets} <= set(page.ids)
    assert len(page.ids) == len(set(page.ids))
    assert "<img" not in text.split("<main>")[1].split("</main>")[0]
    assert "</script><b>" not in text
    assert "Isolate AC first" in text


def test_an_empty_fleet_still_makes_a_page() -> None:
    text = fleet_page([], overview([], NOW), NOW)
    assert "No sites yet." in text
    assert "No finding asks for a visit." in text


def test_a_ceiling_by_design_is_no_loss() -> None:
    held = site("held", brief(id="1", loss_wh_per_day=300.0), brief(id="2", fault="clipping", loss_wh_per_day=900.0))
    assert held.lost_wh_per_day == 300.0
    assert len(held.live) == 2
