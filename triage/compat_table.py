"""The electrical check on a terminal: one table for each place, then what to change."""

from __future__ import annotations

from typing import Final

from rich.console import Console
from rich.markup import escape
from rich.padding import Padding
from rich.table import Table

from rules.compat.result import Check, CompatResult, Verdict
from triage.compat_page import (
    SCOPE_WORDS,
    VERDICT_WORDS,
    counts_text,
    limit_text,
    numbers_text,
    places,
    room_text,
    value_text,
)

STYLES: Final[dict[Verdict, str]] = {"pass": "green", "near": "yellow", "fail": "bold red", "unknown": "dim"}


def print_result(out: Console, result: CompatResult, explain: bool = False) -> None:
    """Print all rows; formula and source for those that need a change, or for all with ``explain``."""
    name = f"{result.name} ({result.site})" if result.name else result.site
    out.print(f"[bold]Electrical check of {escape(name)}[/bold]: {counts_text(result)}")
    out.print(f"Limits: {escape(result.profile)}, {escape(result.profile_title)}. {escape(result.profile_status)}")
    last = ""
    for scope, place, checks in places(result):
        if scope != last:
            out.print(f"\n[bold]{SCOPE_WORDS[scope]}[/bold]")
            last = scope
        out.print(_table(place, checks))
        for check in checks:
            if explain or check.verdict in ("fail", "near"):
                _explain(out, check)
        if not explain:
            _missing(out, checks)
    out.print(f"\n[bold]Read first.[/bold] {escape(result.caution)}")


def _table(place: str, checks: list[Check]) -> Table:
    table = Table(title=escape(place), title_justify="left", title_style="italic", box=None, pad_edge=False)
    table.add_column("Verdict", no_wrap=True, width=10)
    table.add_column("Check", min_width=16)
    table.add_column("Value", no_wrap=True, justify="right")
    table.add_column("Limit", no_wrap=True)
    table.add_column("Room", no_wrap=True, justify="right")
    for check in checks:
        word = VERDICT_WORDS[check.verdict][0]
        table.add_row(
            f"[{STYLES[check.verdict]}]{word}[/]",
            escape(check.title),
            value_text(check),
            limit_text(check),
            room_text(check),
        )
    return table


def _explain(out: Console, check: Check) -> None:
    style = STYLES[check.verdict]
    change = f": {escape(check.change)}" if check.change else ""
    _indented(out, f"[{style}]{escape(check.title)}[/]{change}", 2)
    if check.formula:
        numbers = f": {numbers_text(check)}" if check.numbers else ""
        _indented(out, f"[dim]{escape(check.formula + numbers)}[/dim]", 4)
    if check.source:
        _indented(out, f"[dim]source: {escape(check.source)}[/dim]", 4)
    if check.note:
        _indented(out, f"[dim]{escape(check.note)}[/dim]", 4)


def _indented(out: Console, text: str, spaces: int) -> None:
    out.print(Padding(text, (0, 0, 0, spaces), expand=False))


def _missing(out: Console, checks: list[Check]) -> None:
    """One line with every key that the checks of a place lack."""
    keys = dict.fromkeys(
        key
        for check in checks
        if check.verdict == "unknown"
        for key in check.change.removeprefix("Give ").removesuffix(".").split(", ")
    )
    if keys:
        _indented(out, f"[dim]can't tell without {escape(', '.join(keys))}[/dim]", 2)
