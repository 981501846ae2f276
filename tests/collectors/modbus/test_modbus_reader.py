"""Whole maps: our simulated units read by us and by pysunspec2's client, and its images read by us.

pysunspec2 1.3.7 is the SunSpec Alliance's own client library: a real peer in both directions.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
import sunspec2.device
import sunspec2.modbus.client
from modbus_site import gateway

from collectors.modbus import GatewayReader, GatewayReading, Link, parse_link
from collectors.modbus.chain import SunSpecMap, find_map
from collectors.modbus.errors import MapError
from collectors.modbus.models import decode_model, models
from sample_logs.gateway.faults import Fault
from sample_logs.gateway.image import encode_map, encode_model
from sample_logs.gateway.server import SimulatedGateway

Run = Callable[[Callable[[], Any]], Any]


def read_images(run: Run, images: dict[int, list[int]], *, base: int = 40000, polls: int = 1, **options: Any) -> GatewayReading:
    async def test() -> GatewayReading:
        async with (
            SimulatedGateway(images, base=base) as served,  # type: ignore[arg-type]
            Link(parse_link(f"tcp://127.0.0.1:{await served.start_tcp()}")) as link,
        ):
            reader = GatewayReader(link, sorted(images), **options)
            for ts in range(polls):
                reading = await reader.poll(1000 + ts)
            return reading

    return run(test)  # type: ignore[no-any-return]


def walk(run: Run, image: list[int], base: int = 40000) -> SunSpecMap | None:
    async def test() -> SunSpecMap | None:
        async with (
            SimulatedGateway({1: image}, base=base) as served,
            Link(parse_link(f"tcp://127.0.0.1:{await served.start_tcp()}")) as link,
        ):
            return await find_map(lambda span: link.read(1, span))

    return run(test)  # type: ignore[no-any-return]


COMMON = encode_model(1, {"Mn": "M", "Md": "P", "SN": "S-1"})


# -- the chain ---------------------------------------------------------------


@pytest.mark.parametrize("base", [40000, 0, 50000])
def test_map_is_found_at_every_standard_base(run: Run, base: int) -> None:
    found = walk(run, encode_map([COMMON]), base)
    assert found is not None
    assert (found.base, found.devices[0].serial) == (base, "S-1")


def test_no_map_is_none(run: Run) -> None:
    assert walk(run, [1, 2, 3, 4]) is None


def test_end_model_without_its_length(run: Run) -> None:
    found = walk(run, encode_map([COMMON], end_length=False))
    assert found is not None
    assert [b.model for b in found.devices[0].blocks] == [1]


def test_common_model_of_65_registers_and_unknown_models_are_walked_by_length(run: Run) -> None:
    short = [1, 65, *COMMON[2:67]]
    vendor = [64999, 3, 7, 7, 7]
    inverter = encode_model(101, {"W": 100.0, "W_SF": 0.0})
    found = walk(run, encode_map([short, vendor, inverter]))
    assert found is not None
    assert [(b.model, b.address) for b in found.devices[0].blocks] == [
        (1, 40002),
        (64999, 40069),
        (101, 40074),
    ]
    assert found.unknown_models == (64999,)
    assert found.devices[0].serial == "S-1"


def test_length_past_the_last_register_is_a_named_error(run: Run) -> None:
    with pytest.raises(MapError, match="model 103 at 40070 says it is 65000 registers long"):
        walk(run, encode_map([COMMON, [103, 65000]]))


def test_chain_without_a_common_model_is_a_named_error(run: Run) -> None:
    with pytest.raises(MapError, match="begins with model 103 instead of model 1"):
        walk(run, encode_map([encode_model(103, {})]))


def test_several_devices_behind_one_map(run: Run) -> None:
    parts = []
    for n in range(1, 4):
        parts.append(encode_model(1, {"SN": f"S-{n}"}))
        parts.append(encode_model(101, {"W": 100.0 * n, "W_SF": 0.0, "DCV": 30.0 + n, "DCV_SF": -1.0, "St": 4.0}))
    reading = read_images(run, {1: encode_map(parts)})
    assert reading.telemetry["unit"].tolist() == ["S-1", "S-2", "S-3"]
    assert reading.telemetry["ac_power_w"].tolist() == [100, 200, 300]
    assert reading.telemetry["dc_voltage_v"].tolist() == pytest.approx([31, 32, 33])


# -- values ------------------------------------------------------------------


@pytest.mark.parametrize("flavour", ["integer", "float", "der"])
def test_all_flavours_say_the_same(run: Run, flavour: str) -> None:
    async def test() -> GatewayReading:
        async with (
            gateway(flavour=flavour) as served,
            Link(parse_link(f"tcp://127.0.0.1:{await served.start_tcp()}")) as link,
        ):
            return await GatewayReader(link, [1, 2, 3]).poll(1234)

    frame = run(test).telemetry
    assert len(frame) == 12
    assert frame["input"].tolist() == [1, 2, 3, 4] * 3
    assert (frame["ts"] == 1234).all()
    assert (frame["state"] == "producing").all()
    # 80 % of 400 W at solar noon, at 34.0 V: what the simulated clear day makes.
    assert np.allclose(frame["dc_power_w"], 320.0, atol=0.5)
    assert np.allclose(frame["dc_voltage_v"], 34.0, atol=0.05)
    assert np.allclose(frame["dc_current_a"], 320 / 34, atol=0.01)
    assert np.allclose(frame["ac_power_w"], 0.96 * 1280, atol=0.5)
    assert np.allclose(frame["ac_frequency_hz"], 50.0)
    assert frame["energy_total_wh"].nunique() == 1
    assert frame["energy_total_wh"].iloc[0] > 1e6


@pytest.mark.parametrize("flavour", ["integer", "float", "der"])
def test_pysunspec2_client_reads_our_simulated_units(run: Run, flavour: str) -> None:
    def peer(port: int) -> dict[int, Any]:
        device = sunspec2.modbus.client.SunSpecModbusClientDeviceTCP(slave_id=2, ipaddr="127.0.0.1", ipport=port, timeout=5)
        try:
            device.scan()
            return {key: models[0] for key, models in device.models.items() if isinstance(key, int)}
        finally:
            device.close()

    async def test() -> tuple[GatewayReading, dict[int, Any]]:
        async with gateway(flavour=flavour) as served:
            port = await served.start_tcp()
            async with Link(parse_link(f"tcp://127.0.0.1:{port}")) as link:
                ours = await GatewayReader(link, [2]).poll(0)
            return ours, await asyncio.get_running_loop().run_in_executor(None, peer, port)

    ours, theirs = run(test)
    row = ours.telemetry.iloc[1]
    assert theirs[1].SN.value == row["unit"] == "Q-002"
    if flavour == "der":
        ac, dc = theirs[701], theirs[714].Prt[1]
        voltage, energy = ac.LNV, dc.DCWhInj
    else:
        ac, dc = theirs[101 if flavour == "integer" else 111], theirs[160].module[1]
        voltage, energy = ac.PhVphA, dc.DCWH
    for column, point in [
        ("ac_power_w", ac.W),
        ("ac_frequency_hz", ac.Hz),
        ("ac_voltage_v", voltage),
        ("temperature_c", ac.TmpCab),
        ("dc_voltage_v", dc.DCV),
        ("dc_current_a", dc.DCA),
        ("dc_power_w", dc.DCW),
        ("energy_total_wh", energy),
    ]:
        assert row[column] == pytest.approx(point.cvalue, rel=1e-6), column


def theirs_encoded(model_id: int, length: int, values: dict[str, Any]) -> list[int]:
    """A model's registers as pysunspec2 encodes them: raw values, the rest "not implemented"."""
    model = sunspec2.device.Model(model_id, data={"ID": model_id, "L": length, **values})
    return [int(w) for w in np.frombuffer(model.get_mb(), dtype=">u2")]


