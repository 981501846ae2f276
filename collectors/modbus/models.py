"""SunSpec models as data: offsets, sizes and scale factors, read from ``models.toml``.

Offsets count registers from the model's ID word, as the address of the model does.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from collectors.modbus.types import TEXT, TYPES, Words, decode_bits, decode_number, decode_text, scale_by

#: ID and L.
HEADER: Final = 2
END_MODEL: Final = 0xFFFF
COMMON: Final = 1
_POINT = re.compile(r"(\w+):(\w+)(?:\[(\d+)\])?(?:\*(-?\w+))?")


@dataclass(frozen=True)
class ModelPoint:
    """One point: ``offset`` from the ID word, or from the start of its repeat."""

    name: str
    kind: str
    offset: int
    size: int
    scale: str | int | None

    @property
    def end(self) -> int:
        return self.offset + self.size

    @property
    def is_bits(self) -> bool:
        return self.kind.startswith("bitfield")


@dataclass(frozen=True)
class Model:
    """A model's fixed points and the block that repeats after them."""

    ids: tuple[int, ...]
    name: str
    points: Mapping[str, ModelPoint]
    repeat: Mapping[str, ModelPoint]
    repeat_count: str | None

    @property
    def fixed_size(self) -> int:
        """Registers before the repeating block, ID and L included."""
        return HEADER + sum(p.size for p in self.points.values())

    @property
    def repeat_size(self) -> int:
        return sum(p.size for p in self.repeat.values())

    def repeats(self, length: int) -> int:
        """How many repeats fit in a model whose L word says ``length``."""
        if not self.repeat:
            return 0
        return max(0, length + HEADER - self.fixed_size) // self.repeat_size

    def length(self, repeats: int = 0) -> int:
        """The L word of a model with so many repeats."""
        return self.fixed_size - HEADER + repeats * self.repeat_size


@dataclass(frozen=True)
class Decoded:
    """Values of a stack of U equal models; NaN (numbers) and -1 (bits) mean not implemented.

    ``fixed[name]`` has shape ``[U]``, ``repeat[name]`` ``[U, N]``. Points past the
    model's own length are all "not implemented". Text is left out.
    """

    fixed: Mapping[str, NDArray[Any]]
    repeat: Mapping[str, NDArray[Any]]


def _points(text: str, offset: int) -> dict[str, ModelPoint]:
    points: dict[str, ModelPoint] = {}
    for item in text.split():
        match = _POINT.fullmatch(item)
        if match is None:
            raise ValueError(f"models.toml: '{item}' is not a point")
        name, kind, size, scale = match.groups()
        words = int(size) if kind == TEXT else TYPES[kind].words
        fixed = scale is not None and scale.lstrip("-").isdigit()
        points[name] = ModelPoint(name, kind, offset, words, int(scale) if fixed else scale)
        offset += words
    return points


@cache
def _data() -> dict[str, Any]:
    return tomllib.loads(resources.files("collectors.modbus").joinpath("models.toml").read_text("utf-8"))


@cache
def models() -> dict[int, Model]:
    """Every model that we decode, by ID."""
    known: dict[int, Model] = {}
    for entry in _data()["model"]:
        model = Model(
            tuple(entry["ids"]),
            entry["name"],
            _points(entry.get("points", ""), HEADER),
            _points(entry.get("repeat", ""), 0),
            entry.get("repeat_count"),
        )
        known.update(dict.fromkeys(model.ids, model))
    return known


@cache
def state_table(name: str) -> dict[int, str]:
    """Operating states of one family (``inverter``, ``der_ac``): raw value to our state."""
    return {int(raw): state for raw, state in _data()["states"][name].items()}


@cache
def event_table(name: str) -> dict[int, str]:
    """Event bits of one family (``inverter``, ``der_ac``, ``dc_input``): bit to text."""
    return {int(bit): text for bit, text in _data()["events"][name].items()}


def needed(points: Mapping[str, ModelPoint], names: Collection[str], others: Collection[str] = ()) -> set[str]:
    """``names`` among ``points`` with the scale factors that they, or the points ``others``, lean on."""
    wanted = {name for name in names if name in points}
    scales = {str(points[name].scale) for name in wanted}
    return wanted | ({*scales, *others} & set(points))


def decode_model(model: Model, words: Words, names: Collection[str] | None = None) -> Decoded:
    """Decode a stack of equal models.

    Parameters
    ----------
    words : registers from the ID word on, shape ``[U, L + 2]``.
    names : points to decode (with their scale factors); None is all.
    """
    size = words.shape[-1]
    repeated = needed(model.repeat, names) if names is not None else set(model.repeat)
    chosen = set(model.points)
    if names is not None:
        factors = {str(model.repeat[name].scale) for name in repeated}
        chosen = needed(model.points, names, (*factors, model.repeat_count or ""))
    numbers = [p for p in model.points.values() if p.kind != TEXT and p.name in chosen]
    fixed = {p.name: _value(p, words, p.offset, size) for p in numbers}
    _apply_scales(numbers, fixed, fixed)
    count = model.repeats(size - HEADER)
    if not model.repeat or count == 0:
        return Decoded(fixed, {})
    first = model.fixed_size
    block = words[..., first : first + count * model.repeat_size]
    block = block.reshape(*words.shape[:-1], count, model.repeat_size)
    numbers = [p for p in model.repeat.values() if p.kind != TEXT and p.name in repeated]
    repeat = {p.name: _value(p, block, p.offset, model.repeat_size) for p in numbers}
    _apply_scales(numbers, repeat, {k: v[..., np.newaxis] for k, v in fixed.items()})
    if model.repeat_count:
        # A device may leave the count out, or reserve more room than it fills.
        counted = fixed[model.repeat_count]
        unused = np.arange(count) >= np.where(np.isfinite(counted), counted, count)[..., np.newaxis]
        for name, values in repeat.items():
            repeat[name] = np.where(unused, -1 if model.repeat[name].is_bits else np.nan, values)
    return Decoded(fixed, repeat)


def text_point(model: Model, name: str, words: Words) -> str:
    """A text point of one model (shape ``[L + 2]``); "" where the model is too short for it."""
    point = model.points[name]
    return decode_text(words[point.offset : point.end]) if point.end <= len(words) else ""


def _value(point: ModelPoint, words: Words, offset: int, size: int) -> NDArray[Any]:
    part = words[..., offset : offset + point.size]
    if offset + point.size > size:
        missing = np.full(words.shape[:-1], np.nan)
        return missing if not point.is_bits else np.full(words.shape[:-1], -1, dtype=np.int64)
    return decode_bits(point.kind, part) if point.is_bits else decode_number(point.kind, part)


def _apply_scales(points: Iterable[ModelPoint], values: dict[str, NDArray[Any]], factors: Mapping[str, NDArray[Any]]) -> None:
    for point in points:
        if isinstance(point.scale, int):
            values[point.name] = values[point.name] * 10.0**point.scale
        elif point.scale is not None:
            values[point.name] = scale_by(values[point.name], factors[point.scale])
