"""Shade: something stands between the sun and the modules."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_logs.sim.faults.cause import Fault, whole
from sample_logs.sim.obstacles import Box, Obstacle, Tree, Wall, module_points
from sample_logs.sim.plant import Conditions, World

F = NDArray[np.float64]


def obstacle_passes(world: World, obstacle: Obstacle, i: int) -> F | None:
    """Beam share [T, substrings, halves] at input ``i``, or None if it never hides the sun."""
    lay, sky = world.layout, world.sky
    up = np.flatnonzero(sky.sun_elevation_deg > 0)
    az, el = sky.sun_azimuth_deg[up], sky.sun_elevation_deg[up]
    age = up / len(world.ts)
    soft = world.style.softness
    module = lay.modules[lay.module_of[i]]
    right, down = lay.planes[lay.plane_of[i]].axes()
    reach = [lay.centre[i] + s * 0.5 * right + d * 0.8 * down for s in (-1, 1) for d in (-1, 1)]
    rough = np.min([obstacle.passes(az, el, p, 2 * soft, age) for p in (lay.centre[i], *reach)], axis=0)
    if rough.min() > 0.9:
        return None
    hit = np.flatnonzero(rough < 0.999)
    points = module_points(lay.centre[i], right, down, module.width_m, module.length_m, module.substrings, lay.portrait)
    share = np.ones((len(world.ts), module.substrings, 2))
    for k in range(points.shape[0]):
        for h in range(2):
            seen = [obstacle.passes(az[hit], el[hit], points[k, h, q], soft, age[hit]) for q in range(points.shape[2])]
            share[up[hit], k, h] = np.min(seen, axis=0)
    return share


def cast(world: World, obstacle: Obstacle, inputs: Sequence[int], slug: str, **details: Any) -> Fault | None:
    """The shade of one obstacle on ``inputs``; None when it touches none of them."""
    shares = {i: s for i in inputs if (s := obstacle_passes(world, obstacle, i)) is not None}
    if not shares:
        return None
    hidden = {i: obstacle.sky_share(world.layout.centre[i]) for i in shares}

    def physical(cond: Conditions) -> None:
        for i, s in shares.items():
            cond.passes[i] = cond.passes[i] * s if i in cond.passes else s
            cond.sky_hidden[i] = 1 - (1 - cond.sky_hidden.get(i, 0.0)) * (1 - hidden[i])

    start, end = whole(world)
    shown = {"obstacle": obstacle, "shade": {i: _shade(world, i, s) for i, s in shares.items()}, **details}
    return Fault(slug, start, end, tuple(shares), "input", shown, physical)


def _shade(world: World, i: int, share: F) -> dict[str, float]:
    """Where the sun stands while it is hidden: middle azimuth and elevation, highest elevation; degrees.

    Weighted by the beam taken away, under the clouds that there were.
    """
    sky = world.sky
    taken = world.light[world.layout.plane_of[i]].beam * (1 - share.mean(axis=(1, 2)))
    if taken.sum() <= 0:
        return {}
    turn = np.sum(taken * np.exp(1j * np.radians(sky.sun_azimuth_deg)))
    high = sky.sun_elevation_deg[taken > 0.1 * taken.max()]
    return {
        "shade_azimuth_deg": round(float(np.degrees(np.angle(turn)) % 360), 1),
        "shade_elevation_deg": round(float(np.sum(taken * sky.sun_elevation_deg) / taken.sum()), 1),
        "shade_top_deg": round(float(np.quantile(high, 0.98)), 1),
    }


def _sunny_direction(world: World, plane: int, rng: np.random.Generator, highest: float) -> tuple[float, float]:
    """Azimuth and elevation (up to ``highest``) of the sun at a random moment that matters to the plane."""
    sky = world.sky
    zen = np.radians(90 - sky.sun_elevation_deg)
    p = world.layout.planes[plane]
    aoi_cos = np.cos(zen) * np.cos(np.radians(p.tilt_deg)) + np.sin(zen) * np.sin(np.radians(p.tilt_deg)) * np.cos(
        np.radians(sky.sun_azimuth_deg - p.azimuth_deg)
    )
    weight = sky.clear_ghi * np.maximum(aoi_cos, 0)
    weight = weight * (sky.sun_elevation_deg > 6) * (sky.sun_elevation_deg < highest)
    if weight.sum() <= 0:
        weight = sky.clear_ghi + 1e-6
    k = int(rng.choice(len(weight), p=weight / weight.sum()))
    return float(sky.sun_azimuth_deg[k]), float(sky.sun_elevation_deg[k])


#: Kind: chance, nearest and farthest distance (m), greatest height above the module (m).
_KINDS: dict[str, tuple[float, float, float, float]] = {
    "tree": (0.26, 4.0, 18.0, 10.0),
    "growing-tree": (0.08, 3.0, 12.0, 8.0),
    "chimney": (0.26, 1.5, 4.5, 2.4),
    "pole": (0.10, 1.4, 6.0, 4.0),
    "dormer": (0.12, 1.5, 7.0, 3.0),
    "building": (0.08, 7.0, 30.0, 12.0),
    "row": (0.10, 1.0, 2.0, 1.2),
}


def shading(world: World, rng: np.random.Generator, kind: str | None = None, target: int | None = None) -> Fault | None:
    """An obstacle that hides the sun from ``target`` and whatever stands near it."""
    lay = world.layout
    target = int(rng.integers(lay.inputs)) if target is None else target
    chances = [k[0] for k in _KINDS.values()]
    kind = kind or str(rng.choice(list(_KINDS), p=chances))
    _, near, far, tall = _KINDS[kind]
    d = float(np.exp(rng.uniform(np.log(near), np.log(far))))
    steepest = float(np.degrees(np.arctan2(tall, d)))
    az, el = _sunny_direction(world, int(lay.plane_of[target]), rng, max(steepest, 12.0))
    c = lay.centre[target]
    east, north = np.sin(np.radians(az)), np.cos(np.radians(az))
    x, y = c[0] + d * east, c[1] + d * north

    def top(extra_deg: float) -> float:
        return float(c[2] + min(d * np.tan(np.radians(min(el + extra_deg, 80))), tall))

    obstacle: Obstacle
    if kind in ("tree", "growing-tree"):
        z = top(0.0) - float(rng.uniform(0.0, 0.25)) * (top(0.0) - c[2])
        half = float(rng.uniform(7, 18))
        radius = float(np.hypot(d, z - c[2]) * np.sin(np.radians(half)))
        porosity = float(rng.uniform(0.0, 0.35))
        growth = float(rng.uniform(0.3, 0.9)) if kind == "growing-tree" else 0.0
        obstacle = Tree(x, y, z, radius, porosity, growth)
    elif kind == "chimney":
        obstacle = Box(x, y, float(rng.uniform(0.35, 0.9)), top(float(rng.uniform(1, 15))))
    elif kind == "pole":
        obstacle = Box(x, y, float(rng.uniform(0.06, 0.2)), top(float(rng.uniform(5, 30))), "pole")
    else:
        width = float(rng.uniform(4, 12) if kind == "row" else rng.uniform(0.4, 1.3) * d)
        ax, ay = north * width / 2, -east * width / 2
        obstacle = Wall(x - ax, y - ay, x + ax, y + ay, top(float(rng.uniform(0, 8))), kind=kind)
    made = cast(world, obstacle, range(lay.inputs), "shading", kind=kind)
    if made is not None:
        made.details["direction"] = {int(i): _seen_from(obstacle, lay.centre[i]) for i in made.inputs}
    return made


def _seen_from(obstacle: Obstacle, point: F) -> tuple[float, float]:
    """Azimuth of the middle and elevation of the top, degrees."""
    if isinstance(obstacle, Tree):
        dx, dy, top = (
            obstacle.x - point[0],
            obstacle.y - point[1],
            obstacle.crown_z + obstacle.radius - point[2],
        )
    elif isinstance(obstacle, Box):
        dx, dy, top = obstacle.x - point[0], obstacle.y - point[1], obstacle.top_z - point[2]
    elif isinstance(obstacle, Wall):
        dx, dy = (obstacle.x1 + obstacle.x2) / 2 - point[0], (obstacle.y1 + obstacle.y2) / 2 - point[1]
        top = obstacle.top_z - point[2]
    else:
        return float("nan"), float("nan")
    return round(float(np.degrees(np.arctan2(dx, dy)) % 360), 1), round(float(np.degrees(np.arctan2(top, np.hypot(dx, dy)))), 1)
