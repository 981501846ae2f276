"""Measure one site: run the product and the peers, count what each got right."""

from __future__ import annotations

import tempfile
import time
import tomllib
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from collectors.site import parse_site
from rules.engine import judge
from sample_logs.sim import SimSite
from tests.scenarios.library import Scenario, site_of, table_of
from tests.scenarios.matching import (
    GROUPS,
    HARD,
    Claim,
    DayGrid,
    TrueFault,
    claims_of,
    day_grid,
    same,
    true_faults,
)
from tests.scenarios.peers import peer_claims
from triage.check import check_files
from triage.importing import Loaded, read_files

PRODUCT = "callout"
#: Nights we wait for a hard fault to be named before we call it missed.
PATIENCE = 4
NOT_FOUND, HEALTHY = "not found", "healthy"


@dataclass
class Tally:
    """What one judge did on one site; counts add up over sites."""

    #: fault or group -> true faults, found, claims that are not neutral, right
    events: dict[str, list[int]] = field(default_factory=dict)
    groups: dict[str, list[int]] = field(default_factory=dict)
    #: (true, said) -> input-days
    confusion: Counter[tuple[str, str]] = field(default_factory=Counter)
    healthy_days: int = 0
    false_days: int = 0
    lost_wh: float = 0.0
    noticed_wh: float = 0.0
    named_wh: float = 0.0
    #: (confidence, right) per claim
    trust: list[tuple[float, bool]] = field(default_factory=list)
    loss_errors: list[float] = field(default_factory=list)
    delays: list[int] = field(default_factory=list)
    #: Degrees between said and true, of shading that was found.
    direction_errors: list[float] = field(default_factory=list)
    height_errors: list[float] = field(default_factory=list)


@dataclass
class SiteMeasure:
    """One site's tallies by judge, and how long the product took."""

    scenario: Scenario
    tallies: dict[str, Tally]
    seconds: float
    samples: int
    error: str = ""
    #: Misses and false claims in words, for whoever works on the rules.
    remarks: list[str] = field(default_factory=list)


def product_claims(site: SimSite, parsed: Mapping[str, Any], loaded: Loaded) -> list[Claim]:
    """What Callout says about the tables."""
    result = check_files(parse_site(site.toml), loaded)
    return claims_of([f.to_json() for f in result.findings], parsed, site.keys)


def judged_claims(scenario: Scenario, site: SimSite, parsed: Mapping[str, Any]) -> list[Claim]:
    """The same for the whole record, from its day table, kept if it was made before."""
    result = judge(table_of(scenario, site)[1], site.events)
    return claims_of([f.to_json() for f in result.findings], parsed, site.keys)


def _loaded(site: SimSite, until_ts: int | None = None) -> Loaded:
    tables = [site.telemetry, site.weather, site.events]
    if until_ts is not None:
        tables = [t[t["ts"] < until_ts].reset_index(drop=True) for t in tables]
    return Loaded(telemetry=tables[0], weather=tables[1], events=tables[2])


def _through_files(site: SimSite) -> Loaded:
    """The same tables by way of the files and the public import."""
    with tempfile.TemporaryDirectory() as folder:
        paths = site.write(Path(folder))
        return read_files(
            parse_site(site.toml),
            telemetry=[paths["telemetry"]],
            weather=[paths["weather"]] if "weather" in paths else [],
            gateway_log=[paths["gateway_log"]] if "gateway_log" in paths else [],
        )


def measure(scenario: Scenario, files: bool = False, delay: bool = True, least: float = 0.0, kept: bool = False) -> SiteMeasure:
    """Make the site, run every judge on it and tally.

    Parameters
    ----------
    files : go through files and the public import instead of tables.
    delay : also run the product night by night for hard faults.
    least : findings under this confidence are left out.
    kept : judge from the kept day table; the seconds then tell little.
    """
    site = site_of(scenario)
    parsed = tomllib.loads(site.toml)
    grid = day_grid(site)
    samples = len(site.telemetry)
    began = time.perf_counter()
    try:
        if kept:
            claims = judged_claims(scenario, site, parsed)
        else:
            claims = product_claims(site, parsed, _through_files(site) if files else _loaded(site))
    except Exception as exc:  # a site the product cannot judge is counted, not hidden
        return SiteMeasure(scenario, {}, 0.0, samples, f"{type(exc).__name__}: {exc}")
    seconds = time.perf_counter() - began
    claims = [c for c in claims if c.confidence >= least]
    remarks: list[str] = []
    tallies = {PRODUCT: _tally(site, grid, claims, remarks)}
    for name, said in peer_claims(site, parsed, grid.day0, grid.days).items():
        tallies[name] = _tally(site, grid, said)
    hard = _hard_faults(site, grid)
    for t in hard if delay else []:
        tallies[PRODUCT].delays.append(_nights_until_named(site, parsed, t, least))
    return SiteMeasure(scenario, tallies, seconds, samples, "", remarks)


