"""Faults made the way they happen, and the healthy things that look like them.

Each builder returns a :class:`Fault`: where, when, and what it does to the
plant (``physical``) or to the record (``recording``).  A look-alike is the same
with ``lookalike=True``: it acts, but is no fault.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_logs.sim.obstacles import Box, Horizon, Obstacle, Tree, Wall, module_points
from sample_logs.sim.plant import FAULT, OFF, STANDBY, STARTING, Conditions, Stop, World
from sample_logs.sim.record import Recording

F = NDArray[np.float64]
B = NDArray[np.bool_]
DAY = 86400


@dataclass
class Fault:
    """One cause: slug, span [start, end) in UTC seconds, the inputs it hits, and its effect."""

    slug: str
    start: int
    end: int
    inputs: tuple[int, ...]
    level: str  # input, unit, branch, plane, gateway, site
    details: dict[str, Any] = field(default_factory=dict)
    physical: Callable[[Conditions], None] | None = None
    recording: Callable[[Recording, int], None] | None = None  # (recording, seconds per slot)
    lookalike: bool = False
    events: list[tuple[int, str, str, str]] = field(default_factory=list)

    def during(self, ts: NDArray[np.int64]) -> B:
        return np.asarray((ts >= self.start) & (ts < self.end))


def whole(world: World) -> tuple[int, int]:
    """The whole simulated span."""
    return int(world.ts[0]), int(world.ts[-1]) + world.sky.step_s


def span(
    world: World,
    rng: np.random.Generator,
    shortest_days: float = 2.0,
    from_start: float = 0.35,
    to_end: float = 0.6,
) -> tuple[int, int]:
    """A span at random: often there from the first day, often still there on the last."""
    a, b = whole(world)
    if b - a <= (shortest_days + 1) * DAY:
        return a, b
    start = a if rng.random() < from_start else int(rng.uniform(a + 0.5 * DAY, b - shortest_days * DAY))
    end = b if rng.random() < to_end else int(rng.uniform(start + shortest_days * DAY, b))
    return start, end


def _slots(world: World, seconds: int) -> NDArray[np.int64]:
    per = seconds // world.sky.step_s
    return world.ts[::per][: len(world.ts) // per]


# -- shade ---------------------------------------------------------------


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
    points = module_points(
        lay.centre[i], right, down, module.width_m, module.length_m, module.substrings, lay.portrait
    )
    share = np.ones((len(world.ts), module.substrings, 2))
    for k in range(points.shape[0]):
        for h in range(2):
            seen = [
                obstacle.passes(az[hit], el[hit], points[k, h, q], soft, age[hit])
                for q in range(points.shape[2])
            ]
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


def _sunny_direction(
    world: World, plane: int, rng: np.random.Generator, highest: float
) -> tuple[float, float]:
    """Azimuth and elevation (up to ``highest``) of the sun at a random moment that matters to the plane."""
    sky = world.sky
    zen = np.radians(90 - sky.sun_elevation_deg)
    p = world.layout.planes[plane]
    aoi_cos = np.cos(zen) * np.cos(np.radians(p.tilt_deg)) + np.sin(zen) * np.sin(
        np.radians(p.tilt_deg)
    ) * np.cos(np.radians(sky.sun_azimuth_deg - p.azimuth_deg))
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


def shading(
    world: World, rng: np.random.Generator, kind: str | None = None, target: int | None = None
) -> Fault | None:
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
    return round(float(np.degrees(np.arctan2(dx, dy)) % 360), 1), round(
        float(np.degrees(np.arctan2(top, np.hypot(dx, dy)))), 1
    )


def far_horizon(world: World, rng: np.random.Generator) -> Fault | None:
    """Look-alike: hills, or the roof's own ridge, that shorten the day of a whole plane or site alike."""
    lay = world.layout
    az = tuple(float(a) for a in np.arange(0, 360, 20))
    obstacle = Horizon(az, tuple(float(h) for h in np.abs(rng.normal(0, 1, 18)) * rng.uniform(2, 5)))
    inputs = np.arange(lay.inputs)
    if len(lay.planes) > 1 and rng.random() < 0.4:
        inputs = np.flatnonzero(lay.plane_of == int(rng.integers(len(lay.planes))))
    made = cast(world, obstacle, [int(i) for i in inputs], "far-horizon")
    if made:
        made.lookalike = True
    return made


