"""The fleet: what `callout fleet` says, from the index the service keeps."""

from __future__ import annotations

import json
import threading
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Final

from starlette.exceptions import HTTPException
from starlette.responses import Response
from starlette.routing import Route

from triage.csvout import to_csv
from triage.fleet.charts import Figure
from triage.fleet.overview import FleetOverview, overview
from triage.fleet.page import fleet_figures, fleet_sections
from triage.fleet.summary import SiteSummary
from triage.service.context import Context
from triage.service.pages.base import Page, asset, read

#: An overview is good for so long unless a site's line changes: what ages in it is counted in hours.
_KEEP_S: Final = 300.0


def routes(context: Context) -> list[Route]:
    seen = _Overviews()

    def show_fleet(page: Page) -> Response:
        summaries, fleet, now = seen.of(page.context)
        parts = fleet_sections(
            summaries, fleet, now, site_root="/sites/", chart_root="/fleet/charts/", library=asset("plotly.min.js")
        )
        return page.render("fleet.html", here="fleet", sections=parts)

    def show_chart(page: Page) -> Response:
        summaries, fleet, _ = seen.of(page.context)
        name: str = page.request.path_params["name"]
        drawn = fleet_figures(summaries, fleet).get(name)
        if drawn is None:
            raise HTTPException(404)
        if page.request.query_params.get("as") == "csv":
            disposition = {"Content-Disposition": f'attachment; filename="fleet-{name}.csv"'}
            return Response(to_csv(*_numbers(drawn[0])), media_type="text/csv", headers=disposition)
        text = json.dumps(drawn[0], separators=(",", ":"), allow_nan=False)
        return Response(text, media_type="application/json")

    return [read(context, "/fleet", show_fleet), read(context, "/fleet/charts/{name}", show_chart)]


class _Overviews:
    """The overview of the lines as they stand: the page and its charts ask for the same one."""

    def __init__(self) -> None:
        self._gate = threading.Lock()
        self._kept: tuple[Sequence[SiteSummary], FleetOverview, float] | None = None

    def of(self, context: Context) -> tuple[Sequence[SiteSummary], FleetOverview, datetime]:
        summaries, now = context.summaries(), context.clock()
        with self._gate:
            kept = self._kept
            if kept is None or kept[0] is not summaries or not 0 <= now - kept[2] < _KEEP_S:
                kept = (summaries, overview(summaries, datetime.fromtimestamp(now, UTC)), now)
                self._kept = kept
        return kept[0], kept[1], datetime.fromtimestamp(kept[2], UTC)


def _numbers(figure: Figure) -> tuple[list[str], list[list[str]]]:
    """Every point of a figure as a row."""
    x, y = (figure["layout"][axis]["title"]["text"] or "name" for axis in ("xaxis", "yaxis"))
    rows = [
        [str(trace["name"]), str(a), str(b), str(told)]
        for trace in figure["data"]
        for a, b, told in zip(trace["x"], trace["y"], trace.get("hovertext", [""] * len(trace["x"])), strict=True)
    ]
    return ["series", x, y, "what"], rows
