"""Inputs and units that are alike, so that a roof of forty gives one line, not forty."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass
from typing import TypeVar

from collectors.site import InputRef, Inverter, Module, SiteDescription, Unit

T = TypeVar("T")
K = TypeVar("K", bound=Hashable)


@dataclass(frozen=True)
class InputGroup:
    """Inputs with the same module type on the same inverter type."""

    module_name: str | None
    inverter_name: str | None
    refs: tuple[InputRef, ...]

    @property
    def module(self) -> Module | None:
        return self.refs[0].module

    @property
    def inverter(self) -> Inverter | None:
        return self.refs[0].inverter

    @property
    def place(self) -> str:
        module = self.module_name or "module not named"
        inverter = self.inverter_name or "inverter not named"
        return f"{module} on {inverter}, {_count(len(self.refs), 'input')}"

    @property
    def members(self) -> tuple[str, ...]:
        return tuple(ref.label for ref in self.refs)


@dataclass(frozen=True)
class UnitGroup:
    """Units of one inverter type with the same module and plane at each input."""

    inverter_name: str | None
    units: tuple[Unit, ...]
    refs: tuple[InputRef, ...]

    @property
    def inverter(self) -> Inverter | None:
        return self.refs[0].inverter

    @property
    def place(self) -> str:
        names = sorted({i.module or "module not named" for i in self.units[0].inputs})
        planes = sorted({i.plane for i in self.units[0].inputs if i.plane})
        where = f" on {' and '.join(planes)}" if planes else ""
        inverter = self.inverter_name or "inverter not named"
        return f"{inverter} with {' and '.join(names)}{where}, {_count(len(self.units), 'unit')}"

    @property
    def members(self) -> tuple[str, ...]:
        return tuple(unit.serial for unit in self.units)


def input_groups(site: SiteDescription) -> tuple[InputGroup, ...]:
    """Groups in the order of their first input."""
    flat = [(unit, i) for unit in site.units for i in unit.inputs]
    keyed = [((i.module, unit.inverter), ref) for (unit, i), ref in zip(flat, site.inputs, strict=True)]
    return tuple(InputGroup(m, v, tuple(refs)) for (m, v), refs in _grouped(keyed).items())


def unit_groups(site: SiteDescription) -> tuple[UnitGroup, ...]:
    """Groups in the order of their first unit; ``refs`` are the inputs of that unit."""
    keyed = [
        ((unit.inverter, tuple((i.module, i.plane) for i in unit.inputs)), (index, unit)) for index, unit in enumerate(site.units)
    ]
    return tuple(
        UnitGroup(
            inverter,
            tuple(unit for _, unit in found),
            tuple(ref for ref in site.inputs if ref.unit_index == found[0][0]),
        )
        for (inverter, _), found in _grouped(keyed).items()
    )


def branches(site: SiteDescription) -> dict[str, tuple[Unit, ...]]:
    """Units by branch, in the order of the file; "" holds those without one."""
    return {name: tuple(found) for name, found in _grouped((u.branch, u) for u in site.units).items()}


def gateways(site: SiteDescription) -> dict[str, tuple[Unit, ...]]:
    """Units by gateway, in the order of the file."""
    return {name: tuple(found) for name, found in _grouped((u.gateway, u) for u in site.units).items()}


def _grouped(keyed: Iterable[tuple[K, T]]) -> dict[K, Sequence[T]]:
    found: dict[K, list[T]] = {}
    for key, value in keyed:
        found.setdefault(key, []).append(value)
    return dict(found)


def _count(n: int, one: str) -> str:
    return f"{n} {one}{'' if n == 1 else 's'}"
