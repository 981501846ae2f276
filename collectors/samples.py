"""Samples in and out of SQLite as arrays: the store's inner loop.

Every function works on one owner (one input or one unit) at a time, so the
Python work grows with inputs, not with samples.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import repeat
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from collectors.columns import STATE_CODES
from collectors.schema import INPUT_FIELDS, UNIT_FIELDS

#: What became of a row. From FILLED up, the store was changed.
SAME, CONFLICT, FILLED, NEW = 0, 1, 2, 3

#: Stands for NULL while a column travels as text: no scaled value gets there.
_NULL: Final = -(10**17)
_NULL_TEXT: Final = str(_NULL)
_LARGEST: Final = 1e15
#: Owners times seconds read by one question: bounds its text to some hundred megabytes at one-minute rows.
_SECONDS_AT_ONCE: Final = 200 * 3 * 86400
#: Below SQLite's limit of 999 parameters in builds before 3.32.
_ROWS_AT_ONCE: Final = 100

Times = NDArray[np.int64]
Columns = list[NDArray[np.float64]]


@dataclass(frozen=True)
class SampleTable:
    """A table of samples keyed by its owner and time."""

    name: str
    owner: str
    fields: tuple[str, ...]


INPUT_SAMPLE: Final = SampleTable("input_sample", "input_id", INPUT_FIELDS)
UNIT_SAMPLE: Final = SampleTable("unit_sample", "unit_id", UNIT_FIELDS)


def scaled(frame: pd.DataFrame, scales: Mapping[str, int], order: NDArray[np.intp]) -> Columns:
    """Columns of ``frame`` in ``order`` as whole numbers (float64, NaN for empty or not finite)."""
    columns = []
    for name, scale in scales.items():
        if name not in frame:
            columns.append(np.full(order.size, np.nan))
            continue
        column = frame[name].to_numpy(np.float64, na_value=np.nan)[order] * scale
        np.rint(column, out=column)
        column[~(np.abs(column) < _LARGEST)] = np.nan
        columns.append(column)
    return columns


def state_codes(states: pd.Series, order: NDArray[np.intp]) -> NDArray[np.float64]:
    """Code of each state word in ``order``, NaN where empty or not a state."""
    codes, words = pd.factorize(states)
    table = np.array([*(STATE_CODES.get(word, np.nan) for word in words), np.nan], np.float64)
    return table[codes][order]


def first_of_each(ts: Times, columns: Columns) -> tuple[Times, Columns, NDArray[np.intp]]:
    """One row per time (``ts`` ascending): the first value that is not empty, column by column.

    Returns the times, the columns, and the row in them of each row given.
    """
    first = np.concatenate(([True], ts[1:] != ts[:-1]))
    group = np.cumsum(first) - 1
    if first.all():
        return ts, columns, group
    return ts[first], [_first_value(column, group, first) for column in columns], group


def _first_value(column: NDArray[np.float64], group: NDArray[np.intp], first: NDArray[np.bool_]) -> NDArray[np.float64]:
    result = column[first]
    if np.isnan(result).any():
        there = np.flatnonzero(~np.isnan(column))
        owner = group[there]
        lead = np.concatenate(([True], owner[1:] != owner[:-1])) if owner.size else np.zeros(0, bool)
        result[owner[lead]] = column[there[lead]]
    return result


def read(db: sqlite3.Connection, table: SampleTable, owner: int, start: int, end: int) -> tuple[Times, Columns]:
    """One owner's rows of ``start <= ts < end``: times ascending, scaled columns with NaN."""
    return read_each(db, table, [owner], start, end)[owner]


