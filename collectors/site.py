"""The site description: what stands on the roof, read from a TOML file.

Whatever can be inferred may be left out (plane orientation, siblings, the
module's coefficients); whatever cannot is an error that names the key.
Models are frozen; every list keeps the file's order.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from pathlib import Path
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from collectors.datasheet import impossible
from collectors.errors import SiteFileError

_Positive = Annotated[float, Field(gt=0)]


class _Part(BaseModel):
    # Unknown keys are kept out but reported as notes: a file from elsewhere may
    # carry more than we need, and a typing mistake should not pass in silence.
    model_config = ConfigDict(frozen=True, extra="ignore", coerce_numbers_to_str=True)


class SiteFacts(_Part):
    """Where the site is and what its energy is worth (``[site]``)."""

    id: str = Field(min_length=1, pattern=r"^[\w.\- ]+$")
    name: str = ""
    latitude: float = Field(ge=-90, le=90)
    longitude: float = Field(ge=-180, le=180)
    altitude_m: float = Field(default=0.0, ge=-450, le=6000)
    timezone: str
    commissioned: date | None = None
    tariff_per_kwh: float | None = Field(default=None, ge=0)
    currency: str = ""
    record_low_c: float | None = Field(default=None, ge=-80, le=40)
    customer_ref: str = ""
    region: str = ""
    visit_cost: float | None = Field(default=None, ge=0)

    @field_validator("timezone")
    @classmethod
    def _known_zone(cls, value: str) -> str:
        try:
            ZoneInfo(value)
        except Exception as exc:
            raise ValueError(f"'{value}' is not an IANA time zone such as 'Europe/Madrid'") from exc
        return value

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.timezone)


class Grid(_Part):
    """The grid window the units were set to (``[grid]``); None is unknown."""

    nominal_v: _Positive | None = None
    nominal_hz: _Positive | None = None
    low_v: _Positive | None = None
    high_v: _Positive | None = None
    low_hz: _Positive | None = None
    high_hz: _Positive | None = None
    reconnect_s: float | None = Field(default=None, ge=0)
    profile: str = ""


class Module(_Part):
    """A module type (``[modules.NAME]``), ratings at STC."""

    pmax_w: _Positive
    vmp_v: _Positive | None = None
    imp_a: _Positive | None = None
    voc_v: _Positive | None = None
    isc_a: _Positive | None = None
    gamma_pmax_pct_k: float | None = Field(default=None, ge=-2, le=0.5)
    beta_voc_pct_k: float | None = Field(default=None, ge=-2, le=0.5)
    alpha_isc_pct_k: float | None = Field(default=None, ge=-1, le=1)
    cells: int | None = Field(default=None, gt=0)
    substrings: int | None = Field(default=None, gt=0, le=12)

    @model_validator(mode="before")
    @classmethod
    def _units(cls, data: Any) -> Any:
        # Beyond the bounds below a number is in another unit: ask, rather than say "less than -2".
        if isinstance(data, dict) and (questions := impossible(data)):
            raise ValueError("\n".join(questions))
        return data


class Inverter(_Part):
    """A module-level inverter type (``[inverters.NAME]``)."""

    rated_va: _Positive | None = None
    inputs: int | None = Field(default=None, ge=1, le=16)
    start_v: _Positive | None = None
    mppt_min_v: _Positive | None = None
    mppt_max_v: _Positive | None = None
    max_input_v: _Positive | None = None
    max_input_a: _Positive | None = None
    max_isc_a: _Positive | None = None
    max_ac_a: _Positive | None = None
    max_altitude_m: _Positive | None = None


class Plane(_Part):
    """A roof plane (``[planes.NAME]``); None is inferred from the data."""

    azimuth_deg: float | None = Field(default=None, ge=0, le=360)
    tilt_deg: float | None = Field(default=None, ge=0, le=90)


class UnitInput(_Part):
    """One input of a unit (``[[units.inputs]]``)."""

    input: int = Field(ge=1)
    module: str | None = None
    plane: str | None = None
    row: int | None = None
    column: int | None = None


class Unit(_Part):
    """One module-level inverter (``[[units]]``)."""

    serial: str = Field(min_length=1)
    inverter: str | None = None
    gateway: str = "gateway"
    branch: str = ""
    inputs: tuple[UnitInput, ...] = ()

    @model_validator(mode="after")
    def _distinct_inputs(self) -> Unit:
        numbers = [i.input for i in self.inputs]
        if len(set(numbers)) != len(numbers):
            raise ValueError(f"unit '{self.serial}' lists an input number twice: {numbers}")
        return self


class Branch(_Part):
    """The cables of one AC branch (``[branches.NAME]``), for the electrical check.

    ``trunk_m`` runs from the board to the nearest unit, ``unit_spacing_m`` from
    unit to unit; both are the way there, not there and back.  ``ampacity_a`` is
    what the cable carries as laid, from the local table.
    """

    connection: Literal["single-phase", "split-phase", "three-phase"] = "single-phase"
    breaker_a: _Positive | None = None
    ampacity_a: _Positive | None = None
    max_units: int | None = Field(default=None, ge=1)
    trunk_m: float | None = Field(default=None, ge=0)
    trunk_mm2: _Positive | None = None
    trunk_awg: int | None = Field(default=None, ge=0, le=18)
    unit_spacing_m: float | None = Field(default=None, ge=0)
    unit_mm2: _Positive | None = None
    unit_awg: int | None = Field(default=None, ge=0, le=18)
    conductor: Literal["copper", "aluminium"] = "copper"


class Service(_Part):
    """The cable between the meter and the board, shared by all branches (``[service]``)."""

    length_m: float | None = Field(default=None, ge=0)
    mm2: _Positive | None = None
    awg: int | None = Field(default=None, ge=0, le=18)
    conductor: Literal["copper", "aluminium"] = "copper"
    connection: Literal["single-phase", "split-phase", "three-phase"] = "single-phase"
    highest_v: _Positive | None = None


class GatewayLink(_Part):
    """How a gateway reaches its units (``[gateways.NAME]``), for the electrical check.

    ``range_m`` is the data sheet's open-field range; ``addresses`` are the bus
    addresses by unit serial.
    """

    link: Literal["radio", "bus"] | None = None
    distance_m: _Positive | None = None
    range_m: _Positive | None = None
    obstacles: tuple[str, ...] = ()
    bus_length_m: _Positive | None = None
    baud: int | None = Field(default=None, gt=0)
    terminations: int | None = Field(default=None, ge=0)
    unit_load: _Positive | None = None
    addresses: dict[str, int] = {}
    registers: int | None = Field(default=None, ge=1)
    turnaround_ms: float | None = Field(default=None, ge=0)
    poll_s: _Positive | None = None


class CheckOptions(_Part):
    """Choices of the electrical check (``[options]``); None takes the profile's value.

    ``as_written`` names values (``modules.NAME.KEY``) that look like another
    unit and are right all the same: they aren't asked about again.
    """

    no_load_break_v: _Positive | None = None
    isc_factor: float | None = Field(default=None, ge=1, le=2)
    bifacial_gain_pct: float = Field(default=0.0, ge=0, le=50)
    hot_ambient_c: float | None = Field(default=None, ge=0, le=60)
    as_written: tuple[str, ...] = ()


@dataclass(frozen=True)
class InputRef:
    """One input, flattened: its place in the site and what hangs on it."""

    index: int
    unit_index: int
    unit: str
    input: int
    gateway: str
    branch: str
    plane: str
    module: Module | None
    inverter: Inverter | None
    row: int | None
    column: int | None

    @property
    def key(self) -> tuple[str, int]:
        return (self.unit, self.input)

    @property
    def label(self) -> str:
        return f"{self.unit}/{self.input}"


class SiteDescription(_Part):
    """A whole site file, checked against itself.

    ``inputs`` flattens the units; an input's position there is its column in
    every array of the rules.
    """

    site: SiteFacts
    grid: Grid = Grid()
    modules: dict[str, Module] = {}
    inverters: dict[str, Inverter] = {}
    planes: dict[str, Plane] = {}
    branches: dict[str, Branch] = {}
    gateways: dict[str, GatewayLink] = {}
    service: Service = Service()
    options: CheckOptions = CheckOptions()
    units: tuple[Unit, ...] = Field(min_length=1)
    notes: tuple[str, ...] = ()

    @model_validator(mode="after")
    def _references(self) -> SiteDescription:
        seen: set[str] = set()
        for n, unit in enumerate(self.units):
            where = f"units[{n}] (serial '{unit.serial}')"
            if unit.serial in seen:
                raise ValueError(f"{where}: serial stands twice in the file")
            seen.add(unit.serial)
            if not unit.inputs:
                raise ValueError(f"{where}: key 'inputs' is missing: list each [[units.inputs]]")
            _known(where, "inverter", unit.inverter, self.inverters)
            for i in unit.inputs:
                _known(f"{where}, input {i.input}", "module", i.module, self.modules)
                _known(f"{where}, input {i.input}", "plane", i.plane, self.planes)
        return self

    @cached_property
    def inputs(self) -> tuple[InputRef, ...]:
        refs: list[InputRef] = []
        for unit_index, unit in enumerate(self.units):
            for i in unit.inputs:
                refs.append(
                    InputRef(
                        index=len(refs),
                        unit_index=unit_index,
                        unit=unit.serial,
                        input=i.input,
                        gateway=unit.gateway,
                        branch=unit.branch,
                        plane=i.plane or "",
                        module=self.modules[i.module] if i.module else None,
                        inverter=self.inverters[unit.inverter] if unit.inverter else None,
                        row=i.row,
                        column=i.column,
                    )
                )
        return tuple(refs)

    @cached_property
    def input_index(self) -> dict[tuple[str, int], int]:
        return {ref.key: ref.index for ref in self.inputs}


def _known(where: str, key: str, name: str | None, table: dict[str, Any]) -> None:
    if name is not None and name not in table:
        near = difflib.get_close_matches(name, table, n=1)
        hint = f"; did you mean '{near[0]}'?" if near else f"; the file declares {sorted(table) or 'none'}"
        raise ValueError(f"{where}: {key} = '{name}' is not declared{hint}")


def load_site(path: str | Path) -> SiteDescription:
    """Read a site file.

    Raises
    ------
    SiteFileError : unreadable, not TOML, or a key is missing or wrong.
    """
    return parse_site(read_site_text(path), str(path))


def read_site_text(path: str | Path) -> str:
    """The text of a site file.

    Raises
    ------
    SiteFileError : unreadable, or no text.
    """
    try:
        return Path(path).read_text(encoding="utf-8-sig")
    except OSError as exc:
        raise SiteFileError(f"{path}: cannot be read: {exc.strerror}", "Give the path of a site TOML file.") from exc
    except UnicodeDecodeError as exc:
        raise SiteFileError(
            f"{path}: not UTF-8 text: {exc.reason}", "Give the path of a site TOML file; save it as UTF-8."
        ) from exc


def parse_site(text: str, source: str = "site file") -> SiteDescription:
    """Parse the text of a site file; ``source`` names it in errors."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as exc:
        raise SiteFileError(f"{source}: not valid TOML: {exc}", _toml_remedy(text, str(exc))) from exc
    try:
        site = SiteDescription.model_validate(data)
    except ValidationError as exc:
        lines = [_explain(source, error) for error in exc.errors()]
        raise SiteFileError("\n".join(lines), "`callout init -` prints a complete site file.") from exc
    return site.model_copy(update={"notes": tuple(_unknown_keys(data))})


