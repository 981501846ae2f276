"""``callout probe`` and ``callout poll`` as a newcomer runs them, against the simulated gateway."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from poll_site import site_toml

from collectors.site import SiteFileError, parse_site
from triage.cli import main
from triage.workspace import Workspace

ROOT = Path(__file__).parents[3]


@contextmanager
def program(site: Path, *arguments: str) -> Iterator[str]:
    """The simulated gateway as a program of its own; gives its link."""
    command = [sys.executable, "-m", "sample_logs.gateway", "--site", str(site), "--port", "0", *arguments]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=ROOT) as process:
        try:
            assert process.stdout is not None
            first = process.stdout.readline()
            yield re.search(r"(\S+://\S+): units", first).group(1)  # type: ignore[union-attr]
        finally:
            process.terminate()


@pytest.fixture
def site_file(tmp_path: Path) -> Path:
    path = tmp_path / "site.toml"
    path.write_text(site_toml())
    return path


def callout(*words: str) -> int:
    try:
        main(words)
    except SystemExit as exc:
        return int(exc.code or 0)
    return 0


def test_probe_shows_units_and_drafts_files(site_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    drafted, polls = tmp_path / "draft.toml", tmp_path / "poll.toml"
    with program(site_file) as link:
        words = ["probe", link, "--units", "1-4", "--site-file", str(drafted), "--poll-file", str(polls)]
        assert callout(*words) == 0
        shown = capsys.readouterr()
        assert "2 units behind" in shown.out
        assert re.search(r"1\s+gw-1\s+Simulated 2-input unit\s+1 101 120 160\s+2\s+-\s+6\d\d\s+producing", shown.out)
        assert "Unit ids 3-4 are not there" in shown.out
        assert callout(*words) == 2
        assert f"{drafted}: already there" in capsys.readouterr().err
        # Blanks are marked, and stand in the way until they are filled.
        text = drafted.read_text()
        assert text.count("FILL IN") == 6
        with pytest.raises(SiteFileError, match=r"key 'site\.latitude' is missing"):
            parse_site(text)
        filled = re.sub(r"# (latitude|longitude) = .*", r"\1 = 40.0", text)
        filled = re.sub(r"# timezone = .*", 'timezone = "Europe/Madrid"', filled)
        filled = re.sub(r"# pmax_w = .*", "pmax_w = 400", filled)
        site = parse_site(filled)
        assert [u.serial for u in site.units] == ["gw-1", "gw-2"]
        assert len(site.inputs) == 4
        # The drafted poll file works with the drafted site.
        Workspace(tmp_path / "w").add_site(filled).close()
        words = ["poll", "--workspace", str(tmp_path / "w"), "--config", str(polls), "--once"]
        assert callout(*words) == 0
        assert "2/2 units, 4 inputs stored" in capsys.readouterr().out


def test_probe_json(site_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with program(site_file, "--flavour", "der") as link:
        assert callout("probe", link, "--units", "1-3", "--json") == 0
    found = json.loads(capsys.readouterr().out)
    assert [d["serial"] for d in found["devices"]] == ["gw-1", "gw-2"]
    assert found["devices"][0]["models"] == [1, 701, 120, 714]
    assert found["gateway_says_gone"] == [3]


def test_probe_asks_again_where_the_gateway_closes_the_connection(site_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with program(site_file, "--fault", "close:rate=0.2") as link:
        assert callout("probe", link, "--units", "1-2", "--json") == 0
    found = json.loads(capsys.readouterr().out)
    assert [d["serial"] for d in found["devices"]] == ["gw-1", "gw-2"]
    assert [d["state"] for d in found["devices"]] == ["producing", "producing"]


def test_probe_does_not_call_a_unit_absent_whose_connection_breaks(site_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with program(site_file, "--fault", "close") as link:
        assert callout("probe", link, "--units", "1") == 1
    told = " ".join(capsys.readouterr().out.split())
    assert "Unit id 1: the connection broke" in told
    assert "whether it is there is not known" in told
    assert "gave no reply" not in told


def test_probe_of_nothing(site_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with program(site_file) as link:
        assert callout("probe", link, "--units", "7") == 1
    assert "No SunSpec unit behind" in capsys.readouterr().out
    assert callout("probe", link, "--units", "7") == 2
    told = capsys.readouterr().err.replace("\n", " ")
    assert "connection refused" in told
    assert "Check the address" in told


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["probe", "nowhere"], "starts with none of"),
        (["probe", "tcp://127.0.0.1:1", "--units", "0-999"], "--units: '0-999'"),
        (["poll", "--config", "no.toml"], "no.toml: cannot be read"),
    ],
)
def test_usage_errors(words: list[str], message: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert callout(*words) == 2
    assert message in capsys.readouterr().err.replace("\n", " ")


def test_poll_json_on_schedule_and_exit_codes(site_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Workspace(tmp_path / "w").add_site(site_toml()).close()
    with program(site_file, "--fault", "drop:unit=2") as link:
        config = tmp_path / "w" / "poll.toml"
        config.write_text(
            f'[[gateways]]\nsite = "shed"\nname = "gw"\nlink = "{link}"\nunits = "1-2"\ninterval_s = 1\ndaylight = "always"\n'
        )
        words = ["poll", "--workspace", str(tmp_path / "w"), "--json"]
        assert callout(*words, "--for", "2.5") == 0
        lines = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
        assert lines
        assert lines[0]["units_ok"] == 1
        assert lines[0]["inputs_stored"] == 2
        assert lines[0]["events"][0]["detail"].startswith("unit id 2, never read yet: gateway answered, unit did not")
        assert callout(*words, "--once") == 1
        assert callout(*words, "--once", "--site", "other") == 2
        assert "the poll file has no gateway of it; it has: shed" in capsys.readouterr().err.replace("\n", " ")


def test_simulated_gateway_names_its_mistakes(site_file: Path) -> None:
    command = [sys.executable, "-m", "sample_logs.gateway", "--site", str(site_file), "--fault", "fire"]
    done = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, check=False)
    assert done.returncode == 2
    assert "'fire' is none of exception, timeout" in done.stderr
