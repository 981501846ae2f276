"""Modbus: requests and seconds of a poll, bus time, 10,000 faulty requests, 50 kills.

    python tests/bench/bench_modbus.py poll     100 units x 4 inputs over TCP, to bare pymodbus reads
    python tests/bench/bench_modbus.py rtu      bus time at 9600 and 19200 baud, to the line's own time
    python tests/bench/bench_modbus.py faults   10,000 requests with 5 % timeouts, 2 % bad CRC, 1 % garbage
    python tests/bench/bench_modbus.py kills    50 kill -9 of a poller at full speed

Prints ratios to a baseline measured, or computed from the line, in the same run.
"""

from __future__ import annotations

import argparse
import asyncio
import gc
import os
import re
import select
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import psutil
from pymodbus.client import AsyncModbusTcpClient

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "tests" / "triage" / "poll"))

from killing import kill_often  # noqa: E402
from poll_site import NOON, Hand, poll_file, site_toml  # noqa: E402

from collectors.modbus import GatewayReader, Link, parse_link  # noqa: E402
from collectors.modbus.linetime import character_s, exchange_s  # noqa: E402
from sample_logs.gateway.faults import Fault  # noqa: E402
from sample_logs.gateway.image import InputState, UnitState, unit_image  # noqa: E402
from sample_logs.gateway.server import SimulatedGateway  # noqa: E402
from triage.poller import Poller  # noqa: E402
from triage.workspace import Workspace  # noqa: E402


def big_site(units: int, inputs: int) -> str:
    text = '[site]\nid = "shed"\nlatitude = 40.4\nlongitude = 0.0\ntimezone = "Europe/Madrid"\n'
    text += "[modules.m]\npmax_w = 400\n"
    for n in range(1, units + 1):
        text += f'[[units]]\nserial = "U-{n:03}"\ngateway = "gw"\n'
        text += "".join(f'[[units.inputs]]\ninput = {k}\nmodule = "m"\n' for k in range(1, inputs + 1))
    return text


@contextmanager
def gateway_program(folder: Path, toml: str, *arguments: str) -> Iterator[str]:
    """The simulated gateway in a process of its own, so that it takes no time from the reader."""
    site = folder / "site.toml"
    site.write_text(toml)
    command = [sys.executable, "-m", "sample_logs.gateway", "--site", str(site), *arguments]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=ROOT) as process:
        try:
            assert process.stdout is not None
            yield re.search(r"at (\S+): units", process.stdout.readline()).group(1)  # type: ignore[union-attr]
        finally:
            process.terminate()


# -- poll --------------------------------------------------------------------


def _now() -> tuple[float, float]:
    return time.perf_counter(), time.process_time()


def _since(began: tuple[float, float]) -> tuple[float, float]:
    wall, cpu = _now()
    return wall - began[0], cpu - began[1]


async def bench_poll(units: int = 100, inputs: int = 4, rounds: int = 15) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder, toml = Path(name), big_site(units, inputs)
        Workspace(folder).add_site(toml).close()
        with gateway_program(folder, toml, "--port", "0") as link_text:
            at = parse_link(link_text)
            hand = Hand()
            config = poll_file({"gw": at.port}, units=f"1-{units}")
            bare: list[tuple[float, float]] = []
            read: list[tuple[float, float]] = []
            stored: list[tuple[float, float]] = []
            async with Link(at) as link, Poller(Workspace(folder), config, clock=hand) as poller:
                reader = GatewayReader(link, range(1, units + 1))
                await reader.poll(0)
                await poller.poll_once()
                before = link.counts.requests
                await reader.poll(0)
                requests = link.counts.requests - before
                spans = [(u.unit_id, s) for u in reader._units for s in u.reads]
                client = AsyncModbusTcpClient(at.host, port=at.port)
                await client.connect()
                for _ in range(rounds):
                    began = _now()
                    for unit, span in spans:
                        await client.read_holding_registers(span.address, count=span.count, device_id=unit)
                    bare.append(_since(began))
                    began = _now()
                    reading = await reader.poll(1)
                    read.append(_since(began))
                    assert len(reading.telemetry) == units * inputs
                    hand.at += 60
                    began = _now()
                    (report,) = await poller.poll_once()
                    stored.append(_since(began))
                    assert report.complete, report
                client.close()
    print(f"poll: {units} units x {inputs} inputs, {requests} requests ({requests / units:.1f} a unit)")
    print(f"  best of {rounds} runs each, taken in turn; in brackets CPU seconds of the reading process")
    rows = (("bare pymodbus, same registers", bare), ("read and decoded", read), ("and stored", stored))
    base, base_cpu = (min(run[k] for run in bare) for k in (0, 1))
    for what, runs in rows:
        wall, cpu = (min(run[k] for run in runs) for k in (0, 1))
        print(f"  {what:<30} {wall:.3f} s  ratio {wall / base:.2f}   ({cpu:.3f} s, ratio {cpu / base_cpu:.2f})")


