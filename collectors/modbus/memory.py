"""The registers of one unit as one poll read them."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from collectors.modbus.plan import Span
from collectors.modbus.types import Words


class Memory:
    """Registers by function and address; what was not read is 0 and must not be asked for."""

    def __init__(self, extent: Iterable[Span]) -> None:
        bounds: dict[int, tuple[int, int]] = {}
        for span in extent:
            low, high = bounds.get(span.function, (span.address, span.end))
            bounds[span.function] = (min(low, span.address), max(high, span.end))
        self._base = {function: low for function, (low, _) in bounds.items()}
        self._words = {f: np.zeros(high - low, dtype=np.uint16) for f, (low, high) in bounds.items()}

    def put(self, span: Span, words: Words) -> None:
        first = span.address - self._base[span.function]
        self._words[span.function][first : first + span.count] = words

    def get(self, span: Span) -> Words:
        """View of the registers, shape ``[count]``."""
        first = span.address - self._base[span.function]
        return self._words[span.function][first : first + span.count]