def test_image_encoded_by_pysunspec2_is_read_by_us(run: Run) -> None:
    common = theirs_encoded(1, 66, {"Mn": "Peer", "Md": "Encoder", "SN": "P-77"})
    inverter = theirs_encoded(
        103,
        50,
        {
            "PhVphA": 2301, "PhVphB": 2311, "PhVphC": 2321, "V_SF": -1, "W": -1234, "W_SF": -1, "Hz": 4998,
            "Hz_SF": -2, "WH": 123456789, "WH_SF": 1, "DCV": 3405, "DCV_SF": -1, "DCA": 907, "DCA_SF": -2,
            "TmpCab": -52, "Tmp_SF": -1, "St": 7, "Evt1": 1 << 7 | 1 << 15,
        },
    )  # fmt: skip
    reading = read_images(run, {1: encode_map([common, inverter])})
    row = reading.telemetry.iloc[0]
    assert row["unit"] == "P-77"
    assert row["ac_voltage_v"] == pytest.approx(231.1)
    assert row["ac_power_w"] == pytest.approx(-123.4)
    assert row["ac_frequency_hz"] == pytest.approx(49.98)
    assert row["energy_total_wh"] == pytest.approx(1234567890)
    assert row["dc_voltage_v"] == pytest.approx(340.5)
    assert row["dc_power_w"] == pytest.approx(340.5 * 9.07)  # not reported: volts times amperes
    assert row["temperature_c"] == pytest.approx(-5.2)
    assert row["state"] == "fault"
    assert reading.alarms["P-77"] == {"over-temperature", "hardware test failure"}


