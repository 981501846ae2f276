"""A simulated site: its files, its tables, and what is true about it."""

from __future__ import annotations

import gzip
import io
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sample_logs.sim.faults import DAY, Fault
from sample_logs.sim.layout import Layout, site_toml
from sample_logs.sim.plant import Conditions, Production, World, empty_production, produce
from sample_logs.sim.record import INPUT_COLUMNS, UNIT_COLUMNS, Recording, iso, weather_table, write
from sample_logs.sim.sky import Sky, cell_temperature, light_on_plane
from sample_logs.sim.style import Style

F = NDArray[np.float64]
_EPOCH = date(1970, 1, 1)
#: Faults that can be there to any degree: a trace of one is not owed a finding.
_GRADUAL = ("shading", "soiling", "weak-input", "substring-loss", "hot-derating")


@dataclass(frozen=True)
class Truth:
    """One true fault at one place.

    ``inputs`` lists (serial, input) of everything it hits; ``unit``, ``input``
    and ``plane`` are None at a higher scope. ``first_day`` and ``last_day``
    are the local solar days (ISO) on which it mattered; ``days`` counts them.
    ``lost_wh`` is what it cost on those days, at the input.
    """

    fault: str
    gateway: str | None
    unit: str | None
    input: int | None
    plane: str | None
    start_ts: int
    end_ts: int
    first_day: str
    last_day: str
    days: int
    lost_wh: float
    inputs: tuple[tuple[str, int], ...]
    details: dict[str, Any] = field(default_factory=dict)

    def to_json(self) -> dict[str, Any]:
        return {**asdict(self), "details": json.loads(json.dumps(self.details, default=_plain))}


def _plain(value: object) -> object:
    if hasattr(value, "__dataclass_fields__"):
        return asdict(value)  # type: ignore[call-overload]
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, np.ndarray):
        return value.tolist()
    return str(value)


@dataclass
class SimSite:
    """One simulated site.

    ``telemetry``, ``weather`` and ``events`` are canonical frames. ``labels``
    has one row per input, day and fault: ``day`` (days since 1970, solar),
    ``input`` (index in the site file), ``fault``, ``lost_wh``, ``material``
    (False where the fault is there but hardly costs or hides anything).
    ``energy`` has one row per input and day: ``healthy_wh`` (without faults),
    ``true_wh`` (made), ``expected_rows``, ``seen_rows``. ``healthy_power_w``
    and ``true_power_w`` are [T, N] on ``ts``. ``planes`` holds the true azimuth and tilt
    (degrees) of each plane, whatever the site file says.
    """

    seed: int
    profile: str
    toml: str
    style: Style
    step_s: int
    telemetry: pd.DataFrame
    weather: pd.DataFrame
    events: pd.DataFrame
    truth: list[Truth]
    lookalikes: list[Truth]
    labels: pd.DataFrame
    energy: pd.DataFrame
    ts: NDArray[np.int64]
    healthy_power_w: F
    true_power_w: F
    keys: tuple[tuple[str, int], ...]
    planes: dict[str, tuple[float, float]]

    def telemetry_csv(self) -> str:
        """The plain CSV of DEVELOPERS.md."""
        t = self.telemetry
        out = pd.DataFrame({"timestamp": iso(t["ts"].to_numpy()), "unit": t["unit"], "input": t["input"]})
        for name in (*INPUT_COLUMNS, *UNIT_COLUMNS):
            if not t[name].isna().all():
                out[name] = t[name]
        return _csv(out)

    def weather_csv(self) -> str | None:
        """The weather CSV, or None without a station; ``plane`` is a column where it matters."""
        if self.weather.empty:
            return None
        w = self.weather
        out = pd.DataFrame({"timestamp": iso(w["ts"].to_numpy())})
        if (w["plane"] != "").any():
            out["plane"] = w["plane"]
        for name in w.columns[2:]:
            if not w[name].isna().all():
                out[name] = w[name]
        return _csv(out)

    def events_csv(self) -> str | None:
        """The gateway log CSV, or None where the gateway keeps none."""
        if self.events.empty:
            return None
        e = self.events
        out = e.drop(columns="ts")
        out.insert(0, "timestamp", iso(e["ts"].to_numpy()))
        return _csv(out)

    def write(self, folder: Path) -> dict[str, Path]:
        """Write site.toml, telemetry.csv.gz, weather.csv.gz, gateway_log.csv and truth.json."""
        folder.mkdir(parents=True, exist_ok=True)
        paths = {"site": folder / "site.toml", "telemetry": folder / "telemetry.csv.gz"}
        paths["site"].write_text(self.toml, encoding="utf-8")
        paths["telemetry"].write_bytes(gzip.compress(self.telemetry_csv().encode(), 9, mtime=0))
        weather, log = self.weather_csv(), self.events_csv()
        if weather is not None:
            paths["weather"] = folder / "weather.csv.gz"
            paths["weather"].write_bytes(gzip.compress(weather.encode(), 9, mtime=0))
        if log is not None:
            paths["gateway_log"] = folder / "gateway_log.csv"
            paths["gateway_log"].write_text(log, encoding="utf-8")
        paths["truth"] = folder / "truth.json"
        paths["truth"].write_text(json.dumps(self.truth_json(), indent=1) + "\n", encoding="utf-8")
        return paths

    def truth_json(self) -> dict[str, Any]:
        """Faults and look-alikes, as kept beside a sample."""
        return {
            "faults": [t.to_json() for t in self.truth],
            "lookalikes": [t.to_json() for t in self.lookalikes],
        }


