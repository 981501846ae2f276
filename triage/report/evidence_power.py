"""Evidence charts of power: an input, a unit or the site against siblings and expectation."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from rules.finding import Finding
from triage.figures import day_text, days_text, percent
from triage.report.picking import (
    Window,
    brightest_day,
    daily_ratio,
    day_number,
    iso_day,
    members,
    siblings,
    summed,
    window,
)
from triage.report.traces import (
    ROLE_COLOURS,
    SHARES,
    Figure,
    Floats,
    at_panel,
    figure,
    line,
    number_axis,
    numbers,
    panels,
    quantiles,
    time_axis,
)

if TYPE_CHECKING:
    from rules.view import SiteView


from triage.report.evidence_parts import clock_title, days_of, power_traces


def power_figure(view: SiteView, finding: Finding, *, voltage: bool = False, onset: bool = False) -> Figure:
    """Daily ratio to the siblings over the view; power (and voltage) of a few days of the spell.

    With ``onset`` the days are those around its beginning, else the brightest of it.
    """
    columns = members(view, finding)
    first, last = day_number(finding.first_seen), day_number(finding.last_seen)
    if onset:
        part = window(view, first - 1, first + 1)
    else:
        day = brightest_day(view, first, last)
        part = window(view, day, day)
    volts = voltage and len(columns) == 1 and bool(np.isfinite(view.voltage_v[part.cut, columns[0]]).any())
    titles = ["Share of siblings (%)", "Power (W)", *(["Voltage (V)"] if volts else [])]
    layout = panels(titles, [0.7, 1.0, 0.7][: len(titles)], clock_title(view))
    layout["shapes"] = [_spell(finding)]
    data = [_ratio_trace(view, columns), *power_traces(view, columns, part, at_panel(2))]
    if volts:
        data += _voltage_traces(view, int(columns[0]), part, at_panel(3))
    shown = days_of(view, part)
    ratio = _mean_ratio(view, columns, first, last)
    place = finding.place
    caption = (
        f"Top: daily energy of {place} as a share of its siblings'; the tinted span is the finding's. "
        f"Below: {'power and voltage' if volts else 'power'} on {shown}, grey is the middle half of its "
        "siblings and their typical value."
    )
    span = days_text(finding.first_seen, finding.last_seen)
    alt = f"{place} made {ratio} of its siblings' energy over {span}."
    return figure(data, layout, caption=caption, alt=alt, height=250 + 130 * len(titles))


def shade_figure(view: SiteView, finding: Finding) -> Figure:
    """Mean share of the siblings by sun position, and the brightest day's curve."""
    columns = members(view, finding)
    first, last = day_number(finding.first_seen), day_number(finding.last_seen)
    part = window(view, first, last)
    made, usual = summed(view.power_w, columns)[part.cut], summed(view.typical_w, columns)[part.cut]
    azimuth, elevation = view.sun_azimuth_deg[part.cut], view.sun_elevation_deg[part.cut]
    # Dim light makes ratios of small numbers: a tenth of the best is asked for.
    good = np.isfinite(made) & np.isfinite(usual) & (elevation > 0)
    good &= usual > 0.1 * float(np.nanmax(usual, initial=1.0))
    # Where the sun culminates in the north its path would be torn in two at 0 degrees.
    if len(azimuth) and np.cos(np.radians(azimuth[np.argmax(elevation)])) > 0:
        azimuth = (azimuth + 180) % 360 - 180
    centres_az, centres_el, share = _sun_bins(azimuth[good], elevation[good], made[good], usual[good])
    day = brightest_day(view, first, last)
    layout = panels(["Sun elevation (°)", "Power (W)"], [1.0, 0.9], clock_title(view))
    left, right = centres_az[0] - 5, centres_az[-1] + 5
    ticks = [v for v in range(-180, 361, 45 if right - left > 100 else 15) if left <= v <= right]
    names = {"tickvals": ticks, "ticktext": [_direction(v) for v in ticks], "tickangle": 0}
    layout["xaxis"] = {**number_axis("Sun azimuth (°)"), **names}
    layout["hovermode"] = "closest"
    heat = {
        "type": "heatmap",
        "meta": "% of siblings, by sun elevation",
        "x": centres_az,
        "y": centres_el,
        "z": [numbers(row, 0) for row in share],
        "zmin": 0,
        "zmax": 100,
        "colorscale": SHARES,
        "xgap": 1,
        "ygap": 1,
        "colorbar": {
            "title": {"text": "% of<br>siblings"},
            "len": 0.5,
            "y": 1,
            "yanchor": "top",
            "thickness": 12,
        },
        "hovertemplate": "sun %{y}° high: %{z} % of siblings<extra></extra>",
    }
    data = [heat, *power_traces(view, columns, window(view, day, day), at_panel(2))]
    caption = (
        f"Top: what {finding.place} made as a share of its siblings for each position of the sun, over "
        f"{days_text(finding.first_seen, finding.last_seen)}; shade stands still in this picture, dirt and "
        f"faults do not. Below: {day_text(iso_day(day))}, the brightest of those days."
    )
    return figure(data, layout, caption=caption, alt=_shade_alt(centres_az, centres_el, share), height=560)


