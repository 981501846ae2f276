"""`callout demo`, `report`, `findings` and `call`, run as a newcomer would, on the sample sites."""

from __future__ import annotations

import gzip
import json
import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import Result
from typer.testing import CliRunner

from collectors.errors import CalloutError, UsageError
from sample_logs import sample_sites
from triage.cli import app
from triage.search import find_site, search_sites
from triage.workspace import Workspace

SITE = "quillfen-bakery"


def run(*words: object) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words])


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A workspace as the demo leaves it."""
    folder = tmp_path_factory.mktemp("demo")
    kept = {name: os.environ.pop(name, None) for name in ("CALLOUT_WORKSPACE", "CALLOUT_USER")}
    result = run("demo", "--workspace", folder, "--jobs", 1, "--json")
    assert result.exit_code == 0, result.output
    (folder / "demo.json").write_text(result.stdout)
    yield folder
    os.environ.update({name: value for name, value in kept.items() if value is not None})


def test_the_demo_reports_every_sample_site_and_says_where(home: Path) -> None:
    told = json.loads((home / "demo.json").read_text())
    assert [s["site"] for s in told["sites"]] == sorted(s.id for s in sample_sites())
    for site in told["sites"]:
        assert site["error"] == ""
        page = Path(site["report"])
        assert page.is_file()
        assert site["headline"].split(":")[0] in page.read_text(encoding="utf-8")


def test_the_fleet_knows_what_the_demo_checked_and_what_people_did(home: Path) -> None:
    def fleet() -> dict[str, Any]:
        return dict(json.loads(run("fleet", "--json", "--workspace", home).stdout))

    told = fleet()
    assert told["never_checked"] == []
    assert all(visit["answer"].startswith("Go: ") for visit in told["visits"])
    assert all(site["last_sample"] for site in told["silent"])
    dearest = told["visits"][0]["site_id"]
    act_on = [f["id"] for f in json.loads(run("findings", dearest, "--json", "--workspace", home).stdout)]
    for number in act_on:
        run("findings", dearest, "--resolve", number, "--who", "anna", "--workspace", home)
    assert dearest not in {visit["site_id"] for visit in fleet()["visits"]}
    for number in act_on:
        run("findings", dearest, "--reopen", number, "--who", "anna", "--workspace", home)
    assert fleet()["visits"][0]["site_id"] == dearest


def test_the_demo_again_changes_no_finding(home: Path) -> None:
    before = run("findings", "--all", "--json", "--workspace", home).stdout
    assert run("demo", "--workspace", home, "--jobs", 1).exit_code == 0
    assert run("findings", "--all", "--json", "--workspace", home).stdout == before


@pytest.mark.parametrize("sample", sample_sites(), ids=lambda s: s.id)
def test_the_faults_that_need_hands_are_named_where_they_were_built_in(home: Path, sample: Any) -> None:
    """Held against the truth that was written down when the site was made, not against our own output."""
    built_in = {
        (fault["fault"], fault["unit"], fault.get("input"))
        for fault in sample.truth["faults"]
        if fault["fault"] in ("dead-input", "idle-input", "unit-standby", "substring-loss")
    }
    listed = json.loads(run("findings", sample.id, "--json", "--workspace", home).stdout)
    found = {(f["fault"], f["unit"], f["input"]) for f in listed if f["action"] == "visit"}
    assert found == built_in
    page = (home / "reports" / f"{sample.id}.html").read_text(encoding="utf-8")
    for _, unit, number in built_in:
        assert (f"{unit}/{number}" if number else f"unit {unit}") in page


def test_findings_are_listed_most_urgent_first_with_exit_code_1(home: Path) -> None:
    result = run("findings", SITE, "--workspace", home)
    assert result.exit_code == 1
    marks = re.findall(r"^\s*\d+\s+(go|desk|watch|none)\b", result.stdout, re.M)
    assert marks[:2] == ["go", "go"]
    assert marks == sorted(marks, key=["go", "desk", "watch", "none"].index)
    live = {f["fault"] for f in json.loads(run("findings", SITE, "--json", "--workspace", home).stdout)}
    told = json.loads(run("findings", SITE, "--all", "--json", "--workspace", home).stdout)
    assert "gateway-silent" not in live  # over
    assert ("gateway-silent", "resolved") in {(f["fault"], f["status"]) for f in told}


def test_a_finding_is_taken_on_snoozed_resolved_and_reopened_with_who(home: Path) -> None:
    def change(*words: object) -> dict[str, Any]:
        result = run("findings", SITE, *words, "--who", "anna", "--json", "--workspace", home)
        assert result.exit_code == 0, result.output
        return dict(json.loads(result.stdout))

    assert change("--acknowledge", 2, "--note", "van on Thursday")["status"] == "acknowledged"
    run("call", SITE, "--workspace", home)  # seen again
    assert change("--show", 2)["status"] == "acknowledged"
    assert change("--snooze", 2, "--until", "2999-01-01")["snoozed_until"] == "2999-01-01"
    assert change("--resolve", 2)["status"] == "resolved"
    assert change("--reopen", 2, "--note", "wrong roof")["status"] == "open"
    last = change("--remark", 2, "--note", "owner away")["history"]
    assert [e["event"] for e in last][-5:] == ["acknowledged", "snoozed", "resolved", "reopened", "note"]
    assert {e["who"] for e in last[-5:]} == {"anna"}


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["findings", SITE, "--acknowledge", 1, "--resolve", 1], "one change at a time"),
        (["findings", SITE, "--snooze", 1], "--snooze and --until go together"),
        (["findings", SITE, "--snooze", 1, "--until", "soon"], "is not a date"),
        (["findings", "--acknowledge", 1], "belongs to a site"),
        (["findings", SITE, "--note", "x"], "--note goes with a change"),
        (["findings", SITE, "--show", 99], "has no finding 99"),
        (["report"], "name one site, or --all, or --site-file"),
        (["report", "--all", "--output", "x.html"], "--all writes many"),
        (["report", "--site-file", "x.toml"], "--site-file needs --telemetry"),
        (["call", "nobody"], "no site fits 'nobody'"),
        (["call", SITE, "--as-of", "Monday"], "is not a date"),
    ],
)
def test_mistakes_are_named_with_their_remedy(home: Path, words: list[object], message: str) -> None:
    result = run(*words, "--workspace", home)
    assert isinstance(result.exception, UsageError)
    assert message in str(result.exception)
    assert result.exception.remedy


def test_the_call_gives_the_answer_before_the_reasons(home: Path) -> None:
    result = run("call", SITE, "--as-of", "2025-10-20", "--workspace", home)
    assert result.exit_code == 1
    lines = result.stdout.splitlines()
    assert lines[0].startswith("▲ Go: ")
    text = result.stdout
    order = ["Ask the caller", "Try first", "take along", "Before anyone touches", "Why", "Also known"]
    assert [text.index(part) for part in order] == sorted(text.index(part) for part in order)
    assert "The data end on" not in text


def test_the_call_says_when_its_data_are_old(home: Path) -> None:
    told = json.loads(run("call", SITE, "--as-of", "2025-11-19", "--json", "--workspace", home).stdout)
    assert told["age_note"].startswith("The data end on 19 Oct 2025, 31 days ago")
    assert told["verdict"] == "go"
    assert {f["fault"] for f in told["findings"]} >= {"dead-input", "unit-standby"}


def test_a_site_is_found_by_part_of_its_name(home: Path) -> None:
    place = Workspace(home)
    assert find_site(place, "BAKERY quill") == SITE
    assert [hit.facts.id for hit in search_sites(place, SITE)] == [SITE]
    with pytest.raises(UsageError, match="several sites fit"):
        find_site(place, "a")


def test_a_damaged_file_does_not_hide_the_other_sites(tmp_path: Path) -> None:
    place = Workspace(tmp_path)
    place.add_site(sample_sites()[0].site.read_text(encoding="utf-8")).close()
    (place.sites_folder / "broken.sqlite").write_bytes(b"not a database")
    assert [hit.rank for hit in search_sites(place, sample_sites()[0].id)] == [0]


def test_a_site_that_cannot_be_opened_is_not_said_to_be_unknown(tmp_path: Path) -> None:
    place = Workspace(tmp_path)
    place.add_site(sample_sites()[0].site.read_text(encoding="utf-8")).close()
    (place.sites_folder / "mill-lane.sqlite").write_bytes(b"not a database")
    with pytest.raises(CalloutError, match=r"mill-lane\.sqlite"):
        find_site(place, "mill")
    listed = run("site", "list", "--workspace", tmp_path)
    assert re.search(r"mill-lane +unreadable", listed.stdout)
    assert "mill-lane.sqlite: " in listed.stderr


def test_a_demo_that_fails_says_why_once(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    result = run("demo", "--jobs", 1, "--workspace", tmp_path / "file" / "demo")
    assert result.exit_code == 2
    assert result.stdout.count("failed") == len(sample_sites())
    assert result.stderr.count("cannot be created") == 1


def test_reports_are_written_for_all_and_for_loose_files(home: Path, tmp_path: Path) -> None:
    result = run("report", "--all", "--json", "--workspace", home)
    assert result.exit_code == 1
    assert len(json.loads(result.stdout)) == 3
    sample = sample_sites()[-1]
    target = tmp_path / "loose.html"
    loose = ["--site-file", sample.site, "--telemetry", sample.telemetry, "--weather", sample.weather]
    result = run("report", *loose, "--output", target)
    assert result.exit_code == 1
    page = target.read_text(encoding="utf-8")
    assert "Idle input" in page
    assert str(target.resolve()) in result.stdout.replace("\n", "")


def test_a_site_without_data_is_answered_honestly(tmp_path: Path) -> None:
    Workspace(tmp_path).add_site(sample_sites()[0].site.read_text(encoding="utf-8")).close()
    name = sample_sites()[0].id
    result = run("call", name, "--workspace", tmp_path)
    assert result.exit_code == 1
    assert "Can't tell: there are no readings yet." in result.stdout
    assert run("check", name, "--workspace", tmp_path).exit_code == 2
    assert run("report", name, "--workspace", tmp_path).exit_code == 0
    assert "No findings." in run("findings", name, "--workspace", tmp_path).stdout


@pytest.mark.parametrize("command", ["demo", "report", "findings", "call"])
def test_help_has_examples_and_exit_codes(command: str) -> None:
    text = re.sub(r"\s+", " ", run(command, "--help").stdout)
    assert f"callout {command}" in text
    assert "Exit codes: 0" in text


def test_loose_files_say_which_values_were_left_empty(tmp_path: Path) -> None:
    sample = next(s for s in sample_sites() if s.id == "tessaway-cottage")
    text = gzip.decompress(sample.telemetry.read_bytes()).decode().splitlines()
    head = text[0].split(",")
    row = text[200].split(",")
    row[head.index("dc_power_w")] = "n/k"
    text[200] = ",".join(row)
    (tmp_path / "t.csv").write_text("\n".join(text), encoding="utf-8")
    told = run("check", "--site-file", sample.site, "--telemetry", tmp_path / "t.csv")
    assert told.exit_code in (0, 1), told.output
    assert re.search(r"1 value left empty: .", told.output)
