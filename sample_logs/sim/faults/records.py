"""What happens to the record only: swapped names, frozen readings, a wrong clock."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from sample_logs.sim.faults.cause import Fault, inputs_of, slots, span, whole
from sample_logs.sim.plant import World
from sample_logs.sim.record import Recording


def swapped_record(world: World, rng: np.random.Generator, a: int, b: int) -> Fault:
    """Two inputs written under each other's name."""
    start, end = whole(world)
    if rng.random() < 0.25:
        start, _ = span(world, rng, 5, 0.0, 1.0)

    def recording(rec: Recording, seconds: int) -> None:
        ts = slots(world, seconds)
        rec.swaps.append((a, b, (ts >= start) & (ts < end)))

    return Fault("swapped-record", start, end, (a, b), "input", {"pair": (a, b)}, None, recording)


def frozen_readings(world: World, rng: np.random.Generator, inputs: Sequence[int]) -> Fault:
    """Readings that no longer change while the unit works on."""
    start, end = span(world, rng, 1.0, 0.1, 0.5)
    nights = bool(rng.random() < 0.4)

    def recording(rec: Recording, seconds: int) -> None:
        ts = slots(world, seconds)
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
    minutes = float(rng.choice([60, -60, rng.uniform(30, 120), -rng.uniform(30, 120)], p=[0.3, 0.3, 0.2, 0.2]))
    units = [u for u, g in enumerate(world.layout.unit_gateway) if g == gateway]

    def recording(rec: Recording, seconds: int) -> None:
        ts = slots(world, seconds)
        shift = round(minutes * 60 / seconds) * seconds if seconds < 1800 else int(np.sign(minutes)) * 3600
        for u in units:
            rec.shift_s[u] = np.where((ts >= start) & (ts < end), float(shift), 0.0)

    inputs = tuple(i for u in units for i in inputs_of(world, u))
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
