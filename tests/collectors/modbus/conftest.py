"""Shared by the Modbus tests: nothing may be left behind, and a real serial line on one computer."""

from __future__ import annotations

import asyncio
import gc
import threading
from collections.abc import Awaitable, Callable, Iterator

import psutil
import pytest
from modbus_line import serial_line


@pytest.fixture(autouse=True)
def nothing_left_behind() -> Iterator[None]:
    """No thread, socket or file of the test outlives it."""
    process = psutil.Process()
    threads, sockets, files = set(threading.enumerate()), len(process.net_connections()), process.num_fds()
    yield
    gc.collect()
    assert set(threading.enumerate()) <= threads
    assert len(process.net_connections()) <= sockets
    assert process.num_fds() <= files


@pytest.fixture
def run() -> Callable[[Callable[[], Awaitable[object]]], object]:
    """Runs an async test and fails on tasks left over."""

    def runner(test: Callable[[], Awaitable[object]]) -> object:
        async def whole() -> object:
            result = await test()
            await asyncio.sleep(0.01)
            others = asyncio.all_tasks() - {asyncio.current_task()}
            assert not others, f"tasks left over: {others}"
            return result

        return asyncio.run(whole())

    return runner


@pytest.fixture
def line() -> Iterator[tuple[str, str]]:
    with serial_line() as ends:
        yield ends
