"""Register words to numbers: the point types of SunSpec and of declared maps.

Everything works on stacks: an array of words with any leading shape and the
point's words last. "Not implemented" becomes NaN (numbers), -1 (bits) or ""
(text); the sentinels are those of the SunSpec information model specification,
"Not implemented" column of its data type table.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

Words = NDArray[np.uint16]
Order = Literal["big", "little"]
#: 10 to the power of a SunSpec scale factor, which runs from -10 to 10.
_MAX_SCALE_FACTOR = 10
_POWERS = 10.0 ** np.arange(-_MAX_SCALE_FACTOR, _MAX_SCALE_FACTOR + 1)


@dataclass(frozen=True)
class PointType:
    """Size in registers, numpy kind and the raw value that means "not implemented"."""

    words: int
    dtype: str
    sentinel: int | None
    #: A counter that wraps; its span is ``2 ** (16 * words)``.
    counter: bool = False


TYPES: Final[dict[str, PointType]] = {
    "int16": PointType(1, "i2", -0x8000),
    "uint16": PointType(1, "u2", 0xFFFF),
    "count": PointType(1, "u2", 0xFFFF),
    "enum16": PointType(1, "u2", 0xFFFF),
    "bitfield16": PointType(1, "u2", 0xFFFF),
    "sunssf": PointType(1, "i2", -0x8000),
    "pad": PointType(1, "u2", 0x8000),
    "acc16": PointType(1, "u2", 0, counter=True),
    "int32": PointType(2, "i4", -0x80000000),
    "uint32": PointType(2, "u4", 0xFFFFFFFF),
    "enum32": PointType(2, "u4", 0xFFFFFFFF),
    "bitfield32": PointType(2, "u4", 0xFFFFFFFF),
    "acc32": PointType(2, "u4", 0, counter=True),
    "int64": PointType(4, "i8", -0x8000000000000000),
    "uint64": PointType(4, "u8", 0xFFFFFFFFFFFFFFFF),
    "acc64": PointType(4, "u8", 0, counter=True),
    "float32": PointType(2, "f4", None),
    "float64": PointType(4, "f8", None),
}
TEXT: Final = "string"


def _raw(kind: str, words: Words, word_order: Order, byte_order: Order) -> NDArray[np.generic]:
    spec = TYPES[kind]
    if words.shape[-1] != spec.words:
        raise ValueError(f"{kind} takes {spec.words} registers: {words.shape[-1]}")
    if word_order == "little":
        words = words[..., ::-1]
    big = np.ascontiguousarray(words, dtype="<u2" if byte_order == "little" else ">u2")
    return big.view(f">{spec.dtype}")[..., 0]


def decode_number(
    kind: str,
    words: Words,
    *,
    sentinels: tuple[float, ...] | None = None,
    word_order: Order = "big",
    byte_order: Order = "big",
) -> NDArray[np.float64]:
    """Raw value of a numeric point, NaN where not implemented.

    Parameters
    ----------
    kind : a key of :data:`TYPES`.
    words : registers, shape ``[..., size]``.
    sentinels : raw values that mean "not implemented"; None takes the SunSpec
        one. A counter's 0 is a sentinel: "unsupported" and "zero" look alike.
    word_order : "big" when the first register holds the highest bits.
    byte_order : order of the two bytes inside each register.

    Returns
    -------
    Shape ``[...]``. 64-bit integers above 2**53 lose their last bits.
    """
    raw = _raw(kind, words, word_order, byte_order)
    # A signalling NaN or an overflow on the wire is data, not an error of ours.
    with np.errstate(invalid="ignore", over="ignore"):
        value = raw.astype(np.float64)
    missing = ~np.isfinite(value)
    if sentinels is None:
        default = TYPES[kind].sentinel
        if default is not None:
            missing |= raw == np.asarray(default).astype(raw.dtype)
    else:
        for sentinel in sentinels:
            missing |= value == sentinel
    return np.where(missing, np.nan, value)


def decode_bits(kind: str, words: Words, *, word_order: Order = "big", byte_order: Order = "big") -> NDArray[np.int64]:
    """Bits of a bit field (any unsigned type), -1 where not implemented; shape ``[...]``."""
    raw = _raw(kind, words, word_order, byte_order)
    bits = raw.astype(np.int64)
    return np.where(raw == np.asarray(TYPES[kind].sentinel).astype(raw.dtype), -1, bits)


def decode_text(words: Words, *, byte_order: Order = "big") -> str:
    """Text of one point: up to the first NUL, trimmed; bytes that are not printable ASCII become '?'."""
    data = np.ascontiguousarray(words, dtype="<u2" if byte_order == "little" else ">u2").tobytes()
    text = data.split(b"\0", 1)[0].decode("ascii", "replace")
    return "".join(c if c.isprintable() and c != "\ufffd" else "?" for c in text).strip()


def scale_by(value: NDArray[np.float64], factor: NDArray[np.float64]) -> NDArray[np.float64]:
    """``value`` times 10 to the power of a SunSpec scale factor.

    A factor that is not implemented or outside -10..10 (the range of the
    specification) gives NaN: the value's size is then unknown.
    """
    known = np.isfinite(factor) & (np.abs(factor) <= _MAX_SCALE_FACTOR)
    index = np.where(known, factor, 0).astype(np.int64) + _MAX_SCALE_FACTOR
    return np.where(known, value * _POWERS[index], np.nan)


def encode_number(kind: str, value: float | None) -> list[int]:
    """Inverse of :func:`decode_number` with big orders; None gives the sentinel. For simulated gateways."""
    spec = TYPES[kind]
    if spec.sentinel is None:
        raw = np.array([np.nan if value is None else value], dtype=f">{spec.dtype}")
    else:
        number = spec.sentinel if value is None else int(value)
        raw = np.array([number], dtype=f">{spec.dtype}")
    return [int(w) for w in raw.view(">u2")]


def encode_text(text: str, words: int) -> list[int]:
    """Registers of a text point, padded with NUL, cut to size."""
    data = text.encode("ascii", "replace")[: 2 * words].ljust(2 * words, b"\0")
    return [int(w) for w in np.frombuffer(data, dtype=">u2")]
