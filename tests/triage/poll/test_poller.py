"""The poller against simulated gateways: what it stores, which events it raises, how it paces itself."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from poll_site import NOON, Hand, poll, poll_file, polled, simulated, site_toml

from collectors.errors import StoreError
from collectors.modbus import Link, parse_link
from collectors.modbus.reader import GatewayReader
from collectors.site import parse_site
from collectors.store import Store
from sample_logs.gateway.faults import Fault
from sample_logs.gateway.image import encode_map, encode_model
from sample_logs.gateway.server import SimulatedGateway
from triage.poller import ClockWatch, Poller, PollReport, in_window
from triage.pollstore import SiteWriter
from triage.workspace import Workspace

Run = Callable[[Callable[[], Any]], Any]
INPUTS = 4


def stored(folder: Path, query: str) -> list[tuple[Any, ...]]:
    with Workspace(folder).open("shed") as store:
        return [tuple(row) for row in store.db.execute(query).fetchall()]


def events(folder: Path) -> list[tuple[int, str, str, str]]:
    query = "SELECT ts, source, event, detail FROM gateway_event ORDER BY ts, source, event"
    return stored(folder, query)  # type: ignore[return-value]


def test_samples_reach_the_file_at_once_and_again_change_nothing(run: Run, tmp_path: Path) -> None:
    async def test() -> list[PollReport]:
        async with polled(tmp_path) as (poller, _, hand):
            first = await poll(poller, hand, 0)
            assert len(stored(tmp_path, "SELECT * FROM input_sample")) == INPUTS
            return [first, await poll(poller, hand)]

    reports = run(test)
    assert all(r.complete and r.inputs_stored == INPUTS for r in reports)
    rows = stored(tmp_path, "SELECT unit, input, dc_voltage_v, dc_power_w FROM input_reading")
    assert len(rows) == INPUTS
    assert rows[0] == ("gw-1", 1, pytest.approx(34.0, abs=0.05), pytest.approx(320, abs=0.5))
    assert {ts for (ts,) in stored(tmp_path, "SELECT ts FROM input_sample")} == {NOON}
    assert events(tmp_path) == []


def test_polls_leave_one_import_run_per_kind(run: Run, tmp_path: Path) -> None:
    async def test() -> None:
        async with polled(tmp_path, [Fault("drop", unit=2)]) as (poller, _, hand):
            for _ in range(4):
                await poll(poller, hand)

    run(test)
    assert sorted(kind for (kind,) in stored(tmp_path, "SELECT kind FROM import_run")) == [
        "events",
        "telemetry",
    ]


def test_unit_gone_is_told_from_gateway_lost(run: Run, tmp_path: Path) -> None:
    async def test() -> None:
        async with polled(tmp_path) as (poller, served, hand):
            await poll(poller, hand)
            served.plan.faults.append(Fault("drop", unit=2))
            await poll(poller, hand)
            await poll(poller, hand)
            served.plan.faults.clear()
            await poll(poller, hand)
            await served.stop()
            report = await poll(poller, hand)
            assert report.problem.startswith("could not reach the gateway: tcp://127.0.0.1:")
            await poll(poller, hand)

    run(test)
    found = events(tmp_path)
    assert [(ts - NOON, source, event) for ts, source, event, _ in found] == [
        (60, "gw-2", "offline"),
        (180, "gw-2", "online"),
        (240, "gw", "offline"),
    ]
    assert found[0][3].startswith("gateway answered, unit did not: exception 0x0B")
    assert found[2][3].startswith("could not reach the gateway: tcp://127.0.0.1:")
    assert "connection refused" in found[2][3]


def test_unit_without_reply_while_others_answer_is_the_unit(run: Run, tmp_path: Path) -> None:
    async def test() -> None:
        async with polled(tmp_path, [Fault("timeout", unit=1, after=0.0)]) as (poller, served, hand):
            served.plan.faults.clear()
            await poll(poller, hand)
            served.plan.faults.append(Fault("timeout", unit=1))
            await poll(poller, hand)

    run(test)
    ((_, source, event, detail),) = events(tmp_path)
    assert (source, event) == ("gw-1", "offline")
    assert detail == "gateway answered, unit did not: no reply within 0.2 s (2 attempts)"


def test_connection_without_any_reply_is_the_gateway(run: Run, tmp_path: Path) -> None:
    async def test() -> None:
        async with polled(tmp_path, [Fault("timeout")]) as (poller, _, hand):
            await poll(poller, hand)

    run(test)
    ((_, source, event, detail),) = events(tmp_path)
    assert (source, event) == ("gw", "offline")
    assert detail == "could not reach the gateway: connected, but none of 2 units replied"


def test_restarted_poller_goes_on_from_the_stored_events(run: Run, tmp_path: Path) -> None:
    async def test() -> None:
        hand = Hand()
        async with polled(tmp_path, clock=hand) as (poller, served, _):
            await poll(poller, hand)
            served.plan.faults.append(Fault("drop", unit=2))
            await poll(poller, hand)
        async with polled(tmp_path, [Fault("drop", unit=2)], clock=hand) as (poller, served, _):
            served.plan.faults.clear()
            await poll(poller, hand)

    run(test)
    assert [(ts - NOON, source, event) for ts, source, event, _ in events(tmp_path)] == [
        (60, "gw-2", "offline"),
        (120, "gw-2", "online"),
    ]


def test_event_bits_become_alarm_and_clear(run: Run, tmp_path: Path) -> None:
    bits = [0.0]

    def image() -> list[int]:
        common = encode_model(1, {"SN": "gw-1"})
        return encode_map([common, encode_model(101, {"Evt1": bits[0], "DCV": 30.0, "DCV_SF": 0.0})])

    async def test() -> None:
        workspace, hand = Workspace(tmp_path), Hand()
        workspace.add_site(site_toml()).close()
        async with SimulatedGateway({1: image}) as served:
            config = poll_file({"gw": await served.start_tcp()}, units="1")
            async with Poller(workspace, config, clock=hand) as poller:
                for value in (0, 1 << 7, 1 << 7, 0):
                    bits[0] = float(value)
                    await poll(poller, hand)

    run(test)
    assert [(ts - NOON, *rest) for ts, *rest in events(tmp_path)] == [
        (60, "gw-1", "alarm", "over-temperature"),
        (180, "gw-1", "clear", "over-temperature"),
    ]


def counter_site(tmp_path: Path, run: Run, readings: list[float], seconds: float = 60.0) -> None:
    value = [0.0]

    def image() -> list[int]:
        common = encode_model(1, {"SN": "gw-1"})
        mppt = encode_model(160, {"N": 1.0, "DCWH_SF": -3.0, "DCV_SF": 0.0}, [{"DCWH": value[0], "DCV": 30.0}])
        return encode_map([common, mppt])

    async def test() -> None:
        workspace, hand = Workspace(tmp_path), Hand()
        workspace.add_site(site_toml()).close()
        async with SimulatedGateway({1: image}) as served:
            config = poll_file({"gw": await served.start_tcp()}, units="1")
            for reading in readings:  # a new poller each time: nothing may live in memory only
                async with Poller(workspace, config, clock=hand) as poller:
                    value[0] = reading
                    await poll(poller, hand, seconds)

    run(test)


def counters(tmp_path: Path) -> list[float]:
    return [e for (e,) in stored(tmp_path, "SELECT energy_total_wh FROM input_reading ORDER BY timestamp")]


def test_acc32_wrap_goes_on_over_a_restart(run: Run, tmp_path: Path) -> None:
    span = 2**32 / 1000
    counter_site(tmp_path, run, [span - 2, 3, 8])
    assert counters(tmp_path) == pytest.approx([span - 2, span + 3, span + 8], abs=0.1)
    assert events(tmp_path) == []


def test_counter_reset_is_an_event(run: Run, tmp_path: Path) -> None:
    counter_site(tmp_path, run, [1000, 1001, 5, 6])
    assert counters(tmp_path) == pytest.approx([1000, 1001, 5, 6])
    ((ts, source, event, detail),) = events(tmp_path)
    assert (ts - NOON, source, event) == (120, "gw-1", "restart")
    assert detail == "input 1: lifetime counter went back from 1001.0 to 5.0 Wh: reset or replaced"


def test_slow_gateway_holds_up_no_other(run: Run, tmp_path: Path) -> None:
    """The quick gateway is polled again and again while the slow one still waits for its first answer."""
    seen: list[str] = []

    async def test() -> None:
        toml = site_toml(gateways=("slow", "quick"))
        workspace = Workspace(tmp_path)
        workspace.add_site(toml).close()
        stop = asyncio.Event()

        def note(report: PollReport) -> None:
            seen.append(report.gateway)
            if seen.count("quick") >= 3:
                stop.set()

        async with (
            simulated(toml, "slow", [Fault("slow", s=1.5)]) as slow,
            simulated(toml, "quick") as quick,
        ):
            ports = {"slow": await slow.start_tcp(), "quick": await quick.start_tcp()}
            config = poll_file(ports, more='interval_s = 1\ndaylight = "always"')
            config = config.model_copy(update={"gateways": tuple(g.model_copy(update={"timeout_s": 2.0}) for g in config.gateways)})
            async with Poller(workspace, config, on_report=note) as poller:
                await asyncio.wait_for(poller.run(stop), 60)
                assert "slow" not in seen
                slow.plan.faults.clear()

    run(test)


def test_unreachable_gateway_is_tried_less_and_less(run: Run, tmp_path: Path) -> None:
    async def test() -> None:
        async with polled(tmp_path) as (poller, served, hand):
            (job,) = poller.jobs
            assert await job.due()
            await served.stop()
            pauses = []
            for _ in range(8):
                await poll(poller, hand)
                pauses.append(job._not_before - asyncio.get_running_loop().time() + job.entry.interval_s / 2)
            assert not await job.due()
            assert np.allclose(pauses, [60, 120, 240, 480, 900, 900, 900, 900], atol=5)

    run(test)


def test_daylight_window() -> None:
    facts = parse_site(site_toml()).site

    def entry(daylight: str) -> Any:
        return poll_file({"gw": 502}, more=f'daylight = "{daylight}"').gateways[0]

    def at(*when: int) -> float:
        return datetime(*when, tzinfo=UTC).timestamp()  # type: ignore[misc, arg-type]

    assert in_window(entry("auto"), facts, at(2026, 6, 12, 12))
    assert not in_window(entry("auto"), facts, at(2026, 6, 12, 0))
    assert in_window(entry("always"), facts, at(2026, 6, 12, 0))
    # Madrid is UTC+1 in winter and UTC+2 in summer; the clocks change on 2026-03-29.
    assert not in_window(entry("08:00-18:00"), facts, at(2026, 3, 28, 6, 30))
    assert in_window(entry("08:00-18:00"), facts, at(2026, 3, 29, 6, 30))
    assert in_window(entry("08:00-18:00"), facts, at(2026, 3, 28, 16, 30))
    assert not in_window(entry("08:00-18:00"), facts, at(2026, 3, 29, 16, 30))


def test_night_is_not_polled(run: Run, tmp_path: Path) -> None:
    async def test() -> None:
        async with polled(tmp_path, clock=Hand(NOON - 12 * 3600)) as (poller, served, hand):
            stop = asyncio.Event()
            asyncio.get_running_loop().call_later(0.3, stop.set)
            await poller.run(stop)
            assert served.requests == 0
            hand.at = NOON
            assert await poller.jobs[0].due()

    run(test)


def test_clock_watch_tells_a_step_from_drift() -> None:
    watch = ClockWatch(1000.0, 50.0)
    assert watch.step(1005.0, 55.0) == 0.0
    assert watch.step(1010.5, 60.0) == 0.0
    assert watch.step(4615.5, 65.0) == pytest.approx(3600)
    assert watch.step(4620.5, 70.0) == 0.0
    assert watch.step(1025.5, 75.0) == pytest.approx(-3600)


@pytest.mark.parametrize("step", [3600.0, -3600.0])
def test_clock_step_sets_the_schedule_anew_and_is_an_event(run: Run, tmp_path: Path, step: float) -> None:
    """Set back an hour, a schedule by the wall clock would stand still for an hour."""

    async def test() -> None:
        reports: list[PollReport] = []
        arrived = asyncio.Event()

        def note(report: PollReport) -> None:
            reports.append(report)
            arrived.set()

        async with polled(tmp_path) as (poller, _, hand):
            poller._on_report = note
            stop = asyncio.Event()
            running = asyncio.create_task(poller.run(stop))
            await asyncio.wait_for(arrived.wait(), 20)
            arrived.clear()
            hand.at += step
            poller.clock_was_set(step)
            assert poller._scheduler is not None
            (job,) = poller._scheduler.get_jobs()
            assert abs(job.next_run_time.timestamp() - hand.at) <= 61
            stop.set()
            await running
            await poll(poller, hand)
            await poll(poller, hand)

    run(test)
    texts = [(source, event, detail) for _, source, event, detail in events(tmp_path)]
    wanted = f"the clock of this computer was set by {step:+.0f} s"
    assert ("gw", "alarm", wanted) in texts
    assert ("gw", "clear", wanted) in texts


def test_gateway_clock_is_compared(run: Run, tmp_path: Path) -> None:
    def image() -> list[int]:
        parts = [
            encode_model(1, {"SN": "gw-1"}),
            encode_model(101, {"St": 4.0}),
            encode_model(305, {"Date": "20260612", "Tm": "120000.000Z"}),
        ]
        return encode_map(parts)

    async def test() -> None:
        workspace, hand = Workspace(tmp_path), Hand()  # 11:00 UTC
        workspace.add_site(site_toml()).close()
        async with SimulatedGateway({1: image}) as served:
            config = poll_file({"gw": await served.start_tcp()}, units="1")
            async with Poller(workspace, config, clock=hand) as poller:
                await poll(poller, hand)
                hand.at += 3540
                await poll(poller, hand)

    run(test)
    assert [(source, event) for _, source, event, _ in events(tmp_path)] == [
        ("gw-1", "alarm"),
        ("gw-1", "clear"),
    ]
    assert "more than 60 s" in events(tmp_path)[0][3]
    with Workspace(tmp_path).open("shed") as store:
        assert store.meta("clock_offset_s:gw-1") == "0"


def test_unit_not_in_the_site_file_is_told_and_not_stored(run: Run, tmp_path: Path) -> None:
    async def test() -> PollReport:
        workspace, hand = Workspace(tmp_path), Hand()
        workspace.add_site(site_toml(units=1)).close()
        async with (
            simulated(site_toml()) as served,
            Poller(workspace, poll_file({"gw": await served.start_tcp()}), clock=hand) as poller,
        ):
            return await poll(poller, hand)

    report = run(test)
    assert report.unknown == ("gw-2/1", "gw-2/2")
    assert not report.complete
    assert {u for (u,) in stored(tmp_path, "SELECT DISTINCT unit FROM input_reading")} == {"gw-1"}


def test_weather_on_the_same_bus(run: Run, tmp_path: Path) -> None:
    met = encode_map(
        [
            encode_model(1, {"SN": "MET"}),
            encode_model(302, {}, [{"POAI": 912.0, "GHI": 800.0}]),
            encode_model(307, {"TmpAmb": 25.5}),
        ]
    )

    async def test() -> None:
        workspace, hand = Workspace(tmp_path), Hand()
        workspace.add_site(site_toml()).close()
        async with SimulatedGateway({9: met}) as served:
            more = '[[gateways.devices]]\nunits = "9"\nplane = "south"'
            config = poll_file({"gw": await served.start_tcp()}, units="9", more=more)
            async with Poller(workspace, config, clock=hand) as poller:
                await poll(poller, hand)

    run(test)
    rows = stored(tmp_path, "SELECT plane, ghi_w_m2, poa_w_m2, temp_air_c FROM weather_sample ORDER BY plane")
    assert rows == [("", 800.0, None, 25.5), ("south", None, 912.0, None)]


def test_reading_waits_while_the_file_cannot_be_written(run: Run, tmp_path: Path) -> None:
    Workspace(tmp_path).add_site(site_toml()).close()
    tries = [0]

    def opening() -> Store:
        tries[0] += 1
        if tries[0] == 3:  # the tracker opens it, then it goes away once
            raise StoreError("disk full")
        return Workspace(tmp_path).open("shed")

    async def test() -> None:
        writer = SiteWriter(opening)
        async with (
            simulated(site_toml()) as served,
            Link(parse_link(f"tcp://127.0.0.1:{await served.start_tcp()}")) as link,
        ):
            reader = GatewayReader(link, [1, 2])
            readings = [await reader.poll(NOON + k) for k in range(2)]
        tracker = await writer.tracker("gw")
        await writer.close_file()
        tries[0] = 2
        with pytest.raises(StoreError, match="disk full"):
            await writer.add(readings[0], tracker)
        done = await writer.add(readings[1], tracker)
        assert done.inputs == 2 * INPUTS
        await writer.close()

    run(test)
    assert {ts for (ts,) in stored(tmp_path, "SELECT ts FROM input_sample")} == {NOON, NOON + 1}


def test_wrong_site_is_told_before_anything_is_polled(run: Run, tmp_path: Path) -> None:
    async def test() -> None:
        with pytest.raises(StoreError, match="site 'shed' is not in workspace"):
            async with Poller(Workspace(tmp_path), poll_file({"gw": 502})):
                pass

    run(test)
