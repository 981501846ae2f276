"""Keeping years, through the commands: archive, restore, backup, verify-store."""

from __future__ import annotations

import json
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from night_makers import AT, ledger_rows, make_workspace
from typer.testing import CliRunner

from collectors import archive
from collectors.errors import CalloutError
from triage.cli import app
from triage.fleet import backup as backups
from triage.fleet.index import FleetIndex
from triage.nightly import run_nights
from triage.workspace import Workspace


@pytest.fixture
def place(tmp_path: Path) -> Workspace:
    return make_workspace(tmp_path / "data", sites=2)


def call(place: Workspace, *words: object) -> tuple[int, Any]:
    """Exit code and parsed JSON (or the text) of a command."""
    result = CliRunner().invoke(app, [str(w) for w in words] + ["--workspace", str(place.path)])
    if isinstance(result.exception, CalloutError):
        return 2, str(result.exception)
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    text = result.stdout
    return result.exit_code, json.loads(text) if "--json" in words else text


def readings(place: Workspace, site_id: str = "roof-1") -> pd.DataFrame:
    with place.open(site_id) as store:
        return store.telemetry()


def test_archive_then_check_then_restore(place: Workspace) -> None:
    # The readings are of June 2026; any age is too young, or old enough, as the clock has it.
    before = readings(place)
    code, result = call(place, "archive", "--older-than", "0d", "--json")
    assert code == 0
    assert [r["months"] for r in result] == [["2026-06"], ["2026-06"]]
    assert result[0]["rows"] == 5 * 4 * 96 * 2
    pd.testing.assert_frame_equal(readings(place), before)
    assert call(place, "archive", "--older-than", "0d")[1].strip().startswith("Nothing is older")
    # Nights and later imports don't know the difference.
    report = run_nights(place, 1, at=AT)
    assert (report.done, report.act) == (2, {"roof-1": "Go: dead input, U2/1."})
    rows = ledger_rows(place)
    code, result = call(place, "restore", "--site", "roof-1", "--month", "2026-06", "--json")
    assert (code, result[0]["months"], result[0]["rows"]) == (0, ["2026-06"], 5 * 4 * 96 * 2)
    pd.testing.assert_frame_equal(readings(place), before)
    assert not archive.folder_of(place.path_of("roof-1")).exists()
    assert run_nights(place, 1, at=AT, again=True).new == 0
    assert ledger_rows(place) == rows


def test_young_months_stay(place: Workspace) -> None:
    code, result = call(place, "archive", "--older-than", "90y", "--json")
    assert (code, [r["months"] for r in result]) == (0, [[], []])


def test_a_site_that_cannot_be_archived_stops_no_other(place: Workspace) -> None:
    place.path_of("broken").write_bytes(b"\0" * 4000)
    code, result = call(place, "archive", "--older-than", "0d", "--json")
    assert code == 1
    assert [bool(r["error"]) for r in result] == [True, False, False]
    assert [len(r["months"]) for r in result] == [0, 1, 1]


def test_verify_store_finds_damage(place: Workspace) -> None:
    assert call(place, "verify-store") == (0, "2 of 2 sites are sound.\n")
    call(place, "archive", "--older-than", "0d")
    assert call(place, "verify-store")[0] == 0
    folder = archive.folder_of(place.path_of("roof-0"))
    victim = next(folder.glob("*input_sample*"))
    victim.write_bytes(victim.read_bytes()[:-1] + b"?")
    (folder / "stray.txt").touch()
    page = bytearray(place.path_of("roof-1").read_bytes())
    page[4096 * 3 : 4096 * 3 + 64] = b"\xff" * 64
    place.path_of("roof-1").write_bytes(page)
    code, result = call(place, "verify-store", "--json")
    assert code == 1
    assert "its checksum is not the one noted" in result[0]["problems"][0]
    assert result[0]["notes"] == ["left over in roof-0.archive: stray.txt"]
    assert result[1]["problems"] or result[1]["error"]


def test_backup_of_a_workspace_in_use_and_back(place: Workspace, tmp_path: Path) -> None:
    run_nights(place, 1, at=AT)
    call(place, "archive", "--older-than", "0d", "--site", "roof-0")
    (place.path / "poll.toml").write_text("# gateways\n")
    target = tmp_path / "monday"
    with place.open("roof-1") as busy, busy.transaction() as db:
        # Somebody is in the middle of writing: the copy holds what was there before.
        db.execute("INSERT INTO meta VALUES ('half', 'written')")
        code, result = call(place, "backup", target, "--json")
    assert (code, result["sites"], result["files"]) == (0, 2, 5)
    assert call(place, "verify-store", "--backup", target)[0] == 0
    with closing(sqlite3.connect(target / "sites" / "roof-1.sqlite")) as copy:
        assert copy.execute("SELECT 1 FROM meta WHERE key = 'half'").fetchone() is None
        assert copy.execute("PRAGMA integrity_check").fetchone() == ("ok",)

    elsewhere = Workspace(tmp_path / "new machine")
    code, result = call(elsewhere, "restore", "--from", target, "--json")
    assert (code, result) == (0, {"restored": ["roof-0", "roof-1"]})
    assert ledger_rows(elsewhere) == ledger_rows(place)
    for site_id in place.site_ids():
        pd.testing.assert_frame_equal(readings(elsewhere, site_id), readings(place, site_id))
    index = FleetIndex(elsewhere.path)
    assert index.rebuild() == FleetIndex(place.path).summaries()


