from __future__ import annotations

import pytest

from collectors.site import parse_site
from rules.learn import complete_site, is_complete
from tests.rules.make import make_roof, site_text


def test_a_whole_site_file_is_left_as_it_is() -> None:
    roof = make_roof(days=1)
    done = complete_site(roof.site, roof.frame())
    assert done.site is roof.site
    assert done.inferred == {}


def test_a_module_rating_is_read_from_the_top_of_the_record() -> None:
    roof = make_roof(days=5, kinds="c")
    bare = parse_site(site_text().replace('module = "m"\n', ""))
    done = complete_site(bare, roof.frame())
    assert is_complete(done.site)
    assert "module rating" in done.inferred
    ratings = {ref.module.pmax_w for ref in done.site.inputs if ref.module}
    assert max(ratings) == pytest.approx(400, rel=0.15)


@pytest.mark.parametrize("latitude", [40.0, -35.0])
def test_where_planes_face_is_inferred_or_assumed(latitude: float) -> None:
    facing = {"a": (100.0 if latitude > 0 else 80.0, 30.0), "b": (260.0 if latitude > 0 else 280.0, 30.0)}
    units = [["a"] * 2, ["a"] * 2, ["b"] * 2, ["b"] * 2]
    roof = make_roof(days=25, kinds="c", latitude=latitude, planes=facing, units=units)
    bare = parse_site(site_text(latitude=latitude, planes={"a": None, "b": None}, units=units))
    done = complete_site(bare, roof.frame())
    assert is_complete(done.site)
    for name, (azimuth, _) in facing.items():
        assert done.site.planes[name].azimuth_deg == pytest.approx(azimuth, abs=20)  # 16 degrees off at 40 N as measured
        assert any(name in key for key in done.inferred)


def test_without_a_row_it_is_assumed_and_marked() -> None:
    bare = parse_site(site_text(latitude=-35.0, planes={"south": None, "west": None}))
    done = complete_site(bare, make_roof(days=1).frame().iloc[:0])
    assert {p.azimuth_deg for p in done.site.planes.values()} == {0.0}
    assert done.inferred
