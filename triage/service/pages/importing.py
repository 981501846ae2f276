"""Import with a preview: what each column was taken for, before anything is stored."""

from __future__ import annotations

from concurrent.futures import TimeoutError as FutureTimeout
from typing import BinaryIO
from urllib.parse import quote

from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException
from starlette.responses import Response
from starlette.routing import Route

from collectors.csv_reading import Kind, Reading
from collectors.errors import CalloutError, InputError
from triage.importing import KINDS, read_files
from triage.service.context import Context
from triage.service.dusk import iso_time
from triage.service.intake import Parked, Parking, named, take_in
from triage.service.pages.base import Page, change, read

MAX_FILES = 20
#: A check longer than this goes on behind the page.
_WAIT_S = 20.0


def routes(context: Context) -> list[Route]:
    return [
        read(context, "/import", show_form),
        change(context, "/import/preview", preview, max_files=MAX_FILES),
        change(context, "/import/confirm", confirm),
    ]


def show_form(page: Page) -> Response:
    sites = [(s.site_id, s.name or s.site_id) for s in page.context.summaries()]
    asked = page.request.query_params.get("site", "")
    server = page.context.settings
    return page.render(
        "import.html",
        here="import",
        sites=sites,
        asked=asked,
        upload_mb=server.service.upload_mb,
        folder=server.night.drop_folder,
    )


def preview(page: Page) -> Response:
    page.operator  # noqa: B018 - only an operator parks files
    site = _known_site(page, page.field("site", 200))
    kind = page.field("kind", 20)
    wanted: Kind | None = next((k for k in KINDS if k == kind), None)
    uploads: list[tuple[str, BinaryIO, Kind | None]] = [
        (f.filename, f.file, wanted) for f in page.form.getlist("files") if isinstance(f, UploadFile) and f.filename
    ]
    if not uploads:
        raise InputError("no file was sent", "Choose or drop at least one export.")
    parking = Parking(page.context.folder)
    parking.clear(page.context.clock())
    with page.context.workspace.open(site) as store:
        described = store.site
    token = parking.park(described, uploads, int(page.context.settings.service.unpacked_mb * 1e6))
    _, files = parking.get(token)
    try:
        readings = _read(page, site, files)
    except CalloutError as exc:
        parking.drop(token)
        raise type(exc)(named(exc.message, files), named(exc.remedy, files)) from exc
    return page.render(
        "preview.html",
        here="import",
        site=site,
        parked=token,
        readings=[_shown(r, files) for r in readings],
        zone=page.context.workspace_zone(site),
    )


def confirm(page: Page) -> Response:
    page.operator  # noqa: B018 - only an operator imports
    parking = Parking(page.context.folder)
    token = page.field("parked", 64)
    site, files = parking.get(token)
    _known_site(page, site)
    try:
        with page.context.workspace.open(site) as store:
            report = take_in(store, files, page.context.clock())
            page.context.index.refresh(store)
    except CalloutError as exc:
        raise type(exc)(named(exc.message, files), named(exc.remedy, files)) from exc
    parking.drop(token)
    page.audit("imported", site, ", ".join(f.name for f in files))
    later = ""
    try:
        page.context.check_soon(site).result(timeout=_WAIT_S)
    except FutureTimeout:
        later = "The check is still running; the site's page shows its answer when it is done."
    except CalloutError as exc:
        later = f"The readings are stored, but the check failed: {exc.message}"
    return page.render(
        "imported.html",
        here="import",
        site=site,
        site_path=quote(site),
        read_rows=sum(r.rows_read for r in report.results),
        new=sum(r.rows_new for r in report.results),
        same=sum(r.rows_same for r in report.results),
        conflicting=sum(r.rows_conflicting for r in report.results),
        unknown=sorted({u for r in report.results for u in r.unknown_inputs}),
        rejected=report.rejected_rows,
        days=len(report.days),
        later=later,
    )


def _read(page: Page, site: str, files: list[Parked]) -> tuple[Reading, ...]:
    by_kind = {kind: [f.path for f in files if f.kind == kind] for kind in KINDS}
    with page.context.workspace.open(site) as store:
        return read_files(store.site, by_kind["telemetry"], by_kind["weather"], by_kind["log"], now=page.context.clock()).readings


def _shown(reading: Reading, files: list[Parked]) -> dict[str, object]:
    ts = reading.frame["ts"] if len(reading.frame) else None
    return {
        "name": named(reading.source, files),
        "kind": reading.kind,
        "rows": reading.rows_read,
        "usable": len(reading.frame),
        "span": (iso_time(float(ts.min())), iso_time(float(ts.max()))) if ts is not None else None,
        "columns": reading.columns,
        "format": reading.format,
        "rejected": reading.rejected,
        "emptied": reading.emptied,
        "problems": [str(p) for p in reading.problems[:20]],
        "notes": [named(n, files) for n in reading.notes],
    }


def _known_site(page: Page, site: str) -> str:
    if site not in page.context.workspace.site_ids():
        raise HTTPException(404)
    return site