# -- delay ----------------------------------------------------------------


def _hard_faults(site: SimSite, grid: DayGrid) -> list[TrueFault]:
    """Up to two hard faults that begin inside the record, with two days before them."""
    inside = [t for t in true_faults(site) if t.fault in HARD and t.first >= grid.day0 + 2]
    return inside[:2]


def _nights_until_named(site: SimSite, parsed: Mapping[str, Any], t: TrueFault, least: float) -> int:
    """1: named the night after its first day. More than :data:`PATIENCE`: not in time."""
    longitude = float(parsed["site"]["longitude"])
    for night in range(1, PATIENCE + 1):
        end = (t.first + night) * 86400 - round(longitude * 240)
        try:
            claims = product_claims(site, parsed, _loaded(site, end))
        except Exception:
            continue
        if _found(site, t, [c for c in claims if c.confidence >= least]):
            return night
        if t.first + night > t.last:
            break
    return PATIENCE + 1


# -- matching -------------------------------------------------------------


def _overlap(t: TrueFault, c: Claim) -> bool:
    return c.first - 1 <= t.last and c.last + 1 >= t.first


def _lone(site: SimSite, t: TrueFault) -> bool:
    """Whether the fault covers the whole site, so that unit and gateway look alike."""
    return len(t.inputs) == len(site.keys)


def _found(site: SimSite, t: TrueFault, claims: Sequence[Claim]) -> list[Claim]:
    """The claims that name it; empty unless together they cover half of its inputs."""
    fits = [c for c in claims if same(site, t.fault, c.fault, _lone(site, t)) and _overlap(t, c) and c.inputs & t.inputs]
    covered = frozenset().union(*(c.inputs for c in fits)) & t.inputs if fits else frozenset()
    return fits if 2 * len(covered) >= len(t.inputs) else []


def _verdict(site: SimSite, truths: Sequence[TrueFault], c: Claim, group: Sequence[str] = ()) -> str:
    """right, neutral or wrong; with ``group`` any slug of it will do."""

    def fits(true: str, lone: bool) -> bool:
        return same(site, true, c.fault, lone) or (c.fault in group and true in group)

    hit: set[int] = set()
    for t in truths:
        if fits(t.fault, _lone(site, t)) and _overlap(t, c):
            hit |= t.inputs & c.inputs
    if 2 * len(hit) >= len(c.inputs):
        return "right"
    traces = site.labels[np.array([fits(str(f), False) for f in site.labels["fault"]], dtype=bool)]
    near = traces[traces["day"].astype(int).isin({d + k for d in c.days for k in (-1, 0, 1)})]
    traced = set(near["input"].astype(int)) & c.inputs
    return "neutral" if 2 * len(traced | hit) >= len(c.inputs) else "wrong"