def test_event_bit_15_is_arc_detection_in_model_160(run: Run) -> None:
    mppt = encode_model(
        160,
        {"N": 2.0, "Evt": 0.0, "DCV_SF": 0.0},
        [{"DCV": 30.0, "DCEvt": 0.0}, {"DCV": 31.0, "DCEvt": float(1 << 15)}],
    )
    reading = read_images(run, {1: encode_map([COMMON, encode_model(101, {"Evt1": 0.0}), mppt])})
    assert reading.alarms == {"S-1": {"input 2: arc detection"}}


@pytest.mark.parametrize(("model", "point", "raw"), [(101, "St", 8), (701, "InvSt", 7)])
def test_standby_is_8_in_the_inverter_models_and_7_in_701(run: Run, model: int, point: str, raw: int) -> None:
    reading = read_images(run, {1: encode_map([COMMON, encode_model(model, {point: float(raw)})])})
    assert reading.telemetry["state"].tolist() == ["standby"]


def test_zero_counter_is_not_reported(run: Run) -> None:
    mppt = encode_model(160, {"N": 1.0, "DCWH_SF": 0.0, "DCV_SF": 0.0}, [{"DCV": 30.0, "DCWH": 0.0}])
    reading = read_images(run, {1: encode_map([COMMON, mppt])})
    assert np.isnan(reading.telemetry["energy_total_wh"].iloc[0])


def test_fewer_inputs_counted_than_room(run: Run) -> None:
    inputs = [{"DCV": 30.0}, {"DCV": 31.0}, {"DCV": 0.0}, {}]
    reading = read_images(run, {1: encode_map([COMMON, encode_model(160, {"N": 2.0, "DCV_SF": 0.0}, inputs)])})
    assert reading.telemetry["dc_voltage_v"].tolist() == [30, 31]


def test_only_pv_ports_of_model_714_are_inputs(run: Run) -> None:
    ports = [{"PrtTyp": 1.0, "DCV": 400.0}, {"PrtTyp": 0.0, "DCV": 35.0, "DCSta": 3.0}]
    der = encode_model(714, {"NPrt": 2.0, "DCV_SF": 0.0}, ports)
    reading = read_images(run, {1: encode_map([COMMON, der])})
    assert reading.telemetry[["input", "dc_voltage_v"]].to_numpy().tolist() == [[1, 35.0]]
    assert reading.alarms == {"S-1": {"input 1: state fault"}}


