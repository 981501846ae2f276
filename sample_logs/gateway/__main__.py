"""Command line of the simulated gateway."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import sys
from datetime import UTC, datetime
from pathlib import Path
from time import monotonic

from collectors.errors import CalloutError
from collectors.modbus.address import parse_link
from collectors.site import SiteDescription, load_site
from sample_logs.gateway.faults import FAULTS, parse_fault
from sample_logs.gateway.image import FLAVOURS
from sample_logs.gateway.replay import ClearDay, Replay, Source, read_telemetry
from sample_logs.gateway.server import serve_site

_EXAMPLES = """
examples:
  python -m sample_logs.gateway --site sample_logs/sites/ambrel-farmhouse --speed 60
  python -m sample_logs.gateway --site site.toml --port 5020
  python -m sample_logs.gateway --site site.toml --telemetry telemetry.csv --speed 60
  python -m sample_logs.gateway --site site.toml --serial 'rtu:///dev/pts/3?baud=19200'
  python -m sample_logs.gateway --site site.toml --fault drop:unit=2,after=30 --fault timeout:rate=0.05

faults: KIND or KIND:key=value,... with unit (an id), rate (0..1), after and until (seconds)
"""


def _parser() -> argparse.ArgumentParser:
    faults = "\n".join(f"  {kind:<10} {text}" for kind, text in FAULTS.items())
    parser = argparse.ArgumentParser(
        prog="python -m sample_logs.gateway",
        description="A simulated gateway that replays a site over Modbus, with faults on demand.",
        epilog=_EXAMPLES + faults,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    add = parser.add_argument
    add("--site", required=True, type=Path, help="site file (TOML), or a folder holding site.toml")
    add("--telemetry", type=Path, help="canonical CSV to replay; else the folder's, else a made-up clear day")
    add("--port", type=int, default=5020, help="TCP port on this computer (5020; 0 picks one)")
    add("--serial", help="serial port instead: rtu:///dev/...?baud=9600")
    add("--rtu-over-tcp", action="store_true", help="RTU frames on the TCP port")
    add("--gateway", help="only the units of this gateway of the site file")
    add("--flavour", choices=list(FLAVOURS), default="integer", help="SunSpec models to show")
    add("--speed", type=float, default=1.0, help="simulated seconds per second (1)")
    add("--at", help="simulated UTC time to begin at; else 11:00 of the first day")
    add("--fault", action="append", default=[], metavar="FAULT", help="inject a fault; repeatable")
    add("--seed", type=int, default=1, help="makes faults repeatable (1)")
    return parser


def _source(site: SiteDescription, telemetry: Path | None) -> tuple[Source, int]:
    if telemetry is None:
        day = ClearDay(site)
        return day, day.start
    replay = Replay(site, read_telemetry(telemetry))
    return replay, replay.start - replay.start % 86400


async def _serve(args: argparse.Namespace, site: SiteDescription) -> None:
    source, first_day = _source(site, args.telemetry)
    # 11:00 local solar time.
    begin = first_day + 11 * 3600 - round(site.site.longitude * 240)
    if args.at:
        begin = round(datetime.fromisoformat(args.at).replace(tzinfo=UTC).timestamp())
    started = monotonic()

    speed: float = args.speed

    def now() -> float:
        return begin + (monotonic() - started) * speed

    gateway = serve_site(
        site,
        source,
        now,
        flavour=args.flavour,
        gateway=args.gateway,
        faults=[parse_fault(text) for text in args.fault],
        seed=args.seed,
    )
    async with gateway:
        if args.serial:
            at = parse_link(args.serial)
            await gateway.start_serial(at.device, baud=at.baud, parity=at.parity, stop_bits=at.stop_bits)
            where = str(at)
        else:
            port = await gateway.start_tcp(args.port, rtu_frames=args.rtu_over_tcp)
            where = f"{'rtu+tcp' if args.rtu_over_tcp else 'tcp'}://127.0.0.1:{port}"
        shown = datetime.fromtimestamp(begin, UTC).strftime("%Y-%m-%d %H:%M UTC")
        units = [u for u in site.units if args.gateway in (None, u.gateway)]
        print(f"simulated gateway of '{site.site.id}' at {where}: units 1 to {len(units)}", flush=True)
        print(f"simulated time begins at {shown}, {args.speed:g} x; Ctrl-C ends it", flush=True)
        await asyncio.Event().wait()


def main(argv: list[str] | None = None) -> int:
    args = _parser().parse_args(argv)
    path = args.site
    if path.is_dir():
        recorded = [p for p in (path / "telemetry.csv", path / "telemetry.csv.gz") if p.is_file()]
        args.telemetry = args.telemetry or next(iter(recorded), None)
        path = path / "site.toml"
    try:
        site = load_site(path)
        with contextlib.suppress(KeyboardInterrupt):
            asyncio.run(_serve(args, site))
    except (CalloutError, ValueError, OSError, RuntimeError) as exc:
        print(f"simulated gateway: {exc}", file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
