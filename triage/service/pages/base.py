"""What every page shares: templates, form reading with its token, answers."""

from __future__ import annotations

import gzip
import hashlib
import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo

import jinja2
import plotly
from markupsafe import Markup, escape
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.middleware.body_limit import RequestBodyLimitMiddleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Route

import triage.report
from collectors.errors import InputError
from triage.figures import chance, clock, day_text, energy, percent, plural
from triage.service.accounts import Person
from triage.service.context import Context
from triage.service.dusk import iso_time
from triage.service.security import form_token, token_holds

_HERE = Path(__file__).parent.parent
STATIC: Final = _HERE / "static"
#: The report's chart colours and roof drawing are shared, and how a chart looks.
_REPORT: Final = Path(triage.report.__file__).parent / "static"
SHARED: Final = {"evidence.css": _REPORT / "charts.css", "themed.js": _REPORT / "themed.js"}

NAV: Final = (
    ("/", "Morning", "morning"),
    ("/fleet", "Fleet", "fleet"),
    ("/call", "Call", "call"),
    ("/import", "Import", "import"),
    ("/visits", "Visits", "visits"),
    ("/nights", "Nights", "nights"),
)

#: What a page says after a change; the address carries only the key.
DONE: Final = {
    "acknowledged": "Acknowledged: it is in hand.",
    "snoozed": "Snoozed: it comes back on that day if it is still there.",
    "noted": "Note kept.",
    "resolved": "Marked as mended. If the symptom returns, it opens again by itself.",
    "reopened": "Opened again.",
    "added": "Site added. Import what the gateway recorded next.",
    "visit": "Visit planned.",
    "visited": "Visit marked as done. Verify it after a few clear days.",
    "checked": "Checked.",
}


