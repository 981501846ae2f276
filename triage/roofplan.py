"""The roof plan as a small drawing: where each input sits, and which of them a finding names."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from collectors.site import InputRef, SiteDescription
from rules.finding import Finding
from triage.wording import wording

SLOT_W: Final = 84
SLOT_H: Final = 42
_GAP: Final = 6


@dataclass(frozen=True)
class Slot:
    """One input on the drawing, in its pixels; ``marks`` are the symbols of its findings,
    ``numbers`` their order in the list that was passed, from 1."""

    x: int
    y: int
    label: str
    unit: str
    input: int
    marks: str
    numbers: str
    told: str


@dataclass(frozen=True)
class RoofPlane:
    """One plane with its slots; ``placed`` is False when the site file gives no rows and columns."""

    name: str
    facing: str
    width: int
    height: int
    slots: tuple[Slot, ...]
    placed: bool


def roof_plan(site: SiteDescription, findings: Iterable[Finding]) -> tuple[RoofPlane, ...]:
    """Every plane of the site; inputs without a place are lined up in the file's order."""
    named = list(findings)
    planes: dict[str, list[InputRef]] = {}
    for ref in site.inputs:
        planes.setdefault(ref.plane, []).append(ref)
    return tuple(_plane(site, name, refs, named) for name, refs in planes.items())


def spot_of(site: SiteDescription, ref: InputRef) -> tuple[int | None, int | None]:
    """Row and column of an input, counted from 1 from the top left, also where the site file counts from 0."""
    if ref.row is None or ref.column is None:
        return ref.row, ref.column
    first = int(any(0 in (other.row, other.column) for other in site.inputs))
    return ref.row + first, ref.column + first


def touches(finding: Finding, ref: InputRef) -> bool:
    """Whether a finding is about this input alone, its unit, or its branch of units."""
    if finding.unit is None:
        return False
    return finding.unit == ref.unit and finding.input in (None, ref.input)


def facing(azimuth_deg: float | None, tilt_deg: float | None) -> str:
    """Orientation for people: ``faces 180° (S), tilt 30°``."""
    parts = []
    if azimuth_deg is not None:
        point = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")[round(azimuth_deg / 45) % 8]
        parts.append(f"faces {azimuth_deg:.0f}° ({point})")
    if tilt_deg is not None:
        parts.append(f"tilt {tilt_deg:.0f}°")
    return ", ".join(parts) or "orientation not on file"


def _plane(site: SiteDescription, name: str, refs: list[InputRef], findings: list[Finding]) -> RoofPlane:
    placed = all(ref.row is not None and ref.column is not None for ref in refs)
    spots = {ref.index: (ref.column or 0, ref.row or 0) for ref in refs}
    if not placed or len(set(spots.values())) < len(refs):
        placed, spots = False, {ref.index: (n % 8, n // 8) for n, ref in enumerate(refs)}
    left = min(column for column, _ in spots.values())
    top = min(row for _, row in spots.values())
    slots = []
    for ref in refs:
        column, row = spots[ref.index]
        hits = [f for f in findings if touches(f, ref)]
        slots.append(
            Slot(
                x=_GAP + (column - left) * (SLOT_W + _GAP),
                y=_GAP + (row - top) * (SLOT_H + _GAP),
                label=ref.label if len(ref.label) <= 11 else f"…{ref.label[-10:]}",
                unit=ref.unit,
                input=ref.input,
                marks=" ".join(dict.fromkeys(wording(f.fault).symbol for f in hits)),
                numbers=", ".join(str(n) for n, f in enumerate(findings, 1) if touches(f, ref)),
                told=f"{ref.label}: " + ("; ".join(wording(f.fault).title for f in hits) or "nothing found"),
            )
        )
    plane = site.planes.get(name)
    return RoofPlane(
        name=name or "roof",
        facing=facing(plane.azimuth_deg, plane.tilt_deg) if plane else "orientation not on file",
        width=max(s.x for s in slots) + SLOT_W + _GAP,
        height=max(s.y for s in slots) + SLOT_H + _GAP,
        slots=tuple(slots),
        placed=placed,
    )
