"""From bytes to text: byte-order marks, UTF-16 with or without one, UTF-8, and the Western code page."""

from __future__ import annotations

import codecs

from collectors.errors import ReadingError

_MARKS = (
    (codecs.BOM_UTF8, "utf-8", "UTF-8 with a byte-order mark"),
    (codecs.BOM_UTF32_LE, "utf-32", "UTF-32"),
    (codecs.BOM_UTF32_BE, "utf-32", "UTF-32"),
    (codecs.BOM_UTF16_LE, "utf-16", "UTF-16 little-endian"),
    (codecs.BOM_UTF16_BE, "utf-16", "UTF-16 big-endian"),
)
_REMEDY = "Export the file again as CSV in UTF-8, or name its encoding in a layout file."


def decode(data: bytes, name: str, encoding: str | None = None) -> tuple[str, str]:
    """Text with ``\\n`` line ends, and how it was encoded.

    Parameters
    ----------
    encoding : from a layout file; None to find out.

    Raises
    ------
    ReadingError : not text.
    """
    codec, label = (encoding, encoding) if encoding else _guess(data)
    try:
        text = data.decode(codec)
    except UnicodeDecodeError as exc:
        line = data.count(b"\n", 0, exc.start) + 1
        raise ReadingError(f"{name}: line {line}: not {label} text: {exc.reason}", _REMEDY) from exc
    except LookupError as exc:
        raise ReadingError(f"{name}: no such encoding: {encoding}", _REMEDY) from exc
    text = text.removeprefix("\ufeff")
    if "\x00" in text:
        line = text.count("\n", 0, text.index("\x00")) + 1
        raise ReadingError(f"{name}: line {line}: holds zero bytes, so this is not a text table", _REMEDY)
    return text.replace("\r\n", "\n").replace("\r", "\n"), label


def _guess(data: bytes) -> tuple[str, str]:
    for mark, codec, label in _MARKS:
        if data.startswith(mark):
            return codec, label
    sample = data[:4096]
    # ASCII written as UTF-16 has a zero in every other byte.
    if sample.count(0) > len(sample) // 4:
        if sample[1::2].count(0) > sample[::2].count(0):
            return "utf-16-le", "UTF-16 little-endian without a mark"
        return "utf-16-be", "UTF-16 big-endian without a mark"
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return "cp1252", "Western code page (not UTF-8)"
    return "utf-8", "UTF-8"
