"""A real serial line: a pseudo-terminal pair with pymodbus's own server on the far end."""

from __future__ import annotations

import time
from collections.abc import Callable
from itertools import pairwise
from typing import Any

import pytest
from modbus_line import serial_line
from modbus_site import gateway

from collectors.modbus import GatewayReader, Link, parse_link
from collectors.modbus.errors import GatewayError
from sample_logs.gateway.faults import Fault, parse_fault

Run = Callable[[Callable[[], Any]], Any]


@pytest.mark.parametrize(("baud", "stop"), [(9600, 1), (19200, 2), (115200, 1)])
def test_reads_over_a_serial_line(run: Run, line: tuple[str, str], baud: int, stop: int) -> None:
    async def test() -> None:
        async with gateway(units=2) as served:
            await served.start_serial(line[0], baud=baud, stop_bits=stop)
            at = parse_link(f"rtu://{line[1]}?baud={baud}&stop={stop}")
            async with Link(at) as link:
                reading = await GatewayReader(link, [1, 2]).poll(100)
        assert [a.answer for a in reading.answers] == ["ok", "ok"]
        assert len(reading.telemetry) == 8
        assert reading.telemetry["dc_voltage_v"].between(30, 40).all()

    run(test)


def test_settings_that_the_port_cannot_do_are_an_error_not_a_traceback(run: Run, line: tuple[str, str]) -> None:
    """A pseudo-terminal has no parity bit, which is how this can be tried at all."""

    async def test() -> None:
        with pytest.raises(GatewayError, match="settings were refused"):
            await Link(parse_link(f"rtu://{line[1]}?baud=19200&parity=E")).open()

    run(test)


def test_serial_settings_reach_the_port(run: Run) -> None:
    async def test() -> None:
        client = Link(parse_link("rtu:///dev/ttyS9?baud=19200&parity=E&stop=2"))._new_client()
        settings = client.comm_params
        assert (settings.host, settings.baudrate, settings.parity, settings.stopbits, settings.bytesize) == (
            "/dev/ttyS9",
            19200,
            "E",
            2,
            8,
        )

    run(test)


def test_absent_unit_is_silent_on_a_line_and_costs_one_timeout_once_known(run: Run, line: tuple[str, str]) -> None:
    async def test() -> None:
        async with gateway(units=1) as served:
            await served.start_serial(line[0], baud=115200)
            async with Link(parse_link(f"rtu://{line[1]}?baud=115200"), timeout_s=0.15) as link:
                reader = GatewayReader(link, [1, 5])
                first = await reader.poll(1)
                asked = link.counts.timeouts
                await reader.poll(2)
        assert [a.answer for a in first.answers] == ["ok", "no-reply"]
        assert asked == 2
        assert link.counts.timeouts == 3

    run(test)


@pytest.mark.parametrize("kind", ["bad-crc", "garbage", "short"])
def test_noise_on_the_line_is_never_a_value(run: Run, line: tuple[str, str], kind: str) -> None:
    async def test() -> None:
        async with gateway(units=1, faults=[parse_fault(f"{kind}:rate=0.3")], seed=2) as served:
            await served.start_serial(line[0], baud=115200)
            async with Link(parse_link(f"rtu://{line[1]}?baud=115200"), timeout_s=0.08) as link:
                reader = GatewayReader(link, [1])
                values = set()
                for ts in range(12):
                    reading = await reader.poll(ts)
                    values |= set(reading.telemetry["dc_voltage_v"].round(1))
        assert served.plan.struck[kind] > 3
        assert values == {34.2} or values == {34.0}

    run(test)


def test_silence_between_frames_is_kept(run: Run, line: tuple[str, str]) -> None:
    """No request starts within 3.5 characters of the answer before it (serial line guide, section 2.5.1)."""
    moments: list[tuple[bool, float]] = []

    async def test() -> None:
        watch = lambda out, _packet: moments.append((out, time.monotonic()))  # noqa: E731
        async with gateway(units=1, on_packet=watch) as served:
            await served.start_serial(line[0], baud=1200)
            async with Link(parse_link(f"rtu://{line[1]}?baud=1200")) as link:
                await GatewayReader(link, [1]).poll(1)

    run(test)
    gaps = [b[1] - a[1] for a, b in pairwise(moments) if a[0] and not b[0]]
    assert len(gaps) > 5
    assert min(gaps) >= 3.5 * 11 / 1200


def test_line_that_goes_away_is_an_unreachable_gateway(run: Run) -> None:
    async def test() -> None:
        with serial_line() as ends:
            async with gateway(units=1, faults=[Fault("slow", s=0.0)]) as served:
                await served.start_serial(ends[0], baud=115200)
                link = Link(parse_link(f"rtu://{ends[1]}?baud=115200"), timeout_s=0.1)
                reader = GatewayReader(link, [1])
                assert (await reader.poll(1)).answered == 1
                link.close()
        reading = await reader.poll(2)
        assert reading.unreachable
        assert not reading.answers

    run(test)
