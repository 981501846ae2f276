"""A healthy invented roof, its variants, and the profiles read as data."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import rules.compat
from collectors.site import SiteDescription
from rules.compat.profile import Profile, parse_profile

PROFILE_FOLDER = Path(rules.compat.__file__).parent / "profiles"
PROFILE_NAMES = sorted(p.stem for p in PROFILE_FOLDER.glob("*.toml"))

SITE: dict[str, Any] = {
    "site": {
        "id": "roof",
        "latitude": 47.6,
        "longitude": 8.2,
        "altitude_m": 430,
        "timezone": "Europe/Zurich",
        "record_low_c": -10,
    },
    "grid": {"nominal_v": 230, "high_v": 253, "low_v": 196, "reconnect_s": 60},
    "modules": {
        "m": {
            "pmax_w": 405,
            "vmp_v": 31.2,
            "imp_a": 12.98,
            "voc_v": 40.0,
            "isc_a": 13.85,
            "gamma_pmax_pct_k": -0.34,
            "beta_voc_pct_k": -0.28,
            "cells": 120,
        }
    },
    "inverters": {
        "i": {
            "rated_va": 800,
            "inputs": 2,
            "start_v": 22,
            "mppt_min_v": 16,
            "mppt_max_v": 60,
            "max_input_v": 65,
            "max_input_a": 15,
            "max_isc_a": 20,
            "max_ac_a": 3.5,
        }
    },
    "planes": {"south": {"azimuth_deg": 180, "tilt_deg": 30}},
    "branches": {
        "A": {
            "breaker_a": 20,
            "ampacity_a": 27,
            "max_units": 5,
            "trunk_m": 10,
            "trunk_mm2": 6,
            "unit_spacing_m": 2,
        }
    },
    "service": {"length_m": 10, "mm2": 10, "highest_v": 238},
    "gateways": {"g": {"link": "radio", "distance_m": 15, "range_m": 300, "obstacles": ["tiles", "wood"]}},
    "units": [
        {
            "serial": f"U{n}",
            "inverter": "i",
            "gateway": "g",
            "branch": "A",
            "inputs": [{"input": k, "module": "m", "plane": "south"} for k in (1, 2)],
        }
        for n in range(1, 4)
    ],
}


def _changed(table: Any, path: list[str], value: Any) -> Any:
    if not path:
        return value
    if isinstance(table, list):
        return [_changed(item, path[1:], value) if str(n) == path[0] else item for n, item in enumerate(table)]
    changed = {**table, path[0]: _changed(table.get(path[0], {}), path[1:], value)}
    return {key: item for key, item in changed.items() if item is not None}


Make = Callable[..., SiteDescription]


@pytest.fixture
def make_site() -> Make:
    """``make_site({"modules.m.voc_v": 50})`` is the healthy roof with that change; None takes a key away."""

    def make(changes: dict[str, Any] | None = None) -> SiteDescription:
        data = SITE
        for path, value in (changes or {}).items():
            data = _changed(data, path.split("."), value)
        return SiteDescription.model_validate(data)

    return make


def read_profile(name: str) -> Profile:
    return parse_profile((PROFILE_FOLDER / f"{name}.toml").read_text("utf-8"), name)


@pytest.fixture(scope="session")
def iec() -> Profile:
    return read_profile("iec-230")
