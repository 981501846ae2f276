"""Fit what a rule's raw strength is worth as a probability, on train sites only.

``python -m tests.scenarios.calibrate --sites 240 --jobs 2`` writes
``rules/calibration.json``: per fault an isotonic curve of how often a finding of
that strength was right, drawn towards the curve of all faults together where a
fault is rare; with the Brier score before and after, and counts. A plot of said
against right goes to ``--plot``.
"""

from __future__ import annotations

import argparse
import json
import tomllib
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
from scipy.optimize import isotonic_regression

import rules.calibration as calibration
from tests.scenarios.library import Scenario, scenarios, site_of
from tests.scenarios.matching import true_faults
from tests.scenarios.measure import _verdict, judged_claims

#: Strengths at which the curves are kept.
KNOTS = np.array([0.2, 0.4, 0.5, 0.6, 0.7, 0.8, 0.85, 0.9, 0.95, 1.0])
#: A fault's curve is drawn towards everybody's with the weight of so many findings.
PRIOR = 3.0


def collect(scenario: Scenario) -> list[tuple[str, float, bool, float]]:
    """Fault, strength, right, weight of each finding of one site, strengths taken as they are."""
    calibration._table = lambda: {}  # type: ignore[assignment]
    site = site_of(scenario)
    claims = judged_claims(scenario, site, tomllib.loads(site.toml))
    truths = true_faults(site)
    alike = Counter(c.fault for c in claims)
    out = []
    for c in claims:
        verdict = _verdict(site, truths, c)
        if verdict != "neutral":
            # Ten inputs behind one tree are one piece of evidence, not ten.
            out.append((c.fault, c.confidence, verdict == "right", 1.0 / alike[c.fault] ** 0.7))
    return out


def curve(strength: np.ndarray, right: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Isotonic probability at KNOTS."""
    order = np.argsort(strength, kind="stable")
    fit = isotonic_regression(right[order].astype(float), weights=weight[order]).x
    return np.interp(KNOTS, strength[order], fit)


def main(argv: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sites", type=int, default=240)
    parser.add_argument("--skip", type=int, default=0, help="leave out so many train sites at the start")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--plot", type=Path)
    args = parser.parse_args(argv)
    chosen = scenarios("train", args.skip + args.sites)[args.skip :]
    with ProcessPoolExecutor(args.jobs) as pool:
        rows = [row for part in pool.map(collect, chosen) for row in part]
    fault = np.array([r[0] for r in rows])
    strength = np.array([r[1] for r in rows])
    right = np.array([r[2] for r in rows])
    weight = np.array([r[3] for r in rows])
    everybody = curve(strength, right, weight)
    curves = {"*": everybody}
    for name in sorted(set(fault)):
        mine = fault == name
        knots = np.concatenate([strength[mine], KNOTS])
        target = np.concatenate([right[mine].astype(float), everybody])
        heft = np.concatenate([weight[mine], np.full(len(KNOTS), PRIOR / len(KNOTS))])
        curves[name] = np.clip(curve(knots, target, heft), 0.03, 0.99)
    said = np.array([np.interp(s, KNOTS, curves[f]) for f, s in zip(fault, strength, strict=True)])
    result = {
        "sites": args.sites,
        "findings": Counter(fault.tolist()),
        "brier_raw": round(float(np.average((strength - right) ** 2, weights=weight)), 4),
        "brier_fitted": round(float(np.average((said - right) ** 2, weights=weight)), 4),
        "curves": {
            name: {"strength": KNOTS.tolist(), "probability": [round(float(p), 3) for p in values]}
            for name, values in curves.items()
        },
    }
    target_file = Path(calibration.__file__).with_name("calibration.json")
    target_file.write_text(json.dumps(result, indent=1, sort_keys=True) + "\n", encoding="utf-8")
    print(f"{len(rows)} findings; Brier {result['brier_raw']} raw, {result['brier_fitted']} fitted (same sites)")
    if args.plot:
        _plot(said, right, weight, args.plot)


def _plot(said: np.ndarray, right: np.ndarray, weight: np.ndarray, path: Path) -> None:
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot

    edges = np.linspace(0, 1, 11)
    at = np.clip(np.digitize(said, edges) - 1, 0, 9)
    figure, axes = pyplot.subplots(figsize=(5, 5))
    axes.plot([0, 1], [0, 1], color="0.7")
    for k in range(10):
        if (at == k).any():
            axes.plot(
                np.average(said[at == k], weights=weight[at == k]),
                np.average(right[at == k], weights=weight[at == k]), "o", color="#0072b2",
            )  # fmt: skip
    axes.set_xlabel("confidence said (1)")
    axes.set_ylabel("share right (1)")
    figure.savefig(path, dpi=120)


if __name__ == "__main__":
    main()
