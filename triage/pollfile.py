"""The poll file (TOML): which gateways to read, how, how often, and into which site.

::

    [[gateways]]
    site = "shed-roof"                  # site id in the workspace
    name = "gw-a"                       # the gateway's name, as in the site file
    link = "tcp://192.0.2.10:502"       # or rtu:///dev/ttyUSB0?baud=9600, rtu+tcp://192.0.2.10:4001
    units = "1-12,20"                   # Modbus unit ids
    interval_s = 60
    daylight = "auto"                   # sun above the horizon; or "always", or "06:00-21:30" local
    timeout_s = 1.0                     # how long a reply may take; left out, it fits the link
    attempts = 2

    [[gateways.devices]]                # units that differ: without SunSpec, or a weather sensor
    units = "60"
    map = "sensor.toml"                 # register map, relative to this file
    plane = "south"                     # the plane whose irradiance it measures
    serials = { 60 = "PYR-1" }          # for devices that cannot tell their own
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from datetime import time
from pathlib import Path
from typing import Annotated, Any, Final

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from collectors.errors import CalloutError, InputError
from collectors.modbus import RegisterMap, load_map, parse_link
from collectors.modbus.address import LinkAddress
from collectors.modbus.regmap import explain

POLL_FILE: Final = "poll.toml"
MAX_UNIT_ID: Final = 255
_WINDOW = re.compile(r"(\d\d):(\d\d)-(\d\d):(\d\d)")

_Seconds = Annotated[float, Field(gt=0, le=60)]


class PollFileError(InputError):
    """The poll file is wrong."""


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", coerce_numbers_to_str=True)


def parse_units(text: str) -> tuple[int, ...]:
    """Unit ids of ``1-12,20``, ascending.

    Raises
    ------
    ValueError : says what is wrong.
    """
    ids: set[int] = set()
    for part in filter(None, (p.strip() for p in text.split(","))):
        match = re.fullmatch(r"(\d+)(?:-(\d+))?", part)
        if match is None:
            raise ValueError(f"'{part}' is neither a unit id nor a range such as 1-12")
        first, last = int(match[1]), int(match[2] or match[1])
        if last < first or last > MAX_UNIT_ID:
            raise ValueError(f"'{part}': unit ids run from 0 to {MAX_UNIT_ID}, a range from low to high")
        ids.update(range(first, last + 1))
    if not ids:
        raise ValueError("no unit ids")
    return tuple(sorted(ids))


class DeviceEntry(_Table):
    """Units that differ from the rest (``[[gateways.devices]]``)."""

    units: str
    map: str = ""
    plane: str = ""
    serials: dict[int, str] = {}

    @field_validator("units")
    @classmethod
    def _units(cls, value: str) -> str:
        parse_units(value)
        return value


class GatewayEntry(_Table):
    """One gateway (``[[gateways]]``); see the module's text."""

    site: str = Field(min_length=1)
    name: str = Field(min_length=1)
    link: str
    units: str = ""
    interval_s: float = Field(default=60.0, ge=1, le=3600)
    daylight: str = "auto"
    timeout_s: _Seconds | None = None
    attempts: int = Field(default=2, ge=1, le=5)
    devices: tuple[DeviceEntry, ...] = ()

    @field_validator("link")
    @classmethod
    def _link(cls, value: str) -> str:
        try:
            parse_link(value)
        except CalloutError as exc:
            raise ValueError(exc.message) from exc
        return value

    @field_validator("units")
    @classmethod
    def _units(cls, value: str) -> str:
        if value:
            parse_units(value)
        return value

    @field_validator("daylight")
    @classmethod
    def _daylight(cls, value: str) -> str:
        if value not in ("auto", "always"):
            parse_window(value)
        return value

    @model_validator(mode="after")
    def _some_units(self) -> GatewayEntry:
        ids = list(self.unit_ids)
        if not ids:
            raise ValueError("key 'units' is missing: the unit ids behind the gateway, such as \"1-12\"")
        listed = [u for d in self.devices for u in parse_units(d.units)]
        if len(set(listed)) != len(listed):
            raise ValueError("two [[gateways.devices]] list the same unit id")
        return self

    @property
    def address(self) -> LinkAddress:
        return parse_link(self.link)

    @property
    def unit_ids(self) -> tuple[int, ...]:
        ids = set(parse_units(self.units)) if self.units else set()
        return tuple(sorted(ids.union(*(parse_units(d.units) for d in self.devices))))

    @property
    def plane(self) -> str:
        return next((d.plane for d in self.devices if d.plane), "")

    def serials(self) -> dict[int, str]:
        return {unit: serial for d in self.devices for unit, serial in d.serials.items()}