def test_restore_over_a_site_keeps_the_old_file_beside(place: Workspace, tmp_path: Path) -> None:
    call(place, "backup", tmp_path / "b")
    place.path_of("roof-0").write_bytes(b"ruined" * 1000)
    code, text = call(place, "restore", "--from", tmp_path / "b", "--site", "roof-0")
    assert code == 2
    assert "site 'roof-0' is in the workspace already" in text
    assert call(place, "restore", "--from", tmp_path / "b", "--site", "roof-0", "--overwrite")[0] == 0
    assert len(readings(place, "roof-0")) == 5 * 4 * 96
    kept = place.path_of("roof-0").with_name("roof-0.sqlite.before-restore")
    assert kept.read_bytes() == b"ruined" * 1000
    assert place.site_ids() == ["roof-0", "roof-1"]


def test_a_damaged_backup_is_refused_whole(place: Workspace, tmp_path: Path) -> None:
    call(place, "backup", tmp_path / "b")
    before = {s: place.path_of(s).read_bytes() for s in place.site_ids()}
    victim = tmp_path / "b" / "sites" / "roof-1.sqlite"
    victim.write_bytes(victim.read_bytes()[:-1] + b"?")
    (tmp_path / "b" / "more.txt").touch()
    code, result = call(place, "verify-store", "--backup", tmp_path / "b", "--json")
    assert (code, len(result["problems"])) == (1, 2)
    code, text = call(place, "restore", "--from", tmp_path / "b", "--overwrite")
    assert code == 2
    assert "damaged; nothing was changed" in text
    assert {s: place.path_of(s).read_bytes() for s in place.site_ids()} == before


def test_a_backup_that_fails_leaves_nothing(place: Workspace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(backups, "_facts", _full)
    code, text = call(place, "backup", tmp_path / "b")
    assert (code, "No space left on device" in text) == (2, True)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["data"]


def _full(*_args: object) -> None:
    raise OSError(28, "No space left on device")


def test_a_month_brought_back_during_a_backup_is_taken_from_the_database(
    place: Workspace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    call(place, "archive", "--older-than", "0d")
    before = readings(place, "roof-0")
    real = shutil.copyfile

    def late_import(source: Path, target: Path) -> Path:
        monkeypatch.setattr(backups.shutil, "copyfile", real)
        assert call(place, "restore", "--site", "roof-0")[0] == 0
        return real(source, target)

    monkeypatch.setattr(backups.shutil, "copyfile", late_import)
    assert call(place, "backup", tmp_path / "b")[0] == 0
    assert backups.check_backup(tmp_path / "b") == []
    elsewhere = Workspace(tmp_path / "b")
    pd.testing.assert_frame_equal(readings(elsewhere, "roof-0"), before)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("archive", "--older-than", "soon"), "--older-than 'soon' is not an age"),
        (("archive", "--site", "nobody"), "site 'nobody' is not in workspace"),
        (("restore",), "which site? --site is missing"),
        (("restore", "--site", "roof-0", "--month", "June"), "'June' is not a month such as 2026-03"),
        (("restore", "--site", "roof-0", "--overwrite"), "--overwrite needs --from"),
        (("restore", "--from", "/nowhere", "--month", "2026-03"), "--month and --from do not fit together"),
        (("restore", "--from", "/nowhere"), "/nowhere: not a backup"),
        (("backup", "/"), "/: already exists"),
        (("fleet", "--region", "moon"), "region 'moon': no site of workspace"),
    ],
)
def test_wrong_words_are_one_line_and_exit_2(place: Workspace, words: tuple[str, ...], said: str) -> None:
    code, text = call(place, *words)
    assert code == 2
    assert said in text.splitlines()[0]


def test_fleet_command(place: Workspace, tmp_path: Path) -> None:
    run_nights(place, 1, at=AT)
    page = tmp_path / "fleet.html"
    code, result = call(place, "fleet", "--json", "--html", page)
    assert code == 1
    assert [v["site_id"] for v in result["visits"]] == ["roof-1"]
    assert "wants a visit" in page.read_text("utf-8")
    code, text = call(place, "fleet")
    assert code == 1
    assert "1 of 2 sites wants a visit" in text
    FleetIndex(place.path).path.unlink()
    assert call(place, "fleet", "--json")[1]["visits"] == result["visits"]
