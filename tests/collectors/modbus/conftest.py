"""Shared by the Modbus tests: nothing may be left behind, and a real serial line on one computer."""

from __future__ import annotations

import asyncio
import gc
import os
import threading
import tty
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager

import psutil
import pytest


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


@contextmanager
def serial_line() -> Iterator[tuple[str, str]]:
    """Two ends of one serial line: pseudo-terminals, bytes carried between them by a thread."""
    (near, near_end), (far, far_end) = os.openpty(), os.openpty()
    stop_read, stop_write = os.pipe()
    for fd in (near_end, far_end):
        tty.setraw(fd)

    def carry() -> None:
        import select

        while True:
            ready, _, _ = select.select([near, far, stop_read], [], [])
            if stop_read in ready:
                return
            for here, there in ((near, far), (far, near)):
                if here in ready:
                    os.write(there, os.read(here, 4096))

    thread = threading.Thread(target=carry, name="serial line")
    thread.start()
    try:
        yield os.ttyname(near_end), os.ttyname(far_end)
    finally:
        os.write(stop_write, b".")
        thread.join()
        for fd in (near, near_end, far, far_end, stop_read, stop_write):
            os.close(fd)


@pytest.fixture
def line() -> Iterator[tuple[str, str]]:
    with serial_line() as ends:
        yield ends