def planes_figure(view: SiteView, finding: Finding) -> Figure:
    """The input's day over the typical day of each plane: which does it follow?"""
    columns = members(view, finding)
    day = brightest_day(view, day_number(finding.first_seen), day_number(finding.last_seen))
    part = window(view, day, day)
    where = time_axis(view.ts[part.cut], part.size, view.site.site)
    data = []
    own = view.plane_of[int(columns[0])]
    for plane in dict.fromkeys(view.plane_of):
        group = np.array([i for i, p in enumerate(view.plane_of) if p == plane and i not in columns], np.int64)
        if len(group):
            middle = quantiles(part.of(view.power_w[:, group]), 0.5, 0.5)[0]
            name = f"typical of {plane or 'the site'}" + (" (on file)" if plane == own else "")
            data.append(line(name, "siblings" if plane == own else "other", middle, where))
    for column in columns[:4]:
        label = view.site.inputs[int(column)].label
        data.append(line(label, "input", part.of(view.power_w[:, column]), where))
    layout = panels(["Power (W)"], x_title=clock_title(view))
    caption = f"{finding.place} on {day_text(iso_day(day))} against the typical input of each plane."
    return figure(data, layout, caption=caption, alt=finding.why, height=340)


def expected_figure(view: SiteView, finding: Finding) -> Figure:
    """Site power against expected power over up to three days of the spell."""
    first, last = day_number(finding.first_seen), day_number(finding.last_seen)
    day = brightest_day(view, first, last)
    part = window(view, max(first, day - 1), min(last, day + 1))
    columns = np.arange(len(view.site.inputs))
    where = time_axis(view.ts[part.cut], part.size, view.site.site)
    data = [
        line("expected", "expected", part.of(summed(view.expected_w, columns)), where),
        line("measured", "input", part.of(summed(view.power_w, columns)), where),
    ]
    layout = panels(["Site power (W)"], x_title=clock_title(view))
    caption = f"Measured against expected power of the whole site on {days_of(view, part)}."
    return figure(data, layout, caption=caption, alt=finding.why, height=340)


def _voltage_traces(view: SiteView, column: int, part: Window, panel: Figure) -> list[Figure]:
    where = time_axis(view.ts[part.cut], part.size, view.site.site)
    traces = []
    others = siblings(view, column)
    if len(others):
        middle = quantiles(part.of(view.voltage_v[:, others]), 0.5, 0.5)[0]
        trace = line("siblings, median", "siblings", middle, where, digits=1, **panel)
        traces.append({**trace, "showlegend": False})
    own = line("voltage", "input", part.of(view.voltage_v[:, column]), where, digits=1, **panel)
    return [*traces, {**own, "showlegend": False}]


def _ratio_trace(view: SiteView, columns: NDArray[np.int64]) -> Figure:
    days, ratio = daily_ratio(view, columns)
    where = {"x": [iso_day(d) for d in days]}
    trace = line("share of siblings", "input", 100 * ratio, where, showlegend=False)
    return {**trace, "mode": "lines+markers"}


def _mean_ratio(view: SiteView, columns: NDArray[np.int64], first: int, last: int) -> str:
    days, ratio = daily_ratio(view, columns)
    inside = [r for d, r in zip(days, ratio.tolist(), strict=True) if first <= d <= last and r == r]
    return percent(sum(inside) / len(inside)) if inside else "an unknown share"


def _spell(finding: Finding) -> Figure:
    """A tinted span over the finding's days in the first panel."""
    return {
        "type": "rect", "xref": "x", "yref": "y domain", "y0": 0, "y1": 1, "layer": "below",
        "x0": f"{finding.first_seen} 00:00", "x1": f"{finding.last_seen} 23:59",
        "fillcolor": ROLE_COLOURS["spell"], "line": {"width": 0},
    }  # fmt: skip


def _sun_bins(
    azimuth: Floats, elevation: Floats, made: Floats, usual: Floats, step: float = 5.0
) -> tuple[list[float], list[float], Floats]:
    """Bin centres of azimuth and elevation, and the share in percent [elevation, azimuth]."""
    if not len(azimuth):
        return [180.0], [45.0], np.full((1, 1), np.nan)
    columns = np.floor(azimuth / step).astype(int)
    rows = np.floor(elevation / step).astype(int)
    left, bottom = int(columns.min()), int(rows.min())
    shape = (int(rows.max()) - bottom + 1, int(columns.max()) - left + 1)
    flat = (rows - bottom) * shape[1] + (columns - left)
    size = shape[0] * shape[1]
    total = np.bincount(flat, usual, size)
    share = np.where(total > 0, 100 * np.bincount(flat, made, size) / np.maximum(total, 1e-9), np.nan)
    centres_az = [round((left + n + 0.5) * step, 1) for n in range(shape[1])]
    centres_el = [round((bottom + n + 0.5) * step, 1) for n in range(shape[0])]
    return centres_az, centres_el, np.minimum(share.reshape(shape), 100.0)


def _direction(azimuth_deg: int) -> str:
    """``135°`` and below it ``SE``; the letters only where they are exact."""
    eighth, rest = divmod(azimuth_deg % 360, 45)
    return f"{azimuth_deg % 360}°" + ("" if rest else f"<br>{('N', 'NE', 'E', 'SE', 'S', 'SW', 'W', 'NW')[eighth]}")


def _shade_alt(azimuths: list[float], elevations: list[float], share: Floats) -> str:
    if not np.isfinite(share).any():
        return "No position of the sun had enough light to compare."
    row, column = np.unravel_index(int(np.nanargmin(share)), share.shape)
    azimuth, height = azimuths[int(column)] % 360, elevations[int(row)]
    return (
        f"Lowest with the sun at azimuth {azimuth:.0f}° and {height:.0f}° high: "
        f"{share[row, column]:.0f} % of the siblings; best {np.nanmax(share):.0f} %."
    )
