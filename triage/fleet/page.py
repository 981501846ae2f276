"""The fleet as one HTML file that opens without a network."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import datetime
from functools import cache
from importlib.resources import files
from typing import Any, Final, cast

from jinja2 import Environment, PackageLoader, select_autoescape
from markupsafe import Markup

from triage import figures
from triage.fleet import charts
from triage.fleet.overview import (
    LOW_COMPLETENESS,
    REPEAT_COUNT,
    REPEAT_WINDOW,
    SILENT_AFTER,
    FleetOverview,
)
from triage.fleet.summary import SiteSummary
from triage.telling import amount
from triage.wording import cautions, wording

#: Rows of a table before the rest is only counted; `--json` has them all.
ROWS: Final = 25


def fleet_page(summaries: Sequence[SiteSummary], fleet: FleetOverview, now: datetime) -> str:
    """HTML of the fleet page.

    Parameters
    ----------
    summaries : of every site, as given to :func:`triage.fleet.overview.overview`.
    fleet : that overview.
    now : aware time that stands on the page.
    """
    drawn = fleet_figures(summaries, fleet)
    return _environment().get_template("fleet.html").render(
        **_said(summaries, fleet, now, drawn),
        figures=_script_json({name: drawing for name, (drawing, _) in drawn.items()}),
        plotly=_plotly() if drawn else "",
        themed=Markup((files("triage.report") / "static" / "themed.js").read_text("utf-8")),
    )  # fmt: skip


def fleet_sections(
    summaries: Sequence[SiteSummary],
    fleet: FleetOverview,
    now: datetime,
    *,
    site_root: str,
    chart_root: str,
    library: str,
) -> Markup:
    """The same as a part of another page, which brings its own styles and loads its charts.

    Parameters
    ----------
    site_root, chart_root : addresses to which a site's id, a figure's name is added.
    library : address of the chart library.
    """
    values = _said(summaries, fleet, now, fleet_figures(summaries, fleet))
    template = _environment().get_template("sections.html")
    return Markup(template.render(**values, site_root=site_root, chart_root=chart_root, library=library))


def fleet_figures(summaries: Sequence[SiteSummary], fleet: FleetOverview) -> dict[str, tuple[charts.Figure, str]]:
    """Each figure that has something to show, and what it shows."""
    drawings = {
        "place": (charts.place_chart(summaries, fleet), "Sites at their coordinates; numbers are rounds"),
        "faults": (charts.fault_chart(fleet), "Live findings by fault, cut by age of the site"),
        "peers": (charts.peer_chart(fleet), "Performance of every site in a row with its peers"),
    }
    return {name: (drawing, told) for name, (drawing, told) in drawings.items() if drawing}


def _said(
    summaries: Sequence[SiteSummary],
    fleet: FleetOverview,
    now: datetime,
    drawn: dict[str, tuple[charts.Figure, str]],
) -> dict[str, Any]:
    due = {v.site_id for v in fleet.visits}
    visiting = [f for s in summaries if s.site_id in due for f in s.live if f.action == "visit"]
    return {
        "fleet": fleet,
        "names": {s.site_id: s.name or s.site_id for s in summaries},
        "headline": fleet.headline,
        "now": now.strftime("%Y-%m-%d %H:%M %Z"),
        "cautions": cautions(cast(Any, visiting)),
        "charts": {name: told for name, (_, told) in drawn.items()},
        "rows": ROWS,
        "limits": {
            "silent": SILENT_AFTER,
            "low": LOW_COMPLETENESS,
            "repeats": REPEAT_COUNT,
            "window": REPEAT_WINDOW,
        },
    }


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("triage.fleet"),
        autoescape=select_autoescape(default=True, default_for_string=True),
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {
        "energy": figures.energy,
        "loss": amount,
        "silence": figures.silence,
        "percent": figures.percent,
        "title": lambda fault: wording(fault).title,
        "model": lambda counts: ", ".join(f"{name}: {n}" for name, n in list(counts.items())[:4]),
        "ratio": lambda value: f"{value:.2f}" if value < 1 else f"{value:.1f}",
    }
    return environment


@cache
def _plotly() -> Markup:
    # Ours to trust: it comes with the plotly package, and </script> doesn't occur in it.
    text = (files("plotly") / "package_data" / "plotly.min.js").read_text("utf-8")
    return Markup(text)


def _script_json(value: object) -> Markup:
    """JSON that is safe inside a script element: names come from site files."""
    text = json.dumps(value, separators=(",", ":"))
    return Markup(text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026"))
