"""From what happened to what the gateway wrote: meters, counters, clocks, lost rows."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sample_logs.sim.layout import Layout
from sample_logs.sim.plant import OFF, STANDBY, STATES, Production, World

F = NDArray[np.float64]
B = NDArray[np.bool_]

INPUT_COLUMNS = ("dc_voltage_v", "dc_current_a", "dc_power_w", "energy_total_wh")
UNIT_COLUMNS = ("ac_voltage_v", "ac_frequency_hz", "ac_power_w", "temperature_c", "state", "signal_dbm")


@dataclass
class Recording:
    """What is wrong with the record only. Masks are per output slot."""

    silent: dict[int, B] = field(default_factory=dict)  # unit -> slots not received
    loss: dict[int, F] = field(default_factory=dict)  # unit -> chance a row is lost
    weak_signal_db: dict[int, F] = field(default_factory=dict)
    frozen: dict[int, B] = field(default_factory=dict)  # input -> slots showing an old reading
    frozen_at_night: bool = False
    swaps: list[tuple[int, int, B]] = field(default_factory=list)
    shift_s: dict[int, F] = field(default_factory=dict)  # unit -> added to its stamps
    counter_zero: dict[int, int] = field(default_factory=dict)  # unit -> slot of its replacement


def _bin(a: F, per: int, instant: bool) -> F:
    if per == 1:
        return a
    shaped = a.reshape(a.shape[0] // per, per, *a.shape[1:])
    return np.asarray(shaped[:, -1] if instant else shaped.mean(axis=1))


def _round(a: F, step: float) -> F:
    return np.asarray(np.round(np.round(a / step) * step, 4))


def _lifetime(lay: Layout, drawn: F) -> F:
    """Counters of a site at the start of its record, Wh [N]: of one age, apart by rating, plane and a few per cent.

    ``drawn`` is a random number from 2e4 to 3e6 for each input.
    """
    part = (drawn - 2e4) / (3e6 - 2e4)
    first = np.array([np.flatnonzero(lay.plane_of == p)[0] for p in lay.plane_of])
    return np.asarray(drawn[0] * lay.rating_w / lay.rating_w[0] * (0.85 + 0.3 * part[first]) * (0.96 + 0.08 * part))


def write(world: World, made: Production, wrong: Recording, out_step_s: int, rng: np.random.Generator) -> tuple[pd.DataFrame, B]:
    """The canonical frame the gateway would export, and which rows each unit got through [slots, U]."""
    lay, style, sky = world.layout, world.style, world.sky
    per = out_step_s // sky.step_s
    slots = len(sky.ts) // per
    used = slots * per
    instant = style.label == "instant"
    n, units = lay.inputs, lay.units
    power = _bin(made.power_w[:used], per, instant)
    volts = _bin(made.voltage_v[:used], per, instant)
    awake = _bin(made.awake[:used].astype(float), per, instant) >= 0.5
    if not instant and per > 1:  # voltage is averaged over the time awake
        weight = _bin(made.awake[:used].astype(float), per, False)[:, lay.unit_of]
        volts = np.where(weight > 0, volts / np.maximum(weight, 1e-9), 0.0)
    gain_p = 1 + style.gain_spread * rng.normal(size=n)
    gain_v = 1 + 0.4 * style.gain_spread * rng.normal(size=n)
    noisy = power * gain_p * (1 + style.noise * rng.normal(size=power.shape))
    noisy = np.maximum(noisy + 0.05 * rng.normal(size=power.shape) * (power > 0), 0.0)
    v = np.maximum(volts * gain_v + 0.05 * rng.normal(size=volts.shape) * (volts > 1), 0.0)
    idle_v = rng.uniform(0.0, 0.6, size=n)  # a dead input still shows some tenths of a volt
    v = np.where(volts < 0.05, np.abs(idle_v + 0.1 * rng.normal(size=v.shape)), v)
    v = _round(v, style.voltage_step_v)
    with np.errstate(divide="ignore", invalid="ignore"):
        amps = np.where(v > 1, noisy / np.where(v > 1, v, 1.0), 0.0)
    amps = _round(amps, style.current_step_a)
    watts = _round(v * amps if style.power_is_product else noisy, style.power_step_w)

    gain_e = gain_p * (1 + 0.002 * rng.normal(size=n))
    energy = np.cumsum(made.power_w[:used] * gain_e, axis=0) * (sky.step_s / 3600)
    energy = energy[per - 1 :: per]
    base = _lifetime(lay, rng.uniform(2e4, 3e6, size=n)) if style.counter == "lifetime" else np.zeros(n)
    for u, slot in wrong.counter_zero.items():
        ins = lay.inputs_of_unit(u)
        energy[slot:, ins] -= energy[max(slot - 1, 0), ins]
        energy[slot:, ins] -= base[ins]  # cancels the base below: a new unit starts at zero
    if style.counter == "daily":
        zone = ((sky.ts[::per][:slots] + round(lay.place.longitude * 240)) // 86400).astype(np.int64)
        first = np.searchsorted(zone, zone)
        before = np.where(first[:, None] > 0, energy[np.maximum(first - 1, 0)], 0.0)
        energy = energy - before
    energy = np.floor((energy + base) / style.energy_step_wh) * style.energy_step_wh

    unit_rows = {
        "ac_voltage_v": _round(
            np.maximum(_bin(made.ac_voltage_v[:used], per, instant) + 0.15 * rng.normal(size=(slots, units)), 0),
            0.1,
        ),
        "ac_frequency_hz": _round(_bin(made.frequency_hz[:used], per, instant), 0.01),
        "ac_power_w": _round(
            np.maximum(_bin(made.ac_power_w[:used], per, instant) * (1 + 0.004 * rng.normal(size=(slots, units))), 0),
            style.power_step_w,
        ),
        "temperature_c": _round(
            _bin(made.temperature_c[:used], per, instant) + 0.3 * rng.normal(size=(slots, units)),
            0.1 if style.noise < 0.01 else 1.0,
        ),
    }
    unit_rows["ac_voltage_v"] = np.where(_bin(made.ac_voltage_v[:used], per, True) < 1, 0.0, unit_rows["ac_voltage_v"])
    state = made.state[:used].reshape(slots, per, units)[:, -1].copy()
    state = np.where(awake & (state == OFF), STANDBY, state)
    signal = -55 - 25 * rng.random(units) + 1.5 * rng.normal(size=(slots, units))
    for u, weaker in wrong.weak_signal_db.items():
        signal[:, u] -= weaker
    unit_rows["signal_dbm"] = np.round(signal)

    # A frozen input repeats its last good reading, counter and all, while it lasts.
    values = {"dc_voltage_v": v, "dc_current_a": amps, "dc_power_w": watts, "energy_total_wh": energy}
    reported = awake.copy()
    for i, mask in wrong.frozen.items():
        u = int(lay.unit_of[i])
        idx = np.arange(slots)
        good = awake[:, u] & ~mask & (power[:, i] > 20)
        last = np.maximum.accumulate(np.where(good, idx, -1))
        first_bad = np.flatnonzero(mask)
        source = np.where(mask & (last >= 0), last, idx)
        if len(first_bad) and last[first_bad[0]] < 0:  # frozen from the start: some daytime reading
            day = np.flatnonzero(awake[:, u] & (power[:, i] > 20))
            source = np.where(mask, day[0] if len(day) else idx, source)
        for name, table in values.items():
            values[name] = np.where((np.arange(n) == i)[None, :], table[source, i][:, None], table)
        if wrong.frozen_at_night:
            reported[:, u] |= mask
    # A swap exchanges whole records: readings, unit columns, and whether a row exists at all.
    source_of = np.broadcast_to(np.arange(n), (slots, n)).copy()
    for a, b, mask in wrong.swaps:
        source_of[mask, a], source_of[mask, b] = source_of[mask, b], source_of[mask, a]

    night = ~awake
    if style.night_rows != "none":
        absent = np.zeros_like(awake)
        reported = ~absent
    lost = np.zeros_like(reported)
    lost |= rng.random((slots, units)) < style.packet_loss
    for u, chance in wrong.loss.items():
        lost[:, u] |= rng.random(slots) < chance
    for u, mask in wrong.silent.items():
        lost[:, u] |= mask
    got = reported & ~lost

    label = sky.ts[::per][:slots] + (0 if style.label == "start" else out_step_s)
    t_idx, i_idx = np.nonzero(np.take_along_axis(got[:, lay.unit_of], source_of, axis=1))
    u_idx = lay.unit_of[i_idx]
    from_input = source_of[t_idx, i_idx]
    from_unit = lay.unit_of[from_input]
    stamp = label[t_idx].astype(np.int64)
    for u, shift in wrong.shift_s.items():
        here = u_idx == u
        stamp[here] += shift[t_idx[here]].astype(np.int64)
    if style.jitter_s:  # each unit is read at its own second of the interval
        late = np.random.default_rng(slots).uniform(0, style.jitter_s, (slots, units))
        stamp += late[t_idx, from_unit].astype(np.int64)
    frame: dict[str, object] = {
        "ts": stamp,
        "unit": np.array(lay.serials, dtype=object)[u_idx],
        "input": lay.number[i_idx],
    }
    for name in INPUT_COLUMNS:
        frame[name] = values[name][t_idx, from_input]
    dark = night[t_idx, from_unit]
    if style.night_rows == "standby" and dark.any():
        for name in ("dc_voltage_v", "dc_current_a", "dc_power_w"):
            frozen_now = np.zeros(len(dark), bool)
            for i, mask in wrong.frozen.items():
                frozen_now |= (from_input == i) & mask[t_idx]
            frame[name] = np.where(dark & ~frozen_now, np.nan, np.asarray(frame[name], dtype=float))
    for name in UNIT_COLUMNS:
        if name == "state":
            codes = state[t_idx, from_unit]
            if style.night_rows != "none":
                codes = np.where(dark, OFF if style.night_rows == "zeros" else STANDBY, codes)
            frame[name] = np.array(STATES, dtype=object)[codes]
        else:
            frame[name] = unit_rows[name][t_idx, from_unit]
    written = pd.DataFrame(frame)
    for name in _missing_columns(style.columns):
        written[name] = None if name == "state" else np.nan
    if wrong.shift_s or wrong.swaps:
        written = written.drop_duplicates(["ts", "unit", "input"], keep="first")
    written["unit"] = written["unit"].astype(object)
    order = np.lexsort((written["input"], written["unit"].astype(str), written["ts"]))
    ordered = pd.DataFrame(written).iloc[order].reset_index(drop=True)
    return ordered, got


def _missing_columns(kind: str) -> tuple[str, ...]:
    unit_level = ("ac_voltage_v", "ac_frequency_hz", "ac_power_w", "temperature_c", "signal_dbm")
    return {
        "all": (),
        "no_voltage": ("dc_voltage_v", "dc_current_a"),
        "power_energy": ("dc_voltage_v", "dc_current_a", "state", *unit_level),
        "energy_only": ("dc_voltage_v", "dc_current_a", "dc_power_w", "state", *unit_level),
        "no_state": ("state",),
        "no_ac": unit_level,
        "no_energy": ("energy_total_wh",),
        "no_current": ("dc_current_a",),
    }[kind]


def weather_table(world: World, kind: str, error: str, out_step_s: int, rng: np.random.Generator) -> pd.DataFrame:
    """The weather station's frame (canonical columns plus ``plane``); empty when there is none."""
    columns = [
        "ts",
        "plane",
        "ghi_w_m2",
        "poa_w_m2",
        "dni_w_m2",
        "dhi_w_m2",
        "temp_air_c",
        "temp_module_c",
        "wind_m_s",
    ]
    if kind == "none":
        return pd.DataFrame(columns=columns)
    sky, lay = world.sky, world.layout
    per = out_step_s // sky.step_s
    used = len(sky.ts) // per * per
    label = sky.ts[:used:per] + (0 if world.style.label == "start" else out_step_s)
    bad = np.ones(len(label))
    if error == "gain":
        bad *= float(rng.choice([0.7, 1.25, 1.5]))
    elif error == "drift":
        bad *= np.linspace(1, float(rng.uniform(0.6, 0.85)), len(bad))
    elif error == "shaded":
        hour = ((label + lay.place.longitude * 240) % 86400) / 3600
        bad *= np.where((hour > 8) & (hour < 10.5), 0.3, 1.0)

    def seen(a: F) -> F:
        return np.asarray(np.round(np.maximum(_bin(a[:used], per, False) * bad * (1 + 0.01 * rng.normal(size=len(bad))), 0), 1))

    common = {
        "temp_air_c": np.round(_bin(sky.temp_air_c[:used], per, False) + 0.2 * rng.normal(size=len(bad)), 1),
        "wind_m_s": np.round(_bin(sky.wind_m_s[:used], per, False), 1),
    }
    parts: list[pd.DataFrame] = []
    if kind in ("ghi", "full"):
        parts.append(pd.DataFrame({"ts": label, "plane": "", "ghi_w_m2": seen(sky.ghi), **common}))
    if kind in ("poa", "poa_one", "full"):
        for p, plane in enumerate(lay.planes[: 1 if kind == "poa_one" else None]):
            warm = np.round(_bin(world.cell_c[p][:used], per, False) - 1.5, 1)
            parts.append(
                pd.DataFrame(
                    {
                        "ts": label,
                        "plane": plane.name,
                        "poa_w_m2": seen(world.light[p].total_sensor),
                        "temp_module_c": warm,
                        **common,
                    }
                )
            )
    table = pd.concat(parts, ignore_index=True).reindex(columns=columns)
    return table.sort_values(["ts", "plane"], kind="stable").reset_index(drop=True)


def iso(ts: NDArray[np.int64]) -> NDArray[np.object_]:
    """UTC stamps as text."""
    return np.array(
        [datetime.fromtimestamp(int(t), UTC).strftime("%Y-%m-%dT%H:%M:%SZ") for t in np.unique(ts)],
        dtype=object,
    )[np.unique(ts, return_inverse=True)[1]]
