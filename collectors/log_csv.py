"""Gateway log from a CSV."""

from __future__ import annotations

import io

import numpy as np
import pandas as pd

from collectors.columns import EVENT_COLUMNS
from collectors.csv_reading import Reading
from collectors.csv_source import Source
from collectors.errors import ReadingError
from collectors.site import SiteDescription


def read_log(source: Source, site: SiteDescription) -> Reading:  # noqa: ARG001 - as the other readers
    """Read one gateway log."""
    try:
        table = pd.read_csv(io.BytesIO(source.bytes()), dtype=str, keep_default_na=False)
        stamps = pd.to_datetime(table["timestamp"], utc=True, format="ISO8601")
        frame = table.reindex(columns=list(EVENT_COLUMNS), fill_value="")
    except (ValueError, KeyError) as exc:
        raise ReadingError(f"{source.name}: {exc}", "Use the canonical columns.") from exc
    frame.insert(0, "ts", stamps.astype("datetime64[s, UTC]").astype(np.int64))
    return Reading(source.name, "log", frame.sort_values("ts", ignore_index=True), len(frame))
