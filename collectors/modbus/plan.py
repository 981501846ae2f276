"""Which registers to ask for, in as few requests as the limits allow."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

#: Modbus application protocol specification: quantity of registers of functions 3 and 4.
MAX_REGISTERS: Final = 125
HOLDING: Final = 3
INPUT: Final = 4


@dataclass(frozen=True, order=True)
class Span:
    """Registers that must come from one request, so that no value is torn."""

    function: int
    address: int
    count: int

    @property
    def end(self) -> int:
        return self.address + self.count


def plan_reads(spans: Iterable[Span], *, max_registers: int = MAX_REGISTERS, max_gap: int = 0) -> tuple[Span, ...]:
    """Requests that cover every span, fewest first.

    Spans may overlap or touch. Taking each request as far right as it goes is
    optimal: no other cover of the line by windows needs fewer.

    Parameters
    ----------
    max_registers : longest request, 1..125.
    max_gap : registers nobody asked for that a request may run over.

    Raises
    ------
    ValueError : a span is longer than a request may be.
    """
    reads: list[Span] = []
    for span in sorted(set(spans)):
        if span.count > max_registers:
            raise ValueError(f"{span.count} registers at {span.address} exceed one request ({max_registers})")
        last = reads[-1] if reads else None
        if (
            last is not None
            and last.function == span.function
            and span.address - last.end <= max_gap
            and max(span.end, last.end) - last.address <= max_registers
        ):
            reads[-1] = Span(last.function, last.address, max(span.end, last.end) - last.address)
        else:
            reads.append(span)
    return tuple(reads)
