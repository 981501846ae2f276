"""What happens to units: standing by, silence, weak links, restarts, heat."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from sample_logs.sim.faults.cause import Fault, inputs_of, slots, span
from sample_logs.sim.plant import FAULT, OFF, STANDBY, Conditions, Stop, World
from sample_logs.sim.record import Recording


def unit_standby(world: World, rng: np.random.Generator, u: int, when: tuple[int, int] | None = None) -> Fault:
    """A unit that reports, sees its modules, and makes nothing."""
    start, end = when or span(world, rng, 1.0, 0.25, 0.65)
    mask = (world.ts >= start) & (world.ts < end)
    state = int(rng.choice([STANDBY, FAULT, OFF], p=[0.6, 0.3, 0.1]))

    def physical(cond: Conditions) -> None:
        cond.stops[u].append(Stop(mask, state))

    return Fault("unit-standby", start, end, inputs_of(world, u), "unit", {}, physical)


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
    inputs = inputs_of(world, u)

    def recording(rec: Recording, seconds: int) -> None:
        ts = slots(world, seconds)
        rec.silent[u] = rec.silent.get(u, np.zeros(len(ts), bool)) | ((ts >= start) & (ts < end))

    if dark:
        mask = (world.ts >= start) & (world.ts < end)

        def physical(cond: Conditions) -> None:
            cond.dark_units[u] = mask | cond.dark_units.get(u, np.zeros_like(mask))

        return Fault("unit-silent", start, end, inputs, "unit", {"variant": "dark"}, physical, recording)
    return Fault("unit-silent", start, end, inputs, "unit", {"variant": "producing"}, None, recording)


def patchy_comms(world: World, rng: np.random.Generator, units: Sequence[int], when: tuple[int, int] | None = None) -> Fault:
    """A weak link: a good part of the rows never arrives, in spells."""
    start, end = when or span(world, rng, 3.0, 0.4, 0.7)
    rate = float(rng.uniform(0.15, 0.8))
    bursty = bool(rng.random() < 0.4)
    rate = min(rate, 0.6) if bursty else rate  # more would be whole silent days
    seed = int(rng.integers(2**31))

    def recording(rec: Recording, seconds: int) -> None:
        ts = slots(world, seconds)
        on = (ts >= start) & (ts < end)
        for u in units:
            own = np.random.default_rng([seed, u])
            chance = np.full(len(ts), rate)
            if bursty:  # whole runs of rows come or go together
                block = max(1, int(own.uniform(1200, 7200) / seconds))
                chance = np.repeat((own.random(len(ts) // block + 1) < rate).astype(float), block)[: len(ts)]
            rec.loss[u] = np.maximum(rec.loss.get(u, np.zeros(len(ts))), np.where(on, chance, 0.0))
            rec.weak_signal_db[u] = np.where(on, 12.0, 0.0)

    inputs = tuple(i for u in units for i in inputs_of(world, u))
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

    return Fault("restart-cycling", start, end, inputs_of(world, u), "unit", {"run_s": run_s}, physical)


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

    inputs = tuple(i for u in units for i in inputs_of(world, u))
    return Fault("hot-derating", start, end, inputs, "unit", {"limit_c": limit, "per_k": slope}, physical)
