"""CSV that a spreadsheet cannot be tricked by.

A text cell that begins like a formula gets an apostrophe in front (OWASP, "CSV
Injection": ``= + - @``, tab and carriage return, and their full-width forms;
from memory). Numbers stay numbers, negative ones too.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from typing import Any, Final

import pandas as pd

from collectors.columns import CSV_HEADER

_STARTS: Final = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")


def safe_cell(value: Any) -> Any:
    """The value as it may stand in a cell."""
    if not isinstance(value, str) or not value.lstrip(" ").startswith(_STARTS):
        return value
    return f"'{value}"


def to_csv(header: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    """Rows as CSV text, every text cell safe."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow([safe_cell(name) for name in header])
    writer.writerows([safe_cell(cell) for cell in row] for row in rows)
    return out.getvalue()


def canonical_csv(frame: pd.DataFrame) -> str:
    """A canonical telemetry frame in the plain exchange form, which `callout import` reads back."""
    out = frame.drop(columns="ts")
    out.insert(0, "timestamp", pd.to_datetime(frame["ts"], unit="s", utc=True).dt.strftime("%Y-%m-%dT%H:%M:%SZ"))
    out["unit"] = out["unit"].map(safe_cell)
    return out.to_csv(index=False, columns=list(CSV_HEADER))
