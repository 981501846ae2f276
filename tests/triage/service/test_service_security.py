"""What stands between the net and the pages, held against published lists."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path

import argon2
import pytest
from argon2.profiles import RFC_9106_LOW_MEMORY
from service_makers import SITE, Clock, token_of
from starlette.routing import Route
from starlette.testclient import TestClient

from collectors.errors import UsageError
from triage.service.accounts import Brake, Sessions, add_user, check_password, users
from triage.service.app import build_app
from triage.service.context import Context
from triage.service.pages import entry, importing, overview, site, visits
from triage.service.security import CSP, form_token, token_holds
from triage.service.server import check_access
from triage.service.settings import ServerSettings, Settings
from triage.service.state import ServiceState

PASSWORD = "a long walk to the mill"


# -- headers -----------------------------------------------------------------

#: OWASP Secure Headers Project, "HTTP headers: proposed values" (from memory); HSTS apart, which goes out
#: only over TLS. The strict preset of the package `secure` 2.0.1 (read there) gives the same cache, embedder,
#: opener, referrer, sniffing and frame values, and the same HSTS.
OWASP_HEADERS = {
    "x-frame-options": "deny",
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "x-permitted-cross-domain-policies": "none",
    "cross-origin-embedder-policy": "require-corp",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store, max-age=0",
    "x-dns-prefetch-control": "off",
}


@pytest.mark.parametrize("path", ["/", "/nothing-here", f"/sites/{SITE}", "/health", "/login"])
def test_every_answer_carries_owasps_headers(client: TestClient, path: str) -> None:
    headers = client.get(path).headers
    assert {name: headers.get(name, "").lower() for name in OWASP_HEADERS} == OWASP_HEADERS
    assert "content-security-policy" in headers
    assert "camera=()" in headers["permissions-policy"]
    assert "server" not in headers
    assert "x-powered-by" not in headers


def test_the_answer_to_a_bug_carries_them_too(context: Context, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken() -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(context, "summaries", broken)
    client = TestClient(build_app(context), base_url="http://127.0.0.1", raise_server_exceptions=False)
    answer = client.get("/")
    assert answer.status_code == 500
    assert answer.headers["content-security-policy"] == CSP
    assert "ZeroDivision" not in answer.text


def test_the_content_policy_is_strict() -> None:
    """OWASP, "Content Security Policy Cheat Sheet": no unsafe-inline, no unsafe-eval, object-src and
    base-uri closed, frame-ancestors closed (from memory)."""
    rules = dict(part.split(" ", 1) for part in CSP.split("; "))
    assert rules["default-src"] == rules["object-src"] == rules["base-uri"] == "'none'"
    assert rules["frame-ancestors"] == "'none'"
    assert rules["script-src"] == "'self'"
    assert rules["form-action"] == "'self'"
    assert "'unsafe-inline'" not in CSP
    assert "'unsafe-eval'" not in CSP
    assert "*" not in CSP
    # FIPS 180-4: the digest of the empty message is e3b0c442...b855; nothing else inline may style.
    empty = "'sha256-47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU='"
    assert rules["style-src"] == f"'self' {empty}"
    assert rules["style-src-attr"] == f"'unsafe-hashes' {empty}"


def test_no_page_has_inline_script_or_style(client: TestClient) -> None:
    for path in (
        "/",
        f"/sites/{SITE}",
        f"/sites/{SITE}/call",
        "/import",
        "/visits",
        "/visits/new",
        "/fleet",
        "/nights",
    ):
        html = client.get(path).text
        assert "<style" not in html, path
        assert " style=" not in html, path
        assert "onclick" not in html, path
        assert html.count("<script") == html.count("<script src="), path


def test_over_tls_browsers_are_held_to_it(folder: Path, make_context: Callable[..., Context]) -> None:
    settings = Settings(service=ServerSettings(behind_proxy=True, hosts=("desk.example.org",)))
    client = TestClient(build_app(make_context(folder, settings)), base_url="https://desk.example.org")
    answer = client.get("/")
    assert answer.status_code == 200
    # OWASP Secure Headers Project: at least one year, subdomains too (from memory).
    assert answer.headers["strict-transport-security"] == "max-age=63072000; includeSubDomains"
    assert "; Secure" in answer.headers["set-cookie"]


@pytest.mark.parametrize("host", ["evil.example.org", "127.0.0.1.evil.example.org", "[::1", ""])
def test_other_host_names_are_refused(client: TestClient, host: str) -> None:
    assert client.get("/", headers={"Host": host}).status_code == 421


@pytest.mark.parametrize("host", ["localhost:8451", "127.0.0.1:9", "[::1]:8451", "LOCALHOST"])
def test_this_machines_names_are_served(client: TestClient, host: str) -> None:
    assert client.get("/health", headers={"Host": host}).status_code == 200


# -- forged forms ------------------------------------------------------------


def _changing_routes(context: Context) -> list[str]:
    routes: list[Route] = [r for page in (entry, overview, site, importing, visits) for r in page.routes(context)]
    return [r.path for r in routes if "POST" in (r.methods or ())]


def test_every_form_needs_its_token(client: TestClient, context: Context) -> None:
    client.get("/")
    paths = _changing_routes(context)
    assert len(paths) >= 10
    for path in paths:
        real = path.format(site=SITE, number=1, visit="20251101-aaaaaa")
        for token in ("", "0" * 80, form_token(b"other secret", "key")):
            assert client.post(real, data={"csrf": token}).status_code == 403, path


def test_a_token_is_bound_to_its_browser(client: TestClient) -> None:
    token = token_of(client)
    client.cookies.clear()
    client.get("/")
    path = f"/sites/{SITE}/findings/1/acknowledge"
    assert client.post(path, data={"csrf": token}).status_code == 403
    assert client.post(path, data={"csrf": token_of(client)}).status_code == 303


def test_tokens_differ_on_every_page_yet_all_hold() -> None:
    first, second = form_token(b"s", "k"), form_token(b"s", "k")
    assert first != second
    assert token_holds(b"s", "k", first)
    assert token_holds(b"s", "k", second)
    assert not token_holds(b"s", "other", first)
    assert not token_holds(b"s", "k", "é" + first[1:])


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Sec-Fetch-Site": "cross-site"}, 403),
        ({"Sec-Fetch-Site": "same-site"}, 403),
        ({"Origin": "https://evil.example.org"}, 403),
        ({"Sec-Fetch-Site": "same-origin", "Origin": "null"}, 303),
        ({"Origin": "http://127.0.0.1"}, 303),
    ],
)
def test_requests_from_elsewhere_are_refused(client: TestClient, headers: dict[str, str], status: int) -> None:
    token = token_of(client)
    answer = client.post(f"/sites/{SITE}/findings/1/acknowledge", data={"csrf": token}, headers=headers)
    assert answer.status_code == status


def test_looking_never_changes_anything(client: TestClient) -> None:
    assert client.get(f"/sites/{SITE}/findings/1/acknowledge").status_code == 405


# -- logins ------------------------------------------------------------------


@pytest.fixture
def guarded(folder: Path, make_context: Callable[..., Context]) -> Context:
    """A workspace with one viewer and one operator."""
    state = ServiceState(folder)
    add_user(state, "ines", PASSWORD, "operator", "2025-11-05T07:00:00Z")
    add_user(state, "board", PASSWORD, "viewer", "2025-11-05T07:00:00Z")
    return make_context(folder)


def _enter(client: TestClient, name: str, password: str = PASSWORD) -> int:
    form = {"csrf": token_of(client, "/login"), "name": name, "password": password}
    return client.post("/login", data=form).status_code


def _open(context: Context) -> TestClient:
    return TestClient(build_app(context), base_url="http://127.0.0.1", follow_redirects=False)


def test_with_users_every_page_asks_for_a_login(guarded: Context) -> None:
    client = _open(guarded)
    for path in (
        "/",
        f"/sites/{SITE}",
        "/people",
        f"/sites/{SITE}/findings.csv",
        f"/sites/{SITE}/charts/energy",
    ):
        answer = client.get(path)
        assert (answer.status_code, answer.headers["location"]) == (303, "/login"), path
    assert client.post("/visits", data={}).status_code == 401
    assert client.get("/health").status_code == 200
    assert SITE not in client.get("/health").text


def test_operators_change_and_viewers_look(guarded: Context) -> None:
    path = f"/sites/{SITE}/findings/1/acknowledge"
    operator, viewer = _open(guarded), _open(guarded)
    assert _enter(operator, "ines") == 303
    assert _enter(viewer, "board") == 303
    assert "Acknowledge" in operator.get(f"/sites/{SITE}").text
    assert viewer.get(f"/sites/{SITE}").status_code == 200
    assert "Acknowledge" not in viewer.get(f"/sites/{SITE}").text
    assert viewer.post(path, data={"csrf": token_of(viewer, "/")}).status_code == 403
    assert operator.post(path, data={"csrf": token_of(operator)}).status_code == 303
    told = operator.get("/people").text
    assert "finding: acknowledge" in told
    assert "ines" in told


def test_the_cookie_is_out_of_reach(guarded: Context) -> None:
    """OWASP, "Session Management Cheat Sheet": Secure over TLS, HttpOnly, SameSite, 64 bits (from memory)."""
    client = _open(guarded)
    form = {"csrf": token_of(client, "/login"), "name": "ines", "password": PASSWORD}
    cookie = client.post("/login", data=form).headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=lax" in cookie
    assert len(cookie.split("=", 1)[1].split(";")[0]) >= 40
    with guarded.state.connect() as db:
        stored = db.execute("SELECT token_hash FROM session").fetchone()[0]
    assert stored not in cookie


def test_signing_out_ends_the_session_on_our_side(guarded: Context) -> None:
    client = _open(guarded)
    _enter(client, "ines")
    kept = dict(client.cookies)
    answer = client.post("/logout", data={"csrf": token_of(client, "/")})
    assert '"cookies"' in answer.headers["clear-site-data"]
    thief = _open(guarded)
    thief.cookies.update(kept)
    assert thief.get("/").status_code == 303


def test_sessions_end_by_age_and_by_idleness(tmp_path: Path) -> None:
    state = ServiceState(tmp_path)
    add_user(state, "ines", PASSWORD, "operator", "now")
    sessions = Sessions(state, hours=1, idle_minutes=10)
    token = sessions.start("ines", 0)
    assert sessions.person(token, 500) is not None
    assert sessions.person(token, 500 + 601) is None
    token = sessions.start("ines", 0)
    for now in range(0, 3600, 300):
        assert sessions.person(token, now) is not None
    assert sessions.person(token, 3601) is None
    assert sessions.person("made up", 1) is None


def test_a_new_password_ends_old_sessions(tmp_path: Path) -> None:
    state = ServiceState(tmp_path)
    add_user(state, "ines", PASSWORD, "operator", "now")
    sessions = Sessions(state, hours=1, idle_minutes=10)
    token = sessions.start("ines", 0)
    add_user(state, "ines", PASSWORD + " again", "viewer", "now", replace=True)
    assert sessions.person(token, 1) is None
    assert check_password(state, "ines", PASSWORD) is None
    assert check_password(state, "ines", PASSWORD + " again") == "viewer"


def test_guessing_is_braked(guarded: Context, clock: Clock) -> None:
    client = _open(guarded)
    assert [_enter(client, "ines", "wrong wrong wrong") for _ in range(5)] == [401] * 5
    assert _enter(client, "ines") == 429
    assert _enter(client, "board") == 303  # another person at the same desk is not locked out
    clock.now += 901
    assert _enter(client, "ines") == 303


def test_the_brake_forgets_with_time_and_survives_a_clock_step() -> None:
    brake = Brake(limit=2, window_s=10)
    brake.count("k", 100)
    brake.count("k", 101)
    assert brake.wait_s("k", 102) == 8
    assert brake.wait_s("k", 111.5) == 0
    assert brake.wait_s("k", 5) == 0  # the clock was set back


def test_unknown_names_are_not_told_from_wrong_passwords(guarded: Context) -> None:
    client = _open(guarded)
    answers = []
    for name in ("ines", "nobody"):
        form = {"csrf": token_of(client, "/login"), "name": name, "password": "wrong wrong wrong"}
        answer = client.post("/login", data=form)
        answers.append((answer.status_code, "do not match" in answer.text))
    assert answers == [(401, True)] * 2


def test_password_hashing_parameters(tmp_path: Path) -> None:
    """RFC 9106 section 4, second recommended option, as argon2-cffi states it; and the minimum of OWASP's
    "Password Storage Cheat Sheet": argon2id with 19 MiB, 2 passes, 1 lane (from memory)."""
    state = ServiceState(tmp_path)
    add_user(state, "ines", PASSWORD, "operator", "now")
    with state.connect() as db:
        hashed = db.execute("SELECT hash FROM user").fetchone()[0]
    found = argon2.extract_parameters(hashed)
    assert found == RFC_9106_LOW_MEMORY
    assert found.type is argon2.Type.ID
    assert found.memory_cost >= 19 * 1024
    assert found.time_cost >= 2
    assert found.salt_len >= 16


def test_an_old_hash_is_renewed_at_the_next_login(tmp_path: Path) -> None:
    state = ServiceState(tmp_path)
    add_user(state, "ines", PASSWORD, "operator", "now")
    weak = argon2.PasswordHasher(time_cost=1, memory_cost=1024, parallelism=1).hash(PASSWORD)
    with state.connect() as db:
        db.execute("UPDATE user SET hash = ?", (weak,))
    assert check_password(state, "ines", PASSWORD) == "operator"
    with state.connect() as db:
        hashed = db.execute("SELECT hash FROM user").fetchone()[0]
    assert argon2.extract_parameters(hashed) == RFC_9106_LOW_MEMORY


@pytest.mark.parametrize(
    ("name", "password", "says"),
    [
        ("ines", "short", "5 characters"),
        ("", PASSWORD, "user name"),
        ("a\nb", PASSWORD, "user name"),
        ("x", "y" * 300, "300"),
    ],
)
def test_poor_names_and_passwords_are_refused(tmp_path: Path, name: str, password: str, says: str) -> None:
    state = ServiceState(tmp_path)
    with pytest.raises(UsageError, match=says):
        add_user(state, name, password, "viewer", "now")
    assert users(state) == []


def test_the_audit_trail_cannot_be_rewritten(tmp_path: Path) -> None:
    state = ServiceState(tmp_path)
    state.record("2025-11-05T07:00:00Z", "ines", "visit planned", SITE)
    for statement in ("UPDATE audit SET who = 'x'", "DELETE FROM audit"):
        with pytest.raises(sqlite3.IntegrityError, match="append-only"), state.connect() as db:
            db.execute(statement)
    assert [line["who"] for line in state.audit()] == ["ines"]


def test_the_states_file_is_the_owners_alone(tmp_path: Path) -> None:
    assert ServiceState(tmp_path).path.stat().st_mode & 0o777 == 0o600


# -- listening ---------------------------------------------------------------


def test_beyond_loopback_logins_and_tls_are_demanded(tmp_path: Path) -> None:
    state = ServiceState(tmp_path)
    outside = Settings(service=ServerSettings(host="0.0.0.0"))
    check_access(Settings(), state)
    with pytest.raises(UsageError, match="there is no user"):
        check_access(outside, state)
    add_user(state, "ines", PASSWORD, "operator", "now")
    with pytest.raises(UsageError, match="without TLS"):
        check_access(outside, state)
    check_access(Settings(service=ServerSettings(host="0.0.0.0", behind_proxy=True)), state)
    with pytest.raises(UsageError, match="go together"):
        check_access(Settings(service=ServerSettings(tls_cert="cert.pem")), state)


def test_changes_are_rate_limited(client: TestClient, clock: Clock) -> None:
    token = token_of(client)
    path = f"/sites/{SITE}/findings/1/note"
    answers = [client.post(path, data={"csrf": "wrong"}).status_code for _ in range(120)]
    assert set(answers) == {403}
    braked = client.post(path, data={"csrf": token, "text": "x"})
    assert braked.status_code == 429
    assert int(braked.headers["retry-after"]) > 0
    clock.now += 61
    assert client.post(path, data={"csrf": token, "text": "x"}).status_code == 303
