"""Score the rules on simulated sites they have not seen, beside two peers.

    python -m tests.scenarios.score --seeds train --sites 80
    python -m tests.scenarios.score --seeds sealed --sites 400 --jobs 2 --json > score.json
    python -m tests.scenarios.score --family shading --sites 20 --remarks

How a finding is matched to a true fault stands in ``matching.py``.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.progress import Progress
from rich.table import Table

from tests.scenarios.library import FAMILIES, scenarios
from tests.scenarios.measure import HEALTHY, NOT_FOUND, PRODUCT, SiteMeasure, measure
from tests.scenarios.summary import report


def _shown(m: dict[str, float | None] | None, digits: int = 3) -> str:
    if not m or m["value"] is None:
        return "–"
    return f"{m['value']:.{digits}f} ({m['low']:.{digits}f}–{m['high']:.{digits}f})"


def _run(args: argparse.Namespace) -> list[SiteMeasure]:
    todo = scenarios(args.seeds, args.sites, args.family)
    work = partial(measure, files=args.files, delay=not args.no_delay, least=args.least_confidence, kept=args.kept)
    out: list[SiteMeasure] = []
    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("sites", total=len(todo))
        if args.jobs == 1:
            for one in map(work, todo):
                out.append(one)
                bar.advance(task)
        else:
            with ProcessPoolExecutor(args.jobs) as pool:
                for one in pool.map(work, todo):
                    out.append(one)
                    bar.advance(task)
    return out


def _tables(result: dict[str, Any], out: Console) -> None:
    judges = result["judges"]
    head = Table(title=f"{result['sites']} sites", title_justify="left")
    head.add_column("95 % interval over sites in brackets")
    for j in judges:
        head.add_column(j, justify="right")
    lines = [
        ("macro F1 over the faults", "macro_f1", 3),
        ("core four groups, mean F1", "core_f1", 3),
        ("lost energy noticed", "noticed", 3),
        ("lost energy named with its cause", "named", 3),
        ("specificity per healthy input-day", "specificity", 4),
        ("false alarms per 1,000 healthy input-days", "false_per_1000", 2),
        ("nights until a hard fault is named, median", "delay_nights", 0),
        ("error of the loss, median", "loss_error", 3),
        ("direction of what shades, median error in °", "direction_error_deg", 1),
        ("its height, median error in °", "height_error_deg", 1),
        ("Brier score of the confidence", "brier", 4),
    ]
    for text, key, digits in lines:
        head.add_row(text, *(_shown(judges[j].get(key), digits) for j in judges))
    for group in judges[PRODUCT].get("groups", {}):
        head.add_row(f"F1 {group}", *(_shown(judges[j]["groups"][group]["f1"]) for j in judges))
    out.print(head)

    each = Table(title="Each fault (events)", title_justify="left")
    for name in ("fault", "true", "claims", "precision", "recall", "F1", "naive F1", "chart F1"):
        each.add_column(name, justify="left" if name == "fault" else "right")
    mine = judges[PRODUCT]
    for fault, row in mine["faults"].items():
        peers = [
            _shown(judges[j]["faults"].get(fault, {}).get("f1")) if fault in judges[j]["faults"] else "–"
            for j in ("naive", "control chart")
        ]
        each.add_row(
            fault,
            str(row["true"]),
            str(row["claims"]),
            _shown(row["precision"], 2),
            _shown(row["recall"], 2),
            _shown(row["f1"], 2),
            *(p.split(" ")[0] for p in peers),
        )
    out.print(each)

    trust = Table(title="Confidence: said and right", title_justify="left")
    for name in ("confidence", "claims", "said", "right"):
        trust.add_column(name, justify="right")
    for b in mine["reliability"]:
        trust.add_row(f"{b['from']:.2f}–{b['to']:.2f}", str(b["claims"]), f"{b['said']:.3f}", f"{b['right']:.3f}")
    out.print(trust)

    pairs = {tuple(k.split(" > ")): c for k, c in mine["confusion"].items()}
    wide = Table(title="Input-days: true (rows), said (where it was something else)", title_justify="left")
    for name in ("true", "input-days", "right", NOT_FOUND, "said instead"):
        wide.add_column(name, justify="left" if name in ("true", "said instead") else "right")
    for true in sorted({a for a, _ in pairs}):
        row = {b: c for (a, b), c in pairs.items() if a == true}
        total = sum(row.values())
        good = row.pop(true if true != HEALTHY else HEALTHY, 0)
        missed = row.pop(NOT_FOUND, 0)
        rest = ", ".join(f"{b} {c}" for b, c in sorted(row.items(), key=lambda x: -x[1]))
        wide.add_row(true, str(total), f"{good / total:.1%}", f"{missed / total:.1%}", rest)
    out.print(wide)
    out.print(
        f"Hard faults, nights until named: {mine['delay_counts']}. Check: {result['check_seconds']} s,"
        f" {result['input_samples_per_second']} input-samples/s."
    )
    for name, why in result["failed"].items():
        out.print(f"[red]not judged[/red] {name}: {why}", highlight=False)


def _plot(mine: dict[str, Any], path: Path) -> None:
    """Said against right, each dot as large as its number of claims."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(5, 5), layout="constrained")
    axes = figure.subplots()
    bins = mine["reliability"]
    axes.plot([0, 1], [0, 1], color="0.6", linewidth=1)
    axes.scatter(
        [b["said"] for b in bins],
        [b["right"] for b in bins],
        s=[10 + 2 * b["claims"] for b in bins],
        color="#0072b2",
    )
    for b in bins:
        axes.annotate(f"{b['claims']}", (b["said"], b["right"]), xytext=(6, -12), textcoords="offset points")
    axes.set(xlabel="confidence said", ylabel="share right", xlim=(0, 1.02), ylim=(0, 1.02))
    axes.set_title(f"Brier score {_shown(mine['brier'])}, {mine['sites']} sites")
    figure.savefig(path, dpi=120)


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command; exit code 0, or 2 for wrong use."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.scenarios.score",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--seeds", choices=("train", "sealed"), default="train")
    parser.add_argument("--sites", type=int, default=40, help="number of sites (default 40, once round the families)")
    parser.add_argument("--family", choices=sorted(set(FAMILIES)), help="one family only")
    parser.add_argument("--jobs", type=int, default=1, help="processes (default 1)")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.add_argument("--files", action="store_true", help="through files and the public import, not tables")
    parser.add_argument("--kept", action="store_true", help="judge from kept day tables: quick while working on a rule")
    parser.add_argument("--no-delay", action="store_true", help="skip the night-by-night runs for hard faults")
    parser.add_argument("--least-confidence", type=float, default=0.0, help="leave out findings under this confidence")
    parser.add_argument("--plot", type=Path, help="write the reliability of the confidence as a PNG")
    parser.add_argument("--remarks", action="store_true", help="list each miss and each false claim (train seeds only)")
    args = parser.parse_args(argv)
    if args.remarks and args.seeds == "sealed":
        parser.error("--remarks would open the sealed sites: use it with --seeds train")
    try:
        sites = _run(args)
    except ValueError as exc:
        parser.error(str(exc))
    result = report(sites)
    if not result["judges"][PRODUCT]:
        for name, why in result["failed"].items():
            print(f"{name}: {why}", file=sys.stderr)
        print("No site could be judged.", file=sys.stderr)
        return 2
    if args.plot:
        _plot(result["judges"][PRODUCT], args.plot)
    if args.json:
        print(json.dumps(result, indent=1))
        return 0
    out = Console(width=max(int(os.environ.get("COLUMNS", "0")), 150))
    _tables(result, out)
    if args.remarks:
        for s in sites:
            for line in s.remarks:
                out.print(f"{s.scenario.family}-{s.scenario.seed}: {line}", highlight=False)
    return 0


if __name__ == "__main__":
    sys.exit(main())
