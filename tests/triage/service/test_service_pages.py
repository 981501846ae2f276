"""The pages: what they say, what they do, what they refuse."""

from __future__ import annotations

import csv
import gzip
import io
import json
import zipfile
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from service_makers import MORNING, SAMPLES, SITE, Clock, token_of
from starlette.testclient import TestClient

from triage.fleet.index import FleetIndex
from triage.fleet.overview import overview
from triage.fleet.summary import FindingBrief, SiteSummary
from triage.ledger import Ledger
from triage.service.app import build_app
from triage.service.context import Context
from triage.service.morning import morning
from triage.service.settings import ServerSettings, Settings
from triage.workspace import Workspace

NASTY = "<script>alert(1)</script>"


def live_ids(folder: Path) -> list[int]:
    with Workspace(folder).open(SITE) as store:
        return [e.id for e in Ledger(store).open()]


def status_of(folder: Path, number: int) -> str:
    with Workspace(folder).open(SITE) as store:
        return Ledger(store).get(number).status


# -- morning ----------------------------------------------------------------------


def brief(action: str = "visit", severity: str = "high", loss: float = 500.0, **changes: object) -> FindingBrief:
    values: dict[str, object] = {
        "id": "1", "fault": "dead-input", "place": "A/1", "action": action, "severity": severity,
        "confidence": 0.9, "loss_wh_per_day": loss, "loss_wh_total": 5 * loss, "first_seen": "2025-11-01",
        "last_seen": "2025-11-04", "status": "open", "why": "A/1 had no voltage on 4 days.",
    }  # fmt: skip
    return FindingBrief(**{**values, **changes})  # type: ignore[arg-type]


def summary(site: str, *findings: FindingBrief, **changes: object) -> SiteSummary:
    values: dict[str, object] = {
        "site_id": site, "name": site.title(), "night": "2025-11-04", "to_day": "2025-11-04",
        "last_sample": int(MORNING) - 3600, "tariff_per_kwh": 0.3, "currency": "EUR", "findings": findings,
    }  # fmt: skip
    return SiteSummary(**{**values, **changes})  # type: ignore[arg-type]


def test_sites_stand_in_the_order_of_urgency_then_worth() -> None:
    found = morning(
        [
            summary("quiet"),
            summary("small", brief(loss=100.0)),
            summary("phone", brief("remote")),
            summary("big", brief(loss=900.0)),
            summary("watched", brief("watch", "low")),
            summary("taken", brief(status="acknowledged")),
            summary("broken", error="the file is damaged"),
        ],
        {},
        MORNING,
    )
    assert [line.site for line in found.lines] == [
        "big", "small", "phone", "broken", "watched", "taken", "quiet",
    ]  # fmt: skip
    assert found.headline == "2 roofs to visit, 1 to try from the desk, 1 could not be checked; 3 can wait."


def test_worth_is_money_where_there_is_a_tariff_else_energy() -> None:
    paid, unpaid = summary("a", brief(loss=1000.0)), summary("b", brief(loss=1000.0), tariff_per_kwh=None)
    lines = {line.site: line.worth for line in morning([paid, unpaid], {}, MORNING).lines}
    assert lines == {"a": "0.30 EUR a day", "b": "1.0 kWh a day"}


def test_silence_is_not_health() -> None:
    old = summary("old", last_sample=int(MORNING) - 9 * 86400)
    never = summary("never", last_sample=None, night="")
    for line in morning([old, never], {}, MORNING).lines:
        assert line.urgency == "trouble"
        assert "readings" in line.answer
        assert line.silent == "", "the answer says it"


def test_a_site_to_visit_that_went_silent_says_so() -> None:
    """Nine days before the morning of 5 Nov 2025, by the clock at the site."""
    lines = morning([summary("old", brief(), last_sample=int(MORNING) - 9 * 86400)], {}, MORNING).lines
    assert (lines[0].urgency, lines[0].silent) == ("visit", "no readings since 27 Oct 2025")
    assert morning([summary("new", brief())], {}, MORNING).lines[0].silent == ""


