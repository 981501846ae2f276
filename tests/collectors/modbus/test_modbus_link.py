"""The link against pymodbus's own server: what fails, how, how fast; and what is ever sent."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from modbus_site import gateway

from collectors.errors import UsageError
from collectors.modbus import GatewayReader, Link, parse_link
from collectors.modbus.errors import GatewayError, NoReplyError, RefusedError, UnitGoneError
from collectors.modbus.plan import Span
from sample_logs.gateway.faults import Fault, parse_fault
from sample_logs.gateway.server import SimulatedGateway

Run = Callable[[Callable[[], Any]], Any]
MARKER = [0x5375, 0x6E53]


def link_to(port: int, scheme: str = "tcp", **options: Any) -> Link:
    return Link(parse_link(f"{scheme}://127.0.0.1:{port}"), **{"timeout_s": 0.3, **options})


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("tcp://192.0.2.10", "tcp://192.0.2.10:502"),
        ("tcp://[2001:db8::1]:5020", "tcp://[2001:db8::1]:5020"),
        ("rtu:///dev/ttyUSB0", "rtu:///dev/ttyUSB0?baud=9600&parity=N&stop=1"),
        ("rtu:///dev/ttyS1?baud=19200&parity=e&stop=2", "rtu:///dev/ttyS1?baud=19200&parity=E&stop=2"),
        ("rtu+tcp://192.0.2.10:4001", "rtu+tcp://192.0.2.10:4001"),
    ],
)
def test_link_addresses(text: str, shown: str) -> None:
    assert str(parse_link(text)) == shown
    assert parse_link(shown) == parse_link(text)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("192.0.2.10", "starts with none of tcp://, rtu://, rtu+tcp://"),
        ("http://192.0.2.10", "starts with none of"),
        ("tcp://:502", "the host is missing"),
        ("tcp://a:99999", "Port out of range"),
        ("tcp://a:0", "port 0 is none"),
        ("tcp://a/b", "nothing may follow the port"),
        ("tcp://u:p@a", "knows no user or password"),
        ("rtu://", "the serial port is missing"),
        ("rtu:///dev/x?baud=1", "baud = '1' is none of 1200"),
        ("rtu:///dev/x?parity=Z", "parity = 'Z'"),
        ("rtu:///dev/x?stop=3", "stop = '3'"),
        ("rtu:///dev/x?speed=3", "'speed' is none of baud, parity, stop"),
    ],
)
def test_wrong_addresses_say_what_is_wrong(text: str, message: str) -> None:
    with pytest.raises(UsageError, match=message.replace("+", r"\+")) as caught:
        parse_link(text)
    assert "Examples" in caught.value.remedy


def test_closed_port_says_so(run: Run) -> None:
    async def test() -> None:
        async with gateway() as served:
            port = await served.start_tcp()
        with pytest.raises(GatewayError, match="connection refused"):
            await link_to(port).open()

    run(test)


def test_missing_serial_port_says_so(run: Run) -> None:
    async def test() -> None:
        with pytest.raises(GatewayError, match=r"could not open port|no such file") as caught:
            await Link(parse_link("rtu:///dev/no-such-port")).open()
        assert "adapter" in caught.value.remedy

    run(test)


@pytest.mark.parametrize("code", [0x0A, 0x0B])
def test_gateway_alive_unit_gone(run: Run, code: int) -> None:
    """Modbus application protocol specification V1.1b3, section 7: 0x0A and 0x0B come from a gateway."""

    async def test() -> None:
        async with (
            gateway(faults=[Fault("exception", unit=2, code=code)]) as served,
            link_to(await served.start_tcp()) as link,
        ):
            with pytest.raises(UnitGoneError, match=f"unit 2: exception 0x0{code:X}"):
                await link.read(2, Span(3, 40000, 2))
            assert list(await link.read(1, Span(3, 40000, 2))) == MARKER

    run(test)


def test_undefined_address_is_a_refusal_not_a_lost_unit(run: Run) -> None:
    async def test() -> None:
        async with gateway() as served, link_to(await served.start_tcp()) as link:
            with pytest.raises(RefusedError, match="illegal data address") as caught:
                await link.read(1, Span(3, 100, 2))
            assert caught.value.code == 2
            assert not isinstance(caught.value, UnitGoneError)

    run(test)


@pytest.mark.parametrize("scheme", ["tcp", "rtu+tcp"])
def test_silence_costs_two_timeouts_and_no_more(run: Run, scheme: str) -> None:
    async def test() -> None:
        async with gateway(faults=[Fault("timeout", unit=2)]) as served:
            port = await served.start_tcp(rtu_frames=scheme == "rtu+tcp")
            async with link_to(port, scheme, timeout_s=0.2) as link:
                with pytest.raises(NoReplyError, match=r"no reply within 0.2 s \(2 attempts\)"):
                    await link.read(2, Span(3, 40000, 2))
                assert link.counts.requests == 2
                assert list(await link.read(1, Span(3, 40000, 2))) == MARKER

    run(test)


@pytest.mark.parametrize(
    ("scheme", "kind"),
    [("rtu+tcp", "bad-crc")]
    + [(scheme, kind) for scheme in ("tcp", "rtu+tcp") for kind in ("garbage", "short", "timeout", "close")],
)
def test_what_recovers_is_recovered(run: Run, scheme: str, kind: str) -> None:
    """One spoilt answer in two; the next attempt brings the right one, and never a wrong one."""

    async def test() -> None:
        async with gateway(faults=[parse_fault(f"{kind}:rate=0.5")], seed=3) as served:
            port = await served.start_tcp(rtu_frames=scheme == "rtu+tcp")
            async with link_to(port, scheme, timeout_s=0.06, attempts=8) as link:
                for _ in range(10):
                    assert list(await link.read(1, Span(3, 40000, 2))) == MARKER
            assert served.plan.struck[kind] > 3

    run(test)


@pytest.mark.parametrize("scheme", ["tcp", "rtu+tcp"])
def test_late_answers_are_never_taken_for_the_next(run: Run, scheme: str) -> None:
    """Every register holds its own address, so an answer to another question shows."""

    async def test() -> None:
        images = {1: list(range(200)), 2: list(range(1000, 1200))}
        faults = [parse_fault("slow:rate=0.4,s=0.15")]
        async with SimulatedGateway(images, base=0, faults=faults, seed=5) as served:  # type: ignore[arg-type]
            port = await served.start_tcp(rtu_frames=scheme == "rtu+tcp")
            async with link_to(port, scheme, timeout_s=0.1, attempts=2) as link:
                for k in range(25):
                    unit, at = 1 + k % 2, 5 * (k % 7)
                    try:
                        words = await link.read(unit, Span(3, at, 4))
                    except NoReplyError:
                        continue
                    assert list(words) == [1000 * (unit - 1) + at + n for n in range(4)]
            assert served.plan.struck["slow"] > 5

    run(test)


def test_only_functions_3_and_4_reach_the_wire(run: Run) -> None:
    sent: list[int] = []

    def watch(from_gateway: bool, packet: bytes) -> None:
        if not from_gateway:
            sent.append(packet[7])

    async def test() -> None:
        faults = [parse_fault("exception:rate=0.1"), parse_fault("timeout:rate=0.05")]
        async with (
            gateway(faults=faults, on_packet=watch) as served,
            link_to(await served.start_tcp(), timeout_s=0.05) as link,
        ):
            reader = GatewayReader(link, [1, 2, 3, 9])
            for ts in range(8):
                await reader.poll(ts)
            with pytest.raises(RefusedError):
                await link.read(1, Span(4, 0, 1))

    run(test)
    assert len(sent) > 40
    assert set(sent) == {3, 4}


def test_no_other_function_can_be_asked_for(run: Run) -> None:
    async def test() -> None:
        link = link_to(1)
        for function in (0, 1, 2, 5, 6, 15, 16, 22, 23, 43):
            with pytest.raises(ValueError, match="only functions 3 and 4"):
                await link.read(1, Span(function, 0, 1))

    run(test)


def test_closed_connection_is_noticed_before_the_timeout(run: Run) -> None:
    async def test() -> float:
        async with (
            gateway(faults=[Fault("close", until=0.5)]) as served,
            link_to(await served.start_tcp(), timeout_s=30.0, attempts=1) as link,
        ):
            with pytest.raises(NoReplyError, match="connection broke"):
                await link.read(1, Span(3, 40000, 2))
            await asyncio.sleep(0.6)
            assert list(await link.read(1, Span(3, 40000, 2))) == MARKER
        return 0.0

    began = time.monotonic()
    run(test)
    assert time.monotonic() - began < 25  # far from the 30 s it would wait


def test_cancelled_read_leaves_nothing_for_the_next(run: Run) -> None:
    async def test() -> None:
        async with (
            gateway(faults=[Fault("slow", s=0.2, until=0.3)]) as served,
            link_to(await served.start_tcp(), timeout_s=1.0) as link,
        ):
            task = asyncio.create_task(link.read(1, Span(3, 40002, 2)))
            await asyncio.sleep(0.05)
            task.cancel()
            with pytest.raises(asyncio.CancelledError):
                await task
            await asyncio.sleep(0.4)
            assert np.array_equal(await link.read(1, Span(3, 40000, 2)), MARKER)

    run(test)
