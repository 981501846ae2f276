"""Read every unit behind one gateway: discover once, then poll.

A unit that answers in part gives nothing: its half is never passed on.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from collectors.modbus import sunspec
from collectors.modbus.chain import Block, Device, ReadSpan, SunSpecMap, find_map
from collectors.modbus.declared import decode_declared, decode_serial, serial_span
from collectors.modbus.errors import GatewayError, MapError, NoReplyError, RefusedError, UnitGoneError
from collectors.modbus.link import Link
from collectors.modbus.memory import Memory
from collectors.modbus.plan import HOLDING, MAX_REGISTERS, Span, plan_reads
from collectors.modbus.reading import Decoded, GatewayReading, UnitAnswer, combine
from collectors.modbus.regmap import RegisterMap
from collectors.modbus.types import Words

#: On a serial line, reading over this many registers costs less than one more request. Common
#: practice: a request's own characters, two silences and a turnaround of 20 ms at 9600 baud.
SERIAL_GAP: Final = 20
#: Polls without an answer after which a unit's map is found anew: it may have been replaced.
FORGET_AFTER: Final = 5
_REFUSALS_OF_LONG_READS = (0x02, 0x03)


@dataclass
class _Unit:
    """One unit id: what it is, how to read it, how it has been answering."""

    unit_id: int
    regmap: RegisterMap | None
    serial: str
    devices: tuple[Device, ...] = ()
    serials: tuple[str, ...] = ()
    reads: tuple[Span, ...] = ()
    extent: tuple[Span, ...] = ()
    silent_polls: int = 0
    known: bool = False
    split: bool = False
    layouts: tuple[sunspec.Layout, ...] = field(default=())


class GatewayReader:
    """Reads the units behind one link.

    Parameters
    ----------
    link : open or not; it connects by itself.
    units : unit ids.
    maps : declared map of each unit id that has one; the others are SunSpec.
    serials : serial of each unit id whose device cannot tell its own.
    plane : the plane that plane irradiance read here belongs to.
    """

    def __init__(
        self,
        link: Link,
        units: Sequence[int],
        *,
        maps: Mapping[int, RegisterMap] | None = None,
        serials: Mapping[int, str] | None = None,
        plane: str = "",
    ) -> None:
        self.link = link
        self.plane = plane
        self._units = [_Unit(u, (maps or {}).get(u), (serials or {}).get(u, "")) for u in units]

    @property
    def unit_ids(self) -> tuple[int, ...]:
        return tuple(u.unit_id for u in self._units)

    async def poll(self, ts: int) -> GatewayReading:
        """Read every unit once; all rows are stamped ``ts``. Never raises for what the line does."""
        answers: list[UnitAnswer] = []
        memories: list[tuple[_Unit, Memory]] = []
        unreachable = ""
        for unit in self._units:
            if unreachable:
                break
            try:
                memory = await self._read(unit)
            except GatewayError as exc:
                unreachable = exc.message
            except UnitGoneError as exc:
                answers.append(self._failed(unit, "gateway-says-gone", exc.message))
            except RefusedError as exc:
                answers.append(self._failed(unit, "refused", exc.message))
            except MapError as exc:
                answers.append(self._failed(unit, "refused", f"unit {unit.unit_id}: {exc.message}"))
            except NoReplyError as exc:
                answers.append(self._failed(unit, "no-reply", exc.message))
            else:
                unit.silent_polls = 0
                answers.append(UnitAnswer(unit.unit_id, "ok", "", unit.serials))
                memories.append((unit, memory))
        return combine(ts, _decode(memories), answers, self.plane, unreachable)

    def _failed(self, unit: _Unit, answer: str, detail: str) -> UnitAnswer:
        unit.silent_polls += 1
        if unit.silent_polls == FORGET_AFTER:
            unit.known = False
        return UnitAnswer(unit.unit_id, answer, detail, unit.serials)  # type: ignore[arg-type]

    async def _read(self, unit: _Unit) -> Memory:
        # One that was silent last time gets one try: many sleepers must not hold up the rest.
        attempts = 1 if unit.silent_polls else None

        async def read(span: Span) -> Words:
            return await self.link.read(unit.unit_id, span, attempts=attempts)

        if not unit.known:
            await self._learn(unit, read)
        memory = Memory(unit.extent)
        try:
            for span in unit.reads:
                memory.put(span, await read(span))
        except UnitGoneError:
            raise
        except RefusedError as exc:
            if unit.regmap is not None or unit.split or exc.code not in _REFUSALS_OF_LONG_READS:
                raise
            # Some devices answer no read that runs across models: ask for each by itself.
            unit.split = True
            unit.reads = _reads_of(unit.layouts, split=True, max_gap=0)
            for span in unit.reads:
                memory.put(span, await read(span))
        return memory

    async def _learn(self, unit: _Unit, read: ReadSpan) -> None:
        if unit.regmap is not None:
            at = serial_span(unit.regmap)
            found = decode_serial(unit.regmap, at[0], await read(at[1])) if at else ""
            unit.serials = (unit.serial or found or f"unit-{unit.unit_id}",)
            unit.reads = unit.extent = unit.regmap.reads
        else:
            found_map = await find_map(read)
            if found_map is None:
                raise RefusedError(f"unit {unit.unit_id}: answers, but has no SunSpec map; declare a register map", 0)
            self._adopt(unit, found_map)
        unit.known = True

    def _adopt(self, unit: _Unit, found: SunSpecMap) -> None:
        unit.devices = found.devices
        names = [d.serial for d in found.devices]
        if unit.serial and len(names) == 1:
            names = [unit.serial]
        unit.serials = tuple(name or f"unit-{unit.unit_id}" for name in names)
        unit.layouts = tuple(sunspec.layout_of(d) for d in found.devices)
        gap = SERIAL_GAP if self.link.address.serial else MAX_REGISTERS
        unit.reads = _reads_of(unit.layouts, split=unit.split, max_gap=gap)
        unit.extent = tuple(Span(HOLDING, b.address, b.size) for layout in unit.layouts for b in layout.blocks)


def _reads_of(layouts: Sequence[sunspec.Layout], *, split: bool, max_gap: int) -> tuple[Span, ...]:
    blocks = [b for layout in layouts for b in layout.blocks]
    if split:
        # Whole models, in pieces that a request can carry.
        return tuple(
            Span(HOLDING, b.address + k, min(MAX_REGISTERS, b.size - k)) for b in blocks for k in range(0, b.size, MAX_REGISTERS)
        )
    return plan_reads([s for b in blocks for s in sunspec.spans_of(b)], max_gap=max_gap)


def _decode(memories: Sequence[tuple[_Unit, Memory]]) -> list[Decoded]:
    """Decode all units, equal ones together."""
    parts: list[Decoded] = []
    by_layout: dict[object, list[tuple[str, sunspec.Layout, Memory]]] = defaultdict(list)
    by_map: dict[int, list[tuple[_Unit, Memory]]] = defaultdict(list)
    for unit, memory in memories:
        if unit.regmap is not None:
            by_map[id(unit.regmap)].append((unit, memory))
        for serial, layout in zip(unit.serials, unit.layouts, strict=False):
            by_layout[layout.key].append((serial, layout, memory))
    for members in by_layout.values():
        first = members[0][1]
        words: dict[Block, Words] = {}
        for n, block in enumerate(first.blocks):
            spans = [(m, layout.blocks[n]) for _, layout, m in members]
            words[block] = np.stack([m.get(Span(HOLDING, b.address, b.size)) for m, b in spans])
        parts.append(sunspec.decode_stack(first, [serial for serial, _, _ in members], words))
    for mapped in by_map.values():
        regmap = mapped[0][0].regmap
        assert regmap is not None
        stack = [memory for _, memory in mapped]

        def fetch(span: Span, stack: list[Memory] = stack) -> Words:
            return np.stack([memory.get(span) for memory in stack])

        parts.append(decode_declared(regmap, [unit.serials[0] for unit, _ in mapped], fetch))
    return parts