def test_what_changed_is_told_in_words() -> None:
    found = morning([summary("a", brief(), brief(id="2", place="A/2"))], {"a": {1: ["new"], 2: ["new"]}}, MORNING)
    assert found.lines[0].changes == ("new: Dead input: no module voltage (2 places)",)
    info = morning([summary("a", brief("none"))], {"a": {1: ["new"]}}, MORNING)
    assert info.lines[0].changes == ()
    over = morning([summary("a", brief(status="resolved"))], {"a": {1: ["resolved"]}}, MORNING)
    assert over.lines[0].changes == ("over: Dead input: no module voltage, A/1",)
    assert over.headline == "Nobody has to go."


def test_the_morning_page_answers_first(client: TestClient) -> None:
    html = client.get("/").text
    assert html.index("<h1") < html.index("roof to visit") < html.index("Someone on the phone?")
    assert "Ambrel Farmhouse" in html
    assert "4 Nov 2025" in html


def test_without_a_site_the_page_says_how_to_begin(tmp_path: Path, make_context: Callable[..., Context]) -> None:
    client = TestClient(build_app(make_context(tmp_path)), base_url="http://127.0.0.1")
    html = client.get("/").text
    assert "Start here" in html
    assert "No site yet." in html
    for path in ("/call", "/import", "/visits", "/visits/new", "/nights", "/people"):
        assert client.get(path).status_code == 200, path


# -- names cannot do harm -------------------------------------------------------------


def test_names_are_shown_not_obeyed(tmp_path: Path, make_context: Callable[..., Context]) -> None:
    toml = f"""[site]\nid = "x"\nname = "{NASTY}"\ncustomer_ref = "{NASTY}"\nlatitude = 1\nlongitude = 1
timezone = "UTC"\n[[units]]\nserial = "{NASTY}"\ninputs = [{{input = 1}}]\n"""
    with Workspace(tmp_path).add_site(toml):
        pass
    client = TestClient(build_app(make_context(tmp_path)), base_url="http://127.0.0.1")
    for path in ("/", "/sites/x", "/sites/x/call", "/call?q=%3Cscript%3Ealert(1)", "/import", "/visits/new"):
        html = client.get(path).text
        assert NASTY not in html, path
        assert html.count("alert(1)") == html.count("&lt;script&gt;alert(1)"), path
        assert ("alert(1)" in html) == (path != "/visits/new"), path


@pytest.mark.parametrize("site", ["none", "..%2f..%2fetc", "%2e%2e", "....", "a%00b", "x" * 300, "service", SITE.upper()])
def test_a_name_that_is_no_site_is_no_page(client: TestClient, site: str) -> None:
    for tail in ("", "/call", "/findings.csv", "/roof", "/charts/energy", "/site.toml", "/findings/1/chart"):
        assert client.get(f"/sites/{site}{tail}").status_code in (400, 404), site


@pytest.mark.parametrize("path", ["/static/..%2fapp.py", "/static/base.py", "/static/", "/sites/x/charts/none"])
def test_only_listed_files_are_served(client: TestClient, path: str) -> None:
    assert client.get(path).status_code == 404


def test_static_files_are_kept_for_good_and_packed(client: TestClient) -> None:
    for name in ("app.css", "charts.js", "themed.js", "evidence.css", "plotly.min.js"):
        answer = client.get(f"/static/{name}", headers={"Accept-Encoding": "gzip"})
        assert "immutable" in answer.headers["cache-control"]
        assert answer.headers["content-encoding"] == "gzip"
        assert client.get(f"/static/{name}", headers={"Accept-Encoding": "identity"}).status_code == 200


# -- site and call ----------------------------------------------------------------------


def test_the_site_page_holds_answer_findings_and_exports(client: TestClient, folder: Path) -> None:
    html = client.get(f"/sites/{SITE}").text
    assert "Go: " in html
    for number in live_ids(folder):
        assert f'id="finding-{number}"' in html
    assert "Europe/Berlin" in html
    assert "Before anyone climbs" in html
    assert f"/sites/{SITE}/findings.csv" in html


