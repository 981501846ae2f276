"""From columns of any reader to the canonical telemetry frame: sorted, no key twice, all accounted for."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from collectors.columns import INPUT_COLUMNS, STATES, TELEMETRY_COLUMNS, UNIT_COLUMNS
from collectors.csv_limits import empty_impossible, limits_of
from collectors.csv_reading import Tally
from collectors.samples import first_of_each
from collectors.site import SiteDescription

#: Numeric columns in canonical order, then the state as a code (NaN is empty).
NUMERIC = tuple(name for name in (*INPUT_COLUMNS, *UNIT_COLUMNS) if name != "state")

REASON_EMPTY = "no value in the row"
REASON_REPEATED = "repeated row"
REASON_OTHER_VALUES = "same time and input again with other values (the first stays)"
REASON_UNKNOWN_UNIT = "unit not in the site file"
REASON_UNKNOWN_INPUT = "input not in the site file"

_STATE_NAMES = np.array([*STATES, None], dtype=object)


class Block:
    """Rows of one stretch of a file: arrays of one length.

    ``index`` is the position in ``site.inputs``; ``lines`` the file line of
    each row; ``columns`` maps canonical names to float64 (``state`` to codes).
    """

    def __init__(
        self,
        ts: NDArray[np.int64],
        index: NDArray[np.int16],
        lines: NDArray[np.int64],
        columns: dict[str, NDArray[np.float64]],
    ) -> None:
        self.ts, self.index, self.lines, self.columns = ts, index, lines, columns

    def keep(self, mask: NDArray[np.bool_]) -> Block:
        if mask.all():
            return self
        return Block(
            self.ts[mask],
            self.index[mask],
            self.lines[mask],
            {name: column[mask] for name, column in self.columns.items()},
        )


def match_inputs(
    site: SiteDescription,
    serials: Sequence[str],
    codes: NDArray[np.integer[Any]],
    numbers: NDArray[np.int64],
    lines: NDArray[np.int64],
    tally: Tally,
) -> NDArray[np.int16]:
    """Index in ``site.inputs`` of each row, -1 where the site file has none (counted).

    ``codes`` point into ``serials``.
    """
    known_units = {unit.serial for unit in site.units}
    numbers = np.clip(numbers, 0, 1 << 20)
    pair, pairs = pd.factorize(codes.astype(np.int64) << 21 | numbers)
    table = np.empty(len(pairs), np.int16)
    for k, value in enumerate(pairs.tolist()):
        serial, number = serials[value >> 21], value & ((1 << 21) - 1)
        table[k] = site.input_index.get((serial, number), -1 if serial in known_units else -2)
    index = table[pair] if len(pairs) else np.zeros(0, np.int16)
    for code, reason, column in ((-2, REASON_UNKNOWN_UNIT, "unit"), (-1, REASON_UNKNOWN_INPUT, "input")):
        wrong = np.flatnonzero(index == code)
        if wrong.size:
            shown = (f"{serials[codes[k]]}/{numbers[k]}" for k in wrong[:20].tolist())
            tally.reject(reason, lines[wrong].tolist(), column, shown)
    return np.maximum(index, -1)


def clean(blocks: list[Block], site: SiteDescription, tally: Tally) -> list[Block]:
    """Drop rows without an input, empty impossible values, drop rows without any value.

    The blocks are what one stretch of a file gave: a file row counts as empty
    when none of them has a value of it (a wide row spreads over several).
    """
    limits = limits_of(site)
    result = []
    tried, used = [], []
    for block in blocks:
        block = block.keep(block.index >= 0)
        empty_impossible(block.columns, block.lines, limits, tally)
        filled = np.zeros(block.ts.size, bool)
        for column in block.columns.values():
            filled |= ~np.isnan(column)
        if len(blocks) == 1:
            tally.reject(REASON_EMPTY, block.lines[~filled].tolist())
        else:
            tried.append(block.lines)
            used.append(block.lines[filled])
        result.append(block.keep(filled))
    if len(blocks) > 1:
        empty = np.setdiff1d(np.concatenate(tried), np.concatenate(used))
        tally.reject(REASON_EMPTY, empty.tolist())
    return result


def to_frame(blocks: list[Block], site: SiteDescription, tally: Tally) -> tuple[pd.DataFrame, int]:
    """Canonical frame of cleaned blocks, and how many rows completed an earlier row of the same key."""
    order_of_inputs = sorted(range(len(site.inputs)), key=lambda k: site.inputs[k].key)
    rank_of = np.empty(max(1, len(order_of_inputs)), np.int64)
    rank_of[order_of_inputs] = np.arange(len(order_of_inputs))
    count = max(1, len(site.inputs))
    ts = _joined([b.ts for b in blocks], np.int64)
    key = ts * count + rank_of[_joined([b.index for b in blocks], np.int16)]
    del ts
    lines = _joined([b.lines for b in blocks], np.int64)
    columns: list[NDArray[np.float64]] = []
    for name in (*NUMERIC, "state"):
        parts = [b.columns.pop(name) if name in b.columns else np.full(b.ts.size, np.nan) for b in blocks]
        columns.append(_joined(parts, np.float64))
        del parts
    merged = 0
    if np.any(key[1:] <= key[:-1]):
        order = np.argsort(key, kind="stable")
        key, lines = key[order], lines[order]
        columns = [column[order] for column in columns]
        if np.any(key[1:] == key[:-1]):
            key, columns, merged = _merge_repeats(key, columns, lines, tally)
    return _frame(key, columns, [site.inputs[k].key for k in order_of_inputs] or [("", 0)]), merged


def _merge_repeats(
    key: NDArray[np.int64], columns: list[NDArray[np.float64]], lines: NDArray[np.int64], tally: Tally
) -> tuple[NDArray[np.int64], list[NDArray[np.float64]], int]:
    later = np.concatenate(([False], key[1:] == key[:-1]))
    one_key, one_columns, group = first_of_each(key, columns)
    clash = np.zeros(key.size, bool)
    adds = np.zeros(key.size, bool)
    first_row = np.flatnonzero(~later)[group]
    for column, kept in zip(columns, one_columns, strict=True):
        there = ~np.isnan(column)
        clash |= there & (column != kept[group])
        adds |= there & np.isnan(column[first_row])
    tally.reject(REASON_OTHER_VALUES, lines[later & clash].tolist())
    tally.reject(REASON_REPEATED, lines[later & ~clash & ~adds].tolist())
    return one_key, one_columns, int(np.count_nonzero(later & ~clash & adds))


def _frame(key: NDArray[np.int64], columns: list[NDArray[np.float64]], inputs: list[tuple[str, int]]) -> pd.DataFrame:
    ts, rank = np.divmod(key, len(inputs))
    data: dict[str, Any] = {
        "ts": ts,
        "unit": pd.Series([unit for unit, _ in inputs], dtype="str").take(rank).array,
        "input": np.array([number for _, number in inputs], np.int64)[rank],
    }
    codes = columns.pop()
    names = _STATE_NAMES[np.where(np.isnan(codes), len(STATES), codes).astype(np.int8)]
    data["state"] = pd.Series(names, dtype=object)
    data.update(zip(NUMERIC, columns, strict=True))
    return pd.DataFrame({name: data[name] for name in TELEMETRY_COLUMNS}, copy=False)


def _joined(parts: list[NDArray[Any]], dtype: Any) -> NDArray[Any]:
    return np.concatenate(parts) if parts else np.zeros(0, dtype)
