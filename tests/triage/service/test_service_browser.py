"""A walk through the pages in headless Chromium, wide and narrow, with an accessibility check on each.

Screenshots go to the folder named by CALLOUT_SCREENSHOTS, else to pytest's own.
"""

from __future__ import annotations

import os
import shutil
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import uvicorn
from service_makers import SAMPLES, SITE

from triage.service.accounts import add_user
from triage.service.app import build_app
from triage.service.context import Context

playwright_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
axe_api = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe-playwright-python is not installed")

CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"
pytestmark = [
    pytest.mark.browser,
    pytest.mark.slow,
    pytest.mark.skipif(not Path(CHROMIUM).exists(), reason="Debian's chromium is not installed"),
]

WIDE, PHONE = (1280, 900), (390, 844)
#: WCAG 2.1 level A and AA rules of axe-core, and its best practices.
AXE = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "best-practice"]}


@contextmanager
def served(context: Context) -> Iterator[str]:
    """The app on a free loopback port."""
    config = uvicorn.Config(build_app(context), host="127.0.0.1", port=0, log_config=None, lifespan="off")
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    deadline = time.monotonic() + 30
    while not server.started:
        assert time.monotonic() < deadline, "the server did not start"
        time.sleep(0.02)
    port = server.servers[0].sockets[0].getsockname()[1]
    try:
        yield f"http://127.0.0.1:{port}"
    finally:
        server.should_exit = True
        thread.join(20)


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    with playwright_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox", "--disable-dev-shm-usage", "--disable-gpu"]
        )
        yield browser
        browser.close()


@dataclass
class Walk:
    """One browser window on the service; every page it shows is checked."""

    page: Any
    address: str
    shots: Path
    complaints: list[str]

    def go(self, path: str, name: str) -> None:
        self.page.goto(self.address + path)
        self.check(name)

    def check(self, name: str) -> None:
        self.page.wait_for_load_state("load")
        self.page.screenshot(path=str(self.shots / f"{name}.png"), full_page=True)
        wider = self.page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        assert wider <= 0, f"{name} is {wider} px wider than the screen"
        results = axe_api.Axe().run(self.page, options=AXE)
        serious = [v for v in results.response["violations"] if v["impact"] in ("serious", "critical", "moderate")]
        told = [(v["id"], v["help"], [n["html"][:160] for n in v["nodes"][:3]]) for v in serious]
        assert not told, f"{name}: {told}"
        assert self.complaints == [], f"{name}: {self.complaints}"

    def draw_charts(self) -> int:
        """Scroll past every chart and wait until all are drawn; returns how many."""
        boxes = self.page.locator("[data-chart]")
        for n in range(boxes.count()):
            boxes.nth(n).scroll_into_view_if_needed()
        # Not wait_for_function: it evaluates text, which the page's policy forbids.
        left = self.page.locator("[data-chart]:not([data-drawn])")
        playwright_api.expect(left).to_have_count(0, timeout=60_000)
        assert self.page.locator("[data-chart][data-drawn=no]").count() == 0
        return int(boxes.count())


@pytest.fixture
def walk(chromium: Any, tmp_path: Path) -> Iterator[Callable[..., Walk]]:
    opened = []
    shots = Path(os.environ.get("CALLOUT_SCREENSHOTS") or tmp_path / "screenshots")
    shots.mkdir(parents=True, exist_ok=True)

    def make(address: str, size: tuple[int, int], scheme: str = "light") -> Walk:
        window = chromium.new_context(viewport={"width": size[0], "height": size[1]}, color_scheme=scheme, reduced_motion="reduce")
        opened.append(window)
        page = window.new_page()
        page.set_default_timeout(30_000)
        complaints: list[str] = []
        page.on("console", lambda m: complaints.append(m.text[:300]) if m.type in ("error", "warning") else None)
        page.on("pageerror", lambda error: complaints.append(str(error)[:300]))
        return Walk(page, address, shots, complaints)

    yield make
    for window in opened:
        window.close()


@pytest.mark.parametrize(("size", "scheme"), [(WIDE, "light"), (PHONE, "dark")])
def test_from_first_start_to_the_first_answer(
    size: tuple[int, int],
    scheme: str,
    tmp_path: Path,
    make_context: Callable[..., Context],
    walk: Callable[..., Walk],
) -> None:
    """No site yet; add one from its file, import with a preview, read the answer."""
    folder = tmp_path / "workspace"
    with served(make_context(folder)) as address:
        w = walk(address, size, scheme)
        tag = f"{size[0]}"
        w.go("/", f"first-start-{tag}")
        assert w.page.get_by_role("heading", name="No site yet.").is_visible()
        w.page.get_by_label("Site file (TOML)").set_input_files(str(SAMPLES / SITE / "site.toml"))
        w.page.get_by_role("button", name="Add the site").click()
        w.page.get_by_text("Site added.").wait_for()
        w.check(f"site-empty-{tag}")
        w.page.get_by_role("link", name="import an export").click()
        w.check(f"import-{tag}")
        w.page.get_by_label("Exports: choose files").set_input_files(
            [str(SAMPLES / SITE / "telemetry.csv.gz"), str(SAMPLES / SITE / "gateway_log.csv")]
        )
        assert "telemetry.csv.gz" in w.page.locator("[data-said]").inner_text()
        w.page.get_by_role("button", name="Preview").click()
        w.page.get_by_text("Nothing is stored yet.").wait_for()
        w.check(f"preview-{tag}")
        w.page.get_by_role("button", name="Import this").click()
        w.page.get_by_role("link", name="To the site").wait_for()
        w.check(f"imported-{tag}")
        w.page.get_by_role("link", name="To the site").click()
        assert "bypassed" in w.page.locator(".verdict").inner_text()