def test_charts_and_their_numbers(client: TestClient, folder: Path) -> None:
    number = live_ids(folder)[0]
    for path in (
        f"/sites/{SITE}/charts/energy",
        f"/sites/{SITE}/charts/record",
        f"/sites/{SITE}/findings/{number}/chart",
    ):
        figure = client.get(path).json()
        assert figure["data"]
        assert figure["layout"]["meta"]["alt"]
        rows = list(csv.reader(io.StringIO(client.get(f"{path}?as=csv").text)))
        assert len(rows) > 3
    roof = client.get(f"/sites/{SITE}/roof").text
    assert "<svg" in roof
    assert " style=" not in roof


def test_exports_can_be_read_back(client: TestClient, folder: Path, tmp_path: Path) -> None:
    from triage.importing import import_files

    readings = tmp_path / "readings.csv"
    readings.write_bytes(client.get(f"/sites/{SITE}/readings.csv?days=3").content)
    with Workspace(folder).open(SITE) as store:
        report = import_files(store, [readings])
    assert sum(r.rows_new for r in report.results) == 0
    assert sum(r.rows_same for r in report.results) > 500
    assert report.rejected_rows == {}
    listed = client.get(f"/sites/{SITE}/findings.json").json()["findings"]
    rows = list(csv.DictReader(io.StringIO(client.get(f"/sites/{SITE}/findings.csv").text)))
    assert [r["fault"] for r in rows] == [f["fault"] for f in listed]
    assert client.get(f"/sites/{SITE}/site.toml").text == (SAMPLES / SITE / "site.toml").read_text(encoding="utf-8")


def test_the_nights_report_can_be_taken_away(client: TestClient, folder: Path) -> None:
    from triage.service.nightreport import night_report

    assert client.get(f"/sites/{SITE}/report.html").status_code == 404
    assert "report.html" not in client.get(f"/sites/{SITE}").text
    path = night_report(folder, SITE, "2025-11-05T07:00:00Z")
    assert "report.html" in client.get(f"/sites/{SITE}").text
    answer = client.get(f"/sites/{SITE}/report.html")
    assert answer.headers["content-disposition"].startswith("attachment")
    assert answer.content == path.read_bytes()


@pytest.mark.parametrize("days", ["0", "401", "-1", "x", "9" * 40, ""])
def test_export_spans_are_bounded(client: TestClient, days: str) -> None:
    assert client.get(f"/sites/{SITE}/readings.csv?days={days}").status_code in (400, 404)


def test_a_call_finds_its_site(client: TestClient, folder: Path) -> None:
    assert client.get("/call?q=farmhouse").headers["location"] == f"/sites/{SITE}/call"
    assert "No site matches" in client.get("/call?q=nowhere").text
    FleetIndex(folder).update("twin", SiteSummary(site_id="twin", name="Farmhouse twin"))


def test_a_customer_reference_goes_straight_to_its_site(context: Context, folder: Path) -> None:
    base = (SAMPLES / SITE / "site.toml").read_text(encoding="utf-8")
    for n in range(3):
        toml = base.replace(f'id = "{SITE}"', f'id = "copy-{n}"\ncustomer_ref = "K-10{n}"')
        Workspace(folder).add_site(toml).close()
    client = TestClient(build_app(context), base_url="http://127.0.0.1", follow_redirects=False)
    assert client.get("/call?q=K-102").headers["location"] == "/sites/copy-2/call"
    assert "4 sites" in client.get("/call?q=ambrel").text


def test_the_call_screen_says_what_to_do(client: TestClient) -> None:
    html = client.get(f"/sites/{SITE}/call").text
    # As on the terminal: the cautions stand close to the steps they go with, before the reasons.
    order = [
        "Go: ",
        "Since",
        "Lost so far",
        "Try first, from the desk",
        "If someone goes",
        "Before anyone climbs",
        "<h2>Why</h2>",
    ]
    places = [html.index(words) for words in order]
    assert places == sorted(places)


# -- a finding's life ---------------------------------------------------------------------


