"""One SQLite file per site: plain tables anyone can query.

Samples are kept as scaled integers, which halves the file: the column
``dc_voltage_v_x1000`` holds volts times 1000. The views ``input_reading`` and
``unit_reading`` show volts, amperes, watts, serials and ISO times.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd
import sqlite_utils

from collectors.columns import EVENT_COLUMNS, STATE_CODES, STATES, WEATHER_COLUMNS
from collectors.errors import StoreError
from collectors.site import SiteDescription, parse_site

#: Stored integer = value x scale, rounded: finer than any meter in the field.
INPUT_SCALES: Final[Mapping[str, int]] = {
    "dc_voltage_v": 1000,
    "dc_current_a": 1000,
    "dc_power_w": 100,
    "energy_total_wh": 10,
}
UNIT_SCALES: Final[Mapping[str, int]] = {
    "ac_voltage_v": 100,
    "ac_frequency_hz": 1000,
    "ac_power_w": 100,
    "temperature_c": 10,
    "signal_dbm": 10,
}
_INPUT_FIELDS = [f"{name}_x{scale}" for name, scale in INPUT_SCALES.items()]
_UNIT_FIELDS = [*(f"{name}_x{scale}" for name, scale in UNIT_SCALES.items()), "state"]
_SECONDS_PER_DEGREE = 240.0


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
    """What one import did to the store."""

    rows_read: int
    rows_new: int
    rows_same: int
    rows_conflicting: int
    days: tuple[int, ...]
    unknown_inputs: tuple[str, ...] = ()


def _schema() -> str:
    def columns(fields: Sequence[str]) -> str:
        return ", ".join(f"{name} INTEGER" for name in fields)

    def shown(scales: Mapping[str, int]) -> str:
        return ", ".join(f"s.{name}_x{scale} / {scale}.0 AS {name}" for name, scale in scales.items())

    weather = ", ".join(f"{name} REAL" for name in WEATHER_COLUMNS)
    states = " ".join(f"WHEN {code} THEN '{name}'" for name, code in STATE_CODES.items())
    return f"""
