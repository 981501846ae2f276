"""The tables of README.md that the code already knows, so that the two can't disagree.

::

    python -m triage.docs --check     0 the README says what the code says, 1 it does not
    python -m triage.docs --write     put the code's tables into the README
    python -m triage.docs thresholds  every number a rule depends on, with unit and source

A table stands between ``<!-- NAME:begin -->`` and ``<!-- NAME:end -->``; what
is between is written here and by nobody else.
"""

from __future__ import annotations

import argparse
import importlib
import pkgutil
import re
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import typer

import rules
from collectors.errors import UsageError
from rules.finding import FAULT_SCOPES, Threshold
from rules.registry import all_rules
from triage.cli import app
from triage.service.settings import settings_table
from triage.wording import wording


def commands() -> Iterator[tuple[tuple[str, ...], Any]]:
    """Every command of ``callout``: the words that call it, and its click command."""

    # Typer's own click and the click package have the same methods and no class in common: hence Any.
    def below(command: Any, words: tuple[str, ...]) -> Iterator[tuple[tuple[str, ...], Any]]:
        if not hasattr(command, "list_commands"):
            yield words, command
            return
        context = command.context_class(command)
        for name in command.list_commands(context):
            yield from below(command.get_command(context, name), (*words, name))

    root: Any = typer.main.get_command(app)
    if hasattr(root, "load_all"):
        root.load_all()
    yield from below(root, ())


def command_table() -> str:
    """Name and first sentence of every command."""
    rows = [(f"`callout {' '.join(words)}`", _first(command.help or "")) for words, command in commands()]
    return _table(("command", "what it does"), sorted(rows))


def fault_table() -> str:
    """Every fault that has a rule: where it is found, what it means on the roof, what its rule reads."""
    rules_by_slug = {rule.slug: rule for rule in all_rules()}
    rows = [
        (f"`{slug}`", scope, wording(slug).means, ", ".join(f"`{c}`" for c in rules_by_slug[slug].columns) or "any")
        for slug, scope in FAULT_SCOPES.items()
        if slug in rules_by_slug
    ]
    return _table(("fault", "at", "what it means", "columns its rule reads"), rows)


def setting_table() -> str:
    """Every key of ``service.toml``."""
    rows = [(f"`[{table}] {key}`", default, text) for table, key, default, text in settings_table()]
    return _table(("setting", "default", "what it is"), rows)


#: Name of a block in the README -> the text that belongs there.
BLOCKS: Final[Mapping[str, Callable[[], str]]] = {
    "commands": command_table,
    "faults": fault_table,
    "settings": setting_table,
}


def with_tables(text: str) -> str:
    """The README's text with every table as the code has it.

    Raises
    ------
    UsageError : a block's marks are missing or stand twice.
    """
    for name, make in BLOCKS.items():
        block = re.compile(rf"(<!-- {name}:begin -->\n).*?(<!-- {name}:end -->)", re.DOTALL)
        if len(block.findall(text)) != 1:
            raise UsageError(
                f"README.md: block '{name}' is not there exactly once",
                f"Put <!-- {name}:begin --> and <!-- {name}:end --> on lines of their own.",
            )
        body = f"\n{make()}\n"
        text = block.sub(lambda m, body=body: f"{m[1]}{body}{m[2]}", text)  # type: ignore[misc]
    return text


def thresholds() -> Iterator[tuple[str, str, Threshold]]:
    """(module, name, threshold) of every number a rule depends on."""
    for found in pkgutil.walk_packages(rules.__path__, "rules."):
        module = importlib.import_module(found.name)
        for name, value in vars(module).items():
            # Re-exported ones are told where they are made: with their module's own text.
            if isinstance(value, Threshold) and re.search(rf"^{name}\b.*=", _source(module.__file__), re.MULTILINE):
                yield found.name, name, value


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command; returns its exit code."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", nargs="?", choices=["tables", "thresholds"], default="tables")
    parser.add_argument("--check", action="store_true")
    parser.add_argument("--write", action="store_true")
    parser.add_argument("--readme", type=Path, default=Path("README.md"))
    args = parser.parse_args(argv)
    if args.what == "thresholds":
        print(_table(("rule", "threshold", "value", "unit", "source"), [
            (f"`{module}`", f"`{name}`", f"{t.value:g}", t.unit, t.source) for module, name, t in thresholds()
        ]))  # fmt: skip
        return 0
    if not (args.write or args.check):
        for name, make in BLOCKS.items():
            print(f"{name}\n\n{make()}")
        return 0
    before = args.readme.read_text(encoding="utf-8")
    after = with_tables(before)
    if args.write:
        args.readme.write_text(after, encoding="utf-8")
    elif before != after:
        print(f"{args.readme}: not what the code says; `python -m triage.docs --write` renews it", file=sys.stderr)
        return 1
    return 0


def _first(text: str) -> str:
    """First paragraph, on one line."""
    return " ".join(text.strip().split("\n\n")[0].split())


def _source(path: str | None) -> str:
    return Path(path).read_text(encoding="utf-8") if path else ""


def _table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    lines = [head, ["---"] * len(head), *rows]
    # A bar would end the cell.
    return "".join("| " + " | ".join(cell.replace("|", "\\|") for cell in line) + " |\n" for line in lines)


if __name__ == "__main__":
    sys.exit(main())
