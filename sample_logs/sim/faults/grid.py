"""What happens to all units of a gateway or site: silence, outage, a strange grid, an order."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sample_logs.sim.faults.cause import DAY, Fault, inputs_of, slots, span, whole
from sample_logs.sim.plant import FAULT, OFF, STANDBY, Conditions, World
from sample_logs.sim.record import Recording

F = NDArray[np.float64]


def gateway_silent(world: World, rng: np.random.Generator, gateway: str, when: tuple[int, int] | None = None) -> Fault:
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
        ts = slots(world, seconds)
        gone = (ts >= start) & (ts < end)
        for u in units:
            rec.silent[u] = rec.silent.get(u, np.zeros(len(ts), bool)) | gone

    kind = str(rng.choice(["link", "power"]))
    events = [(start, gateway, "offline", "link lost" if kind == "link" else "")] if kind == "link" else []
    if end < b:
        events.append((end, gateway, "online" if kind == "link" else "restart", ""))
    inputs = tuple(i for u in units for i in inputs_of(world, u))
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
        ts = slots(world, seconds)
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
        target = place.high_v * rng.uniform(1.004, 1.025) if kind == "high" else place.low_v * rng.uniform(0.96, 0.995)
        grid_v = (target - world.grid_v) * bump + 0.004 * place.nominal_v * noise * (bump > 0.3)
    state = int(rng.choice([FAULT, STANDBY]))
    ramp = float(rng.choice([0, 300, 600]))

    def physical(cond: Conditions) -> None:
        cond.grid_v = cond.grid_v + grid_v
        cond.grid_hz = cond.grid_hz + grid_hz
        cond.grid_watch = True
        cond.grid_state = state
        cond.grid_ramp_s = ramp

    return Fault("grid-out-of-range", start, end, tuple(range(world.layout.inputs)), "site", {"kind": kind}, physical)


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
        window = (hour > rng.uniform(9, 11.5)) & (hour < rng.uniform(13, 16)) if kind == "window" else np.ones(len(ts), bool)
        cap = np.where(on & window, level, 1.0)

    def physical(cond: Conditions) -> None:
        cond.grid_hz = cond.grid_hz + grid_hz
        for u in range(world.layout.units):
            cond.caps[u].append(cap)

    return Fault("curtailment", start, end, tuple(range(world.layout.inputs)), "site", {"kind": kind}, physical)
