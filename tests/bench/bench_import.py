"""Import, as a ratio to pandas.read_csv plus a bare sqlite3 executemany of the same file.

    python tests/bench/bench_import.py                # 60 days, 24 inputs, 5 minutes
    python tests/bench/bench_import.py --days 365     # a year: adds peak memory, takes minutes

Baseline and import run in turn in processes of their own, so that neither
warms the other's caches of allocation; the best of several rounds counts.
"""

from __future__ import annotations

import argparse
import multiprocessing
import sqlite3
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

UNITS = 12
INPUTS = 2
SITE = """
[site]
id = "bench"
latitude = 48.0
longitude = 11.0
timezone = "Europe/Berlin"
[modules.m]
pmax_w = 400
voc_v = 41.0
isc_a = 13.5
""" + "".join(
    f'[[units]]\nserial = "U{u:03d}"\n' + "".join(f'[[units.inputs]]\ninput = {i + 1}\nmodule = "m"\n' for i in range(INPUTS))
    for u in range(UNITS)
)


def write(path: Path, days: int, night: bool) -> int:
    """An invented site's export: plausible digits, not plausible weather. Returns the rows."""
    step, per_input = 300, days * 288
    ts = 1_735_689_600 + np.arange(per_input) * step
    phase = np.arange(per_input) % 288 / 288
    sun = np.clip(np.sin(phase * 2 * np.pi - np.pi / 2), 0, None)
    rng = np.random.default_rng(1)
    n, k = per_input, UNITS * INPUTS
    stamps = np.char.add(np.datetime_as_string(ts.astype("M8[s]")), "Z")
    volts = np.where(sun[:, None] > 0, 33 + rng.normal(0, 1, (n, k)), 0)
    amps = 10 * sun[:, None] * rng.uniform(0.9, 1, (n, k))
    counter = 2_000_000 + np.cumsum(volts * amps, axis=0) / 12

    def of_unit(values: np.ndarray) -> np.ndarray:
        return np.repeat(values, INPUTS, axis=1).ravel()

    frame = pd.DataFrame(
        {
            "timestamp": np.repeat(stamps, k),
            "unit": np.tile(np.repeat([f"U{u:03d}" for u in range(UNITS)], INPUTS), n),
            "input": np.tile(np.arange(1, INPUTS + 1), n * UNITS),
            "dc_voltage_v": volts.round(2).ravel(),
            "dc_current_a": amps.round(3).ravel(),
            "dc_power_w": (volts * amps).round(1).ravel(),
            "energy_total_wh": counter.round().astype(int).ravel(),
            "ac_voltage_v": of_unit((230 + rng.normal(0, 1, (n, UNITS))).round(1)),
            "ac_frequency_hz": 50.01,
            "ac_power_w": of_unit(np.repeat((sun * 700).round(1)[:, None], UNITS, axis=1)),
            "temperature_c": of_unit(np.repeat((20 + sun * 20).round(1)[:, None], UNITS, axis=1)),
            "state": np.repeat(np.where(sun > 0, "producing", "standby"), k),
            "signal_dbm": -60,
        }
    )
    if not night:
        frame = frame[np.repeat(sun > 0, k)]
    frame.to_csv(path, index=False)
    return len(frame)


def baseline(csv: Path, db_path: Path) -> None:
    """pandas.read_csv, then executemany into one table without any key: the least one can do."""
    frame = pd.read_csv(csv)
    db = sqlite3.connect(db_path)
    db.execute(f"CREATE TABLE sample ({', '.join(frame.columns)})")
    marks = ", ".join("?" * frame.shape[1])
    with db:
        db.executemany(
            f"INSERT INTO sample VALUES ({marks})",
            zip(*(frame[name].tolist() for name in frame), strict=True),
        )
    db.close()


def read_only(csv: Path, db_path: Path) -> None:  # noqa: ARG001 - called like the others
    pd.read_csv(csv)


