"""The layout file that a guess amounts to, for a person to correct."""

from __future__ import annotations

from collections import Counter
from typing import Any

from collectors.csv_general import DELIMITER_NAMES
from collectors.csv_layout import Layout
from collectors.csv_reading import Reading


def layout_of(reading: Reading) -> Layout:
    """A layout that reads the same file in the same way, without guessing."""
    signs = {name: sign for sign, name in DELIMITER_NAMES.items()}
    form = reading.format
    file: dict[str, Any] = {
        "delimiter": signs.get(form.get("delimiter", "")),
        "decimal": form.get("decimal mark", ".")[0],
        "thousands": form.get("between thousands", ""),
    }
    time: dict[str, Any] = {}
    written = form.get("times", "")
    if written.startswith(("day, month", "day.month")):
        time["order"] = "dmy"
    elif written.startswith("month, day"):
        time["order"] = "mdy"
    if "local to " in written:
        time["timezone"] = written.rsplit("local to ", 1)[1]
    counts = Counter(column.header for column in reading.columns)
    columns: dict[str, dict[str, Any]] = {}
    for number, column in enumerate(reading.columns, start=1):
        name = column.header if column.header and counts[column.header] == 1 else f"#{number}"
        entry: dict[str, Any] = {"as": column.taken_for, "unit": column.unit}
        if reading.kind == "telemetry":
            entry |= {"serial": column.serial, "input": column.input}
        columns[name] = entry
    return Layout.model_validate({"file": file, "time": time, "columns": columns})
