"""From a table whose columns are known to blocks of canonical rows: long, wide, and what lies between."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from collectors import csv_words as words
from collectors.columns import INPUT_COLUMNS, STATE_CODES, UNIT_COLUMNS
from collectors.csv_assemble import REASON_UNKNOWN_INPUT, REASON_UNKNOWN_UNIT, Block
from collectors.csv_general import count_wrong, zone_of
from collectors.csv_labels import Labels, input_in_cell
from collectors.csv_layout import Layout
from collectors.csv_numbers import MISSING, NumberFormat, parse_numbers
from collectors.csv_reading import ColumnGuess, Tally
from collectors.csv_table import Table, keep
from collectors.csv_times import OrderUnknownError, Times, parse_times, to_utc
from collectors.errors import ReadingError
from collectors.site import SiteDescription

REASON_NO_INPUT = "no input number, and the unit has several inputs"
REASON_NOT_A_NUMBER_INPUT = "input is no number"

#: So many names stand in a message.
_LISTED = 4


@dataclass(frozen=True)
class Rows:
    """Times (UTC seconds), units (position in ``site.units``) and input numbers of the rows that are kept, -1 for none."""

    ts: NDArray[np.int64]
    unit: NDArray[np.int64]
    number: NDArray[np.int64]


def column_of(guesses: Sequence[ColumnGuess], role: str) -> int | None:
    return next((k for k, g in enumerate(guesses) if g.taken_for == role), None)


def times_of(table: Table, guesses: Sequence[ColumnGuess], zone: ZoneInfo, layout: Layout, name: str) -> Times:
    """Times of all rows, local ones still local.

    Raises
    ------
    ReadingError : no column of times, or day and month cannot be told apart.
    """
    stamp, date, clock = (column_of(guesses, role) for role in ("timestamp", "date", "time"))
    if stamp is not None:
        cells, header = table.columns[stamp], guesses[stamp].header
    elif date is not None:
        cells, header = table.columns[date], guesses[date].header
        if clock is not None:
            cells = pc.binary_join_element_wise(cells, table.columns[clock], " ")
    else:
        raise ReadingError(
            f"{name}: no column of times among: {', '.join(repr(h) for h in table.headers[:12])}",
            'Name it in a layout file: [columns] "HEADER" = "timestamp".',
        )
    try:
        times = parse_times(cells, zone, layout.time.order, layout.time.epoch)
    except OrderUnknownError as exc:
        shown = next((c for c in cells.to_pylist() if c), "")
        raise ReadingError(
            f"{name}: column '{header}': {shown!r} can be day first or month first, and no row says which",
            'Say it in a layout file: [time] order = "dmy" (or "mdy").',
        ) from exc
    if times.reason.size and np.all(times.reason != ""):
        shown = next((c for c in cells.to_pylist() if c), "")
        raise ReadingError(
            f"{name}: line {int(table.lines[0])}, column '{header}': {shown!r} is no time, nor is any below",
            "Write times as 2025-06-30T12:05:00Z, or name the column and order in a layout file.",
        )
    return times


def settle_times(
    table: Table,
    guesses: Sequence[ColumnGuess],
    times: Times,
    zone: ZoneInfo,
    key: NDArray[np.int64],
    tally: Tally,
) -> NDArray[np.bool_]:
    """Local times to UTC; counts rows without a usable time and says which rows have one."""
    to_utc(times, zone, key)
    place = next(k for k, g in enumerate(guesses) if g.taken_for in ("timestamp", "date"))
    cells, header = table.columns[place], guesses[place].header
    good = times.reason == ""
    for reason in sorted(set(times.reason[~good].tolist())):
        rows = np.flatnonzero(times.reason == reason)
        shown = cells.take(pa.array(rows[:20])).to_pylist()
        tally.reject(reason, table.lines[rows].tolist(), header, shown)
    return np.asarray(good, bool)


def blocks(
    table: Table,
    guesses: Sequence[ColumnGuess],
    site: SiteDescription,
    layout: Layout,
    form: NumberFormat,
    tally: Tally,
    name: str,
) -> tuple[list[Block], Times]:
    """Blocks of canonical rows, and the times as understood.

    Raises
    ------
    ReadingError : no usable time, unit or value column.
    """
    labels = Labels(site, layout.units)
    zone = zone_of(list(guesses), layout, site)
    times = times_of(table, guesses, zone, layout, name)
    unit, number, known = _units(table, guesses, site, labels, tally, name)
    key = unit * 64 + np.maximum(number, 0)
    good = settle_times(table, guesses, times, zone, key, tally) & known
    rows = Rows(times.seconds[good], unit[good], number[good])
    keep(table, good)
    columns = _values(table, guesses, layout, form, tally)
    found = _slots(table, guesses, columns, rows, site, labels, tally)
    return found, times


def _units(
    table: Table,
    guesses: Sequence[ColumnGuess],
    site: SiteDescription,
    labels: Labels,
    tally: Tally,
    name: str,
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.bool_]]:
    """Of each row: unit (position in ``site.units``, -1 in a wide table), input number (-1 none), whether both are known."""
    height = table.height
    unit = np.full(height, -1, np.int64)
    number = np.full(height, -1, np.int64)
    known = np.ones(height, bool)
    place = column_of(guesses, "unit")
    if place is not None:
        position = {u.serial: k for k, u in enumerate(site.units)}
        encoded = pc.dictionary_encode(table.columns[place])
        texts = encoded.dictionary.to_pylist()
        found = [labels.find(text) for text in texts]
        if not any(found):
            _refuse_serials(name, guesses[place].header, texts, site)
        codes = encoded.indices.to_numpy(zero_copy_only=False)
        unit = np.array([position.get(f.serial, -1) if f else -1 for f in found], np.int64)[codes]
        number = np.array([f.input if f and f.input is not None else -1 for f in found], np.int64)[codes]
        known = unit >= 0
        tally.reject(
            REASON_UNKNOWN_UNIT,
            table.lines[~known].tolist(),
            guesses[place].header,
            (texts[c] for c in codes[~known][:20].tolist()),
        )
    place = column_of(guesses, "input")
    if place is not None:
        encoded = pc.dictionary_encode(table.columns[place])
        texts = encoded.dictionary.to_pylist()
        numbers = [input_in_cell(text) for text in texts]
        codes = encoded.indices.to_numpy(zero_copy_only=False)
        table_of = np.array([-1 if n is None else n for n in numbers], np.int64)
        number = np.where(table_of[codes] >= 0, table_of[codes], number)
        wrong = known & (number < 0) & ~np.array([not t for t in texts], bool)[codes]
        tally.reject(
            REASON_NOT_A_NUMBER_INPUT,
            table.lines[wrong].tolist(),
            guesses[place].header,
            (texts[c] for c in codes[wrong][:20].tolist()),
        )
        known &= ~wrong
        lowest = min((i.input for u in site.units for i in u.inputs), default=1)
        if (number[known] == 0).any() and lowest == 1:
            table.notes.append(f"inputs in column '{guesses[place].header}' count from 0: taken as 1 and up")
            number = np.where(number >= 0, number + 1, number)
    return unit, number, known


def serials_listed(site: SiteDescription) -> str:
    """The serials of a site file, for a message: the first few by name."""
    more = len(site.units) - _LISTED
    return ", ".join(repr(u.serial) for u in site.units[:_LISTED]) + (f" and {more} more" if more > 0 else "")


def _refuse_serials(name: str, header: str, texts: Sequence[str], site: SiteDescription) -> None:
    shown = ", ".join(repr(t) for t in texts[:_LISTED])
    listed = serials_listed(site)
    raise ReadingError(
        f"{name}: column '{header}' holds no unit of the site file: it has {shown}; the site file has {listed}",
        "Check that file and site belong together, or map the names in a layout file under [units].",
    )


def _values(
    table: Table, guesses: Sequence[ColumnGuess], layout: Layout, form: NumberFormat, tally: Tally
) -> dict[int, NDArray[np.float64]]:
    """Numbers of every value column in our units, states as codes; what is neither becomes empty, counted."""
    result = {}
    for k, guess in enumerate(guesses):
        role = guess.taken_for
        if role == "state":
            result[k] = _states(table, k, guess, layout, tally)
        elif role in INPUT_COLUMNS or role in UNIT_COLUMNS or role in ("energy", "energy_wh"):
            values, wrong = parse_numbers(table.columns[k], form, layout.file.missing, guess.unit)
            count_wrong(table, k, wrong, f"{role} is not a number", guess.header, tally)
            result[k] = values
    return result


def _states(table: Table, k: int, guess: ColumnGuess, layout: Layout, tally: Tally) -> NDArray[np.float64]:
    known = words.by_word(words.STATE_WORDS)
    encoded = pc.dictionary_encode(table.columns[k])
    codes = encoded.indices.to_numpy(zero_copy_only=False)
    texts = encoded.dictionary.to_pylist()
    values = np.full(len(texts), np.nan)
    strange = np.zeros(len(texts), bool)
    for n, text in enumerate(texts):
        word = words.plain(text)
        state = layout.states.get(text) or known.get(word.replace(" ", "")) or known.get(word.split(" ")[0])
        if state:
            values[n] = STATE_CODES[state]
        else:
            strange[n] = text.strip().lower() not in MISSING
    count_wrong(table, k, strange[codes] if texts else np.zeros(0, bool), "state is not known", guess.header, tally)
    return values[codes] if texts else np.zeros(0)


def _slots(
    table: Table,
    guesses: Sequence[ColumnGuess],
    columns: dict[int, NDArray[np.float64]],
    rows: Rows,
    site: SiteDescription,
    labels: Labels,
    tally: Tally,
) -> list[Block]:
    """One block per place that columns stand for: the row's own unit, or the one a header names."""
    groups: dict[tuple[str, int | None], dict[str, int]] = {}
    for k in columns:
        guess = guesses[k]
        role = "energy_total_wh" if guess.taken_for == "energy" else guess.taken_for
        groups.setdefault((guess.serial, guess.input), {})[role] = k
    result: list[Block] = []
    counted = np.zeros(table.height, bool)
    for (serial, number), roles in groups.items():
        of_input = {r for r in roles if r in INPUT_COLUMNS or r == "energy_wh"}
        if number is None and not of_input and any(s == serial and n is not None for s, n in groups):
            continue  # joined to the unit's inputs below
        shared = {role: k for role, k in groups.get((serial, None), {}).items() if role in UNIT_COLUMNS}
        values = {role: columns[k] for role, k in {**shared, **roles}.items()}
        result += _block(values, serial, number, not of_input, table, rows, site, labels, tally, counted)
    return result


