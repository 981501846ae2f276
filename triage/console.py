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
        columns = [column for column in self.table.columns if column.width is None]
        least, most = [], []
        for column in columns:
            if column.overflow == "ellipsis":
                column.overflow = "fold"
            sizes = [Measurement.get(console, unbound, cell) for cell in (column.header, *column.cells)]
            whole = max(s.maximum for s in sizes)
            need = whole if column.no_wrap else max(min(s.minimum, _LONGEST) for s in sizes)
            column.min_width = max(column.min_width or 0, need)
            least.append(column.min_width)
            most.append(max(whole, column.min_width))
        beside = Measurement.get(console, unbound, self.table).maximum - sum(most)
        room = options.max_width - beside
        if columns and sum(most) > room:
            for column, width in zip(columns, _shared(least, most, room), strict=True):
                column.width = width
        width = max(options.max_width, beside + sum(least))
        yield from console.render(self.table, options.update(width=width))


def _shared(least: list[int], most: list[int], room: int) -> list[int]:
    """Widths that fill the room, the widest columns cut down first and none below its least."""
    level = max(most)
    while level > 0 and sum(_clamped(least, most, level)) > room:
        level -= 1
    widths = _clamped(least, most, level)
    for n, (low, high) in enumerate(zip(least, most, strict=True)):
        if widths[n] == max(low, level) < high and sum(widths) < room:
            widths[n] += 1
    return widths


def _clamped(least: list[int], most: list[int], level: int) -> list[int]:
    return [max(low, min(high, level)) for low, high in zip(least, most, strict=True)]


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
