"""What a reader gives back, and how it counts what it could not use."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import pandas as pd

Kind = Literal["telemetry", "weather", "log"]
_SHOWN_PER_REASON = 20


@dataclass(frozen=True)
class Problem:
    """A row left out, or a value left empty: where, and why; line 0 is a row whose line is not known any more."""

    line: int
    reason: str
    column: str = ""
    value: str = ""

    def __str__(self) -> str:
        return f"{self.where}: {self.reason}"

    @property
    def where(self) -> str:
        """``line 7, Zeitpunkt = '01.06.2025 10:xx'``."""
        told = f"{self.column} = {self.value!r}" if self.column and self.value else self.column or self.value
        return ", ".join(filter(None, (f"line {self.line}" if self.line else "", told)))


@dataclass(frozen=True)
class ColumnGuess:
    """What one column of a file was taken for, and why."""

    header: str
    taken_for: str
    why: str
    unit: str = ""
    serial: str = ""
    input: int | None = None


@dataclass
class Tally:
    """Counts rows rejected and values emptied, by reason; remembers the first few of each."""

    rejected: Counter[str] = field(default_factory=Counter)
    emptied: Counter[str] = field(default_factory=Counter)
    problems: list[Problem] = field(default_factory=list)

    def reject(self, reason: str, lines: Sequence[int], column: str = "", values: Iterable[Any] = ()) -> None:
        """Count rows left out, one per entry of ``lines``."""
        self._note(self.rejected, reason, lines, column, values)

    def empty(self, reason: str, lines: Sequence[int], column: str, values: Iterable[Any] = ()) -> None:
        """Count values left empty, one per entry of ``lines``."""
        self._note(self.emptied, reason, lines, column, values)

    def add(self, other: Tally) -> None:
        """Take over what another one counted."""
        self.rejected.update(other.rejected)
        self.emptied.update(other.emptied)
        self.problems += other.problems

    def _note(self, counter: Counter[str], reason: str, lines: Sequence[int], column: str, values: Iterable[Any]) -> None:
        if not len(lines):
            return
        room = _SHOWN_PER_REASON - counter[reason]
        counter[reason] += len(lines)
        shown = iter(values)
        for line in list(lines[: max(0, room)]):
            self.problems.append(Problem(int(line), reason, column, str(next(shown, ""))[:60]))


@dataclass(frozen=True)
class Reading:
    """One file read: a canonical frame, and an account of everything that is not in it.

    ``rows_read`` counts the file's data rows; each is in ``frame`` or in
    ``rejected``. ``emptied`` counts values that could not be true.
    ``problems`` names the first rows of each reason by file line.
    """

    source: str
    kind: Kind
    frame: pd.DataFrame
    rows_read: int
    rejected: dict[str, int] = field(default_factory=dict)
    emptied: dict[str, int] = field(default_factory=dict)
    problems: tuple[Problem, ...] = ()
    columns: tuple[ColumnGuess, ...] = ()
    format: dict[str, str] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