def _toml_remedy(text: str, problem: str) -> str:
    """What to do about it; a decimal comma is the slip of half the world."""
    place = re.search(r"line (\d+)", problem)
    line = text.split("\n")[int(place.group(1)) - 1] if place else ""
    comma = re.fullmatch(r"\s*[\w.\-]+\s*=\s*(-?\d+),(\d+)\s*(#.*)?", line)
    return f"Write numbers with a point: {comma[1]}.{comma[2]}." if comma else "Correct that line and try again."


def _explain(source: str, error: Any) -> str:
    key = ".".join(str(part) for part in error["loc"])
    if error["type"] == "missing":
        return f"{source}: key '{key}' is missing"
    message = error["msg"].removeprefix("Value error, ")
    if error["type"] == "value_error":
        return f"{source}: {f'{key}: ' if key else ''}{message}"
    if error["type"] in ("float_parsing", "int_parsing"):
        message = "no number" + ("; write it with a point and without quotes" if "," in str(error["input"]) else "")
    return f"{source}: key '{key}' = {error['input']!r}: {message}"


def _unknown_keys(data: dict[str, Any]) -> list[str]:
    """One note per key that no model knows, with the nearest known name."""
    notes: list[str] = []

    def look(model: type[BaseModel], value: Any, where: str) -> None:
        if not isinstance(value, dict):
            return
        for key in value:
            if key not in model.model_fields or key == "notes":
                near = difflib.get_close_matches(key, model.model_fields, n=1)
                notes.append(f"{where}{key}: not a key we know" + (f"; did you mean '{near[0]}'?" if near else ""))

    look(SiteDescription, data, "")
    look(SiteFacts, data.get("site"), "site.")
    look(Grid, data.get("grid"), "grid.")
    look(Service, data.get("service"), "service.")
    look(CheckOptions, data.get("options"), "options.")
    tables: tuple[tuple[str, type[BaseModel]], ...] = (
        ("modules", Module),
        ("inverters", Inverter),
        ("planes", Plane),
        ("branches", Branch),
        ("gateways", GatewayLink),
    )
    for table, model in tables:
        for name, value in data.get(table, {}).items():
            look(model, value, f"{table}.{name}.")
    for n, unit in enumerate(data.get("units", ())):
        look(Unit, unit, f"units[{n}].")
        for m, item in enumerate(unit.get("inputs", ())):
            look(UnitInput, item, f"units[{n}].inputs[{m}].")
    return notes
