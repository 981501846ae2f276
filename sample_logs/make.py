"""Make the three sample sites: ``python -m sample_logs.make [FOLDER]``.

The contractor, the customers and the streets are invented; the coordinates lie
in open country. Everything is seeded: the same bytes come out every time.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import numpy as np

from sample_logs.sim import faults as make
from sample_logs.sim.faults import DAY, Fault
from sample_logs.sim.layout import Layout, Place, draw_layout
from sample_logs.sim.module import ModuleType, make_module
from sample_logs.sim.obstacles import Box, Horizon, Tree
from sample_logs.sim.plant import World
from sample_logs.sim.site import SimSite, make_world, simulate
from sample_logs.sim.sky import make_sky
from sample_logs.sim.style import Style

_DAYS = 30
_PLAIN = Style(module_spread=0.012, noise=0.004, packet_loss=0.003, gateway_log=True, start_delay_s=120.0, cloudiness=0.4)


def _world(
    seed: int,
    place: Place,
    style: Style,
    first: date,
    inputs: int,
    per_unit: int,
    planes: list[tuple[float, float]],
    module: ModuleType,
    rated_va: float,
    serials: Callable[[int], str],
    snow_day: int | None = None,
) -> World:
    def rng(purpose: int) -> np.random.Generator:
        return np.random.default_rng([seed, purpose])

    layout: Layout = draw_layout(rng(1), style, place, inputs, per_unit, planes, module, gateways=1, rated_va=rated_va, even=True)
    layout = replace(
        layout,
        serials=tuple(serials(n) for n in range(layout.units)),
        unit_branch=tuple(f"branch-{1 + n // 6}" for n in range(layout.units)),
    )
    start = int(datetime(first.year, first.month, first.day, tzinfo=UTC).timestamp())
    start -= round(place.longitude * 240) // 300 * 300
    sky = make_sky(rng(2), place.latitude, place.longitude, place.altitude_m, start, _DAYS, 300, style, None, snow_day)
    return make_world(layout, style, sky, rng(3))


def _at(world: World, day: float, end: float | None = None) -> tuple[int, int]:
    """From ``day`` (counted from the first, fractions are hours) to ``end`` or the last sample."""
    a, b = make.whole(world)
    return int(a + day * DAY), b if end is None else int(a + end * DAY)


def _index(world: World, unit: int, number: int) -> int:
    return int(world.layout.inputs_of_unit(unit)[number - 1])


def _toward(world: World, i: int, azimuth: float, metres: float) -> tuple[float, float]:
    c = world.layout.centre[i]
    return c[0] + metres * np.sin(np.radians(azimuth)), c[1] + metres * np.cos(np.radians(azimuth))


def bakery() -> SimSite:
    """24 inputs on 4-input units, two planes, south of the equator, spring; a station on the roof."""
    seed = 71
    place = Place(-34.52, 147.11, 240, "Australia/Sydney", 230, 50, 180, 258, 47, 52, 60)
    style = replace(_PLAIN, weather="ghi", cloudiness=0.45)
    module = make_module("half-cut-415", 54, 13.9, 0.688, 1.06, 0.0039, 9, half_cut=True, alpha_pct_k=0.045)
    world = _world(
        seed,
        place,
        style,
        date(2025, 9, 20),
        24,
        4,
        [(285.0, 22.0), (12.0, 22.0)],
        module,
        1500.0,
        lambda n: f"QB4{83 + 7 * n:04d}",
    )
    rng = np.random.default_rng([seed, 9])
    west = np.flatnonzero(world.layout.plane_of == 0)
    shaded = int(west[0])
    x, y = _toward(world, shaded, 292.0, 4.2)
    tree = Tree(x, y, world.layout.centre[shaded][2] + 1.9, 1.3, 0.12)
    plan = [
        make.cast(world, tree, range(24), "shading", kind="tree"),
        make.dead_input(world, rng, _index(world, 4, 2), _at(world, 11.45)),
        make.unit_standby(world, rng, 2, _at(world, 21.0)),
        make.gateway_silent(world, rng, "gw-1", _at(world, 15.55, 17.4)),
        make.grid_dips(world, rng, 5),
        make.short_gaps(world, rng),
    ]
    return _finish(
        world,
        plan,
        "quillfen-bakery",
        "Quillfen Bakery, Tannery Rise",
        date(2023, 3, 6),
        seed,
        tariff_per_kwh=0.28,
        currency="AUD",
        record_low_c=-6.0,
        region="Quillfen",
        visit_cost=220.0,
    )


def farmhouse() -> SimSite:
    """12 inputs on 2-input units, east and west, north of the equator, the clocks go back; no station."""
    seed = 72
    place = Place(51.83, 9.62, 190, "Europe/Berlin", 230, 50, 195.5, 253, 47.5, 51.5, 60)
    style = replace(_PLAIN, cloudiness=0.5, label="start", packet_loss=0.006)
    module = make_module("mono-330", 60, 10.3, 0.683, 1.05, 0.0044, 10, alpha_pct_k=0.05)
    world = _world(
        seed,
        place,
        style,
        date(2025, 10, 6),
        12,
        2,
        [(95.0, 38.0), (275.0, 38.0)],
        module,
        600.0,
        lambda n: f"{0x5A31C0 + 11 * n:08X}",
    )
    rng = np.random.default_rng([seed, 9])
    lay = world.layout
    east = np.flatnonzero(lay.plane_of == 0)
    west = np.flatnonzero(lay.plane_of == 1)
    shaded = int(east[1])
    x, y = _toward(world, shaded, 138.0, 1.6)
    chimney = Box(x, y, 0.7, lay.centre[shaded][2] + 1.5)
    azimuths = tuple(float(a) for a in range(0, 360, 30))
    hills = Horizon(azimuths, (1.0, 2.0, 4.0, 5.0, 3.0, 1.0, 1.0, 2.0, 4.0, 3.0, 2.0, 1.0))
    skyline = make.cast(world, hills, range(12), "far-horizon")
    if skyline:
        skyline.lookalike = True
    plan = [
        skyline,
        make.cast(world, chimney, range(12), "shading", kind="chimney"),
        make.substring_loss(world, rng, int(west[3]), 1, _at(world, 8.5)),
        make.patchy_comms(world, rng, [int(lay.unit_of[west[5]])], _at(world, 12.0)),
        make.swapped_record(world, rng, int(east[4]), int(west[0])),
    ]
    return _finish(
        world,
        plan,
        "ambrel-farmhouse",
        "Ambrel Farmhouse, Lower Cutting",
        date(2021, 6, 18),
        seed,
        tariff_per_kwh=0.31,
        currency="EUR",
        record_low_c=-19.0,
        region="Ambrel",
        visit_cost=180.0,
    )


def cottage() -> SimSite:
    """6 inputs on 1-input units, two planes, a cold January; irradiance in the plane of each."""
    seed = 73
    place = Place(44.31, -72.86, 320, "America/New_York", 240, 60, 211.2, 264, 58.5, 61.2, 300)
    style = replace(_PLAIN, weather="poa", cloudiness=0.4, start_delay_s=240.0)
    module = make_module("mono-365", 60, 10.9, 0.70, 1.04, 0.0042, 11, alpha_pct_k=0.04)
    world = _world(
        seed,
        place,
        style,
        date(2026, 1, 4),
        6,
        1,
        [(172.0, 33.0), (262.0, 33.0)],
        module,
        330.0,
        lambda n: f"tc-{401 + 3 * n}",
        snow_day=9,
    )
    rng = np.random.default_rng([seed, 9])
    plan = [
        make.snow(world, rng, 9),
        make.unit_silent(world, rng, 1, False, _at(world, 4.5, 8.4)),
        make.idle_input(world, rng, 4, _at(world, 18.0)),
        make.unit_replaced(world, rng, 0),
        make.grid_dips(world, rng, 4),
    ]
    return _finish(
        world,
        plan,
        "tessaway-cottage",
        "Tessaway Cottage, Old Weir Lane",
        date(2022, 9, 1),
        seed,
        tariff_per_kwh=0.22,
        currency="USD",
        record_low_c=-34.0,
        region="Tessaway",
        visit_cost=260.0,
    )


def _finish(
    world: World,
    plan: Sequence[Fault | None],
    site_id: str,
    name: str,
    commissioned: date,
    seed: int,
    **facts: Any,
) -> SimSite:
    faults = [f for f in plan if f is not None]
    rng = np.random.default_rng([seed, 4])
    return simulate(world, faults, rng, 300, site_id, name, commissioned, seed, site_id, None, **facts)


SITES: dict[str, Callable[[], SimSite]] = {
    "ambrel-farmhouse": farmhouse,
    "quillfen-bakery": bakery,
    "tessaway-cottage": cottage,
}


def describe(sites: dict[str, SimSite]) -> str:
    """The text kept beside the samples: what is true, for people."""
    lines = [
        "# The sample sites",
        "",
        "Bramblewick Rooftop Works, its customers and their streets are invented.",
        "`python -m sample_logs.make` wrote these files; the physics (`sample_logs/sim`) shares nothing",
        "with the rules. `truth.json` beside each site holds the same for programs.",
        "",
    ]
    for site_id, site in sites.items():
        lines += [f"## {site_id}", "", (SITES[site_id].__doc__ or "").strip(), ""]
        for t in site.truth:
            if t.fault == "clipping":
                continue
            place = f"{t.unit}/{t.input}" if t.input else t.unit or t.gateway or t.plane or "whole site"
            lines.append(f"- `{t.fault}` at {place}, {t.first_day} to {t.last_day}, {t.lost_wh / 1000:.1f} kWh lost")
        clipped = sorted({t.unit for t in site.truth if t.fault == "clipping" and t.unit})
        if clipped:
            lines.append(f"- `clipping` (for information) at {', '.join(clipped)}")
        lines += [f"- no fault, though it may look like one: {t.fault}" for t in site.lookalikes]
        lines.append("")
    return "\n".join(lines).rstrip() + "\n"


def main() -> None:
    """Write every sample site under the given folder."""
    parser = argparse.ArgumentParser(prog="python -m sample_logs.make", description=__doc__)
    parser.add_argument("folder", nargs="?", type=Path, default=Path(__file__).resolve().parent / "sites")
    folder = parser.parse_args().folder
    sites = {site_id: build() for site_id, build in SITES.items()}
    for site_id, site in sites.items():
        paths = site.write(folder / site_id)
        size = sum(p.stat().st_size for p in paths.values())
        print(f"{site_id}: {len(site.telemetry)} rows, {size / 1e6:.2f} MB")
    (folder / "TRUTH.md").write_text(describe(sites), encoding="utf-8")


if __name__ == "__main__":
    main()
