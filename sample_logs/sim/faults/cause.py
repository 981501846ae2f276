"""A fault as the simulator sees it: one cause, its place and span, and what it does.

``physical`` acts on the plant, ``recording`` on the record. A look-alike is the
same with ``lookalike=True``: it acts, but is no fault.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_logs.sim.plant import Conditions, World
from sample_logs.sim.record import Recording

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


def slots(world: World, seconds: int) -> NDArray[np.int64]:
    """Start of each output slot of ``seconds``, UTC seconds."""
    per = seconds // world.sky.step_s
    return world.ts[::per][: len(world.ts) // per]


def inputs_of(world: World, u: int) -> tuple[int, ...]:
    """The inputs of a unit."""
    return tuple(int(i) for i in world.layout.inputs_of_unit(u))
