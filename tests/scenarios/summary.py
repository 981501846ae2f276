"""Add up the sites, and say how sure the figures are: bootstrap over sites."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.scenarios.matching import GROUPS
from tests.scenarios.measure import PATIENCE, PRODUCT, SiteMeasure, Tally

F = NDArray[np.float64]
_DRAWS = 500
_BINS = np.array([0.0, 0.2, 0.4, 0.6, 0.8, 0.9, 0.95, 1.0001])


def _f1(true: F, found: F, claimed: F, right: F) -> tuple[F, F, F]:
    """Precision, recall, F1 along the last axis' shape; NaN where nothing was true or claimed."""
    with np.errstate(all="ignore"):
        precision = right / claimed
        recall = found / true
        both = np.where(claimed == 0, 0.0, precision) + recall
        f1 = np.where(true > 0, np.where(both > 0, 2 * np.nan_to_num(precision) * recall / both, 0.0), np.nan)
    return precision, recall, f1


def summarise(sites: Sequence[SiteMeasure], judge: str, seed: int = 1) -> dict[str, Any]:
    """All metrics of one judge; each interval is the 2.5 and 97.5 percentile over resampled sites."""
    ok = [s for s in sites if judge in s.tallies]
    tallies = [s.tallies[judge] for s in ok]
    n = len(tallies)
    if not n:
        return {}
    weights = np.random.default_rng(seed).multinomial(n, np.full(n, 1 / n), size=_DRAWS).astype(float)
    weights = np.vstack([np.ones(n), weights])  # the first row is the plain sum

    faults = sorted({f for t in tallies for f in t.events})
    out: dict[str, Any] = {"sites": n, "faults": {}, "groups": {}}
    all_f1 = []
    for fault in faults:
        counts = np.array([t.events.get(fault, [0, 0, 0, 0]) for t in tallies], dtype=float)
        summed = weights @ counts
        precision, recall, f1 = _f1(*summed.T)
        true = int(summed[0, 0])
        out["faults"][fault] = {
            "true": true,
            "claims": int(summed[0, 2]),
            "precision": _with(precision),
            "recall": _with(recall),
            "f1": _with(f1),
        }
        if true:
            all_f1.append(f1)
    out["macro_f1"] = _with(np.nanmean(np.array(all_f1), axis=0)) if all_f1 else None
    core = []
    for group in GROUPS:
        counts = np.array([t.groups.get(group, [0, 0, 0, 0]) for t in tallies], dtype=float)
        summed = weights @ counts
        precision, recall, f1 = _f1(*summed.T)
        out["groups"][group] = {
            "true": int(summed[0, 0]),
            "precision": _with(precision),
            "recall": _with(recall),
            "f1": _with(f1),
        }
        core.append(f1)
    with np.errstate(all="ignore"):
        known = np.array(core)
        out["core_f1"] = (
            _with(np.nanmean(np.where(np.isfinite(known), known, np.nan), axis=0)) if np.isfinite(known[:, 0]).any() else None
        )

    plain = weights @ np.array([[t.healthy_days, t.false_days, t.lost_wh, t.noticed_wh, t.named_wh] for t in tallies])
    with np.errstate(all="ignore"):
        out["healthy_input_days"] = int(plain[0, 0])
        out["false_per_1000"] = _with(1000 * plain[:, 1] / plain[:, 0])
        out["specificity"] = _with(1 - plain[:, 1] / plain[:, 0])
        out["lost_kwh"] = round(float(plain[0, 2]) / 1000, 1)
        out["noticed"] = _with(plain[:, 3] / plain[:, 2])
        out["named"] = _with(plain[:, 4] / plain[:, 2])
    out["delay_nights"] = _median([t.delays for t in tallies], weights)
    late = [d for t in tallies for d in t.delays]
    out["delay_counts"] = {str(k) if k <= PATIENCE else "later": c for k, c in sorted(Counter(late).items())}
    out["loss_error"] = _median([t.loss_errors for t in tallies], weights)
    out["direction_error_deg"] = _median([t.direction_errors for t in tallies], weights)
    out["height_error_deg"] = _median([t.height_errors for t in tallies], weights)
    out["brier"] = _brier(tallies, weights)
    out["reliability"] = _reliability(tallies)
    total: Counter[tuple[str, str]] = Counter()
    for t in tallies:
        total.update(t.confusion)
    out["confusion"] = {f"{a} > {b}": c for (a, b), c in sorted(total.items())}
    return out


def _with(series: F) -> dict[str, float | None]:
    """The plain figure and its interval."""
    rest = series[1:][np.isfinite(series[1:])]
    value = float(series[0])
    if not np.isfinite(value):
        return {"value": None, "low": None, "high": None}
    low, high = (float(x) for x in np.quantile(rest, [0.025, 0.975])) if len(rest) else (value, value)
    return {"value": round(value, 4), "low": round(low, 4), "high": round(high, 4)}


def _median(lists: Sequence[Sequence[float]], weights: F) -> dict[str, float | None] | None:
    values = np.array([v for one in lists for v in one], dtype=float)
    owner = np.array([k for k, one in enumerate(lists) for _ in one], dtype=int)
    if not len(values):
        return None
    order = np.argsort(values)
    values, owner = values[order], owner[order]
    cumulative = np.cumsum(weights[:, owner], axis=1)
    half = cumulative[:, -1:] / 2
    return _with(values[np.minimum((cumulative < half).sum(axis=1), len(values) - 1)])


def _brier(tallies: Sequence[Tally], weights: F) -> dict[str, float | None] | None:
    rows = np.array([[sum((p - y) ** 2 for p, y in t.trust), len(t.trust)] for t in tallies], dtype=float)
    summed = weights @ rows
    if not summed[0, 1]:
        return None
    with np.errstate(all="ignore"):
        return _with(summed[:, 0] / summed[:, 1])


def _reliability(tallies: Sequence[Tally]) -> list[dict[str, float]]:
    pairs = np.array([(p, y) for t in tallies for p, y in t.trust], dtype=float).reshape(-1, 2)
    where = np.digitize(pairs[:, 0], _BINS) - 1
    return [
        {
            "from": float(_BINS[b]),
            "to": min(float(_BINS[b + 1]), 1.0),
            "claims": int((where == b).sum()),
            "said": round(float(pairs[where == b, 0].mean()), 3),
            "right": round(float(pairs[where == b, 1].mean()), 3),
        }
        for b in range(len(_BINS) - 1)
        if (where == b).any()
    ]


def report(sites: Sequence[SiteMeasure]) -> dict[str, Any]:
    """The whole result as one JSON object."""
    judges = [PRODUCT, "naive", "control chart"]
    seconds = sum(s.seconds for s in sites)
    return {
        "sites": len(sites),
        "failed": {f"{s.scenario.family}-{s.scenario.seed}": s.error for s in sites if s.error},
        "check_seconds": round(seconds, 2),
        "input_samples_per_second": round(sum(s.samples for s in sites if not s.error) / seconds) if seconds else None,
        "judges": {j: summarise(sites, j) for j in judges},
    }
