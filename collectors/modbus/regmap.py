"""Declared register maps: a TOML that says where a device without SunSpec keeps what.

::

    name = "Field bus meter of the shed roof"
    source = "maker's register list, issue 4, table 7"   # the document the numbers come from
    function = 3             # 3 holding (default) or 4 input registers
    first_register = 0       # the number that the document gives to address 0 (often 1, 40001 or 30001)
    word_order = "big"       # which register of a 32- or 64-bit value comes first
    byte_order = "big"
    max_registers = 125      # longest request the device takes
    max_gap = 0              # undeclared registers that a request may run over

    [[points]]
    point = "dc_voltage_v"   # a telemetry or weather column, or serial, clock_s, alarm_bits
    register = 100
    type = "uint16"          # int16 uint16 int32 uint32 int64 uint64 float32 float64 string
    scale = 0.1              # value = raw x scale + offset
    offset = 0.0
    missing = [0xFFFF]       # raw values that mean "not reported"
    inputs = 4               # repeated for so many inputs ...
    stride = 20              # ... this many registers apart

A ``string`` needs ``size`` (registers); ``state`` needs ``states`` (raw value to
state); ``alarm_bits`` needs ``bits`` (bit number to text). Any of the settings
at the top but ``name``, ``source`` and the two limits may stand in a point too.
"""

from __future__ import annotations

import difflib
import tomllib
from functools import cached_property
from pathlib import Path
from typing import Annotated, Any, Final, Literal

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    ValidationError,
    field_validator,
    model_validator,
)

from collectors.columns import INPUT_COLUMNS, STATES, UNIT_COLUMNS, WEATHER_COLUMNS
from collectors.errors import LayoutError
from collectors.modbus.plan import HOLDING, MAX_REGISTERS, Span, plan_reads
from collectors.modbus.types import TEXT, TYPES, Order

#: Types a map may name: plain integers, floats and text.
MAP_TYPES: Final = ("int16", "uint16", "int32", "uint32", "int64", "uint64", "float32", "float64", TEXT)
#: Points that are no column: the unit's serial, its clock (s since 1970), its event bits.
SPECIAL_POINTS: Final = ("serial", "clock_s", "alarm_bits")
MAP_POINTS: Final = (*INPUT_COLUMNS, *UNIT_COLUMNS, *WEATHER_COLUMNS, *SPECIAL_POINTS)
_LAST_ADDRESS = 0xFFFF
_MAX_INPUTS = 16

_Function = Literal[3, 4]
_Scale = Annotated[float, Field(allow_inf_nan=False)]


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class MapPoint(_Table):
    """One point of a map (``[[points]]``); see the module's text."""

    point: str
    register_: int = Field(alias="register")
    type: str
    function: _Function | None = None
    word_order: Order | None = None
    byte_order: Order | None = None
    scale: _Scale = 1.0
    offset: _Scale = 0.0
    missing: tuple[_Scale, ...] = ()
    size: int | None = Field(default=None, ge=1, le=MAX_REGISTERS)
    inputs: int = Field(default=1, ge=1, le=_MAX_INPUTS)
    stride: int | None = Field(default=None, ge=1)
    states: dict[int, str] = {}
    bits: dict[int, str] = {}

    @field_validator("point")
    @classmethod
    def _known_point(cls, value: str) -> str:
        return _one_of(value, MAP_POINTS)

    @field_validator("type")
    @classmethod
    def _known_type(cls, value: str) -> str:
        return _one_of(value, MAP_TYPES)

    @field_validator("states")
    @classmethod
    def _known_states(cls, value: dict[int, str]) -> dict[int, str]:
        return {raw: _one_of(state, STATES) for raw, state in value.items()}

    @model_validator(mode="after")
    def _consistent(self) -> MapPoint:
        if (self.type == TEXT) != (self.size is not None):
            raise ValueError("'size' goes with type = \"string\", and only with it")
        if (self.type == TEXT) != (self.point == "serial") and self.type == TEXT:
            raise ValueError(f"a string can only be the serial, not '{self.point}'")
        if self.scale == 0:
            raise ValueError("scale = 0 would make every value 0")
        if bool(self.states) != (self.point == "state"):
            raise ValueError("'states' goes with point = \"state\", and only with it")
        if bool(self.bits) != (self.point == "alarm_bits"):
            raise ValueError("'bits' goes with point = \"alarm_bits\", and only with it")
        if self.point in ("state", "alarm_bits") and "int" not in self.type:
            raise ValueError(f"'{self.point}' needs an integer type, not {self.type}")
        if self.bits and not all(0 <= bit < 16 * self.words for bit in self.bits):
            raise ValueError(f"a {self.type} has bits 0..{16 * self.words - 1}: {sorted(self.bits)}")
        if self.inputs > 1:
            if self.point not in (*INPUT_COLUMNS, "alarm_bits"):
                raise ValueError(f"'{self.point}' belongs to the unit and cannot repeat per input")
            if self.stride is None:
                raise ValueError("'inputs' above 1 needs 'stride'")
            if self.stride < self.words:
                raise ValueError(f"stride = {self.stride} is shorter than a {self.type} ({self.words} registers)")
        return self

    @property
    def words(self) -> int:
        return self.size if self.size is not None else TYPES[self.type].words


