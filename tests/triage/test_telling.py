"""A finding is told in the same words and units wherever a command shows it."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from typer.testing import CliRunner

from collectors.site import SiteFacts
from rules.finding import Finding
from tests.rules.make import make_roof, site_text
from triage import console
from triage.cli import app
from triage.fleet.overview import fault_rows
from triage.fleet.summary import FindingBrief, SiteSummary
from triage.telling import cells, loss_words, total_words
from triage.wording import lowered

DEAD = Finding(
    site="s", fault="dead-input", unit="A", input=1, first_seen="2026-06-03", last_seen="2026-06-30", days=28,
    confidence=0.95, severity="high", loss_wh_per_day=1999.6, loss_wh_total=56000.0, action="visit",
    why="No voltage on 28 days.",
)  # fmt: skip
SILENT = replace(DEAD, fault="gateway-silent", unit=None, input=None, gateway="g", loss_wh_per_day=0.0, loss_wh_total=0.0)
FACTS = SiteFacts(id="s", name="Mill Lane", latitude=1, longitude=2, timezone="UTC", tariff_per_kwh=0.30, currency="EUR")


def test_a_line_of_a_table_is_in_the_words_of_the_phone() -> None:
    assert cells([DEAD]) == ("go", "Dead input", "A/1", "3 Jun 2026", "2.0 kWh", "95 %")
    assert cells([DEAD], over=True, everything=True)[::3] == ("over", "3 to 30 Jun 2026")


def test_a_loss_nobody_has_counted_yet_is_never_told_as_none() -> None:
    assert (loss_words([SILENT], per=""), total_words([SILENT], FACTS)) == ("not known yet", "not known yet")
    assert loss_words([SILENT, DEAD], FACTS) == "2.0 kWh a day together (0.60 EUR) and what is not known yet"
    counted = replace(SILENT, evidence={"counter_rise_wh": 10.0})
    assert (loss_words([counted]), loss_words([replace(DEAD, loss_wh_per_day=0.4)], FACTS)) == ("none", "none")


def test_words_in_capitals_stay_so_within_a_sentence() -> None:
    assert (lowered("Dead input"), lowered("AC side")) == ("dead input", "AC side")


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(console.out, "_width", 200)
    monkeypatch.setenv("CALLOUT_WORKSPACE", str(tmp_path / "data"))
    roof = make_roof(days=10)
    frame = roof.dead(1, roof.when(4)).frame()
    frame.insert(0, "timestamp", pd.to_datetime(frame.pop("ts"), unit="s", utc=True).dt.strftime("%Y-%m-%dT%H:%M:%SZ"))
    frame.to_csv(tmp_path / "telemetry.csv", index=False)
    (tmp_path / "site.toml").write_text(site_text())
    return tmp_path


def _told(*words: str) -> str:
    return re.sub(r"\s+", " ", CliRunner().invoke(app, list(words)).stdout)


def test_check_findings_and_call_tell_one_finding_alike(home: Path) -> None:
    site = _told("site", "add", str(home / "site.toml")).split()[1].rstrip(":")
    _told("import", str(home / "telemetry.csv"), "--site", site)
    line = re.compile(r"(go Dead input U1/2 24 May 2024) ([\d.]+ k?Wh) (\d+ %)")
    checked, listed = line.search(_told("check", site)), line.search(_told("findings", site))
    assert checked is not None
    assert listed is not None
    assert checked.groups() == listed.groups()
    said = _told("call", site, "--as-of", "2024-05-30")
    assert "Dead input, U1/2: go" in said
    assert f"loss {checked[2]} a day" in said
    assert f"sure {checked[3]}" in said


def test_the_fleet_knows_which_losses_nobody_has_counted() -> None:
    roof = make_roof(days=1).site
    briefs = [FindingBrief.of(replace(SILENT, evidence=e), roof, id="1", status="open") for e in ({}, {"counter_rise_wh": 1.0})]
    assert [b.loss_unknown for b in briefs] == [True, False]
    (row,) = fault_rows([SiteSummary("s", findings=tuple(briefs))], "2026-07-01")
    assert row.loss_unknown
