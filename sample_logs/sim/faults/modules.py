"""What happens to modules and their inputs: dirt, snow, weakness, broken parts."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sample_logs.sim.faults.cause import DAY, Fault, span, whole
from sample_logs.sim.plant import Conditions, World

F = NDArray[np.float64]
B = NDArray[np.bool_]


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
    return Fault("soiling", a, b, tuple(share), level_name, {"rate_per_day": rate, "reset_days": resets}, physical)


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
