"""CRC and frames against worked examples.

``02 07 -> 41 12`` is the example of "MODBUS over serial line specification and
implementation guide V1.02", section 6.2.2 (from memory); the others follow from
its algorithm, which this file carries out bit by bit, apart from the library.
"""

from __future__ import annotations

import pytest
from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU
from pymodbus.pdu.register_message import ReadHoldingRegistersRequest

from collectors.modbus import linetime


def crc_bit_by_bit(frame: bytes) -> bytes:
    """CRC-16 as the guide's flow chart: preset to ones, polynomial A001, low byte first."""
    crc = 0xFFFF
    for byte in frame:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ 0xA001 if crc & 1 else crc >> 1
    return crc.to_bytes(2, "little")


EXAMPLES = [
    ("02 07", "41 12"),
    ("11 03 00 6B 00 03", "76 87"),
    ("11 03 06 02 2B 00 00 00 64", "C8 BA"),
    ("01 03 9C 40 00 02", "EB 8F"),
    ("01 83 02", "C0 F1"),
    ("31 32 33 34 35 36 37 38 39", "37 4B"),
]


@pytest.mark.parametrize(("frame", "crc"), EXAMPLES)
def test_crc_on_the_wire(frame: str, crc: str) -> None:
    data, wire = bytes.fromhex(frame), bytes.fromhex(crc)
    assert crc_bit_by_bit(data) == wire
    assert FramerRTU.compute_CRC(data).to_bytes(2, "big") == wire


def test_request_frame_of_the_library() -> None:
    request = ReadHoldingRegistersRequest(address=40000, count=2, dev_id=1)
    frame = FramerRTU(DecodePDU(False)).buildFrame(request)
    assert frame == bytes.fromhex("01 03 9C 40 00 02 EB 8F")


@pytest.mark.parametrize(("baud", "milliseconds"), [(9600, 309), (19200, 155), (115200, 29)])
def test_line_time_of_125_registers(baud: int, milliseconds: int) -> None:
    """263 characters of 11 bits and two silences of 3.5 characters, by hand."""
    by_hand = (8 + 255) * 11 / baud + 2 * (3.5 * 11 / baud if baud <= 19200 else 0.00175)
    assert linetime.exchange_s(baud, 125) == pytest.approx(by_hand)
    assert round(linetime.exchange_s(baud, 125) * 1000) == milliseconds


def test_silence_is_fixed_above_19200_baud() -> None:
    assert linetime.frame_gap_s(115200) == 0.00175
    assert linetime.frame_gap_s(9600) == pytest.approx(3.5 * 11 / 9600)
