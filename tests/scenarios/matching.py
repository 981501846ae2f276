"""When a finding and a true fault are the same thing.

- A *claim* is what somebody says: a fault, the inputs it covers, the solar days
  from first to last, and a confidence. A finding becomes a claim by expanding its
  place to inputs: one input, all inputs of its unit, of its plane (within its
  gateway, if named), of its gateway, or of the site; and its span to days, every
  day from first seen to last seen.
- A true fault is *found* when claims of its slug that overlap its days (one day of
  tolerance) cover at least half of its inputs.
- A claim is *right* when true faults of its slug that overlap its days hit at least
  half of the inputs it covers. It is *neutral*, neither right nor wrong, when only
  traces of the fault are there (under 3 % and 3 Wh of a day).
- An input-day carries a true label where the fault was material that day. It is
  *healthy* when no true fault of any kind has its span over it; days between are
  neutral. ``clipping`` is information: never a false alarm, but scored as a slug.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sample_logs.sim import SimSite

_EPOCH = date(1970, 1, 1)

#: Slugs nobody could tell apart when these columns are not reported.
_WITHOUT_VOLTAGE = ("no_voltage", "power_energy", "energy_only")
GROUPS: Mapping[str, tuple[str, ...]] = {
    "shading": ("shading",),
    "dead or idle": ("dead-input", "idle-input"),
    "comms": ("unit-silent", "patchy-comms", "gateway-silent"),
    "standby": ("unit-standby", "site-outage"),
}
HARD = ("dead-input", "idle-input", "unit-standby", "unit-silent")


@dataclass(frozen=True)
class Claim:
    """A fault said to be on ``inputs`` (indices) on ``days`` (solar day numbers, all of them)."""

    fault: str
    inputs: frozenset[int]
    days: frozenset[int]
    confidence: float
    loss_wh: float = 0.0
    #: Azimuth of what shades, and how high it stands, degrees; None where not said.
    direction_deg: float | None = None
    height_deg: float | None = None

    @property
    def first(self) -> int:
        return min(self.days)

    @property
    def last(self) -> int:
        return max(self.days)


def day_number(iso_day: str) -> int:
    """Days since 1970 of an ISO date."""
    return (date.fromisoformat(iso_day) - _EPOCH).days


def claims_of(findings: Sequence[Mapping[str, Any]], site: Mapping[str, Any], keys: Sequence[tuple[str, int]]) -> list[Claim]:
    """Findings in their JSON form, as claims; ``site`` is the parsed site TOML."""
    gateway = {u["serial"]: u.get("gateway", "gateway") for u in site["units"]}
    plane = {(u["serial"], i["input"]): i.get("plane", "") for u in site["units"] for i in u["inputs"]}
    out = []
    for f in findings:
        inside = set()
        for n, key in enumerate(keys):
            fits = (
                (f["unit"] is None or f["unit"] == key[0])
                and (f["input"] is None or int(f["input"]) == key[1])
                and (f["unit"] is not None or f["plane"] is None or f["plane"] == plane[key])
                and (f["unit"] is not None or f["gateway"] is None or f["gateway"] == gateway[key[0]])
            )
            if fits:
                inside.add(n)
        days = range(day_number(f["first_seen"]), day_number(f["last_seen"]) + 1)
        evidence = f.get("evidence", {})
        if inside and days:
            out.append(
                Claim(
                    f["fault"],
                    frozenset(inside),
                    frozenset(days),
                    float(f["confidence"]),
                    float(f["loss_wh_total"]),
                    evidence.get("direction_deg"),
                    evidence.get("height_deg"),
                )
            )
    return out


def same(site: SimSite, true: str, said: str, lone_unit: bool = False) -> bool:
    """Whether ``said`` names ``true``, given what this site reports."""
    if true == said:
        return True
    if site.style.columns in _WITHOUT_VOLTAGE:
        if {true, said} == {"dead-input", "idle-input"}:
            return True
        if true == "substring-loss" and said == "weak-input":
            return True
    # A gateway with a single unit: whether the unit or the gateway is silent, nobody can say.
    return lone_unit and {true, said} == {"unit-silent", "gateway-silent"}


@dataclass(frozen=True)
class TrueFault:
    """A true fault on input indices and solar days."""

    fault: str
    inputs: frozenset[int]
    first: int
    last: int
    lost_wh: float
    #: Where the sun stands while shaded: middle azimuth, highest elevation, degrees.
    azimuth_deg: float | None
    top_deg: float | None


def true_faults(site: SimSite) -> list[TrueFault]:
    """The site's true faults, by index and day number."""
    index = {key: n for n, key in enumerate(site.keys)}
    return [
        TrueFault(
            t.fault,
            frozenset(index[key] for key in t.inputs),
            day_number(t.first_day),
            day_number(t.last_day),
            t.lost_wh,
            t.details.get("shade_azimuth_deg"),
            t.details.get("shade_top_deg"),
        )
        for t in site.truth
    ]


@dataclass(frozen=True)
class DayGrid:
    """Input-days of a site as [days, inputs]: which are healthy, which can be judged at all."""

    day0: int
    days: int
    inputs: int
    healthy: NDArray[np.bool_]
    #: (day index, input, fault) with lost Wh, material ones only.
    labels: pd.DataFrame

    def mask(self, claim: Claim) -> NDArray[np.bool_]:
        out = np.zeros((self.days, self.inputs), bool)
        days = [d - self.day0 for d in claim.days if 0 <= d - self.day0 < self.days]
        out[np.ix_(days, sorted(claim.inputs))] = True
        return out


def day_grid(site: SimSite) -> DayGrid:
    """Lay out the site's input-days."""
    energy = site.energy
    day0, n = int(energy["day"].min()), len(site.keys)
    days = int(energy["day"].max()) - day0 + 1
    healthy_wh = energy["healthy_wh"].to_numpy().reshape(days, n)
    expected = energy["expected_rows"].to_numpy().reshape(days, n)
    # A day with next to no light or with the record barely begun cannot be called healthy or not.
    lit = (healthy_wh > np.maximum(20.0, 0.03 * np.median(healthy_wh, axis=0))) & (expected >= 3)
    touched = np.zeros((days, n), bool)
    real = site.labels[site.labels["fault"] != "clipping"]
    if len(real):
        touched[real["day"].to_numpy(dtype=int) - day0, real["input"].to_numpy(dtype=int)] = True
    for t in true_faults(site):
        if t.fault != "clipping":
            touched[max(t.first - day0, 0) : t.last - day0 + 1, sorted(t.inputs)] = True
    labels = site.labels[site.labels["material"].astype(bool)].copy()
    labels["day"] = labels["day"].astype(int) - day0
    return DayGrid(day0, days, n, lit & ~touched, labels)
