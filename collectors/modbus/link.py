"""One connection to a gateway or bus, on which only functions 3 and 4 can be sent.

Timeouts are ours, not the library's 3 s three times over: a poll of a hundred
units must not stand still 12 s at each one that sleeps. Over TCP a reply gets
1 s; over a serial line the frame's own line time plus 0.3 s of turnaround;
a request is tried twice.
"""

from __future__ import annotations

import asyncio
import logging
import os
from dataclasses import dataclass, field
from time import monotonic
from types import TracebackType
from typing import Any, Final

import numpy as np
from pymodbus import FramerType, ModbusException
from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient
from pymodbus.pdu import DecodePDU, ExceptionResponse, ModbusPDU

from collectors.modbus import linetime
from collectors.modbus.address import LinkAddress
from collectors.modbus.errors import (
    EXCEPTION_NAMES,
    PASSING,
    UNIT_GONE,
    BrokenReplyError,
    GatewayError,
    NoReplyError,
    RefusedError,
    UnitGoneError,
)
from collectors.modbus.plan import HOLDING, INPUT, Span
from collectors.modbus.types import Words

CONNECT_TIMEOUT_S: Final = 3.0
TCP_TIMEOUT_S: Final = 1.0
#: A device's own time to answer; common practice is 20 to 200 ms.
TURNAROUND_S: Final = 0.3
ATTEMPTS: Final = 2
_BUSY_PAUSE_S = 0.05

# What the library logs reaches whoever sets logging up; alone it must not fill a terminal.
logging.getLogger("pymodbus").addHandler(logging.NullHandler())
_UNREADABLE = 0xFF


class _Decoder(DecodePDU):
    """The library's decoder, except that a frame it cannot read is a reply we reject.

    Otherwise the library raises inside the event loop and the reader waits for
    the timeout.
    """

    def decode(self, frame: bytes) -> ModbusPDU | None:
        return super().decode(frame) or ExceptionResponse(0, _UNREADABLE)


@dataclass
class LinkCounts:
    """What happened on a link since it was made."""

    requests: int = 0
    replies: int = 0
    registers: int = 0
    timeouts: int = 0
    garbled: int = 0
    exceptions: int = 0
    connects: int = 0
    by_exception: dict[int, int] = field(default_factory=dict)