def ours(csv: Path, db_path: Path) -> None:
    from collectors.store import Store
    from triage.importing import import_files

    with Store.create(db_path, SITE) as store:
        import_files(store, [csv])


def again(csv: Path, db_path: Path) -> None:
    ours(csv, db_path)


def _timed(run: Callable[[Path, Path], None], csv: Path, db_path: Path, line: object) -> None:
    import collectors.store
    import triage.importing  # noqa: F401 - loading modules is not what is measured

    _ = collectors.store
    base = _memory("VmRSS")
    begun, cpu = time.perf_counter(), time.process_time()
    run(csv, db_path)
    took, used = time.perf_counter() - begun, time.process_time() - cpu
    line.send((took, used, _memory("VmHWM"), base))  # type: ignore[attr-defined]


def measure(run: Callable[[Path, Path], None], csv: Path, db_path: Path) -> tuple[float, float, int, int]:
    """Wall seconds, processor seconds, peak and starting memory of one run in a fresh process."""
    context = multiprocessing.get_context("spawn")
    here, there = context.Pipe(duplex=False)
    process = context.Process(target=_timed, args=(run, csv, db_path, there))
    process.start()
    there.close()
    result: tuple[float, float, int, int] = here.recv()
    process.join()
    return result


def best(run: Callable[[Path, Path], None], csv: Path, folder: Path, rounds: int) -> tuple[float, float, int, int, Path]:
    results = []
    for k in range(rounds):
        path = folder / f"{run.__name__}-{k}.sqlite"
        results.append((*measure(run, csv, path), path))
    return min(results)


def stored(path: Path) -> tuple[int, int]:
    """Rows of both sample tables, and bytes of the table input_sample."""
    db = sqlite3.connect(path)
    counts = [db.execute(f"SELECT count(*) FROM {t}").fetchone()[0] for t in ("input_sample", "unit_sample")]
    (size,) = db.execute("SELECT sum(pgsize) FROM dbstat WHERE name = 'input_sample'").fetchone()
    db.close()
    return sum(counts), size


def _memory(key: str) -> int:
    """Bytes by /proc: unlike getrusage, this does not count what the parent process used before."""
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith(key):
            return int(line.split()[1]) * 1024
    return 0


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--days", type=int, default=60)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--no-night", action="store_true", help="units are silent at night")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        csv = folder / "telemetry.csv"
        rows = write(csv, options.days, not options.no_night)
        print(f"{rows:,} rows, {csv.stat().st_size / 1e6:.0f} MB, {UNITS} units of {INPUTS} inputs")
        reading = best(read_only, csv, folder, options.rounds)
        bare = best(baseline, csv, folder, options.rounds)
        mine = best(ours, csv, folder, options.rounds)
        repeat = measure(again, csv, mine[4])
        print(f"pandas.read_csv alone       {reading[0]:7.2f} s  {rows / reading[0]:>10,.0f} rows/s")
        print(f"read_csv + executemany      {bare[0]:7.2f} s  {rows / bare[0]:>10,.0f} rows/s  (the baseline)")
        print(f"import                      {mine[0]:7.2f} s  {rows / mine[0]:>10,.0f} rows/s")
        print(f"import again, nothing new   {repeat[0]:7.2f} s  {rows / repeat[0]:>10,.0f} rows/s")
        print(f"ratio to the baseline       wall {mine[0] / bare[0]:.2f}, processor {mine[1] / bare[1]:.2f}")
        both, table = stored(mine[4])
        size = mine[4].stat().st_size
        print(f"bytes per stored sample     {size / both:.1f} (whole file over input and unit rows)")
        print(f"bytes per input row         {table / rows:.1f} (table input_sample), {size / rows:.1f} (all)")
        print(f"peak memory of the import   {mine[2] / 2**20:,.0f} MiB, {mine[3] / 2**20:,.0f} MiB of it before")


if __name__ == "__main__":
    main()
