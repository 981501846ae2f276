"""A workspace that cannot be written: questions are answered, changes refused in so many words."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result
from typer.testing import CliRunner

from collectors.store import Store
from tests.collectors.test_readonly import lock
from tests.rules.make import make_roof, site_text
from triage.cli import app
from triage.ledger import Ledger
from triage.workspace import Workspace

__all__ = ["lock"]
TODAY = "2024-06-02T08:00:00Z"


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, lock: Callable[[Path], None]) -> Path:
    """A checked site with a dead input, in a workspace nobody may write."""
    place = Workspace(tmp_path / "data")
    monkeypatch.setenv("CALLOUT_WORKSPACE", str(place.path))
    monkeypatch.chdir(tmp_path)
    roof = make_roof(days=10)
    with place.add_site(site_text()) as store:
        store.add_telemetry(roof.dead(1, roof.when(4)).frame(), "test")
    (site,) = place.site_ids()
    assert _run("check", site).exit_code == 1
    with place.open(site) as store:
        Ledger(store).snooze(1, "2024-06-01", "anna", "2024-05-31T08:00:00Z")
    (tmp_path / "site.toml").write_text(site_text())
    lock(place.path)
    return place.path


def _run(*words: str) -> Result:
    return CliRunner().invoke(app, list(words))


def _digests(folder: Path) -> dict[str, str]:
    return {str(p): hashlib.sha256(p.read_bytes()).hexdigest() for p in sorted(folder.rglob("*")) if p.is_file()}


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (("check", "SITE"), 1), (("call", "SITE"), 1), (("findings",), 1), (("findings", "SITE", "--show", "1"), 0),
        (("report", "SITE", "--output", "r.html"), 1), (("site", "list"), 0), (("site", "show", "SITE"), 0),
        (("fleet",), 1), (("fleet", "--rebuild"), 1), (("morning",), 1), (("visit", "list"), 0), (("verify-store",), 0),
        (("backup", "copy"), 0), (("users", "list"), 0),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else "",
)  # fmt: skip
def test_questions_are_answered(folder: Path, words: tuple[str, ...], code: int) -> None:
    (site,) = Workspace(folder).site_ids()
    before = _digests(folder)
    result = _run(*(site if word == "SITE" else word for word in words))
    assert result.exit_code == code, result.output
    assert _digests(folder) == before


@pytest.mark.parametrize(
    "words",
    [
        ("findings", "SITE", "--acknowledge", "1"), ("visit", "plan", "SITE:1", "--on", "2024-06-09"),
        ("site", "add", "site.toml"), ("check", "--all"), ("import", "site.toml"), ("archive", "--older-than", "1d"),
    ],
    ids=" ".join,
)  # fmt: skip
def test_changes_are_refused_with_what_where_and_remedy(folder: Path, words: tuple[str, ...]) -> None:
    (site,) = Workspace(folder).site_ids()
    before = _digests(folder)
    result = _run(*(word.replace("SITE", site) for word in words))
    told = str(result.exception)
    assert "cannot be written; nothing was changed" in told
    assert str(folder) in told
    assert "--workspace" in told
    assert _digests(folder) == before


def test_sites_that_cannot_be_opened_are_named_where_visits_are_listed(tmp_path: Path) -> None:
    place = Workspace(tmp_path / "data")
    place.add_site(site_text()).close()
    place.path_of("broken").write_bytes(b"no database at all, only words")
    result = _run("visit", "list", "--workspace", str(place.path))
    assert "left out:" in result.stderr
    assert "broken.sqlite" in result.stderr
    assert "No visit yet" not in result.stdout


def test_a_check_that_is_not_recorded_says_so(folder: Path) -> None:
    (site,) = Workspace(folder).site_ids()
    result = _run("check", site)
    assert "told and not recorded" in result.stderr
    assert "Dead input" in result.stdout


def test_a_snooze_that_ended_is_over_though_nobody_can_write_it_down(folder: Path) -> None:
    (site,) = Workspace(folder).site_ids()
    with Workspace(folder).open(site) as store:
        ledger = Ledger(store)
        assert ledger.get(1).status == "snoozed"
        assert [entry.id for entry in ledger.wake(TODAY)] == [1]
        assert [entry.status for entry in ledger.open()] == ["open"]


def test_a_site_that_was_never_checked_has_no_findings(tmp_path: Path, lock: Callable[[Path], None]) -> None:
    path = tmp_path / "a" / "s.sqlite"
    path.parent.mkdir()
    Store.create(path, site_text()).close()
    lock(path.parent)
    with Store.open(path) as store:
        assert Ledger(store).all() == []
