"""One SQLite file per site: plain tables anyone can query.

The tables stand in :mod:`collectors.schema`. Other parts add tables of their
own through :attr:`Store.db` (sqlite-utils).
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any, Final, Literal

import numpy as np
import pandas as pd
import sqlite_utils
from numpy.typing import NDArray

from collectors import archive, datasheet, readonly, samples
from collectors import site as site_models
from collectors.columns import EVENT_COLUMNS, STATES, TELEMETRY_COLUMNS, WEATHER_COLUMNS
from collectors.errors import StoreError
from collectors.schema import INPUT_SCALES, SCHEMA, UNIT_SCALES
from collectors.site import SiteDescription, parse_site

__all__ = ["INPUT_SCALES", "UNIT_SCALES", "ImportResult", "Store", "day_bounds", "solar_day"]

#: Key in ``meta`` of the parsed site file.
_PARSED = "site_parsed"
_SECONDS_PER_DEGREE = 240.0
Mode = Literal["kept", "refused", "scratch"]
_MAX_INPUT = 1 << 20
_STATE_NAMES = np.array([*STATES, None], dtype=object)
#: How a unit's row counts for a telemetry row whose input values were known already.
_DEMOTED = np.array([samples.SAME, samples.CONFLICT, samples.FILLED, samples.FILLED], np.int8)


def solar_day(ts: Any, longitude: float) -> Any:
    """Day number (days since 1970-01-01) of the local solar day holding ``ts``.

    The day runs from local mean solar midnight to the next, so no production
    day is ever cut in two, whatever the time zone.
    """
    return np.floor_divide(np.asarray(ts) + round(longitude * _SECONDS_PER_DEGREE), 86400)


def day_bounds(day: int, longitude: float) -> tuple[int, int]:
    """UTC epoch seconds of the start (inclusive) and end (exclusive) of a solar day."""
    start = int(day) * 86400 - round(longitude * _SECONDS_PER_DEGREE)
    return start, start + 86400


@dataclass(frozen=True)
class ImportResult:
    """What one import did to the store.

    Every row read is counted once: ``rows_new`` (no such time before),
    ``rows_filled`` (an empty value got one), ``rows_conflicting`` (another
    value was stored and stays), ``rows_same``, ``rows_unknown`` (an input the
    site file does not list). ``days`` are the solar days that changed.
    """

    rows_read: int
    rows_new: int
    rows_same: int
    rows_conflicting: int
    days: tuple[int, ...]
    unknown_inputs: tuple[str, ...] = ()
    rows_filled: int = 0
    rows_unknown: int = 0

    @property
    def changed(self) -> bool:
        return bool(self.rows_new or self.rows_filled)


class Store:
    """One site's file.

    Create it once with :meth:`create`; afterwards :meth:`open` it. Usable as a
    context manager. Every write is one transaction.
    """

    def __init__(self, db: sqlite3.Connection, path: Path | None, mode: Mode = "kept") -> None:
        self._db = db
        self.path = path
        #: What becomes of what is written: ``kept`` in the file, ``refused``, or forgotten with a ``scratch``.
        self.mode = mode
        self.db = sqlite_utils.Database(db)
        with _sqlite_errors(path):
            text, parsed = self.meta("site_toml"), self.meta(_PARSED)
        self.site: SiteDescription = _kept_site(text, parsed) or parse_site(text, str(path or "memory"))

    # -- opening ---------------------------------------------------------

    @classmethod
    def create(cls, path: Path | None, site_toml: str, source: str = "site file") -> Store:
        """Create (or update the site description of) the file; None is in memory.

        A changed description makes every stored day stale.

        Raises
        ------
        SiteFileError : the description is wrong; nothing is created.
        StoreError : the file cannot be written.
        """
        parse_site(site_toml, source)
        if path is not None and not readonly.writable(path):
            raise _refusal(path)
        db = _connect(path)
        with _sqlite_errors(path):
            try:
                db.executescript("BEGIN IMMEDIATE;" + SCHEMA)
                before = db.execute("SELECT value FROM meta WHERE key = 'site_toml'").fetchone()
                db.execute("INSERT OR REPLACE INTO meta VALUES ('site_toml', ?)", (site_toml,))
                store = cls(db, path)
                store.keep_parsed()
                store._ensure_inputs()
                if before and before[0] != site_toml:
                    store._mark_all_stale()
                db.commit()
            except BaseException:
                db.rollback()
                db.close()
                raise
        return store

    @classmethod
    def open(cls, path: Path, *, alone: bool = False, any_thread: bool = False, scratch: bool = False) -> Store:
        """Open an existing file; one that cannot be written is opened for reading.

        ``any_thread`` lets another thread use it, one at a time: by default the one that opened it alone may.

        ``alone`` keeps everyone else out until it is closed. That is the one way in which
        SQLite's write-ahead log works in a folder shared between machines, because
        nothing is then kept in memory that two of them would have to share.

        ``scratch`` makes a file that cannot be written a copy in memory: what is written to it is forgotten,
        so a check can still be made and told.

        Raises
        ------
        StoreError : not there, not ours, damaged or not readable.
        """
        if not path.is_file():
            raise StoreError(f"{path}: no such site file", "`callout site list` shows the sites.")
        db, mode = _connect_somehow(path, alone, any_thread, scratch)
        try:
            with _sqlite_errors(path):
                ours = db.execute("SELECT count(*) FROM sqlite_master WHERE name = 'meta'").fetchone()[0]
            if not ours:
                raise StoreError(f"{path}: not a site file", "`callout site list` shows the sites.")
            return cls(db, path, mode)
        except BaseException:
            db.close()
            raise

    def close(self) -> None:
        self._db.close()

    def to_write(self) -> Store:
        """Itself, for whoever keeps it open to write to it.

        Raises
        ------
        StoreError : what is written would not be kept; it is closed.
        """
        if self.mode != "kept":
            self.close()
            raise _refusal(self.path)
        return self

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()

    @contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """All or nothing; takes the write lock at once. Inside another, joins it."""
        if self._db.in_transaction:
            yield self._db
            return
        if self.mode == "refused":
            raise _refusal(self.path)
        with _sqlite_errors(self.path):
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield self._db
                self._db.commit()
            except BaseException:
                self._db.rollback()
                raise

    @contextmanager
    def _snapshot(self) -> Iterator[None]:
        """Every read inside sees one state, though a month be archived meanwhile."""
        with _sqlite_errors(self.path):
            if self._db.in_transaction:
                yield
                return
            self._db.execute("BEGIN")
            try:
                yield
            finally:
                self._db.rollback()

    def meta(self, key: str, default: str = "") -> str:
        row = self._db.execute("SELECT value FROM meta WHERE key = ?", (key,)).fetchone()
        return str(row[0]) if row else default

    def set_meta(self, key: str, value: str) -> None:
        with self.transaction() as db:
            db.execute("INSERT OR REPLACE INTO meta VALUES (?, ?)", (key, value))

    def keep_parsed(self) -> None:
        """Keep the description as it was parsed beside its text: reading that back takes a tenth of the time."""
        kept = {"of": _digest_of(self.meta("site_toml")), "site": self.site.model_dump_json()}
        self.set_meta(_PARSED, json.dumps(kept))

    def _ensure_inputs(self) -> None:
        with self.transaction() as db:
            for ref in self.site.inputs:
                db.execute("INSERT OR IGNORE INTO unit(serial) VALUES (?)", (ref.unit,))
                db.execute(
                    "INSERT OR IGNORE INTO input(unit_id, number) SELECT id, ? FROM unit WHERE serial = ?",
                    (ref.input, ref.unit),
                )

    def input_ids(self) -> dict[tuple[str, int], int]:
        """Store id of each (serial, input)."""
        rows = self._db.execute("SELECT u.serial, i.number, i.id FROM input i JOIN unit u ON u.id = i.unit_id")
        return {(serial, number): id_ for serial, number, id_ in rows}

    def unit_ids(self) -> dict[str, int]:
        return dict(self._db.execute("SELECT serial, id FROM unit"))

    # -- telemetry -------------------------------------------------------

    def add_telemetry(self, frame: pd.DataFrame, source: str, rejected: Mapping[str, int] | None = None) -> ImportResult:
        """Add a canonical telemetry frame in one transaction.

        A value already stored stays; an empty one is filled. Rows of units the
        site file does not list are counted and left out. ``rejected`` is what
        the reader refused, by reason, and goes into ``import_run``.
        """
        index, unknown = self._input_of_row(frame)
        ts = frame["ts"].to_numpy(np.int64)
        ordered = bool(np.all(ts[1:] >= ts[:-1]))
        # Small integers are sorted by radix, and that keeps the frame's own order by time.
        order = np.argsort(index, kind="stable") if ordered else np.lexsort((ts, index))
        order = order[int(np.count_nonzero(index < 0)) :]
        ts, index = ts[order], index[order]
        status = np.zeros(ts.size, np.int8)
        days: set[int] = set()
        with self.transaction():
            archive.bring_back(self._db, self.path, archive.months_touched(self._db, ts))
            self._merge_inputs(frame, order, ts, index, status, days)
            self._merge_units(frame, order, ts, index, status, days)
            self._mark_stale(days)
            result = _result(len(frame), status, days, unknown)
            self._log_run(source, "telemetry", result, rejected, int(ts.max()) if ts.size else None)
        return result

    def _input_of_row(self, frame: pd.DataFrame) -> tuple[NDArray[np.int16], tuple[str, ...]]:
        """Index in ``site.inputs`` of every row, -1 for an input the site file does not list."""
        if frame.empty:
            return np.zeros(0, np.int16), ()
        codes, serials = pd.factorize(frame["unit"])
        numbers = np.clip(frame["input"].to_numpy(np.int64), 0, _MAX_INPUT - 1)
        pair, pairs = pd.factorize(codes.astype(np.int64) * _MAX_INPUT + numbers)
        keys = [(str(serials[p // _MAX_INPUT]), int(p % _MAX_INPUT)) for p in pairs.tolist()]
        known = np.array([self.site.input_index.get(key, -1) for key in keys], np.int16)
        unknown = sorted(f"{unit}/{n}" for unit, n in keys if (unit, n) not in self.site.input_index)
        return known[pair], tuple(unknown)

    def _merge_inputs(
        self,
        frame: pd.DataFrame,
        order: NDArray[np.intp],
        ts: NDArray[np.int64],
        index: NDArray[np.int16],
        status: NDArray[np.int8],
        days: set[int],
    ) -> None:
        ids = self.input_ids()
        columns = samples.scaled(frame, INPUT_SCALES, order)
        for ref in self.site.inputs:
            low, high = np.searchsorted(index, [ref.index, ref.index + 1])
            if low == high:
                continue
            times, mine, group = samples.first_of_each(ts[low:high], [c[low:high] for c in columns])
            merged = samples.merge(self._db, samples.INPUT_SAMPLE, ids[ref.key], times, mine)
            days |= self._days_of(times[merged >= samples.FILLED])
            status[low:high] = merged[group]

    def _merge_units(
        self,
        frame: pd.DataFrame,
        order: NDArray[np.intp],
        ts: NDArray[np.int64],
        index: NDArray[np.int16],
        status: NDArray[np.int8],
        days: set[int],
    ) -> None:
        """Unit-level values: one row per unit and time, whatever the number of inputs."""
        ids = self.unit_ids()
        columns = samples.scaled(frame, UNIT_SCALES, order)
        states = frame["state"] if "state" in frame else pd.Series(None, frame.index, dtype=object)
        columns.append(samples.state_codes(states, order))
        filled = np.zeros(ts.size, bool)
        for column in columns:
            filled |= ~np.isnan(column)
        unit_of = np.array([ref.unit_index for ref in self.site.inputs], np.int16)[index]
        for number, unit in enumerate(self.site.units):
            rows = np.flatnonzero(filled & (unit_of == number))
            if rows.size == 0:
                continue
            rows = rows[np.argsort(ts[rows], kind="stable")]
            times, mine, group = samples.first_of_each(ts[rows], [c[rows] for c in columns])
            merged = samples.merge(self._db, samples.UNIT_SAMPLE, ids[unit.serial], times, mine)
            days |= self._days_of(times[merged >= samples.FILLED])
            status[rows] = np.maximum(status[rows], _DEMOTED[merged[group]])

    def telemetry(self, start: int | None = None, end: int | None = None) -> pd.DataFrame:
        """Canonical telemetry frame of ``start <= ts < end``, ordered by ts, unit, input.

        Only inputs that the site file lists.
        """
        low, high = _span(start, end)
        refs = sorted(self.site.inputs, key=lambda ref: ref.key)
        parts: list[list[NDArray[Any]]] = []
        with self._snapshot():
            input_ids, unit_ids = self.input_ids(), self.unit_ids()
            past = archive.load(self._db, self.path, low, high)
            units = list(dict.fromkeys(unit_ids[ref.unit] for ref in refs))
            inputs = [input_ids[ref.key] for ref in refs]
            of_unit = samples.read_each(self._db, samples.UNIT_SAMPLE, units, low, high)
            of_unit = {owner: past.join(samples.UNIT_SAMPLE, owner, *rows) for owner, rows in of_unit.items()}
            of_input = samples.read_each(self._db, samples.INPUT_SAMPLE, inputs, low, high)
            for ref, owner in zip(refs, inputs, strict=True):
                times, columns = past.join(samples.INPUT_SAMPLE, owner, *of_input.pop(owner))
                parts.append([times, *columns, *samples.aligned(times, *of_unit[unit_ids[ref.unit]])])
        return _frame([ref.key for ref in refs], parts)

    # -- weather and events ----------------------------------------------

    def add_weather(self, frame: pd.DataFrame, source: str, rejected: Mapping[str, int] | None = None) -> ImportResult:
        """Add a weather frame: ``ts``, ``plane`` and :data:`WEATHER_COLUMNS` (any subset).

        A value already stored stays; an empty one is filled.
        """
        columns = list(WEATHER_COLUMNS)
        come = frame.reindex(columns=["plane", "ts", *columns])
        come["plane"] = come["plane"].fillna("").astype(str)
        come[columns] = come[columns].astype(np.float64).replace([np.inf, -np.inf], np.nan)
        come = come.groupby(["plane", "ts"], sort=True)[columns].first()
        ts = come.index.get_level_values("ts").to_numpy(np.int64)
        with self.transaction() as db:
            span = (int(ts.min()), int(ts.max()) + 1) if ts.size else (0, 0)
            stored = self.weather(*span).set_index(["plane", "ts"])
            known = come.index.isin(stored.index)
            has, new = stored.reindex(come.index).to_numpy(), come.to_numpy()
            fills = (np.isnan(has) & ~np.isnan(new)).any(axis=1)
            clash = (~np.isnan(has) & ~np.isnan(new) & (has != new)).any(axis=1)
            status = np.where(
                known,
                np.where(fills, samples.FILLED, np.where(clash, samples.CONFLICT, samples.SAME)),
                samples.NEW,
            )
            write = status >= samples.FILLED
            rows = come[write]
            sets = ", ".join(f"{name} = ifnull({name}, excluded.{name})" for name in columns)
            db.executemany(
                f"INSERT INTO weather_sample VALUES ({', '.join('?' * (2 + len(columns)))}) ON CONFLICT DO UPDATE SET {sets}",
                zip(
                    rows.index.get_level_values("plane").tolist(),
                    ts[write].tolist(),
                    *(rows[name].tolist() for name in columns),
                    strict=True,
                ),
            )
            days = self._days_of(ts[write])
            self._mark_stale(days)
            result = _result(len(frame), status, days)
            self._log_run(source, "weather", result, rejected)
        return result

    def weather(self, start: int | None = None, end: int | None = None) -> pd.DataFrame:
        """Weather frame of ``start <= ts < end``: ``ts``, ``plane``, then :data:`WEATHER_COLUMNS`."""
        names = ["ts", "plane", *WEATHER_COLUMNS]
        rows: list[tuple[Any, ...]] = []
        with _sqlite_errors(self.path):
            planes = self._weather_planes()
            for plane in planes:
                rows += self._db.execute(
                    f"SELECT {', '.join(names)} FROM weather_sample WHERE plane = ? AND ts >= ? AND ts < ? ORDER BY ts",
                    (plane, *_span(start, end)),
                ).fetchall()
        columns = list(zip(*rows, strict=True)) or [()] * len(names)
        frame = pd.DataFrame(
            {
                "ts": np.array(columns[0], np.int64),
                "plane": pd.array(list(columns[1]), dtype="str"),
                **{name: np.array(column, np.float64) for name, column in zip(names[2:], columns[2:], strict=True)},
            }
        )
        return frame if len(planes) < 2 else frame.sort_values(["ts", "plane"], kind="stable", ignore_index=True)

    def _weather_planes(self) -> list[str]:
        """Planes that weather rows are tagged with, one jump in the key each: DISTINCT would read every row."""
        planes: list[str] = []
        ask = "SELECT min(plane) FROM weather_sample"
        row = self._db.execute(ask).fetchone()
        while row[0] is not None:
            planes.append(row[0])
            row = self._db.execute(f"{ask} WHERE plane > ?", row).fetchone()
        return planes

    def last_beside(self, end: int) -> int | None:
        """Time of the newest gateway event, or weather row before ``end``; None when there is none."""
        with _sqlite_errors(self.path):
            found = [self._db.execute("SELECT max(ts) FROM gateway_event").fetchone()[0]]
            for plane in self._weather_planes():
                found += self._db.execute("SELECT max(ts) FROM weather_sample WHERE plane = ? AND ts < ?", (plane, end)).fetchone()
        return max((ts for ts in found if ts is not None), default=None)

    def add_events(self, frame: pd.DataFrame, source: str, rejected: Mapping[str, int] | None = None) -> ImportResult:
        """Add a gateway log frame: ``ts`` and :data:`EVENT_COLUMNS`. A known event stays as it is."""
        ts = frame["ts"].to_numpy(np.int64)
        texts = [frame[name].fillna("").astype(str).tolist() for name in EVENT_COLUMNS]
        keys = list(zip(ts.tolist(), *texts, strict=True))
        with self.transaction() as db:
            span = (int(ts.min()), int(ts.max()) + 1) if ts.size else (0, 0)
            known = set(self.events(*span).itertuples(index=False, name=None))
            fresh = np.array([key not in known for key in keys], bool)
            db.executemany("INSERT OR IGNORE INTO gateway_event VALUES (?, ?, ?, ?)", keys)
            days = self._days_of(ts[fresh])
            self._mark_stale(days)
            status = np.where(fresh, samples.NEW, samples.SAME)
            result = _result(len(frame), status, days)
            self._log_run(source, "events", result, rejected)
        return result

    def events(self, start: int | None = None, end: int | None = None) -> pd.DataFrame:
        """Gateway log frame of ``start <= ts < end``: ``ts``, then :data:`EVENT_COLUMNS`."""
        with _sqlite_errors(self.path):
            rows = self._db.execute(
                "SELECT ts, source, event, detail FROM gateway_event WHERE ts >= ? AND ts < ? ORDER BY ts, source, event, detail",
                _span(start, end),
            ).fetchall()
        if not rows:
            return _NO_EVENTS.copy()
        columns = list(zip(*rows, strict=True))
        texts = {name: pd.array(list(column), dtype="str") for name, column in zip(EVENT_COLUMNS, columns[1:], strict=True)}
        return pd.DataFrame({"ts": np.array(columns[0], np.int64), **texts})

    # -- days and runs ---------------------------------------------------

    def span(self) -> tuple[int, int] | None:
        """First and last sample time stored or archived; None when there is no telemetry."""
        with _sqlite_errors(self.path):
            low, high = archive.archived_span(self._db) or (None, None)
            for id_ in self.input_ids().values():
                first, last = self._db.execute(
                    "SELECT (SELECT min(ts) FROM input_sample WHERE input_id = ?1), "
                    "(SELECT max(ts) FROM input_sample WHERE input_id = ?1)",
                    (id_,),
                ).fetchone()
                if first is not None:
                    low = first if low is None else min(low, first)
                    high = last if high is None else max(high, last)
        return None if low is None or high is None else (low, high)

    def stale_days(self) -> list[int]:
        """Solar days with samples newer than their ``input_day`` rows, ascending."""
        return [d for (d,) in self._db.execute("SELECT day FROM stale_day ORDER BY day")]

    def _days_of(self, ts: NDArray[np.int64]) -> set[int]:
        return set(np.unique(solar_day(ts, self.site.site.longitude)).tolist())

    def _mark_stale(self, days: set[int]) -> None:
        self._db.executemany("INSERT OR IGNORE INTO stale_day VALUES (?)", [(d,) for d in sorted(days)])

    def _mark_all_stale(self) -> None:
        offset = round(self.site.site.longitude * _SECONDS_PER_DEGREE)
        self._db.execute("INSERT OR IGNORE INTO stale_day SELECT DISTINCT (ts + ?) / 86400 FROM input_sample", (offset,))
        self._mark_stale(archive.archived_days(self._db, offset))

    def _log_run(
        self, source: str, kind: str, result: ImportResult, rejected: Mapping[str, int] | None, newest: int | None = None
    ) -> None:
        rejected = {reason: int(count) for reason, count in (rejected or {}).items()}
        detail = {
            "filled": result.rows_filled,
            "same": result.rows_same,
            "conflicting": result.rows_conflicting,
            "unknown_inputs": list(result.unknown_inputs),
            "rejected": rejected,
            **({} if newest is None else {"newest": newest}),
        }
        self.db.table("import_run").insert(
            {
                "at": datetime.now(UTC).isoformat(timespec="seconds"),
                "source": source,
                "kind": kind,
                "rows_read": result.rows_read,
                "rows_new": result.rows_new,
                "rows_rejected": sum(rejected.values()) + result.rows_unknown,
                "detail": json.dumps(detail),
            }
        )


def _digest_of(site_toml: str) -> str:
    """Of a site file's text and of the code that makes a description of it: another release reads the text anew."""
    return hashlib.sha256(_code_of_site() + site_toml.encode()).hexdigest()


