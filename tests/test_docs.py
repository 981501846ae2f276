"""The documents say what the code says, and nothing that belongs to one machine."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from rules.finding import FAULT_SCOPES
from rules.registry import all_rules
from triage import docs
from triage.wording import wording

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
COMMANDS = list(docs.commands())
#: Options that say the same in every command: the README tells of them once.
SHARED_OPTIONS = {"--help", "--json", "--workspace"}
#: Options a reader finds by a command's --help and does not need before.
MUST_STAND_IN_README = {
    ("check",): {"--site-file", "--telemetry", "--weather", "--gateway-log", "--all", "--cluster"},
    ("import",): {"--preview", "--layout", "--save-layout", "--plane"},
    ("findings",): {"--acknowledge", "--snooze", "--until", "--resolve", "--reopen", "--remark", "--note", "--who"},
    ("call",): {"--as-of"},
    ("report",): {"--output", "--days", "--all"},
    ("compat",): {"--new", "--value", "--profile", "--profiles", "--explain", "--html", "--weather", "--keys"},
    ("commission",): {"--site-file", "--telemetry", "--html"},
    ("probe",): {"--units", "--site-file", "--poll-file", "--site-id", "--gateway"},
    ("poll",): {"--config", "--once", "--for"},
    ("serve",): {"--host", "--settings"},
    ("notify",): {"--dry-run"},
    ("fleet",): {"--html", "--rebuild"},
    ("archive",): {"--older-than"},
    ("restore",): {"--from", "--site"},
    ("verify-store",): {"--backup"},
    ("visit", "plan"): {"--on"},
    ("visit", "sheet"): {"--pdf"},
    ("users", "add"): {"--role"},
}


def _ids(value: object) -> str:
    return " ".join(value) if isinstance(value, tuple) else ""


def _options(command: Any) -> set[str]:
    return {name for parameter in command.params for name in parameter.opts if name.startswith("--")}


def _committed() -> Iterator[Path]:
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=False)
    if listed.returncode:
        pytest.skip("no git checkout to list")
    yield from (path for name in listed.stdout.split("\0") if name and (path := ROOT / name).is_file())


def test_tables_are_what_the_code_says() -> None:
    assert docs.with_tables(README) == README, "`python -m triage.docs --write` renews the README's tables"


def test_a_changed_table_is_seen(tmp_path: Path) -> None:
    copy = tmp_path / "README.md"
    copy.write_text(README.replace("| `dead-input` | input |", "| `dead-input` | unit |"), encoding="utf-8")
    assert docs.main(["--check", "--readme", str(copy)]) == 1
    assert docs.main(["--write", "--readme", str(copy)]) == 0
    assert copy.read_text(encoding="utf-8") == README


@pytest.mark.parametrize("words", [words for words, _ in COMMANDS], ids=_ids)
def test_readme_names_every_command(words: tuple[str, ...]) -> None:
    name = f"callout {' '.join(words)}"
    outside_table = README.split("<!-- commands:begin -->")[0] + README.split("<!-- commands:end -->")[1]
    # One sentence tells of the accounts; their other words stand in the table.
    place = README if words[0] == "users" else outside_table
    assert re.search(rf"{re.escape(name)}\b", place), f"README.md shows no use of `{name}`"


@pytest.mark.parametrize(("words", "command"), COMMANDS, ids=_ids)
def test_help_has_an_example(words: tuple[str, ...], command: Any) -> None:
    told = f"{command.help or ''}\n{command.epilog or ''}"
    example = re.compile(rf"^\s*(?:\$ )?callout {re.escape(' '.join(words))}\b", re.MULTILINE)
    assert example.search(told), f"`callout {' '.join(words)} --help` has no example"


@pytest.mark.parametrize(("words", "options"), MUST_STAND_IN_README.items(), ids=_ids)
def test_readme_tells_of_options_that_exist(words: tuple[str, ...], options: set[str]) -> None:
    command = dict(COMMANDS)[words]
    assert options <= _options(command), "the command has lost an option the README tells of"
    missing = {name for name in options if not re.search(rf"{name}\b", README)}
    assert not missing


def test_readme_shows_no_option_that_is_gone() -> None:
    known = SHARED_OPTIONS.union(*(_options(command) for _, command in COMMANDS))
    shown = {
        option
        for line in re.findall(r"^\$ (callout (?:.*\\\n)*.*)$", README, re.MULTILINE)
        for option in re.findall(r"(?<=\s)--[a-z][a-z-]*", line)
    }
    assert shown, "the README shows no command"
    assert shown <= known


@pytest.mark.parametrize("slug", [*FAULT_SCOPES])
def test_every_fault_has_rule_words_and_a_line(slug: str) -> None:
    assert slug in {rule.slug for rule in all_rules()}
    assert wording(slug).means
    assert f"| `{slug}` |" in README


def test_ci_runs_the_test_command_of_the_readme() -> None:
    commands = re.findall(r"^python3 -m venv .*$", README, re.MULTILINE)
    assert len(commands) == 2, "one command runs the main job, one the tests"
    assert commands[0].endswith("callout demo")
    assert commands[1] in (ROOT / ".ci/run").read_text(encoding="utf-8")


def test_readme_links_lead_somewhere() -> None:
    def anchors(text: str) -> set[str]:
        heads = re.findall(r"^#+ (.+)$", text, re.MULTILINE)
        return {re.sub(r"[^\w\- ]", "", head.lower()).replace(" ", "-") for head in heads}

    for target in re.findall(r"\]\(([^)]+)\)", README):
        name, _, anchor = target.partition("#")
        file = ROOT / name if name else ROOT / "README.md"
        assert file.is_file(), target
        if anchor:
            assert anchor in anchors(file.read_text(encoding="utf-8")), target


def test_cautions_stand_in_the_readme() -> None:
    """Common practice of the trade: what must be said wherever roof or wiring work is suggested."""
    safety = README.split("\n## Safety\n")[1].split("\n## ")[0].lower()
    for caution in ("isolate ac first", "under load", "live in daylight", "work at height", "local codes", "licensed"):
        assert caution in safety


def test_constraints_pin_every_line() -> None:
    lines = (ROOT / "constraints.txt").read_text(encoding="utf-8").splitlines()
    assert [line for line in lines if not re.fullmatch(r"[A-Za-z0-9._-]+==[A-Za-z0-9.!+]+", line)] == []
    names = [re.sub(r"[-_.]+", "-", line.split("==")[0]).lower() for line in lines]
    assert len(names) == len(set(names))


def test_thresholds_have_unit_and_source() -> None:
    found = list(docs.thresholds())
    assert len(found) > 50
    assert [(module, name) for module, name, t in found if not t.unit or len(t.source) < 10] == []


def test_no_committed_file_names_one_machine() -> None:
    # Put together here, so that this file does not name them either.
    machine = re.compile(r"(?<![\w.>])/(?:" + "wo" + "rk|ro" + r"ot)(?=[/\s\"'`,)]|$)|\.\./" + "sha" + "red", re.MULTILINE)
    hosts = re.compile("|".join((r"py" + r"pi\.org", r"python" + r"hosted\.org", r"registry\.n" + "pmjs", r"deb\." + "debian")))
    unsaid = re.compile("seed " + "document", re.IGNORECASE)
    told = []
    for path in _committed():
        try:
            text = path.read_text(encoding="utf-8")
        except UnicodeDecodeError:
            continue
        for pattern in (machine, hosts, unsaid):
            if match := pattern.search(text):
                told.append(f"{path.relative_to(ROOT)}: {match[0]}")
    assert told == []
