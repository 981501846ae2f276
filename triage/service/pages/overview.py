"""Morning page, nights, who did what, health and static files."""

from __future__ import annotations

import tomllib

from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from collectors.errors import InputError, SiteFileError
from triage.service.context import Context
from triage.service.dusk import iso_day, iso_time
from triage.service.morning import SECTIONS, morning, night_news
from triage.service.nights import Nights
from triage.service.pages.base import SHARED, STATIC, Page, change, read, static_bytes, static_gzip

_TYPES = {".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}
_NAMES = frozenset({*(p.name for p in STATIC.iterdir() if p.suffix in _TYPES), "plotly.min.js", *SHARED})
_SITE_FILE_BYTES = 1_000_000


def routes(context: Context) -> list[Route]:
    return [
        read(context, "/", show_morning),
        change(context, "/sites", add_site, max_files=1),
        read(context, "/nights", show_nights),
        read(context, "/people", show_people),
        read(context, "/health", show_health),
        read(context, "/static/{name}", show_static),
    ]


def show_morning(page: Page) -> Response:
    context = page.context
    found = morning(context.summaries(), night_news(context.state), context.clock())
    nights = [line.night for line in found.lines if line.night]
    return page.render(
        "morning.html",
        here="morning",
        morning=found,
        sections=[(key, *words, found.section(key)) for key, words in SECTIONS.items()],
        changed_count=len(found.changed),
        night=max(nights, default=""),
        due=Nights(context.state).count("failed"),
    )


def add_site(page: Page) -> Response:
    """Add a site from its TOML file."""
    file = page.form.get("file")
    if not isinstance(file, UploadFile) or not file.filename:
        raise InputError("no site file was sent", "Choose a TOML file; `callout init` drafts one.")
    raw = file.file.read(_SITE_FILE_BYTES + 1)
    if len(raw) > _SITE_FILE_BYTES:
        raise InputError("the site file is larger than 1 MB", "Send the site's TOML file, not its readings.")
    try:
        text = raw.decode("utf-8-sig")
        tomllib.loads(text)
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as exc:
        raise SiteFileError(f"the site file is not TOML: {exc}", "Correct that line and send it again.") from exc
    page.operator  # noqa: B018 - only an operator adds sites
    with page.context.workspace.add_site(text) as store:
        site = store.site.site.id
        page.context.index.refresh(store)
    page.audit("site added", site)
    return page.go(f"/sites/{site}", "added")


def show_nights(page: Page) -> Response:
    rows = [
        {"site": n.site, "night": iso_day(n.day), "state": n.state, "attempts": n.attempts, "error": n.error,
         "started": iso_time(n.started_ts), "seconds": (n.finished_ts or n.started_ts) - n.started_ts}
        for n in Nights(page.context.state).last(200)
    ]  # fmt: skip
    with page.context.state.connect() as db:
        files = db.execute("SELECT at, name, site, outcome, detail FROM dropped_file ORDER BY id DESC LIMIT 50").fetchall()
    return page.render("nights.html", here="nights", nights=rows, files=files, folder=page.context.settings.night.drop_folder)


def show_people(page: Page) -> Response:
    return page.render("people.html", lines=page.context.state.audit(300))


def show_health(page: Page) -> Response:
    """Whether the service does its work; names no site, so it needs no login."""
    health = page.context.health()
    return JSONResponse(health, 200 if health.get("status") == "ok" else 503)


def show_static(page: Page) -> Response:
    name: str = page.request.path_params["name"]
    if name not in _NAMES:
        raise HTTPException(404)
    headers = {"Cache-Control": "public, max-age=31536000, immutable", "Vary": "Accept-Encoding"}
    media = _TYPES["." + name.rsplit(".", 1)[1]]
    if "gzip" in page.request.headers.get("accept-encoding", ""):
        return Response(static_gzip(name), media_type=media, headers={**headers, "Content-Encoding": "gzip"})
    return Response(static_bytes(name), media_type=media, headers=headers)
