"""Times as people export them: ISO, national orders, epochs, and local times across the change of clocks."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

REASON_NO_TIME: Final = "no time in the row"
REASON_NOT_A_TIME: Final = "time not understood"
REASON_RANGE: Final = "time before 1990 or after 2100"
REASON_NO_OFFSET: Final = "time without an offset among times that have one"
REASON_SKIPPED: Final = "local time that does not exist (clocks went forward)"
REASON_TWICE: Final = "local time that exists twice (clocks went back) and the order of rows does not say which"

#: Times outside these are a broken clock, not a sample: 1990 to 2100.
EARLIEST: Final = 631_152_000
LATEST: Final = 4_102_444_800

_CLOCK = (
    r"(?:[T\s,]+(?P<h>\d{1,2})[:.h](?P<mi>\d{2})(?:[:.](?P<s>\d{2})(?:[.,](?P<f>\d+))?)?"
    r"\s*(?P<ap>[AaPp]\.?[Mm]\.?)?\s*(?P<z>Z|[+\-\x{2212}]\d{1,2}(?::?\d{2})?|[A-Z]{2,5}(?:[+\-]\d{1,2}(?::?\d{2})?)?)?)?"
)
_ISO = rf"^(?P<a>\d{{4}})[\-/.](?P<b>\d{{1,2}})[\-/.](?P<c>\d{{1,2}}){_CLOCK}$"
_NUMERIC = rf"^(?P<a>\d{{1,2}})[\-/.](?P<b>\d{{1,2}})[\-/.](?P<c>\d{{4}}|\d{{2}}){_CLOCK}$"
_NAMED = rf"^(?P<a>\d{{1,2}})[\s\-/.]+(?P<b>\p{{L}}{{3,10}})\.?[\s\-/.,]+(?P<c>\d{{4}}){_CLOCK}$"
_NAMED_US = rf"^(?P<b>\p{{L}}{{3,10}})\.?\s+(?P<a>\d{{1,2}}),?\s+(?P<c>\d{{4}}){_CLOCK}$"
_COMPACT = (
    r"^(?P<a>\d{4})(?P<b>\d{2})(?P<c>\d{2})[T\s]?(?P<h>\d{2})(?P<mi>\d{2})(?P<s>\d{2})?(?P<f>)(?P<ap>)"
    r"(?P<z>Z|[+\-]\d{2}(?::?\d{2})?)?$"
)
_NUMBER = r"^\d+(?:\.\d+)?$"
#: Enough for telling a cell that holds a time from one that does not.
LOOKS_LIKE_TIME: Final = re.compile(
    r"^\s*(\d{4}[\-/.]\d{1,2}[\-/.]\d{1,2}|\d{1,2}[\-/.]\d{1,2}[\-/.](\d{4}|\d{2})\b|\d{8}T\d{4,6}|20\d{12}$"
    r"|\d{1,2}[\s\-.]+[^\W\d_]{3,10}\.?[\s\-,]+\d{4}|[^\W\d_]{3,10}\.?\s\d{1,2},?\s\d{4})"
)
_MONTHS: Final = {
    name: number
    for number, names in enumerate(
        (
            "jan january januar enero ene janvier janv gennaio gen",
            "feb february februar febrero février fev fevr febbraio",
            "mar march märz mrz marzo mars",
            "apr april abril abr avril avr aprile",
            "may mai mayo maggio mag",
            "jun june juni junio juin giugno giu",
            "jul july juli julio juillet juil luglio lug",
            "aug august agosto ago août aout",
            "sep sept september septiembre septembre settembre set",
            "oct october oktober okt octubre octobre ottobre ott",
            "nov november noviembre novembre",
            "dec december dezember dez diciembre dic décembre dicembre",
        ),
        start=1,
    )
    for name in names.split()
}


@dataclass
class Times:
    """Parsed times.

    ``seconds`` are UTC where ``is_utc`` is set, else local clock time counted
    as if it were UTC. ``reason`` is "" where a time was understood.
    """

    seconds: NDArray[np.int64]
    is_utc: NDArray[np.bool_]
    reason: NDArray[np.object_]
    form: str = ""
    local: bool = False
    notes: list[str] = field(default_factory=list)


class OrderUnknownError(ValueError):
    """Dates could be day first or month first and nothing in the file says which."""


def parse_times(cells: Any, zone: ZoneInfo, order: str | None = None, epoch: str | None = None) -> Times:
    """Parse an Arrow array of strings.

    Parameters
    ----------
    zone : only to read its abbreviations (as in "02:30 CEST").
    order : "dmy", "mdy" or "ymd" when a layout says so.
    epoch : "s" or "ms" when a layout says so.

    Raises
    ------
    OrderUnknownError : day and month cannot be told apart.
    """
    # A time comes once for every input: each distinct text is parsed once.
    encoded = pc.dictionary_encode(cells)
    codes = encoded.indices.to_numpy(zero_copy_only=False)
    once = _parse_distinct(encoded.dictionary, zone, order, epoch)
    return Times(once.seconds[codes], once.is_utc[codes], once.reason[codes], once.form)


def _parse_distinct(cells: Any, zone: ZoneInfo, order: str | None, epoch: str | None) -> Times:
    text = pc.utf8_trim_whitespace(cells)
    count = len(text)
    result = Times(np.zeros(count, np.int64), np.zeros(count, bool), np.full(count, REASON_NOT_A_TIME, object))
    blank = pc.is_in(text, value_set=pa.array(["", "-", "--"], text.type)).to_numpy(zero_copy_only=False)
    result.reason[blank] = REASON_NO_TIME
    forms: list[str] = []
    for form, pattern in _PATTERNS:
        if form == "number":
            done = _numbers(text, result, epoch)
        elif epoch is not None:
            done = ""
        else:
            done = _dates(form, pattern, text, result, zone, order)
        if done:
            forms.append(done)
        if not np.any(result.reason == REASON_NOT_A_TIME):
            break
    result.form = ", ".join(forms) or "nothing known"
    good = result.reason == ""
    if good.any():
        offsets = result.is_utc[good]
        if offsets.mean() >= 0.5 and not offsets.all():
            result.reason[good & ~result.is_utc] = REASON_NO_OFFSET
    outside = good & ((result.seconds < EARLIEST) | (result.seconds >= LATEST))
    result.reason[outside] = REASON_RANGE
    return result


_PATTERNS = (
    ("ISO date, year first", _ISO),
    ("numbers", _NUMERIC),
    ("compact", _COMPACT),
    ("number", _NUMBER),
    ("day and month name", _NAMED),
    ("month name and day", _NAMED_US),
)


def _dates(form: str, pattern: str, text: Any, out: Times, zone: ZoneInfo, order: str | None) -> str:
    parts = pc.extract_regex(text, pattern)
    hit = pc.is_valid(parts).to_numpy(zero_copy_only=False) & (out.reason == REASON_NOT_A_TIME)
    if not hit.any():
        return ""
    rows = np.flatnonzero(hit)
    if len(rows) < len(text):
        parts = parts.take(pa.array(rows))
    cell = {name: pc.struct_field(parts, name) for name in ["a", "b", "c", "h", "mi", "s", "f", "ap", "z"]}
    if form.endswith("name") or form.startswith("month"):
        year, month, day = _ints(cell["c"]), _months(cell["b"]), _ints(cell["a"])
    elif form == "numbers":
        first, second, year = _ints(cell["a"]), _ints(cell["b"]), _ints(cell["c"])
        year = np.where(year < 100, 2000 + year, year)
        form, day_first = _day_first(first, second, year, text, order)
        day, month = (first, second) if day_first else (second, first)
    else:
        year, month, day = _ints(cell["a"]), _ints(cell["b"]), _ints(cell["c"])
    hour, minute, second_ = _ints(cell["h"]), _ints(cell["mi"]), _ints(cell["s"])
    hour = _twelve(hour, cell["ap"])
    offset, known = _offsets(cell["z"], zone)
    end_of_day = (hour == 24) & (minute == 0) & (second_ == 0)
    valid = (
        (month >= 1)
        & (month <= 12)
        & (day >= 1)
        & (day <= 31)
        & ((hour <= 23) | end_of_day)
        & (minute <= 59)
        & (second_ <= 60)
        & (year >= 1)
    )
    months = np.where(valid, (year - 1970) * 12 + month - 1, 0)
    first_of_month = months.astype("datetime64[M]").astype("datetime64[D]")
    date = first_of_month.astype(np.int64) + day - 1
    valid &= np.asarray(date).astype("datetime64[D]").astype("datetime64[M]").astype(np.int64) == months
    seconds = date * 86400 + hour * 3600 + minute * 60 + second_ - offset
    valid &= known != _STRANGE
    out.seconds[rows[valid]] = seconds[valid]
    out.is_utc[rows[valid]] = known[valid] == _WITH_OFFSET
    out.reason[rows[valid]] = ""
    return form


def _day_first(
    first: NDArray[np.int64], second: NDArray[np.int64], year: NDArray[np.int64], text: Any, order: str | None
) -> tuple[str, bool]:
    """Whether the day stands first: by what is possible, by the dot, by the shorter span."""
    if order in ("dmy", "mdy"):
        return f"{order} (layout)", order == "dmy"
    if np.any(first > 12) and not np.any(second > 12):
        return "day, month, year (a first figure over 12)", True
    if np.any(second > 12) and not np.any(first > 12):
        return "month, day, year (a second figure over 12)", False
    if pc.any(pc.match_substring_regex(text, r"^\d{1,2}\.\d{1,2}\.\d")).as_py():
        return "day.month.year", True
    spans = []
    for day, month in ((first, second), (second, first)):
        number = year * 372 + month * 31 + day
        spans.append(int(number.max() - number.min()))
    if spans[0] * 2 < spans[1]:
        return "day, month, year (the other order would tear the file apart)", True
    if spans[1] * 2 < spans[0]:
        return "month, day, year (the other order would tear the file apart)", False
    raise OrderUnknownError


def _ints(array: Any) -> NDArray[np.int64]:
    zeroed = pc.if_else(pc.equal(pc.fill_null(array, ""), ""), pa.scalar("0", array.type), array)
    return np.asarray(pc.cast(zeroed, pa.int64()).to_numpy(zero_copy_only=False), np.int64)


def _months(array: Any) -> NDArray[np.int64]:
    words = pc.dictionary_encode(pc.utf8_lower(array))
    numbers = [_MONTHS.get(w, _MONTHS.get(w[:3], 0)) for w in words.dictionary.to_pylist()]
    table = np.array([*numbers, 0], np.int64)
    result: NDArray[np.int64] = table[words.indices.to_numpy(zero_copy_only=False)]
    return result


def _twelve(hour: NDArray[np.int64], marks: Any) -> NDArray[np.int64]:
    letter = pc.utf8_slice_codeunits(pc.utf8_lower(marks), 0, 1)
    am = pc.equal(letter, "a").to_numpy(zero_copy_only=False).astype(bool)
    pm = pc.equal(letter, "p").to_numpy(zero_copy_only=False).astype(bool)
    wrong = (am | pm) & ((hour < 1) | (hour > 12))
    hour = np.where(am & (hour == 12), 0, np.where(pm & (hour < 12), hour + 12, hour))
    return np.where(wrong, 99, hour)


_NONE, _WITH_OFFSET, _STRANGE = 0, 1, 2


def _offsets(array: Any, zone: ZoneInfo) -> tuple[NDArray[np.int64], NDArray[np.int8]]:
    words = pc.dictionary_encode(array)
    names = words.dictionary.to_pylist()
    seconds = np.zeros(len(names) + 1, np.int64)
    known = np.zeros(len(names) + 1, np.int8)
    for k, name in enumerate(names):
        value = _offset_of(name, zone) if name else None
        seconds[k] = value or 0
        known[k] = (_STRANGE if value is None else _WITH_OFFSET) if name else _NONE
    codes = pc.fill_null(words.indices, len(names)).to_numpy(zero_copy_only=False)
    return seconds[codes], known[codes]


def _offset_of(name: str, zone: ZoneInfo) -> int | None:
    """Seconds east of Greenwich that "Z", "+02:00", "UTC+2" or the zone's own "CEST" mean."""
    if name in ("Z", "UTC", "GMT"):
        return 0
    match = re.fullmatch(r"(?:UTC|GMT)?([+\-\u2212])(\d{1,2}):?(\d{2})?", name)
    if match:
        size = int(match[2]) * 3600 + int(match[3] or 0) * 60
        return None if size > 15 * 3600 else (size if match[1] == "+" else -size)
    for month in (1, 7):
        moment = datetime(2025, month, 1, tzinfo=zone)
        shift = moment.utcoffset()
        if moment.tzname() == name and shift is not None:
            return int(shift.total_seconds())
    return None


