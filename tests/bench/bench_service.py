"""What the service costs: ``python tests/bench/bench_service.py pages`` or ``... night --readers 20``.

The service runs in a process of its own, as ``callout serve`` does; the bench
is its reader. Every latency stands beside that of the health page of the same
service in the same run, because milliseconds depend on the machine and on who
else is using it. Words:

    pages     morning page for many sites, one site's page and charts: p50, p95, weight
    night     a night of the whole fleet in the service while readers browse: errors, latencies against idle
"""

from __future__ import annotations

import argparse
import gzip
import http.client
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

#: Pages a reader goes round; SITE is one of the fleet.
ROUND = ("/", "/sites/SITE", "/call?q=SITE", "/sites/SITE/call", "/visits/new?site=SITE", "/nights")


def main(argv: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=["pages", "night", "_serve"])
    parser.add_argument("--sites", type=int, default=0, help="default 500 for pages, 50 for night")
    parser.add_argument("--days", type=int, default=30)
    parser.add_argument("--readers", type=int, default=20)
    parser.add_argument("--requests", type=int, default=100)
    parser.add_argument("--pause", type=float, default=2.0, help="seconds a reader looks at a page")
    parser.add_argument("--folder", type=Path)
    args = parser.parse_args(argv)
    if args.what == "_serve":
        _serve(args.folder)
        return
    with tempfile.TemporaryDirectory(prefix="service-") as made:
        folder = args.folder or Path(made)
        if args.what == "pages":
            pages(folder, args.sites or 500, args.days, args.requests)
        else:
            night(folder, args.sites or 50, args.days, args.readers, args.pause)


# -- pages -------------------------------------------------------------------


