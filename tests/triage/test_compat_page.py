"""The check as HTML: a fragment that stands in a report, and a page that fits a phone."""

from __future__ import annotations

from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from collectors.site import parse_site
from rules.compat.check import check_site
from rules.compat.result import CompatResult
from triage.compat_draft import draft_toml
from triage.compat_page import compat_fragment, compat_page, figure, limit_text, room_text, value_text
from triage.compat_profiles import load_profile

VALUES = {
    "pmax_w": 405.0, "vmp_v": 31.2, "imp_a": 12.98, "voc_v": 37.2, "isc_a": 13.85, "beta_voc_pct_k": -0.26,
    "rated_va": 400.0, "start_v": 60.0, "mppt_min_v": 16.0, "max_input_v": 40.0, "max_isc_a": 20.0,
    "latitude": 47.6, "longitude": 8.2, "record_low_c": -20.0,
}  # fmt: skip
_VOID = {"meta", "br", "link", "img", "hr", "input"}


class _Balance(HTMLParser):
    """Every tag that is opened is closed, in order."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []

    def handle_starttag(self, tag: str, _attrs: Any) -> None:
        if tag not in _VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


@pytest.fixture(scope="module")
def result() -> CompatResult:
    text = draft_toml(VALUES, "roof", "iec-230").replace('id = "roof"', 'id = "roof"\nname = "<b>Mill</b> & Co"')
    return check_site(parse_site(text), load_profile("iec-230"))


def test_fragment_is_one_section_and_escapes(result: CompatResult) -> None:
    html = compat_fragment(result)
    assert html.lstrip().startswith("<section")
    assert html.rstrip().endswith("</section>")
    assert "<b>Mill</b>" not in html
    assert "&lt;b&gt;Mill&lt;/b&gt; &amp; Co" in html
    parser = _Balance()
    parser.feed(html)
    assert parser.open == []


def test_fragment_shows_every_row_its_formula_and_the_caution(result: CompatResult) -> None:
    html = compat_fragment(result, level=3)
    assert '<h3 id="compat-title">' in html
    assert html.count("<tr>") >= len(result.checks)
    assert "local codes" in html
    for check in result.checks:
        assert check.title in html
    assert "never" in html  # a start-up voltage of 60 V is never reached
    # A verdict is a word, not a colour alone.
    assert html.count("> fail</td>") == result.counts()["fail"] > 0


def test_style_touches_nothing_outside(result: CompatResult) -> None:
    style = compat_fragment(result).split("<style>")[1].split("</style>")[0]
    for line in style.splitlines():
        for rule in line.split("}"):
            selector = rule.split("{")[0].strip()
            if "{" in rule and not selector.startswith("@"):
                assert selector.startswith(".compat"), selector


def test_figures_for_people(result: CompatResult) -> None:
    assert figure(41.5538) == "41.55"
    assert figure(1200.0) == "1,200"
    assert figure(0.0) == "0"
    assert figure(0.1723) == "0.1723"
    (voc,) = result.of("voc-cold")
    assert (value_text(voc), limit_text(voc), room_text(voc)) == ("41.55 V", "at most 40 V", "-4 %")


@pytest.mark.browser
def test_page_fits_wide_and_narrow(result: CompatResult, tmp_path: Path) -> None:
    sync_api = pytest.importorskip("playwright.sync_api")
    chromium = Path("/usr/bin/chromium")
    if not chromium.exists():
        pytest.skip("no chromium")
    page_file = tmp_path / "check.html"
    page_file.write_text(compat_page(result), "utf-8")
    with sync_api.sync_playwright() as play:
        browser = play.chromium.launch(executable_path=str(chromium), args=["--no-sandbox"])
        for width in (1280, 390):
            page = browser.new_page(viewport={"width": width, "height": 900})
            page.goto(page_file.as_uri())
            assert page.evaluate("document.documentElement.scrollWidth") <= width
            assert page.title() == "Electrical check: <b>Mill</b> & Co"
        browser.close()
