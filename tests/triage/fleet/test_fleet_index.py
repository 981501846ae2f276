"""The fleet index holds nothing of its own: dropped, damaged or outdated, it comes back from the sites."""

from __future__ import annotations

import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest

from collectors.errors import StoreError
from collectors.store import Store
from triage.fleet.index import FleetIndex
from triage.fleet.reading import read_summary, save_summary
from triage.fleet.summary import FindingBrief, SiteSummary, describe

SITE_TOML = """
[site]
id = "{id}"
name = "Quince Lane {id}"
latitude = 47.1
longitude = 8.2
timezone = "Europe/Zurich"
region = "north"
commissioned = 2021-05-01
tariff_per_kwh = 0.25
currency = "CHF"

[modules.M400]
pmax_w = 400
[modules.M500]
pmax_w = 500
[inverters.U2]
inputs = 2
[inverters.U1]
inputs = 1

[[units]]
serial = "A1"
inverter = "U2"
inputs = [{{ input = 1, module = "M400" }}, {{ input = 2, module = "M500" }}]
[[units]]
serial = "B1"
inverter = "U1"
inputs = [{{ input = 1, module = "M400" }}]
"""

BRIEF = FindingBrief(
    id="1", fault="dead-input", place="A1/1", action="visit", severity="high", confidence=0.97,
    loss_wh_per_day=1200.0, loss_wh_total=4800.0, first_seen="2026-06-01", last_seen="2026-06-04",
    status="open", why="No voltage by day.", unit="A1", input=1, inverter="U2", module="M400",
)  # fmt: skip
SUMMARY = SiteSummary(site_id="s1", name="Quince Lane", night="2026-06-04", findings=(BRIEF,), inputs=3)


def make_site(workspace: Path, site_id: str) -> Path:
    path = workspace / "sites" / f"{site_id}.sqlite"
    path.parent.mkdir(parents=True, exist_ok=True)
    Store.create(path, SITE_TOML.format(id=site_id)).close()
    return path


def test_what_goes_in_comes_out(tmp_path: Path) -> None:
    index = FleetIndex(tmp_path)
    assert index.empty
    index.update("s1", SUMMARY)
    index.update("s0", replace(SUMMARY, site_id="s0", findings=()))
    assert index.summaries() == [replace(SUMMARY, site_id="s0", findings=()), SUMMARY]
    assert index.get("s1") == SUMMARY
    assert index.get("nobody") is None
    assert not index.empty


def test_the_tables_can_be_queried_by_anyone(tmp_path: Path) -> None:
    FleetIndex(tmp_path).update("s1", SUMMARY)
    with sqlite3.connect(tmp_path / "fleet.sqlite") as db:
        assert db.execute("SELECT name, live_findings, loss_wh_per_day FROM site").fetchall() == [("Quince Lane", 1, 1200.0)]
        assert db.execute("SELECT fault, inverter, action FROM finding").fetchall() == [("dead-input", "U2", "visit")]
    db.close()


def test_a_later_summary_replaces_the_earlier_one_and_its_findings(tmp_path: Path) -> None:
    index = FleetIndex(tmp_path)
    index.update("s1", SUMMARY)
    index.update("s1", replace(SUMMARY, findings=()))
    with sqlite3.connect(index.path) as db:
        assert db.execute("SELECT COUNT(*) FROM finding").fetchone() == (0,)
    db.close()


def test_a_failed_night_keeps_what_was_known(tmp_path: Path) -> None:
    index = FleetIndex(tmp_path)
    index.update("s1", SUMMARY)
    index.failed("s1", "s1.sqlite: damaged", "2026-06-05T21:00:00Z")
    index.failed("s2", "s2.sqlite: damaged", "2026-06-05T21:00:00Z")
    first, second = index.summaries()
    assert first.findings == (BRIEF,)
    assert first.error == "s1.sqlite: damaged"
    assert first.answer == "The last check failed: s1.sqlite: damaged"
    assert (second.site_id, second.findings) == ("s2", ())


@pytest.mark.parametrize("content", [b"not a database at all, by far" * 200, b""])
def test_a_damaged_index_is_dropped_and_rebuilt(tmp_path: Path, content: bytes) -> None:
    make_site(tmp_path, "s1")
    (tmp_path / "fleet.sqlite").write_bytes(content)
    index = FleetIndex(tmp_path)
    assert index.empty
    assert [s.site_id for s in index.rebuild()] == ["s1"]
    assert [s.site_id for s in index.summaries()] == ["s1"]


def test_an_index_of_another_version_is_dropped(tmp_path: Path) -> None:
    FleetIndex(tmp_path).update("s1", SUMMARY)
    with sqlite3.connect(tmp_path / "fleet.sqlite") as db:
        db.execute("PRAGMA user_version = 99")
    db.close()
    assert FleetIndex(tmp_path).empty


def test_rebuild_lists_a_site_it_cannot_read_and_goes_on(tmp_path: Path) -> None:
    make_site(tmp_path, "good")
    (tmp_path / "sites" / "bad.sqlite").write_bytes(b"\0" * 4096)
    seen: list[tuple[int, int, str]] = []
    index = FleetIndex(tmp_path)
    index.update("gone", replace(SUMMARY, site_id="gone"))
    bad, good = index.rebuild(lambda *step: seen.append(step))
    assert bad.error
    assert not good.error
    assert seen == [(1, 2, "bad"), (2, 2, "good")]
    assert [s.site_id for s in index.summaries()] == ["bad", "good"]


def test_no_workspace_says_so(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match=r"fleet.sqlite: cannot be opened"):
        FleetIndex(tmp_path / "nowhere")


def test_site_file_figures(tmp_path: Path) -> None:
    with Store.open(make_site(tmp_path, "s1")) as store:
        summary = describe(store.site)
    assert (summary.units, summary.inputs, summary.rated_w) == (2, 3, 1300.0)
    assert summary.inverters == {"U2": 1, "U1": 1}
    assert summary.modules == {"M400": 2, "M500": 1}


def test_the_last_night_is_kept_in_the_sites_own_file(tmp_path: Path) -> None:
    path = make_site(tmp_path, "s1")
    with Store.open(path) as store:
        save_summary(store, replace(describe(store.site), night="2026-06-04", performance=0.81))
    summary = read_summary(path)
    assert (summary.night, summary.performance, summary.name) == ("2026-06-04", 0.81, "Quince Lane s1")


@pytest.mark.parametrize(
    ("summary", "answer"),
    [
        (SiteSummary("s"), "Never checked."),
        (SiteSummary("s", night="2026-06-04"), "Nothing found."),
        (SiteSummary("s", night="2026-06-04", not_judged=4), "Nothing found in what could be judged."),
        (SUMMARY, "Go: dead input, A1/1."),
        (
            replace(SUMMARY, findings=(replace(BRIEF, id="2", action="watch", loss_wh_per_day=9e9), BRIEF)),
            "Go: dead input, A1/1 and 1 more.",
        ),
        (
            replace(SUMMARY, findings=(replace(BRIEF, status="resolved"),)),
            "Nothing found.",
        ),
    ],
)
def test_the_answer_in_one_line(summary: SiteSummary, answer: str) -> None:
    assert summary.answer == answer
