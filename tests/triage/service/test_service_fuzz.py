"""Whatever is sent: an answer or a refusal, never a 5xx and never a page without its defences."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from urllib.parse import quote

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from service_makers import SITE, Clock, token_of
from starlette.testclient import TestClient

from triage.service.app import build_app
from triage.service.context import Context

LOOK = [
    "/", "/call", "/fleet", "/fleet/charts/{a}", "/import", "/visits", "/visits/new", "/visits/{a}", "/visits/{a}/verify",
    "/visits/{a}/sheet.pdf", "/sites/{s}", "/sites/{s}/call", "/sites/{s}/roof", "/sites/{s}/charts/{a}",
    "/sites/{s}/findings/{n}/chart",
    "/sites/{s}/findings/{n}/evidence.zip", "/sites/{s}/findings.csv", "/sites/{s}/readings.csv",
    "/sites/{s}/site.toml", "/nights", "/people", "/health", "/login", "/static/{a}", "/{a}",
]  # fmt: skip
CHANGE = [
    "/import/preview", "/import/confirm", "/visits", "/visits/{a}/close", "/sites", "/login", "/logout",
    *(f"/sites/{{s}}/findings/{{n}}/{act}" for act in ("acknowledge", "snooze", "note", "resolve", "reopen")),
]  # fmt: skip
FIELDS = (
    "site", "kind", "files", "file", "parked", "finding", "planned_for", "note", "text", "until", "state",
    "day", "q", "days", "done", "as", "name", "password",
)  # fmt: skip

KINDS = (
    "multipart/form-data",
    "multipart/form-data; boundary=x",
    "application/x-www-form-urlencoded",
    "application/json",
    "text/plain",
    "",
)
words = st.one_of(
    st.text(max_size=40),
    st.sampled_from(
        ["", "0", "-1", "1", "999999999999999999999", "1e9", SITE, f"{SITE}:1", "../../x", "2025-11-20",
         "9999-12-31", "0001-01-01", "done", "csv", "\x00", "%00", "<script>",
         "'; DROP TABLE finding; --", "é", "𝕏" * 30]
    ),
)  # fmt: skip
texts = words.filter(lambda s: not any(0xD800 <= ord(c) <= 0xDFFF for c in s))


@pytest.fixture(scope="module")
def fuzzed(checked: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("fuzzed") / "workspace"
    shutil.copytree(checked, folder)
    return folder


@pytest.fixture
def fuzz_client(fuzzed: Path, make_context: Callable[..., Context]) -> Iterator[TestClient]:
    app = build_app(make_context(fuzzed))
    with TestClient(app, base_url="http://127.0.0.1", follow_redirects=False, raise_server_exceptions=False) as client:
        yield client


@settings(max_examples=200, deadline=None, suppress_health_check=list(HealthCheck))
@given(data=st.data())
def test_no_request_breaks_the_service(fuzz_client: TestClient, clock: Clock, data: st.DataObject) -> None:
    clock.now += 30  # or the brake on changes would answer everything
    method = data.draw(st.sampled_from(["GET"] * 5 + ["POST"] * 6 + ["HEAD", "PUT", "OPTIONS"]))
    path = data.draw(st.sampled_from(CHANGE if method == "POST" else LOOK)).format(
        s=quote(data.draw(st.one_of(st.just(SITE), st.just(SITE), texts)), safe=""),
        n=quote(data.draw(st.one_of(st.sampled_from(["1", "2", "3", "0"]), texts)), safe=""),
        a=quote(data.draw(st.one_of(st.sampled_from(["energy", "record", "app.css"]), texts)), safe=""),
    )
    params = data.draw(st.dictionaries(st.sampled_from(FIELDS), texts, max_size=3))
    if method == "POST":
        form = {**params, "csrf": token_of(fuzz_client)}
        files = data.draw(
            st.one_of(
                st.none(),
                st.tuples(texts.filter(bool), st.binary(max_size=200)).map(lambda f: [("files", f)]),
                st.tuples(st.just("site.toml"), st.binary(max_size=100)).map(lambda f: [("file", f)]),
            )
        )
        answer = fuzz_client.post(path, data=form, files=files)
    else:
        answer = fuzz_client.request(method, path, params=params)
    assert answer.status_code < 500, (method, path, params, answer.text[:300])
    assert "content-security-policy" in answer.headers
    assert "Traceback" not in answer.text


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(body=st.binary(max_size=400), kind=st.sampled_from(KINDS))
def test_no_body_breaks_a_form(fuzz_client: TestClient, clock: Clock, body: bytes, kind: str) -> None:
    clock.now += 30
    for path in ("/import/preview", "/visits", "/login"):
        answer = fuzz_client.post(path, content=body, headers={"Content-Type": kind})
        assert answer.status_code in (400, 403, 429), (path, answer.status_code, answer.text[:200])


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(cookie=st.text(st.characters(min_codepoint=33, max_codepoint=126), max_size=80), host=st.text(max_size=20))
def test_no_header_breaks_a_page(fuzz_client: TestClient, cookie: str, host: str) -> None:
    headers = {
        "Cookie": f"callout_browser={cookie}; callout_session={cookie}",
        "X-Forwarded-For": cookie,
        "Accept-Encoding": cookie,
        "Host": quote(host),
    }
    answer = fuzz_client.get("/", headers=headers)
    assert answer.status_code in (200, 421)
