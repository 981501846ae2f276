"""``callout compat`` as a newcomer uses it: data sheet to verdict, questions for wrong units, exit codes."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from collectors.site import load_site
from triage.cli import app, main
from triage.compat_draft import KEYS
from triage.compat_profiles import profile_text
from triage.workspace import Workspace

SHEET = {
    "pmax_w": "405", "vmp_v": "31.2", "imp_a": "12.98", "voc_v": "37.2", "isc_a": "13.85",
    "gamma_pmax_pct_k": "-0.34", "beta_voc_pct_k": "-0.26", "cells": "108",
    "rated_va": "400", "start_v": "22", "mppt_min_v": "16", "mppt_max_v": "60", "max_input_v": "60",
    "max_input_a": "14", "max_isc_a": "20", "latitude": "47.6", "longitude": "8.2",
    "record_low_c": "-20", "altitude_m": "430", "azimuth_deg": "180", "tilt_deg": "30",
}  # fmt: skip

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("CALLOUT_WORKSPACE", raising=False)

    def call(*words: str) -> tuple[int, str, str]:
        code = 0
        try:
            main(["compat", *words])
        except SystemExit as exc:
            code = int(exc.code or 0)
        seen = capsys.readouterr()
        return code, seen.out, " ".join(seen.err.split())

    return call


def _values(**changes: str | None) -> Sequence[str]:
    words: list[str] = []
    for key, text in (SHEET | changes).items():
        if text is not None:
            words += ["--value", f"{key}={text}"]
    return words


def _draft(run: Run, *more: str, name: str = "roof.toml", **changes: str | None) -> tuple[int, str, str]:
    return run("--new", name, "--profile", "iec-230", *_values(**changes), *more)


def test_from_a_data_sheet_to_a_verdict_in_one_command(run: Run) -> None:
    code, out, err = _draft(run)
    assert code == 0
    assert "Open-circuit voltage, coldest" in out
    assert "41.55 V" in out  # 37.2 x (1 + 0.0026 x 45)
    assert "Read first." in out
    assert "local codes" in " ".join(out.split())
    assert "Site file drafted: roof.toml" in err
    site = load_site("roof.toml")
    assert site.modules["module-1"].beta_voc_pct_k == -0.26
    assert site.grid.profile == "iec-230"
    # The drafted file checks again by itself, with the profile it names, to the same rows.
    again = run("roof.toml")
    assert again[0] == 0
    assert again[1] == out


def test_a_coefficient_with_its_unit_written_is_converted(run: Run) -> None:
    _draft(run, beta_voc_pct_k="-97 mV/°C", vmp_v="31,2", rated_va="0.4 kVA", record_low_c="-4 °F")
    site = load_site("roof.toml")
    # -97 mV/K on 37.2 V: -0.26075 %/K; -4 F is -20 C.
    assert site.modules["module-1"].beta_voc_pct_k == pytest.approx(-0.26075)
    assert site.modules["module-1"].vmp_v == 31.2
    assert site.inverters["inverter-1"].rated_va == 400
    assert site.site.record_low_c == -20


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"beta_voc_pct_k": "-97"}, "is that mV/K? It would be -0.261 %/K"),
        ({"beta_voc_pct_k": "-0.097"}, "is that V/K?"),
        ({"pmax_w": "302"}, "is pmax_w from the NOCT (800 W/m²) column?"),
        ({"imp_a": "10.4"}, "NOCT"),
        (
            {"pmax_w": "302", "vmp_v": "29.0", "imp_a": "10.41", "voc_v": "34.9", "isc_a": "11.1"},
            "is this the STC value, not NOCT",
        ),
        ({"rated_va": "0.4"}, "is that kVA?"),
        ({"record_low_c": "23"}, "is that Fahrenheit?"),
    ],
)
def test_a_wrong_unit_or_column_is_a_question_and_nothing_is_written(run: Run, changes: dict[str, str], words: str) -> None:
    code, out, err = _draft(run, **changes)
    assert code == 2
    assert out == ""
    assert words in err
    assert "--as-written" in err
    assert not Path("roof.toml").exists()


def test_as_written_is_remembered_in_the_file(run: Run) -> None:
    code, _, _ = _draft(run, "--as-written", beta_voc_pct_k="-0.15")
    assert code == 0
    assert load_site("roof.toml").options.as_written == ("modules.module-1.beta_voc_pct_k",)
    assert run("roof.toml")[0] == 0


def test_a_written_file_with_a_wrong_unit_is_questioned_too(run: Run) -> None:
    _draft(run)
    path = Path("roof.toml")
    path.write_text(path.read_text().replace("beta_voc_pct_k = -0.26 ", "beta_voc_pct_k = -0.097 "))
    code, out, err = run("roof.toml")
    assert code == 2
    assert out == ""
    assert "roof.toml: modules.module-1: beta_voc_pct_k = -0.097: is that V/K?" in err
    assert run("roof.toml", "--as-written")[0] == 0


def test_asked_one_by_one_with_the_question_at_once(tmp_path: Path) -> None:
    lines: list[str] = []
    for key in KEYS:
        if key == "beta_voc_pct_k":
            lines += ["-97", "y"]  # the question comes at once; y takes its suggestion
        elif key == "latitude":
            lines += ["", "north"]  # needed, and a number
        if key != "beta_voc_pct_k":
            lines.append(SHEET.get(key, ""))
    path = tmp_path / "asked.toml"
    words = ["compat", "--new", str(path), "--ask", "--profile", "iec-230", "--json"]
    result = CliRunner().invoke(app, words, input="\n".join(lines) + "\n")
    assert result.exit_code == 0, result.output
    assert load_site(path).modules["module-1"].beta_voc_pct_k == pytest.approx(-0.2608, abs=1e-4)
    assert "is that mV/K?" in result.stderr
    assert "This one is needed." in result.stderr
    # The runner echoes what is typed; the JSON follows it.
    assert json.loads(result.stdout[result.stdout.index("{") :])["counts"]["fail"] == 0


def test_json_has_every_row_with_formula_limit_margin_and_source(run: Run) -> None:
    _draft(run)
    code, out, _ = run("roof.toml", "--json")
    data = json.loads(out)
    assert code == 0
    assert data["profile"] == "iec-230"
    assert "prevail" in data["caution"]
    row = next(c for c in data["checks"] if c["id"] == "voc-cold")
    assert row["value"] == pytest.approx(41.552, abs=1e-3)
    assert row["limit"] == 60
    assert row["margin"] == pytest.approx(1 - 41.552 / 60, abs=1e-3)
    for row in data["checks"]:
        if row["verdict"] != "unknown":
            assert row["formula"], row["id"]
            assert row["source"], row["id"]
        if row["verdict"] != "pass":
            assert row["change"], row["id"]


def test_a_failing_row_is_exit_code_one_and_says_what_to_change(run: Run) -> None:
    _draft(run, max_input_v="40")
    code, out, _ = run("roof.toml")
    assert code == 1
    assert "fail" in out
    assert "fewer cells in series" in " ".join(out.split())


def test_explain_shows_the_source_of_every_row(run: Run) -> None:
    _draft(run)
    plain, explained = run("roof.toml")[1], run("roof.toml", "--explain")[1]
    assert plain.count("source:") < explained.count("source:")
    assert explained.count("source:") >= 12


def test_a_profile_must_be_chosen(run: Run) -> None:
    _draft(run)
    path = Path("roof.toml")
    path.write_text(path.read_text().replace('profile = "iec-230"', ""))
    code, _, err = run("roof.toml")
    assert code == 2
    assert "no profile of limits is chosen" in err
    assert "[grid] profile" in err
    assert "na-240" in err
    code, out, _ = run("roof.toml", "--profile", "anz-230")
    assert code == 0
    assert "anz-230" in out


def test_own_profile_file_and_wrong_one(run: Run) -> None:
    _draft(run)
    text = run("--show-profile", "iec-230")[1]
    Path("mine.toml").write_text(text.replace('name = "iec-230"', 'name = "mine"'))
    code, out, _ = run("roof.toml", "--profile", "mine.toml")
    assert code == 0
    assert "Limits: mine" in out
    Path("mine.toml").write_text(text.replace("isc_factor = ", "isc_facto = "))
    code, _, err = run("roof.toml", "--profile", "mine.toml")
    assert code == 2
    assert "mine.toml" in err
    assert "isc_factor" in err
    assert run("roof.toml", "--profile", "nowhere")[0] == 2


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ((), "no site given"),
        (("nowhere.toml", "--profile", "iec-230"), "nowhere.toml: cannot be read"),
        (("no-such-site", "--profile", "iec-230"), "is not in workspace"),
        (("--new", "a.toml", "--value", "pmax_w=400"), "no profile"),
        (("--new", "a.toml", "--profile", "iec-230", "--value", "pmax_w=400"), "missing: latitude"),
        (("--new", "a.toml", "--profile", "iec-230", "--value", "pmx=4"), "did you mean 'pmax_w'?"),
        (("--new", "a.toml", "--profile", "iec-230", "--value", "pmax_w"), "no '='"),
        (("--new", "a.toml", "--profile", "iec-230", "--value", "pmax_w=lots"), "not a number"),
        (("--new", "a.toml", "--profile", "iec-230", "--value", "pmax_w=4 m"), "not a unit of it"),
        (("--new", "a.toml", "--profile", "iec-230", "--value", "cells=1.5"), "whole number"),
        (("--new", "a.toml", "--profile", "iec-230", "--value", "beta_voc_pct_k=-9mV/K"), "needs voc_v"),
    ],
)
def test_mistakes_are_one_line_with_a_remedy(run: Run, words: Sequence[str], told: str) -> None:
    code, out, err = run(*words)
    assert code == 2
    assert out == ""
    assert told in err
    assert not Path("a.toml").exists()


def test_an_existing_file_is_never_overwritten(run: Run) -> None:
    Path("roof.toml").write_text("mine")
    code, _, err = _draft(run)
    assert code == 2
    assert "is there already" in err
    assert Path("roof.toml").read_text() == "mine"


def test_a_stored_site_by_its_id(run: Run, tmp_path: Path) -> None:
    _draft(run)
    text = Path("roof.toml").read_text()
    Workspace(tmp_path / "data").add_site(text).close()
    code, out, _ = run("roof", "--workspace", str(tmp_path / "data"))
    assert code == 0
    assert "Electrical check of roof" in out


def test_weather_replaces_the_cloudless_year(run: Run) -> None:
    _draft(run, rated_va="250")
    stamps = pd.date_range("2025-06-01", periods=24 * 30, freq="h", tz="UTC")
    # Invented half-sine days under a thin cloud: never near the ceiling.
    ghi = np.clip(np.sin((stamps.hour - 4.5) / 15 * np.pi), 0, None) * 250.0
    frame = pd.DataFrame({"timestamp": stamps.strftime("%Y-%m-%dT%H:%M:%SZ"), "ghi_w_m2": ghi, "temp_air_c": 20.0})
    frame.to_csv("year.csv", index=False)

    def clipping(*words: str) -> float:
        data = json.loads(run("roof.toml", "--json", *words)[1])
        return next(float(c["value"]) for c in data["checks"] if c["id"] == "clipping")

    assert clipping() > 5.0
    assert clipping("--weather", "year.csv") == 0.0


def test_lists(run: Run) -> None:
    assert "iec-230" in run("--profiles")[1]
    assert "beta_voc_pct_k [%/K]" in run("--keys")[1]


def test_lists_as_json(run: Run) -> None:
    listed = json.loads(run("--profiles", "--keys", "--show-profile", "iec-230", "--json")[1])
    assert "iec-230" in [p["name"] for p in listed["profiles"]]
    (pmax,) = [k for k in listed["keys"] if k["key"] == "pmax_w"]
    assert pmax["unit"] == "W"
    assert listed["profile"] == tomllib.loads(profile_text("iec-230"))


def test_a_page_that_cannot_be_written_is_one_line(run: Run) -> None:
    _draft(run)
    code, _, err = run("roof.toml", "--html", ".")
    assert code == 2
    assert "cannot be written: Is a directory" in err