def _csv(frame: pd.DataFrame) -> str:
    buffer = io.StringIO()
    frame.to_csv(buffer, index=False, lineterminator="\n")
    return buffer.getvalue()


def make_world(layout: Layout, style: Style, sky: Sky, rng: np.random.Generator) -> World:
    """Put the plant under the sky; draws each unit's and module's own habits."""
    place = layout.place
    light = tuple(light_on_plane(sky, p.azimuth_deg, p.tilt_deg, style.transposition) for p in layout.planes)
    cells = tuple(
        cell_temperature(sky, x.beam + x.diffuse, p.heat_loss, p.wind_loss) for x, p in zip(light, layout.planes, strict=True)
    )
    n, u, t = layout.inputs, layout.units, len(sky.ts)
    hour = ((sky.ts + place.longitude * 240) % DAY) / 3600
    slow = np.cumsum(rng.normal(size=t)) * 0.0006 * np.sqrt(sky.step_s / 300)
    slow -= np.convolve(slow, np.ones(201) / 201, mode="same")
    volts = place.nominal_v * (
        1
        + rng.uniform(-0.015, 0.025)
        + 0.010 * np.cos(2 * np.pi * (hour - 13) / 24)
        - 0.008 * np.exp(-(((hour - 19) / 1.8) ** 2))
        + slow
        + 0.0015 * rng.normal(size=t)
    )
    margin = 0.015 * place.nominal_v
    hertz = place.nominal_hz + 0.02 * rng.normal(size=t) + 0.015 * np.sin(2 * np.pi * hour / 24)
    moving = (sky.dni > 20) & (sky.dni < 0.9 * np.maximum(sky.clear_ghi, 1))
    # Clouds cross a roof in seconds: neighbours differ by a little while they do.
    flicker = rng.normal(size=(t, n)) * np.where(moving, style.flicker, 0.001)[:, None] * np.sqrt(300 / sky.step_s)
    return World(
        layout,
        style,
        sky,
        light,
        cells,
        rng.normal(0, 1.2, n),
        style.start_delay_s * rng.uniform(0.8, 1.25, u),
        rng.uniform(0.6, 2.5, u),
        rng.uniform(14, 24, u),
        np.clip(volts, place.low_v + margin, place.high_v - margin),
        hertz,
        rng.normal(0, 0.003, u) * place.nominal_v,
        np.clip(flicker, -0.05, 0.05),
    )


def _copy(p: Production) -> Production:
    return Production(**{k: v.copy() for k, v in vars(p).items()})


def _conditions(faults: Sequence[Fault]) -> Conditions:
    cond = Conditions()
    for f in faults:
        if f.physical:
            f.physical(cond)
    return cond


