"""The web application: pages, what stands before them, and what a mistake looks like."""

from __future__ import annotations

import sqlite3
from http import HTTPStatus

import structlog
from starlette.applications import Starlette
from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.middleware.body_limit import RequestBodyLimitMiddleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from collectors.errors import CalloutError, InputError
from triage.service.context import Context
from triage.service.pages import charts, entry, exports, fleet, importing, overview, site, visits
from triage.service.pages.base import Page
from triage.service.security import GateMiddleware, HeadersMiddleware, HostMiddleware
from triage.service.settings import is_loopback
from triage.who import local_name

log = structlog.get_logger("callout.web")

#: A form without a file; uploads have their own bound.
FORM_BYTES = 256_000


def build_app(context: Context) -> ASGIApp:
    """The pages of one workspace as an ASGI application."""
    server = context.settings.service
    hosts = {"localhost", "127.0.0.1", "::1", *(h.lower() for h in server.hosts)}
    if not is_loopback(server.host) and server.host not in ("0.0.0.0", "::"):
        hosts.add(server.host.lower())
    app = Starlette(
        routes=[
            route for page in (entry, overview, fleet, site, importing, charts, exports, visits) for route in page.routes(context)
        ],
        middleware=[
            Middleware(HostMiddleware, hosts=frozenset(hosts)),
            Middleware(
                GateMiddleware,
                sessions=context.sessions,
                local_name=local_name(),
                login_needed=context.login_needed,
                https=context.https,
                clock=context.clock,
            ),
            Middleware(_KindRefusal, context=context),
            Middleware(GZipMiddleware, minimum_size=1000, compresslevel=5),
            Middleware(RequestBodyLimitMiddleware, max_body_size=FORM_BYTES),
        ],
        exception_handlers={
            HTTPException: lambda request, exc: _http_problem(context, request, exc),
            CalloutError: lambda request, exc: _problem(context, request, exc),
            sqlite3.OperationalError: lambda request, exc: _busy(context, request, exc),
            Exception: _bug,
        },
    )
    app.router.redirect_slashes = False  # an address is right or it is not
    # Outermost of all, so that even the answer to a bug carries the headers.
    return HeadersMiddleware(app, https=context.https)


class _KindRefusal:
    """Says how large a request may be, where the size limit itself only says that this one was too large."""

    def __init__(self, app: ASGIApp, context: Context) -> None:
        self._app, self._context = app, context

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        refused = False

        async def kindly(message: Message) -> None:
            nonlocal refused
            if message["type"] == "http.response.start" and message["status"] == 413:
                refused = True
            elif not refused:
                await send(message)

        await self._app(scope, receive, kindly)
        if refused:
            problem = HTTPException(413)
            await _http_problem(self._context, Request(scope), problem)(scope, receive, send)


def _page(context: Context, request: Request) -> Page:
    return Page(request, context, request.scope.get("callout.person"), FormData())


def _show(context: Context, request: Request, status: int, heading: str, problem: str, remedy: str = "") -> Response:
    return _page(context, request).render("problem.html", status, heading=heading, problem=problem, remedy=remedy, message="")


def _http_problem(context: Context, request: Request, exc: Exception) -> Response:
    assert isinstance(exc, HTTPException)
    if exc.status_code == 413:
        limit = context.settings.service.upload_mb
        return _show(
            context, request, 413, "Too large", f"An upload may have {limit:g} MB.",
            "Pack it (gz or zip), split it by month, or use `callout import`, which has no such bound.",
        )  # fmt: skip
    heading = HTTPStatus(exc.status_code).phrase
    if exc.status_code == 404:
        return _show(context, request, 404, "No such page", "There is nothing at this address.")
    answer = _show(context, request, exc.status_code, heading, exc.detail)
    answer.headers.update(exc.headers or {})
    return answer


def _problem(context: Context, request: Request, exc: Exception) -> Response:
    assert isinstance(exc, CalloutError)
    status = 400 if isinstance(exc, InputError) else 503
    return _show(context, request, status, "That did not work", exc.message, exc.remedy)


def _busy(context: Context, request: Request, exc: Exception) -> Response:
    log.error("database not available", path=request.url.path, error=str(exc))
    answer = _show(context, request, 503, "Busy", f"The site's file cannot be used now: {exc}.", "Try again shortly.")
    answer.headers["Retry-After"] = "5"
    return answer


def _bug(request: Request, exc: Exception) -> Response:
    log.error("page failed", path=request.url.path, exc_info=exc)
    return PlainTextResponse("Something broke on our side; the log has the details.", 500)
