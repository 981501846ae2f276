"""The plant at work: light to module power, unit state, ceiling, waits, temperature.

One call, :func:`produce`, runs some units under some :class:`Conditions`.  A
healthy plant is the same call with empty conditions, so what a fault cost is a
difference of two runs under the same sky.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from sample_logs.sim.layout import Layout
from sample_logs.sim.module import Point, evenly_lit, held_back_voltage, unevenly_lit
from sample_logs.sim.sky import PlaneLight, Sky
from sample_logs.sim.style import Style

F = NDArray[np.float64]
B = NDArray[np.bool_]

STATES = ("producing", "starting", "standby", "fault", "off")
PRODUCING, STARTING, STANDBY, FAULT, OFF = range(5)


@dataclass(frozen=True)
class World:
    """What no fault changes: plant, sky, light per plane, each unit's own habits."""

    layout: Layout
    style: Style
    sky: Sky
    light: tuple[PlaneLight, ...]
    cell_c: tuple[F, ...]
    warmer_k: F
    start_delay_s: F
    wake_w: F
    unit_warmth_k: F
    grid_v: F
    grid_hz: F
    unit_v_offset: F
    flicker: F

    @property
    def ts(self) -> NDArray[np.int64]:
        return self.sky.ts


@dataclass
class Stop:
    """A unit made to stop: while ``mask``; then ``wait_s`` seconds and a ramp of ``ramp_s``."""

    mask: B
    state: int
    wait_s: float = 0.0
    ramp_s: float = 0.0


@dataclass
class Conditions:
    """What is wrong with the plant and its grid; empty is healthy."""

    passes: dict[int, F] = field(default_factory=dict)  # input -> beam share [T, substrings, halves]
    sky_hidden: dict[int, float] = field(default_factory=dict)
    dimmed: dict[int, F] = field(default_factory=dict)  # input -> light factor [T]
    alive: dict[int, list[tuple[B, int]]] = field(default_factory=lambda: defaultdict(list))
    weak: dict[int, list[tuple[F, str]]] = field(default_factory=lambda: defaultdict(list))
    dead: dict[int, B] = field(default_factory=dict)
    idle: dict[int, B] = field(default_factory=dict)
    stops: dict[int, list[Stop]] = field(default_factory=lambda: defaultdict(list))
    caps: dict[int, list[F]] = field(default_factory=lambda: defaultdict(list))
    hot: dict[int, tuple[float, float, float]] = field(default_factory=dict)  # extra K, limit °C, per K
    hot_mask: dict[int, B] = field(default_factory=dict)
    dark_units: dict[int, B] = field(default_factory=dict)
    absent: dict[int, B] = field(default_factory=dict)  # not installed yet
    grid_v: F | float = 0.0
    grid_hz: F | float = 0.0
    grid_off: B | None = None
    grid_state: int = STANDBY
    grid_watch: bool = False
    grid_ramp_s: float = 0.0

    def dim(self, i: int, factor: F) -> None:
        self.dimmed[i] = self.dimmed.get(i, np.ones_like(factor)) * factor


@dataclass
class Production:
    """What the plant did, [T, N] per input and [T, U] per unit."""

    power_w: F
    voltage_v: F
    available_w: F
    awake: B
    state: NDArray[np.int8]
    ac_power_w: F
    ac_voltage_v: F
    frequency_hz: F
    temperature_c: F
    clipped: B
    unclipped_w: F


def empty_production(world: World) -> Production:
    t, n, u = len(world.ts), world.layout.inputs, world.layout.units
    z, zu = np.zeros((t, n)), np.zeros((t, u))
    return Production(
        z.copy(),
        z.copy(),
        z.copy(),
        np.zeros((t, u), bool),
        np.full((t, u), OFF, np.int8),
        zu.copy(),
        zu.copy(),
        np.zeros((t, u)),
        zu.copy(),
        np.zeros((t, u), bool),
        z.copy(),
    )


def _light(world: World, cond: Conditions, i: int) -> F:
    """Light on input ``i`` [T] if the whole module sees the same."""
    light = world.light[world.layout.plane_of[i]]
    # The beam's share is the mean over the module here; partial shade is solved apart.
    passed = cond.passes[i].mean(axis=(1, 2)) if i in cond.passes else 1.0
    g = light.beam * passed + light.diffuse * (1 - cond.sky_hidden.get(i, 0.0))
    return np.asarray(g * cond.dimmed.get(i, 1.0) * world.layout.strength[i] * (1 - world.style.dirt_base))


