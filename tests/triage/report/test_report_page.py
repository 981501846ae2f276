"""The report as a file: says everything, opens offline, hurts nobody."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from html.parser import HTMLParser
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from report_makers import FakeView

from rules.finding import Finding, NotJudged
from triage.ledger import LedgerEntry
from triage.report.build import asset, evidence_rows, report_html, thresholds

AT = "2026-06-08T21:00:00Z"


@dataclass(frozen=True)
class Result:
    from_day: str = "2026-06-01"
    to_day: str = "2026-06-08"
    irradiance_source: str = "own inputs"
    irradiance_note: str = "no sensor"
    not_judged: tuple[NotJudged, ...] = ()
    rejected_rows: dict[str, int] = field(default_factory=dict)


def entries_of(findings: tuple[Finding, ...]) -> list[LedgerEntry]:
    return [LedgerEntry(n, finding, "open", AT, AT) for n, finding in enumerate(findings, start=1)]


@pytest.fixture(scope="module")
def page(view: Any, findings: tuple[Finding, ...], not_judged: tuple[NotJudged, ...]) -> str:
    entries = entries_of(findings)
    entries[3] = replace(entries[3], status="snoozed", snoozed_until="2026-07-01")
    entries.append(LedgerEntry(9, replace(findings[0], fault="snow"), "resolved", AT, AT))
    result = Result(not_judged=not_judged, rejected_rows={"power below zero <x>": 3})
    return report_html(view.site, view, result, entries, made_at=1_780_956_000)


class _Outline(HTMLParser):
    """Tags, headings in order, text outside scripts, and everything fetched from elsewhere."""

    def __init__(self) -> None:
        super().__init__()
        self.levels: list[int] = []
        self.ids: list[str] = []
        self.targets: list[str] = []
        self.fetched: list[str] = []
        self.unnamed: list[str] = []
        self.text = ""
        self._quiet = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        if re.fullmatch(r"h[1-6]", tag):
            self.levels.append(int(tag[1]))
        if given.get("id"):
            self.ids.append(str(given["id"]))
        if tag == "a":
            self.targets.append(str(given.get("href")))
        for name in ("src", "href", "data-src"):
            if tag != "a" and given.get(name):
                self.fetched.append(str(given[name]))
        if given.get("role") in ("img", "region") and not given.get("aria-label"):
            self.unnamed.append(tag)
        self._quiet += tag in ("script", "style")

    def handle_endtag(self, tag: str) -> None:
        self._quiet -= tag in ("script", "style")

    def handle_data(self, data: str) -> None:
        if not self._quiet:
            self.text += data


@pytest.fixture(scope="module")
def outline(page: str) -> _Outline:
    parser = _Outline()
    parser.feed(page)
    return parser


def test_nothing_is_fetched_from_elsewhere(page: str, outline: _Outline) -> None:
    assert outline.fetched == []
    assert "default-src 'none'" in page
    assert page.count("<script>") == 2  # plotly once, our few lines once
    assert " style=" not in page.split("<script", 1)[0]


def test_headings_step_down_one_at_a_time_and_links_lead_somewhere(outline: _Outline) -> None:
    assert outline.levels[0] == 1
    assert outline.levels.count(1) == 1
    assert all(later <= earlier + 1 for earlier, later in zip(outline.levels, outline.levels[1:], strict=False))
    assert len(outline.ids) == len(set(outline.ids))
    assert {t.removeprefix("#") for t in outline.targets} <= set(outline.ids)
    assert outline.unnamed == []


def test_the_answer_stands_before_everything_else(outline: _Outline) -> None:
    text = outline.text
    assert text.index("Go: dead input (A/2).") < text.index("What to do") < text.index("The roof")
    assert text.index("Before anyone touches anything") < text.index("Expected and measured")


def test_everything_the_user_asked_for_is_said(outline: _Outline) -> None:
    for needed in (
        "Isolate AC first", "Never unplug a DC or AC connector under load", "live in daylight",
        "Work at height", "Local codes", "licensed persons",  # cautions, common practice
        "What could not be judged", "Dirt, whole site: under 14 days (all 8 days)",
        "power below zero <x>: 3", "Times in Europe/Paris.", "the inputs themselves against a clear sky, no sensor",
        "5 min", "207 to 253 V", "What else it could be", "A meter at the connector tells.",
        "What to measure there", "Over and done", "snoozed until 1 Jul 2026", "0.25 EUR per kWh",
        "azimuth 180°, tilt 35° (on file)",
    ):  # fmt: skip
        assert needed in outline.text, needed


def test_text_from_data_is_escaped(page: str) -> None:
    assert "Hand-drawn &lt;roof&gt;" in page
    assert "No voltage &lt;0.5 V&gt; by day &amp; night." in page
    assert "<roof>" not in page
    assert "<0.5 V>" not in page.replace("\\u003c", "")


def test_chart_data_are_json_that_cannot_end_its_script(view: FakeView, findings: tuple[Finding, ...]) -> None:
    hostile = replace(findings[0], why="</script><script>alert(1)</script>")
    page = report_html(view.site, view, Result(), entries_of((hostile,)), made_at=0)
    blocks = re.findall(r'<script type="application/json" id="([a-z\d-]+)">(.*?)</script>', page, re.S)
    assert [name for name, _ in blocks] == ["finding-1-chart", "energy-chart", "data-chart"]
    for _, text in blocks:
        assert json.loads(text)["data"]
    assert "<script>alert(1)" not in page


def test_a_site_without_readings_has_a_report_that_says_so() -> None:
    from report_makers import make_view

    site = make_view().site
    page = report_html(site, None, Result("", "", "none", ""), [], made_at=0)
    assert "Can&#39;t tell: there are no readings yet." in page
    assert "There are no readings to show." in page
    assert "<script" not in page


def test_a_sound_site_is_told_not_to_be_visited(view: FakeView) -> None:
    page = report_html(view.site, view, Result(), [], made_at=0)
    assert "no fault found up to 8 Jun 2026" in page
    assert 'class="care"' not in page


def test_times_are_told_with_their_zone(page: str) -> None:
    # 1_780_956_000 is 2026-06-08 22:00 UTC; Paris keeps UTC+2 in summer.
    assert "Made 9 Jun 2026 00:00 CEST" in page


def test_rule_thresholds_are_listed_with_their_source() -> None:
    rows = thresholds()
    assert len(rows) > 10
    assert all(row.source and row.value for row in rows)
    assert {"shared, hard", "shading"} <= {row.rule for row in rows}
    assert len({(row.rule, row.name) for row in rows}) == len(rows)


def test_evidence_is_told_with_units() -> None:
    finding = Finding(
        site="s", fault="snow", first_seen="2026-01-01", last_seen="2026-01-01", days=1, confidence=1.0,
        severity="low", loss_wh_per_day=0.0, loss_wh_total=0.0, action="none", why="",
        evidence={"voltage_v": 29.512, "loss_wh": None, "uneven": True, "bins": [0.0] * 48,
                  "hours": list(range(20))},
    )  # fmt: skip
    assert evidence_rows(finding) == [
        ("voltage (V)", "29.51"),
        ("loss (Wh)", "unknown"),
        ("cleared one after the other", "yes"),
        ("hours", "20 values"),
    ]


def test_the_shared_script_needs_no_inline_code() -> None:
    script = asset("themed.js") + asset("charts.js")
    assert "eval(" not in script
    assert "innerHTML" not in script
    assert ".style" not in script


def test_how_a_chart_looks_stands_in_one_script() -> None:
    sources = {f: f.read_text() for f in Path(str(files("triage"))).rglob("*") if f.suffix in (".js", ".html")}
    assert {f.name for f, text in sources.items() if re.search(r"nticks|--role-|dragmode", text)} == {"themed.js"}
    drawing = [f for f, text in sources.items() if re.search(r"Plotly\.(react|newPlot)", text)]
    assert sorted(f.name for f in drawing) == ["charts.js", "charts.js", "fleet.html"]
    assert [f.name for f in drawing if "calloutThemed(" not in sources[f]] == []


# -- in a browser ----------------------------------------------------------------


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    sync = pytest.importorskip("playwright.sync_api")
    binary = Path("/usr/bin/chromium")
    if not binary.exists():
        pytest.skip("Debian's chromium is not installed")
    with sync.sync_playwright() as play:
        browser = play.chromium.launch(executable_path=str(binary), args=["--no-sandbox"])
        yield browser
        browser.close()


@pytest.mark.browser
@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (390, "dark")])
def test_it_opens_offline_draws_all_charts_and_passes_axe(
    chromium: Any, page: str, tmp_path: Path, width: int, scheme: str
) -> None:
    from axe_playwright_python.sync_playwright import Axe

    file = tmp_path / "report.html"
    file.write_text(page, encoding="utf-8")
    context = chromium.new_context(viewport={"width": width, "height": 900}, color_scheme=scheme, offline=True)
    tab = context.new_page()
    troubles: list[str] = []
    tab.on("console", lambda message: troubles.append(message.text))
    tab.on("pageerror", lambda error: troubles.append(str(error)))
    tab.goto(file.as_uri())
    tab.wait_for_selector("html[data-charts=drawn]", timeout=60_000)
    assert troubles == []
    assert tab.locator(".chart svg.main-svg").count() >= tab.locator(".chart").count() == 6
    assert tab.locator("html").evaluate("e => e.scrollWidth") <= width
    # Outside check: the axe rules (Deque, after WCAG 2), no serious finding allowed.
    found = Axe().run(tab).response["violations"]
    assert [(v["id"], v["help"]) for v in found if v["impact"] in ("serious", "critical")] == []
    context.close()


#: Pairs of words on one chart, axis titles and tick labels, that lie over one another by more than a hair.
_OVERLAPS = """() => [...document.querySelectorAll('.chart')].flatMap(chart => {
  const words = [...chart.querySelectorAll('[class^="g-x"] text, [class^="g-y"] text, .xtick text, .ytick text,' +
    ' .x2tick text, .y2tick text, .x3tick text, .y3tick text')]
    .flatMap(t => t.querySelector('tspan.line') ? [...t.querySelectorAll('tspan.line')] : [t]).filter(t => t.textContent.trim());
  const boxes = words.map(t => t.getBoundingClientRect());
  const found = [];
  for (let i = 0; i < words.length; i++) for (let k = i + 1; k < words.length; k++) {
    const a = boxes[i], b = boxes[k];
    const wide = Math.min(a.right, b.right) - Math.max(a.left, b.left);
    const high = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
    if (wide > 1 && high > 1) found.push([words[i].textContent, words[k].textContent]);
  }
  return found;
})"""


@pytest.mark.browser
@pytest.mark.parametrize("width", [1280, 390])
def test_no_words_of_a_chart_lie_over_one_another(chromium: Any, page: str, tmp_path: Path, width: int) -> None:
    file = tmp_path / "report.html"
    file.write_text(page, encoding="utf-8")
    tab = chromium.new_page(viewport={"width": width, "height": 900})
    tab.goto(file.as_uri())
    tab.wait_for_selector("html[data-charts=drawn]", timeout=60_000)
    assert tab.locator(".chart .xtick text").count() > 10
    assert tab.evaluate(_OVERLAPS) == []
    tab.close()


@pytest.mark.browser
def test_it_prints_to_a4(chromium: Any, page: str, tmp_path: Path) -> None:
    file, paper = tmp_path / "report.html", tmp_path / "report.pdf"
    file.write_text(page, encoding="utf-8")
    tab = chromium.new_page()
    tab.goto(file.as_uri())
    tab.wait_for_selector("html[data-charts=drawn]", timeout=60_000)
    tab.pdf(path=str(paper), prefer_css_page_size=True)
    data = paper.read_bytes()
    # A4 is 210 x 297 mm (ISO 216): 595 x 842 points.
    boxes = {tuple(round(float(n)) for n in m.split()) for m in re.findall(rb"/MediaBox \[([\d. ]+)\]", data)}
    assert boxes <= {(0, 0, 595, 842), (0, 0, 596, 842)}
    assert data.count(b"/Type /Page\n") + data.count(b"/Type /Page ") <= 9
    tab.close()
