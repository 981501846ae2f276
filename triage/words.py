"""The words of ``callout``, known without importing what stands behind them.

``callout --help`` lists every word, and a word such as ``callout site list`` needs
one file of ``triage/commands``; the others bring physics, charts and the web service,
seconds of processor time. So the list is kept as data in ``triage/commands/words.toml``,
written by ``python -m triage.words`` from what the files register, and a file is
imported when its word is called. A test fails while the list says anything else than
the files; a file the list does not know at all is imported at once, so a new command
works before it is listed.
"""

from __future__ import annotations

import importlib
import pkgutil
import tomllib
from importlib.resources import files
from pathlib import Path
from typing import Any, Final

import typer
from typer.core import TyperCommand, TyperGroup
from typer.main import get_group

import triage.commands

LIST: Final = "words.toml"


class WordGroup(TyperGroup):
    """The top of the command: a listed word stands in until it is called."""

    def __init__(self, **attributes: Any) -> None:
        super().__init__(**attributes)
        self._file_of: dict[str, str] = {}
        listed = read_words()
        for file in command_files():
            for word, facts in listed.get(file, {}).items():
                self.commands[word] = TyperCommand(
                    word, help=facts["help"], rich_help_panel=facts.get("panel"), add_help_option=False
                )
                self._file_of[word] = file
            if file not in listed:
                self.commands.update(load_file(file))

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        """Put the real command in place of the stand-in of the word that is called."""
        if args:
            self.load(args[0])
        return super().resolve_command(ctx, args)

    def load(self, word: str) -> None:
        """Import the file behind one word; a word that is loaded or unknown changes nothing."""
        file = self._file_of.pop(word, None)
        if file is not None:
            self.commands.update(load_file(file))
            self._file_of = {w: f for w, f in self._file_of.items() if f != file}

    def load_all(self) -> None:
        """Import every file, for whoever documents or tests all words and options."""
        for word in list(self._file_of):
            self.load(word)


def command_files() -> list[str]:
    """Module names in ``triage/commands``, ascending."""
    return sorted(module.name for module in pkgutil.iter_modules(triage.commands.__path__))


def load_file(file: str) -> dict[str, Any]:
    """Import one command file; its words and their commands."""
    part = typer.Typer(pretty_exceptions_enable=False)
    importlib.import_module(f"triage.commands.{file}").register(part)
    return dict(get_group(part).commands)


def read_words() -> dict[str, dict[str, dict[str, str]]]:
    """The list: file -> word -> ``help`` (its first paragraph) and ``panel`` (may be missing)."""
    text = files(triage.commands).joinpath(LIST).read_text(encoding="utf-8")
    return tomllib.loads(text)


def registered_words() -> dict[str, dict[str, dict[str, str]]]:
    """The same list, asked from the files themselves."""
    found: dict[str, dict[str, dict[str, str]]] = {}
    for file in command_files():
        found[file] = {}
        for word, command in load_file(file).items():
            facts = {"help": _first_paragraph(command.short_help or command.help or "")}
            if command.rich_help_panel:
                facts["panel"] = command.rich_help_panel
            found[file][word] = facts
    return found


def _first_paragraph(text: str) -> str:
    return " ".join(text.split("\n\n", 1)[0].split())


def main() -> None:
    """Write the list anew."""
    import tomlkit

    text = "# Written by `python -m triage.words`; a test fails while it differs from the files.\n\n"
    text += tomlkit.dumps(registered_words())
    (Path(triage.commands.__path__[0]) / LIST).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
