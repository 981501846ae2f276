"""Slips in a site file: what to write instead is said."""

from __future__ import annotations

import pytest
from csvfiles import SITE_TOML

from collectors.errors import SiteFileError
from collectors.site import parse_site

INIT = "`callout init -` prints a complete site file."


@pytest.mark.parametrize(
    ("written", "message", "remedy"),
    [
        ("48,14", "not valid TOML", "Write numbers with a point: 48.14."),
        ("-48,14  # north", "not valid TOML", "Write numbers with a point: -48.14."),
        ("48.14 north", "not valid TOML", "Correct that line and try again."),
        ('"48,14"', "'48,14': no number; write it with a point and without quotes", INIT),
        ('"north"', "'north': no number", INIT),
    ],
)
def test_a_number_written_wrongly(written: str, message: str, remedy: str) -> None:
    (line,) = [line for line in SITE_TOML.splitlines() if line.startswith("latitude")]
    with pytest.raises(SiteFileError) as caught:
        parse_site(SITE_TOML.replace(line, f"latitude = {written}"))
    assert message in caught.value.message
    assert caught.value.remedy == remedy
