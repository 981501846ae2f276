"""Signing in and out, with the brake on guessing."""

from __future__ import annotations

import structlog
from starlette.responses import Response
from starlette.routing import Route

from triage.service.accounts import Brake, check_password
from triage.service.context import Context
from triage.service.pages.base import Page, change, read
from triage.service.security import session_cookie

log = structlog.get_logger("callout.entry")


def routes(context: Context) -> list[Route]:
    window = 900.0
    # One name from one place, one name from anywhere, one place with any name.
    pair, name_brake, place = Brake(5, window), Brake(20, window), Brake(30, window)

    def show(page: Page) -> Response:
        return page.render("login.html", wait=0)

    def enter(page: Page) -> Response:
        name, address = page.field("name", 100), _address(page)
        now = page.context.clock()
        keys = ((pair, f"{name}\n{address}"), (name_brake, name), (place, address))
        wait = max(brake.wait_s(key, now) for brake, key in keys)
        if wait > 0:
            log.warning("sign-in braked", address=address)
            answer = page.render(
                "login.html", 429, wait=wait, bad=True,
                message=f"Too many tries. Try again in {int(wait // 60) + 1} minutes.",
            )  # fmt: skip
            answer.headers["Retry-After"] = str(int(wait) + 1)
            return answer
        password = page.form.get("password", "")
        if not isinstance(password, str) or check_password(page.context.state, name, password) is None:
            for brake, key in keys:
                brake.count(key, now)
            page.context.state.record(page.at, name[:64], "sign-in refused", detail=f"from {address}")
            return page.render("login.html", 401, wait=0, bad=True, message="That name and password do not match.")
        pair.forget(keys[0][1])
        token = page.context.sessions.start(name, now)
        page.context.state.record(page.at, name, "signed in", detail=f"from {address}")
        answer = page.go("/")
        https = page.context.https
        answer.set_cookie(
            session_cookie(https), token, path="/", httponly=True, samesite="lax", secure=https,
            max_age=int(page.context.settings.service.session_hours * 3600),
        )  # fmt: skip
        return answer

    def leave(page: Page) -> Response:
        cookie = session_cookie(page.context.https)
        page.context.sessions.end(page.request.cookies.get(cookie, ""))
        page.audit("signed out")
        answer = page.go("/login")
        answer.delete_cookie(cookie, path="/", httponly=True, samesite="lax", secure=page.context.https)
        answer.headers["Clear-Site-Data"] = '"cache", "cookies", "storage"'
        return answer

    return [
        read(context, "/login", show),
        change(context, "/login", enter),
        change(context, "/logout", leave),
    ]


def _address(page: Page) -> str:
    return page.request.client.host if page.request.client else "unknown"