def _tally(site: SimSite, grid: DayGrid, claims: Sequence[Claim], remarks: list[str] | None = None) -> Tally:
    out = Tally()
    truths = true_faults(site)
    found = [(t, _found(site, t, claims)) for t in truths]
    for t, by in found:
        row = out.events.setdefault(t.fault, [0, 0, 0, 0])
        row[0] += 1
        row[1] += bool(by)
        if by and t.lost_wh >= 100 and t.fault != "clipping":
            share = sum(c.loss_wh * len(c.inputs & t.inputs) / len(c.inputs) for c in by)
            out.loss_errors.append(abs(share - t.lost_wh) / t.lost_wh)
        if by and t.azimuth_deg is not None and t.top_deg is not None:
            said = max(by, key=lambda c: c.confidence)
            if said.direction_deg is not None:
                out.direction_errors.append(abs((said.direction_deg - t.azimuth_deg + 180) % 360 - 180))
            if said.height_deg is not None:
                out.height_errors.append(abs(said.height_deg - t.top_deg))
        if not by and remarks is not None and t.fault != "clipping":
            remarks.append(
                f"missed {t.fault} at {_names(site, t.inputs)},"
                f" days {t.first - grid.day0}..{t.last - grid.day0}, {t.lost_wh:.0f} Wh"
            )
        if by:
            out.delays += [max(1, min(c.first for c in by) - t.first + 1)] if remarks is None and t.fault in HARD else []
    for c in claims:
        verdict = _verdict(site, truths, c)
        row = out.events.setdefault(c.fault, [0, 0, 0, 0])
        if verdict != "neutral":
            row[2] += 1
            row[3] += verdict == "right"
            if c.fault != "clipping":
                out.trust.append((c.confidence, verdict == "right"))
        if verdict == "wrong" and remarks is not None and c.fault != "clipping":
            remarks.append(
                f"false {c.fault} at {_names(site, c.inputs)},"
                f" days {c.first - grid.day0}..{c.last - grid.day0}, confidence {c.confidence:.2f}"
            )
    for name, slugs in GROUPS.items():
        row = out.groups.setdefault(name, [0, 0, 0, 0])
        for t in truths:
            if t.fault in slugs:
                fits = [c for c in claims if c.fault in slugs and _overlap(t, c) and c.inputs & t.inputs]
                covered = frozenset().union(*(c.inputs for c in fits)) & t.inputs if fits else frozenset()
                row[0] += 1
                row[1] += 2 * len(covered) >= len(t.inputs)
        for c in claims:
            if c.fault in slugs:
                verdict = _verdict(site, truths, c, slugs)
                row[2] += verdict != "neutral"
                row[3] += verdict == "right"
    _days(site, grid, claims, out)
    return out


def _names(site: SimSite, inputs: frozenset[int]) -> str:
    some = sorted(inputs)[:3]
    return ", ".join(f"{site.keys[i][0]}/{site.keys[i][1]}" for i in some) + (" …" if len(inputs) > 3 else "")


def _days(site: SimSite, grid: DayGrid, claims: Sequence[Claim], out: Tally) -> None:
    """Input-days: confusion, false alarms, energy noticed and named."""
    said: dict[str, np.ndarray[Any, Any]] = {}
    best = np.zeros((grid.days, grid.inputs))
    best_name = np.full((grid.days, grid.inputs), "", dtype=object)
    for c in sorted(claims, key=lambda c: c.confidence):
        mask = grid.mask(c)
        said[c.fault] = said.get(c.fault, np.zeros_like(mask)) | mask
        if c.fault != "clipping":
            best = np.where(mask, c.confidence, best)
            best_name[mask] = c.fault
    out.healthy_days = int(grid.healthy.sum())
    false = grid.healthy & (best_name != "")
    out.false_days = int(false.sum())
    out.confusion.update((HEALTHY, str(f)) for f in best_name[false])
    out.confusion[(HEALTHY, HEALTHY)] += out.healthy_days - out.false_days

    whole = {(t.fault, i) for t in true_faults(site) if _lone(site, t) for i in t.inputs}
    others = grid.labels.groupby(["day", "input"])["fault"].agg(set).to_dict() if len(grid.labels) else {}
    for d, i, fault in zip(grid.labels["day"].astype(int), grid.labels["input"].astype(int), grid.labels["fault"], strict=True):
        names = [s for s, mask in said.items() if mask[d, i]]
        if any(same(site, fault, s, (fault, i) in whole) for s in names):
            out.confusion[(fault, fault)] += 1
            continue
        stray = [s for s in names if s not in others[(d, i)] and s != "clipping"]
        if fault == "clipping":
            out.confusion[(fault, NOT_FOUND)] += 1
        elif stray:
            out.confusion[(fault, best_name[d, i] if best_name[d, i] in stray else stray[0])] += 1
        else:
            out.confusion[(fault, NOT_FOUND)] += 1

    costly = site.labels[(site.labels["fault"] != "clipping") & (site.labels["lost_wh"].astype(float) > 0)]
    for d, i, fault, wh in zip(
        costly["day"].astype(int) - grid.day0,
        costly["input"].astype(int),
        costly["fault"],
        costly["lost_wh"],
        strict=True,
    ):
        out.lost_wh += wh
        if best_name[d, i] != "":
            out.noticed_wh += wh
            if any(mask[d, i] and same(site, fault, s, (fault, i) in whole) for s, mask in said.items()):
                out.named_wh += wh


__all__ = ["HEALTHY", "NOT_FOUND", "PATIENCE", "PRODUCT", "SiteMeasure", "Tally", "measure"]