def read_each(
    db: sqlite3.Connection, table: SampleTable, owners: Sequence[int], start: int, end: int
) -> dict[int, tuple[Times, Columns]]:
    """As :func:`read` for several owners, in one question for every few million seconds of rows.

    SQLite joins each column into one text that numpy parses: about twice as
    fast as fetching rows, because no Python object is made per value.
    """
    found: dict[int, tuple[Times, Columns]] = {}
    at_once = max(1, _SECONDS_AT_ONCE // max(end - start, 1))
    names = (table.owner, "ts", *table.fields)
    joined = ", ".join(f"json_group_array({name})" for name in names)
    for first in range(0, len(owners), at_once):
        asked = sorted(owners[first : first + at_once])
        row = db.execute(
            f"SELECT {joined} FROM (SELECT {', '.join(names)} FROM {table.name} WHERE {table.owner} IN "
            f"({', '.join('?' * len(asked))}) AND ts >= ? AND ts < ? ORDER BY {table.owner}, ts)",
            (*asked, start, end),
        ).fetchone()
        of, times, *columns = (_numbers(text) for text in row)
        ends = np.searchsorted(of, asked, side="right").tolist()
        for owner, low, high in zip(asked, [0, *ends], ends, strict=False):
            found[owner] = (times[low:high].astype(np.int64), [column[low:high] for column in columns])
    return found


def _numbers(text: str) -> NDArray[np.float64]:
    """What a JSON list of whole numbers and nulls holds, NaN for null."""
    if text == "[]":
        return np.zeros(0)
    whole = np.fromstring(text[1:-1].replace("null", _NULL_TEXT), dtype=np.int64, sep=",")
    numbers = whole.astype(np.float64)
    numbers[whole == _NULL] = np.nan
    return numbers


def aligned(times: Times, other: Times, columns: Columns) -> Columns:
    """``columns`` (at times ``other``, ascending) at ``times``; NaN where there is none."""
    if times.size == other.size and np.array_equal(times, other):
        return columns
    if other.size == 0:
        return [np.full(times.size, np.nan) for _ in columns]
    at = np.minimum(np.searchsorted(other, times), other.size - 1)
    missing = other[at] != times
    result = [column[at] for column in columns]
    for column in result:
        column[missing] = np.nan
    return result


def merge(db: sqlite3.Connection, table: SampleTable, owner: int, ts: Times, columns: Columns) -> NDArray[np.int8]:
    """Write one owner's rows (``ts`` ascending, no two alike); say what became of each.

    What is stored already is read once and compared as arrays, so that only
    rows with something new reach SQLite. A stored value stays.
    """
    status = np.full(ts.size, NEW, np.int8)
    stored_ts, stored = read(db, table, owner, int(ts[0]), int(ts[-1]) + 1)
    fresh = np.ones(ts.size, bool)
    if stored_ts.size:
        at = np.minimum(np.searchsorted(stored_ts, ts), stored_ts.size - 1)
        fresh = stored_ts[at] != ts
        rows = np.flatnonzero(~fresh)
        fills, clash = _compare([c[rows] for c in columns], [c[at[rows]] for c in stored])
        status[rows] = np.where(fills, FILLED, np.where(clash, CONFLICT, SAME))
        _fill(db, table, owner, ts, columns, rows[fills])
    _insert(db, table, owner, ts, columns, fresh)
    return status


def _compare(comes: Columns, has: Columns) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Rows in which an empty value gets filled, and rows in which two values differ."""
    fills = np.zeros(comes[0].size, bool)
    clash = np.zeros(comes[0].size, bool)
    for new, old in zip(comes, has, strict=True):
        fills |= np.isnan(old) & ~np.isnan(new)
        clash |= (old != new) & ~np.isnan(old) & ~np.isnan(new)
    return fills, clash


def _fill(
    db: sqlite3.Connection,
    table: SampleTable,
    owner: int,
    ts: Times,
    columns: Columns,
    rows: NDArray[np.intp],
) -> None:
    if rows.size == 0:
        return
    sets = ", ".join(f"{field} = ifnull({field}, ?)" for field in table.fields)
    values = [column[rows].tolist() for column in columns]
    db.executemany(
        f"UPDATE {table.name} SET {sets} WHERE {table.owner} = ? AND ts = ?",
        zip(*values, repeat(owner, rows.size), ts[rows].tolist(), strict=True),
    )


def _insert(
    db: sqlite3.Connection,
    table: SampleTable,
    owner: int,
    ts: Times,
    columns: Columns,
    rows: NDArray[np.bool_],
) -> None:
    if not rows.any():
        return
    # NaN binds as NULL and a whole float is kept as an integer: no Python work per value. Many
    # rows per statement halve the time, because the statement is entered once for all of them.
    matrix = np.column_stack([ts[rows], *(column[rows] for column in columns)])
    whole = len(matrix) // _ROWS_AT_ONCE * _ROWS_AT_ONCE
    width = matrix.shape[1]
    row = f"(?, {', '.join('?' * width)})"
    if whole:
        named = f"({owner}, {', '.join('?' * width)})"
        many = ", ".join([named] * _ROWS_AT_ONCE)
        db.executemany(
            f"INSERT INTO {table.name} VALUES {many}",
            matrix[:whole].reshape(-1, _ROWS_AT_ONCE * width).tolist(),
        )
    db.executemany(f"INSERT INTO {table.name} VALUES {row}", ((owner, *values) for values in matrix[whole:].tolist()))