def pages(folder: Path, sites: int, days: int, requests: int) -> None:
    """Latency and weight of the morning page and of one full site's page."""
    full = _fleet(folder / "workspace", 1, days)[0]
    _many_summaries(folder / "workspace", sites - 1)
    with _service(folder / "workspace") as (port, _):
        base = _latency(port, "/health", requests)
        _say("health page", base, base)
        for path in ("/", f"/sites/{full}", f"/sites/{full}/call"):
            found = _latency(port, path, requests)
            _say(path, found, base)
            body = _get(port, path)
            packed = len(gzip.compress(body, 5))
            assets = sum(len(_get(port, f"/static/{name}")) for name in ("app.css", "app.js"))
            weight = f"{len(body) / 1e3:.0f} kB, {packed / 1e3:.1f} kB packed"
            print(f"    weight {weight}; style and script {assets / 1e3:.0f} kB")
        for path in (
            f"/sites/{full}/charts/energy",
            f"/sites/{full}/roof",
            f"/sites/{full}/findings/1/chart",
        ):
            first = _latency(port, path, 1)
            print(f"{path}: first {1e3 * first[0]:.0f} ms")
            _say(f"{path} again", _latency(port, path, max(requests // 5, 5)), base)


def _many_summaries(folder: Path, count: int) -> None:
    """Sites that are only known to the fleet index: all the morning page reads."""
    from triage.fleet.index import FleetIndex
    from triage.fleet.summary import FindingBrief, SiteSummary
    from triage.workspace import Workspace

    toml = """[site]\nid = "{id}"\nname = "Roof {n}, Long Lane"\nlatitude = 47.6\nlongitude = 8.3
timezone = "Europe/Zurich"\n[[units]]\nserial = "A"\ninputs = [{{input = 1}}]\n"""
    rng = np.random.default_rng(3)
    faults = ("shading", "dead-input", "idle-input", "unit-silent", "patchy-comms", "substring-loss")
    items = []
    for n in range(count):
        site = f"many-{n:04d}"
        Workspace(folder).add_site(toml.format(id=site, n=n)).close()
        findings = [
            FindingBrief(
                id=str(k + 1), fault=str(rng.choice(faults)), place=f"A{k}/1", severity="medium",
                action=("visit", "remote", "watch")[int(rng.integers(3))], confidence=0.9, status="open",
                loss_wh_per_day=float(rng.uniform(50, 2000)), loss_wh_total=9000.0, first_seen="2026-06-01",
                last_seen="2026-06-30", why=f"A{k}/1 made 41 % of what its siblings made on 12 of 14 days.",
            )
            for k in range(int(rng.integers(1, 5)) if rng.random() < 0.35 else 0)
        ]  # fmt: skip
        items.append(
            (site, SiteSummary(site_id=site, name=f"Roof {n}, Long Lane", night="2026-06-30",
                               to_day="2026-06-30", last_sample=int(_clock_start()) - 9000,
                               tariff_per_kwh=0.3, currency="EUR", findings=tuple(findings)))
        )  # fmt: skip
    FleetIndex(folder).update_many(items)


# -- night -------------------------------------------------------------------


def night(folder: Path, sites: int, days: int, readers: int, pause: float) -> None:
    """Readers browse an idle service, then the same service while it does the night."""
    names = _fleet(folder / "workspace", sites, days)
    with _service(folder / "workspace") as (port, child):
        health = _latency(port, "/health", 50)
        _get(port, "/")  # the first reader fills the fleet index
        idle, errors = _browse(port, names, readers, pause, seconds=25.0)
        _say(f"idle, {readers} readers", idle, health)
        print(f"    {len(idle)} pages, {errors} errors")
        done = threading.Event()
        said: list[str] = []

        def work() -> None:
            assert child.stdin is not None
            assert child.stdout is not None
            child.stdin.write("sweep\n")
            child.stdin.flush()
            said.append(child.stdout.readline().strip())
            done.set()

        thread = threading.Thread(target=work)
        start = time.perf_counter()
        thread.start()
        busy, errors = _browse(port, names, readers, pause, until=done)
        thread.join()
        wall = time.perf_counter() - start
        _say(f"during the night, {readers} readers", busy, health)
        print(f"    {len(busy)} pages, {errors} errors; {said[0]}; {wall:.1f} s, {wall / sites:.2f} s a site")
        for q in (50, 95):
            ratio = np.percentile(busy, q) / np.percentile(idle, q)
            print(f"    p{q} during the night over idle: {ratio:.2f}")
    log = (folder / "workspace" / "service.log").read_text(encoding="utf-8")
    print(f"    log: {log.count('locked')} lock failures, {log.count('Traceback')} tracebacks")


def _browse(
    port: int,
    names: Sequence[str],
    readers: int,
    pause: float,
    seconds: float = 0.0,
    until: threading.Event | None = None,
) -> tuple[list[float], int]:
    """Seconds of every page and how many were no 200 or redirect."""
    took: list[float] = []
    errors: list[int] = []
    end = time.perf_counter() + seconds

    def read(number: int) -> None:
        rng = np.random.default_rng(number)
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=120)
        time.sleep(float(rng.uniform(0, pause)))
        while (until is None and time.perf_counter() < end) or (until is not None and not until.is_set()):
            path = ROUND[int(rng.integers(len(ROUND)))].replace("SITE", str(rng.choice(names)))
            start = time.perf_counter()
            connection.request("GET", path, headers={"Accept-Encoding": "gzip"})
            answer = connection.getresponse()
            answer.read()
            took.append(time.perf_counter() - start)
            if answer.status not in (200, 303):
                errors.append(answer.status)
            time.sleep(float(rng.uniform(0.5, 1.5)) * pause)
        connection.close()

    threads = [threading.Thread(target=read, args=(n,)) for n in range(readers)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return took, len(errors)


# -- the service under test -----------------------------------------------------


def _clock_start() -> float:
    from fleet_sim import NIGHT_AT

    return NIGHT_AT.timestamp()


def _serve(folder: Path) -> None:
    """The service on a free port, its clock set to the fleet's night; sweeps when told on standard input."""
    import uvicorn

    from triage.service.app import build_app
    from triage.service.logs import set_up_logs
    from triage.service.server import Service
    from triage.service.settings import NightSettings, Settings

    began, start = _clock_start(), time.monotonic()
    settings = Settings(night=NightSettings(sweep_s=3600, drop_s=3600, reports="never"))
    set_up_logs(as_json=True)
    service = Service(folder, settings, lambda: began + time.monotonic() - start)
    service.start()
    server = uvicorn.Server(uvicorn.Config(build_app(service.context), port=0, log_config=None, access_log=False, lifespan="off"))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.02)
    print(server.servers[0].sockets[0].getsockname()[1], flush=True)
    for line in sys.stdin:
        if line.strip() == "sweep":
            result = service.keeper.sweep()
            print(f"{len(result.done)} nights done, {len(result.failed)} failed", flush=True)
    server.should_exit = True
    thread.join(20)
    service.stop()


@contextmanager
def _service(folder: Path) -> Iterator[tuple[int, subprocess.Popen[str]]]:
    with (folder / "service.log").open("w", encoding="utf-8") as log:
        child = subprocess.Popen(
            [sys.executable, __file__, "_serve", "--folder", str(folder)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=log, text=True,
        )  # fmt: skip
        assert child.stdout is not None
        assert child.stdin is not None
        try:
            yield int(child.stdout.readline()), child
        finally:
            child.stdin.close()
            child.wait(60)


def _fleet(folder: Path, sites: int, days: int) -> list[str]:
    from fleet_sim import make_fleet, make_template

    print(f"making {sites} sites of 24 inputs and {days} days ...", file=sys.stderr, flush=True)
    templates = [make_template(folder.parent / "templates", n, days) for n in range(min(sites + 1, 4))]
    return make_fleet(folder, templates[1:], sites).site_ids()


def _get(port: int, path: str) -> bytes:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=120)
    connection.request("GET", path)
    answer = connection.getresponse()
    body = answer.read()
    connection.close()
    if answer.status not in (200, 503):
        raise SystemExit(f"{path}: {answer.status} {body[:300]!r}")
    return body


def _latency(port: int, path: str, requests: int) -> list[float]:
    """Seconds of each of so many requests over one connection, packed as a browser asks for it."""
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=120)
    took = []
    for _ in range(requests):
        start = time.perf_counter()
        connection.request("GET", path, headers={"Accept-Encoding": "gzip"})
        connection.getresponse().read()
        took.append(time.perf_counter() - start)
    connection.close()
    return took


def _say(what: str, took: Sequence[float], base: Sequence[float]) -> None:
    p50, p95 = np.percentile(took, [50, 95])
    ratio = p50 / np.percentile(base, 50)
    print(
        f"{what}: p50 {1e3 * p50:.1f} ms, p95 {1e3 * p95:.1f} ms, {ratio:.1f} times the health page",
        flush=True,
    )


if __name__ == "__main__":
    main()