def _point(world: World, cond: Conditions, i: int) -> Point:
    """Maximum power point of input ``i`` [T] with everything that is wrong at the module."""
    lay = world.layout
    module = lay.modules[lay.module_of[i]]
    plane = lay.plane_of[i]
    g = _light(world, cond, i) * (1 + world.flicker[:, i])
    t = world.cell_c[plane] + world.warmer_k[i]
    p = evenly_lit(module, g, t)
    power, vmp, voc = p.power_w.copy(), p.vmp_v.copy(), p.voc_v.copy()
    lowest = lay.unit_types[lay.unit_type[lay.unit_of[i]]].mppt_min_v
    uneven: list[tuple[B, int]] = list(cond.alive.get(i, ()))
    if i in cond.passes:
        share = cond.passes[i]
        partly = (share.min(axis=(1, 2)) < 0.995) & (g > 1)
        uneven.append((partly, module.substrings))
    if uneven:
        alive = np.full(len(g), module.substrings)
        touched = np.zeros(len(g), bool)
        for mask, count in uneven:
            alive = np.where(mask, np.minimum(alive, count), alive)
            touched |= mask
        light = world.light[plane]
        factor = cond.dimmed.get(i, np.ones(len(g))) * lay.strength[i] * (1 - world.style.dirt_base)
        factor = factor * (1 + world.flicker[:, i])
        diffuse = light.diffuse * (1 - cond.sky_hidden.get(i, 0.0))
        for count in np.unique(alive[touched]):
            rows = np.flatnonzero(touched & (alive == count))
            if i in cond.passes:
                # The two halves of a cut module are in parallel: their currents add.
                s = cond.passes[i][rows]
                s = s.mean(axis=2) if module.half_cut else s.min(axis=2)
            else:
                s = np.ones((len(rows), module.substrings))
            gs = (light.beam[rows, None] * s + diffuse[rows, None]) * factor[rows, None]
            part = unevenly_lit(module, gs, t[rows], int(count), 0.0 if count < module.substrings else lowest)
            power[rows], vmp[rows], voc[rows] = part.power_w, part.vmp_v, part.voc_v
    for loss, kind in cond.weak.get(i, ()):
        power *= 1 - loss
        if kind == "voltage":
            vmp *= 1 - loss
    return Point(power, vmp, voc)


def _since_stop(mask: B, step_s: int, wait_s: float, ramp_s: float) -> F:
    """Share of rated power allowed in each step after a stop: none, wait, ramp, all."""
    n = len(mask)
    last = np.maximum.accumulate(np.where(mask, np.arange(n), -1))
    end = np.where(last < 0, np.inf, (np.arange(n) - last) * float(step_s))
    part = np.clip((end - wait_s) / step_s, 0, 1)
    if ramp_s > 0:
        part = np.minimum(part, np.clip((end - step_s / 2 - wait_s) / ramp_s, 0, 1))
    return np.where(mask, 0.0, part)


