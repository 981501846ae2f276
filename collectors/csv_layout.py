"""The layout file: a small TOML that says what a guess would otherwise have to find out.

Every key is optional; what is left out is guessed. ``callout import FILE
--save-layout layout.toml`` writes the guess in this form, to be corrected.

    [file]
    encoding = "utf-16"          # any Python codec name
    delimiter = ";"              # "," ";" "|" or a tab, "\\t"
    decimal = ","                # "." or ","
    thousands = "."              # between groups of three digits, or ""
    header_line = 3              # file line of the last header line, from 1
    header_lines = 2             # how many lines of header, the last included
    missing = ["--", "n/a"]      # cells that mean "not reported", beside the usual ones
    plane = "south"              # weather: the plane that poa_w_m2 belongs to
    energy = "counter"           # "counter", "daily" or "interval": what energy columns count

    [time]
    timezone = "Europe/Madrid"   # of times without an offset; the site's own when left out
    order = "dmy"                # "dmy", "mdy" or "ymd" of dates written with numbers
    epoch = "s"                  # "s" or "ms" when times are numbers

    [columns]                    # by header as the file writes it, or "#3" for the third column
    "When" = "timestamp"
    "AC out [kW]" = { as = "ac_power_w", unit = "kW" }
    "Roof 7 / 2" = { as = "dc_power_w", unit = "W", serial = "A1007", input = 2 }
    "Remark" = "ignore"

    [units]                      # names in the file -> serials in the site file
    "Roof 7" = "A1007"

    [states]                     # words or codes in the file -> canonical states
    "4" = "producing"
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any, Literal

import tomlkit
from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from collectors.columns import (
    EVENT_COLUMNS,
    INPUT_COLUMNS,
    STATES,
    UNIT_COLUMNS,
    WEATHER_COLUMNS,
)
from collectors.csv_units import UNITS
from collectors.errors import LayoutError

#: What a column can be taken for, beside the canonical names.
EXTRA_ROLES = ("timestamp", "date", "time", "unit", "input", "plane", "ignore", "energy_wh", *EVENT_COLUMNS)
ROLES = (*EXTRA_ROLES, *INPUT_COLUMNS, *UNIT_COLUMNS, *WEATHER_COLUMNS)


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)


class FileLayout(_Part):
    """How the text is written (``[file]``)."""

    encoding: str | None = None
    delimiter: Literal[",", ";", "\t", "|"] | None = None
    decimal: Literal[".", ","] | None = None
    thousands: Literal["", ".", ",", " ", "'"] | None = None
    header_line: int | None = Field(default=None, ge=1)
    header_lines: int | None = Field(default=None, ge=1, le=5)
    missing: tuple[str, ...] = ()
    plane: str | None = None
    energy: Literal["counter", "daily", "interval"] | None = None


class TimeLayout(_Part):
    """How times are written (``[time]``)."""

    timezone: str | None = None
    order: Literal["dmy", "mdy", "ymd"] | None = None
    epoch: Literal["s", "ms"] | None = None

    @field_validator("timezone")
    @classmethod
    def _known_zone(cls, value: str | None) -> str | None:
        from zoneinfo import ZoneInfo

        try:
            ZoneInfo(value or "UTC")
        except Exception as exc:
            raise ValueError(f"'{value}' is not an IANA time zone such as 'Europe/Madrid'") from exc
        return value


class ColumnLayout(_Part):
    """What one column is (an entry of ``[columns]``)."""

    taken_for: str = Field(alias="as")
    unit: str = ""
    serial: str = ""
    input: int | None = Field(default=None, ge=1)

    @field_validator("taken_for")
    @classmethod
    def _known_role(cls, value: str) -> str:
        if value not in ROLES:
            raise ValueError(f"'{value}' is none of {', '.join(ROLES)}")
        return value

    @field_validator("unit")
    @classmethod
    def _known_unit(cls, value: str) -> str:
        if value and value not in UNITS:
            raise ValueError(f"'{value}' is none of {', '.join(UNITS)}")
        return value


class Layout(_Part):
    """A whole layout file."""

    file: FileLayout = FileLayout()
    time: TimeLayout = TimeLayout()
    columns: dict[str, ColumnLayout] = {}
    units: dict[str, str] = {}
    states: dict[str, str] = {}

    @field_validator("columns", mode="before")
    @classmethod
    def _short_form(cls, value: Any) -> Any:
        if not isinstance(value, dict):
            return value
        return {key: {"as": item} if isinstance(item, str) else item for key, item in value.items()}

    @field_validator("states")
    @classmethod
    def _known_states(cls, value: dict[str, str]) -> dict[str, str]:
        for word, state in value.items():
            if state not in STATES:
                raise ValueError(f"state '{word}' = '{state}' is none of {', '.join(STATES)}")
        return value


def load_layout(path: str | Path) -> Layout:
    """Read a layout file.

    Raises
    ------
    LayoutError : unreadable, not TOML, or a key is wrong; names file and key.
    """
    path = Path(path)
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as exc:
        raise LayoutError(f"{path}: cannot be read: {exc.strerror}", "Give the path of a layout file.") from exc
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as exc:
        raise LayoutError(f"{path}: not valid TOML: {exc}", "Correct that line and try again.") from exc
    try:
        return Layout.model_validate(data)
    except ValidationError as exc:
        lines = [
            f"{path}: key '{'.'.join(map(str, error['loc']))}' = {error['input']!r}: " + error["msg"].removeprefix("Value error, ")
            for error in exc.errors()
        ]
        raise LayoutError("\n".join(lines), "`callout import --help` shows every key of a layout.") from exc


def dump_layout(layout: Layout) -> str:
    """TOML text of a layout, short forms where possible."""
    document = tomlkit.document()
    document.add(tomlkit.comment("Layout of an exported table: correct what was guessed wrongly."))
    for name in ("file", "time"):
        values = getattr(layout, name).model_dump(exclude_none=True, exclude_defaults=True)
        if values:
            document[name] = tomlkit.item({k: list(v) if isinstance(v, tuple) else v for k, v in values.items()})
    columns = tomlkit.table()
    for header, column in layout.columns.items():
        values = column.model_dump(by_alias=True, exclude_defaults=True)
        if set(values) == {"as"}:
            columns[header] = column.taken_for
        else:
            inline = tomlkit.inline_table()
            inline.update(values)
            columns[header] = inline
    if layout.columns:
        document["columns"] = columns
    for name in ("units", "states"):
        if values := getattr(layout, name):
            document[name] = values
    return tomlkit.dumps(document)
