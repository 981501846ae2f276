"""How long frames take on a serial line, and how long to wait for an answer.

Source: "MODBUS over serial line specification and implementation guide":
11 bits a character, frames 3.5 characters apart, 1.75 ms above 19200 baud.
"""

from __future__ import annotations

from typing import Final

BITS_PER_CHARACTER: Final = 11
_FIXED_GAP_S = 0.00175
_FIXED_GAP_ABOVE = 19200
#: Unit, function, address, count, CRC.
REQUEST_BYTES: Final = 8
#: Unit, function, byte count, CRC.
REPLY_OVERHEAD_BYTES: Final = 5


def character_s(baud: int) -> float:
    """Seconds of one character of 11 bits."""
    return BITS_PER_CHARACTER / baud


def frame_gap_s(baud: int) -> float:
    """Silence between frames, seconds."""
    return _FIXED_GAP_S if baud > _FIXED_GAP_ABOVE else 3.5 * character_s(baud)


def exchange_s(baud: int, registers: int) -> float:
    """Least time of one read on the line, in seconds: request, silence, reply, silence."""
    characters = REQUEST_BYTES + REPLY_OVERHEAD_BYTES + 2 * registers
    return characters * character_s(baud) + 2 * frame_gap_s(baud)
