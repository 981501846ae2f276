"""Charts as plotly JSON, their numbers as CSV, and the roof plan with each input's day."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import date
from urllib.parse import quote

from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route

from rules.finding import Finding
from rules.view import SiteView
from triage.csvout import to_csv
from triage.ledger import Ledger
from triage.report.charts import (
    Figure,
    completeness_figure,
    figure_table,
    finding_figure,
    roof_svg,
    site_figure,
)
from triage.report.roof import plan_caption
from triage.service.context import Context
from triage.service.pages.base import Page, environment, read
from triage.service.pages.site import store_of
from triage.service.views import DAYS, Views, newest_day

_EPOCH = date(1970, 1, 1).toordinal()
#: A finding's chart never looks further back than this.
_MOST_DAYS = 90
_SITE_CHARTS: dict[str, Callable[[SiteView], Figure]] = {"energy": site_figure, "record": completeness_figure}


def routes(context: Context) -> list[Route]:
    views = Views()

    def site_chart(page: Page) -> Response:
        draw = _SITE_CHARTS.get(page.request.path_params["name"])
        if draw is None:
            raise HTTPException(404)
        with store_of(page) as store:
            return _answer(page, draw(views.get(store)))

    def finding_chart(page: Page) -> Response:
        with store_of(page) as store:
            finding = Ledger(store).get(page.number("number")).finding
            return _answer(page, finding_figure(views.get(store, *_window(finding, newest_day(store))), finding))

    def roof(page: Page) -> Response:
        with store_of(page) as store:
            live = Ledger(store).open()
            path = quote(store.site.site.id)
            view = views.get(store)
            drawing = roof_svg(view, [e.finding for e in live], [f"/sites/{path}#finding-{e.id}" for e in live])
            caption = environment().from_string("<p class='hint'>{{ text }}</p>").render(text=plan_caption(view))
            return HTMLResponse(caption + drawing)

    return [
        read(context, "/sites/{site}/charts/{name}", site_chart),
        read(context, "/sites/{site}/findings/{number}/chart", finding_chart),
        read(context, "/sites/{site}/roof", roof),
    ]


def _window(finding: Finding, newest: int) -> tuple[int, int]:
    """Last day and number of days that show a finding."""
    seen = date.fromisoformat(finding.last_seen).toordinal() - _EPOCH
    began = date.fromisoformat(finding.first_seen).toordinal() - _EPOCH
    last = newest if newest - seen < DAYS else seen
    return last, min(max(DAYS, last - began + 8), _MOST_DAYS)


def _answer(page: Page, figure: Figure) -> Response:
    if page.request.query_params.get("as") != "csv":
        return Response(json.dumps(figure, separators=(",", ":"), allow_nan=False), media_type="application/json")
    header, rows = figure_table(figure)
    return Response(
        to_csv(header, rows),
        media_type="text/csv",
        headers={"Content-Disposition": 'attachment; filename="chart.csv"'},
    )
