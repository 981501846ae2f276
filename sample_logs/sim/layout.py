"""What stands on the roof: place, planes, modules, units, and the site file about them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import tomlkit
from numpy.typing import NDArray

from sample_logs.sim.module import ModuleType, make_module
from sample_logs.sim.style import Style

F = NDArray[np.float64]


@dataclass(frozen=True)
class Place:
    """Where, and what the grid is like there."""

    latitude: float
    longitude: float
    altitude_m: float
    timezone: str
    nominal_v: float
    nominal_hz: float
    low_v: float
    high_v: float
    low_hz: float
    high_hz: float
    reconnect_s: float


# Rough regions, jittered by up to a degree: no customer's address. Windows are round
# figures in the range of common practice; a real site takes them from its own profile.
_REGIONS: tuple[tuple[float, float, float, str, float, float], ...] = (
    (40.4, -3.7, 650, "Europe/Madrid", 230, 50),
    (52.1, 5.1, 5, "Europe/Amsterdam", 230, 50),
    (59.3, 17.0, 20, "Europe/Stockholm", 230, 50),
    (67.8, 20.3, 400, "Europe/Stockholm", 230, 50),
    (51.5, -1.3, 60, "Europe/London", 230, 50),
    (37.9, 23.6, 80, "Europe/Athens", 230, 50),
    (-33.7, 150.6, 60, "Australia/Sydney", 230, 50),
    (-34.9, 138.7, 50, "Australia/Adelaide", 230, 50),
    (-27.5, 152.8, 40, "Australia/Brisbane", 230, 50),
    (-37.8, 145.1, 60, "Australia/Melbourne", 230, 50),
    (-36.9, 174.7, 30, "Pacific/Auckland", 230, 50),
    (-43.5, 172.4, 20, "Pacific/Auckland", 230, 50),
    (-33.0, -70.8, 500, "America/Santiago", 220, 50),
    (-23.5, -46.8, 760, "America/Sao_Paulo", 220, 60),
    (-0.2, -78.4, 2600, "America/Guayaquil", 120, 60),
    (1.3, 103.8, 20, "Asia/Singapore", 230, 50),
    (-1.3, 36.8, 1600, "Africa/Nairobi", 240, 50),
    (-26.1, 28.1, 1600, "Africa/Johannesburg", 230, 50),
    (34.0, -118.0, 80, "America/Los_Angeles", 240, 60),
    (39.9, -105.1, 1600, "America/Denver", 240, 60),
    (33.5, -112.0, 330, "America/Phoenix", 240, 60),
    (41.0, -74.2, 60, "America/New_York", 240, 60),
    (45.5, -73.8, 40, "America/Toronto", 240, 60),
    (21.3, -157.9, 30, "Pacific/Honolulu", 240, 60),
    (28.6, 77.0, 220, "Asia/Kolkata", 230, 50),
    (35.6, 139.5, 40, "Asia/Tokyo", 202, 50),
    (31.9, 35.0, 300, "Asia/Jerusalem", 230, 50),
    (-12.1, -76.9, 120, "America/Lima", 220, 60),
    (64.1, -21.5, 40, "Atlantic/Reykjavik", 230, 50),
    (-54.7, -68.2, 30, "America/Argentina/Ushuaia", 220, 50),
)


def draw_place(rng: np.random.Generator, index: int | None = None) -> Place:
    """A place at random (or near region ``index``)."""
    lat, lon, alt, zone, volts, hertz = _REGIONS[rng.integers(len(_REGIONS)) if index is None else index]
    return Place(
        round(lat + rng.uniform(-0.6, 0.6), 4),
        round(lon + rng.uniform(-0.6, 0.6), 4),
        round(max(1.0, alt * rng.uniform(0.7, 1.3))),
        zone,
        volts,
        hertz,
        round(volts * float(rng.choice([0.85, 0.88, 0.9])), 1),
        round(volts * float(rng.choice([1.1, 1.12, 1.15])), 1),
        hertz - float(rng.choice([0.7, 1.5, 2.5])),
        hertz + float(rng.choice([0.5, 1.2, 2.0])),
        float(rng.choice([30, 60, 180, 300, 600])),
    )


@dataclass(frozen=True)
class UnitType:
    """A module-level inverter type."""

    name: str
    rated_va: float
    inputs: int
    start_v: float
    mppt_min_v: float
    mppt_max_v: float
    max_input_v: float
    max_input_a: float
    efficiency: float


@dataclass(frozen=True)
class Plane:
    """A roof plane, with the position of its lower left corner (m)."""

    name: str
    azimuth_deg: float
    tilt_deg: float
    origin: tuple[float, float, float]
    heat_loss: float
    wind_loss: float

    def axes(self) -> tuple[F, F]:
        """Unit vectors to the right (as seen from below, facing the slope) and down the slope."""
        a, b = np.radians(self.azimuth_deg), np.radians(self.tilt_deg)
        down = np.array([np.sin(a) * np.cos(b), np.cos(a) * np.cos(b), -np.sin(b)])
        return np.array([np.cos(a), -np.sin(a), 0.0]), down


@dataclass(frozen=True)
class Layout:
    """The whole plant; arrays are per input, in the site file's order."""

    place: Place
    planes: tuple[Plane, ...]
    modules: tuple[ModuleType, ...]
    unit_types: tuple[UnitType, ...]
    serials: tuple[str, ...]
    unit_type: NDArray[np.int64]
    unit_gateway: tuple[str, ...]
    unit_branch: tuple[str, ...]
    unit_of: NDArray[np.int64]
    number: NDArray[np.int64]
    plane_of: NDArray[np.int64]
    module_of: NDArray[np.int64]
    row: NDArray[np.int64]
    column: NDArray[np.int64]
    centre: F
    portrait: bool
    strength: F
    rating_w: F

    @property
    def inputs(self) -> int:
        return len(self.unit_of)

    @property
    def units(self) -> int:
        return len(self.serials)

    def inputs_of_unit(self, unit: int) -> NDArray[np.int64]:
        return np.flatnonzero(self.unit_of == unit)