def _env() -> jinja2.Environment:
    env = jinja2.Environment(
        loader=jinja2.FileSystemLoader(_HERE / "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    env.globals.update(
        asset=asset,
        plotly_style_id=plotly_style_id,
        day=day_words,
        energy=energy,
        percent=percent,
        chance=chance,
        plural=plural,
        nav=NAV,
    )
    env.filters["local"] = lambda ts, zone: clock(ts, ZoneInfo(zone))
    env.filters["commands"] = commands
    env.filters["utc"] = lambda iso, zone: clock(datetime.fromisoformat(iso).timestamp(), ZoneInfo(zone))
    return env


def commands(text: str) -> Markup:
    """A text with its commands, in backticks, set as such."""
    return Markup(re.sub(r"`([^`]+)`", r"<code>\1</code>", str(escape(text))))


@lru_cache(maxsize=1)
def environment() -> jinja2.Environment:
    return _env()


def day_words(iso: str) -> str:
    """A date for people; what is no date shows as it is."""
    try:
        return day_text(iso)
    except ValueError:
        return iso


@lru_cache(maxsize=32)
def asset(name: str) -> str:
    """Address of a static file, with its content's hash, so that it may be kept for good."""
    return f"/static/{name}?v={hashlib.sha256(static_bytes(name)).hexdigest()[:10]}"


@lru_cache(maxsize=1)
def plotly_style_id() -> str:
    """Id of the map styles plotly would inject as an inline style; an element that has it holds them back."""
    found = re.search(rb'getElementById\("([0-9a-f]{64})"\)', static_bytes("plotly.min.js"))
    return found[1].decode() if found else "no-map-styles"


@lru_cache(maxsize=32)
def static_bytes(name: str) -> bytes:
    if name == "plotly.min.js":
        return (Path(plotly.__file__).parent / "package_data" / name).read_bytes()
    return SHARED.get(name, STATIC / name).read_bytes()


@lru_cache(maxsize=32)
def static_gzip(name: str) -> bytes:
    """Packed once, not on every request: the chart library has 5 MB."""
    return gzip.compress(static_bytes(name), 6, mtime=0)


@dataclass(frozen=True)
class Page:
    """A request with what its handler needs."""

    request: Request
    context: Context
    person: Person | None
    form: FormData

    @property
    def operator(self) -> Person:
        """Who signs a change; the gate let nobody else through."""
        if self.person is None or not self.person.may_change:
            raise HTTPException(403)
        return self.person

    @property
    def at(self) -> str:
        return iso_time(self.context.clock())

    def field(self, name: str, limit: int = 2000) -> str:
        """A text field of the form, trimmed; too long is refused, absent is empty."""
        value = self.form.get(name, "")
        if isinstance(value, UploadFile):
            raise InputError(f"field '{name}' holds a file", "Go back and fill in the form again.")
        if len(value) > limit:
            raise InputError(f"field '{name}' has {len(value)} characters", f"Use at most {limit}.")
        return value.strip()

    def number(self, name: str) -> int:
        """A whole-number part of the address."""
        return number(self.request.path_params[name])

    def render(self, template: str, status: int = 200, **values: Any) -> Response:
        csrf_key: str = self.request.scope.get("callout.csrf_key", "")
        done = self.request.query_params.get("done", "")
        values.setdefault("here", "")
        values.setdefault("message", DONE.get(done, ""))
        values.setdefault("bad", False)
        html = (
            environment()
            .get_template(template)
            .render(
                person=self.person,
                token=lambda: form_token(self.context.secret, csrf_key),
                login_used=self.context.login_needed() if self.person else False,
                **values,
            )
        )
        return HTMLResponse(html, status)

    def go(self, path: str, done: str = "") -> Response:
        """Answer a form with another page, so that reloading does not send it twice."""
        return RedirectResponse(f"{path}{'?' if '?' not in path else '&'}done={done}" if done else path, 303)

    def audit(self, action: str, site: str = "", detail: str = "") -> None:
        self.context.state.record(self.at, self.person.name if self.person else "", action, site, detail)


Work = Callable[[Page], Response]


def read(context: Context, path: str, work: Work) -> Route:
    """A page to look at; the work runs in a thread."""

    def endpoint(request: Request) -> Response:
        return work(Page(request, context, request.scope.get("callout.person"), FormData()))

    return Route(path, endpoint, methods=["GET"])


def change(context: Context, path: str, work: Work, *, max_files: int = 0) -> Route:
    """A form that changes something: its token is checked before the work begins.

    Only a form that takes files may be larger than :data:`triage.service.app.FORM_BYTES`.
    """
    bound = Middleware(RequestBodyLimitMiddleware, max_body_size=int(context.settings.service.upload_mb * 1e6))

    async def endpoint(request: Request) -> Response:
        async with request.form(max_files=max_files, max_fields=200, max_part_size=64_000) as form:
            token = form.get("csrf", "")
            key: str = request.scope.get("callout.csrf_key", "")
            if not isinstance(token, str) or not token_holds(context.secret, key, token):
                raise HTTPException(403, "The form is out of date. Go back, reload the page and send it again.")
            page = Page(request, context, request.scope.get("callout.person"), form)
            return await run_in_threadpool(work, page)

    return Route(path, endpoint, methods=["POST"], middleware=[bound] if max_files else None)


def number(text: str) -> int:
    """A whole number from an address, or no such page."""
    if not (text.isascii() and text.isdigit() and len(text) < 12):
        raise HTTPException(404)
    return int(text)


def future_day(text: str, today: date) -> str:
    """A date of a form that lies ahead."""
    try:
        day = date.fromisoformat(text)
    except ValueError as exc:
        raise InputError(f"'{text}' is not a date", "Give it as YYYY-MM-DD.") from exc
    if not 0 < (day - today).days <= 3660:
        raise InputError(f"{text} is not within the next ten years", "Give a later date, as YYYY-MM-DD.")
    return day.isoformat()


def today(page: Page) -> date:
    return datetime.fromtimestamp(page.context.clock(), UTC).date()
