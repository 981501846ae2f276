"""Weather from a CSV."""

from __future__ import annotations

import io

import numpy as np
import pandas as pd

from collectors.columns import WEATHER_COLUMNS
from collectors.csv_reading import Reading
from collectors.csv_source import Source
from collectors.errors import ReadingError
from collectors.site import SiteDescription


def read_weather(source: Source, site: SiteDescription) -> Reading:
    """Read one table of weather."""
    try:
        table = pd.read_csv(io.BytesIO(source.bytes()))
        stamps = pd.to_datetime(table["timestamp"], utc=True, format="ISO8601")
        frame = table.reindex(columns=list(WEATHER_COLUMNS)).astype(np.float64)
    except (ValueError, KeyError) as exc:
        raise ReadingError(f"{source.name}: {exc}", "Use the canonical columns.") from exc
    plane = next(iter(site.planes)) if len(site.planes) == 1 else ""
    frame.insert(0, "plane", table["plane"].astype(str) if "plane" in table else plane)
    frame.insert(0, "ts", stamps.astype("datetime64[s, UTC]").astype(np.int64))
    return Reading(source.name, "weather", frame.sort_values(["ts", "plane"], ignore_index=True), len(frame))