def draw_module(rng: np.random.Generator, name: str, linear: bool) -> ModuleType:
    """A module type at random, from 48 to 96 cells, 250 to 480 W."""
    half = bool(rng.random() < 0.45)
    cells = int(rng.choice([54, 60, 60, 66, 72, 96]))
    return make_module(
        name,
        cells=cells,
        isc_a=float(rng.uniform(8.8, 14.0) if half else rng.uniform(8.6, 10.6)) * (60 / cells) ** 0.4,
        voc_cell_v=float(rng.uniform(0.62, 0.74)),
        ideality=float(rng.uniform(1.0, 1.2)),
        series_cell_ohm=float(rng.uniform(0.003, 0.006)),
        shunt_cell_ohm=float(rng.uniform(3, 20)),
        substrings=3,
        half_cut=half,
        alpha_pct_k=float(rng.uniform(0.03, 0.065)),
        linear=linear,
    )


def draw_layout(
    rng: np.random.Generator,
    style: Style,
    place: Place | None = None,
    inputs: int | None = None,
    per_unit: int | None = None,
    planes: list[tuple[float, float]] | None = None,
    module: ModuleType | None = None,
    gateways: int | None = None,
    rated_va: float | None = None,
    mixed: bool | None = None,
    even: bool = False,
) -> Layout:
    """A plant at random; whatever is given stays."""
    place = place or draw_place(rng)
    sunny = 180.0 if place.latitude >= 0 else 0.0
    if inputs is None:
        inputs = int(rng.choice([1, 2, 3, 4, 6, 8, 10, 12, 16, 20, 24, 32, 48], p=_SIZES))
    if per_unit is None:
        per_unit = int(rng.choice([1, 2, 4], p=[0.4, 0.4, 0.2]))
    if planes is None:
        count = int(min(max(1, inputs // 3), rng.choice([1, 2, 3, 4], p=[0.35, 0.4, 0.15, 0.1])))
        first = sunny + float(rng.normal(0, 45))
        planes = [(first, float(rng.choice([5, 10, 15, 20, 25, 30, 35, 45, 60])))]
        for _ in range(count - 1):
            turned = first + float(rng.choice([90, 180, 270, rng.uniform(30, 330)]))
            planes.append((turned, float(rng.uniform(5, 45))))
    chosen = [
        Plane(
            ["north", "east", "south", "west"][int(((a % 360) + 45) // 90) % 4] + f"-{n + 1}",
            round(a % 360, 1),
            round(t, 1),
            (14.0 * (n % 2), 14.0 * (n // 2), 4.0),
            float(rng.uniform(19, 29)),
            float(rng.uniform(2, 6.5)),
        )
        for n, (a, t) in enumerate(planes)
    ]
    modules = [module or draw_module(rng, "panel-a", style.linear_module)]
    if mixed or (mixed is None and module is None and inputs > 6 and rng.random() < 0.2):
        modules.append(draw_module(rng, "panel-b", style.linear_module))
    tight = float(rng.choice([0.72, 0.82, 0.92, 1.05, 1.25], p=[0.15, 0.25, 0.3, 0.2, 0.1]))
    rated = rated_va or float(round(modules[0].pmax_w * per_unit * tight / 10) * 10)
    top_v = max(60.0, modules[0].voc_v * 1.25)
    kind = UnitType(f"micro-{per_unit}", rated, per_unit, 20.0, 16.0, top_v, top_v, 14.0, float(rng.uniform(0.95, 0.97)))

    share = rng.dirichlet(np.full(len(chosen), 6.0)) * inputs
    if even:
        share = np.full(len(chosen), inputs / len(chosen))
    per_plane = np.maximum(1, np.round(share)).astype(int)
    while per_plane.sum() != inputs:
        per_plane[per_plane.argmax()] += int(np.sign(inputs - per_plane.sum()))
    plane_of = np.repeat(np.arange(len(chosen)), per_plane)
    portrait = bool(rng.random() < 0.65)
    module_of = np.zeros(inputs, dtype=np.int64)
    if len(modules) > 1:
        by_plane = rng.random() < 0.5
        module_of[plane_of == plane_of[-1] if by_plane else np.arange(inputs) >= inputs * 2 // 3] = 1
    row = np.zeros(inputs, dtype=np.int64)
    column = np.zeros(inputs, dtype=np.int64)
    centre = np.zeros((inputs, 3))
    for p, plane in enumerate(chosen):
        mine = np.flatnonzero(plane_of == p)
        wide = max(1, int(np.ceil(len(mine) / max(1, int(np.sqrt(len(mine) / 2))))))
        right, down = plane.axes()
        m = modules[0]
        w, h = (m.width_m, m.length_m) if portrait else (m.length_m, m.width_m)
        row[mine], column[mine] = np.arange(len(mine)) // wide, np.arange(len(mine)) % wide
        centre[mine] = np.array(plane.origin) + column[mine][:, None] * (w + 0.02) * right - row[mine][:, None] * (h + 0.02) * down
    # A unit takes neighbours of one plane where it can; the last of a plane may run short.
    unit_of = np.zeros(inputs, dtype=np.int64)
    number = np.zeros(inputs, dtype=np.int64)
    u = -1
    for p in range(len(chosen)):
        for j, i in enumerate(np.flatnonzero(plane_of == p)):
            if j % per_unit == 0:
                u += 1
            unit_of[i], number[i] = u, j % per_unit + 1
    units = u + 1
    look = int(rng.integers(4))
    base = int(rng.integers(10**7, 10**8))
    serials = tuple(
        [
            f"{base + 7 * n}",
            f"MU{base % 100000:05d}{n + 1:03d}",
            f"{base * 16 + n * 3:08x}".upper(),
            f"unit-{n + 1:02d}",
        ][look]
        for n in range(units)
    )
    count = gateways or (2 if units >= 12 and rng.random() < 0.25 else 1)
    gateway = tuple(f"gw-{1 + n * count // units}" for n in range(units))
    per_branch = int(rng.integers(4, 12))
    branch = tuple(f"b{1 + n // per_branch}" for n in range(units))
    ratings = np.array([round(modules[k].pmax_w / 5) * 5.0 for k in module_of])
    strength = 1 + style.rating_bias + style.module_spread * np.clip(rng.normal(size=inputs), -2.2, 2.2)
    return Layout(
        place,
        tuple(chosen),
        tuple(modules),
        (kind,),
        serials,
        np.zeros(units, dtype=np.int64),
        gateway,
        branch,
        unit_of,
        number,
        plane_of,
        module_of,
        row,
        column,
        centre,
        portrait,
        strength,
        ratings,
    )


_SIZES = [0.03, 0.05, 0.04, 0.08, 0.12, 0.12, 0.12, 0.14, 0.1, 0.08, 0.07, 0.03, 0.02]


def site_toml(layout: Layout, site_id: str, name: str, style: Style, commissioned: date, **facts: Any) -> str:
    """The site file, as complete as this site's installer was careful."""
    place = layout.place
    sparse = style.site_file == "sparse"
    doc: dict[str, Any] = {
        "site": {
            "id": site_id,
            "name": name,
            "latitude": place.latitude,
            "longitude": place.longitude,
            "altitude_m": place.altitude_m,
            "timezone": place.timezone,
            "commissioned": commissioned,
            "tariff_per_kwh": 0.25,
            "currency": "EUR",
            **facts,
        },
        "grid": {
            "nominal_v": place.nominal_v,
            "nominal_hz": place.nominal_hz,
            "low_v": place.low_v,
            "high_v": place.high_v,
            "low_hz": place.low_hz,
            "high_hz": place.high_hz,
            "reconnect_s": place.reconnect_s,
        },
        "modules": {},
        "inverters": {},
        "planes": {},
        "units": [],
    }
    for n, m in enumerate(layout.modules):
        full = {
            "pmax_w": round(m.pmax_w / 5) * 5.0,
            "vmp_v": round(m.vmp_v, 1),
            "imp_a": round(m.imp_a, 2),
            "voc_v": round(m.voc_v, 1),
            "isc_a": round(m.isc_a, 2),
            "gamma_pmax_pct_k": round(m.gamma_pmax_pct_k, 2),
            "beta_voc_pct_k": round(m.beta_voc_pct_k, 2),
            "alpha_isc_pct_k": round(m.alpha_isc_pct_k, 3),
            "cells": m.cells,
            "substrings": m.substrings,
        }
        keep = ("pmax_w", "voc_v", "vmp_v") if sparse and n == 0 else tuple(full)
        doc["modules"][m.name] = {k: full[k] for k in keep}
    for t in layout.unit_types:
        doc["inverters"][t.name] = {
            "rated_va": t.rated_va,
            "inputs": t.inputs,
            "start_v": t.start_v,
            "mppt_min_v": t.mppt_min_v,
            "mppt_max_v": round(t.mppt_max_v, 1),
            "max_input_v": round(t.max_input_v, 1),
            "max_input_a": t.max_input_a,
        }
    for p in layout.planes:
        known = style.site_file != "no_orientation"
        doc["planes"][p.name] = {"azimuth_deg": p.azimuth_deg, "tilt_deg": p.tilt_deg} if known else {}
    for u, serial in enumerate(layout.serials):
        unit: dict[str, Any] = {
            "serial": serial,
            "inverter": layout.unit_types[layout.unit_type[u]].name,
            "gateway": layout.unit_gateway[u],
        }
        if not sparse:
            unit["branch"] = layout.unit_branch[u]
        unit["inputs"] = []
        for i in layout.inputs_of_unit(u):
            one: dict[str, Any] = {
                "input": int(layout.number[i]),
                "module": layout.modules[layout.module_of[i]].name,
                "plane": layout.planes[layout.plane_of[i]].name,
            }
            if not sparse:
                one |= {"row": int(layout.row[i]), "column": int(layout.column[i])}
            unit["inputs"].append(one)
        doc["units"].append(unit)
    return tomlkit.dumps(doc)
