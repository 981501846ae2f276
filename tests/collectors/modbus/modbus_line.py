"""A serial line on one computer, for the Modbus tests."""

from __future__ import annotations

import os
import select
import threading
import tty
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def serial_line() -> Iterator[tuple[str, str]]:
    """Two ends of one serial line: pseudo-terminals, bytes carried between them by a thread."""
    (near, near_end), (far, far_end) = os.openpty(), os.openpty()
    stop_read, stop_write = os.pipe()
    for fd in (near_end, far_end):
        tty.setraw(fd)

    def carry() -> None:
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
