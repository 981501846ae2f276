"""How fast a loaded year is judged, in input-samples a second on one core.

``python tests/bench/bench_check.py [--days 60] [--inputs 24]``: reduction, judgement
from features, and both, beside sorting the same power values once with numpy in
the same run; and what one new day costs when the others are kept.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from typing import Any

import numpy as np

from collectors.site import parse_site
from rules import sun
from rules.engine import judge
from rules.reduce import reduce_days
from sample_logs.sim import make_site


def _best(run: Callable[[], Any], rounds: int = 3) -> float:
    """Best processor seconds of a few rounds: the machine may be shared."""
    times = []
    for _ in range(rounds):
        sun._on_grid.cache_clear()  # a new site would not find its sun there
        begin = time.process_time()
        run()
        times.append(time.process_time() - begin)
    return min(times)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=60)
    parser.add_argument("--inputs", type=int, default=24)
    args = parser.parse_args()
    made = make_site(3, "healthy", days=args.days, inputs=args.inputs, step_s=300)
    site = parse_site(made.toml)
    frame, weather = made.telemetry, made.weather
    samples = len(site.inputs) * args.days * 288
    table = reduce_days(site, frame, weather)
    reduced = _best(lambda: reduce_days(site, frame, weather))
    judged = _best(lambda: judge(table))
    one_day = _best(lambda: reduce_days(site, frame[frame["ts"] >= frame["ts"].max() - 86400], weather))
    power = np.random.default_rng(1).random((len(site.inputs), args.days * 288))
    baseline = _best(lambda: np.sort(power, axis=1))
    print(f"{samples} input-samples ({len(frame)} rows), {len(site.inputs)} inputs, {args.days} days")
    print(f"reduce {reduced:.3f} s, judge {judged:.3f} s: {samples / (reduced + judged) / 1e6:.2f} million input-samples/s")
    print(f"one new day: reduce {one_day:.3f} s + judge {judged:.3f} s")
    print(f"ratio of both to one numpy sort of the powers ({baseline:.4f} s): {(reduced + judged) / baseline:.1f}")


if __name__ == "__main__":
    main()
