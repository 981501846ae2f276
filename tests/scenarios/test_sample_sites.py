"""The committed sample sites are what their script makes, and are whole."""

from __future__ import annotations

import gzip
import hashlib
import json
from typing import Any

import pytest

from collectors.site import load_site
from sample_logs import sample_sites
from sample_logs.make import SITES


def test_there_are_three_sites_with_all_their_files() -> None:
    sites = sample_sites()
    assert [s.id for s in sites] == sorted(SITES)
    assert sum(p.stat().st_size for s in sites for p in s.site.parent.iterdir()) < 8e6
    for s in sites:
        inputs = load_site(s.site).inputs
        assert 6 <= len(inputs) <= 24
        assert len({i.plane for i in inputs}) == 2
        assert s.truth["faults"]


@pytest.mark.parametrize("site_id", sorted(SITES))
def test_the_script_makes_these_very_files(site_id: str) -> None:
    kept = next(s for s in sample_sites() if s.id == site_id)
    made = SITES[site_id]()
    text = gzip.decompress(kept.telemetry.read_bytes()).decode()
    assert text.count("\n") == len(made.telemetry) + 1
    made.telemetry = made.telemetry.iloc[:3000]
    again = made.telemetry_csv()
    assert hashlib.sha256(text[: len(again)].encode()).hexdigest() == hashlib.sha256(again.encode()).hexdigest()
    assert kept.site.read_text(encoding="utf-8") == made.toml
    # Processors differ in the last digit of a sum.
    assert _rounded(kept.truth) == _rounded(json.loads(json.dumps(made.truth_json())))


def _rounded(value: Any) -> Any:
    """Every number of a JSON value to nine places."""
    if isinstance(value, dict):
        return {key: _rounded(v) for key, v in value.items()}
    if isinstance(value, list):
        return [_rounded(v) for v in value]
    return float(f"{value:.9g}") if isinstance(value, float) else value
