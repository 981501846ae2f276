"""Any registers, any map: values, a named error, never a traceback."""

from __future__ import annotations

import asyncio
import contextlib
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from collectors.columns import INPUT_COLUMNS, STATES, TELEMETRY_COLUMNS
from collectors.errors import CalloutError, LayoutError
from collectors.modbus.chain import find_map
from collectors.modbus.declared import decode_declared
from collectors.modbus.errors import RefusedError
from collectors.modbus.models import HEADER, models
from collectors.modbus.plan import HOLDING, MAX_REGISTERS, Span, plan_reads
from collectors.modbus.reader import GatewayReader
from collectors.modbus.reading import POSSIBLE, GatewayReading, combine
from collectors.modbus.regmap import MAP_POINTS, MAP_TYPES, MapPoint, RegisterMap, explain, parse_map
from collectors.modbus.types import Words

#: A loaded machine is no failure.
fuzzed = settings(
    deadline=None,
    max_examples=80,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.large_base_example],
)
words = st.lists(st.integers(0, 0xFFFF), min_size=0, max_size=400)


class Wire:
    """Stands where a link would: a device with these registers from ``base`` on, and no more."""

    def __init__(self, registers: list[int], base: int) -> None:
        self._registers, self._base = np.array(registers, dtype=np.uint16), base
        self.address = type("At", (), {"serial": False})()

    async def read(self, unit: int, span: Span, *, attempts: int | None = None) -> Words:
        assert attempts in (None, 1)
        assert 1 <= span.count <= MAX_REGISTERS
        first = span.address - self._base
        if span.function != HOLDING or first < 0 or first + span.count > len(self._registers):
            raise RefusedError(f"unit {unit}: illegal data address", 2)
        return self._registers[first : first + span.count].copy()


def check(reading: GatewayReading) -> None:
    frame = reading.telemetry
    assert tuple(frame.columns) == TELEMETRY_COLUMNS
    assert not frame[["ts", "unit", "input"]].duplicated().any()
    assert (frame["input"] >= 1).all()
    assert frame["unit"].str.len().gt(0).all()
    assert set(frame["state"].dropna()) <= set(STATES)
    for name in set(POSSIBLE) & set(frame.columns):
        low, high = POSSIBLE[name]
        assert frame[name].dropna().between(low, high).all()
    assert len(reading.span_wh) == len(frame)


def poll(registers: list[int], base: int = 40000, **options: Any) -> GatewayReading:
    reader = GatewayReader(Wire(registers, base), [1], **options)  # type: ignore[arg-type]
    return asyncio.run(reader.poll(1))


@fuzzed
@given(words, st.sampled_from([0, 40000, 50000]))
def test_any_registers(registers: list[int], base: int) -> None:
    check(poll(registers, base))


@fuzzed
@given(
    st.lists(st.tuples(st.sampled_from([1, *models(), 7, 0xFFFE]), st.integers(0, 170)), max_size=6),
    st.data(),
)
def test_any_chain_of_models_of_any_length(chain: list[tuple[int, int]], data: st.DataObject) -> None:
    registers = [
        0x5375,
        0x6E53,
        1,
        66,
        *data.draw(st.lists(st.integers(0, 0xFFFF), min_size=66, max_size=66)),
    ]
    rng = np.random.default_rng(data.draw(st.integers(0, 2**31)))
    for model, length in chain:
        registers += [model, length, *rng.integers(0, 0x10000, length).tolist()]
    registers += data.draw(st.sampled_from([[0xFFFF, 0], [0xFFFF], []]))
    reading = poll(registers)
    check(reading)
    assert reading.answers[0].answer in ("ok", "refused")


@fuzzed
@given(st.sampled_from(sorted(models())), st.integers(0, 200), st.integers(0, 2**31))
def test_one_model_of_any_length_never_reads_past_itself(model: int, length: int, seed: int) -> None:
    registers = np.random.default_rng(seed).integers(0, 0x10000, HEADER + length)
    registers[:2] = model, length
    common = [1, 66, *[0x4141] * 66]
    reading = poll([0x5375, 0x6E53, *common, *registers.tolist(), 0xFFFF, 0])
    check(reading)
    assert reading.answers[0].answer == "ok"


async def _walk(registers: list[int]) -> object:
    return await find_map(lambda span: Wire(registers, 40000).read(1, span))


@fuzzed
@given(words)
def test_walk_ends_with_a_map_or_a_named_error(tail: list[int]) -> None:
    with contextlib.suppress(CalloutError):
        asyncio.run(_walk([0x5375, 0x6E53, *tail]))


keys = st.sampled_from(sorted(f.alias or name for name, f in MapPoint.model_fields.items()))
anything = st.one_of(
    st.integers(-10, 70000),
    st.floats(allow_nan=True),
    st.text(max_size=5),
    st.booleans(),
    st.lists(st.integers(0, 0xFFFF), max_size=2),
    st.sampled_from([*MAP_POINTS, *MAP_TYPES, "big", "little"]),
    st.dictionaries(st.integers(0, 40).map(str), st.sampled_from([*STATES, "x"]), max_size=2),
)


@fuzzed
@given(st.lists(st.dictionaries(keys, anything, max_size=8), max_size=3))
def test_any_map_is_accepted_or_named(points: list[dict[str, Any]]) -> None:
    from pydantic import ValidationError

    try:
        RegisterMap.model_validate({"name": "n", "source": "s", "points": points})
    except ValidationError as exc:
        for error in exc.errors():
            assert explain("map.toml", error, RegisterMap).startswith("map.toml: ")


@fuzzed
@given(st.text(max_size=60))
def test_any_text_is_a_named_error(text: str) -> None:
    with pytest.raises(LayoutError, match=r"map\.toml: "):
        parse_map(text, "map.toml")


good_points = st.fixed_dictionaries(
    {
        "point": st.sampled_from([*INPUT_COLUMNS, "ac_power_w", "ghi_w_m2", "clock_s"]),
        "register": st.integers(0, 60),
        "type": st.sampled_from([t for t in MAP_TYPES if t != "string"]),
        "scale": st.floats(-1e9, 1e9).filter(lambda x: x != 0),
        "offset": st.floats(-1e9, 1e9),
    }
)


@fuzzed
@given(
    st.lists(good_points, min_size=1, max_size=5, unique_by=lambda p: p["point"]),
    st.integers(0, 2**31),
    st.sampled_from(["big", "little"]),
    st.integers(0, 40),
)
def test_any_good_map_on_any_registers(points: list[dict[str, Any]], seed: int, order: str, gap: int) -> None:
    regmap = RegisterMap.model_validate(
        {
            "name": "n",
            "source": "s",
            "points": points,
            "word_order": order,
            "byte_order": order,
            "max_gap": gap,
        }
    )
    registers = np.random.default_rng(seed).integers(0, 0x10000, (3, 80)).astype(np.uint16)
    assert plan_reads(regmap.spans, max_gap=gap) == regmap.reads
    part = decode_declared(regmap, ["a", "b", "c"], lambda s: registers[:, s.address : s.end])
    check(combine(1, [part], []))