def _numbers(text: Any, out: Times, epoch: str | None) -> str:
    hit = pc.match_substring_regex(text, _NUMBER).to_numpy(zero_copy_only=False)
    hit &= out.reason == REASON_NOT_A_TIME
    if not hit.any():
        return ""
    rows = np.flatnonzero(hit)
    values = pc.cast(text.take(pa.array(rows)), pa.float64()).to_numpy(zero_copy_only=False)
    typical = float(np.median(values))
    form = None
    if epoch in ("s", "ms"):
        form = {"s": "epoch seconds", "ms": "epoch milliseconds"}[epoch]
    elif EARLIEST <= typical < LATEST:
        form = "epoch seconds"
    elif EARLIEST * 1000 <= typical < LATEST * 1000:
        form = "epoch milliseconds"
    elif 32_000 <= typical < 73_000:
        form = "spreadsheet day number"
    if form is None:
        return ""
    if form == "spreadsheet day number":
        # Day 0 of a spreadsheet is 1899-12-30; half a second covers its rounding.
        seconds = np.floor((values - 25_569.0) * 86400.0 + 0.5)
    else:
        seconds = np.floor(values / (1000.0 if form.endswith("milliseconds") else 1.0))
        out.is_utc[rows] = True
    good = (seconds >= EARLIEST) & (seconds < LATEST)
    out.reason[rows] = np.where(good, "", REASON_RANGE)
    out.seconds[rows[good]] = seconds[good].astype(np.int64)
    return form