def produce(world: World, cond: Conditions, out: Production, units: Sequence[int]) -> None:
    """Run ``units`` under ``cond`` and write their columns of ``out``."""
    lay, style, step = world.layout, world.style, world.sky.step_s
    count = len(world.ts)
    grid_v = world.grid_v + cond.grid_v
    hz = world.grid_hz + cond.grid_hz
    off = cond.grid_off if cond.grid_off is not None else np.zeros(count, bool)
    for u in units:
        ins = lay.inputs_of_unit(u)
        kind = lay.unit_types[lay.unit_type[u]]
        points = [_point(world, cond, int(i)) for i in ins]
        power = np.stack([p.power_w for p in points], axis=1)
        vmp = np.stack([p.vmp_v for p in points], axis=1)
        voc = np.stack([p.voc_v for p in points], axis=1)
        feeds = power.copy()
        for j, i in enumerate(ins):
            if int(i) in cond.dead:
                dead = cond.dead[int(i)]
                for a in (power, vmp, voc, feeds):
                    a[dead, j] = 0.0
            if int(i) in cond.idle:
                power[cond.idle[int(i)], j] = 0.0
        limit = kind.rated_va / kind.efficiency
        total = power.sum(axis=1)
        awake = (feeds.sum(axis=1) > world.wake_w[u]) & (voc.max(axis=1) > kind.start_v * 0.85)
        if u in cond.dark_units:
            awake &= ~cond.dark_units[u]
        if u in cond.absent:
            awake &= ~cond.absent[u]

        run = _since_stop(~awake, step, float(world.start_delay_s[u]), 0.0)
        state = np.where(run > 0.5, PRODUCING, STARTING)
        volts = np.where(off, 0.0, grid_v + world.unit_v_offset[u])
        stops = list(cond.stops.get(u, ()))
        place = lay.place
        if cond.grid_watch:
            bad = (volts > place.high_v) | (volts < place.low_v) | (hz > place.high_hz) | (hz < place.low_hz)
            stops.append(
                Stop(
                    bad,
                    cond.grid_state,
                    place.reconnect_s + float(world.start_delay_s[u]) * 0.3,
                    cond.grid_ramp_s,
                )
            )
        if off.any():
            stops.append(Stop(off, cond.grid_state, place.reconnect_s, cond.grid_ramp_s))
        for stop in stops:
            allowed = _since_stop(stop.mask, step, stop.wait_s, stop.ramp_s)
            run = np.minimum(run, allowed)
            state = np.where(stop.mask, stop.state, np.where((allowed < 0.3) & (state == PRODUCING), STARTING, state))
        cap = np.ones(count)
        for one in cond.caps.get(u, ()):
            cap = np.minimum(cap, one)
        light = world.light[lay.plane_of[ins[0]]]
        warm = world.sky.temp_air_c + world.unit_warmth_k[u] * (light.beam + light.diffuse) / 1000
        load = np.minimum(total / limit, cap) * run
        temperature = warm + 13 * load
        if u in cond.hot:
            extra, at, slope = cond.hot[u]
            on = cond.hot_mask[u]
            # Heat follows load, load follows heat: cap = 1 - slope (warm + k cap - at), solved for cap.
            k = 13 + extra * on
            held = np.clip((1 + slope * (at - warm)) / (1 + slope * k), 0.2, 1.0)
            cap = np.where(on, np.minimum(cap, held), cap)
            temperature = warm + k * np.minimum(load, cap)
        lag = np.exp(-step / 900.0)
        temperature = lfilter([1 - lag], [1, -lag], temperature, zi=[lag * temperature[0]])[0]
        ceiling = limit * np.minimum(cap, 1.0)
        if style.clip_share == "per_input" and len(ins) > 1:
            drawn = np.minimum(power, (ceiling / len(ins))[:, None])
        else:
            scale = np.minimum(1.0, ceiling / np.maximum(total, 1e-9))
            drawn = power * scale[:, None]
        clipped = awake & (drawn.sum(axis=1) < total - 0.5) & (cap > 0.999)
        share = np.where(power > 0.05, drawn / np.maximum(power, 0.05), 1.0)
        working = np.empty_like(drawn)
        for j, i in enumerate(ins):
            working[:, j] = held_back_voltage(lay.modules[lay.module_of[i]], Point(power[:, j], vmp[:, j], voc[:, j]), share[:, j])
            if int(i) in cond.idle:
                working[:, j] = np.where(cond.idle[int(i)], voc[:, j], working[:, j])
        runs = run[:, None]
        drawn = np.where(awake[:, None], drawn * runs, 0.0)
        out.power_w[:, ins] = drawn
        out.available_w[:, ins] = power
        out.voltage_v[:, ins] = np.where(awake[:, None], working * runs + voc * (1 - runs), 0.0)
        out.unclipped_w[:, ins] = np.where(awake[:, None], power * runs, 0.0)
        out.awake[:, u] = awake
        out.state[:, u] = np.where(awake, state, OFF)
        out.ac_power_w[:, u] = np.maximum(drawn.sum(axis=1) * kind.efficiency - 0.15, 0)
        out.ac_voltage_v[:, u] = volts
        out.frequency_hz[:, u] = np.where(off, 0.0, hz)
        out.temperature_c[:, u] = temperature
        out.clipped[:, u] = clipped & (run > 0.5)