class RegisterMap(_Table):
    """A whole map; :func:`load_map` reads one from a file."""

    name: str = Field(min_length=1)
    source: str = Field(min_length=1)
    function: _Function = HOLDING
    first_register: int = Field(default=0, ge=0)
    word_order: Order = "big"
    byte_order: Order = "big"
    max_registers: int = Field(default=MAX_REGISTERS, ge=1, le=MAX_REGISTERS)
    max_gap: int = Field(default=0, ge=0, le=MAX_REGISTERS)
    points: tuple[MapPoint, ...] = Field(min_length=1)

    @model_validator(mode="after")
    def _consistent(self) -> RegisterMap:
        seen: dict[tuple[str, int], int] = {}
        for n, p in enumerate(self.points):
            where = f"points[{n}] ({p.point})"
            for number in range(1, p.inputs + 1):
                if (p.point, number) in seen and p.point not in SPECIAL_POINTS[2:]:
                    raise ValueError(f"{where}: points[{seen[p.point, number]}] declares the same already")
                seen[p.point, number] = n
            if p.words > self.max_registers:
                raise ValueError(f"{where}: takes {p.words} registers, more than max_registers = {self.max_registers}")
            first = self.address(p, 1)
            if first < 0:
                raise ValueError(f"{where}: register = {p.register_} is below first_register = {self.first_register}")
            if self.address(p, p.inputs) + p.words - 1 > _LAST_ADDRESS:
                raise ValueError(f"{where}: runs past address {_LAST_ADDRESS}")
        return self

    def address(self, point: MapPoint, number: int) -> int:
        """Protocol address of a point of one input."""
        return point.register_ - self.first_register + (number - 1) * (point.stride or 0)

    def function_of(self, point: MapPoint) -> int:
        return point.function or self.function

    @cached_property
    def inputs(self) -> int:
        """Inputs that the map describes; 0 for a weather station."""
        return max((p.inputs for p in self.points if p.point in INPUT_COLUMNS), default=0)

    @cached_property
    def spans(self) -> tuple[Span, ...]:
        return tuple(Span(self.function_of(p), self.address(p, k), p.words) for p in self.points for k in range(1, p.inputs + 1))

    @cached_property
    def reads(self) -> tuple[Span, ...]:
        """The requests of one poll."""
        return plan_reads(self.spans, max_registers=self.max_registers, max_gap=self.max_gap)


def _one_of(value: str, known: tuple[str, ...]) -> str:
    if value in known:
        return value
    near = difflib.get_close_matches(value, known, n=1)
    raise ValueError(f"'{value}' is none of {', '.join(known)}" + (f"; did you mean '{near[0]}'?" if near else ""))


def load_map(path: str | Path) -> RegisterMap:
    """Read a map file.

    Raises
    ------
    LayoutError : unreadable, not TOML (with line and column), or a key is wrong (with its place).
    """
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as exc:
        raise LayoutError(f"{path}: cannot be read: {exc.strerror}", "Give the path of a register map.") from exc
    except UnicodeDecodeError as exc:
        raise LayoutError(f"{path}: not UTF-8 text: {exc.reason}", "Save the file as UTF-8.") from exc
    return parse_map(text, str(path))


def parse_map(text: str, source: str = "register map") -> RegisterMap:
    """Parse the text of a map file; ``source`` names it in errors."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as exc:
        raise LayoutError(f"{source}: not valid TOML: {exc}", "Correct that line and try again.") from exc
    try:
        return RegisterMap.model_validate(data)
    except ValidationError as exc:
        lines = [explain(source, error, RegisterMap, MapPoint) for error in exc.errors()]
        raise LayoutError("\n".join(lines), "`callout poll --help` shows the keys of a register map.") from exc


def explain(source: str, error: Any, *tables: type[BaseModel]) -> str:
    """One line for one validation error: file, key, value, remedy."""
    place = "".join(f"[{p}]" if isinstance(p, int) else f".{p}" for p in error["loc"]).lstrip(".")
    message = error["msg"].removeprefix("Value error, ")
    if error["type"] == "missing":
        return f"{source}: key '{place}' is missing"
    if error["type"] == "extra_forbidden":
        keys = [f.alias or name for t in tables for name, f in t.model_fields.items()]
        name = str(error["loc"][-1])
        if name in keys:
            return f"{source}: key '{place}' stands in the wrong table"
        near = difflib.get_close_matches(name, keys, n=1)
        return f"{source}: key '{place}' is not one we know" + (f"; did you mean '{near[0]}'?" if near else "")
    if error["type"] == "value_error":
        return f"{source}: {f'{place}: ' if place else ''}{message}"
    return f"{source}: key '{place}' = {error['input']!r}: {message}"


__all__ = ["MapPoint", "RegisterMap", "explain", "load_map", "parse_map"]
