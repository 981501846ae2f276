"""What a fleet costs: ``python tests/bench/bench_fleet.py night --sites 100 300 1000``.

Every figure stands beside a baseline measured in the same run, because
seconds depend on the machine and on who else is using it; CPU seconds and
ratios less so. Words:

    night     one new day of every site: wall, CPU, peak memory, against bare reading of the same rows
    history   the same night with short and long history behind it
    years     import, archive and read back long records: rows/s, bytes per sample
    cluster   the night on a Dask cluster of two workers against a process pool of two
    page      the fleet page
    profile   where the night's time goes (pyinstrument)
"""

from __future__ import annotations

import argparse
import gc
import json
import shutil
import sqlite3
import sys
import tempfile
import threading
import time
import zlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parent))
from fleet_sim import NEW_DAY, NIGHT_AT, Template, make_fleet, make_template, simulated_roof

from collectors import archive
from collectors.site import parse_site
from collectors.store import Store, day_bounds
from triage.fleet.index import FleetIndex
from triage.importing import import_files
from triage.nightly import run_nights
from triage.workspace import Workspace

_DAY = (NEW_DAY - date(1970, 1, 1)).days


def main(argv: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=["night", "history", "years", "cluster", "page", "profile"])
    parser.add_argument("--sites", type=int, nargs="+", default=[100])
    parser.add_argument("--days", type=int, nargs="+", default=[60])
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--rounds", type=int, default=3, help="of pool and cluster in turn")
    parser.add_argument("--folder", type=Path, help="where to work (default: a temporary folder)")
    args = parser.parse_args(argv)
    folder = Path(tempfile.mkdtemp(prefix="fleet-", dir=args.folder))
    try:
        {
            "night": night,
            "history": history,
            "years": years,
            "cluster": cluster,
            "page": page,
            "profile": profile,
        }[args.what](folder, args)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def night(folder: Path, args: argparse.Namespace) -> None:
    """Cost of a night as the fleet grows."""
    templates = _templates(folder, args.days[0])
    for sites in args.sites:
        place = _fleet(folder / f"fleet-{sites}", templates, sites)
        bare = _bare_reading(place)
        row = _one_night(place, args.jobs)
        _say(
            f"{sites} sites, {args.days[0]} days of history",
            wall_s=row["wall_s"],
            cpu_s_per_site=row["cpu_s"] / sites,
            peak_mib=row["peak_mib"],
            cpu_over_bare_reading=row["cpu_s"] / bare,
            failed=row["failed"],
            new_findings=row["new"],
        )
        again = _timed(lambda place=place: run_nights(place, args.jobs, at=NIGHT_AT))
        _say("  the same night again", wall_s=again)
        shutil.rmtree(place.path)


def history(folder: Path, args: argparse.Namespace) -> None:
    """Cost of a night as history grows."""
    for days in args.days:
        templates = _templates(folder / f"h{days}", days)
        place = _fleet(folder / f"fleet-{days}", templates, args.sites[0])
        row = _one_night(place, args.jobs)
        _say(
            f"{args.sites[0]} sites, {days} days of history",
            cpu_s_per_site=row["cpu_s"] / args.sites[0],
            **row,
        )
        shutil.rmtree(place.path)
        shutil.rmtree(folder / f"h{days}")


def years(folder: Path, args: argparse.Namespace) -> None:
    """First import of long records, what a sample takes, and reading it back from the archive."""
    days = args.days[0]
    totals = {"rows": 0.0, "ours": 0.0, "bare": 0.0}
    place = Workspace(folder / "w")
    for n in range(args.sites[0]):
        roof = simulated_roof(n, days)
        toml, file = roof.toml, folder / f"{n}.csv"
        file.write_text(roof.telemetry_csv())
        del roof
        gc.collect()
        totals["bare"] += _timed(lambda file=file: _bare_import(file, folder / "bare.sqlite"))
        with place.add_site(toml) as store:
            totals["ours"] += _timed(lambda store=store, file=file: import_files(store, telemetry=[file]))
            totals["rows"] += store.db.conn.execute("SELECT count(*) FROM input_sample").fetchone()[0]
        file.unlink()
    _say(
        f"import of {args.sites[0]} sites x {days} days",
        rows_per_s=totals["rows"] / totals["ours"],
        time_over_read_csv_plus_sqlite=totals["ours"] / totals["bare"],
    )
    _keeping(place)


