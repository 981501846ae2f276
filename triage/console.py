"""The two consoles: results to stdout, notices and progress to stderr; and the foot of a command's help."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from rich.console import Console, ConsoleOptions, RenderResult
from rich.measure import Measurement
from rich.table import Table

if TYPE_CHECKING:
    from rich.progress import Progress, ProgressColumn

#: Words up to this long stay in one piece where a column may wrap: serials and site ids do, checksums need not.
_LONGEST: Final = 30
_UNBOUND: Final = 10_000


class Whole:
    """A table that loses nothing: on a terminal too narrow for it the lines run over, as a long word would.

    Left alone, rich cuts what does not fit, columns at the right first: 7.4 kWh became 7.4 above 394.
    """

    def __init__(self, table: Table) -> None:
        self.table = table

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        unbound = options.update(width=_UNBOUND)
        for column in self.table.columns:
            if column.overflow == "ellipsis":
                column.overflow = "fold"
            if column.width is None:
                sizes = [Measurement.get(console, unbound, cell) for cell in (column.header, *column.cells)]
                need = max(s.maximum if column.no_wrap else min(s.minimum, _LONGEST) for s in sizes)
                column.min_width = max(column.min_width or 0, need)
        need = Measurement.get(console, unbound, self.table).minimum
        yield from console.render(self.table, options.update(width=max(options.max_width, need)))


class WholeConsole(Console):
    """Prints tables whole."""

    def print(self, *objects: Any, **options: Any) -> None:
        super().print(*(Whole(o) if isinstance(o, Table) else o for o in objects), **{"crop": False, **options})


def progress_bar(*columns: ProgressColumn) -> Progress:
    """A bar on the terminal that is gone afterwards; into a file it would leave an empty line."""
    from rich.progress import Progress  # not for `--help`

    return Progress(*(columns or Progress.get_default_columns()), console=err, transient=True, disable=not err.is_terminal)


out = WholeConsole(soft_wrap=False)
err = Console(stderr=True)


def example(words: str) -> str:
    """The end of a command's help: one example and the exit codes, for a command that finds nothing itself."""
    return f"[bold]Example[/bold]\n\n  callout {words}\n\nExit codes: 0 done, 2 usage or input error."
