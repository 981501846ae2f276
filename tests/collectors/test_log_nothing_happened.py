"""A log in which nothing happened is a file like any other."""

from __future__ import annotations

from pathlib import Path

from collectors.csv_source import sources
from collectors.log_csv import read_log
from collectors.site import parse_site

SITE = """
[site]
id = "t"
latitude = 50
longitude = 8
timezone = "Europe/Berlin"
[[units]]
serial = "A"
[[units.inputs]]
input = 1
"""


def test_a_header_alone_is_a_log_without_events(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("timestamp,source,event,detail\n", encoding="utf-8")
    reading = read_log(sources(path)[0], parse_site(SITE))
    assert (len(reading.frame), reading.rows_read, reading.kind) == (0, 0, "log")
