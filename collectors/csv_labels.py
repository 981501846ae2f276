"""Which unit and input a text names: a cell of a serial column, or a header in a wide table."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cached_property
from typing import NamedTuple

from collectors.csv_words import plain
from collectors.site import SiteDescription

_INPUT_WORDS = (
    r"(?:input|channel|mppt|tracker|port|string|module|panel|eingang|entrada|canal|entree|ingresso"
    r"|pv|dc|ch|in|m)"
)
_NUMBERED = re.compile(rf"(?:^|[^a-z]){_INPUT_WORDS}[\s_#./:\-]*(\d{{1,2}})(?!\d)", re.IGNORECASE)
_AFTER_SERIAL = re.compile(r"^[\s/_.:#\-(\[]*(\d{1,2})(?![\d])")
_LETTER = re.compile(r"^[\s/_.:#\-(\[]*([A-Da-d])(?![A-Za-z0-9])")
_SYMBOL = re.compile(r"(?:^|[\s_])(?:[uvip](?:_?(?:dc|pv|mpp|in))?|(?:dc|pv)_?[uvip])_?(\d{1,2})(?!\d)", re.IGNORECASE)
_TRAILING = re.compile(r"[a-zA-Z)\]][\s_#\-]*(\d{1,2})\s*$")


class Label(NamedTuple):
    """What a text names: a serial of the site file, an input number if it has one, and the text left over."""

    serial: str
    input: int | None
    rest: str


class Labels:
    """Finds serials of a site in texts.

    Parameters
    ----------
    aliases : other names for a serial, from a layout file.
    """

    def __init__(self, site: SiteDescription, aliases: Mapping[str, str] | None = None) -> None:
        self._serials = {unit.serial: unit.serial for unit in site.units}
        self._serials.update(aliases or {})
        self._inputs = {unit.serial: sorted(i.input for i in unit.inputs) for unit in site.units}

    def inputs_of(self, serial: str) -> list[int]:
        return self._inputs.get(serial, [])

    @cached_property
    def _exact(self) -> dict[str, str]:
        return {name.strip().lower(): serial for name, serial in self._serials.items()}

    @cached_property
    def _pattern(self) -> re.Pattern[str]:
        names = sorted(self._serials, key=len, reverse=True)
        return re.compile(r"(?<![A-Za-z0-9])(" + "|".join(re.escape(n) for n in names) + r")(?![A-Za-z0-9])", re.IGNORECASE)

    @cached_property
    def _bare(self) -> dict[str, str]:
        """Serials without leading zeros, where that leaves them distinct: spreadsheets drop zeros."""
        counts: dict[str, list[str]] = {}
        for name, serial in self._serials.items():
            counts.setdefault(name.lower().lstrip("0"), []).append(serial)
        return {bare: serials[0] for bare, serials in counts.items() if len(serials) == 1 and bare}

    def find(self, text: str) -> Label | None:
        """The serial in a text, or None."""
        text = text.strip().strip("'\"=")
        if serial := self._exact.get(text.lower()):
            return Label(serial, None, "")
        match = self._pattern.search(text)
        if match:
            serial = self._exact[match.group(1).lower()]
            before, after = text[: match.start()], text[match.end() :]
            number, after = _number_after(after)
            rest = f"{before} {after}".strip()
            if number is None:
                number, rest = number_in(rest)
            return Label(serial, number, rest)
        whole = re.sub(r"\.0$", "", text).lower()
        if serial := self._exact.get(whole) or self._bare.get(whole.lstrip("0")):
            return Label(serial, None, "")
        return None


def _number_after(text: str) -> tuple[int | None, str]:
    """An input number right behind a serial ("A17-2", "A17/B"), and the text without it."""
    if match := _AFTER_SERIAL.match(text):
        return int(match.group(1)), text[match.end() :].lstrip(")] ")
    if match := _LETTER.match(text):
        letter = match.group(1)
        # "A17 A" is amperes more often than input A: only a joined letter counts.
        if not text.startswith(" ") and not text.startswith(("(", "[", "_")):
            return ord(letter.upper()) - ord("A") + 1, text[match.end() :]
    return None, text


def number_in(text: str) -> tuple[int | None, str]:
    """An input number in a header ("MPPT 2 voltage", "U2", "power_1"), and the text without it."""
    for pattern in (_NUMBERED, _SYMBOL, _TRAILING):
        if match := pattern.search(text):
            return int(match.group(1)), (text[: match.start(1)] + text[match.end(1) :]).strip()
    return None, text


def input_in_cell(text: str) -> int | None:
    """The input number a cell of an input column holds: "2", "2.0", "MPPT 2", "B"."""
    words = plain(text)
    if match := re.fullmatch(r"(\d{1,3})(?: 0+)?", words):
        return int(match.group(1))
    if re.fullmatch(r"[a-d]", words):
        return ord(words) - ord("a") + 1
    match = re.fullmatch(r"[a-z ]*?(\d{1,2})", words)
    return int(match.group(1)) if match else None
