"""Two peers to be better than: the naive one, and a control chart on the daily ratio.

Both see only each input's energy per day, per rated watt.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_logs.sim import SimSite
from tests.scenarios.matching import Claim

F = NDArray[np.float64]


def daily_energy(site: SimSite, parsed: Mapping[str, Any], day0: int, days: int) -> tuple[F, F]:
    """Energy [days, inputs] in Wh per rated W, and rows per input-day."""
    t = site.telemetry
    n = len(site.keys)
    index = {key: k for k, key in enumerate(site.keys)}
    where = np.array([index[key] for key in zip(t["unit"], t["input"].astype(int), strict=True)], dtype=int)
    longitude = float(parsed["site"]["longitude"])
    day = (t["ts"].to_numpy() + round(longitude * 240)) // 86400 - day0
    inside = (day >= 0) & (day < days)
    rows = np.zeros((days, n))
    np.add.at(rows, (day[inside], where[inside]), 1)
    wh = np.zeros((days, n))
    if not t["dc_power_w"].isna().all():
        power = t["dc_power_w"].fillna(0.0).to_numpy()
        np.add.at(wh, (day[inside], where[inside]), power[inside] * site.step_s / 3600)
    else:
        step = t["energy_total_wh"].groupby(where).diff().clip(lower=0).fillna(0.0).to_numpy()
        np.add.at(wh, (day[inside], where[inside]), step[inside])
    rating = {}
    for u in parsed["units"]:
        for i in u["inputs"]:
            rating[(u["serial"], i["input"])] = float(parsed["modules"][i["module"]]["pmax_w"])
    return wh / np.array([rating[key] for key in site.keys]), rows


def _claims(flags: Mapping[str, NDArray[np.bool_]], day0: int) -> list[Claim]:
    """Runs of flagged days per input, bridging gaps of up to two days."""
    out = []
    for fault, mask in flags.items():
        for i in range(mask.shape[1]):
            days = np.flatnonzero(mask[:, i])
            if not len(days):
                continue
            for run in np.split(days, np.flatnonzero(np.diff(days) > 3) + 1):
                out.append(Claim(fault, frozenset({i}), frozenset(int(d) + day0 for d in run), 0.5))
    return out


def _site_median(energy: F, rows: F) -> F:
    seen = np.where(rows > 0, energy, np.nan)
    with np.errstate(all="ignore"):
        return np.array([np.nanmedian(r) if np.isfinite(r).any() else np.nan for r in seen])[:, None]


def naive(energy: F, rows: F, day0: int) -> list[Claim]:
    """Under 80 % of the site's median day is called shading, under 5 % dead, no rows silent."""
    median = _site_median(energy, rows)
    silent = rows == 0
    dead = ~silent & (energy < 0.05 * median)
    shading = ~silent & ~dead & (energy < 0.80 * median)
    return _claims({"shading": shading, "dead-input": dead, "unit-silent": silent}, day0)


def control_chart(energy: F, rows: F, day0: int) -> list[Claim]:
    """Shewhart chart on the ratio to the site's median: below the input's own centre less three sigma.

    Centre and sigma are the median and the scaled median absolute deviation of
    the input's own days; the limit is never nearer than 5 %. The names are the
    naive peer's, since a chart knows none.
    """
    median = _site_median(energy, rows)
    with np.errstate(all="ignore"):
        ratio = np.where((rows > 0) & (median > 0.2), energy / median, np.nan)
    silent = rows == 0
    low = np.zeros(energy.shape, bool)
    for i in range(energy.shape[1]):
        own = ratio[:, i][np.isfinite(ratio[:, i])]
        if len(own) < 4:
            continue
        centre = np.median(own)
        sigma = 1.4826 * np.median(np.abs(own - centre))
        low[:, i] = np.nan_to_num(ratio[:, i], nan=9.0) < min(centre, 1.0) - max(3 * sigma, 0.05)
    dead = low & (np.nan_to_num(ratio, nan=9.0) < 0.05)
    return _claims({"shading": low & ~dead, "dead-input": dead, "unit-silent": silent}, day0)


def peer_claims(site: SimSite, parsed: Mapping[str, Any], day0: int, days: int) -> dict[str, list[Claim]]:
    """Both peers' claims about one site."""
    energy, rows = daily_energy(site, parsed, day0, days)
    return {"naive": naive(energy, rows, day0), "control chart": control_chart(energy, rows, day0)}
