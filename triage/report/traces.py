"""Arrays to plotly's JSON form: plain dicts, small and free of scripts.

A figure is ``{"data": [...], "layout": {...}}``; ``layout.meta`` carries its
``caption`` and ``alt`` text. A trace's ``meta`` names its role; ``charts.js``
colours roles for the light and the dark page, :data:`ROLE_COLOURS` are for
everyone else. The colours are from Okabe and Ito's set for the colour-blind
("Color Universal Design", 2008; values from memory), and no meaning hangs on
colour alone: dash, marker and name tell the same.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from collectors.site import SiteFacts
from triage.figures import day_text

Figure = dict[str, Any]
Floats = NDArray[np.floating[Any]]

ROLE_COLOURS: Final[dict[str, str]] = {
    "input": "#0072B2",
    "siblings": "#737373",
    "band": "rgba(115,115,115,0.25)",
    "expected": "#B87A00",
    "limit": "#D55E00",
    "unit": "#00805E",
    "other": "#A8568B",
    "spell": "rgba(213,94,0,0.10)",
}
#: Shares from 0 to 100 %: what is missing stands out, what is whole recedes. Lightness
#: falls all the way, so the order holds for every kind of sight.
SHARES: Final = [[0.0, "#7A2B00"], [0.5, "#E09A62"], [1.0, "#E3E6EA"]]
_TICKS: Final = [
    {"dtickrange": [None, 86_399_999], "value": "%H:%M\n%-d %b %Y"},
    {"dtickrange": [86_400_000, None], "value": "%-d %b\n%Y"},
]
_GRID: Final = "rgba(128,128,128,0.28)"


def numbers(values: Any, digits: int = 1) -> list[float | int | None]:
    """JSON numbers, rounded; NaN becomes None (a gap in the line)."""
    rounded = np.round(np.asarray(values, dtype=float), digits)
    if digits <= 0:
        return [None if v != v else int(v) for v in rounded.tolist()]
    return [None if v != v else v for v in rounded.tolist()]


def block_mean(values: Floats, size: int) -> Floats:
    """Mean of what is there over blocks of ``size`` rows; NaN where a block is empty."""
    if size <= 1:
        return values
    rows = -(-len(values) // size)
    padded = np.full((rows * size, *values.shape[1:]), np.nan)
    padded[: len(values)] = values
    blocks = padded.reshape(rows, size, *values.shape[1:])
    there = np.isfinite(blocks)
    count = there.sum(axis=1)
    total = np.where(there, blocks, 0.0).sum(axis=1)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def quantiles(values: Floats, low: float, high: float) -> tuple[Floats, Floats]:
    """Two quantiles over columns of what is there; NaN where nothing is.

    As ``numpy.nanquantile`` with linear interpolation, which loops over rows.
    """
    ordered = np.sort(values, axis=1)  # NaN goes last
    count = np.isfinite(ordered).sum(axis=1)

    def at(share: float) -> Floats:
        place = np.maximum(count - 1, 0) * share
        below = np.floor(place).astype(np.int64)
        above = np.minimum(below + 1, np.maximum(count - 1, 0))
        lower, upper = (np.take_along_axis(ordered, n[:, None], axis=1)[:, 0] for n in (below, above))
        return np.where(count > 0, lower + (place - below) * (upper - lower), np.nan)

    return at(low), at(high)


def wall_clock(ts: NDArray[np.int64], facts: SiteFacts) -> pd.DatetimeIndex:
    """Local times at the site, without zone: what plotly's date axes draw as they are."""
    return pd.to_datetime(ts, unit="s", utc=True).tz_convert(facts.timezone).tz_localize(None)


def time_axis(ts: NDArray[np.int64], size: int, facts: SiteFacts) -> Figure:
    """``x`` of blocks of ``size`` samples: start and step where the clock allows it, else every stamp."""
    local = wall_clock(ts[::size], facts)
    steps = np.diff(local.to_numpy())
    if len(steps) and (steps == steps[0]).all():
        return {"x0": f"{local[0]:%Y-%m-%d %H:%M}", "dx": int(steps[0] / np.timedelta64(1, "ms"))}
    return {"x": local.strftime("%Y-%m-%d %H:%M").tolist()}


def line(name: str, role: str, y: Any, where: Figure, *, digits: int = 0, **changes: Any) -> Figure:
    """One line trace; ``where`` is its x."""
    dash = {"siblings": "dash", "expected": "dot", "limit": "dashdot"}.get(role, "solid")
    style = {"color": ROLE_COLOURS[role], "width": 2 if role == "input" else 1.5, "dash": dash}
    trace = {"type": "scatter", "mode": "lines", "name": name, "meta": role, "line": style}
    return {**trace, **where, "y": numbers(y, digits), **changes}