def _block(
    values: dict[str, NDArray[np.float64]],
    serial: str,
    number: int | None,
    unit_only: bool,
    table: Table,
    rows: Rows,
    site: SiteDescription,
    labels: Labels,
    tally: Tally,
    counted: NDArray[np.bool_],
) -> list[Block]:
    """Blocks of one place; several when values of a unit are repeated on each of its inputs."""
    position = {u.serial: k for k, u in enumerate(site.units)}
    unit = np.full(table.height, position[serial], np.int64) if serial else rows.unit
    numbers = np.full(table.height, number, np.int64) if number is not None else rows.number
    result = []
    bare = numbers < 0
    if bare.any():
        most = max((len(labels.inputs_of(u.serial)) for u in site.units), default=1)
        firsts = [sorted(i.input for i in u.inputs) for u in site.units]
        for place in range(most):
            nth = np.array([f[place] if place < len(f) else -1 for f in firsts], np.int64)
            single = np.array([len(f) for f in firsts]) == 1
            here = bare & (nth[unit] >= 0)
            if unit_only:
                result.append(_made(values, unit, nth[unit], here, table, rows, site))
                continue
            if place == 0:
                result.append(_made(values, unit, nth[unit], here & single[unit], table, rows, site))
                wrong = here & ~single[unit] & ~counted
                tally.reject(REASON_NO_INPUT, table.lines[wrong].tolist())
                counted |= wrong
    given = numbers >= 0
    if given.any():
        block = _made(values, unit, numbers, given, table, rows, site)
        missing = block.index < 0
        if missing.any():
            strange = np.isin(table.lines, block.lines[missing]) & ~counted
            shown = [f"{site.units[u].serial}/{n}" for u, n in zip(unit[strange][:20], numbers[strange][:20], strict=True)]
            tally.reject(REASON_UNKNOWN_INPUT, table.lines[strange].tolist(), "input", shown)
            counted |= strange
        result.append(block.keep(~missing))
    return result


