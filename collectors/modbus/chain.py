"""Find a SunSpec map and walk its chain of models.

Source: SunSpec Alliance, "Device Information Model Specification": the marker
``SunS`` at one of three addresses, then models of an ID, a length L and L
registers, up to the end model 0xFFFF. Always walked by L, so a model of
another length than published, or one we do not know, costs nothing.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from typing import Final

from collectors.modbus.errors import MapError, RefusedError
from collectors.modbus.models import COMMON, END_MODEL, HEADER, models, text_point
from collectors.modbus.plan import HOLDING, MAX_REGISTERS, Span
from collectors.modbus.types import Words

BASES: Final = (40000, 0, 50000)
MARKER: Final = (0x5375, 0x6E53)
_LAST_ADDRESS = 0xFFFF

#: Reads one span of one unit (:meth:`collectors.modbus.link.Link.read` without its unit).
ReadSpan = Callable[[Span], Awaitable[Words]]


@dataclass(frozen=True)
class Block:
    """One model of a map: where its ID word stands and what its L word says."""

    model: int
    address: int
    length: int

    @property
    def size(self) -> int:
        return HEADER + self.length


@dataclass(frozen=True)
class Device:
    """One common model and the models up to the next: one unit with a serial."""

    serial: str
    maker: str
    product: str
    version: str
    blocks: tuple[Block, ...]

    def block(self, *ids: int) -> Block | None:
        """The first model with one of these IDs."""
        return next((b for b in self.blocks if b.model in ids), None)


@dataclass(frozen=True)
class SunSpecMap:
    """The whole map of one unit id: one device, or several behind one map."""

    base: int
    devices: tuple[Device, ...]
    unknown_models: tuple[int, ...] = field(default=())


async def find_map(read: ReadSpan) -> SunSpecMap | None:
    """Find and walk the map of one unit; None if the unit answers but has none.

    Raises
    ------
    MapError : the chain runs past the last register or holds no common model.
    LinkError : the unit cannot be reached.
    """
    for base in BASES:
        try:
            words = await read(Span(HOLDING, base, 2))
        except RefusedError as exc:
            if exc.code in (0x0A, 0x0B):
                raise
            continue
        if tuple(int(w) for w in words) == MARKER:
            return await _walk(read, base)
    return None


async def _walk(read: ReadSpan, base: int) -> SunSpecMap:
    blocks: list[Block] = []
    address = base + 2
    while True:
        header = await _header(read, address)
        if header is None:
            break
        model, length = header
        blocks.append(Block(model, address, length))
        address += HEADER + length
        if address > _LAST_ADDRESS:
            raise MapError(
                f"SunSpec map at {base}: model {model} at {blocks[-1].address} says it is {length} registers "
                "long, which runs past the last register",
                "The device's map is wrong; describe its registers in a map file instead.",
            )
    known = models()
    groups: list[list[Block]] = []
    for block in blocks:
        if block.model == COMMON or not groups:
            groups.append([])
        groups[-1].append(block)
    if not groups or groups[0][0].model != COMMON:
        first = f"model {blocks[0].model}" if blocks else "the end of the chain"
        raise MapError(
            f"SunSpec map at {base}: begins with {first} instead of model 1 (common)",
            "The device's map is wrong; describe its registers in a map file instead.",
        )
    devices = [await _device(read, tuple(group)) for group in groups]
    unknown = tuple(sorted({b.model for b in blocks if b.model not in known}))
    return SunSpecMap(base, tuple(devices), unknown)


async def _header(read: ReadSpan, address: int) -> tuple[int, int] | None:
    """ID and length of the model at ``address``; None at the end of the chain."""
    try:
        model, length = (int(w) for w in await read(Span(HOLDING, address, 2)))
    except RefusedError as exc:
        if exc.code != 0x02:
            raise
        # Some devices leave out the end model's length: then only its ID can be read.
        model = int((await read(Span(HOLDING, address, 1)))[0])
        if model != END_MODEL:
            raise
        return None
    return None if model == END_MODEL else (model, length)


async def _device(read: ReadSpan, blocks: tuple[Block, ...]) -> Device:
    common = blocks[0]
    words = await read(Span(HOLDING, common.address, min(common.size, MAX_REGISTERS)))
    model = models()[COMMON]
    return Device(
        serial=text_point(model, "SN", words),
        maker=text_point(model, "Mn", words),
        product=text_point(model, "Md", words),
        version=text_point(model, "Vr", words),
        blocks=blocks,
    )
