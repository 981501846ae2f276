"""Numbers as people export them: decimal comma, groups of three, a unit behind the figure."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from collectors.csv_units import UNITS, unit_named

#: Cells that mean "not reported", in lower case.
MISSING: Final = ("", "-", "--", "---", "–", "—", "n/a", "na", "#n/a", "null", "none", "n.a.", "(null)", "?")
_GROUP_SPACES = "[ \u00a0\u2009\u202f'’]"
_GROUPS = re.compile(r"^[+\-]?\d{1,3}([.,]\d{3})+$")
_HAS_SEPARATOR = re.compile(r"^[+\-]?[\d.,]*\d[.,]\d[\d.,]*$|^[+\-]?[.,]\d+$")


@dataclass(frozen=True)
class NumberFormat:
    """Decimal mark, mark between groups of three (or ""), and why."""

    decimal: str = "."
    thousands: str = ""
    why: str = ""


def format_of(cells: Iterable[str], delimiter: str) -> NumberFormat:
    """Find the decimal mark from cells that hold a dot or a comma.

    One cell that can be read in one way only decides; when every cell could be
    read both ways ("1,234"), the delimiter does: a comma cannot be both.
    """
    proofs = {".": 0, ",": 0}
    grouped = {".": 0, ",": 0}
    open_cells = {".": 0, ",": 0}
    for cell in cells:
        text = re.sub(_GROUP_SPACES, "", cell.strip())
        text = re.sub(r"\s*[^\d.,]+$", "", text)
        if not _HAS_SEPARATOR.match(text):
            continue
        marks = [c for c in text if c in ".,"]
        last = marks[-1]
        if len(set(marks)) == 2:
            proofs[last] += 1
            grouped[marks[0]] += 1
        elif len(marks) > 1:
            grouped[last] += bool(_GROUPS.match(text))
        else:
            whole, fraction = text.lstrip("+-").split(last)
            if len(fraction) != 3 or len(whole) > 3 or whole in ("", "0"):
                proofs[last] += 1
            else:
                open_cells[last] += 1
    decimal, why = _decide(proofs, grouped, open_cells, delimiter)
    other = _other(decimal)
    thousands = other if grouped[other] or (open_cells[other] and not proofs[other]) else ""
    return NumberFormat(decimal, thousands, why)


def _decide(proofs: dict[str, int], grouped: dict[str, int], open_cells: dict[str, int], delimiter: str) -> tuple[str, str]:
    if proofs["."] != proofs[","]:
        decimal = "." if proofs["."] > proofs[","] else ","
        return decimal, f"{proofs[decimal]} sampled cells can only be read with '{decimal}' as decimal mark"
    for mark in ".,":
        if grouped[mark]:
            return _other(mark), f"'{mark}' stands between groups of three digits"
    if open_cells[","] and delimiter == ";":
        return ",", "cells hold commas and ';' parts them"
    return ".", "no cell says otherwise"


def _other(mark: str) -> str:
    return "," if mark == "." else "."


def parse_numbers(
    cells: Any, form: NumberFormat, missing: Sequence[str] = (), unit: str = ""
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Values in our units (NaN for empty or wrong), and which cells hold something that is no number.

    Parameters
    ----------
    cells : Arrow array of strings.
    unit : unit of the column as written; a unit behind a figure overrules it.
    """
    text = pc.utf8_trim_whitespace(cells)
    empty = pc.is_in(pc.utf8_lower(text), value_set=pa.array([*MISSING, *(m.strip().lower() for m in missing)], text.type))
    text = pc.if_else(empty, pa.scalar(None, text.type), text)
    values = _cast(text) if form.decimal == "." and not form.thousands else None
    factor: NDArray[np.float64] | None = None
    if values is None and form.decimal != "." and not _any(text, "."):
        values = _cast(pc.replace_substring(text, form.decimal, "."))
    if values is None and form.decimal == "." and form.thousands and not _any(text, form.thousands):
        values = _cast(text)
    if values is None:
        text, factor, offset = _normal(text, form, unit)
        values = _cast(text)
        assert values is not None  # only what the pattern let through is left
    blank = empty.to_numpy(zero_copy_only=False)
    with np.errstate(over="ignore"):
        wrong = ~np.isfinite(values) & ~blank
    values[wrong] = np.nan
    if factor is None:
        if unit:
            values = values * UNITS[unit].factor + UNITS[unit].offset
        return values, wrong
    return values * factor + offset, wrong


def _any(text: Any, sign: str) -> bool:
    return bool(pc.any(pc.match_substring(text, sign)).as_py())


def _cast(text: Any) -> NDArray[np.float64] | None:
    try:
        return np.array(pc.cast(text, pa.float64()).to_numpy(zero_copy_only=False), np.float64)
    except pa.ArrowInvalid:
        return None


def _normal(text: Any, form: NumberFormat, unit: str) -> tuple[Any, NDArray[np.float64], NDArray[np.float64]]:
    """Plain decimal text (None where it is no number), and factor and offset by the unit in each cell."""
    text = pc.replace_substring_regex(text, rf"(\d){_GROUP_SPACES}(\d)", r"\1\2")
    text = pc.replace_substring_regex(text, rf"(\d){_GROUP_SPACES}(\d)", r"\1\2")
    text = pc.replace_substring(text, "\u2212", "-")
    d, t = re.escape(form.decimal), re.escape(form.thousands)
    whole = rf"(?:\d{{1,3}}(?:{t}\d{{3}})+|\d+)" if t else r"\d+"
    number = rf"[+\-]?(?:{whole}(?:{d}\d*)?|{d}\d+)(?:[eE][+\-]?\d{{1,3}})?"
    parts = pc.extract_regex(text, rf"^(?P<n>{number})\s*(?P<u>[^\d\s.,+\-][^\s]*)?$")
    figures = pc.if_else(pc.is_valid(parts), pc.struct_field(parts, "n"), pa.scalar(None, pa.string()))
    if t:
        figures = pc.replace_substring(figures, form.thousands, "")
    if form.decimal != ".":
        figures = pc.replace_substring(figures, form.decimal, ".")
    suffixes = pc.dictionary_encode(pc.struct_field(parts, "u"))
    names = suffixes.dictionary.to_pylist()
    factors, offsets = np.empty(len(names) + 1), np.zeros(len(names) + 1)
    for k, name in enumerate([*names, ""]):
        written = unit_named(name) if name else unit
        known = written is not None
        factors[k] = UNITS[written].factor if written else (1.0 if known else np.nan)
        offsets[k] = UNITS[written].offset if written else 0.0
    codes = pc.fill_null(suffixes.indices, len(names)).to_numpy(zero_copy_only=False)
    # A figure with a word that is no unit is not a number.
    strange = np.isnan(factors)[codes]
    if strange.any():
        figures = pc.if_else(pa.array(strange), pa.scalar(None, pa.string()), figures)
    return figures, np.nan_to_num(factors, nan=1.0)[codes], offsets[codes]
