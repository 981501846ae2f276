"""The simulated gateway replays a recording: what is read is what was recorded."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from collectors.modbus import GatewayReader, GatewayReading, Link, parse_link
from collectors.site import load_site
from sample_logs.gateway.faults import Fault, parse_fault
from sample_logs.gateway.replay import Replay, read_telemetry
from sample_logs.gateway.server import serve_site

Run = Callable[[Callable[[], Any]], Any]
SITE = Path(__file__).parents[3] / "sample_logs" / "sites" / "ambrel-farmhouse"


@pytest.fixture(scope="module")
def recording() -> pd.DataFrame:
    return read_telemetry(SITE / "telemetry.csv.gz")


@pytest.mark.parametrize("flavour", ["integer", "float", "der"])
def test_reads_what_was_recorded(run: Run, recording: pd.DataFrame, flavour: str) -> None:
    site = load_site(SITE / "site.toml")
    busiest = int(recording.groupby("ts")["dc_power_w"].sum().idxmax())

    async def test() -> GatewayReading:
        served = serve_site(site, Replay(site, recording), lambda: busiest, flavour=flavour)
        async with served, Link(parse_link(f"tcp://127.0.0.1:{await served.start_tcp()}")) as link:
            return await GatewayReader(link, range(1, len(site.units) + 1)).poll(busiest)

    read = run(test).telemetry.set_index(["unit", "input"])
    recorded = recording[recording["ts"] == busiest].set_index(["unit", "input"])
    assert set(read.index) == set(recorded.index)
    for column, tolerance in [("dc_voltage_v", 0.051), ("dc_current_a", 0.0051), ("dc_power_w", 0.51)]:
        both = pd.concat([read[column], recorded[column]], axis=1).dropna()
        assert len(both) == recorded[column].notna().sum() > 0
        assert (both.iloc[:, 0] - both.iloc[:, 1]).abs().max() <= tolerance


def test_dark_units_say_nothing(run: Run, recording: pd.DataFrame) -> None:
    site = load_site(SITE / "site.toml")
    first = int(recording["ts"].iloc[0])
    midnight = first - first % 86400 + 86400 - round(site.site.longitude * 240)
    replay = Replay(site, recording)
    stamp = int(replay._ts[replay.step(midnight)])
    there = set(recording.loc[recording["ts"] == stamp, "unit"])

    async def test() -> GatewayReading:
        served = serve_site(site, replay, lambda: midnight)
        async with served, Link(parse_link(f"tcp://127.0.0.1:{await served.start_tcp()}")) as link:
            return await GatewayReader(link, range(1, len(site.units) + 1)).poll(midnight)

    reading = run(test)
    assert reading.answered == len(there)
    assert all(a.answer in ("ok", "gateway-says-gone") for a in reading.answers)


@pytest.mark.parametrize(("fault", "column"), [("stuck:unit=1", "dc_power_w"), ("reset:unit=1", "energy_total_wh")])
def test_stuck_values_and_reset_counters(run: Run, recording: pd.DataFrame, fault: str, column: str) -> None:
    site = load_site(SITE / "site.toml")
    busiest = int(recording.groupby("ts")["dc_power_w"].sum().idxmax())
    clock = [float(busiest)]

    async def test() -> list[float]:
        served = serve_site(site, Replay(site, recording), lambda: clock[0], faults=[parse_fault(fault)])
        async with served, Link(parse_link(f"tcp://127.0.0.1:{await served.start_tcp()}")) as link:
            reader, seen = GatewayReader(link, [1]), []
            for _ in range(4):
                seen.append(float((await reader.poll(int(clock[0]))).telemetry[column].iloc[0]))
                clock[0] += 1800
            return seen

    seen = run(test)
    if column == "dc_power_w":
        assert len(set(seen)) == 1
    else:
        assert seen[-1] < 2000  # Wh since the reset, not a life's worth


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("fire", "'fire' is none of exception"),
        ("drop:unti=2", "'unti' is none of"),
        ("drop:unit=x", "unit = 'x' is not a number"),
        ("timeout:rate=2", "rate = 2 is not 0..1"),
    ],
)
def test_wrong_faults_are_named(text: str, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        parse_fault(text)


def test_fault_text() -> None:
    assert parse_fault("exception:unit=2,code=0x0B,after=5") == Fault("exception", unit=2, code=11, after=5.0)
