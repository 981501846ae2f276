"""The commands init, site and import, in process: words, exit codes, JSON."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from collectors.csv_shape import serials_listed
from collectors.site import parse_site
from tests.rules.make import site_text
from triage.cli import app
from triage.commands.init import draft_text

EXPORT = (
    "Zeitpunkt;D2001/1 Leistung [kW];D2002-2 [kW];Notiz\n13.06.2025 10:00;0,251;--;\n13.06.2025 10:05;0,3;0,25;ok\nSumme;0,6;0,3;\n"
)
Run = Callable[..., Result]


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    monkeypatch.setenv("CALLOUT_WORKSPACE", str(tmp_path / "ws"))
    monkeypatch.setenv("COLUMNS", "120")
    monkeypatch.chdir(tmp_path)
    (tmp_path / "export.csv").write_text(EXPORT, encoding="utf-8")

    def call(*words: str) -> Result:
        return CliRunner().invoke(app, list(words))

    return call


def test_the_draft_is_a_complete_site_file_without_a_note() -> None:
    site = parse_site(draft_text())
    assert site.notes == ()
    assert len(site.inputs) == 6


def test_init_writes_once(run: Run, tmp_path: Path) -> None:
    assert run("init", "mill.toml").exit_code == 0
    before = (tmp_path / "mill.toml").read_text()
    again = run("init", "mill.toml")
    assert "exists and was left as it is" in str(again.exception)
    assert (tmp_path / "mill.toml").read_text() == before
    assert run("init", "-").stdout == draft_text()


def test_a_unit_that_left_the_site_file_is_named(run: Run, tmp_path: Path) -> None:
    run("init")
    assert run("site", "add", "site.toml").stderr == ""
    text = (tmp_path / "site.toml").read_text()
    assert text.count('"D2003"') == 1
    (tmp_path / "site.toml").write_text(text.replace('"D2003"', '"D2O03"'))
    assert "no longer in the site file: D2003;" in run("site", "add", "site.toml").stderr


def test_serials_of_a_large_site_are_not_told_as_if_they_were_all() -> None:
    sites = {n: parse_site(site_text(units=[["south"]] * n)) for n in (4, 6)}
    assert serials_listed(sites[4]) == "'U1', 'U2', 'U3', 'U4'"
    assert serials_listed(sites[6]) == "'U1', 'U2', 'U3', 'U4' and 2 more"


def test_from_nothing_to_samples(run: Run) -> None:
    run("init")
    assert "3 units, 6 inputs, 2.40 kWp" in run("site", "add", "site.toml").stdout
    first = run("import", "export.csv", "--json")
    assert first.exit_code == 0
    result = json.loads(first.stdout)
    assert result["site"] == "harrow-lane"
    assert result["rejected_rows"] == {"totals row": 1}
    (file,) = result["files"]
    assert file["stored"]["new"] == file["rows_kept"] == 3
    assert file["problems"] == [{"line": 4, "reason": "totals row", "column": "", "value": ""}]
    again = json.loads(run("import", "export.csv", "--site", "harrow-lane", "--json").stdout)
    assert again["files"][0]["stored"] | {"same": 3, "new": 0} == again["files"][0]["stored"]
    assert again["days_changed"] == 0
    (listed,) = json.loads(run("site", "list", "--json").stdout)
    assert (listed["first_sample"], listed["days_to_check"]) == ("2025-06-13T08:00:00Z", 1)
    shown = run("site", "show", "harrow-lane").stdout
    assert "D2003" in shown
    assert "1: mono-400, south, row 1, column 1" in shown
    assert "2025-06-13T08:05:00Z" in shown


def test_preview_stores_nothing_and_says_why(run: Run) -> None:
    run("init")
    run("site", "add", "site.toml")
    text = run("import", "export.csv", "--preview").stdout
    for words in (
        "semicolon",
        "holds dates with times",
        "D2001/1",
        "kW",
        "left out",
        "totals row; first: line 4",
    ):
        assert words in text
    assert json.loads(run("site", "list", "--json").stdout)[0]["first_sample"] is None


def test_a_saved_layout_reads_the_file_again(run: Run) -> None:
    run("init")
    saved = run("import", "export.csv", "--site-file", "site.toml", "--preview", "--save-layout", "l.toml", "--json")
    guessed = json.loads(saved.stdout)["files"][0]
    told = json.loads(run("import", "export.csv", "--site-file", "site.toml", "--preview", "--layout", "l.toml", "--json").stdout)[
        "files"
    ][0]
    assert told["rows_kept"] == guessed["rows_kept"] == 3
    assert {c["why"] for c in told["columns"]} == {"layout file"}


@pytest.mark.parametrize(
    ("words", "part"),
    [
        (("import", "export.csv"), "no site yet"),
        (("import", "export.csv", "--site", "mill"), "'mill' is not in workspace"),
        (("import", "nowhere.csv", "--site-file", "site.toml", "--preview"), "nowhere.csv: cannot be read"),
        (("import", "export.csv", "--site-file", "site.toml"), "--site-file goes with --preview"),
        (
            ("import", "export.csv", "--site-file", "site.toml", "--preview", "--kind", "x"),
            "none of telemetry",
        ),
        (("import", "export.csv", "--save-layout", "l.toml"), "--save-layout goes with --preview"),
        (("site", "add", "nowhere.toml"), "nowhere.toml: cannot be read"),
        (("site", "show", "mill"), "'mill' is not in workspace"),
    ],
)
def test_mistakes_are_named(run: Run, words: tuple[str, ...], part: str) -> None:
    run("init")
    result = run(*words)
    assert part in str(result.exception)
    assert result.exception.remedy  # type: ignore[union-attr]


def test_which_site_is_asked(run: Run, tmp_path: Path) -> None:
    run("init")
    run("site", "add", "site.toml")
    (tmp_path / "b.toml").write_text(draft_text().replace('"harrow-lane"', '"other"'))
    run("site", "add", "b.toml")
    assert "which site? The workspace has harrow-lane, other" in str(run("import", "export.csv").exception)


def test_a_damaged_site_does_not_hide_the_others(run: Run, tmp_path: Path) -> None:
    run("init")
    run("site", "add", "site.toml")
    (tmp_path / "ws" / "sites" / "broken.sqlite").write_bytes(b"junk" * 1000)
    rows = json.loads(run("site", "list", "--json").stdout)
    assert [r["id"] for r in rows] == ["broken", "harrow-lane"]
    assert "not a database" in rows[0]["error"]
    assert "harrow-lane" in run("site", "list").stdout