@pytest.mark.parametrize(("size", "scheme"), [(WIDE, "dark"), (PHONE, "light")])
def test_the_working_day(size: tuple[int, int], scheme: str, context: Context, walk: Callable[..., Walk]) -> None:
    """Morning, a call, the site with its charts, acknowledge, visit sheet, verify."""
    tag = f"{size[0]}"
    with served(context) as address:
        w = walk(address, size, scheme)
        w.go("/", f"morning-{tag}")
        assert "roof to visit" in w.page.locator("h1").inner_text()
        w.page.get_by_label("Someone on the phone?").fill("ambrel")
        w.page.keyboard.press("Enter")
        w.page.get_by_text("Try first, from the desk").wait_for()
        w.check(f"call-{tag}")
        w.page.get_by_role("link", name="Ambrel Farmhouse").first.click()
        assert w.draw_charts() >= 4
        w.page.wait_for_selector("[data-fragment] .roof-svg")
        w.check(f"site-{tag}")
        article = w.page.locator("article.finding").first
        article.get_by_text("Numbers, history").click()
        article.get_by_label("Remark").fill("van on Thursday")
        article.get_by_role("button", name="Acknowledge").click()
        w.page.get_by_text("Acknowledged: it is in hand.").wait_for()
        assert "van on Thursday" in w.page.content()
        w.go(f"/visits/new?site={SITE}", f"visit-new-{tag}")
        w.page.get_by_role("button", name="Make the sheet").click()
        w.page.get_by_text("Visit planned.").wait_for()
        w.check(f"visit-{tag}")
        w.page.get_by_label("Day it was made").fill("2025-10-25")
        w.page.get_by_role("button", name="The visit was made").click()
        w.page.get_by_role("link", name="Did it help?").click()
        w.page.get_by_role("heading", name="Did the visit help?").wait_for()
        w.check(f"verify-{tag}")
        for path in ("/visits", "/fleet", "/nights", "/people", "/call?q=nothing-like-this", "/sites/none"):
            w.complaints.clear()
            w.page.goto(address + path)
            w.complaints[:] = [c for c in w.complaints if "404" not in c]
            w.check(f"{path.strip('/').split('?')[0].replace('/', '-')}-{tag}")


def test_signing_in_and_out(context: Context, walk: Callable[..., Walk]) -> None:
    add_user(context.state, "ines", "a long walk to the mill", "viewer", "2025-11-05T07:00:00Z")
    with served(context) as address:
        w = walk(address, PHONE)
        w.go(f"/sites/{SITE}", "login-390")
        w.page.get_by_label("Name").fill("ines")
        w.page.get_by_label("Password").fill("a long walk to the mill")
        w.page.keyboard.press("Enter")
        w.page.get_by_role("heading", name="1 roof to visit.").wait_for()
        assert "viewer" in w.page.locator("footer").inner_text()
        w.page.get_by_role("button", name="Sign out").click()
        w.page.get_by_role("heading", name="Sign in").wait_for()
        w.page.goto(address)
        assert w.page.url.endswith("/login")


def test_a_file_can_be_dropped(context: Context, walk: Callable[..., Walk]) -> None:
    with served(context) as address:
        w = walk(address, WIDE)
        w.page.goto(f"{address}/import?site={SITE}")
        w.page.evaluate(
            """() => {
              const files = new DataTransfer();
              const text = "timestamp,unit,input,dc_power_w\\n2025-11-05T10:00:00Z,005A31EC,1,12\\n";
              files.items.add(new File([text], "dropped.csv"));
              document.querySelector("[data-drop]").dispatchEvent(
                new DragEvent("drop", { dataTransfer: files, bubbles: true, cancelable: true }));
            }"""
        )
        assert w.page.locator("[data-said]").inner_text() == "dropped.csv"
        w.page.get_by_role("button", name="Preview").click()
        w.page.get_by_role("heading", name="dropped.csv").wait_for()


def test_the_keyboard_is_enough(context: Context, walk: Callable[..., Walk]) -> None:
    """Skip link first, then the way to a site and to a form's button without a mouse."""
    with served(context) as address:
        w = walk(address, WIDE)
        w.page.goto(address)
        w.page.keyboard.press("Tab")
        assert w.page.evaluate("document.activeElement.className") == "skip"
        w.page.keyboard.press("Enter")
        assert w.page.evaluate("document.activeElement.id") == "main"
        for _ in range(8):
            w.page.keyboard.press("Tab")
            if w.page.evaluate("document.activeElement.getAttribute('href')") == f"/sites/{SITE}":
                break
        w.page.keyboard.press("Enter")
        w.page.wait_for_url(f"**/sites/{SITE}")


def test_pages_work_without_script(chromium: Any, context: Context) -> None:
    with served(context) as address:
        window = chromium.new_context(java_script_enabled=False)
        page = window.new_page()
        page.goto(f"{address}/sites/{SITE}")
        assert page.locator("svg.plan").count() >= 1
        page.goto(address)
        assert page.get_by_role("link", name="Ambrel Farmhouse").count() == 1
        window.close()