def to_utc(times: Times, zone: ZoneInfo, key: NDArray[np.int64]) -> None:
    """Turn local clock times of ``times`` into UTC, in place; refuse by name what cannot be told.

    Parameters
    ----------
    key : one number per series of rows (a unit's input): within a series, file
        order tells the first pass through the repeated hour from the second.
    """
    local = np.flatnonzero((times.reason == "") & ~times.is_utc)
    if local.size == 0:
        return
    times.local = True
    distinct, back = np.unique(times.seconds[local], return_inverse=True)
    first, second, exists = _both(distinct, zone)
    times.reason[local[~exists[back]]] = REASON_SKIPPED
    chosen = first[back]
    twice = (first != second)[back] & exists[back]
    if twice.any():
        rows = np.flatnonzero(twice)
        late = _second_pass(times.seconds[local], key[local], rows)
        chosen[rows[late == 1]] = second[back][rows[late == 1]]
        times.reason[local[rows[late < 0]]] = REASON_TWICE
        told = int(np.count_nonzero(late >= 0))
        if told:
            times.notes.append(f"{told} rows fall in the hour that repeats when clocks go back: told by their order")
    times.seconds[local] = chosen
    times.is_utc[local] = True


def _both(local: NDArray[np.int64], zone: ZoneInfo) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.bool_]]:
    """UTC of each local time in the first and in the second pass, and whether it exists at all."""
    index = pd.DatetimeIndex(local.astype("datetime64[s]"))
    passes = []
    for summer in (True, False):
        at = index.tz_localize(zone, ambiguous=np.full(local.size, summer), nonexistent="NaT")
        passes.append(at.tz_convert("UTC").tz_localize(None).to_numpy().astype("datetime64[s]"))
    exists = ~np.isnat(passes[0])
    return passes[0].astype(np.int64), passes[1].astype(np.int64), exists


def _second_pass(local: NDArray[np.int64], key: NDArray[np.int64], rows: NDArray[np.intp]) -> NDArray[np.int8]:
    """For rows in a repeated hour: 0 first pass, 1 second, -1 cannot be told."""
    steps = np.diff(local)
    backward = np.count_nonzero(steps < 0) > np.count_nonzero(steps > 0)
    frame = pd.DataFrame({"row": rows, "key": key[rows], "day": local[rows] // 86400, "local": local[rows]})
    result = pd.Series(-1, index=frame.index, dtype=np.int8)
    for _, group in frame.groupby(["key", "day"], sort=False):
        ordered = group[::-1] if backward else group
        step = ordered["local"].diff()
        if (step < 0).sum() == 1 and not (step == 0).any():
            result[ordered.index] = (step < 0).cumsum().astype(np.int8)
        elif not (step < 0).any():
            copies = ordered.groupby("local")["row"].transform("size")
            pairs = ordered[copies == 2]
            result[pairs.index] = pairs.groupby("local").cumcount().astype(np.int8)
    return np.asarray(result, np.int8)
