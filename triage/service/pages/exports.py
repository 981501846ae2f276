"""What can be taken away: findings, readings, the site file, the evidence for a warranty claim."""

from __future__ import annotations

import io
import json
from typing import Final
from urllib.parse import quote

from starlette.exceptions import HTTPException
from starlette.responses import Response
from starlette.routing import Route

from collectors.store import day_bounds
from triage.csvout import canonical_csv, to_csv
from triage.ledger import Ledger
from triage.service.context import Context
from triage.service.nightreport import report_path
from triage.service.pages.base import Page, number, read
from triage.service.pages.site import store_of
from triage.service.views import newest_day
from triage.warranty import write_evidence

MAX_DAYS: Final = 400


def routes(context: Context) -> list[Route]:
    return [
        read(context, "/sites/{site}/findings.csv", findings_csv),
        read(context, "/sites/{site}/findings.json", findings_json),
        read(context, "/sites/{site}/readings.csv", readings_csv),
        read(context, "/sites/{site}/site.toml", site_toml),
        read(context, "/sites/{site}/report.html", report),
        read(context, "/sites/{site}/findings/{number}/evidence.zip", evidence),
    ]


def findings_csv(page: Page) -> Response:
    with store_of(page) as store:
        entries = Ledger(store).all()
        site = store.site.site.id
    header = (
        "id", "status", "fault", "gateway", "unit", "input", "plane", "first_seen", "last_seen", "days",
        "confidence", "severity", "loss_wh_per_day", "loss_wh_total", "action", "why",
    )  # fmt: skip
    rows = [[e.to_json()[name] for name in header] for e in entries]
    return _file(to_csv(header, rows).encode(), "text/csv; charset=utf-8", f"{site}-findings.csv")


def findings_json(page: Page) -> Response:
    with store_of(page) as store:
        entries = [e.to_json() for e in Ledger(store).all()]
        site = store.site.site.id
    return _file(json.dumps({"site": site, "findings": entries}).encode(), "application/json", f"{site}-findings.json")


def readings_csv(page: Page) -> Response:
    """The canonical CSV of the newest days, which `callout import` reads back."""
    days = number(page.request.query_params.get("days", "30"))
    if not 1 <= days <= MAX_DAYS:
        raise HTTPException(400, f"days must be 1 to {MAX_DAYS}")
    with store_of(page) as store:
        last = newest_day(store)
        longitude = store.site.site.longitude
        start, end = day_bounds(last - days + 1, longitude)[0], day_bounds(last, longitude)[1]
        text = canonical_csv(store.telemetry(start, end))
        site = store.site.site.id
    return _file(text.encode(), "text/csv; charset=utf-8", f"{site}-readings.csv")


def site_toml(page: Page) -> Response:
    with store_of(page) as store:
        return _file(store.meta("site_toml").encode(), "text/plain; charset=utf-8", f"{store.site.site.id}.toml")


def report(page: Page) -> Response:
    """The report written after the last night, as a file: it carries its own script, so no page shows it."""
    with store_of(page) as store:
        site = store.site.site.id
    path = report_path(page.context.folder, site)
    if not path.is_file():
        raise HTTPException(404)
    return _file(path.read_bytes(), "text/html; charset=utf-8", f"{site}-report.html")


def evidence(page: Page) -> Response:
    """The zip for a warranty claim about one finding."""
    with store_of(page) as store:
        out = io.BytesIO()
        finding = page.number("number")
        write_evidence(store, finding, out, page.at)
        site = store.site.site.id
    page.audit("evidence taken", site, str(finding))
    return _file(out.getvalue(), "application/zip", f"{site}-finding-{finding}.zip")


def _file(body: bytes, media: str, name: str) -> Response:
    # RFC 6266: the plain form for old clients, the encoded one for every name.
    plain = "".join(c if c.isascii() and (c.isalnum() or c in "._-") else "_" for c in name)
    disposition = f"attachment; filename=\"{plain}\"; filename*=UTF-8''{quote(name, safe='')}"
    return Response(body, media_type=media, headers={"Content-Disposition": disposition})