def band(name: str, low: Any, high: Any, where: Figure, **changes: Any) -> list[Figure]:
    """Two traces with the space between them filled."""
    bare = {"type": "scatter", "mode": "lines", "meta": "band", "line": {"width": 0}, "hoverinfo": "skip"}
    base = {**bare, **where, "y": numbers(low, 0), "showlegend": False, "name": f"{name}, low", **changes}
    top = {**bare, **where, "y": numbers(high, 0), "name": name, "fill": "tonexty", **changes}
    return [base, {**top, "fillcolor": ROLE_COLOURS["band"]}]


def level(value: float, text: str, where: Figure, count: int, **changes: Any) -> Figure:
    """A horizontal limit line along the same x."""
    if "x" in where:
        ends = {"x": [where["x"][0], where["x"][-1]]}
    else:
        ends = {"x0": where["x0"], "dx": where["dx"] * max(count - 1, 1)}
    return line(text, "limit", [value, value], ends, digits=1, **changes)


#: Pixels between tick labels and an axis title; without it plotly sets the title over the figure's edge.
_STANDOFF: Final = 6


def panels(titles: Sequence[str], heights: Sequence[float] | None = None, x_title: str = "") -> Figure:
    """Layout with panels stacked from the top, each with its y title (quantity and unit).

    Their x axes show time; ``x_title`` stands under the last.
    """
    heights = heights or [1.0] * len(titles)
    gap = 0.16 if len(titles) > 1 else 0.0
    unit = (1.0 - gap * (len(titles) - 1)) / sum(heights)
    layout: Figure = {}
    top = 1.0
    for n, (title, height) in enumerate(zip(titles, heights, strict=True), start=1):
        bottom = top - unit * height
        number = "" if n == 1 else str(n)
        layout[f"yaxis{number}"] = {
            "title": {"text": title, "standoff": _STANDOFF},
            "domain": [round(max(bottom, 0.0), 3), round(top, 3)],
            "gridcolor": _GRID,
            "zerolinecolor": _GRID,
            "automargin": True,
        }
        layout[f"xaxis{number}"] = {
            "anchor": f"y{number}",
            "gridcolor": _GRID,
            "automargin": True,
            "tickformatstops": _TICKS,
            **({"title": {"text": x_title, "standoff": _STANDOFF}} if n == len(titles) and x_title else {}),
        }
        top = bottom - gap
    return layout


def day_ticks(days: Sequence[str]) -> Figure:
    """Ticks of an axis of days (ISO): of a few, each by its name, where plotly would mark hours."""
    return {"tickvals": list(days), "ticktext": [day_text(d) for d in days]} if len(days) < 4 else {}


def number_axis(title: str) -> Figure:
    """First panel's x axis when it doesn't show time."""
    return {"anchor": "y", "gridcolor": _GRID, "automargin": True, "title": {"text": title, "standoff": _STANDOFF}}


def at_panel(n: int) -> Figure:
    """Axis keys of the n-th panel, from 1."""
    return {} if n == 1 else {"xaxis": f"x{n}", "yaxis": f"y{n}"}


def figure(data: list[Figure], layout: Figure, *, caption: str, alt: str, height: int = 320) -> Figure:
    """A whole figure with the layout all share."""
    common = {
        "height": height,
        "margin": {"l": 56, "r": 16, "t": 12, "b": 40},
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "font": {"size": 13},
        "legend": {"orientation": "h", "y": 1.02, "yanchor": "bottom", "x": 0},
        "hovermode": "x unified",
        "meta": {"caption": caption, "alt": alt},
    }
    return {"data": data, "layout": {**common, **layout}}


def figure_table(fig: Figure, rows: int = 24) -> tuple[list[str], list[list[str]]]:
    """The numbers of a figure's first panel as a table: header and at most ``rows`` rows.

    For readers who can't see the chart. Lines are averaged down to the rows,
    a map is given by the mean of each of its rows.
    """
    heat = next((t for t in fig["data"] if t["type"] == "heatmap"), None)
    if heat is not None:
        header = ["Row", f"Mean, {heat.get('meta', '%')}"]
        means = [[v for v in row if v is not None] for row in heat["z"]]
        named = zip(heat["y"], means, strict=True)
        body = [[str(y), f"{sum(m) / len(m):.0f}" if m else "no data"] for y, m in named]
        return header, body
    traces = [t for t in fig["data"] if t.get("xaxis", "x") == "x" and t["meta"] not in ("limit",)]
    traces = [t for t in traces if len(t["y"]) == len(traces[0]["y"])]
    size = -(-len(traces[0]["y"]) // rows)
    times = _x_values(traces[0])[::size]
    columns = [block_mean(np.array(t["y"], dtype=float), size).tolist() for t in traces]
    header = ["Time or place", *(t["name"] for t in traces)]
    return header, [[str(x), *("" if v != v else f"{v:.4g}" for v in values)] for x, *values in zip(times, *columns, strict=True)]


def _x_values(trace: Figure) -> list[Any]:
    if "x" in trace:
        return list(trace["x"])
    start = np.datetime64(trace["x0"].replace(" ", "T"), "ms")
    stamps = start + np.arange(len(trace["y"])) * np.timedelta64(int(trace["dx"]), "ms")
    return [str(s)[:16].replace("T", " ") for s in stamps]