def simulate(
    world: World,
    faults: Sequence[Fault],
    rng: np.random.Generator,
    out_step_s: int,
    site_id: str,
    name: str,
    commissioned: date,
    seed: int = 0,
    profile: str = "",
    keep: tuple[int, int] | None = None,
    **facts: Any,
) -> SimSite:
    """Run the plant and its gateway; ``keep`` crops the record to [start, end) UTC seconds."""
    lay, sky = world.layout, world.sky
    everyone = range(lay.units)
    same = [f for f in faults if f.lookalike]
    real = [f for f in faults if not f.lookalike]
    base = empty_production(world)
    produce(world, _conditions(same), base, everyone)

    kept = np.ones(len(sky.ts), bool) if keep is None else (sky.ts >= keep[0]) & (sky.ts < keep[1])
    day = (sky.ts + round(lay.place.longitude * 240)) // DAY
    day0 = int(day[0])
    slot = (day - day0).astype(int)
    days = int(slot[-1]) + 1
    hours = sky.step_s / 3600

    def per_day(power: F) -> F:
        out = np.zeros((days, power.shape[1]))
        np.add.at(out, slot[kept], power[kept] * hours)
        return out

    healthy = per_day(base.power_w)
    per = out_step_s // sky.step_s
    labels: list[pd.DataFrame] = []
    truth: list[Truth] = []
    current = base
    before = healthy
    done: list[Fault] = list(same)
    for f in real:
        lost = np.zeros((days, lay.inputs))
        done.append(f)
        if f.physical:
            hit = range(lay.units) if f.level == "site" else sorted({int(lay.unit_of[i]) for i in f.inputs})
            current = _copy(current)
            produce(world, _conditions(done), current, hit)
            after = per_day(current.power_w)
            lost[:, list(f.inputs)] = (before - after)[:, list(f.inputs)]
            before = after
        labels.append(_label(f, lost, healthy, world, base, kept, slot, days))
        truth.extend(_truths(f, labels[-1], lay, day0))
    for u in np.flatnonzero(base.clipped[kept].any(axis=0)):
        ins = lay.inputs_of_unit(int(u))
        clip = Fault("clipping", int(sky.ts[0]), int(sky.ts[-1]), tuple(int(i) for i in ins), "unit")
        over = per_day(np.where(base.clipped[:, [u]], base.unclipped_w[:, ins] - base.power_w[:, ins], 0.0))
        minutes = np.zeros(days)
        np.add.at(minutes, slot[kept], current.clipped[kept, u] * sky.step_s / 60)
        table = pd.DataFrame(
            {
                "day": np.repeat(np.arange(days), len(ins)),
                "input": np.tile(ins, days),
                "fault": "clipping",
                "lost_wh": over.ravel(),
                "material": np.repeat(minutes >= 30, len(ins)) & (over > 0.005 * healthy[:, ins]).ravel(),
            }
        )
        table = table[np.repeat(minutes > 0, len(ins))]
        labels.append(table)
        truth.extend(_truths(clip, table, lay, day0))

    wrong = Recording()
    for f in faults:
        if f.recording:
            f.recording(wrong, out_step_s)
    if world.style.night_rows == "none" and wrong.frozen_at_night and world.style.label == "start":
        wrong.frozen_at_night = True
    telemetry, got = write(world, current, wrong, out_step_s, rng)
    if keep is not None:
        telemetry = telemetry[(telemetry["ts"] >= keep[0]) & (telemetry["ts"] < keep[1])].reset_index(drop=True)
    weather = weather_table(world, world.style.weather, world.style.weather_error, out_step_s, rng)
    events = _events(world, faults, rng) if world.style.gateway_log else _no_events()

    awake = base.awake[: len(got) * per].reshape(len(got), per, lay.units)[:, -1] & kept[per - 1 :: per][: len(got), None]
    out_slot = slot[per - 1 :: per][: len(got)]
    expected, seen = np.zeros((days, lay.units)), np.zeros((days, lay.units))
    np.add.at(expected, out_slot, awake)
    np.add.at(seen, out_slot, awake & got)
    energy = pd.DataFrame(
        {
            "day": np.repeat(np.arange(days) + day0, lay.inputs),
            "input": np.tile(np.arange(lay.inputs), days),
            "healthy_wh": healthy.ravel(),
            "true_wh": per_day(current.power_w).ravel(),
            "expected_rows": expected[:, lay.unit_of].ravel(),
            "seen_rows": seen[:, lay.unit_of].ravel(),
        }
    )
    table = (
        pd.concat(labels, ignore_index=True) if labels else pd.DataFrame(columns=["day", "input", "fault", "lost_wh", "material"])
    )
    table["day"] = table["day"].astype(int) + day0
    keys = tuple((lay.serials[lay.unit_of[i]], int(lay.number[i])) for i in range(lay.inputs))
    alike = [
        Truth(
            f.slug,
            None,
            None,
            None,
            None,
            f.start,
            f.end,
            "",
            "",
            0,
            0.0,
            tuple(keys[i] for i in f.inputs),
            f.details,
        )
        for f in same
    ]
    return SimSite(
        seed,
        profile,
        site_toml(lay, site_id, name, world.style, commissioned, **facts),
        world.style,
        out_step_s,
        telemetry,
        weather,
        events,
        truth,
        alike,
        table,
        energy,
        sky.ts,
        base.power_w,
        current.power_w,
        keys,
        {p.name: (p.azimuth_deg, p.tilt_deg) for p in lay.planes},
    )


