"""The choices a simulator's author makes, drawn anew for each site.

Rules that only work under one author's habits are not general; so transposition,
sky, cloud process, softness of shadows, noise, rounding, time labels, counters
and the columns reported all vary from site to site.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np


@dataclass(frozen=True)
class Style:
    """One author's habits. Times in seconds, the rest in the unit of its name."""

    clear_sky: str = "ineichen"  # ineichen, solis, haurwitz
    turbidity_factor: float = 1.0
    transposition: str = "haydavies"  # haydavies, perez, isotropic, klucher
    clouds: str = "passages"  # passages, smooth
    cloudiness: float = 0.5
    linear_module: bool = False
    softness: float = 1.0
    module_spread: float = 0.015
    rating_bias: float = 0.0
    gain_spread: float = 0.008
    noise: float = 0.004
    flicker: float = 0.012
    dirt_base: float = 0.02
    voltage_step_v: float = 0.1
    current_step_a: float = 0.01
    power_step_w: float = 0.1
    energy_step_wh: float = 1.0
    power_is_product: bool = True
    jitter_s: float = 0.0
    label: str = "end"  # end, start, instant
    counter: str = "lifetime"  # lifetime, from_zero, daily
    night_rows: str = "none"  # none, zeros, standby
    packet_loss: float = 0.003
    start_delay_s: float = 90.0
    clip_share: str = "proportional"  # proportional, per_input
    columns: str = "all"  # all, no_voltage, power_energy, energy_only, no_state, no_ac, no_energy, no_current
    weather: str = "none"  # none, ghi, poa, poa_one, full
    weather_error: str = "none"  # none, gain, drift, shaded
    gateway_log: bool = False
    site_file: str = "full"  # full, no_orientation, sparse


def draw_style(rng: np.random.Generator, **fixed: Any) -> Style:
    """A style at random; ``fixed`` holds the choices that are not free."""

    def pick(**weights: float) -> str:
        names = list(weights)
        p = np.array([weights[n] for n in names])
        return names[rng.choice(len(names), p=p / p.sum())]

    style = Style(
        clear_sky=pick(ineichen=6, solis=2, haurwitz=2),
        turbidity_factor=float(rng.uniform(0.75, 1.3)),
        transposition=pick(haydavies=4, perez=4, isotropic=1.5, klucher=1),
        clouds=pick(passages=7, smooth=3),
        cloudiness=float(rng.uniform(0.15, 0.8)),
        linear_module=bool(rng.random() < 0.2),
        softness=float(rng.choice([0.5, 1.0, 2.0, 4.0], p=[0.2, 0.4, 0.25, 0.15])),
        module_spread=float(rng.uniform(0.005, 0.03)),
        rating_bias=float(rng.normal(-0.01, 0.03)),
        gain_spread=float(rng.uniform(0.002, 0.012)),
        noise=float(rng.choice([0.001, 0.004, 0.01, 0.02], p=[0.25, 0.4, 0.25, 0.1])),
        flicker=float(rng.choice([0.003, 0.012, 0.03], p=[0.3, 0.5, 0.2])),
        dirt_base=float(rng.uniform(0.0, 0.05)),
        voltage_step_v=float(rng.choice([0.001, 0.1, 0.5, 1.0], p=[0.2, 0.5, 0.2, 0.1])),
        current_step_a=float(rng.choice([0.001, 0.01, 0.05, 0.1], p=[0.3, 0.4, 0.2, 0.1])),
        power_step_w=float(rng.choice([0.01, 0.1, 1.0], p=[0.3, 0.4, 0.3])),
        energy_step_wh=float(rng.choice([0.1, 1.0, 10.0], p=[0.2, 0.65, 0.15])),
        power_is_product=bool(rng.random() < 0.6),
        jitter_s=float(rng.choice([0.0, 20.0], p=[0.88, 0.12])),
        label=pick(end=4, start=3, instant=3),
        counter=pick(lifetime=8, from_zero=1.5, daily=0.5),
        night_rows=pick(none=7, zeros=1.7, standby=1.3),
        packet_loss=float(rng.choice([0.0, 0.002, 0.01, 0.03], p=[0.25, 0.35, 0.3, 0.1])),
        start_delay_s=float(rng.uniform(20, 300)),
        clip_share=pick(proportional=6, per_input=4),
        columns=pick(
            all=12,
            no_voltage=1.2,
            power_energy=1.2,
            energy_only=1,
            no_state=2,
            no_ac=1.5,
            no_energy=1,
            no_current=1,
        ),
        weather=pick(none=4, ghi=3, poa=1.5, poa_one=0.8, full=1.5),
        weather_error=pick(none=9, gain=0.6, drift=0.4, shaded=0.4),
        gateway_log=bool(rng.random() < 0.6),
        site_file=pick(full=7, no_orientation=1.5, sparse=1.5),
    )
    return replace(style, **fixed)