def _made(
    values: dict[str, NDArray[np.float64]],
    unit: NDArray[np.int64],
    numbers: NDArray[np.int64],
    mask: NDArray[np.bool_],
    table: Table,
    rows: Rows,
    site: SiteDescription,
) -> Block:
    highest = max([int(numbers.max(initial=0)), *(ref.input for ref in site.inputs)]) + 1
    lookup = np.full((len(site.units), highest), -1, np.int16)
    for ref in site.inputs:
        lookup[ref.unit_index, ref.input] = ref.index
    index = lookup[unit[mask], numbers[mask]]
    picked = {role: column[mask] for role, column in values.items()}
    return Block(rows.ts[mask], index, table.lines[mask], picked)


def settle_energy(found: list[Block], uncertain: bool) -> tuple[str, list[str]]:
    """Decide what energy columns hold, in place: a lifetime counter stays, energy per interval becomes power.

    ``uncertain`` says that a column could be either: then a series that never
    falls is a counter, one that rises and falls with the sun is per interval,
    and one that falls to zero once a day counts that day only and is left out.
    Returns what the uncertain columns are taken for, and notes.
    """
    notes: list[str] = []
    for block in found:
        if "energy_wh" in block.columns:
            _to_power(block, block.columns.pop("energy_wh"), notes)
    if not uncertain:
        return "energy_total_wh", notes
    meaning, why = _meaning_of_energy(found)
    notes.append(why)
    if meaning != "energy_total_wh":
        for block in found:
            energy = block.columns.pop("energy_total_wh", None)
            if energy is not None and meaning == "energy_wh":
                _to_power(block, energy, notes)
    return meaning, notes