@lru_cache(maxsize=1)
def _code_of_site() -> bytes:
    return b"".join(Path(str(module.__file__)).read_bytes() for module in (site_models, datasheet))


def _kept_site(site_toml: str, kept: str) -> SiteDescription | None:
    """The description as it was kept by :meth:`Store.keep_parsed`; None when it has to be parsed."""
    if not kept:
        return None
    data = json.loads(kept)
    return SiteDescription.model_validate_json(data["site"]) if data["of"] == _digest_of(site_toml) else None


def _span(start: int | None, end: int | None) -> tuple[int, int]:
    return (-(1 << 62) if start is None else int(start), (1 << 62) if end is None else int(end))


def _result(rows_read: int, status: NDArray[Any], days: set[int], unknown: tuple[str, ...] = ()) -> ImportResult:
    same, conflicting, filled, new = np.bincount(status, minlength=4).tolist()
    return ImportResult(
        rows_read=rows_read,
        rows_new=new,
        rows_same=same + (0 if unknown else rows_read - status.size),
        rows_conflicting=conflicting,
        days=tuple(sorted(days)),
        unknown_inputs=unknown,
        rows_filled=filled,
        rows_unknown=rows_read - status.size if unknown else 0,
    )


def _frame(keys: list[tuple[str, int]], parts: list[list[NDArray[Any]]]) -> pd.DataFrame:
    """Canonical frame of one list of arrays per input, keys ascending."""
    rank = np.repeat(np.arange(len(parts), dtype=np.int16), [part[0].size for part in parts])
    ts = np.concatenate([part[0] for part in parts])
    order = np.argsort(ts, kind="stable")  # inputs stand in rank order, so ties stay so
    rank = rank[order]
    serials = pd.Series([unit for unit, _ in keys], dtype="str")
    data: dict[str, Any] = {
        "ts": ts[order],
        "unit": serials.take(rank).array,
        "input": np.array([number for _, number in keys], np.int64)[rank],
    }
    k = 1
    for name, scale in (*INPUT_SCALES.items(), *UNIT_SCALES.items()):
        data[name] = np.concatenate([part[k] for part in parts])[order] / scale
        k += 1
    codes = np.concatenate([part[k] for part in parts])[order]
    names = _STATE_NAMES[np.where(np.isnan(codes), len(STATES), codes).astype(np.int8)]
    data["state"] = pd.Series(names, dtype=object)  # not the string type pandas would infer
    return pd.DataFrame({name: data[name] for name in TELEMETRY_COLUMNS}, copy=False)


