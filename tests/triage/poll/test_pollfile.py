"""The poll file: what is wrong is named with file, key and remedy."""

from __future__ import annotations

from pathlib import Path

import pytest

from collectors.errors import LayoutError
from triage.pollfile import PollFileError, load_poll_file, parse_poll_file, parse_units
from triage.probing import compact_units

GOOD = '[[gateways]]\nsite = "a"\nname = "g"\nlink = "tcp://h"\nunits = "1-3"\n'


def test_defaults() -> None:
    (gateway,) = parse_poll_file(GOOD).gateways
    assert gateway.unit_ids == (1, 2, 3)
    assert (gateway.interval_s, gateway.daylight, gateway.attempts, gateway.timeout_s) == (
        60,
        "auto",
        2,
        None,
    )


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "key 'gateways' is missing"),
        ("[[gateways]\n", "not valid TOML"),
        (GOOD.replace('site = "a"\n', ""), "key 'gateways[0].site' is missing"),
        ('units = "1-3"\n' + GOOD, "key 'units' stands in the wrong table"),
        (GOOD.replace("units", "unit"), "key 'gateways[0].unit' is not one we know; did you mean 'units'?"),
        (GOOD.replace("1-3", "1-300"), "gateways[0].units: '1-300': unit ids run from 0 to 255"),
        (GOOD.replace("1-3", "x"), "'x' is neither a unit id nor a range"),
        (GOOD.replace('units = "1-3"\n', ""), "key 'units' is missing"),
        (GOOD.replace("tcp://h", "h"), "gateways[0].link: link 'h': starts with none of"),
        (GOOD + "interval_s = 0\n", "key 'gateways[0].interval_s' = 0"),
        (GOOD + 'daylight = "dawn"\n', "'dawn' is none of"),
        (GOOD + 'daylight = "18:00-06:00"\n', "runs from an earlier to a later time"),
        (GOOD + GOOD, "gateways[1]: the same site and name as gateways[0]"),
        (GOOD + GOOD.replace('"g"', '"k"'), "gateways[1]: the same link as gateways[0]"),
        (GOOD + 2 * '[[gateways.devices]]\nunits = "9"\n', "list the same unit id"),
    ],
)
def test_errors_are_named(text: str, message: str) -> None:
    with pytest.raises(PollFileError) as caught:
        parse_poll_file(text, "poll.toml")
    assert caught.value.message.startswith("poll.toml: ")
    assert message in caught.value.message
    assert caught.value.remedy


def test_map_is_looked_up_beside_the_file(tmp_path: Path) -> None:
    path = tmp_path / "poll.toml"
    path.write_text(GOOD + '[[gateways.devices]]\nunits = "2,9"\nmap = "m.toml"\nserials = { 9 = "S9" }\n')
    with pytest.raises(LayoutError, match=r"m\.toml: cannot be read"):
        load_poll_file(path)
    (tmp_path / "m.toml").write_text('name = "n"\nsource = "s"\n[[points]]\npoint = "ghi_w_m2"\nregister = 1\ntype = "uint16"\n')
    parsed = load_poll_file(path)
    (gateway,) = parsed.gateways
    maps = parsed.maps(gateway)
    assert gateway.unit_ids == (1, 2, 3, 9)
    assert sorted(maps) == [2, 9]
    assert maps[2] is maps[9]
    assert gateway.serials() == {9: "S9"}


def test_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(PollFileError, match="cannot be read") as caught:
        load_poll_file(tmp_path / "poll.toml")
    assert "callout probe" in caught.value.remedy


def test_units_there_and_back() -> None:
    assert parse_units("1-3, 7") == (1, 2, 3, 7)
    assert compact_units([7, 1, 3, 2]) == "1-3,7"
    assert parse_units(compact_units(range(1, 248))) == tuple(range(1, 248))


def test_a_gateway_that_is_wrong_is_not_also_called_missing() -> None:
    with pytest.raises(PollFileError) as caught:
        parse_poll_file(GOOD.replace('site = "a"\n', ""))
    assert str(caught.value.message).splitlines() == ["poll.toml: key 'gateways[0].site' is missing"]
    with pytest.raises(PollFileError, match="at least 1 item"):
        parse_poll_file("gateways = []\n")