def _meaning_of_energy(found: list[Block]) -> tuple[str, str]:
    falls, daily, steps = 0, 0, 0
    for block in found:
        values = block.columns.get("energy_total_wh")
        if values is None:
            continue
        order = np.lexsort((block.ts, block.index))
        series, index = values[order], block.index[order]
        here = ~np.isnan(series)
        change, same = np.diff(series[here]), np.diff(index[here]) == 0
        change, level = change[same], series[here][1:][same]
        falls += int((change < 0).sum())
        daily += int(((change < 0) & (level <= 0.02 * np.nanmax(series, initial=1.0))).sum())
        steps += int((change != 0).sum())
    if steps == 0 or falls <= 0.001 * steps:
        return "energy_total_wh", "energy never falls: taken as a lifetime counter"
    if daily >= 0.9 * falls and falls < 0.05 * steps:
        return "ignore", "energy falls to zero once a day: a daily counter, not used"
    return "energy_wh", "energy rises and falls: taken as energy per interval"


def _to_power(block: Block, energy: NDArray[np.float64], notes: list[str]) -> None:
    """Mean power of each interval, unless the table has a power already."""
    if "dc_power_w" in block.columns:
        return
    distinct = np.unique(block.ts)
    if distinct.size < 2:
        return
    step = float(np.median(np.diff(distinct)))
    block.columns["dc_power_w"] = energy * 3600.0 / step
    note = f"power is energy per interval over {step:g} s"
    if note not in notes:
        notes.append(note)


def any_value(guesses: Sequence[ColumnGuess]) -> bool:
    roles: set[Any] = {g.taken_for for g in guesses}
    return bool(roles & {*INPUT_COLUMNS, *UNIT_COLUMNS, "energy", "energy_wh"})
