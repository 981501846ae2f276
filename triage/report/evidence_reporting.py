"""Evidence charts of the record: which readings arrived, when."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rules.finding import Finding
from triage.report.picking import (
    iso_day,
    members,
    units_of,
    view_days,
)
from triage.report.traces import (
    SHARES,
    Figure,
    Floats,
    day_ticks,
    figure,
    number_axis,
    numbers,
    panels,
    wall_clock,
)

if TYPE_CHECKING:
    from rules.view import SiteView


def reporting_figure(view: SiteView, finding: Finding) -> Figure:
    """Share of readings that arrived while the sun was up: by hour and day for one unit, by unit for more."""
    columns = members(view, finding)
    units = units_of(view, columns)
    if len(units) == 1:
        x, y, z = _by_hour(view, columns)
        layout = panels(["Day"])
        layout["xaxis"] = {**number_axis(f"Hour of the day ({view.site.site.timezone})"), "dtick": 3}
        place = f"unit {view.site.units[units[0]].serial}"
        caption = f"Readings of {place} received, by day and hour; empty where the sun was down."
    else:
        x, y, z = _by_unit(view, units)
        layout = panels(["Unit"], x_title="Day")
        layout["yaxis"]["type"] = "category"
        layout["xaxis"] |= day_ticks(x)
        caption = "Readings received of each unit while the sun was up, by day."
    layout["yaxis"] |= {"autorange": "reversed", "tickformat": "%-d %b"}
    layout["hovermode"] = "closest"
    got = np.array([[np.nan if v is None else v for v in row] for row in z], dtype=float)
    seen = f"{np.nanmean(got):.0f} %" if np.isfinite(got).any() else "none"
    alt = f"{seen} of the readings due by daylight arrived."
    height = 180 + (16 if len(units) == 1 else 26) * len(y)
    return figure([_heat(x, y, z)], layout, caption=caption, alt=alt, height=min(max(height, 260), 620))


def _heat(x: list[Any], y: list[Any], z: list[list[float | int | None]]) -> Figure:
    return {
        "type": "heatmap",
        "meta": "% of readings received",
        "x": x,
        "y": y,
        "z": z,
        "zmin": 0,
        "zmax": 100,
        "colorscale": SHARES,
        "xgap": 1,
        "ygap": 1,
        "colorbar": {"title": {"text": "% received"}, "thickness": 12},
        "hovertemplate": "%{y}, %{x}: %{z} % received<extra></extra>",
    }


def _by_hour(view: SiteView, columns: NDArray[np.int64]) -> tuple[list[Any], list[Any], list[Any]]:
    """Share received of one unit, [day, hour]."""
    stamps = wall_clock(view.ts, view.site.site)
    dates = stamps.normalize()
    first = dates[0]
    day = np.asarray((dates - first).days, dtype=np.int64)
    hour = np.asarray(stamps.hour, dtype=np.int64)
    count = int(day.max()) + 1
    z = _share(_any(view, columns), view.sun_elevation_deg, day * 24 + hour, count * 24)
    table = z.reshape(count, 24)
    across, down = (_filled(table, axis) for axis in (0, 1))
    names = [f"{first + pd.Timedelta(days=n):%Y-%m-%d}" for n in range(count)]
    return list(range(24))[across], names[down], [numbers(row, 0) for row in table[down, across]]


def _filled(table: Floats, axis: int) -> slice:
    """From the first to the last row or column that holds anything; all when none does."""
    shown = np.flatnonzero(np.isfinite(table).any(axis=axis))
    return slice(int(shown[0]), int(shown[-1]) + 1) if len(shown) else slice(None)


def _by_unit(view: SiteView, units: list[int]) -> tuple[list[Any], list[Any], list[Any]]:
    """Share received of several units, [unit, solar day]."""
    days, where = np.unique(view_days(view), return_inverse=True)
    rows = []
    for unit in units:
        columns = [ref.index for ref in view.site.inputs if ref.unit_index == unit]
        rows.append(numbers(_share(_any(view, np.array(columns)), view.sun_elevation_deg, where, len(days)), 0))
    return [iso_day(d) for d in days], [view.site.units[u].serial for u in units], rows


def _any(view: SiteView, columns: NDArray[np.int64]) -> NDArray[np.bool_]:
    return np.asarray(view.present[:, columns].any(axis=1), dtype=np.bool_)


def _share(seen: NDArray[np.bool_], elevation: Floats, bins: NDArray[np.int64], count: int) -> Floats:
    """Percent of samples seen per bin with the sun well up (10 degrees); NaN where it never was."""
    up = (elevation > 10.0).astype(float)
    due = np.bincount(bins, up, count)
    got = np.bincount(bins, up * seen, count)
    return np.where(due > 0, 100 * got / np.maximum(due, 1), np.nan)
