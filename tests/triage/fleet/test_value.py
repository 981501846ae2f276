"""What a visit is worth, and which visits go together."""

from __future__ import annotations

import numpy as np
import pytest
from fleet_makers import brief, site

from triage.fleet.groups import EARTH_RADIUS_KM, great_circle_km, group_by_place, span_of
from triage.fleet.prices import Prices
from triage.fleet.value import visit_groups, visit_values


def test_money_at_risk_by_hand() -> None:
    # 2 kWh/d x 0.5 x 0.25 CHF/kWh = 0.25 CHF/d; over 400 days 100 CHF; a visit costs 100.
    (value,) = visit_values([site("a", brief(loss_wh_per_day=2000, confidence=0.5))], Prices(horizon_days=400))
    assert (value.loss_wh_per_day, value.money_per_day, value.money_at_risk) == (1000, 0.25, 100.0)
    assert (value.per_visit, value.payback_days, value.assumed) == (1.0, 400.0, ())


def test_only_live_findings_that_ask_for_a_visit_count() -> None:
    findings = (
        brief(id="1"),
        brief(id="2", action="remote"),
        brief(id="3", action="watch"),
        brief(id="4", status="resolved"),
        brief(id="5", status="acknowledged"),
    )
    (value,) = visit_values([site("a", *findings), site("b", *findings[1:4])])
    assert (value.site_id, value.findings, value.loss_wh_per_day) == ("a", 2, 2000)


def test_the_best_use_of_a_visit_comes_first_whatever_the_currency() -> None:
    fleet = [
        site("cheap drive", brief(loss_wh_per_day=900), visit_cost=50.0),
        site("big loss", brief(loss_wh_per_day=1000)),
        site("dear power", brief(loss_wh_per_day=1000), currency="SEK", tariff_per_kwh=2.9, visit_cost=1100.0),
    ]
    assert [v.site_id for v in visit_values(fleet)] == ["cheap drive", "dear power", "big loss"]


def test_prices_the_site_file_does_not_say_are_named() -> None:
    (value,) = visit_values([site("a", brief(), tariff_per_kwh=None, visit_cost=None)], Prices(0.4, 80, 365))
    assert value.assumed == ("tariff_per_kwh", "visit_cost")
    assert (value.money_per_day, value.visit_cost) == (0.4, 80)


def test_nothing_lost_is_never_paid_back_and_a_free_visit_can_be_ranked() -> None:
    (value,) = visit_values([site("a", brief(loss_wh_per_day=0.0), visit_cost=0.0)])
    assert value.payback_days is None
    assert value.per_visit == 0.0


def test_distance_against_known_arcs() -> None:
    # One degree of a great circle is pi R / 180; antipodes are pi R apart (geometry).
    degree = np.pi * EARTH_RADIUS_KM / 180
    assert great_circle_km(0.0, 0.0, 1.0, 0.0) == pytest.approx(degree)
    assert great_circle_km(0.0, 179.5, 0.0, -179.5) == pytest.approx(degree)
    assert great_circle_km(90.0, 0.0, -90.0, 77.0) == pytest.approx(np.pi * EARTH_RADIUS_KM)
    # A nautical mile was defined as a minute of arc: 1.852 km (common practice), to 0.1 %.
    assert great_circle_km(0.0, 0.0, 1 / 60, 0.0) == pytest.approx(1.852, rel=1.2e-3)


def test_distance_against_the_chord_in_space() -> None:
    rng = np.random.default_rng(3)
    lat, lon = rng.uniform(-90, 90, (2, 500)), rng.uniform(-180, 180, (2, 500))
    phi, lam = np.radians(lat), np.radians(lon)
    space = np.stack([np.cos(phi) * np.cos(lam), np.cos(phi) * np.sin(lam), np.sin(phi)])
    chord = np.linalg.norm(space[:, 0] - space[:, 1], axis=0)
    arc = 2 * EARTH_RADIUS_KM * np.arcsin(chord / 2)
    assert great_circle_km(lat[0], lon[0], lat[1], lon[1]) == pytest.approx(arc, rel=1e-6)


def test_no_group_is_wider_than_asked_and_near_neighbours_share_one() -> None:
    rng = np.random.default_rng(4)
    towns = np.array([[46, 7], [46, 8], [46, 9], [47, 7], [47, 8], [47, 9]], dtype=float)
    at = np.repeat(towns, 20, axis=0) + rng.normal(0, 0.01, (120, 2))
    labels = group_by_place(at[:, 0], at[:, 1], 15.0)
    assert len(labels) == 120
    for n in range(labels.max() + 1):
        members = labels == n
        assert members.any()
        assert span_of(at[members, 0], at[members, 1]) <= 15.0
    # Towns far apart and each within 15 km: the towns are the groups.
    assert (labels.reshape(6, 20) == labels[::20, None]).all()
    assert len(set(labels)) == 6


@pytest.mark.parametrize("span_km", [0.5, 5.0, 40.0, 30_000.0])
def test_grouping_chain_by_chain_is_the_same_as_all_at_once(span_km: float) -> None:
    from scipy.cluster.hierarchy import fcluster, linkage
    from scipy.spatial.distance import squareform

    rng = np.random.default_rng(5)
    lat, lon = rng.uniform(46, 47, 80), rng.uniform(7, 8, 80)
    lat[10], lon[10] = lat[11], lon[11]
    apart = great_circle_km(lat[:, None], lon[:, None], lat[None], lon[None])
    whole = fcluster(linkage(squareform(apart, checks=False), "complete"), span_km, "distance")
    ours = group_by_place(lat, lon, span_km)
    assert ((ours[:, None] == ours) == (whole[:, None] == whole)).all()


def test_groups_across_the_date_line_and_at_one_address() -> None:
    labels = group_by_place(np.array([0.0, 0.0, 0.0, 45.0]), np.array([179.99, -179.99, 179.99, 0.0]), 5.0)
    assert labels.tolist() == [0, 0, 0, 1]


def test_rounds_say_what_they_hold() -> None:
    fleet = [
        site("far", brief(loss_wh_per_day=100)),
        site("near 1", brief(), latitude=46.0),
        site("near 2", brief(), latitude=46.05, currency="EUR"),
        site("nowhere", brief(), latitude=None),
    ]
    rounds, visits = visit_groups(visit_values(fleet), fleet, span_km=10.0)
    assert [r.sites for r in rounds] == [("near 1", "near 2"), ("far",)]
    assert rounds[0].span_km == pytest.approx(5.6, abs=0.05)
    assert rounds[0].money_at_risk == {"CHF": 91.25, "EUR": 91.25}
    assert {v.site_id: v.group for v in visits} == {"near 1": 1, "near 2": 1, "far": 2, "nowhere": None}
    assert visit_groups([], fleet, 10.0) == ([], [])
