"""Point types: sentinels and scale factors of the SunSpec Information Model Specification."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from collectors.modbus.types import (
    TYPES,
    decode_bits,
    decode_number,
    decode_text,
    encode_number,
    encode_text,
    scale_by,
)


def words(*values: int) -> np.ndarray:
    return np.array(values, dtype=np.uint16)


#: "Not implemented" by type: SunSpec Information Model Specification, table of data types.
NOT_IMPLEMENTED = {
    "int16": [0x8000],
    "sunssf": [0x8000],
    "uint16": [0xFFFF],
    "enum16": [0xFFFF],
    "count": [0xFFFF],
    "acc16": [0],
    "int32": [0x8000, 0],
    "uint32": [0xFFFF, 0xFFFF],
    "enum32": [0xFFFF, 0xFFFF],
    "acc32": [0, 0],
    "int64": [0x8000, 0, 0, 0],
    "uint64": [0xFFFF] * 4,
    "acc64": [0] * 4,
    "float32": [0x7FC0, 0],
}


@pytest.mark.parametrize("kind", NOT_IMPLEMENTED)
def test_sentinel_is_nan_and_its_neighbour_is_not(kind: str) -> None:
    raw = NOT_IMPLEMENTED[kind]
    assert math.isnan(decode_number(kind, words(*raw)))
    if kind != "float32":
        other = [*raw[:-1], raw[-1] ^ 1]
        assert not math.isnan(decode_number(kind, words(*other)))


@pytest.mark.parametrize("payload", [0x7FC0, 0x7F80, 0xFF80, 0x7FA0, 0xFFFF])
def test_any_nan_and_infinity_is_not_implemented(payload: int) -> None:
    assert math.isnan(decode_number("float32", words(payload, 1 if payload & 0x7F == 0 else 0)))


def test_infinity_is_not_implemented() -> None:
    assert math.isnan(decode_number("float32", words(0x7F80, 0)))


@pytest.mark.parametrize(("kind", "raw"), [("bitfield16", [0xFFFF]), ("bitfield32", [0xFFFF, 0xFFFF])])
def test_bits_not_implemented_are_minus_one(kind: str, raw: list[int]) -> None:
    assert decode_bits(kind, words(*raw)) == -1
    assert decode_bits(kind, words(*[0] * len(raw))) == 0


def test_known_values() -> None:
    # IEEE 754: 0x42F60000 is 123.0; two's complement: 0xFFFE is -2.
    assert decode_number("float32", words(0x42F6, 0)) == 123.0
    assert decode_number("int16", words(0xFFFE)) == -2
    assert decode_number("uint32", words(0x0001, 0x0002)) == 65538
    assert decode_number("uint32", words(0x0002, 0x0001), word_order="little") == 65538
    assert decode_number("uint16", words(0x3412), byte_order="little") == 0x1234
    assert decode_number("float64", words(0x405E, 0xC000, 0, 0)) == 123.0


def test_stack_keeps_its_shape() -> None:
    assert decode_number("uint32", np.zeros((3, 5, 2), dtype=np.uint16)).shape == (3, 5)


@given(st.sampled_from(sorted(TYPES)), st.data())
def test_encode_and_decode_agree(kind: str, data: st.DataObject) -> None:
    spec = TYPES[kind]
    if spec.dtype.startswith("f"):
        value = data.draw(st.floats(allow_nan=False, allow_infinity=False, width=16))
    else:
        info = np.iinfo(spec.dtype)
        value = data.draw(st.integers(max(int(info.min), -(2**53)), min(int(info.max), 2**53)))
    decoded = float(decode_number(kind, words(*encode_number(kind, value))))
    assert decoded == value or (math.isnan(decoded) and value == spec.sentinel)


def test_encode_none_is_not_implemented() -> None:
    for kind in TYPES:
        decoded = decode_number(kind, words(*encode_number(kind, None)))
        assert math.isnan(decoded)


@pytest.mark.parametrize(("factor", "expected"), [(-2, 0.25), (0, 25.0), (10, 25e10), (-10, 25e-10)])
def test_scale_factor(factor: int, expected: float) -> None:
    assert scale_by(np.array(25.0), np.array(float(factor))) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("factor", [11.0, -11.0, np.nan])
def test_scale_factor_outside_minus_10_to_10_is_unknown(factor: float) -> None:
    assert math.isnan(scale_by(np.array(25.0), np.array(factor)))


def test_text() -> None:
    assert decode_text(words(*encode_text("AB-12", 8))) == "AB-12"
    assert decode_text(words(0, 0)) == ""
    assert decode_text(words(0x41FF, 0x0A42)) == "A??B"
    assert decode_text(words(0x4241), byte_order="little") == "AB"


@given(st.lists(st.integers(0, 0xFFFF), min_size=1, max_size=16))
def test_text_is_always_printable(raw: list[int]) -> None:
    assert decode_text(words(*raw)).isprintable()