def test_a_finding_is_taken_on_snoozed_noted_mended_and_opened(client: TestClient, folder: Path) -> None:
    number = live_ids(folder)[0]
    base = f"/sites/{SITE}/findings/{number}"

    def do(act: str, **form: str) -> int:
        return client.post(f"{base}/{act}", data={"csrf": token_of(client), **form}).status_code

    assert do("acknowledge", text="van on Thursday") == 303
    assert status_of(folder, number) == "acknowledged"
    assert do("snooze", until="2025-11-20") == 303
    assert status_of(folder, number) == "snoozed"
    assert do("note", text="tree will be cut") == 303
    assert do("resolve", text="connector replaced") == 303
    assert status_of(folder, number) == "resolved"
    assert do("reopen") == 303
    assert status_of(folder, number) == "open"
    html = client.get(f"/sites/{SITE}").text
    for words in ("van on Thursday", "tree will be cut", "connector replaced", "until 2025-11-20"):
        assert words in html
    assert "finding: snooze" in client.get("/people").text


@pytest.mark.parametrize("until", ["2025-11-05", "2020-01-01", "soon", "", "9999-99-99", "2999-01-01"])
def test_a_snooze_needs_a_day_ahead(client: TestClient, folder: Path, until: str) -> None:
    number = live_ids(folder)[0]
    form = {"csrf": token_of(client), "until": until}
    answer = client.post(f"/sites/{SITE}/findings/{number}/snooze", data=form)
    assert answer.status_code == 400
    assert "YYYY-MM-DD" in answer.text
    assert status_of(folder, number) == "open"


def test_a_snooze_ends_on_its_day(client: TestClient, folder: Path, clock: Clock) -> None:
    number = live_ids(folder)[0]
    form = {"csrf": token_of(client), "until": "2025-11-07"}
    client.post(f"/sites/{SITE}/findings/{number}/snooze", data=form)
    clock.now += 3 * 86400
    client.get(f"/sites/{SITE}")
    assert status_of(folder, number) == "open"


@pytest.mark.parametrize("number", ["0", "999", "-1", "x", "1.5", "٣", "9" * 30])
def test_a_finding_that_is_none_is_refused_kindly(client: TestClient, number: str) -> None:
    answer = client.post(f"/sites/{SITE}/findings/{number}/acknowledge", data={"csrf": token_of(client)})
    assert answer.status_code in (400, 404)


# -- import ----------------------------------------------------------------------------------


def small_csv() -> bytes:
    return (
        b"timestamp,unit,input,dc_voltage_v,dc_current_a,dc_power_w\n"
        b"2025-11-05T10:00:00Z,005A31EC,1,31.2,4.0,124.8\n"
        b"2025-11-05T10:00:00Z,005A31EC,2,31.0,4.1,127.1\n"
        b"2025-11-05T10:05:00Z,005A31EC,2,xx,4.1,127.1\n"
    )


def send(client: TestClient, name: str, content: bytes, site: str = SITE) -> object:
    form = {"csrf": token_of(client), "site": site, "kind": ""}
    return client.post("/import/preview", data=form, files=[("files", (name, content))])


def parked(html: str) -> str:
    return html.split('name="parked" value="', 1)[1].split('"', 1)[0]


def rows_stored(folder: Path) -> int:
    with Workspace(folder).open(SITE) as store:
        return int(store.db.conn.execute("SELECT COUNT(*) FROM input_sample").fetchone()[0])


def test_preview_stores_nothing_and_confirm_stores_once(client: TestClient, folder: Path) -> None:
    before = rows_stored(folder)
    answer = send(client, "today.csv", small_csv())
    assert answer.status_code == 200  # type: ignore[attr-defined]
    html = answer.text  # type: ignore[attr-defined]
    for words in ("today.csv", "readings of units", "dc_voltage_v", "3 read"):
        assert words in html
    assert str(folder) not in html
    assert rows_stored(folder) == before
    form = {"csrf": token_of(client), "parked": parked(html)}
    done = client.post("/import/confirm", data=form)
    assert "rows added" in done.text
    added = rows_stored(folder) - before
    assert added >= 2
    with Workspace(folder).open(SITE) as store:
        source = store.db.conn.execute("SELECT source FROM import_run ORDER BY id DESC").fetchone()[0]
    assert source == "today.csv"
    assert client.post("/import/confirm", data={**form, "csrf": token_of(client)}).status_code == 400
    again = send(client, "today.csv", small_csv()).text  # type: ignore[attr-defined]
    done = client.post("/import/confirm", data={"csrf": token_of(client), "parked": parked(again)})
    assert "Nothing new" in done.text
    assert rows_stored(folder) - before == added
    assert list((folder / "incoming").iterdir()) == []


