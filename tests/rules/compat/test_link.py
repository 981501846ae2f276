"""Radio margin, bus limits and the serial line's arithmetic."""

from __future__ import annotations

from typing import Any

import pytest

from rules.compat.link import link_checks, transaction_s
from rules.compat.profile import Profile
from rules.compat.result import Check

BUS = {
    "link": "bus",
    "bus_length_m": 60,
    "baud": 9600,
    "terminations": 2,
    "addresses": {"U1": 1, "U2": 2, "U3": 3},
    "registers": 125,
    "turnaround_ms": 0,
    "poll_s": 10,
}


def _one(checks: Any, check_id: str) -> Check:
    (found,) = [c for c in checks if c.id == check_id]
    return found


@pytest.mark.parametrize(("baud", "milliseconds"), [(9600, 309), (19200, 155), (115200, 29)])
def test_a_full_read_takes_at_least(baud: int, milliseconds: float) -> None:
    # Modbus over serial line: 263 characters of 11 bits and two silences.
    assert transaction_s(125, baud, 0.0) * 1000 == pytest.approx(milliseconds, abs=0.5)


def test_radio_margin_follows_free_space(make_site: Any, iec: Profile) -> None:
    # 20 x log10(300 / 15) = 26.02 dB, less 4 + 4 dB; half the distance is 6.02 dB more.
    check = _one(link_checks(make_site(), iec), "radio")
    assert check.value == pytest.approx(18.02, abs=0.01)
    nearer = _one(link_checks(make_site({"gateways.g.distance_m": 7.5}), iec), "radio")
    assert (nearer.value or 0) - (check.value or 0) == pytest.approx(6.02, abs=0.01)


@pytest.mark.parametrize(("obstacles", "verdict"), [([], "pass"), (["brick"], "pass"), (["metal"], "near")])
def test_obstacles_cost_margin(make_site: Any, iec: Profile, obstacles: list[str], verdict: str) -> None:
    assert _one(link_checks(make_site({"gateways.g.obstacles": obstacles}), iec), "radio").verdict == verdict


def test_unknown_obstacle_is_named(make_site: Any, iec: Profile) -> None:
    check = _one(link_checks(make_site({"gateways.g.obstacles": ["jelly"]}), iec), "radio")
    assert check.verdict == "unknown"
    assert "'jelly'" in check.change


def test_undescribed_gateway_is_unknown(make_site: Any, iec: Profile) -> None:
    (check,) = link_checks(make_site({"gateways": {}}), iec)
    assert check.verdict == "unknown"
    assert "[gateways.g] link" in check.change


def test_sound_bus_passes(make_site: Any, iec: Profile) -> None:
    checks = list(link_checks(make_site({"gateways.g": BUS}), iec))
    assert {c.verdict for c in checks} == {"pass"}
    assert _one(checks, "bus-polling").value == pytest.approx(3 * 0.3094, abs=1e-3)


@pytest.mark.parametrize(
    ("check_id", "change", "verdict"),
    [
        ("bus-length", {"bus_length_m": 1300}, "fail"),
        ("bus-length", {"bus_length_m": 1150}, "near"),
        ("bus-rate", {"bus_length_m": 1000, "baud": 115200}, "fail"),
        ("bus-rate", {"bus_length_m": 1000, "baud": 57600}, "pass"),
        ("bus-termination", {"terminations": 0, "bus_length_m": 20}, "near"),
        ("bus-termination", {"terminations": 1, "bus_length_m": 1100, "baud": 19200}, "fail"),
        ("bus-termination", {"terminations": 3}, "fail"),
        ("bus-loads", {"unit_load": 12}, "fail"),
        ("bus-loads", {"unit_load": 10}, "pass"),
        ("bus-addresses", {"addresses": {"U1": 1, "U2": 2, "U3": 2}}, "fail"),
        ("bus-addresses", {"addresses": {"U1": 0, "U2": 2, "U3": 3}}, "fail"),
        ("bus-addresses", {"addresses": {"U1": 247, "U2": 2, "U3": 3}}, "pass"),
        ("bus-addresses", {"addresses": {"U1": 1, "U2": 2}}, "unknown"),
        ("bus-polling", {"poll_s": 1.1}, "fail"),
        ("bus-polling", {"poll_s": 1.3}, "near"),
        ("bus-polling", {"poll_s": 1.6}, "pass"),
        ("bus-polling", {"registers": None}, "unknown"),
    ],
)
def test_each_bus_limit_changes_the_verdict(
    make_site: Any, iec: Profile, check_id: str, change: dict[str, Any], verdict: str
) -> None:
    facts = {k: v for k, v in (BUS | change).items() if v is not None}
    check = _one(link_checks(make_site({"gateways.g": facts}), iec), check_id)
    assert check.verdict == verdict, (check.value, check.limit)


def test_conflict_names_both_units(make_site: Any, iec: Profile) -> None:
    facts = BUS | {"addresses": {"U1": 1, "U2": 7, "U3": 7}}
    assert _one(link_checks(make_site({"gateways.g": facts}), iec), "bus-addresses").note == ("U2 and U3 share address 7")


def test_registers_beyond_one_read_take_more_reads(make_site: Any, iec: Profile) -> None:
    facts = BUS | {"registers": 250, "turnaround_ms": 40}
    value = _one(link_checks(make_site({"gateways.g": facts}), iec), "bus-polling").value
    assert value == pytest.approx(3 * 2 * (0.3094 + 0.040), abs=2e-3)
