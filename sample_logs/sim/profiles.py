"""Scenario families: which faults or look-alikes a site gets, and the site around them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from sample_logs.sim import faults as make
from sample_logs.sim.faults import DAY, Fault
from sample_logs.sim.layout import Layout, draw_layout, draw_place
from sample_logs.sim.plant import World
from sample_logs.sim.site import SimSite, make_world, simulate
from sample_logs.sim.sky import make_sky
from sample_logs.sim.style import draw_style

Rng = np.random.Generator

FAULTS: tuple[str, ...] = (
    "gateway-silent",
    "site-outage",
    "grid-out-of-range",
    "curtailment",
    "unit-silent",
    "patchy-comms",
    "unit-standby",
    "restart-cycling",
    "hot-derating",
    "dead-input",
    "idle-input",
    "substring-loss",
    "shading",
    "soiling",
    "snow",
    "weak-input",
    "swapped-record",
    "frozen-readings",
    "clock-shift",
    "clipping",
)
LOOKALIKES: tuple[str, ...] = (
    "healthy",
    "like-reconnect",
    "like-horizon",
    "like-broken-clouds",
    "like-overcast-week",
    "like-clipping",
    "like-spread",
    "like-mixed-modules",
    "like-short-gaps",
    "like-partial-days",
    "like-replaced",
    "like-added",
    "like-lone-input",
)
MIXES: tuple[str, ...] = ("mixed", "mixed-many", "confusable")
PROFILES: tuple[str, ...] = FAULTS + LOOKALIKES + MIXES

#: Columns without which nobody could tell the fault; a family's own site mostly has them.
_NEEDS = {
    "dead-input": ("all", "no_state", "no_ac", "no_energy", "no_current"),
    "idle-input": ("all", "no_state", "no_ac", "no_energy", "no_current"),
    "substring-loss": ("all", "no_state", "no_ac", "no_energy", "no_current"),
    "unit-standby": ("all", "no_state", "no_ac", "no_energy", "no_voltage"),
    "site-outage": ("all", "no_state", "no_energy", "no_voltage"),
    "grid-out-of-range": ("all", "no_state", "no_energy", "no_voltage"),
    "hot-derating": ("all", "no_state", "no_energy", "no_voltage"),
    "restart-cycling": ("all", "no_state", "no_ac", "no_energy", "no_voltage"),
    "unit-silent": ("all", "no_state", "no_ac", "no_current"),
    "gateway-silent": ("all", "no_state", "no_ac", "no_current"),
}


def _streams(seed: int, profile: str) -> Callable[[str], Rng]:
    """Independent random streams by purpose, so that one more draw here moves nothing there."""

    def stream(purpose: str) -> Rng:
        return np.random.default_rng([seed, *f"{profile}/{purpose}".encode()])

    return stream


def make_site(seed: int, profile: str = "mixed", **fixed: Any) -> SimSite:
    """One simulated site, the same for the same seed and profile.

    Parameters
    ----------
    seed : any non-negative integer.
    profile : one of :data:`PROFILES`.
    fixed : choices taken from the caller instead of at random: ``days``, ``step_s``, ``inputs``,
        ``region``, ``style`` (a dict of Style fields).

    Raises
    ------
    ValueError : unknown profile.
    """
    if profile not in PROFILES:
        raise ValueError(f"profile must be one of {', '.join(PROFILES)}: {profile}")
    stream = _streams(seed, profile)
    rng = stream("site")
    wanted = dict(fixed.get("style", {}))
    if profile in _NEEDS and "columns" not in wanted and rng.random() < 0.9:
        wanted["columns"] = str(rng.choice(_NEEDS[profile], p=_front(len(_NEEDS[profile]))))
    if profile in ("like-broken-clouds", "like-overcast-week"):
        wanted.setdefault("cloudiness", 0.6)
    if profile == "like-spread":
        wanted.setdefault("module_spread", 0.04)
    if profile == "like-short-gaps":
        wanted.setdefault("packet_loss", 0.05)
    style = draw_style(stream("style"), **wanted)

    step_s = fixed.get("step_s") or int(rng.choice([60, 300, 600, 900, 1800, 3600], p=[0.05, 0.55, 0.1, 0.18, 0.06, 0.06]))
    if profile == "restart-cycling":
        step_s = min(step_s, 900)
    days = fixed.get("days") or int(rng.choice([10, 14, 21, 30, 45], p=[0.1, 0.2, 0.25, 0.35, 0.1]))
    inputs = fixed.get("inputs")
    if inputs is None and profile == "like-lone-input":
        inputs = int(rng.integers(1, 3))
    if inputs is None and profile not in LOOKALIKES:
        inputs = int(
            rng.choice(
                [1, 2, 4, 6, 8, 12, 16, 20, 24, 36, 64],
                p=[0.02, 0.04, 0.1, 0.14, 0.15, 0.17, 0.13, 0.1, 0.1, 0.03, 0.02],
            )
        )
    if step_s == 60:
        days, inputs = min(days, 14), min(inputs or 8, 12)
    if profile in ("swapped-record",):
        inputs = max(inputs or 6, 4)
    if profile == "snow" or (profile in MIXES and rng.random() < 0.08):
        days = max(days, 10)
    place = draw_place(stream("place"), fixed.get("region") if profile != "snow" else int(rng.choice([2, 3, 19, 21, 22, 28])))
    planes = None
    if profile == "swapped-record":
        first = float(rng.uniform(0, 360))
        turn = float(rng.choice([90, 180, -90, rng.uniform(40, 180)]))
        tilt = float(rng.uniform(12, 45))
        planes = [(first, tilt), (first + turn, float(rng.uniform(12, 45)))]
    per_unit = None
    if profile in ("dead-input", "idle-input"):
        per_unit = int(rng.choice([2, 4])) if (inputs or 4) > 1 else None
    lay = draw_layout(
        stream("layout"),
        style,
        place,
        inputs,
        per_unit,
        planes,
        mixed=profile == "like-mixed-modules" or None,
    )
    if profile in ("clipping", "like-clipping"):
        t = lay.unit_types[0]
        small = float(round(lay.modules[0].pmax_w * t.inputs * rng.uniform(0.6, 0.8) / 10) * 10)
        lay = replace(lay, unit_types=(replace(t, rated_va=small),))

    doy = int(rng.integers(0, 365))
    if profile == "snow":
        doy = int(rng.choice([355, 5, 20, 35, 50, 60])) if place.latitude > 0 else int(rng.integers(170, 230))
    if profile == "hot-derating":
        doy = int(rng.integers(130, 230)) if place.latitude > 0 else int(rng.integers(310, 400)) % 365
    if abs(place.latitude) > 55 and profile != "snow":
        doy = int(rng.integers(75, 260)) if place.latitude > 0 else int(rng.integers(265, 445)) % 365
    first_day = datetime(int(rng.integers(2021, 2026)), 1, 1, tzinfo=UTC) + timedelta(days=doy)
    start_ts = int(first_day.timestamp()) - round(place.longitude * 240)
    start_ts -= start_ts % 3600 if step_s == 3600 else start_ts % step_s
    snow_day = int(rng.integers(1, max(2, days - 6))) if profile == "snow" else None
    forced = {"like-broken-clouds": "broken", "like-overcast-week": "overcast"}.get(profile)
    if forced == "overcast":
        days = min(days, 10)
    sky = make_sky(
        stream("sky"),
        place.latitude,
        place.longitude,
        place.altitude_m,
        start_ts,
        days,
        60 if step_s == 60 else 300,
        style,
        forced,
        snow_day,
    )
    world = make_world(lay, style, sky, stream("world"))
    plan = _plan(profile, world, stream("faults"), snow_day)
    keep = None
    if profile == "like-partial-days" or rng.random() < 0.15:
        a, b = make.whole(world)
        keep = (
            a + int(rng.uniform(0.2, 0.7) * DAY) // 3600 * 3600,
            b - int(rng.uniform(0.3, 0.8) * DAY) // 3600 * 3600,
        )
    return simulate(
        world,
        plan,
        stream("record"),
        step_s,
        f"sim-{profile}-{seed}",
        f"Simulated site {seed}",
        (first_day - timedelta(days=int(rng.integers(30, 1500)))).date(),
        seed,
        profile,
        keep,
    )


def _front(n: int) -> list[float]:
    """Most weight on the first choice."""
    rest = 0.3 / max(n - 1, 1)
    return [1 - rest * (n - 1), *([rest] * (n - 1))]


class _Free:
    """Keeps faults apart: an input or unit is given away once."""

    def __init__(self, layout: Layout, rng: Rng) -> None:
        self.layout, self.rng = layout, rng
        self.inputs = set(range(layout.inputs))

    def an_input(self, with_sibling: bool = False) -> int | None:
        lay = self.layout
        options = sorted(self.inputs)
        if with_sibling:  # the unit must live on another module's light
            options = [i for i in options if len(lay.inputs_of_unit(int(lay.unit_of[i]))) > 1] or []
        if not options:
            return None
        i = int(self.rng.choice(options))
        self.inputs.discard(i)
        return i

    def a_unit(self) -> int | None:
        lay = self.layout
        whole = [u for u in range(lay.units) if set(lay.inputs_of_unit(u).tolist()) <= self.inputs]
        if not whole:
            return None
        u = int(self.rng.choice(whole))
        self.inputs -= set(lay.inputs_of_unit(u).tolist())
        return u


def build(slug: str, world: World, rng: Rng, free: _Free, snow_day: int | None = None) -> Fault | None:
    """One fault of a kind at a free place; None where the site has no room for it."""
    lay = world.layout
    u: int | None
    i: int | None
    if slug in ("dead-input", "idle-input"):
        i = free.an_input(with_sibling=True)
        if i is None:
            return None
        return make.dead_input(world, rng, i) if slug == "dead-input" else make.idle_input(world, rng, i)
    if slug in ("substring-loss", "weak-input"):
        i = free.an_input()
        if i is None:
            return None
        if slug == "weak-input":
            return make.weak_input(world, rng, i)
        # On a third of its voltage a lone module can't wake its unit.
        lone = len(lay.inputs_of_unit(int(lay.unit_of[i]))) == 1
        return make.substring_loss(world, rng, i, 1 if lone else None)
    if slug == "shading":
        i = free.an_input()
        made = None
        for _ in range(4 if i is not None else 0):  # an obstacle that shades nobody is none
            made = make.shading(world, rng, None, i)
            if made:
                break
        if made:
            free.inputs -= set(made.inputs)
        return made
    if slug == "soiling":
        return make.soiling(world, rng)
    if slug == "snow":
        return make.snow(world, rng, snow_day) if snow_day is not None else None
    if slug in ("unit-standby", "unit-silent", "restart-cycling"):
        u = free.a_unit()
        if u is None:
            return None
        if slug == "unit-silent":
            return make.unit_silent(world, rng, u)
        return make.unit_standby(world, rng, u) if slug == "unit-standby" else make.restart_cycling(world, rng, u)
    if slug in ("patchy-comms", "hot-derating"):
        u = free.a_unit()
        if u is None:
            return None
        units = [u]
        while rng.random() < 0.4 and len(units) < 4 and (more := free.a_unit()) is not None:
            units.append(more)
        return make.patchy_comms(world, rng, units) if slug == "patchy-comms" else make.hot_derating(world, rng, units)
    if slug == "gateway-silent":
        return make.gateway_silent(world, rng, str(rng.choice(sorted(set(lay.unit_gateway)))))
    if slug == "site-outage":
        return make.site_outage(world, rng)
    if slug == "grid-out-of-range":
        return make.grid_out_of_range(world, rng)
    if slug == "curtailment":
        return make.curtailment(world, rng)
    if slug == "swapped-record":
        return _swap(world, rng, free)
    if slug == "frozen-readings":
        if rng.random() < 0.5:
            u = free.a_unit()
            return make.frozen_readings(world, rng, [int(k) for k in lay.inputs_of_unit(u)]) if u is not None else None
        i = free.an_input()
        return make.frozen_readings(world, rng, [i]) if i is not None else None
    if slug == "clock-shift":
        return make.clock_shift(world, rng, str(rng.choice(sorted(set(lay.unit_gateway)))))
    return None


def _swap(world: World, rng: Rng, free: _Free) -> Fault | None:
    lay = world.layout
    options = sorted(free.inputs)
    pairs = []
    for a in options:
        for b in options:
            pa, pb = lay.planes[lay.plane_of[a]], lay.planes[lay.plane_of[b]]
            turned = abs((pa.azimuth_deg - pb.azimuth_deg + 180) % 360 - 180)
            if a < b and turned * np.sin(np.radians(min(pa.tilt_deg, pb.tilt_deg))) > 8:
                pairs.append((a, b))
    if not pairs:
        return None
    a, b = pairs[int(rng.integers(len(pairs)))]
    free.inputs -= {a, b}
    return make.swapped_record(world, rng, a, b)


_CONFUSABLE: tuple[tuple[str, ...], ...] = (
    ("shading", "substring-loss"),
    ("shading", "soiling"),
    ("shading", "weak-input"),
    ("dead-input", "idle-input"),
    ("unit-silent", "gateway-silent"),
    ("patchy-comms", "unit-silent"),
    ("unit-standby", "site-outage"),
    ("grid-out-of-range", "unit-standby"),
    ("curtailment", "shading"),
    ("substring-loss", "weak-input"),
    ("restart-cycling", "unit-standby"),
    ("shading", "shading", "weak-input"),
    ("soiling", "weak-input"),
    ("hot-derating", "shading"),
    ("swapped-record", "shading"),
    ("frozen-readings", "unit-silent"),
    ("clock-shift", "shading"),
    ("gateway-silent", "site-outage"),
)


def _plan(profile: str, world: World, rng: Rng, snow_day: int | None) -> list[Fault]:
    free = _Free(world.layout, rng)
    made: list[Fault | None] = []
    n = world.layout.inputs
    if profile in FAULTS and profile != "clipping":
        many = profile in (
            "shading",
            "dead-input",
            "idle-input",
            "substring-loss",
            "weak-input",
            "unit-silent",
            "unit-standby",
        )
        count = 1 + (int(rng.integers(0, max(1, min(3, n // 6)) + 1)) if many else 0)
        made += [build(profile, world, rng, free, snow_day) for _ in range(count)]
    elif profile in MIXES:
        if profile == "confusable":
            slugs = list(_CONFUSABLE[rng.integers(len(_CONFUSABLE))])
        else:
            weights = np.array(
                [{"shading": 4.0, "dead-input": 2, "unit-silent": 2, "soiling": 1.2}.get(s, 1.0) for s in FAULTS[:-1]]
            )
            many_faults = int(rng.integers(1, 4)) if profile == "mixed" else int(rng.integers(3, 7))
            slugs = [str(s) for s in rng.choice(FAULTS[:-1], many_faults, p=weights / weights.sum())]
        # One fault of the whole site at a time: two would be beyond anybody.
        wide = [s for s in slugs if s in ("curtailment", "grid-out-of-range", "clock-shift", "site-outage", "gateway-silent")]
        slugs = [s for s in slugs if s not in wide] + (wide if profile == "confusable" else wide[:1])
        made += [build(s, world, rng, free, snow_day) for s in slugs]
    # A healthy roof has its own small troubles; any site may have one of these.
    spice: dict[str, Callable[[], Fault | None]] = {
        "like-reconnect": lambda: make.grid_dips(world, rng, int(rng.integers(3, 12))),
        "like-horizon": lambda: make.far_horizon(world, rng),
        "like-short-gaps": lambda: make.short_gaps(world, rng),
        "like-replaced": lambda: make.unit_replaced(world, rng, int(rng.integers(world.layout.units))),
        "like-added": lambda: make.unit_added(world, rng, int(rng.integers(world.layout.units))),
    }
    if profile in spice:
        made.append(spice[profile]())
    elif profile != "healthy":
        for name, chance in (("like-reconnect", 0.12), ("like-horizon", 0.15), ("like-short-gaps", 0.12)):
            if rng.random() < chance:
                made.append(spice[name]())
    order = {"swapped-record": 9, "frozen-readings": 8, "clock-shift": 9}
    return sorted((f for f in made if f is not None), key=lambda f: order.get(f.slug, 0))
