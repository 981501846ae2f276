"""Tables of a site's file, and the scale at which samples are kept.

Samples are scaled integers, which halves the file: the column
``dc_voltage_v_x1000`` holds volts times 1000. The views ``input_reading`` and
``unit_reading`` show volts, amperes, watts, serials and ISO times.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from collectors.columns import STATE_CODES, WEATHER_COLUMNS

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
INPUT_FIELDS: Final = tuple(f"{name}_x{scale}" for name, scale in INPUT_SCALES.items())
UNIT_FIELDS: Final = (*(f"{name}_x{scale}" for name, scale in UNIT_SCALES.items()), "state")


def _columns(fields: Sequence[str]) -> str:
    return ", ".join(f"{name} INTEGER" for name in fields)


def _shown(scales: Mapping[str, int]) -> str:
    return ", ".join(f"s.{name}_x{scale} / {scale}.0 AS {name}" for name, scale in scales.items())


_WEATHER = ", ".join(f"{name} REAL" for name in WEATHER_COLUMNS)
_STATES = " ".join(f"WHEN {code} THEN '{name}'" for name, code in STATE_CODES.items())

SCHEMA: Final = f"""
CREATE TABLE IF NOT EXISTS meta (key TEXT PRIMARY KEY, value TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS unit (id INTEGER PRIMARY KEY, serial TEXT NOT NULL UNIQUE);
CREATE TABLE IF NOT EXISTS input (id INTEGER PRIMARY KEY, unit_id INTEGER NOT NULL REFERENCES unit(id),
    number INTEGER NOT NULL, UNIQUE (unit_id, number));
CREATE TABLE IF NOT EXISTS input_sample (input_id INTEGER NOT NULL, ts INTEGER NOT NULL,
    {_columns(INPUT_FIELDS)}, PRIMARY KEY (input_id, ts)) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS unit_sample (unit_id INTEGER NOT NULL, ts INTEGER NOT NULL,
    {_columns(UNIT_FIELDS)}, PRIMARY KEY (unit_id, ts)) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS weather_sample (plane TEXT NOT NULL DEFAULT '', ts INTEGER NOT NULL,
    {_WEATHER}, PRIMARY KEY (plane, ts)) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS gateway_event (ts INTEGER NOT NULL, source TEXT NOT NULL, event TEXT NOT NULL,
    detail TEXT NOT NULL DEFAULT '', PRIMARY KEY (ts, source, event, detail)) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS import_run (id INTEGER PRIMARY KEY, at TEXT NOT NULL, source TEXT NOT NULL,
    kind TEXT NOT NULL, rows_read INTEGER NOT NULL, rows_new INTEGER NOT NULL,
    rows_rejected INTEGER NOT NULL, detail TEXT NOT NULL DEFAULT '{{}}');
CREATE TABLE IF NOT EXISTS stale_day (day INTEGER PRIMARY KEY);
CREATE VIEW IF NOT EXISTS input_reading AS SELECT strftime('%Y-%m-%dT%H:%M:%SZ', s.ts, 'unixepoch')
    AS timestamp, u.serial AS unit, i.number AS input, {_shown(INPUT_SCALES)}
    FROM input_sample s JOIN input i ON i.id = s.input_id JOIN unit u ON u.id = i.unit_id;
CREATE VIEW IF NOT EXISTS unit_reading AS SELECT strftime('%Y-%m-%dT%H:%M:%SZ', s.ts, 'unixepoch')
    AS timestamp, u.serial AS unit, {_shown(UNIT_SCALES)}, CASE s.state {_STATES} END AS state
    FROM unit_sample s JOIN unit u ON u.id = s.unit_id;
"""
