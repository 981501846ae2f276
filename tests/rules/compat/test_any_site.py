"""Whatever a site file leaves out, the check answers: no crash, no number made up, plain JSON."""

from __future__ import annotations

import json
from copy import deepcopy
from typing import Any

from conftest import SITE, read_profile
from hypothesis import given, settings
from hypothesis import strategies as st

from collectors.site import SiteDescription
from rules.compat.check import check_site, questions
from rules.compat.dc import input_checks

#: Keys that a site file may leave out, by the path to their table.
OPTIONAL = {
    "site": ("record_low_c", "altitude_m"),
    "grid": tuple(SITE["grid"]),
    "modules.m": ("vmp_v", "imp_a", "voc_v", "isc_a", "gamma_pmax_pct_k", "beta_voc_pct_k", "cells"),
    "inverters.i": tuple(SITE["inverters"]["i"]),
    "planes.south": ("azimuth_deg", "tilt_deg"),
    "branches.A": tuple(SITE["branches"]["A"]),
    "service": tuple(SITE["service"]),
    "gateways.g": tuple(SITE["gateways"]["g"]),
}
KEYS = [(path, key) for path, keys in OPTIONAL.items() for key in keys]
PROFILE = read_profile("iec-230")


def _without(gone: set[tuple[str, str]]) -> SiteDescription:
    data: dict[str, Any] = deepcopy(SITE)
    for path, key in gone:
        table = data
        for part in path.split("."):
            table = table[part]
        table.pop(key, None)
    return SiteDescription.model_validate(data)


@settings(max_examples=40, deadline=None)
@given(st.sets(st.sampled_from(KEYS)))
def test_any_subset_of_keys_is_answered(gone: set[tuple[str, str]]) -> None:
    site = _without(gone)
    result = check_site(site, PROFILE)
    json.dumps(result.to_json(), allow_nan=False)
    for check in result.checks:
        assert (check.verdict == "unknown") == (check.value is None), check
        assert bool(check.change) == (check.verdict != "pass"), check
        if check.verdict in ("fail", "near"):
            assert check.formula, check
            assert check.source, check
    # What is left out is never held against the site: a healthy roof has no failing row.
    assert not [c.id for c in result.checks if c.verdict == "fail"]
    assert questions(site) == {}


@settings(max_examples=60, deadline=None)
@given(st.floats(-60, 30), st.floats(0.1, 20))
def test_a_colder_site_never_has_more_room(low: float, colder: float) -> None:
    rooms = []
    for lowest in (low, low - colder):
        data = deepcopy(SITE)
        data["site"]["record_low_c"] = lowest
        checks = list(input_checks(SiteDescription.model_validate(data), PROFILE))
        rooms.append([c.margin for c in checks if c.id in ("voc-cold", "mppt-cold")])
    for warm, cold in zip(*rooms, strict=True):
        assert warm is not None
        assert cold is not None
        assert cold < warm
