"""Evidence charts of units: grid, state and temperature beside power."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from collectors.columns import STATES
from rules.finding import Finding
from triage.figures import day_text
from triage.report.picking import (
    Window,
    brightest_day,
    day_number,
    iso_day,
    members,
    units_of,
    window,
)
from triage.report.traces import (
    Figure,
    Floats,
    at_panel,
    figure,
    level,
    line,
    panels,
    quantiles,
    time_axis,
)
from triage.wording import wording

if TYPE_CHECKING:
    from rules.view import SiteView


from triage.report.evidence_parts import clock_title, days_of, power_traces


def grid_figure(view: SiteView, finding: Finding) -> Figure:
    """Power, grid voltage and state around the beginning, with the permitted window."""
    columns = members(view, finding)
    first = day_number(finding.first_seen)
    part = window(view, first - 1, first + 1)
    units = units_of(view, columns)
    where = time_axis(view.ts[part.cut], part.size, view.site.site)
    others = [u for u in range(len(view.site.units)) if u not in units]
    rows: list[tuple[str, list[Figure]]] = [("Power (W)", power_traces(view, columns, part, {}))]
    volts = _unit_traces(view.ac_voltage_v, units, others, part, where)
    if volts:
        grid = view.site.grid
        for name, value in (("lowest permitted", grid.low_v), ("highest permitted", grid.high_v)):
            if value is not None:
                rows_shown = len(volts[0]["y"])
                volts.append(level(value, name, where, rows_shown))
        rows.append(("Grid voltage (V)", volts))
    hertz = _unit_traces(view.ac_frequency_hz, units, [], part, where, digits=3)
    if hertz and finding.fault == "grid-out-of-range":
        rows.append(("Frequency (Hz)", hertz))
    state = _state_trace(view, units, part, where)
    if state is not None:
        rows.append(("State", [state]))
    layout = panels([title for title, _ in rows], [1.0, *[0.7] * (len(rows) - 1)], clock_title(view))
    data = []
    for n, (title, traces) in enumerate(rows, start=1):
        for trace in traces:
            data.append({**trace, **at_panel(n), "showlegend": n == 1 or trace["meta"] == "limit"})
        if title == "State":
            layout[f"yaxis{n}"].update(tickvals=list(range(len(STATES))), ticktext=list(STATES))
    caption = f"{finding.place} on {days_of(view, part)}: power against siblings, and what was seen of the grid."
    alt = f"{wording(finding.fault).title} of {finding.place}: {finding.why}"
    return figure(data, layout, caption=caption, alt=alt, height=200 + 130 * len(rows))


def heat_figure(view: SiteView, finding: Finding) -> Figure:
    """Power and unit temperature on the brightest day, against the other units."""
    columns = members(view, finding)
    day = brightest_day(view, day_number(finding.first_seen), day_number(finding.last_seen))
    part = window(view, day, day)
    units = units_of(view, columns)
    where = time_axis(view.ts[part.cut], part.size, view.site.site)
    others = [u for u in range(len(view.site.units)) if u not in units]
    layout = panels(["Power (W)", "Unit temperature (°C)"], x_title=clock_title(view))
    warm = _unit_traces(view.temperature_c, units, others, part, where)
    data = [
        *power_traces(view, columns, part, {}),
        *({**t, **at_panel(2), "showlegend": False} for t in warm),
    ]
    caption = f"Power and temperature of {finding.place} on {day_text(iso_day(day))}; grey is the other units."
    alt = f"{wording(finding.fault).title} of {finding.place}: {finding.why}"
    return figure(data, layout, caption=caption, alt=alt, height=430)


def _unit_traces(values: Floats, units: list[int], others: list[int], part: Window, where: Figure, digits: int = 1) -> list[Figure]:
    """Mean over the finding's units over the median of the others; empty when the column is."""
    own = part.of(values[:, units])
    if not np.isfinite(own).any():
        return []
    traces = []
    if others:
        middle = quantiles(part.of(values[:, others]), 0.5, 0.5)[0]
        traces.append(line("other units, median", "siblings", middle, where, digits=digits))
    traces.append(line("this unit" if len(units) == 1 else "these units", "unit", _row_mean(own), where, digits=digits))
    return traces


def _row_mean(values: Floats) -> Floats:
    there = np.isfinite(values)
    count = there.sum(axis=1)
    return np.where(count > 0, np.where(there, values, 0.0).sum(axis=1) / np.maximum(count, 1), np.nan)


def _state_trace(view: SiteView, units: list[int], part: Window, where: Figure) -> Figure | None:
    codes = view.state[part.cut, units[0]][:: part.size].astype(float)
    codes[codes < 0] = np.nan
    if len(units) > 1 or not np.isfinite(codes).any():
        return None
    trace = line("state", "unit", codes, where)
    trace["line"]["shape"] = "hv"
    return trace
