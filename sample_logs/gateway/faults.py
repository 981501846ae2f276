"""Faults of the line and of units, injected on demand."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

#: What each fault does.
FAULTS: Final = {
    "exception": "answer with a Modbus exception (code=4)",
    "timeout": "take the request, never answer",
    "garbage": "answer with random bytes",
    "bad-crc": "spoil the CRC (RTU frames only)",
    "short": "cut the answer short",
    "drop": "the unit is gone: exception 0x0B over TCP, silence on a serial line",
    "slow": "answer late (s=2.0 seconds)",
    "stuck": "the unit's values no longer change",
    "reset": "the unit's lifetime counters start again from zero",
    "close": "close the connection instead of answering",
}
_KEYS = {"unit", "rate", "code", "s", "after", "until"}


@dataclass(frozen=True)
class Fault:
    """One fault; ``unit`` None strikes any unit, ``rate`` is a probability per answer.

    ``after`` and ``until`` are seconds since the simulated gateway started.
    """

    kind: str
    unit: int | None = None
    rate: float = 1.0
    code: int = 4
    s: float = 2.0
    after: float = 0.0
    until: float = float("inf")


def parse_fault(text: str) -> Fault:
    """Parse ``kind`` or ``kind:key=value,key=value``.

    Raises
    ------
    ValueError : names what is wrong.
    """
    kind, _, rest = text.partition(":")
    if kind not in FAULTS:
        raise ValueError(f"fault '{text}': '{kind}' is none of {', '.join(FAULTS)}")
    values: dict[str, float] = {}
    for item in filter(None, rest.split(",")):
        key, _, value = item.partition("=")
        if key not in _KEYS:
            raise ValueError(f"fault '{text}': '{key}' is none of {', '.join(sorted(_KEYS))}")
        try:
            values[key] = float(int(value, 0)) if key in ("unit", "code") else float(value)
        except ValueError as exc:
            raise ValueError(f"fault '{text}': {key} = '{value}' is not a number") from exc
    if not 0 <= values.get("rate", 1.0) <= 1:
        raise ValueError(f"fault '{text}': rate = {values['rate']:g} is not 0..1")
    return Fault(
        kind,
        unit=int(values["unit"]) if "unit" in values else None,
        rate=values.get("rate", 1.0),
        code=int(values.get("code", 4)),
        s=values.get("s", 2.0),
        after=values.get("after", 0.0),
        until=values.get("until", float("inf")),
    )


class FaultPlan:
    """Decides which fault strikes an answer; repeatable for one seed."""

    def __init__(self, faults: Sequence[Fault] = (), seed: int = 1) -> None:
        self.faults = list(faults)
        self._random = random.Random(seed)
        self.struck: dict[str, int] = {}

    def strikes(self, kinds: Sequence[str], unit: int, elapsed_s: float) -> Fault | None:
        """The first fault of these kinds that strikes this answer now."""
        for fault in self.faults:
            if (
                fault.kind in kinds
                and fault.unit in (None, unit)
                and fault.after <= elapsed_s < fault.until
                and (fault.rate >= 1 or self._random.random() < fault.rate)
            ):
                self.struck[fault.kind] = self.struck.get(fault.kind, 0) + 1
                return fault
        return None

    def garble(self, fault: Fault, frame: bytes) -> bytes:
        """The bytes that go out instead of ``frame``."""
        if fault.kind == "timeout":
            return b""
        if fault.kind == "bad-crc":
            return frame[:-2] + bytes([frame[-2] ^ 0x5A, frame[-1]])
        if fault.kind == "short":
            return frame[: max(1, len(frame) // 2)]
        return self._random.randbytes(max(4, len(frame)))
