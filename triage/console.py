"""The two consoles: results to stdout, notices and progress to stderr; and the foot of a command's help."""

from __future__ import annotations

from rich.console import Console

out = Console(soft_wrap=False)
err = Console(stderr=True)


def example(words: str) -> str:
    """The end of a command's help: one example and the exit codes, for a command that finds nothing itself."""
    return f"[bold]Example[/bold]\n\n  callout {words}\n\nExit codes: 0 done, 2 usage or input error."
