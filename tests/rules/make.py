"""Small sites with known faults, for the tests of the rules.

Deterministic. Sun, sky, transposition, cell temperature and module power come from
pvlib, with other models than the rules use where pvlib has them (simplified Solis
clear sky, Hay-Davies transposition, Faiman cell temperature, PVWatts module), so that
the rules are not tested against themselves. Invented data, not measurements.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache
from typing import TypeVar

import numpy as np
import pandas as pd
import pvlib
from numpy.typing import NDArray

from collectors.columns import EVENT_COLUMNS, TELEMETRY_COLUMNS, WEATHER_COLUMNS
from collectors.site import SiteDescription, parse_site
from rules.candidate import Candidate
from rules.case import Case
from rules.daytable import DayTable
from rules.engine import judge, reduce_days
from rules.finding import Finding
from rules.registry import all_rules
from triage.check import CheckResult, check_files
from triage.importing import Loaded

Floats = NDArray[np.float64]
_Told = TypeVar("_Told", Finding, Candidate)
Mask = NDArray[np.bool_]

#: 2024-05-20, the first solar day of most records.
FIRST_DAY = 19863
VMP, IMP, VOC, PMAX = 33.0, 12.12, 40.2, 400.0
GAMMA, BETA = -0.0035, -0.0028
RATED_VA = 800.0
PLANES = {"south": (180.0, 25.0), "west": (265.0, 20.0)}


def site_text(
    units: Sequence[Sequence[str]] = (("south",) * 2,) * 3 + (("west",) * 2,) * 2,
    planes: dict[str, tuple[float, float] | None] | None = None,
    latitude: float = 40.0,
    longitude: float = -3.0,
    rated_va: float | None = RATED_VA,
    gateways: Sequence[str] = (),
    branches: Sequence[str] = (),
    grid: str = "nominal_v = 230.0\nnominal_hz = 50.0\nlow_v = 207.0\nhigh_v = 253.0\n"
    "low_hz = 47.5\nhigh_hz = 51.5\nreconnect_s = 300\n",
    module: str = "",
) -> str:
    """A site file; ``units`` lists each unit's inputs by their plane ("" leaves it out)."""
    lines = [
        '[site]\nid = "made"\nname = "Made for a test"\ntimezone = "UTC"\naltitude_m = 200',
        f"latitude = {latitude}\nlongitude = {longitude}",
        'tariff_per_kwh = 0.25\ncurrency = "EUR"\nvisit_cost = 120.0',
        f"[grid]\n{grid}",
        f"[modules.m]\npmax_w = {PMAX}",
        module
        or f"vmp_v = {VMP}\nimp_a = {IMP}\nvoc_v = {VOC}\nisc_a = 12.9\ncells = 108\nsubstrings = 3\n"
        f"gamma_pmax_pct_k = {100 * GAMMA}\nbeta_voc_pct_k = {100 * BETA}\nalpha_isc_pct_k = 0.05",
        "[inverters.i]" + (f"\nrated_va = {rated_va}" if rated_va else ""),
    ]
    for name, facing in (PLANES if planes is None else planes).items():
        lines.append(f"[planes.{name}]")
        if facing is not None:
            lines.append(f"azimuth_deg = {facing[0]}\ntilt_deg = {facing[1]}")
    for u, inputs in enumerate(units):
        gateway, branch = gateways[u] if gateways else "G1", branches[u] if branches else "B1"
        lines.append(f'[[units]]\nserial = "U{u + 1}"\ninverter = "i"\ngateway = "{gateway}"\nbranch = "{branch}"')
        for i, plane in enumerate(inputs):
            lines.append(f'[[units.inputs]]\ninput = {i + 1}\nmodule = "m"')
            if plane:
                lines.append(f'plane = "{plane}"')
    return "\n".join(lines) + "\n"


