"""``callout commission`` on an invented sample site whose faults are known, and the sheet it prints."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

import sample_logs
from triage.cli import main

SITES = Path(sample_logs.__file__).parent / "sites"
FARM = SITES / "ambrel-farmhouse"
FILES = ("--site-file", str(FARM / "site.toml"), "--telemetry", str(FARM / "telemetry.csv.gz"))

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("CALLOUT_WORKSPACE", raising=False)

    def call(*words: str) -> tuple[int, str, str]:
        code = 0
        try:
            main(["commission", *words])
        except SystemExit as exc:
            code = int(exc.code or 0)
        seen = capsys.readouterr()
        return code, seen.out, " ".join(seen.err.split())

    return call


def test_sample_site_shows_its_known_faults_and_no_other(run: Run) -> None:
    # truth.json: what the simulation planted; its physics shares nothing with the rules.
    truth = json.loads((FARM / "truth.json").read_text("utf-8"))
    planted: dict[str, set[str]] = {}
    for fault in truth["faults"]:
        planted.setdefault(fault["fault"], set()).add(f"{fault['unit']}/{fault['input']}")
    lasting = planted["shading"] | planted["substring-loss"] | planted["swapped-record"]
    code, out, _ = run(*FILES, "--json")
    data = json.loads(out)
    assert code == 1
    assert {p["label"] for p in data["inputs"] if p["verdict"] == "fail"} == lasting
    swapped = {
        p["label"] for p in data["inputs"]
        for o in p["observations"] if o["id"] == "plane" and o["verdict"] == "fail"
    }  # fmt: skip
    assert swapped == planted["swapped-record"]


def test_sheet_has_the_record_and_blanks_for_a_person(run: Run) -> None:
    code, out, err = run(*FILES, "--html", "sheet.html")
    assert code == 1
    assert "Read first." in out
    assert "Sheet written to sheet.html" in err
    html = Path("sheet.html").read_text("utf-8")
    for words in (
        "Voc measured, V",
        "Continuity of protective earthing",
        "Date and signature",
        "local codes",
    ):
        assert words in html
    assert html.count('<td class="blank">') == 12 * 5
    # 41.0 V, -0.33 %/K at 0 C: 41.0 x 1.0825.
    assert "0 °C: <strong>44.4 V</strong>" in html


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ((), "no site given"),
        (("--site-file", "x.toml"), "--site-file needs --telemetry"),
        (("a", "--telemetry", "x.csv"), "loose files need --site-file"),
        (("a", *FILES), "give either SITE or --site-file"),
        ((*FILES, "--from", "soon"), "not a date"),
        ((*FILES, "--from", "2030-01-01"), "no telemetry from 2030-01-01 on"),
        (("nowhere",), "is not in workspace"),
    ],
)
def test_mistakes_are_one_line_with_a_remedy(run: Run, words: tuple[str, ...], told: str) -> None:
    code, out, err = run(*words)
    assert code == 2
    assert out == ""
    assert told in err