class Link:
    """An asynchronous, read-only Modbus connection.

    Use it as an async context manager, or call :meth:`open` and :meth:`close`.
    It reconnects by itself at the next read. One request at a time.

    Parameters
    ----------
    address : where it is.
    timeout_s : how long a reply may take; None takes the defaults above.
    attempts : how often a request is tried.
    """

    def __init__(self, address: LinkAddress, *, timeout_s: float | None = None, attempts: int = ATTEMPTS) -> None:
        self.address = address
        self.attempts = attempts
        self.timeout_s = timeout_s or _default_timeout_s(address)
        self.counts = LinkCounts()
        self._gap_s = linetime.frame_gap_s(address.baud) if address.serial else 0.0
        self._free_at = 0.0
        self._lock = asyncio.Lock()
        self._client: Any = None
        self._why = ""
        self._waiting = False

    async def __aenter__(self) -> Link:
        await self.open()
        return self

    async def __aexit__(self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None) -> None:
        self.close()

    async def open(self) -> None:
        """Connect.

        Raises
        ------
        GatewayError : says why.
        """
        self.close()
        client = self._new_client()
        connecting = client.ctx.call_create

        # The library keeps the reason of a failed connection to its log.
        async def create() -> Any:
            try:
                return await connecting()
            except OSError as exc:
                self._why = _reason(exc)
                raise
            except Exception as exc:
                # A port that cannot do the settings raises termios.error, which is no OSError.
                self._why = f"the serial settings were refused: {exc}"
                raise OSError(self._why) from exc

        client.ctx.call_create = create
        client.ctx.framer.decoder = _Decoder(False)
        self._why = f"no answer within {CONNECT_TIMEOUT_S:g} s"
        try:
            connected = await client.connect()
        except (ModbusException, OSError, ValueError) as exc:
            client.close()
            raise GatewayError(f"{self.address}: {exc}") from exc
        if not connected:
            client.close()
            raise GatewayError(f"{self.address}: {self._why}", _remedy(self.address))
        # From here on the wait is for replies.
        client.ctx.comm_params.timeout_connect = self.timeout_s
        self._client = client
        self.counts.connects += 1

    def close(self) -> None:
        """Close the connection; harmless when it is closed."""
        client, self._client = self._client, None
        if client is not None:
            client.close()

    @property
    def connected(self) -> bool:
        return self._client is not None and bool(self._client.connected)

    async def read(self, unit: int, span: Span, *, attempts: int | None = None) -> Words:
        """Read one span of registers of one unit.

        Returns
        -------
        Words, shape ``[count]``.

        Raises
        ------
        GatewayError, NoReplyError, UnitGoneError, RefusedError.
        """
        if span.function not in (HOLDING, INPUT):
            raise ValueError(f"only functions 3 and 4 are ever sent: {span.function}")
        tries = attempts or self.attempts
        async with self._lock:
            for attempt in range(1, tries + 1):
                try:
                    words = await self._once(unit, span)
                except (NoReplyError, RefusedError) as exc:
                    if isinstance(exc, RefusedError) and exc.code not in PASSING:
                        raise
                    if attempt == tries:
                        if isinstance(exc, NoReplyError) and tries > 1:
                            raise type(exc)(f"{exc.message} ({tries} attempts)") from exc
                        raise
                    if isinstance(exc, RefusedError):
                        await asyncio.sleep(_BUSY_PAUSE_S)
                    continue
                if attempt > 1 and self.address.rtu_frames:
                    # An RTU reply carries no number. The answers to the earlier attempts may
                    # still come; each is at most as late as the one just accepted, which took
                    # under attempts x timeout. Let them pass unheard, so that none of them is
                    # taken for the answer to the next request.
                    await asyncio.sleep(tries * self.timeout_s)
                return words
        raise AssertionError("unreachable")

    async def _once(self, unit: int, span: Span) -> Words:
        if not self.connected:
            await self.open()
        client = self._client
        wait = self._free_at - monotonic()
        if wait > 0:
            await asyncio.sleep(wait)
        call = client.read_holding_registers if span.function == HOLDING else client.read_input_registers
        self.counts.requests += 1
        self._waiting = True
        try:
            reply = await call(span.address, count=span.count, device_id=unit)
        except ModbusException as exc:
            self.counts.timeouts += 1
            if not self.address.serial:
                # A late answer dies with its connection. Transaction numbers alone would not do: some
                # gateways put the number of the latest request on whatever answer comes.
                self.close()
            raise NoReplyError(f"unit {unit}: no reply within {self.timeout_s:.2g} s") from exc
        except OSError as exc:
            self.counts.timeouts += 1
            self.close()
            raise BrokenReplyError(f"unit {unit}: the connection broke: {_reason(exc)}") from exc
        except BaseException:
            # Cancelled in mid-air: the reply must not meet the next request.
            self.close()
            raise
        finally:
            self._waiting = False
            self._free_at = monotonic() + self._gap_s
        return self._checked(unit, span, reply)

    def _checked(self, unit: int, span: Span, reply: Any) -> Words:
        code = reply.exception_code if reply.isError() else None
        if code == _UNREADABLE or not self._belongs(span, reply):
            self.counts.garbled += 1
            if not self.address.serial:
                self.close()  # the stream has lost its place
            raise BrokenReplyError(f"unit {unit}: the reply to {span.count} registers at {span.address} was garbled")
        if code is not None:
            self.counts.exceptions += 1
            self.counts.by_exception[code] = self.counts.by_exception.get(code, 0) + 1
            name = f"exception 0x{code:02X}, {EXCEPTION_NAMES.get(code, 'not in the specification')}"
            if code in UNIT_GONE:
                raise UnitGoneError(f"unit {unit}: {name}", code)
            raise RefusedError(f"unit {unit}: {name}, at register {span.address}", code)
        self.counts.replies += 1
        self.counts.registers += span.count
        return np.array(reply.registers, dtype=np.uint16)

    def _belongs(self, span: Span, reply: Any) -> bool:
        """Whether it answers the request: same function, as many registers, and a number over TCP."""
        if not self.address.rtu_frames and not reply.transaction_id:
            return False
        if reply.function_code == span.function | 0x80:
            return True
        return reply.function_code == span.function and len(reply.registers) == span.count

    def _new_client(self) -> Any:
        common: dict[str, Any] = {
            "retries": 0,
            "reconnect_delay": 0.0,
            "timeout": CONNECT_TIMEOUT_S,
            "trace_connect": self._on_connection,
        }
        at = self.address
        if at.serial:
            return AsyncModbusSerialClient(at.device, baudrate=at.baud, parity=at.parity, stopbits=at.stop_bits, **common)
        framer = FramerType.RTU if at.rtu_frames else FramerType.SOCKET
        return AsyncModbusTcpClient(at.host, port=at.port, framer=framer, **common)

    def _on_connection(self, up: bool) -> None:
        # A connection that closes while a reply is awaited: no need to wait for the timeout.
        if up or not self._waiting or self._client is None:
            return
        future = self._client.ctx.response_future
        if not future.done():
            future.set_exception(ConnectionResetError("closed by the gateway"))


def _default_timeout_s(address: LinkAddress) -> float:
    if address.serial:
        return linetime.exchange_s(address.baud, 125) + TURNAROUND_S
    return TCP_TIMEOUT_S


def _reason(exc: OSError) -> str:
    # asyncio puts its own words into strerror; a failed name look-up has a negative errno.
    system = os.strerror(exc.errno) if exc.errno and exc.errno > 0 else ""
    text = system or exc.strerror or str(exc) or type(exc).__name__
    return text[0].lower() + text[1:]


def _remedy(address: LinkAddress) -> str:
    if address.serial:
        return (
            "Check that the adapter is plugged in, that no other program holds the port, and that you may "
            "open it (group dialout on most Linux systems)."
        )
    return (
        "Check the address and the port, that Modbus TCP is switched on in the gateway, and that this computer is on its network."
    )