CREATE TABLE IF NOT EXISTS meta (key TEXT PRIMARY KEY, value TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS unit (id INTEGER PRIMARY KEY, serial TEXT NOT NULL UNIQUE);
CREATE TABLE IF NOT EXISTS input (id INTEGER PRIMARY KEY, unit_id INTEGER NOT NULL REFERENCES unit(id),
    number INTEGER NOT NULL, UNIQUE (unit_id, number));
CREATE TABLE IF NOT EXISTS input_sample (input_id INTEGER NOT NULL, ts INTEGER NOT NULL,
    {columns(_INPUT_FIELDS)}, PRIMARY KEY (input_id, ts)) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS unit_sample (unit_id INTEGER NOT NULL, ts INTEGER NOT NULL,
    {columns(_UNIT_FIELDS)}, PRIMARY KEY (unit_id, ts)) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS weather_sample (plane TEXT NOT NULL DEFAULT '', ts INTEGER NOT NULL,
    {weather}, PRIMARY KEY (plane, ts)) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS gateway_event (ts INTEGER NOT NULL, source TEXT NOT NULL, event TEXT NOT NULL,
    detail TEXT NOT NULL DEFAULT '', PRIMARY KEY (ts, source, event, detail)) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS import_run (id INTEGER PRIMARY KEY, at TEXT NOT NULL, source TEXT NOT NULL,
    kind TEXT NOT NULL, rows_read INTEGER NOT NULL, rows_new INTEGER NOT NULL,
    rows_rejected INTEGER NOT NULL, detail TEXT NOT NULL DEFAULT '{{}}');
CREATE TABLE IF NOT EXISTS stale_day (day INTEGER PRIMARY KEY);
CREATE VIEW IF NOT EXISTS input_reading AS SELECT strftime('%Y-%m-%dT%H:%M:%SZ', s.ts, 'unixepoch')
    AS timestamp, u.serial AS unit, i.number AS input, {shown(INPUT_SCALES)}
    FROM input_sample s JOIN input i ON i.id = s.input_id JOIN unit u ON u.id = i.unit_id;
CREATE VIEW IF NOT EXISTS unit_reading AS SELECT strftime('%Y-%m-%dT%H:%M:%SZ', s.ts, 'unixepoch')
    AS timestamp, u.serial AS unit, {shown(UNIT_SCALES)}, CASE s.state {states} END AS state
    FROM unit_sample s JOIN unit u ON u.id = s.unit_id;
"""


class Store:
    """One site's file.

    Create it once with :meth:`create`; afterwards :meth:`open` it. Usable as a
    context manager. Every write is one transaction.
    """

    def __init__(self, db: sqlite3.Connection, path: Path | None) -> None:
        self._db = db
        self.path = path
        self.db = sqlite_utils.Database(db)
        self.site = parse_site(self.meta("site_toml"), str(path or "memory"))

    # -- opening ---------------------------------------------------------

    @classmethod
    def create(cls, path: Path | None, site_toml: str, source: str = "site file") -> Store:
        """Create (or update the site description of) the file; None is in memory."""
        parse_site(site_toml, source)
        db = _connect(path)
        with db:
            db.executescript(_schema())
            db.execute("INSERT OR REPLACE INTO meta VALUES ('site_toml', ?)", (site_toml,))
        store = cls(db, path)
        store._ensure_inputs()
        return store

    @classmethod
    def open(cls, path: Path) -> Store:
        """Open an existing file.

        Raises
        ------
        StoreError : not there, not ours, damaged or not readable.
        """
        if not path.exists():
            raise StoreError(f"{path}: no such site file", "`callout site list` shows the sites.")
        return cls(_connect(path), path)

    def close(self) -> None:
        self._db.close()

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()

    @contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """All or nothing; takes the write lock at once."""
        self._db.execute("BEGIN IMMEDIATE")
        try:
            yield self._db
        except BaseException:
            self._db.rollback()
            raise
        self._db.commit()

    def meta(self, key: str, default: str = "") -> str:
        row = self._db.execute("SELECT value FROM meta WHERE key = ?", (key,)).fetchone()
        return str(row[0]) if row else default

    def set_meta(self, key: str, value: str) -> None:
        with self.transaction() as db:
            db.execute("INSERT OR REPLACE INTO meta VALUES (?, ?)", (key, value))

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
        rows = self._db.execute(
            "SELECT u.serial, i.number, i.id FROM input i JOIN unit u ON u.id = i.unit_id"
        )
        return {(serial, number): id_ for serial, number, id_ in rows}

    def unit_ids(self) -> dict[str, int]:
        return dict(self._db.execute("SELECT serial, id FROM unit"))

    # -- telemetry -------------------------------------------------------

    def add_telemetry(
        self, frame: pd.DataFrame, source: str, rejected: Mapping[str, int] | None = None
    ) -> ImportResult:
        """Add a canonical telemetry frame in one transaction.

        A value already stored stays; an empty one is filled. Rows of units the
        site file does not list are counted and left out.
        """
        raise NotImplementedError

    def telemetry(self, start: int | None = None, end: int | None = None) -> pd.DataFrame:
        """Canonical telemetry frame of ``start <= ts < end``."""
        raise NotImplementedError

    def add_weather(self, frame: pd.DataFrame, source: str) -> ImportResult:
        """Add a weather frame: ``ts``, ``plane`` and :data:`WEATHER_COLUMNS`."""
        raise NotImplementedError

    def weather(self, start: int | None = None, end: int | None = None) -> pd.DataFrame:
        raise NotImplementedError

    def add_events(self, frame: pd.DataFrame, source: str) -> ImportResult:
        """Add a gateway log frame: ``ts`` and :data:`EVENT_COLUMNS`."""
        raise NotImplementedError

    def events(self, start: int | None = None, end: int | None = None) -> pd.DataFrame:
        raise NotImplementedError

    def stale_days(self) -> list[int]:
        """Solar days with samples newer than their ``input_day`` rows, ascending."""
        return [d for (d,) in self._db.execute("SELECT day FROM stale_day ORDER BY day")]


def _connect(path: Path | None) -> sqlite3.Connection:
    try:
        db = sqlite3.connect(path or ":memory:", timeout=30.0, isolation_level=None)
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = NORMAL")
        db.execute("PRAGMA foreign_keys = ON")
    except sqlite3.Error as exc:
        raise StoreError(
            f"{path}: cannot be opened: {exc}", "Check that the folder exists and can be written."
        ) from exc
    return db