class PollFile(_Table):
    """A whole poll file; :func:`load_poll_file` reads one."""

    gateways: tuple[GatewayEntry, ...] = Field(min_length=1)
    folder: Path = Path()

    @model_validator(mode="after")
    def _distinct(self) -> PollFile:
        keys = [(g.site, g.name) for g in self.gateways]
        links = [str(g.address) for g in self.gateways]
        for what, values in (("site and name", keys), ("link", links)):
            for n, value in enumerate(values):
                if value in values[:n]:
                    raise ValueError(f"gateways[{n}]: the same {what} as gateways[{values.index(value)}]")  # type: ignore[arg-type]
        return self

    def maps(self, gateway: GatewayEntry) -> dict[int, RegisterMap]:
        """Register map of each unit id that has one; equal files give the same object."""
        loaded: dict[str, RegisterMap] = {}
        found: dict[int, RegisterMap] = {}
        for device in gateway.devices:
            if device.map:
                regmap = loaded.setdefault(device.map, load_map(self.folder / device.map))
                found.update(dict.fromkeys(parse_units(device.units), regmap))
        return found


def parse_window(text: str) -> tuple[time, time]:
    """Start and end of ``06:00-21:30``.

    Raises
    ------
    ValueError : says what is wrong.
    """
    match = _WINDOW.fullmatch(text)
    if match is None:
        raise ValueError(f'\'{text}\' is none of "auto", "always" and a window such as "06:00-21:30"')
    h1, m1, h2, m2 = (int(g) for g in match.groups())
    if h1 > 23 or h2 > 23 or m1 > 59 or m2 > 59 or (h1, m1) >= (h2, m2):
        raise ValueError(f"'{text}': a window runs from an earlier to a later time of one day")
    return time(h1, m1), time(h2, m2)


def load_poll_file(path: str | Path) -> PollFile:
    """Read a poll file and every register map it names.

    Raises
    ------
    PollFileError : unreadable, not TOML (with line and column), or a key is wrong (with its place).
    LayoutError : a register map is wrong.
    """
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as exc:
        raise PollFileError(
            f"{path}: cannot be read: {exc.strerror}",
            "`callout probe LINK --poll-file poll.toml` drafts one; --config names another.",
        ) from exc
    except UnicodeDecodeError as exc:
        raise PollFileError(f"{path}: not UTF-8 text: {exc.reason}", "Save the file as UTF-8.") from exc
    return parse_poll_file(text, str(path), path.parent)


def parse_poll_file(text: str, source: str = POLL_FILE, folder: Path = Path()) -> PollFile:
    """Parse the text of a poll file; ``source`` names it in errors, maps are looked up in ``folder``."""
    try:
        data: dict[str, Any] = tomllib.loads(text)
    except tomllib.TOMLDecodeError as exc:
        raise PollFileError(f"{source}: not valid TOML: {exc}", "Correct that line and try again.") from exc
    try:
        parsed = PollFile.model_validate({**data, "folder": folder})
    except ValidationError as exc:
        errors = exc.errors()
        # A list whose entries are all wrong is told by what is wrong with them.
        told = [e for e in errors if e["type"] != "too_short" or not any(_inside(o["loc"], e["loc"]) for o in errors)]
        lines = [explain(source, error, PollFile, GatewayEntry, DeviceEntry) for error in told]
        raise PollFileError("\n".join(lines), "`callout poll --help` shows a complete poll file.") from exc
    for gateway in parsed.gateways:
        parsed.maps(gateway)
    return parsed


def _inside(place: tuple[int | str, ...], outer: tuple[int | str, ...]) -> bool:
    return len(place) > len(outer) and place[: len(outer)] == outer


def gateways_of(parsed: PollFile, site: str | None) -> Iterator[GatewayEntry]:
    """The gateways of one site, or all."""
    return (g for g in parsed.gateways if site in (None, g.site))
