"""What a start imports, and that the list of words is true. No timings here: tests/bench/bench_startup.py."""

from __future__ import annotations

import subprocess
import sys

import pytest
from typer.main import get_command
from typer.testing import CliRunner

from triage.cli import app
from triage.words import WordGroup, read_words, registered_words

HEAVY = ("numpy", "pandas", "pvlib", "scipy", "sqlalchemy", "plotly", "starlette", "apprise", "pymodbus", "reportlab")
PROGRAM = """
import sys
from triage.cli import main
code = 0
try:
    main(sys.argv[1:])
except SystemExit as end:
    code = end.code
print(code, *sorted({name.split(".")[0] for name in sys.modules}), file=sys.stderr)
"""


def start(*words: str) -> tuple[str, set[str]]:
    """Run one command in an interpreter of its own: its exit code and every package that was imported."""
    done = subprocess.run([sys.executable, "-c", PROGRAM, *words], capture_output=True, text=True, check=True)
    code, *modules = done.stderr.splitlines()[-1].split()
    return code, set(modules)


def test_help_imports_nothing_heavy() -> None:
    code, modules = start("--help")
    assert code == "0"
    assert "typer" in modules, "the list of modules was not read"
    assert not modules & set(HEAVY)


def test_a_wrong_word_is_answered_from_the_list() -> None:
    code, modules = start("chek")
    assert code == "2"
    assert not modules & set(HEAVY)


def test_the_listed_words_are_the_registered_ones() -> None:
    assert read_words() == registered_words(), "run `python -m triage.words`"


def test_help_names_every_word_with_its_first_sentence() -> None:
    text = " ".join(CliRunner().invoke(app, ["--help"], env={"COLUMNS": "400"}).output.split())
    for words in registered_words().values():
        for word, facts in words.items():
            assert f"│ {word} " in text
            assert facts["help"] in text


@pytest.mark.parametrize(
    ("word", "called"), [("site", ["add", "list", "show"]), ("users", ["add", "audit", "list", "password", "remove"])]
)
def test_a_group_keeps_its_own_words(word: str, called: list[str]) -> None:
    group = get_command(app)
    assert isinstance(group, WordGroup)
    group.load(word)
    assert sorted(group.commands[word].commands) == called  # type: ignore[attr-defined]


def test_a_file_that_is_not_listed_yet_works(monkeypatch: pytest.MonkeyPatch) -> None:
    listed = {file: words for file, words in read_words().items() if file != "init"}
    monkeypatch.setattr("triage.words.read_words", lambda: listed)
    done = CliRunner().invoke(app, ["init", "-"])
    assert done.exit_code == 0
    assert "[site]" in done.output


def test_help_of_poll_keeps_the_square_brackets() -> None:
    text = CliRunner().invoke(app, ["poll", "--help"], env={"COLUMNS": "200"}).output
    assert all(table in text for table in ("[[gateways]]", "[[gateways.devices]]", "[[points]]"))
