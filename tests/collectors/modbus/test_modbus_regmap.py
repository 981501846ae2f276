"""Declared register maps: what is wrong is named, what is right is read in few requests."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from collectors.errors import LayoutError
from collectors.modbus import GatewayReader, GatewayReading, Link, load_map, parse_link
from collectors.modbus.plan import Span
from collectors.modbus.regmap import parse_map
from collectors.modbus.types import encode_number, encode_text
from sample_logs.gateway.server import SimulatedGateway

Run = Callable[[Callable[[], Any]], Any]

HEAD = 'name = "Meter"\nsource = "invented for this test"\n'
MAP = (
    HEAD
    + """
first_register = 40001
word_order = "little"
max_gap = 2
[[points]]
point = "serial"
register = 40001
type = "string"
size = 4
[[points]]
point = "dc_voltage_v"
register = 40005
type = "uint16"
scale = 0.1
missing = [0xFFFF, 0xFFFE]
inputs = 2
stride = 6
[[points]]
point = "dc_current_a"
register = 40006
type = "int16"
scale = 0.01
inputs = 2
stride = 6
[[points]]
point = "energy_total_wh"
register = 40007
type = "uint32"
scale = 10
missing = [0]
inputs = 2
stride = 6
[[points]]
point = "alarm_bits"
register = 40009
type = "uint16"
inputs = 2
stride = 6
bits = { 0 = "low insulation", 3 = "over-temperature" }
[[points]]
point = "state"
register = 40020
type = "uint16"
states = { 1 = "off", 4 = "producing" }
[[points]]
point = "temperature_c"
register = 40021
type = "float32"
word_order = "big"
offset = -273.15
[[points]]
point = "ac_power_w"
register = 40100
type = "int64"
"""
)


def image() -> list[int]:
    words = [0] * 120
    words[0:4] = encode_text("BUS-7", 4)
    for k, (volts, amps, energy, alarm) in enumerate([(3405, 907, 123456, 0b1001), (0xFFFE, -5 & 0xFFFF, 0, 0)]):
        at = 4 + 6 * k
        words[at], words[at + 1] = volts, amps
        words[at + 2 : at + 4] = reversed(encode_number("uint32", energy)) if energy else [0, 0]
        words[at + 4] = alarm
    words[19] = 4
    words[20:22] = encode_number("float32", 310.15)
    words[99:103] = reversed(encode_number("int64", -1234))
    return words


def read(run: Run, text: str, words: list[int], **options: Any) -> tuple[GatewayReading, int]:
    async def test() -> tuple[GatewayReading, int]:
        async with (
            SimulatedGateway({7: words}, base=0) as served,
            Link(parse_link(f"tcp://127.0.0.1:{await served.start_tcp()}")) as link,
        ):
            reader = GatewayReader(link, [7], maps={7: parse_map(text)}, **options)
            await reader.poll(1)
            before = link.counts.requests
            return await reader.poll(2), link.counts.requests - before

    return run(test)  # type: ignore[no-any-return]


def test_every_kind_of_point(run: Run) -> None:
    reading, requests = read(run, MAP, image())
    first, second = (reading.telemetry.iloc[k] for k in (0, 1))
    assert (first["unit"], first["input"], second["input"]) == ("BUS-7", 1, 2)
    assert first["dc_voltage_v"] == pytest.approx(340.5)
    assert first["dc_current_a"] == pytest.approx(9.07)
    assert first["dc_power_w"] == pytest.approx(340.5 * 9.07)
    assert first["energy_total_wh"] == pytest.approx(1234560)
    assert np.isnan(second["dc_voltage_v"])
    assert np.isnan(second["energy_total_wh"])
    assert second["dc_current_a"] == pytest.approx(-0.05)
    assert first["state"] == "producing"
    assert first["temperature_c"] == pytest.approx(37.0, abs=1e-4)
    assert first["ac_power_w"] == -1234
    assert reading.alarms == {"BUS-7": {"input 1: low insulation", "input 1: over-temperature"}}
    assert list(reading.span_wh) == [2.0**32 * 10] * 2
    assert requests == 3  # 40001-40015, 40020-40022, 40100-40103


def test_requests_follow_the_declared_gap() -> None:
    assert parse_map(MAP).reads == (Span(3, 0, 15), Span(3, 19, 3), Span(3, 99, 4))
    assert len(parse_map(MAP.replace("max_gap = 2", "max_gap = 100")).reads) == 1
    assert len(parse_map(MAP.replace("max_gap = 2", "max_gap = 0")).reads) == 4
    assert max(r.count for r in parse_map(MAP.replace("max_gap = 2", "max_registers = 4")).reads) <= 4


def test_serial_given_by_the_poll_file_wins(run: Run) -> None:
    reading, _ = read(run, MAP, image(), serials={7: "ROOF-A"})
    assert set(reading.telemetry["unit"]) == {"ROOF-A"}


def test_input_registers_with_function_4(run: Run) -> None:
    text = HEAD + 'function = 4\n[[points]]\npoint = "ghi_w_m2"\nregister = 2\ntype = "uint16"\n'
    reading, requests = read(run, text, [0, 0, 812])
    assert reading.weather["ghi_w_m2"].tolist() == [812]
    assert len(reading.telemetry) == 0
    assert requests == 1
    assert parse_map(text).reads == (Span(4, 2, 1),)


POINT = '[[points]]\npoint = "{point}"\nregister = {register}\ntype = "{type}"\n{more}'


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"point": "dc_volts_v"}, "points[0].point: 'dc_volts_v' is none of"),
        ({"type": "uint15"}, "did you mean 'uint16'?"),
        ({"register": -1}, "register = -1 is below first_register = 0"),
        ({"register": 70000}, "runs past address 65535"),
        ({"register": '"x"'}, "key 'points[0].register' = 'x'"),
        ({"more": "scale = 0"}, "scale = 0 would make every value 0"),
        ({"more": "scale = nan"}, "points[0].scale"),
        ({"more": "inputs = 3"}, "'inputs' above 1 needs 'stride'"),
        (
            {"type": "uint32", "more": "inputs = 3\nstride = 1"},
            "stride = 1 is shorter than a uint32 (2 registers)",
        ),
        ({"more": "function = 6"}, "points[0].function"),
        ({"more": "size = 3"}, "'size' goes with type = \"string\""),
        ({"more": "scael = 2"}, "key 'points[0].scael' is not one we know; did you mean 'scale'?"),
        ({"more": 'states = { 1 = "on" }', "point": "state"}, "'on' is none of producing, starting"),
        ({"point": "state"}, "'states' goes with point = \"state\""),
        ({"point": "alarm_bits", "more": 'bits = { 16 = "x" }'}, "a uint16 has bits 0..15"),
        ({"point": "alarm_bits", "type": "float32", "more": 'bits = { 1 = "x" }'}, "needs an integer type"),
        ({"point": "ac_power_w", "more": "inputs = 2\nstride = 2"}, "belongs to the unit and cannot repeat"),
        ({"point": "dc_power_w", "type": "string", "more": "size = 2"}, "a string can only be the serial"),
    ],
)
def test_wrong_points_are_named(change: dict[str, Any], message: str) -> None:
    values = {"point": "dc_voltage_v", "register": 10, "type": "uint16", "more": "", **change}
    with pytest.raises(LayoutError) as caught:
        parse_map(HEAD + POINT.format(**values), "meter.toml")
    assert caught.value.message.startswith("meter.toml: ")
    assert message in caught.value.message


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('name = "x"\n', "key 'source' is missing"),
        (HEAD, "key 'points' is missing"),
        (HEAD + "points = 3\n", "key 'points' = 3"),
        (
            HEAD + "max_registers = 126\n" + POINT.format(point="serial", register=1, type="uint16", more=""),
            "126",
        ),
        (HEAD + "word_order = 'middle'\n", "key 'word_order' = 'middle'"),
        ("name = \n", "(at line 1, column 8)"),
        (
            HEAD + 2 * POINT.format(point="ac_power_w", register=1, type="uint16", more=""),
            "points[1] (ac_power_w): points[0] declares the same already",
        ),
    ],
)
def test_wrong_files_are_named(text: str, message: str) -> None:
    with pytest.raises(LayoutError) as caught:
        parse_map(text, "meter.toml")
    assert message in caught.value.message
    assert caught.value.remedy


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(LayoutError, match="cannot be read"):
        load_map(tmp_path / "none.toml")
    (tmp_path / "latin.toml").write_bytes(b'name = "\xe9"\n')
    with pytest.raises(LayoutError, match="not UTF-8"):
        load_map(tmp_path / "latin.toml")


def test_product_of_absurd_floats_is_dropped_not_a_warning(run: Run) -> None:
    """Found by the fuzz test: two float64 near their limit overflow when multiplied."""
    text = HEAD + "".join(
        f'[[points]]\npoint = "{p}"\nregister = {r}\ntype = "float64"\n' for p, r in (("dc_voltage_v", 0), ("dc_current_a", 4))
    )
    reading, _ = read(run, text, encode_number("float64", 1e300) * 2)
    assert reading.telemetry["dc_power_w"].isna().all()