def test_packed_files_are_read_and_bombs_are_not(folder: Path, make_context: Callable[..., Context]) -> None:
    settings = Settings(service=ServerSettings(unpacked_mb=1))
    client = TestClient(build_app(make_context(folder, settings)), base_url="http://127.0.0.1")
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("readings.csv", small_csv())
    assert send(client, "packed.zip", out.getvalue()).status_code == 200  # type: ignore[attr-defined]
    assert send(client, "packed.csv.gz", gzip.compress(small_csv())).status_code == 200  # type: ignore[attr-defined]
    bomb = io.BytesIO()
    with zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("zeros.csv", b"0" * 3_000_000)
    for name, content in (("bomb.zip", bomb.getvalue()), ("bomb.gz", gzip.compress(b"0" * 3_000_000))):
        answer = send(client, name, content)
        assert answer.status_code == 400  # type: ignore[attr-defined]
        assert "unpacks to more than 1 MB" in answer.text  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("picture.png", b"\x89PNG", "this type of file is not taken"),
        ("tool.csv", b"\x7fELF\x00\x00\x00", "not a table of text"),
        ("empty.csv", b"", "empty"),
        ("broken.zip", b"PK\x03\x04rest", "damaged"),
        ("broken.gz", b"\x1f\x8brest", "damaged"),
        ("../../etc/passwd", b"x", "this type"),
        ("prose.csv", b"Dear all,\nthe van is late.\n", "prose.csv"),
    ],
)
def test_what_is_no_table_is_refused_by_name(client: TestClient, folder: Path, name: str, content: bytes, says: str) -> None:
    answer = send(client, name, content)
    assert answer.status_code == 400  # type: ignore[attr-defined]
    assert says in answer.text  # type: ignore[attr-defined]
    assert str(folder) not in answer.text  # type: ignore[attr-defined]
    assert not any((folder / "incoming").rglob("*"))


@pytest.mark.parametrize("name", ["../../../outside.csv", "/etc/x.csv", "..\\..\\x.csv", "a\nb.csv", "x" * 400 + ".csv"])
def test_a_name_never_becomes_a_path(client: TestClient, folder: Path, name: str) -> None:
    before = {p for p in folder.parent.rglob("*") if "incoming" not in p.parts}
    assert send(client, name, small_csv()).status_code == 200  # type: ignore[attr-defined]
    after = {p for p in folder.parent.rglob("*") if "incoming" not in p.parts}
    assert {p.name for p in after - before} <= {
        f"{SITE}.sqlite-wal",
        f"{SITE}.sqlite-shm",
        "fleet.sqlite-wal",
        "fleet.sqlite-shm",
    }
    assert {p.name for p in (folder / "incoming").rglob("*") if p.is_file()} == {"upload-0", "parked.json"}


def test_uploads_are_bounded_in_size(folder: Path, make_context: Callable[..., Context]) -> None:
    settings = Settings(service=ServerSettings(upload_mb=1))
    client = TestClient(build_app(make_context(folder, settings)), base_url="http://127.0.0.1")
    answer = send(client, "big.csv", b"x" * 1_200_000)
    assert answer.status_code == 413  # type: ignore[attr-defined]
    assert "1 MB" in answer.text  # type: ignore[attr-defined]
    small = client.post("/visits", data={"csrf": token_of(client), "note": "x" * 400_000})
    assert small.status_code == 413


@pytest.mark.parametrize("token", ["", "../../sites", "x" * 32, "a" * 5000])
def test_a_made_up_upload_is_refused(client: TestClient, token: str) -> None:
    assert client.post("/import/confirm", data={"csrf": token_of(client), "parked": token}).status_code == 400


