"""The simulated gateway itself: pymodbus's own server, one device per unit id."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from time import monotonic
from types import TracebackType
from typing import Any

from pymodbus import FramerType
from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from collectors.site import SiteDescription
from sample_logs.gateway.faults import Fault, FaultPlan
from sample_logs.gateway.image import UnitState, unit_image
from sample_logs.gateway.replay import Source

_LINE_FAULTS = ("timeout", "garbage", "bad-crc", "short", "close")
_ANY_UNIT = 0

#: Called with every packet: True when sent by the gateway, and its bytes.
PacketHook = Callable[[bool, bytes], None]


class SimulatedGateway:
    """Serves units over TCP, RTU over TCP or a serial port.

    Parameters
    ----------
    images : registers by unit id, from ``base`` on; a callable gives them afresh at each request.
    base : address of the first register.
    faults : what goes wrong.
    on_packet : sees every packet on the wire.
    present : whether a unit answers at all.
    """

    def __init__(
        self,
        images: dict[int, Sequence[int] | Callable[[], Sequence[int]]],
        *,
        base: int = 40000,
        faults: Sequence[Fault] = (),
        seed: int = 1,
        on_packet: PacketHook | None = None,
        present: Callable[[int], bool] = lambda _unit: True,
    ) -> None:
        self._present = present
        self.plan = FaultPlan(faults, seed)
        self.requests = 0
        self.port = 0
        self._images = images
        self._base = base
        self._on_packet = on_packet
        self._serial = False
        self._rtu = False
        self._server: Any = None
        self._started = 0.0
        self._stuck: dict[int, list[int]] = {}
        self._sleepers: set[asyncio.Task[Any]] = set()

    # -- life ------------------------------------------------------------

    async def start_tcp(self, port: int = 0, *, host: str = "127.0.0.1", rtu_frames: bool = False) -> int:
        """Listen on TCP; returns the port (chosen by the system for 0)."""
        self._rtu = rtu_frames
        framer = FramerType.RTU if rtu_frames else FramerType.SOCKET
        self._server = ModbusTcpServer(self._devices(), framer=framer, address=(host, port), trace_packet=self._packet)
        await self._start()
        self.port = int(self._server.transport.sockets[0].getsockname()[1])
        return self.port

    async def start_serial(self, device: str, *, baud: int = 9600, parity: str = "N", stop_bits: int = 1) -> None:
        """Answer on a serial port."""
        self._serial = self._rtu = True
        self._server = ModbusSerialServer(
            self._devices(),
            port=device,
            baudrate=baud,
            parity=parity,
            stopbits=stop_bits,
            trace_packet=self._packet,
        )
        await self._start()

    async def _start(self) -> None:
        self._started = monotonic()
        await self._server.serve_forever(background=True)

    async def stop(self) -> None:
        """Close every connection and stop listening."""
        if self._server is not None:
            server, self._server = self._server, None
            await server.shutdown()
            for sleeper in self._sleepers:
                sleeper.cancel()
            await asyncio.sleep(0.001)  # lets closed transports and cancelled answers finish

    async def __aenter__(self) -> SimulatedGateway:
        return self

    async def __aexit__(self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None) -> None:
        await self.stop()

    @property
    def elapsed_s(self) -> float:
        return monotonic() - self._started

    # -- units -----------------------------------------------------------

    def _devices(self) -> list[SimDevice]:
        devices = [self._device(unit) for unit in self._images]
        # Whatever other unit is asked for: a gateway answers for it, a serial line keeps silent.
        everywhere = SimData(0, values=0, count=65536, datatype=DataType.REGISTERS)
        devices.append(SimDevice(_ANY_UNIT, simdata=[everywhere], action=_nobody))
        return devices

    def _device(self, unit: int) -> SimDevice:
        words = list(self._image(unit))
        data = SimData(self._base, values=words, datatype=DataType.REGISTERS)
        return SimDevice(unit, simdata=[data], action=partial(self._action, unit))

    def _image(self, unit: int) -> Sequence[int]:
        image = self._images[unit]
        return image() if callable(image) else image

    async def _action(
        self, unit: int, _f: int, _start: int, _at: int, _n: int, registers: list[int], _new: object
    ) -> ExcCodes | None:
        strikes = partial(self.plan.strikes, unit=unit, elapsed_s=self.elapsed_s)
        if strikes(["drop"]) or not self._present(unit):
            return ExcCodes.GATEWAY_NO_RESPONSE
        if fault := strikes(["exception"]):
            return ExcCodes(fault.code)
        if fault := strikes(["slow"]):
            task = asyncio.current_task()
            assert task is not None
            self._sleepers.add(task)
            task.add_done_callback(self._sleepers.discard)
            await asyncio.sleep(fault.s)
        if strikes(["stuck"]):
            words = self._stuck.setdefault(unit, list(self._image(unit)))
        else:
            words = list(self._image(unit))
        registers[: len(words)] = words
        return None

    # -- the wire --------------------------------------------------------

    def _packet(self, sending: bool, data: bytes) -> bytes:
        if not sending:
            self.requests += 1
            if self._on_packet:
                self._on_packet(False, data)
            return data
        unit = data[0] if self._rtu else data[6]
        gone = self._serial and data[1:3] in (b"\x83\x0b", b"\x84\x0b")
        kinds = [k for k in _LINE_FAULTS if self._rtu or k != "bad-crc"]
        fault = self.plan.strikes(kinds, unit, self.elapsed_s)
        if gone:
            data = b""
        elif fault is not None and fault.kind == "close":
            self._hang_up()
            data = b""
        elif fault is not None:
            data = self.plan.garble(fault, data)
        if self._on_packet and data:
            self._on_packet(True, data)
        return data

    def _hang_up(self) -> None:
        for connection in list(self._server.active_connections.values()):
            asyncio.get_running_loop().call_soon(connection.close)


async def _nobody(*_: object) -> ExcCodes:
    return ExcCodes.GATEWAY_NO_RESPONSE


def serve_site(
    site: SiteDescription,
    source: Source,
    now: Callable[[], float],
    *,
    flavour: str = "integer",
    gateway: str | None = None,
    faults: Sequence[Fault] = (),
    seed: int = 1,
    on_packet: PacketHook | None = None,
) -> SimulatedGateway:
    """A simulated gateway for the units of a site, unit ids from 1 in the file's order.

    ``now`` gives the simulated UTC epoch seconds; ``gateway`` picks the units of one gateway.
    """
    units = [u for u in site.units if gateway in (None, u.gateway)]
    served: SimulatedGateway
    baselines: dict[int, dict[int, float]] = {}

    def image_of(unit_id: int) -> Callable[[], Sequence[int]]:
        unit = units[unit_id - 1]
        rating = site.inverters[unit.inverter].rated_va if unit.inverter else None
        cache: dict[tuple[int, bool], list[int]] = {}

        def image() -> list[int]:
            at = now()
            was_reset = served.plan.strikes(["reset"], unit_id, served.elapsed_s) is not None
            key = (source.step(at), was_reset)
            if key not in cache:
                cache.clear()
                state = source.state(unit, at)
                if was_reset:
                    from_zero = baselines.setdefault(unit_id, {k: i.energy_wh or 0.0 for k, i in enumerate(state.inputs)})
                    state = _less(state, from_zero)
                cache[key] = unit_image(state, flavour, rated_va=rating)
            return cache[key]

        return image

    served = SimulatedGateway(
        {n: image_of(n) for n in range(1, len(units) + 1)},
        faults=faults,
        seed=seed,
        on_packet=on_packet,
        present=lambda unit_id: source.present(units[unit_id - 1], now()),
    )
    return served


def _less(state: UnitState, baseline: dict[int, float]) -> UnitState:
    inputs = tuple(
        replace(i, energy_wh=None if i.energy_wh is None else i.energy_wh - baseline[k]) for k, i in enumerate(state.inputs)
    )
    return replace(state, inputs=inputs)