def _keeping(place: Workspace) -> None:
    path = place.path_of(place.site_ids()[0])
    with Store.open(path) as store:
        db = store.db.conn
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        rows, units = (db.execute(f"SELECT count(*) FROM {t}_sample").fetchone()[0] for t in ("input", "unit"))
        size = path.stat().st_size
        read_live = _timed(store.telemetry)
        months = archive.old_months(db, 1 << 40)

        def move() -> None:
            for month in months:
                with store.transaction() as transaction:
                    archive.archive_month(transaction, path, month)

        moving = _timed(move)
        kept = archive.archived_months(db)
        read_old = _timed(store.telemetry)
        inputs = sum(m.bytes for m in kept if m.kind == "input_sample")
        total = sum(m.bytes for m in kept)
    _say(
        f"{rows} input samples, {units} unit samples",
        sqlite_bytes_per_row=size / (rows + units),
        sqlite_bytes_per_input_sample_all_in=size / rows,
        archived_bytes_per_row=total / (rows + units),
        archived_bytes_per_input_sample=inputs / rows,
        archived_bytes_per_input_sample_all_in=total / rows,
        archive_rows_per_s=(rows + units) / moving,
        read_archived_over_live=read_old / read_live,
    )


def cluster(folder: Path, args: argparse.Namespace) -> None:
    """Two Dask workers against two pool processes, over the same fleet."""
    import distributed

    sites = args.sites[0]
    templates = _templates(folder, args.days[0])
    pool_s, dask_s, cpu = [], [], []
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=":0", host="127.0.0.1"
    ) as running:
        with distributed.Client(running, set_as_default=False) as client:
            client.run(_warm)
        for n in range(args.rounds):
            # In turn, and who begins changes: a machine others use is never the same for two runs.
            for kind in ("pool", "dask") if n % 2 == 0 else ("dask", "pool"):
                place = _fleet(folder / f"{kind}-{n}", templates, sites)
                start = time.perf_counter()
                report = run_nights(place, 2, running.scheduler_address if kind == "dask" else None, at=NIGHT_AT)
                (pool_s if kind == "pool" else dask_s).append(time.perf_counter() - start)
                cpu.append((kind, report.cpu_s))
                shutil.rmtree(place.path)
    of = {kind: float(np.median([c for k, c in cpu if k == kind])) for kind in ("pool", "dask")}
    _say(
        f"{sites} sites, medians of {args.rounds} rounds",
        pool_s=float(np.median(pool_s)),
        dask_s=float(np.median(dask_s)),
        dask_over_pool=float(np.median(np.array(dask_s) / np.array(pool_s))),
        cpu_dask_over_pool=of["dask"] / of["pool"],
    )


def _warm() -> None:
    import triage.nightly  # noqa: F401  (a cluster stands before the night begins)


def page(folder: Path, args: argparse.Namespace) -> None:
    """From the index to the finished page."""
    templates = _templates(folder, args.days[0])
    place = _fleet(folder / "w", templates, min(args.sites[0], 24))
    run_nights(place, args.jobs, at=NIGHT_AT)
    few = FleetIndex(place.path).summaries()
    from dataclasses import replace

    many = [replace(few[n % len(few)], site_id=f"roof-{n:06d}") for n in range(args.sites[0])]
    FleetIndex(place.path).update_many((s.site_id, s) for s in many)
    from triage.fleet.overview import overview
    from triage.fleet.page import fleet_page

    def make() -> None:
        summaries = FleetIndex(place.path).summaries()
        now = datetime.now(UTC)
        nonlocal size
        size = len(fleet_page(summaries, overview(summaries, now), now))

    size = 0
    bare = _timed(lambda: _bare_index(FleetIndex(place.path).path))
    first = _timed(make)
    cpu = time.process_time()
    second = _timed(make)
    cpu = time.process_time() - cpu
    _say(
        f"page of {len(many)} sites",
        first_s=first,
        then_s=second,
        then_cpu_s=cpu,
        mb=size / 1e6,
        over_bare_index=second / bare,
    )


def _bare_index(path: Path) -> None:
    with closing(sqlite3.connect(path)) as db:
        for (text,) in db.execute("SELECT summary FROM site").fetchall():
            json.loads(text)