# -- rtu ---------------------------------------------------------------------


@contextmanager
def paced_line(baud: int) -> Iterator[tuple[str, str]]:
    """A pseudo-terminal pair on which every byte takes 11 bits of time; gives both ends."""
    (near, near_end), (far, far_end) = os.openpty(), os.openpty()
    stop, stop_write = os.pipe()
    for fd in (near_end, far_end):
        tty.setraw(fd)

    def carry() -> None:
        while True:
            ready, _, _ = select.select([near, far, stop], [], [])
            if stop in ready:
                return
            for here, there in ((near, far), (far, near)):
                if here in ready:
                    began = time.perf_counter()
                    data = os.read(here, 4096)
                    takes = len(data) * character_s(baud)
                    while (left := began + takes - time.perf_counter()) > 0:
                        time.sleep(left)
                    os.write(there, data)

    thread = threading.Thread(target=carry)
    thread.start()
    try:
        yield os.ttyname(near_end), os.ttyname(far_end)
    finally:
        os.write(stop_write, b".")
        thread.join()
        for fd in (near, near_end, far, far_end, stop, stop_write):
            os.close(fd)


async def bench_rtu(units: int = 5, inputs: int = 4, rounds: int = 5) -> None:
    toml = big_site(units, inputs)
    for baud in (9600, 19200):
        with (
            tempfile.TemporaryDirectory() as name,
            paced_line(baud) as (far, near),
            gateway_program(Path(name), toml, "--serial", f"rtu://{far}?baud={baud}"),
        ):
            async with Link(parse_link(f"rtu://{near}?baud={baud}")) as link:
                reader = GatewayReader(link, range(1, units + 1))
                assert (await reader.poll(0)).answered == units
                spans = [s for u in reader._units for s in u.reads]
                least = sum(exchange_s(baud, s.count) for s in spans)
                before, times = link.counts.requests, []
                for _ in range(rounds):
                    began = time.perf_counter()
                    assert (await reader.poll(1)).answered == units
                    times.append(time.perf_counter() - began)
                requests = (link.counts.requests - before) // rounds
        took = statistics.median(times)
        print(
            f"rtu: {units} units x {inputs} inputs at {baud} baud: {requests} requests, "
            f"{sum(s.count for s in spans)} registers, {took:.3f} s; line alone {least:.3f} s; "
            f"ratio {took / least:.2f} (runs {min(times) / least:.2f} to {max(times) / least:.2f})"
        )


# -- faults ------------------------------------------------------------------