def test_a_site_is_added_from_the_page(tmp_path: Path, make_context: Callable[..., Context]) -> None:
    client = TestClient(build_app(make_context(tmp_path)), base_url="http://127.0.0.1", follow_redirects=False)
    toml = (SAMPLES / SITE / "site.toml").read_bytes()
    for content, status in ((b"id = ", 400), (b"[site]\nid = 'x'\n", 400), (toml, 303)):
        form = {"csrf": token_of(client, "/")}
        answer = client.post("/sites", data=form, files={"file": ("site.toml", content)})
        assert answer.status_code == status
    assert Workspace(tmp_path).site_ids() == [SITE]
    assert "has not been checked yet" in client.get(f"/sites/{SITE}").text
    assert "No readings yet" in client.get("/").text


def test_health_is_plain_json(client: TestClient) -> None:
    answer = client.get("/health")
    assert json.loads(answer.text) == {"status": "ok"}


def test_a_damaged_site_file_spoils_no_other_page(context: Context, folder: Path) -> None:
    (folder / "sites" / "broken.sqlite").write_bytes(b"not a database at all" * 100)
    client = TestClient(build_app(context), base_url="http://127.0.0.1")
    assert client.get("/").status_code == 200
    assert "Could not be checked" in client.get("/").text
    answer = client.get("/sites/broken")
    assert answer.status_code == 503
    assert "Traceback" not in answer.text
    assert client.get("/visits").status_code == 200


def test_a_view_is_built_once_until_the_site_changes(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from triage.service import views as module

    built: list[int] = []
    real = module.load_view

    def counted(*args: object) -> object:
        built.append(1)
        return real(*args)  # type: ignore[arg-type]

    monkeypatch.setattr(module, "load_view", counted)
    views = module.Views()
    for _ in range(3):
        with Workspace(folder).open(SITE) as store:
            views.get(store)
    assert len(built) == 1
    with Workspace(folder).open(SITE) as store:
        store.set_meta("touched", "yes")
    with Workspace(folder).open(SITE) as store:
        views.get(store)
    assert len(built) == 2


def test_what_a_command_changes_is_seen_in_the_morning(context: Context, folder: Path) -> None:
    client = TestClient(build_app(context), base_url="http://127.0.0.1")
    assert "1 roof to visit" in client.get("/").text
    assert context.reread() <= 1
    assert context.reread() == 0
    with Workspace(folder).open(SITE) as store:
        ledger = Ledger(store)
        for entry in ledger.open():
            ledger.acknowledge(entry.id, "ines", "2025-11-05T07:00:00Z")
    assert context.reread() == 1
    assert "Nobody has to go." in client.get("/").text
    assert "In hand" in client.get("/").text


# -- the fleet --------------------------------------------------------------------


def test_the_fleet_page_says_what_the_command_says_and_links_to_the_sites(client: TestClient, folder: Path) -> None:
    answer = client.get("/fleet")
    assert answer.status_code == 200
    summaries = FleetIndex(folder).summaries()
    assert overview(summaries, datetime.fromtimestamp(MORNING, UTC)).headline in answer.text
    for section in ("visits", "rounds", "faults", "silent", "complete", "repeat", "peers", "batches", "failed"):
        assert f'<section id="{section}">' in answer.text
    assert f'<a href="/sites/{SITE}">' in answer.text
    # The policy lets no inline script run: the page must not need one.
    assert "<script>" not in answer.text
    assert 'href="/fleet"' in client.get("/").text


def test_the_fleets_charts_come_as_json_and_as_numbers(client: TestClient) -> None:
    faults = client.get("/fleet/charts/faults").json()
    live = sum(sum(trace["x"]) for trace in faults["data"])
    rows = list(csv.reader(io.StringIO(client.get("/fleet/charts/faults?as=csv").text.lstrip("\ufeff"))))
    assert rows[0][0] == "series"
    assert sum(int(row[1]) for row in rows[1:]) == live > 0
    assert client.get("/fleet/charts/nothing").status_code == 404


def test_the_fleet_page_follows_the_index_and_escapes_names(client: TestClient, folder: Path) -> None:
    client.get("/fleet")
    (line,) = FleetIndex(folder).summaries()
    FleetIndex(folder).update(SITE, replace(line, name=NASTY))
    text = client.get("/fleet").text
    assert NASTY not in text
    assert "&lt;script&gt;alert(1)" in text