def profile(folder: Path, args: argparse.Namespace) -> None:
    """Where the night's time goes, in one process."""
    from pyinstrument import Profiler

    place = _fleet(folder / "w", _templates(folder, args.days[0]), args.sites[0])
    run_nights(place, 1, at=NIGHT_AT, sites=place.site_ids()[:1])  # imports and caches
    with Profiler(interval=0.001) as profiler:
        report = run_nights(place, 1, at=NIGHT_AT)
    print(profiler.output_text(unicode=False, color=False)[:9000])
    _say(f"{report.done} sites", cpu_s_per_site=report.cpu_s / max(report.done, 1))


# -- baselines and measuring -------------------------------------------------


def _bare_reading(place: Workspace) -> float:
    """CPU seconds of reading the new day's rows and unpacking the features: what any night must do."""
    start = time.process_time()
    for site_id in place.site_ids():
        with closing(sqlite3.connect(place.path_of(site_id))) as db:
            toml = db.execute("SELECT value FROM meta WHERE key = 'site_toml'").fetchone()[0]
            low, high = day_bounds(_DAY, parse_site(toml).site.longitude)
            for table, owner in (("input", "input_id"), ("unit", "unit_id")):
                for (id_,) in db.execute(f"SELECT id FROM {table}").fetchall():
                    rows = db.execute(
                        f"SELECT * FROM {table}_sample WHERE {owner} = ? AND ts >= ? AND ts < ?",
                        (id_, low, high),
                    ).fetchall()
                    np.array(rows, dtype=float)
            for (blob,) in db.execute("SELECT features FROM day_feature").fetchall():
                np.frombuffer(zlib.decompress(blob), np.uint8)
    return time.process_time() - start


def _bare_import(file: Path, target: Path) -> None:
    """pandas.read_csv and one executemany into one table: the least an import could be."""
    target.unlink(missing_ok=True)
    frame = pd.read_csv(file)
    with closing(sqlite3.connect(target)) as db, db:
        db.execute(f"CREATE TABLE t ({', '.join(frame.columns)})")
        marks = ", ".join("?" * len(frame.columns))
        db.executemany(f"INSERT INTO t VALUES ({marks})", frame.itertuples(index=False, name=None))


def _one_night(place: Workspace, jobs: int) -> dict[str, float]:
    with _peak() as peak:
        start = time.perf_counter()
        report = run_nights(place, jobs, at=NIGHT_AT)
        wall = time.perf_counter() - start
    return {
        "wall_s": wall,
        "cpu_s": report.cpu_s,
        "peak_mib": peak(),
        "failed": len(report.failed),
        "new": report.new,
    }


@contextmanager
def _peak() -> Iterator[Callable[[], float]]:
    """Peak memory of this process and all below it, MiB: proportional share, so shared pages count once."""
    top, done = 0.0, threading.Event()

    def watch() -> None:
        nonlocal top
        while not done.wait(0.5):
            top = max(top, _tree_pss(Path("/proc/self").resolve().name) / 1024)

    thread = threading.Thread(target=watch)
    thread.start()
    try:
        yield lambda: top
    finally:
        done.set()
        thread.join()


def _tree_pss(pid: str) -> float:
    total = 0.0
    try:
        for line in Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines():
            if line.startswith("Pss:"):
                total += float(line.split()[1])
        children = [c for t in Path(f"/proc/{pid}/task").iterdir() for c in (t / "children").read_text().split()]
    except (OSError, ValueError):
        return total
    return total + sum(_tree_pss(child) for child in children)


def _templates(folder: Path, days: int) -> list[Template]:
    print(f"making 4 roofs with {days} days each ...", file=sys.stderr, flush=True)
    return [make_template(folder / "templates", n, days) for n in range(4)]


def _fleet(folder: Path, templates: Sequence[Template], sites: int) -> Workspace:
    print(f"making {sites} sites ...", file=sys.stderr, flush=True)
    return make_fleet(folder, templates, sites)


def _timed(function: Callable[[], object]) -> float:
    start = time.perf_counter()
    function()
    return time.perf_counter() - start


def _say(what: str, **figures: float) -> None:
    print(what + ": " + ", ".join(f"{name} {value:.4g}" for name, value in figures.items()), flush=True)


if __name__ == "__main__":
    main()