def test_missing_scale_factor_makes_the_value_unknown(run: Run) -> None:
    inverter = encode_model(101, {"St": 4.0, "Hz": 50.0, "Hz_SF": 0.0})
    inverter[models()[101].points["W"].offset] = 1000  # W without W_SF
    reading = read_images(run, {1: encode_map([COMMON, inverter])})
    assert np.isnan(reading.telemetry["ac_power_w"].iloc[0])
    assert reading.telemetry["ac_frequency_hz"].iloc[0] == 50.0


def test_impossible_values_are_dropped_and_counted(run: Run) -> None:
    inverter = encode_model(101, {"Hz": 650.0, "Hz_SF": 0.0, "DCV": 9000.0, "DCV_SF": 0.0})
    reading = read_images(run, {1: encode_map([COMMON, inverter])})
    assert reading.telemetry[["ac_frequency_hz", "dc_voltage_v"]].isna().all(axis=None)
    assert reading.rejected == {"ac_frequency_hz impossible": 1, "dc_voltage_v impossible": 1}


def test_weather_models(run: Run) -> None:
    """Models 302, 303, 305 and 307: irradiance, module temperature, time, base meteorology."""
    image = encode_map(
        [
            encode_model(1, {"SN": "MET-1"}),
            encode_model(302, {}, [{"GHI": 812.0, "POAI": 945.0, "DFI": 101.0, "DNI": 840.0}]),
            encode_model(303, {}, [{"TmpBOM": 48.7}]),
            encode_model(305, {"Tm": "120001.500Z", "Date": "20260612", "Lat": 40.4, "Long": -3.7}),
            encode_model(307, {"TmpAmb": 27.3, "WndSpd": 4.0}),
        ]
    )
    reading = read_images(run, {1: image}, plane="south")
    assert len(reading.telemetry) == 0
    general, plane = (reading.weather.iloc[k].dropna().to_dict() for k in (0, 1))
    assert general["plane"] == ""
    assert (general["ghi_w_m2"], general["dhi_w_m2"], general["dni_w_m2"]) == (812, 101, 840)
    assert (general["temp_air_c"], general["wind_m_s"]) == (pytest.approx(27.3), 4)
    assert (plane["plane"], plane["poa_w_m2"], plane["temp_module_c"]) == ("south", 945, pytest.approx(48.7))
    assert reading.clocks == {"MET-1": 1781265601.0}  # 2026-06-12T12:00:01Z
    without = read_images(run, {1: image})
    assert without.weather["poa_w_m2"].isna().all()  # whose plane it is nobody said


@pytest.mark.parametrize("model_id", sorted(models()))
@pytest.mark.parametrize("seed", range(5))
def test_every_point_decodes_as_pysunspec2_decodes_it(model_id: int, seed: int) -> None:
    """Random registers, sane scale factors: our decoder against the SunSpec Alliance's, point by point."""
    rng = np.random.default_rng([seed, model_id])
    model, repeats = models()[model_id], 3 if models()[model_id].repeat else 0
    words = rng.integers(0, 0x10000, model.length(repeats) + 2).astype(np.uint16)
    words[:2] = model_id, model.length(repeats)
    for point in model.points.values():
        if point.kind == "sunssf":
            words[point.offset] = np.uint16(rng.integers(-4, 5) & 0xFFFF)
    if model.repeat_count:
        words[model.points[model.repeat_count].offset] = repeats
    raw = words.astype(">u2").tobytes()
    theirs = sunspec2.device.Model(model_id, model_addr=0, model_len=len(words) - 2, data=raw)
    ours = decode_model(model, words[np.newaxis, :])
    compared = 0

    def compare(point: Any, value: float, name: str, bits: bool) -> None:
        nonlocal compared
        expected = point.cvalue
        compared += 1
        if expected is None:
            assert value == -1 if bits else np.isnan(value), name
        elif isinstance(expected, float) and not np.isfinite(expected):
            assert np.isnan(value), name
        else:
            assert value == pytest.approx(float(expected), rel=1e-9), name

    for name, values in ours.fixed.items():
        compare(theirs.points[name], values[0], name, model.points[name].is_bits)
    groups = next(iter(theirs.groups.values()), [])
    for k, group in enumerate(groups):
        for name, values in ours.repeat.items():
            compare(group.points[name], values[0, k], f"{name} {k}", model.repeat[name].is_bits)
    assert len(groups) == repeats
    assert compared == len(ours.fixed) + repeats * len(ours.repeat)


