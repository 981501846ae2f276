"""Healthy things that look like faults."""

from __future__ import annotations

import numpy as np

from sample_logs.sim.faults.cause import DAY, Fault, inputs_of, slots, whole
from sample_logs.sim.faults.shade import cast
from sample_logs.sim.obstacles import Horizon
from sample_logs.sim.plant import STARTING, Conditions, Stop, World
from sample_logs.sim.record import Recording


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
            cond.stops[u].append(Stop(mask, STARTING, place.reconnect_s + float(world.start_delay_s[u]) * 0.2, ramp))

    a, b = whole(world)
    return Fault("grid-dips", a, b, tuple(range(world.layout.inputs)), "site", {"at": at}, physical, lookalike=True)


def unit_replaced(world: World, rng: np.random.Generator, u: int) -> Fault:
    """Look-alike: a new unit under the old serial; its counters begin at zero."""
    a, b = whole(world)
    at = int(rng.uniform(a + 2 * DAY, b - 2 * DAY))

    def recording(rec: Recording, seconds: int) -> None:
        rec.counter_zero[u] = max(1, int(np.searchsorted(slots(world, seconds), at)))

    return Fault("unit-replaced", at, b, inputs_of(world, u), "unit", {}, None, recording, lookalike=True)


def unit_added(world: World, rng: np.random.Generator, u: int) -> Fault:
    """Look-alike: a unit that was installed midway; its counters begin at zero."""
    a, b = whole(world)
    at = int(rng.uniform(a + 3 * DAY, b - 4 * DAY))
    mask = world.ts < at

    def physical(cond: Conditions) -> None:
        cond.absent[u] = mask

    def recording(rec: Recording, seconds: int) -> None:  # nor does the gateway list it before
        ts = slots(world, seconds)
        rec.silent[u] = rec.silent.get(u, np.zeros(len(ts), bool)) | (ts < at)
        rec.counter_zero[u] = max(1, int(np.searchsorted(ts, at)))

    return Fault("unit-added", a, at, inputs_of(world, u), "unit", {"at": at}, physical, recording, lookalike=True)


def short_gaps(world: World, rng: np.random.Generator) -> Fault:
    """Look-alike: the gateway restarts now and then, a few rows each time."""
    a, b = whole(world)
    at = [int(rng.uniform(a, b)) for _ in range(int((b - a) / DAY * 0.4) + 1)]

    def recording(rec: Recording, seconds: int) -> None:
        ts = slots(world, seconds)
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