def _label(
    f: Fault,
    lost: F,
    healthy: F,
    world: World,
    base: Production,
    kept: NDArray[np.bool_],
    slot: NDArray[np.int64],
    days: int,
) -> pd.DataFrame:
    lay = world.layout
    ins = np.array(f.inputs, dtype=int)
    during = f.during(world.ts) & kept
    awake_min = np.zeros((days, lay.units))
    np.add.at(awake_min, slot[during], base.awake[during] * (world.sky.step_s / 60))
    touched = awake_min[:, lay.unit_of[ins]] >= 30
    if f.physical:
        share = lost[:, ins] / np.maximum(healthy[:, ins], 1e-9)
        there = touched & ((share > 0.003) & (lost[:, ins] > 0.5))
        # A fault that hardly costs anything on a day is there, but nobody owes it a finding.
        material = there & (share > 0.03) & (lost[:, ins] > 3)
        whole = lost[:, ins].sum(axis=0) / np.maximum(healthy[:, ins].sum(axis=0), 1e-9)
        if f.slug in _GRADUAL:  # the last edge of a shadow is nobody's fault
            enough = material.sum(axis=0) >= min(3, int(touched.any(axis=1).sum()))
            material &= ((whole > 0.01) & enough)[None, :]
    else:
        there = touched
        material = touched & (awake_min[:, lay.unit_of[ins]] >= 90)
    d, j = np.nonzero(there)
    return pd.DataFrame({"day": d, "input": ins[j], "fault": f.slug, "lost_wh": lost[d, ins[j]], "material": material[d, j]})


def _truths(f: Fault, labels: pd.DataFrame, lay: Layout, day0: int) -> list[Truth]:
    """One truth per place: per input where the fault lives at an input, else one."""
    labels = labels[labels["material"].astype(bool)]
    if labels.empty:
        return []

    def one(part: pd.DataFrame, i: int | None) -> Truth:
        seen = part["day"].to_numpy(dtype=int)
        first, last = (_EPOCH + timedelta(days=day0 + int(k)) for k in (seen.min(), seen.max()))
        ins = sorted(part["input"].unique()) if i is None else [i]
        units = {int(lay.unit_of[k]) for k in ins}
        at_unit = f.level == "unit" and len(units) == 1
        planes = {int(lay.plane_of[k]) for k in ins}
        details = {k: v for k, v in f.details.items() if k not in ("direction", "shade")}
        if i is not None and "direction" in f.details:
            details["azimuth_deg"], details["elevation_deg"] = f.details["direction"][i]
        if i is not None:
            details.update(f.details.get("shade", {}).get(i, {}))
        return Truth(
            f.slug,
            f.details.get("gateway"),
            lay.serials[min(units)] if i is not None or at_unit else None,
            int(lay.number[i]) if i is not None else None,
            lay.planes[min(planes)].name if len(planes) == 1 and f.level in ("input", "plane") else None,
            f.start,
            f.end,
            first.isoformat(),
            last.isoformat(),
            len(set(seen.tolist())),
            float(part["lost_wh"].sum()),
            tuple((lay.serials[lay.unit_of[k]], int(lay.number[k])) for k in ins),
            details,
        )

    if f.level == "input":
        hit = labels["input"].to_numpy(dtype=int)
        return [one(labels[hit == i], int(i)) for i in np.unique(hit)]
    if f.level == "unit":
        group = lay.unit_of[labels["input"].to_numpy(dtype=int)]
        return [one(part, None) for _, part in labels.groupby(group)]
    return [one(labels, None)]


def _no_events() -> pd.DataFrame:
    return pd.DataFrame({"ts": np.array([], dtype=np.int64), "source": [], "event": [], "detail": []})


def _events(world: World, faults: Sequence[Fault], rng: np.random.Generator) -> pd.DataFrame:
    gateways = sorted(set(world.layout.unit_gateway))
    rows = [(int(world.ts[0]) + 60, g, "online", "") for g in gateways]
    for f in faults:
        rows += f.events
    for g in gateways:  # a gateway restarts now and then for its own reasons
        for _ in range(rng.poisson((world.ts[-1] - world.ts[0]) / DAY / 12)):
            rows.append((int(rng.uniform(world.ts[0], world.ts[-1])), g, "restart", ""))
    table = pd.DataFrame(rows, columns=["ts", "source", "event", "detail"])
    return table.drop_duplicates().sort_values(["ts", "source", "event"]).reset_index(drop=True)
