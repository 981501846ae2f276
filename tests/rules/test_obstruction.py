"""What stands in the light, against geometry that does not come from the rules.

The sun is pvlib's SPA and the clear sky pvlib's simplified Solis (the rules use
Ineichen's); the edge of a long wall is the profile angle of Duffie and Beckman,
Solar Engineering of Thermal Processes, chapter 1 (from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

import numpy as np
import pvlib
import pytest
from numpy.typing import NDArray

from rules.daytable import day_iso
from tests.rules.make import Roof, findings, make_roof, only, sky

Floats = NDArray[np.float64]
#: Whether the sun at these azimuths and elevations (degrees) stands behind the thing.
Thing = Callable[[Floats, Floats], NDArray[np.bool_]]
TWO = [["face"] * 2] * 2


def _day(iso: str) -> int:
    return (date.fromisoformat(iso) - date(1970, 1, 1)).days


def _roof(first: str, days: int, latitude: float, facing: tuple[float, float], step: int = 900) -> Roof:
    return make_roof(days=days, kinds="cccmo", step=step, first=_day(first), latitude=latitude, planes={"face": facing}, units=TWO)


def _behind(roof: Roof, thing: Thing) -> Roof:
    hidden = thing(roof.sun_azimuth, roof.sun_elevation)
    return roof.scale(2, np.where(hidden, 1 - 0.95 * roof.beam_share[:, 2], 1.0), np.ones(len(roof.ts), bool))


def _block(low: float, high: float, top: float) -> Thing:
    """Something between two azimuths, up to a height; azimuths may run over north."""
    return lambda az, el: (((az - low) % 360) < ((high - low) % 360)) & (el < top)


def _bites(thing: Thing, first: int, latitude: float, facing: tuple[float, float]) -> NDArray[np.bool_]:
    """Days of the year from ``first`` on which a clear sky loses over 1.2 % of its energy to the thing."""
    seen = sky(latitude, -3.0, first, 365, 900)
    azimuth, zenith = seen["azimuth"], seen["zenith"]
    dhi = seen["ghi"] - seen["dni"] * np.maximum(np.cos(np.radians(zenith)), 0)
    total = pvlib.irradiance.get_total_irradiance(
        facing[1], facing[0], zenith, azimuth, seen["dni"], seen["ghi"], dhi, dni_extra=seen["extra"], model="haydavies"
    )
    beam, whole = (np.nan_to_num(total[k]) for k in ("poa_direct", "poa_global"))
    lost = np.where(thing(azimuth, 90 - zenith), 0.95 * beam, 0.0)
    per_day = (lost.reshape(365, -1).sum(axis=1), whole.reshape(365, -1).sum(axis=1))
    return np.asarray(per_day[0] > 0.012 * per_day[1])


@pytest.mark.parametrize(
    ("first", "days", "latitude", "facing", "thing"),
    [
        # North: a house in the south that only the winter sun meets.
        ("2024-10-05", 60, 48.0, (180.0, 30.0), _block(160.0, 205.0, 25.0)),
        # South: a tree in the north, in its winter.
        ("2024-04-20", 60, -35.0, (0.0, 25.0), _block(340.0, 20.0, 34.0)),
        # Equator: the noon sun stands in the north from March to September.
        ("2024-04-01", 60, 0.0, (0.0, 10.0), _block(325.0, 35.0, 75.0)),
    ],
    ids=["north", "south", "equator"],
)
def test_season_by_the_path_of_the_sun(first: str, days: int, latitude: float, facing: tuple[float, float], thing: Thing) -> None:
    found = only(findings(_behind(_roof(first, days, latitude, facing), thing), "shading"))
    season = found.evidence["season"]
    start = _day(first) + days
    ring = np.tile(_bites(thing, start, latitude, facing), 2)
    assert season["now"] == bool(ring[0])
    starts = int(np.flatnonzero(ring[1:] & ~ring[:-1])[0]) + 1
    ends = int(np.flatnonzero(ring[:-1] & ~ring[1:])[0])
    assert abs(_day(season["starts"]) - (start + starts)) <= 8, (season, day_iso(start + starts))
    assert abs(_day(season["ends"]) - (start + ends)) <= 8, (season, day_iso(start + ends))
    assert season["days"] == pytest.approx(ring[:365].sum(), abs=14)
    assert season["starts"] in found.why
    assert found.evidence["top_known"]
    assert found.evidence["kind"] == "fixed"


def test_the_loss_of_a_year_is_the_year_s() -> None:
    thing = _block(160.0, 205.0, 25.0)
    found = only(findings(_behind(_roof("2024-10-05", 60, 48.0, (180.0, 30.0)), thing), "shading"))
    # The same thing before the same module for a year under the same kinds of sky.
    year = _behind(_roof("2024-12-04", 365, 48.0, (180.0, 30.0), step=1800), thing)
    assert found.evidence["loss_year_kwh"] == pytest.approx(year.lost_wh() / 1000, rel=0.25)


def test_a_long_edge_follows_the_profile_angle() -> None:
    normal, profile = 180.0, 22.0

    def edge(azimuth: Floats, elevation: Floats) -> NDArray[np.bool_]:
        turn = np.radians(azimuth - normal)
        front = np.cos(turn) > 0.05
        return front & (np.degrees(np.arctan2(np.tan(np.radians(elevation)), np.maximum(np.cos(turn), 1e-6))) < profile)

    roof = _roof("2024-10-20", 50, 48.0, (180.0, 30.0))
    for n in (1, 2):  # the lower row sees it, the upper does not
        hidden = edge(roof.sun_azimuth, roof.sun_elevation)
        roof.scale(n, np.where(hidden, 1 - 0.95 * roof.beam_share[:, n], 1.0), np.ones(len(roof.ts), bool))
    found = findings(roof, "shading")
    assert {f.evidence["kind"] for f in found} == {"low edge"}
    for f in found:
        assert f.evidence["height_deg"] == pytest.approx(profile, abs=3)
        tops = {k * 15: v for k, v in enumerate(f.evidence["skyline"]) if v is not None}
        for azimuth in (165, 180, 195):
            true = np.degrees(np.arctan(np.tan(np.radians(profile)) * np.cos(np.radians(azimuth + 7.5 - normal))))
            assert tops[azimuth] == pytest.approx(true, abs=3)


@pytest.mark.parametrize(("growth_deg", "kind"), [(0.0, "fixed"), (25.0, "growing")])
def test_a_growing_tree_is_told_from_one_that_stands(growth_deg: float, kind: str) -> None:
    """The sun of May comes back in July: where it shone freely then, it is hidden now."""
    days = 100
    roof = _roof("2024-05-02", days, 45.0, (180.0, 30.0))
    day = (roof.ts - roof.ts[0]) / 86400
    age = np.clip((day - 30) / 40, 0, 1)
    hidden = np.abs(roof.sun_azimuth - 125.0) < 12.0 + growth_deg * age
    hidden &= roof.sun_elevation < 55.0 + growth_deg / 3 * age
    roof.scale(2, np.where(hidden, 1 - 0.9 * roof.beam_share[:, 2], 1.0), np.ones(len(roof.ts), bool))
    found = only(findings(roof, "shading"))
    assert found.evidence["kind"] == kind
    assert ("grows" in found.why) is (kind == "growing")


@pytest.mark.parametrize("grown_m", [0.0, 0.7])
def test_a_tree_that_grows_over_a_year_is_told_by_all_it_shades(grown_m: float) -> None:
    """A crown of 2 m, 7 m away, that gains 0.7 m in a year (a fast hedge or willow: common practice)."""
    roof = _roof("2024-02-01", 330, 46.0, (180.0, 30.0), step=1800)
    age = (roof.ts - roof.ts[0]) / (365 * 86400)
    whole = np.ones(len(roof.ts), bool)
    az, el = np.radians(roof.sun_azimuth), np.radians(roof.sun_elevation)
    sun = np.stack([np.cos(el) * np.sin(az), np.cos(el) * np.cos(az), np.sin(el)])
    for n, along in ((1, 0.0), (2, 1.1)):  # two modules of a row, a metre apart
        crown = np.array([4.6 - along, -4.0, 3.5])
        far = float(np.linalg.norm(crown))
        apart = np.arccos(np.clip(crown @ sun / far, -1, 1))
        hidden = apart < np.arcsin((2.0 + grown_m * age) / far)
        roof.scale(n, np.where(hidden, 1 - 0.9 * roof.beam_share[:, n], 1.0), whole)
    kinds = [f.evidence["kind"] for f in findings(roof, "shading")]
    assert kinds == 2 * ["growing" if grown_m else "fixed"]


def test_all_year() -> None:
    found = only(findings(_behind(_roof("2024-05-02", 30, 40.0, (180.0, 25.0)), _block(80.0, 130.0, 70.0)), "shading"))
    assert found.evidence["season"]["all_year"] or found.evidence["season"]["days"] > 300


def test_a_top_that_was_not_seen_leaves_the_ends_open() -> None:
    """In spring the sun climbs before a tall house: how high it reaches only summer will tell."""
    house, start = _block(150.0, 200.0, 62.0), _day("2024-02-20") + 25
    found = only(findings(_behind(_roof("2024-02-20", 25, 45.0, (180.0, 30.0)), house), "shading"))
    assert not found.evidence["top_known"]
    assert found.evidence["season"]["now"]
    assert "its top was not seen" in found.why
    assert f"until at the earliest {found.evidence['season']['ends']}" in found.why
    true_end = start + int(np.flatnonzero(~_bites(house, start, 45.0, (180.0, 30.0)))[0])
    assert start <= _day(found.evidence["season"]["ends"]) <= true_end


def test_the_hours_are_told_by_the_sites_own_clock_and_the_direction_by_the_compass() -> None:
    roof = _roof("2024-05-02", 20, 45.0, (180.0, 30.0))
    hidden = (np.abs(roof.sun_azimuth - 125.0) < 12.0) & (roof.sun_elevation < 60.0)
    roof.scale(1, np.where(hidden, 1 - 0.95 * roof.beam_share[:, 1], 1.0), np.ones(len(roof.ts), bool))
    (found,) = findings(roof, "shading")
    # Local mean solar time is UTC plus four minutes a degree of longitude east (by definition); the site keeps UTC.
    first, last = (24 * ((h - roof.site.site.longitude / 15.0) / 24 % 1) for h in found.evidence["solar_hours"])
    clock = found.evidence["clock"]
    assert f"({clock})" in found.why
    told = [int(t[:2]) + int(t[3:5]) / 60 for t in clock.split() if ":" in t]
    assert told == pytest.approx([first, last], abs=0.05)
    assert clock.endswith("UTC")
    assert f"azimuth {found.evidence['direction_deg']:.0f}° (SE)" in found.why