@cache
def sky(latitude: float, longitude: float, first: int, days: int, step: int) -> dict[str, Floats]:
    """Sun and clear sky over whole solar days: ts and pvlib's columns, each [T]."""
    start = first * 86400 - round(longitude * 240)
    ts = np.arange(start + (-start) % step, start + days * 86400, step)
    index = pd.DatetimeIndex(pd.to_datetime(ts, unit="s", utc=True))
    sun = pvlib.solarposition.get_solarposition(index, latitude, longitude, altitude=200)
    # Given as day numbers: pvlib's own conversion of an index warns with current pandas.
    extra = np.asarray(pvlib.irradiance.get_extra_radiation(index.day_of_year.to_numpy()))
    solis = pvlib.clearsky.simplified_solis(sun["apparent_elevation"], aod700=0.1, precipitable_water=1.5, dni_extra=extra)
    return {
        "ts": ts.astype(float),
        "zenith": sun["apparent_zenith"].to_numpy(),
        "azimuth": sun["azimuth"].to_numpy(),
        "extra": extra,
        "ghi": solis["ghi"].clip(lower=0).fillna(0).to_numpy(),
        "dni": solis["dni"].clip(lower=0).fillna(0).to_numpy(),
    }


def cloud_course(days: int, slots: int, kinds: str, seed: int) -> Floats:
    """Clear-sky index [days * slots]: ``c`` clear, ``m`` broken cloud, ``o`` overcast, cycled over days."""
    rng = np.random.default_rng(seed)
    out = np.ones((days, slots))
    for d in range(days):
        kind = kinds[d % len(kinds)]
        if kind == "c":
            continue
        knots = rng.uniform(0.35, 1.05, 60) if kind == "m" else rng.uniform(0.15, 0.3, 14)
        out[d] = np.interp(np.linspace(0, 1, slots), np.linspace(0, 1, len(knots)), knots)
    return out.ravel()


