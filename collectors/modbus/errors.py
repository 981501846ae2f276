"""Why a read failed, told apart by who failed.

LinkError (collectors.errors)
├── GatewayError    no connection: host down, port closed, serial port gone
├── NoReplyError    the request went out and nothing usable came back
│   └── BrokenReplyError  something came: a closed connection, or bytes that are no reply
└── RefusedError    a Modbus exception came back
    └── UnitGoneError   0x0A or 0x0B: the gateway answered for a unit it cannot reach
InputError (collectors.errors)
└── MapError        a SunSpec chain that contradicts itself

"""

from __future__ import annotations

from typing import Final

from collectors.errors import InputError, LinkError

#: Modbus exception codes, from the application protocol specification, section 7.
EXCEPTION_NAMES: Final = {
    0x01: "illegal function",
    0x02: "illegal data address",
    0x03: "illegal data value",
    0x04: "device failure",
    0x05: "acknowledge",
    0x06: "device busy",
    0x08: "memory parity error",
    0x0A: "gateway path unavailable",
    0x0B: "gateway target device failed to respond",
}
#: The gateway is alive, the device behind it is not.
UNIT_GONE: Final = frozenset({0x0A, 0x0B})
#: Worth another try at once.
PASSING: Final = frozenset({0x05, 0x06})


class GatewayError(LinkError):
    """No connection to the gateway or serial port."""


class NoReplyError(LinkError):
    """A request went out; no usable reply came in time."""


class BrokenReplyError(NoReplyError):
    """The connection was closed, or what came was no reply: the link's fault, and no sign that a unit is absent."""


class RefusedError(LinkError):
    """A Modbus exception reply; ``code`` is its number."""

    def __init__(self, message: str, code: int, remedy: str = "") -> None:
        super().__init__(message, remedy)
        self.code = code


class UnitGoneError(RefusedError):
    """Exceptions 0x0A and 0x0B: the gateway answered, the unit did not."""


class MapError(InputError):
    """A SunSpec chain contradicts itself."""