# -- dirt, snow, weak, broken modules ------------------------------------


def soiling(world: World, rng: np.random.Generator, uniform: bool | None = None) -> Fault:
    """Dust that gathers day by day and goes with the rain, on some inputs or on all."""
    lay, sky = world.layout, world.sky
    uniform = bool(rng.random() < 0.3) if uniform is None else uniform
    if uniform or lay.inputs < 3:
        inputs = np.arange(lay.inputs)
    elif rng.random() < 0.5:
        low = lay.row == lay.row.max()
        inputs = np.flatnonzero(low if low.sum() < lay.inputs * 0.6 else rng.random(lay.inputs) < 0.3)
    else:
        inputs = np.flatnonzero(rng.random(lay.inputs) < rng.uniform(0.1, 0.45))
    if not len(inputs):
        inputs = np.array([int(rng.integers(lay.inputs))])
    rate = float(rng.uniform(0.003, 0.012))
    cleans_at = float(rng.uniform(2, 8))
    per_day = DAY // sky.step_s
    days = len(sky.ts) // per_day
    rain = sky.rain_mm[: days * per_day].reshape(days, per_day).sum(axis=1)
    level = float(rng.uniform(0.0, 0.18))
    levels = np.empty(days)
    resets = []
    for d in range(days):
        level = min(level + rate * rng.uniform(0.6, 1.4), 0.5)
        if rain[d] > cleans_at:
            level *= float(rng.uniform(0.0, 0.3))
            resets.append(d)
        levels[d] = level
    series = np.repeat(levels, per_day)
    series = np.concatenate([series, np.full(len(sky.ts) - len(series), level)])
    share = {int(i): float(rng.uniform(0.75, 1.25)) for i in inputs}

    def physical(cond: Conditions) -> None:
        for i, s in share.items():
            cond.dim(i, 1 - np.clip(series * s, 0, 0.7))

    a, b = whole(world)
    level_name = "site" if len(inputs) == lay.inputs else "input"
    return Fault(
        "soiling", a, b, tuple(share), level_name, {"rate_per_day": rate, "reset_days": resets}, physical
    )


def snow(world: World, rng: np.random.Generator, day: int) -> Fault:
    """Snow on whole planes after a cold wet day, sliding off unevenly."""
    lay, sky = world.layout, world.sky
    per_day = DAY // sky.step_s
    t0 = day * per_day + int(rng.uniform(0.2, 0.8) * per_day)
    steep = np.array([p.tilt_deg for p in lay.planes])
    planes = [p for p in range(len(lay.planes)) if steep[p] < 55 or rng.random() < 0.3] or [0]
    through = float(rng.choice([0.02, 0.08, 0.2]))
    shares: dict[int, F] = {}
    last = t0
    for p in planes:
        stays = rng.uniform(0.7, 5.0) * (1.3 - steep[p] / 90)
        for i in np.flatnonzero(lay.plane_of == p):
            off = t0 + int(max(0.3, stays * rng.uniform(0.6, 1.5)) * per_day)
            gone = off + int(rng.uniform(0.03, 0.5) * per_day)
            f = np.ones(len(sky.ts))
            f[t0:off] = through
            n = max(0, min(gone, len(f)) - min(off, len(f)))
            if n:
                f[off : off + n] = np.linspace(through, 1, n)
            shares[int(i)] = f
            last = max(last, min(gone, len(f)))

    def physical(cond: Conditions) -> None:
        for i, f in shares.items():
            cond.dim(i, f)

    start = int(sky.ts[t0])
    return Fault(
        "snow",
        start,
        int(sky.ts[min(last, len(sky.ts) - 1)]),
        tuple(shares),
        "plane",
        {"planes": [lay.planes[p].name for p in planes]},
        physical,
    )


def weak_input(
    world: World,
    rng: np.random.Generator,
    i: int,
    share: float | None = None,
    when: tuple[int, int] | None = None,
) -> Fault:
    """A module that lost a steady share of its power, in current or in voltage."""
    share = float(rng.uniform(0.08, 0.4)) if share is None else share
    kind = "voltage" if rng.random() < 0.25 and share < 0.25 else "current"
    start, end = when or span(world, rng, 6, 0.7, 1.0)
    ramp = float(rng.choice([0, 0, 5, 15])) * DAY if start > world.ts[0] else 0.0
    grow = np.clip((world.ts - start) / ramp, 0, 1) if ramp else (world.ts >= start).astype(float)

    def physical(cond: Conditions) -> None:
        cond.weak[i].append((share * grow, kind))

    return Fault("weak-input", start, end, (i,), "input", {"share": share, "kind": kind}, physical)