@dataclass
class Roof:
    """A site and its record; injectors change it in place.

    ``power``, ``volts`` [T, N] W and V; ``healthy`` is the power without faults;
    ``heard`` [T, N] rows that exist; ``ac_volts``, ``hertz``, ``heat`` [T, U];
    ``state`` [T, U]; ``poa`` [T, N] W/m2; ``ghi``, ``air`` [T].
    """

    text: str
    site: SiteDescription
    ts: NDArray[np.int64]
    days: int
    step: int
    power: Floats
    volts: Floats
    heard: Mask
    ac_volts: Floats
    hertz: Floats
    heat: Floats
    state: NDArray[np.object_]
    poa: Floats
    beam_share: Floats
    ghi: Floats
    air: Floats
    sun_azimuth: Floats
    sun_elevation: Floats
    healthy: Floats = field(default_factory=lambda: np.zeros(0))
    held: list[tuple[int, Mask]] = field(default_factory=list)
    shift_s: Floats = field(default_factory=lambda: np.zeros(0))
    counter_offset: Floats = field(default_factory=lambda: np.zeros(0))
    counter_reset_at: dict[int, int] = field(default_factory=dict)
    counter_daily: bool = False
    without: set[str] = field(default_factory=set)

    # -- when and where ---------------------------------------------------

    @property
    def day(self) -> NDArray[np.int64]:
        """Position of each slot's solar day in the record, [T]."""
        solar = (self.ts + round(self.site.site.longitude * 240)) // 86400
        return solar - solar[0]

    @property
    def hour(self) -> Floats:
        """Local mean solar time, h, [T]."""
        return ((self.ts + round(self.site.site.longitude * 240)) % 86400) / 3600.0

    def when(self, first: int = 0, last: int = 10**6, start: float = 0.0, end: float = 24.0) -> Mask:
        """Slots of days ``first`` to ``last`` (both included) from ``start`` to ``end`` o'clock."""
        return (self.day >= first) & (self.day <= last) & (self.hour >= start) & (self.hour < end)

    def inputs_of(self, unit: int) -> list[int]:
        return [ref.index for ref in self.site.inputs if ref.unit_index == unit]

    def lost_wh(self, inputs: Sequence[int] | None = None) -> float:
        """Wh lost by the faults injected."""
        lost = self.healthy - self.power
        return float((lost if inputs is None else lost[:, list(inputs)]).sum() * self.step / 3600.0)

    # -- faults ------------------------------------------------------------

    def scale(self, n: int, factor: float | Floats, when: Mask) -> Roof:
        """Current falls, voltage stays."""
        self.power[when, n] *= factor if np.isscalar(factor) else np.asarray(factor)[when]
        return self

    def dead(self, n: int, when: Mask) -> Roof:
        self.power[when, n] = 0.0
        self.volts[when, n] = 0.4
        return self

    def idle(self, n: int, when: Mask) -> Roof:
        self.power[when, n] = 0.0
        self.volts[when, n] = 0.95 * VOC
        return self

    def bypass(self, n: int, lost: int, when: Mask) -> Roof:
        """``lost`` of three substrings bypassed: a third of the voltage each, current stays."""
        left = (3 - lost) / 3
        self.power[when, n] *= left
        self.volts[when, n] *= left
        return self

    def standby(self, u: int, when: Mask, state: str = "standby") -> Roof:
        for n in self.inputs_of(u):
            self.power[when, n] = 0.0
            self.volts[when, n] = 0.95 * VOC
        self.state[when, u] = state
        return self

    def silent(self, u: int, when: Mask) -> Roof:
        self.heard[np.ix_(when, self.inputs_of(u))] = False
        return self

    def shade(self, n: int, azimuth: tuple[float, float], below: float, depth: float) -> Roof:
        """Something between two azimuths up to a height takes ``depth`` of the beam's share."""
        behind = (self.sun_azimuth > azimuth[0]) & (self.sun_azimuth < azimuth[1]) & (self.sun_elevation < below)
        factor = np.where(behind, 1 - depth * self.beam_share[:, n], 1.0)
        return self.scale(n, factor, np.ones(len(self.ts), bool))

    def freeze(self, n: int, when: Mask) -> Roof:
        """The record repeats the first reading of each day's window; the input goes on."""
        self.held.append((n, when))
        return self

    # -- frames -------------------------------------------------------------

    def frame(self) -> pd.DataFrame:
        """The canonical telemetry frame."""
        t, n = self.power.shape
        unit_of = np.array([ref.unit_index for ref in self.site.inputs])
        energy = np.round(np.cumsum(self.power, axis=0) * self.step / 3600.0 + 1000.0 * (1 + np.arange(n)), 1)
        if self.counter_daily:
            before = np.concatenate([[-1], self.day[:-1]])
            energy -= energy[np.maximum.accumulate(np.where(self.day != before, np.arange(t), 0))]
        for k, at in self.counter_reset_at.items():
            energy[at:, k] -= energy[at, k]
        power, volts = np.round(self.power, 1), np.round(self.volts, 2)
        with np.errstate(invalid="ignore", divide="ignore"):
            amps = np.round(np.where(self.volts > 1, self.power / self.volts, 0.0), 3)
        for k, when in self.held:
            index = np.where(when, -1, np.arange(t))
            index = np.where(when & np.r_[True, ~when[:-1]], np.arange(t), index)
            source = np.maximum.accumulate(index)
            for column in (power, volts, amps, energy):
                column[:, k] = column[source, k]
        made = np.zeros((t, len(self.site.units)))
        np.add.at(made.T, unit_of, self.power.T)
        columns = {
            "dc_voltage_v": volts, "dc_current_a": amps, "dc_power_w": power, "energy_total_wh": energy,
            "ac_voltage_v": np.round(self.ac_volts, 1)[:, unit_of],
            "ac_frequency_hz": np.round(self.hertz, 2)[:, unit_of],
            "ac_power_w": np.round(0.96 * made, 1)[:, unit_of],
            "temperature_c": np.round(self.heat, 1)[:, unit_of],
            "state": self.state[:, unit_of], "signal_dbm": np.full((t, n), -60.0),
        }  # fmt: skip
        rows = self.heard.ravel()
        ts = self.ts if not self.shift_s.size else self.ts + self.shift_s.astype(np.int64)
        data: dict[str, object] = {
            "ts": np.repeat(ts, n)[rows].astype(np.int64),
            "unit": np.tile([ref.unit for ref in self.site.inputs], t)[rows],
            "input": np.tile([ref.input for ref in self.site.inputs], t)[rows].astype(np.int64),
        }
        for name, values in columns.items():
            data[name] = values.ravel()[rows]
            if name in self.without:
                data[name] = np.full(int(rows.sum()), None if name == "state" else np.nan)
        frame = pd.DataFrame(data)[list(TELEMETRY_COLUMNS)]
        frame["state"] = frame["state"].astype(object)
        if not self.shift_s.size:
            return frame
        key = ["ts", "unit", "input"]
        return frame.drop_duplicates(key).sort_values(key, ignore_index=True)

    def weather(self, air: bool = True, ghi: bool = True, poa_of: str | None = None, step: int = 900) -> pd.DataFrame:
        """The weather a station would have written."""
        pick = self.ts % step == 0
        frame = pd.DataFrame({"ts": self.ts[pick], "plane": "", **dict.fromkeys(WEATHER_COLUMNS, np.nan)})
        if air:
            frame["temp_air_c"] = self.air[pick]
        if ghi:
            frame["ghi_w_m2"] = self.ghi[pick]
        if poa_of is not None:
            n = next(ref.index for ref in self.site.inputs if ref.plane == poa_of)
            frame["poa_w_m2"] = self.poa[pick, n]
            frame["plane"] = poa_of
        return frame