# -- devices that are not quite right ----------------------------------------


def test_device_that_refuses_reads_across_models_is_read_model_by_model(run: Run) -> None:
    from pymodbus.constants import ExcCodes

    image = encode_map(
        [
            COMMON,
            encode_model(101, {"St": 4.0}),
            encode_model(160, {"N": 1.0, "DCV_SF": 0.0}, [{"DCV": 33.0}]),
        ]
    )

    class Strict(SimulatedGateway):
        async def _action(self, unit: int, f: int, start: int, at: int, n: int, regs: list[int], new: object) -> Any:
            if at >= 40070 and at < 40122 < at + n:
                return ExcCodes.ILLEGAL_ADDRESS
            return await super()._action(unit, f, start, at, n, regs, new)

    async def test() -> list[GatewayReading]:
        async with (
            Strict({1: image}) as served,
            Link(parse_link(f"tcp://127.0.0.1:{await served.start_tcp()}")) as link,
        ):
            reader = GatewayReader(link, [1])
            return [await reader.poll(1), await reader.poll(2)]

    for reading in run(test):
        assert reading.telemetry["dc_voltage_v"].tolist() == [33.0]


def test_two_units_with_one_serial_are_not_stored_as_one(run: Run) -> None:
    image = encode_map([COMMON, encode_model(101, {"St": 4.0})])
    reading = read_images(run, {1: image, 2: image})
    assert len(reading.telemetry) == 0
    assert reading.rejected == {"serial seen twice": 2}


def test_half_an_answer_gives_nothing(run: Run) -> None:
    """The second of a unit's two reads fails: not one of its values is passed on."""

    async def test() -> GatewayReading:
        async with (
            gateway(units=2) as served,
            Link(parse_link(f"tcp://127.0.0.1:{await served.start_tcp()}"), timeout_s=0.1) as link,
        ):
            reader = GatewayReader(link, [1, 2])
            await reader.poll(1)
            strikes, seen = served.plan.strikes, [0]

            def every_second(kinds: Any, unit: int, elapsed_s: float) -> Fault | None:
                if "timeout" in kinds and unit == 2:
                    seen[0] += 1
                    return Fault("timeout") if seen[0] > 1 else None
                return strikes(kinds, unit, elapsed_s)

            served.plan.strikes = every_second  # type: ignore[method-assign]
            return await reader.poll(2)

    reading = run(test)
    assert [a.answer for a in reading.answers] == ["ok", "no-reply"]
    assert set(reading.telemetry["unit"]) == {"Q-001"}


def test_replaced_unit_is_learnt_anew(run: Run) -> None:
    image = [encode_map([encode_model(1, {"SN": "OLD"}), encode_model(101, {"St": 4.0})])]

    async def test() -> list[str]:
        async with (
            SimulatedGateway({1: lambda: image[0]}, faults=[]) as served,
            Link(parse_link(f"tcp://127.0.0.1:{await served.start_tcp()}"), timeout_s=0.05) as link,
        ):
            reader = GatewayReader(link, [1])
            seen = list((await reader.poll(0)).telemetry["unit"])
            served.plan.faults.append(Fault("drop"))
            image[0] = encode_map([encode_model(1, {"SN": "NEW"}), encode_model(101, {"St": 4.0})])
            for ts in range(1, 7):
                await reader.poll(ts)
            served.plan.faults.clear()
            return seen + list((await reader.poll(9)).telemetry["unit"])

    assert run(test) == ["OLD", "NEW"]