#: Most sites have no log: a frame takes pandas a while to make.
_NO_EVENTS: Final = pd.DataFrame({"ts": np.zeros(0, np.int64), **{name: pd.array([], dtype="str") for name in EVENT_COLUMNS}})


@contextmanager
def _sqlite_errors(path: Path | None) -> Iterator[None]:
    """Turn what SQLite says into one line a person can act on."""
    try:
        yield
    except sqlite3.Error as exc:
        text = str(exc)
        for part, remedy in _REMEDIES.items():
            if part in text:
                raise StoreError(f"{path}: {text}; nothing was changed", remedy) from exc
        if isinstance(exc, sqlite3.OperationalError):
            raise StoreError(f"{path}: {text}", "Check the disk and the rights of the folder.") from exc
        raise


def _refusal(path: Path | None) -> StoreError:
    return StoreError(f"{path}: cannot be written; nothing was changed", _REMEDIES["readonly"])


_REMEDIES = {
    "full": "Free some space on the disk, then run the same command again.",
    "readonly": "The file or its folder cannot be written: check its rights and the disk's space, or choose another --workspace.",
    "locked": "Another import is writing to this site: wait until it ends, then run the same command again.",
    "unable to open": "Check that the folder exists and can be written, or choose another --workspace.",
    "not a database": "This is not a site file of Callout: restore it from a backup.",
    "malformed": "The file is damaged: restore it from a backup.",
    "disk I/O error": "The disk refused to read or write: check its space and health, then try again.",
}


