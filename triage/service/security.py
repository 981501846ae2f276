"""What stands between the net and the pages: headers, host names, who is asking, forged forms.

The header list follows the OWASP Secure Headers Project's published table (from
memory; the test names each line). The content policy has one exception, the
narrowest there is: the SHA-256 of the empty string allows a style element or
attribute that holds nothing. plotly adds such and fills the element through the
object model, which a policy does not govern; any text in one is refused.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
import time
from collections.abc import Callable, Mapping
from typing import Final
from urllib.parse import urlsplit

from starlette.datastructures import MutableHeaders
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from triage.service.accounts import Brake, Person, Sessions

#: SHA-256 of the empty string.
_EMPTY: Final = "'sha256-47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU='"
CSP: Final = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        f"style-src 'self' {_EMPTY}",
        f"style-src-attr 'unsafe-hashes' {_EMPTY}",
        "img-src 'self' data: blob:",  # plotly's picture export draws through both
        "connect-src 'self'",
        "font-src 'self'",
        "manifest-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
        "object-src 'none'",
    )
)

HEADERS: Final[Mapping[str, str]] = {
    "Content-Security-Policy": CSP,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Embedder-Policy": "require-corp",
    "Cross-Origin-Resource-Policy": "same-origin",
    "X-Permitted-Cross-Domain-Policies": "none",
    "X-DNS-Prefetch-Control": "off",
    "Permissions-Policy": ", ".join(
        f"{name}=()"
        for name in (
            "accelerometer", "autoplay", "camera", "clipboard-read", "display-capture", "encrypted-media",
            "fullscreen", "geolocation", "gyroscope", "magnetometer", "microphone", "midi", "payment",
            "picture-in-picture", "publickey-credentials-get", "screen-wake-lock", "usb",
            "xr-spatial-tracking",
        )
    ),
}  # fmt: skip
HSTS: Final = "max-age=63072000; includeSubDomains"

SAFE_METHODS: Final = frozenset({"GET", "HEAD", "OPTIONS"})
#: Paths anybody may see: they name no site.
OPEN_PATHS: Final = frozenset({"/login", "/health"})
BROWSER_COOKIE: Final = "callout_browser"


class HeadersMiddleware:
    """Adds the security headers to every answer, errors too."""

    def __init__(self, app: ASGIApp, https: bool) -> None:
        self._app, self._https = app, https

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers[name] = value
                if self._https:
                    headers["Strict-Transport-Security"] = HSTS
                if "cache-control" not in headers:
                    headers["Cache-Control"] = "no-store, max-age=0"
            await send(message)

        await self._app(scope, receive, with_headers)


class HostMiddleware:
    """Refuses host names that are not ours: a page elsewhere may not rebind its name to this machine."""

    def __init__(self, app: ASGIApp, hosts: frozenset[str]) -> None:
        self._app, self._hosts = app, hosts

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "http" and host_of(Request(scope).headers.get("host", "")) not in self._hosts:
            await PlainTextResponse("This host name is not served here. List it under [service] hosts in service.toml.", 421)(
                scope, receive, send
            )
            return
        await self._app(scope, receive, send)


def host_of(header: str) -> str:
    """Host name of a Host header, without its port."""
    try:
        return (urlsplit(f"//{header}").hostname or "").lower()
    except ValueError:
        return ""


class GateMiddleware:
    """Who is asking, and may they.

    Without users (possible on loopback only) the person at the machine is the
    operator. With users, a page needs a login. A request that changes
    something must come from our own pages, needs the operator's role, and is
    rate-limited; its form token is checked where the form is read
    (:func:`token_holds`).
    """

    def __init__(
        self,
        app: ASGIApp,
        sessions: Sessions,
        local_name: str,
        login_needed: Callable[[], bool],
        https: bool,
        clock: Callable[[], float] = time.time,
    ) -> None:
        self._app, self._sessions, self._local_name = app, sessions, local_name
        self._login_needed, self._https, self._clock = login_needed, https, clock
        self._changes = Brake(limit=120, window_s=60)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        request = Request(scope)
        browser = request.cookies.get(BROWSER_COOKIE, "")
        fresh = "" if _plausible(browser) else secrets.token_urlsafe(32)
        browser = fresh or browser
        now = self._clock()
        token = request.cookies.get(session_cookie(self._https), "")
        person = self._sessions.person(token, now) if token else None
        if person is None and not self._login_needed():
            person = Person(self._local_name, "operator", _key(browser))
        scope["callout.person"] = person
        scope["callout.csrf_key"] = person.csrf_key if person else _key(browser)
        refusal = self._refusal(request, person, now)

        async def with_cookie(message: Message) -> None:
            if message["type"] == "http.response.start" and fresh:
                MutableHeaders(scope=message).append(
                    "Set-Cookie",
                    f"{BROWSER_COOKIE}={fresh}; Path=/; HttpOnly; SameSite=Strict" + ("; Secure" if self._https else ""),
                )
            await send(message)

        await (refusal or self._app)(scope, receive, with_cookie)

    def _refusal(self, request: Request, person: Person | None, now: float) -> Response | None:
        path = request.url.path
        changing = request.method not in SAFE_METHODS
        if changing and not _same_origin(request):
            return PlainTextResponse("This request did not come from Callout's own pages.", 403)
        if path in OPEN_PATHS or path.startswith("/static/"):
            return None
        if person is None:
            if changing or request.method == "OPTIONS":
                return PlainTextResponse("Sign in first.", 401)
            return RedirectResponse("/login", 303)
        if not changing:
            return None
        if not person.may_change and path != "/logout":
            return PlainTextResponse("Your role is viewer: this needs an operator.", 403)
        wait = self._changes.wait_s(person.name, now)
        if wait > 0:
            return PlainTextResponse("Too many changes in a minute; try again shortly.", 429, {"Retry-After": str(int(wait) + 1)})
        self._changes.count(person.name, now)
        return None


def session_cookie(https: bool) -> str:
    """Name of the login's cookie; browsers hold the ``__Host-`` form to Secure and this host alone."""
    return "__Host-callout" if https else "callout_session"


def form_token(secret: bytes, csrf_key: str) -> str:
    """A token for a form; differs on every page, so compression cannot leak it."""
    nonce = secrets.token_hex(8)
    return nonce + hmac.new(secret, f"{nonce}.{csrf_key}".encode(), hashlib.sha256).hexdigest()


def token_holds(secret: bytes, csrf_key: str, token: str) -> bool:
    nonce, given = token[:16], token[16:]
    expected = hmac.new(secret, f"{nonce}.{csrf_key}".encode(), hashlib.sha256).hexdigest()
    return hmac.compare_digest(given.encode(), expected.encode())


def _plausible(cookie: str) -> bool:
    return 32 <= len(cookie) <= 64 and cookie.isascii()


def _key(browser: str) -> str:
    return hashlib.sha256(f"browser.{browser}".encode()).hexdigest()


def _same_origin(request: Request) -> bool:
    """By the headers a page elsewhere cannot make a browser forge; where both are silent, the token decides.

    Under ``no-referrer`` a browser sends ``Origin: null`` even from our own form (Fetch standard,
    "append a request Origin header"), so ``null`` proves nothing either way.
    """
    site = request.headers.get("sec-fetch-site", "")
    if site:
        return site in ("same-origin", "none")
    origin = request.headers.get("origin", "")
    return origin in ("", "null") or urlsplit(origin).netloc.lower() == request.headers.get("host", "").lower()
