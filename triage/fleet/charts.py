"""Charts of the fleet page as plotly JSON: plain dicts, so that writing a page loads no plotting library.

Colours are from Okabe and Ito's set for the colour-blind ("Color Universal
Design", 2008; values from memory); marker shape and name say the same.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import cos, radians
from typing import Any, Final

from triage.fleet.ages import BANDS
from triage.fleet.overview import FleetOverview
from triage.fleet.summary import SiteSummary
from triage.wording import wording

Figure = dict[str, Any]

_BLUE, _ORANGE, _GREEN, _GREY, _PURPLE = "#0072B2", "#D55E00", "#00805E", "#737373", "#A8568B"
_GRID: Final = "rgba(128,128,128,0.28)"
_AGE_COLOURS: Final = (_BLUE, _GREEN, "#B87A00", _PURPLE, _GREY)
_AGE_PATTERNS: Final = ("", "/", "x", "-", ".")


def place_chart(summaries: Sequence[SiteSummary], fleet: FleetOverview) -> Figure | None:
    """Every site at its coordinates: due for a visit (with its round), silent, or neither."""
    placed = [s for s in summaries if s.latitude is not None and s.longitude is not None]
    if not placed:
        return None
    due = {v.site_id: v for v in fleet.visits}
    silent = {s.site_id for s in fleet.silent}
    calm = [s for s in placed if s.site_id not in due and s.site_id not in silent]
    kinds: list[tuple[str, list[SiteSummary], str, str, int]] = [
        ("nothing due", calm, _GREY, "circle", 6),
        ("nobody hears from it", [s for s in placed if s.site_id in silent], _PURPLE, "circle-open", 19),
        ("visit due", [s for s in placed if s.site_id in due], _ORANGE, "diamond", 11),
    ]
    data = []
    for name, sites, colour, symbol, size in kinds:
        if not sites:
            continue
        rounds = [due[s.site_id].group if s.site_id in due else None for s in sites]
        data.append(
            {
                "type": "scatter",
                "mode": "markers+text" if name == "visit due" and len(sites) <= 60 else "markers",
                "name": name,
                "showlegend": True,  # also when it is the only one
                "x": [s.longitude for s in sites],
                "y": [s.latitude for s in sites],
                "text": [str(r or "") for r in rounds],
                "textposition": "top center",
                "hovertext": [f"{s.name or s.site_id}: {s.answer}" for s in sites],
                "hoverinfo": "text",
                "marker": {"color": colour, "symbol": symbol, "size": size, "line": {"width": 2}},
            }
        )
    middle = sum(s.latitude or 0.0 for s in placed) / len(placed)
    layout = _layout("degrees east", "degrees north", 440)
    # One degree of longitude is shorter than one of latitude by the cosine of the latitude.
    layout["yaxis"] |= {
        "scaleanchor": "x",
        "scaleratio": round(1 / max(cos(radians(middle)), 0.05), 3),
        # On a phone the sheet is taller than the earth: the axis ends at the poles.
        "minallowed": -90,
        "maxallowed": 90,
        "constrain": "domain",
    }
    layout["hovermode"] = "closest"
    return {"data": data, "layout": layout}


def fault_chart(fleet: FleetOverview) -> Figure | None:
    """Live findings by fault, each bar cut by the age of the site."""
    rows = [r for r in fleet.faults if r.live][:14][::-1]
    if not rows:
        return None
    bands = [*(name for _, name in BANDS), "age unknown"]
    data = [
        {
            "type": "bar",
            "orientation": "h",
            "name": band,
            "y": [wording(r.fault).title for r in rows],
            "x": [r.by_age.get(band, 0) for r in rows],
            "marker": {
                "color": colour,
                "pattern": {"shape": pattern, "fillmode": "overlay", "fgcolor": "#fff", "solidity": 0.25},
            },
        }
        for band, colour, pattern in zip(bands, _AGE_COLOURS, _AGE_PATTERNS, strict=True)
        if any(band in r.by_age for r in rows)
    ]
    layout = _layout("live findings", "", 120 + 30 * len(rows))
    layout["legend"] |= {"traceorder": "normal"}  # the youngest first, as the bars are cut
    return {"data": data, "layout": layout | {"barmode": "stack"}}


def peer_chart(fleet: FleetOverview) -> Figure | None:
    """Performance of every site in a row of its peers."""
    if not fleet.peers:
        return None
    groups = sorted({p.peers for p in fleet.peers})
    data = []
    for name, chosen, colour, symbol in (
        ("within its peers", [p for p in fleet.peers if not p.behind], _BLUE, "circle-open"),
        ("behind its peers", [p for p in fleet.peers if p.behind], _ORANGE, "diamond"),
    ):
        if chosen:
            data.append(
                {
                    "type": "scatter",
                    "mode": "markers",
                    "name": name,
                    "x": [round(p.performance, 3) for p in chosen],
                    "y": [p.peers for p in chosen],
                    "hovertext": [f"{p.site_id}: {p.performance:.2f}, peers {p.peer_median:.2f}" for p in chosen],
                    "hoverinfo": "text",
                    "marker": {"color": colour, "symbol": symbol, "size": 9},
                }
            )
    layout = _layout("performance, see the basis in the table", "", 140 + 28 * len(groups))
    layout["hovermode"] = "closest"
    layout["yaxis"] |= {"type": "category", "categoryorder": "array", "categoryarray": groups[::-1]}
    return {"data": data, "layout": layout}


def _layout(x: str, y: str, height: int) -> Figure:
    axis = {"gridcolor": _GRID, "zerolinecolor": _GRID, "automargin": True}
    return {
        "height": height,
        "margin": {"l": 8, "r": 16, "t": 12, "b": 40},
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "font": {"size": 13, "color": "#808080"},
        "legend": {"orientation": "h", "y": 1.02, "yanchor": "bottom", "x": 0},
        "xaxis": {**axis, "title": {"text": x}},
        "yaxis": {**axis, "title": {"text": y}},
    }