def _connect_somehow(path: Path, alone: bool, any_thread: bool, scratch: bool) -> tuple[sqlite3.Connection, Mode]:
    if readonly.writable(path):
        try:
            return _connect(path, alone, any_thread), "kept"
        except StoreError as exc:
            if not readonly.no_room(exc.__cause__):
                raise
    return _connect_unwritten(path, any_thread, scratch), "scratch" if scratch else "refused"


def _connect_unwritten(path: Path, any_thread: bool, scratch: bool) -> sqlite3.Connection:
    with _sqlite_errors(path):
        try:
            return (readonly.scratch if scratch else readonly.connect)(path, any_thread)
        except OSError as exc:
            raise StoreError(f"{path}: cannot be read: {exc.strerror}", "Check the rights of the file and its folder.") from exc


def _connect(path: Path | None, alone: bool = False, any_thread: bool = False) -> sqlite3.Connection:
    with _sqlite_errors(path):
        db = sqlite3.connect(path or ":memory:", timeout=30.0, isolation_level=None, check_same_thread=not any_thread)
        try:
            if alone:
                db.execute("PRAGMA locking_mode = EXCLUSIVE")
            db.execute("PRAGMA journal_mode = WAL")
            db.execute("PRAGMA synchronous = NORMAL")
            db.execute("PRAGMA foreign_keys = ON")
            db.execute("PRAGMA cache_size = -32768")
        except sqlite3.Error:
            db.close()
            raise
    return db