async def bench_faults(requests: int = 10_000, units: int = 20) -> None:
    """Values change with every poll, so that a stale or foreign answer shows."""
    hand, attempts = Hand(), 4
    serials = [f"gw-{n}" for n in range(1, units + 1)]

    def truth(unit: int, number: int, ts: float) -> float:
        return 20.0 + unit / 10 + number + (ts - NOON) % 97 / 10

    def image(unit: int) -> list[int]:
        inputs = [InputState(truth(unit, k, hand.at), 5.0, 150.0, 1e6 + (hand.at - NOON)) for k in (1, 2)]
        return unit_image(UnitState(serials[unit - 1], tuple(inputs), 230.0, 50.0, 290.0, 40.0, "producing"))

    images = {n: (lambda n=n: image(n)) for n in range(1, units + 1)}
    faults = [Fault("timeout", rate=0.05), Fault("bad-crc", rate=0.02), Fault("garbage", rate=0.01)]
    process = psutil.Process()
    memory: list[float] = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        Workspace(folder).add_site(site_toml(units=units)).close()
        async with SimulatedGateway(images, faults=faults) as served:  # type: ignore[arg-type]
            port = await served.start_tcp(rtu_frames=True)
            more = f"attempts = {attempts}"
            config = poll_file({"gw": port}, units=f"1-{units}", more=more)
            entry = config.gateways[0].model_copy(update={"link": f"rtu+tcp://127.0.0.1:{port}", "timeout_s": 0.03})
            async with Poller(Workspace(folder), config, gateways=[entry], clock=hand) as poller:
                polls = failed = 0
                sockets = files = 0
                began = time.monotonic()
                while served.requests < requests:
                    (report,) = await poller.poll_once()
                    polls += 1
                    failed += report.units - report.units_ok
                    hand.at += 60
                    if polls % 20 == 1:
                        gc.collect()
                        memory.append(process.memory_info().rss / 2**20)
                    if polls == 5:
                        sockets, files = len(process.net_connections()), process.num_fds()
                took = time.monotonic() - began
                leaked = (len(process.net_connections()) - sockets, process.num_fds() - files)
                counts = poller.jobs[0]._link.counts
                struck = dict(served.plan.struck)
        with Workspace(folder).open("shed") as store:
            frame = store.telemetry()
    unit = frame["unit"].str.removeprefix("gw-").astype(int).to_numpy()
    expected = truth(unit, frame["input"].to_numpy(), frame["ts"].to_numpy())  # type: ignore[arg-type]
    wrong = int((np.abs(frame["dc_voltage_v"].to_numpy() - expected) > 0.051).sum())
    energy = frame["energy_total_wh"].to_numpy() - 1e6 - (frame["ts"].to_numpy() - NOON)
    wrong += int((np.abs(energy) > 0.1).sum())
    possible = polls * units * 2
    lost = possible - failed * 2 - len(frame)
    print(f"faults: {served.requests} requests in {took:.0f} s; struck {struck}")
    print(f"  {counts.timeouts} unanswered, {counts.garbled} garbled, {failed} unit polls given up after {attempts} attempts")
    print(f"  {len(frame)} of {possible} input samples stored, {lost} recoverable ones lost, {wrong} wrong values")
    print(f"  sockets {leaked[0]:+d}, open files {leaked[1]:+d}")
    print("  memory " + " ".join(f"{m:.1f}" for m in memory[:: max(1, len(memory) // 8)]) + " MiB")


async def bench_kills(kills: int = 50) -> None:
    with tempfile.TemporaryDirectory() as name:
        began = time.monotonic()
        loss = await kill_often(Path(name), kills, seed=7, longest_s=0.8)
        print(
            f"kills: {loss.kills} kill -9 in {time.monotonic() - began:.0f} s, {loss.polls} polls stored, "
            f"{loss.half_polls} stored in part, at most {loss.lost_at_most} told as stored and lost, "
            f"integrity {loss.integrity}"
        )


def main() -> None:
    benches = {"poll": bench_poll, "rtu": bench_rtu, "faults": bench_faults, "kills": bench_kills}
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("bench", nargs="*", choices=[*benches, []], help="which; all if none is named")
    for name in parser.parse_args().bench or list(benches):
        asyncio.run(benches[name]())


if __name__ == "__main__":
    main()