def make_roof(
    days: int = 14,
    kinds: str = "cmccoc",
    step: int = 300,
    first: int = FIRST_DAY,
    air_c: float = 20.0,
    spread: float = 0.008,
    seed: int = 7,
    **site_options: object,
) -> Roof:
    """A healthy site's record.

    Parameters
    ----------
    days, step, first : length, logging step (s) and first solar day of the record.
    kinds : sky of the days, see :func:`cloud_course`.
    air_c : mean air temperature; it swings by 6 K over the day.
    spread : spread of the modules' ratings.
    site_options : see :func:`site_text`.
    """
    text = site_text(**site_options)  # type: ignore[arg-type]
    site = parse_site(text)
    seen = sky(site.site.latitude, site.site.longitude, first, days, step)
    ts = seen["ts"].astype(np.int64)
    rng = np.random.default_rng(seed)
    index = cloud_course(days, 86400 // step, kinds, seed)[: len(ts)]
    index = np.pad(index, (0, len(ts) - len(index)), mode="edge")
    solar = ((ts + round(site.site.longitude * 240)) % 86400) / 3600.0
    air = air_c - 6 * np.cos(2 * np.pi * (solar - 3) / 24)
    zenith, cosz = seen["zenith"], np.maximum(np.cos(np.radians(seen["zenith"])), 0.0)
    ghi, dni = seen["ghi"] * index, seen["dni"] * np.clip((index - 0.3) / 0.7, 0, 1.02) ** 1.3
    dhi = np.maximum(ghi - dni * cosz, 0.0)
    n = len(site.inputs)
    power, volts = np.zeros((len(ts), n)), np.zeros((len(ts), n))
    poa, beam = np.zeros((len(ts), n)), np.zeros((len(ts), n))
    rating = 1 + spread * rng.standard_normal(n)
    true = dict(PLANES) | {k: v for k, v in dict(site_options.get("planes") or {}).items() if v}  # type: ignore[call-overload]
    plane_light: dict[tuple[float, float], tuple[Floats, Floats, Floats]] = {}
    for ref in site.inputs:
        k = ref.index
        azimuth, tilt = true.get(ref.plane, (180.0, 25.0))
        if (azimuth, tilt) not in plane_light:
            total = pvlib.irradiance.get_total_irradiance(
                tilt, azimuth, zenith, seen["azimuth"], dni, ghi, dhi, dni_extra=seen["extra"], model="haydavies"
            )
            aoi = pvlib.irradiance.aoi(tilt, azimuth, zenith, seen["azimuth"])
            direct = np.nan_to_num(total["poa_direct"]) * pvlib.iam.ashrae(aoi)
            effective = np.where(zenith < 90, direct + np.nan_to_num(total["poa_diffuse"]), 0.0)
            plane_light[azimuth, tilt] = (effective, direct, pvlib.temperature.faiman(effective, air, 1.5))
        effective, direct, cell = plane_light[azimuth, tilt]
        power[:, k] = np.maximum(pvlib.pvsystem.pvwatts_dc(effective, cell, PMAX, GAMMA), 0) * rating[k]
        power[:, k] *= 1 + 0.003 * rng.standard_normal(len(ts))
        log_light = np.log(np.clip(effective / 1000, 1e-4, None))
        volts[:, k] = VMP * (1 + BETA * (cell - 25)) * (1 + 0.02 * log_light)
        volts[:, k] *= 1 + 0.002 * rng.standard_normal(len(ts))
        poa[:, k], beam[:, k] = effective, direct / np.maximum(effective, 1e-6)
    power[power < 0.004 * PMAX] = 0.0
    u = len(site.units)
    unit_of = np.array([ref.unit_index for ref in site.inputs])
    awake = np.zeros((len(ts), u), bool)
    np.logical_or.at(awake.T, unit_of, power.T > 0.004 * PMAX)
    load = np.zeros((len(ts), u))
    np.add.at(load.T, unit_of, power.T)
    roof = Roof(
        text=text, site=site, ts=ts, days=days, step=step, power=power, volts=volts, heard=awake[:, unit_of],
        ac_volts=231 + rng.normal(0, 0.8, (len(ts), u)), hertz=50 + rng.normal(0, 0.01, (len(ts), u)),
        heat=air[:, None] + 0.012 * load + rng.normal(0, 0.3, (len(ts), u)),
        state=np.full((len(ts), u), "producing", object), poa=poa, beam_share=beam, ghi=ghi, air=air,
        sun_azimuth=seen["azimuth"], sun_elevation=90 - zenith,
    )  # fmt: skip
    roof.healthy = roof.power.copy()
    return roof


NO_EVENTS = pd.DataFrame({"ts": np.zeros(0, np.int64), **{c: np.zeros(0, object) for c in EVENT_COLUMNS}})
NO_WEATHER = pd.DataFrame({"ts": np.zeros(0, np.int64), "plane": np.zeros(0, object), **{c: np.zeros(0) for c in WEATHER_COLUMNS}})


def empty_frame() -> pd.DataFrame:
    return make_roof(days=1).frame().iloc[:0]


def loaded(roof: Roof, weather: pd.DataFrame | None = None, events: pd.DataFrame | None = None) -> Loaded:
    return Loaded(
        telemetry=roof.frame(),
        weather=NO_WEATHER if weather is None else weather,
        events=NO_EVENTS if events is None else events,
        rejected_rows={},
    )


def check(roof: Roof, weather: pd.DataFrame | None = None, events: pd.DataFrame | None = None) -> CheckResult:
    """The whole job on a made record."""
    return check_files(roof.site, loaded(roof, weather, events))


def table_of(roof: Roof, weather: pd.DataFrame | None = None, span: tuple[int, int] | None = None) -> DayTable:
    return reduce_days(roof.site, roof.frame(), NO_WEATHER if weather is None else weather, span=span)


def case_of(roof: Roof, weather: pd.DataFrame | None = None, events: pd.DataFrame | None = None) -> Case:
    return Case(table_of(roof, weather), events)


def run_rule(slug: str, case: Case):  # type: ignore[no-untyped-def]
    """What one rule says, before causes are weighed."""
    rule = next(r for r in all_rules() if r.slug == slug)
    with np.errstate(invalid="ignore", divide="ignore"):
        return rule.judge(case)


def findings(roof: Roof, slug: str | None = None, weather: pd.DataFrame | None = None) -> list[Finding]:
    found = judge(table_of(roof, weather)).findings
    return [f for f in found if slug is None or f.fault == slug]


def only(found: Sequence[_Told]) -> _Told:
    """The one finding (or candidate) there should be."""
    assert len(found) == 1, [(f.fault, f.why, f.days) for f in found]
    return found[0]