def substring_loss(
    world: World,
    rng: np.random.Generator,
    i: int,
    lost: int | None = None,
    when: tuple[int, int] | None = None,
) -> Fault:
    """One or two substrings shorted by their bypass diode: voltage falls by thirds."""
    lost = lost or int(rng.choice([1, 2], p=[0.8, 0.2]))
    start, end = when or span(world, rng, 3, 0.45, 0.85)
    mask = (world.ts >= start) & (world.ts < end)
    module = world.layout.modules[world.layout.module_of[i]]

    def physical(cond: Conditions) -> None:
        cond.alive[i].append((mask, module.substrings - lost))

    return Fault("substring-loss", start, end, (i,), "input", {"lost": lost}, physical)


def _sometimes(world: World, rng: np.random.Generator, mask: B) -> B:
    """A loose contact: some of the fault's days only, or parts of days."""
    block = 6 * 3600 // world.sky.step_s
    on = rng.random(len(mask) // block + 1) < 0.6
    return np.asarray(mask & np.repeat(on, block)[: len(mask)])


def dead_input(world: World, rng: np.random.Generator, i: int, when: tuple[int, int] | None = None) -> Fault:
    """No voltage at an input: connector open, cable cut, or the module shorted."""
    start, end = when or span(world, rng, 1.5, 0.3, 0.8)
    mask = (world.ts >= start) & (world.ts < end)
    loose = bool(rng.random() < 0.1) and when is None
    mask = _sometimes(world, rng, mask) if loose else mask

    def physical(cond: Conditions) -> None:
        cond.dead[i] = mask | cond.dead.get(i, np.zeros_like(mask))

    return Fault("dead-input", start, end, (i,), "input", {"loose": loose}, physical)


def idle_input(world: World, rng: np.random.Generator, i: int, when: tuple[int, int] | None = None) -> Fault:
    """Voltage near open circuit, no current: the tracker stopped or its current path is open."""
    start, end = when or span(world, rng, 1.5, 0.3, 0.8)
    mask = (world.ts >= start) & (world.ts < end)
    loose = bool(rng.random() < 0.1) and when is None
    mask = _sometimes(world, rng, mask) if loose else mask

    def physical(cond: Conditions) -> None:
        cond.idle[i] = mask | cond.idle.get(i, np.zeros_like(mask))

    return Fault("idle-input", start, end, (i,), "input", {"loose": loose}, physical)


# -- units ---------------------------------------------------------------


def _unit(world: World, u: int) -> tuple[int, ...]:
    return tuple(int(i) for i in world.layout.inputs_of_unit(u))


def unit_standby(
    world: World, rng: np.random.Generator, u: int, when: tuple[int, int] | None = None
) -> Fault:
    """A unit that reports, sees its modules, and makes nothing."""
    start, end = when or span(world, rng, 1.0, 0.25, 0.65)
    mask = (world.ts >= start) & (world.ts < end)
    state = int(rng.choice([STANDBY, FAULT, OFF], p=[0.6, 0.3, 0.1]))

    def physical(cond: Conditions) -> None:
        cond.stops[u].append(Stop(mask, state))

    return Fault("unit-standby", start, end, _unit(world, u), "unit", {}, physical)


def unit_silent(
    world: World,
    rng: np.random.Generator,
    u: int,
    dark: bool | None = None,
    when: tuple[int, int] | None = None,
) -> Fault:
    """No rows of a unit: its radio is gone (it produces on), or it is dark."""
    start, end = when or span(world, rng, 1.0, 0.12, 0.45)
    dark = bool(rng.random() < 0.5) if dark is None else dark
    inputs = _unit(world, u)

    def recording(rec: Recording, seconds: int) -> None:
        ts = _slots(world, seconds)
        rec.silent[u] = rec.silent.get(u, np.zeros(len(ts), bool)) | ((ts >= start) & (ts < end))

    if dark:
        mask = (world.ts >= start) & (world.ts < end)

        def physical(cond: Conditions) -> None:
            cond.dark_units[u] = mask | cond.dark_units.get(u, np.zeros_like(mask))

        return Fault("unit-silent", start, end, inputs, "unit", {"variant": "dark"}, physical, recording)
    return Fault("unit-silent", start, end, inputs, "unit", {"variant": "producing"}, None, recording)


def patchy_comms(
    world: World, rng: np.random.Generator, units: Sequence[int], when: tuple[int, int] | None = None
) -> Fault:
    """A weak link: a good part of the rows never arrives, in spells."""
    start, end = when or span(world, rng, 3.0, 0.4, 0.7)
    rate = float(rng.uniform(0.15, 0.8))
    bursty = bool(rng.random() < 0.4)
    rate = min(rate, 0.6) if bursty else rate  # more would be whole silent days
    seed = int(rng.integers(2**31))

    def recording(rec: Recording, seconds: int) -> None:
        ts = _slots(world, seconds)
        on = (ts >= start) & (ts < end)
        for u in units:
            own = np.random.default_rng([seed, u])
            chance = np.full(len(ts), rate)
            if bursty:  # whole runs of rows come or go together
                block = max(1, int(own.uniform(1200, 7200) / seconds))
                chance = np.repeat((own.random(len(ts) // block + 1) < rate).astype(float), block)[: len(ts)]
            rec.loss[u] = np.maximum(rec.loss.get(u, np.zeros(len(ts))), np.where(on, chance, 0.0))
            rec.weak_signal_db[u] = np.where(on, 12.0, 0.0)

    inputs = tuple(i for u in units for i in _unit(world, u))
    level = "unit" if len(units) == 1 else "branch"
    return Fault("patchy-comms", start, end, inputs, level, {"rate": rate, "bursty": bursty}, None, recording)


def restart_cycling(world: World, rng: np.random.Generator, u: int) -> Fault:
    """A unit that trips, waits, starts, and trips again, all day."""
    start, end = span(world, rng, 1.5, 0.3, 0.6)
    step = world.sky.step_s
    mask = np.zeros(len(world.ts), bool)
    at = start
    run_s, hold_s = float(rng.uniform(300, 2400)), float(rng.uniform(60, 900))
    wait_s = float(rng.uniform(60, 300))
    while at < end:
        at += int(rng.exponential(run_s) + step)
        stop = at + int(rng.exponential(hold_s) + step)
        mask |= (world.ts >= at) & (world.ts < min(stop, end))
        at = stop + int(wait_s)
    state = int(rng.choice([FAULT, STANDBY]))

    def physical(cond: Conditions) -> None:
        cond.stops[u].append(Stop(mask, state, wait_s))

    return Fault("restart-cycling", start, end, _unit(world, u), "unit", {"run_s": run_s}, physical)


def hot_derating(world: World, rng: np.random.Generator, units: Sequence[int]) -> Fault:
    """Units without air around them, that hold back power to stay under their limit."""
    start, end = span(world, rng, 4, 0.6, 0.9)
    lay = world.layout
    mask = (world.ts >= start) & (world.ts < end)
    limit = float(rng.uniform(62, 82))
    over = float(rng.uniform(10, 35))
    extra = {}
    for u in units:
        light = world.light[lay.plane_of[lay.inputs_of_unit(u)[0]]]
        warm = world.sky.temp_air_c + world.unit_warmth_k[u] * (light.beam + light.diffuse) / 1000
        lit = light.beam + light.diffuse > 300
        hottest = float(np.quantile(warm[lit], 0.9)) if lit.any() else 45.0
        # So little air that on hot noons it would pass its limit by some kelvins.
        extra[u] = float(np.clip((limit + over - hottest) / 0.8 - 13, 5, 65))
    slope = float(rng.uniform(0.02, 0.05))

    def physical(cond: Conditions) -> None:
        for u in units:
            cond.hot[u] = (extra[u], limit, slope)
            cond.hot_mask[u] = mask

    inputs = tuple(i for u in units for i in _unit(world, u))
    return Fault("hot-derating", start, end, inputs, "unit", {"limit_c": limit, "per_k": slope}, physical)


# -- gateway, site, grid -------------------------------------------------


def gateway_silent(
    world: World, rng: np.random.Generator, gateway: str, when: tuple[int, int] | None = None
) -> Fault:
    """Nothing from a gateway for hours or days, while its units produce on."""
    a, b = whole(world)
    long = float(rng.choice([rng.uniform(3, 10) * 3600, rng.uniform(0.5, 6) * DAY]))
    start = int(rng.uniform(a + 0.4 * DAY, max(b - 1.2 * DAY - long, a + 0.5 * DAY)))
    hour = ((start + world.layout.place.longitude * 240) % DAY) / 3600
    if long < DAY / 2:  # a short silence is only one by day
        start += int((rng.uniform(8, 12) - hour) * 3600)
    end = b if rng.random() < 0.1 else int(min(start + long, b))
    start, end = when or (start, end)
    units = [u for u, g in enumerate(world.layout.unit_gateway) if g == gateway]

    def recording(rec: Recording, seconds: int) -> None:
        ts = _slots(world, seconds)
        gone = (ts >= start) & (ts < end)
        for u in units:
            rec.silent[u] = rec.silent.get(u, np.zeros(len(ts), bool)) | gone

    kind = str(rng.choice(["link", "power"]))
    events = [(start, gateway, "offline", "link lost" if kind == "link" else "")] if kind == "link" else []
    if end < b:
        events.append((end, gateway, "online" if kind == "link" else "restart", ""))
    inputs = tuple(i for u in units for i in _unit(world, u))
    return Fault(
        "gateway-silent",
        start,
        end,
        inputs,
        "gateway",
        {"gateway": gateway, "kind": kind},
        None,
        recording,
        events=events,
    )


def site_outage(world: World, rng: np.random.Generator) -> Fault:
    """No grid: the units say so, or nothing is heard because the gateway is dark too."""
    a, b = whole(world)
    long = float(rng.choice([rng.uniform(1.5, 8) * 3600, rng.uniform(0.5, 3) * DAY]))
    day = rng.integers(1, max(2, int((b - a - long) / DAY)))
    start = int(a + day * DAY + rng.uniform(7, 12) * 3600)
    end = int(min(start + long, b))
    mask = (world.ts >= start) & (world.ts < end)
    state = int(rng.choice([STANDBY, OFF, FAULT], p=[0.5, 0.25, 0.25]))
    unheard = bool(rng.random() < 0.3)
    ramp = float(rng.choice([0, 300, 600]))

    def physical(cond: Conditions) -> None:
        cond.grid_off = mask if cond.grid_off is None else cond.grid_off | mask
        cond.grid_state = state
        cond.grid_ramp_s = ramp

    def recording(rec: Recording, seconds: int) -> None:
        ts = _slots(world, seconds)
        if unheard:
            for u in range(world.layout.units):
                rec.silent[u] = rec.silent.get(u, np.zeros(len(ts), bool)) | ((ts >= start) & (ts < end))

    events = [(end, g, "restart", "") for g in sorted(set(world.layout.unit_gateway))] if unheard else []
    if not unheard:
        events = [(start + 30, s, "alarm", "no grid") for s in world.layout.serials]
        events += [(end + 30, s, "clear", "no grid") for s in world.layout.serials]
    return Fault(
        "site-outage",
        start,
        end,
        tuple(range(world.layout.inputs)),
        "site",
        {"unheard": unheard},
        physical,
        recording,
        events=events,
    )


def grid_out_of_range(world: World, rng: np.random.Generator) -> Fault:
    """A weak or strange grid that pushes the units out of their window, time and again."""
    place, ts = world.layout.place, world.ts
    start, end = span(world, rng, 2, 0.4, 0.6)
    hour = ((ts + place.longitude * 240) % DAY) / 3600
    day = (ts - ts[0]) // DAY
    days = int(day.max()) + 1
    kind = str(rng.choice(["high", "low", "frequency"], p=[0.65, 0.15, 0.2]))
    on = (ts >= start) & (ts < end) & (rng.random(days) < rng.uniform(0.5, 1.0))[day]
    centre = (12 + rng.uniform(-2.5, 2.5, days))[day]
    wide = rng.uniform(0.4, 2.0, days)[day]
    bump = np.exp(-(((hour - centre) / wide) ** 2)) * on
    noise = np.random.default_rng(int(rng.integers(2**31))).normal(size=len(ts))
    grid_v: F | float = 0.0
    grid_hz: F | float = 0.0
    if kind == "frequency":
        up = bool(rng.random() < 0.7)
        beyond = (place.high_hz - place.nominal_hz + 0.25) if up else (place.low_hz - place.nominal_hz - 0.25)
        grid_hz = beyond * bump * (1 + 0.08 * noise)
    else:
        target = (
            place.high_v * rng.uniform(1.004, 1.025)
            if kind == "high"
            else place.low_v * rng.uniform(0.96, 0.995)
        )
        grid_v = (target - world.grid_v) * bump + 0.004 * place.nominal_v * noise * (bump > 0.3)
    state = int(rng.choice([FAULT, STANDBY]))
    ramp = float(rng.choice([0, 300, 600]))

    def physical(cond: Conditions) -> None:
        cond.grid_v = cond.grid_v + grid_v
        cond.grid_hz = cond.grid_hz + grid_hz
        cond.grid_watch = True
        cond.grid_state = state
        cond.grid_ramp_s = ramp

    return Fault(
        "grid-out-of-range", start, end, tuple(range(world.layout.inputs)), "site", {"kind": kind}, physical
    )


def curtailment(world: World, rng: np.random.Generator) -> Fault:
    """All units held under one ceiling, by an order, an export limit, or a high frequency."""
    ts, place = world.ts, world.layout.place
    start, end = span(world, rng, 2, 0.3, 0.5)
    hour = ((ts + place.longitude * 240) % DAY) / 3600
    day = (ts - ts[0]) // DAY
    days = int(day.max()) + 1
    on = (ts >= start) & (ts < end) & (rng.random(days) < rng.uniform(0.5, 1.0))[day]
    kind = str(rng.choice(["order", "window", "frequency"], p=[0.45, 0.35, 0.2]))
    grid_hz: F | float = 0.0
    if kind == "frequency":
        bump = np.exp(-(((hour - (12 + rng.uniform(-2, 2, days))[day]) / rng.uniform(0.7, 2.0)) ** 2)) * on
        knee = min(0.2, 0.5 * (place.high_hz - place.nominal_hz))
        over = bump * rng.uniform(0.5, 0.95) * (place.high_hz - place.nominal_hz - 0.02)
        grid_hz = over
        cap = 1 - np.clip((over - knee) * rng.uniform(1.0, 2.5), 0, 0.9)
    else:
        level = float(rng.uniform(0.15, 0.55))
        window = (
            (hour > rng.uniform(9, 11.5)) & (hour < rng.uniform(13, 16))
            if kind == "window"
            else np.ones(len(ts), bool)
        )
        cap = np.where(on & window, level, 1.0)

    def physical(cond: Conditions) -> None:
        cond.grid_hz = cond.grid_hz + grid_hz
        for u in range(world.layout.units):
            cond.caps[u].append(cap)

    return Fault(
        "curtailment", start, end, tuple(range(world.layout.inputs)), "site", {"kind": kind}, physical
    )


# -- the record ----------------------------------------------------------


def swapped_record(world: World, rng: np.random.Generator, a: int, b: int) -> Fault:
    """Two inputs written under each other's name."""
    start, end = whole(world)
    if rng.random() < 0.25:
        start, _ = span(world, rng, 5, 0.0, 1.0)

    def recording(rec: Recording, seconds: int) -> None:
        ts = _slots(world, seconds)
        rec.swaps.append((a, b, (ts >= start) & (ts < end)))

    return Fault("swapped-record", start, end, (a, b), "input", {"pair": (a, b)}, None, recording)


def frozen_readings(world: World, rng: np.random.Generator, inputs: Sequence[int]) -> Fault:
    """Readings that no longer change while the unit works on."""
    start, end = span(world, rng, 1.0, 0.1, 0.5)
    nights = bool(rng.random() < 0.4)

    def recording(rec: Recording, seconds: int) -> None:
        ts = _slots(world, seconds)
        for i in inputs:
            rec.frozen[i] = (ts >= start) & (ts < end)
        rec.frozen_at_night |= nights

    level = "input" if len(inputs) == 1 else "unit"
    return Fault("frozen-readings", start, end, tuple(inputs), level, {"nights": nights}, None, recording)


def clock_shift(world: World, rng: np.random.Generator, gateway: str) -> Fault:
    """A gateway clock that is wrong by half an hour to two, or an hour of summer time."""
    start, end = whole(world)
    if rng.random() < 0.5:
        start, end = span(world, rng, 4, 0.0, 0.7)
    minutes = float(
        rng.choice([60, -60, rng.uniform(30, 120), -rng.uniform(30, 120)], p=[0.3, 0.3, 0.2, 0.2])
    )
    units = [u for u, g in enumerate(world.layout.unit_gateway) if g == gateway]

    def recording(rec: Recording, seconds: int) -> None:
        ts = _slots(world, seconds)
        shift = round(minutes * 60 / seconds) * seconds if seconds < 1800 else int(np.sign(minutes)) * 3600
        for u in units:
            rec.shift_s[u] = np.where((ts >= start) & (ts < end), float(shift), 0.0)

    inputs = tuple(i for u in units for i in _unit(world, u))
    return Fault(
        "clock-shift",
        start,
        end,
        inputs,
        "gateway",
        {"minutes": minutes, "gateway": gateway},
        None,
        recording,
    )


# -- healthy things that look like faults ---------------------------------


def grid_dips(world: World, rng: np.random.Generator, count: int = 4) -> Fault:
    """Look-alike: a dip too short to see, then every unit waits and ramps."""
    ts = world.ts
    place = world.layout.place
    days = (int(ts[-1]) - int(ts[0])) // DAY + 1
    at = [int(ts[0]) + int(d) * DAY + int(rng.uniform(8, 16) * 3600) for d in rng.integers(0, days, count)]
    mask = np.zeros(len(ts), bool)
    for t in at:
        mask |= (ts <= t) & (ts + world.sky.step_s > t)
    ramp = float(rng.choice([0, 300]))

    def physical(cond: Conditions) -> None:
        for u in range(world.layout.units):
            cond.stops[u].append(
                Stop(mask, STARTING, place.reconnect_s + float(world.start_delay_s[u]) * 0.2, ramp)
            )

    a, b = whole(world)
    return Fault(
        "grid-dips", a, b, tuple(range(world.layout.inputs)), "site", {"at": at}, physical, lookalike=True
    )


def unit_replaced(world: World, rng: np.random.Generator, u: int) -> Fault:
    """Look-alike: a new unit under the old serial; its counters begin at zero."""
    a, b = whole(world)
    at = int(rng.uniform(a + 2 * DAY, b - 2 * DAY))

    def recording(rec: Recording, seconds: int) -> None:
        rec.counter_zero[u] = max(1, int(np.searchsorted(_slots(world, seconds), at)))

    return Fault("unit-replaced", at, b, _unit(world, u), "unit", {}, None, recording, lookalike=True)


def unit_added(world: World, rng: np.random.Generator, u: int) -> Fault:
    """Look-alike: a unit that was installed midway."""
    a, b = whole(world)
    at = int(rng.uniform(a + 3 * DAY, b - 4 * DAY))
    mask = world.ts < at

    def physical(cond: Conditions) -> None:
        cond.absent[u] = mask

    def recording(rec: Recording, seconds: int) -> None:  # nor does the gateway list it before
        ts = _slots(world, seconds)
        rec.silent[u] = rec.silent.get(u, np.zeros(len(ts), bool)) | (ts < at)

    return Fault(
        "unit-added", a, at, _unit(world, u), "unit", {"at": at}, physical, recording, lookalike=True
    )


def short_gaps(world: World, rng: np.random.Generator) -> Fault:
    """Look-alike: the gateway restarts now and then, a few rows each time."""
    a, b = whole(world)
    at = [int(rng.uniform(a, b)) for _ in range(int((b - a) / DAY * 0.4) + 1)]

    def recording(rec: Recording, seconds: int) -> None:
        ts = _slots(world, seconds)
        gone = np.zeros(len(ts), bool)
        for t in at:
            gone |= (ts >= t) & (ts < t + 900)
        for u in range(world.layout.units):
            rec.silent[u] = rec.silent.get(u, np.zeros(len(ts), bool)) | gone

    events = [(t + 900, g, "restart", "") for t in at for g in sorted(set(world.layout.unit_gateway))]
    return Fault(
        "short-gaps",
        a,
        b,
        tuple(range(world.layout.inputs)),
        "site",
        {},
        None,
        recording,
        lookalike=True,
        events=events,
    )
