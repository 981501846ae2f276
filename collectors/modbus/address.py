"""Where a gateway is: ``tcp://host:502``, ``rtu:///dev/ttyUSB0?baud=9600``, ``rtu+tcp://host:4001``."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final
from urllib.parse import parse_qsl, urlsplit

from collectors.errors import UsageError

SCHEMES: Final = ("tcp", "rtu", "rtu+tcp")
_EXAMPLES = "Examples: tcp://192.0.2.10:502   rtu:///dev/ttyUSB0?baud=19200&parity=E   rtu+tcp://192.0.2.10:4001"
_PORT = 502
_BAUD_RATES = (1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200)


@dataclass(frozen=True)
class LinkAddress:
    """One declared link. Serial settings are 9600 baud, no parity, 1 stop bit unless given."""

    scheme: str
    host: str = ""
    port: int = _PORT
    device: str = ""
    baud: int = 9600
    parity: str = "N"
    stop_bits: int = 1

    @property
    def serial(self) -> bool:
        return self.scheme == "rtu"

    @property
    def rtu_frames(self) -> bool:
        """RTU frames carry no transaction number: a late reply cannot be told by it."""
        return self.scheme != "tcp"

    def __str__(self) -> str:
        if self.serial:
            settings = f"?baud={self.baud}&parity={self.parity}&stop={self.stop_bits}"
            return f"rtu://{self.device}{settings}"
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{self.scheme}://{host}:{self.port}"


def parse_link(text: str) -> LinkAddress:
    """Parse a link address.

    Raises
    ------
    UsageError : names the part that is wrong.
    """
    try:
        parts = urlsplit(text)
        port = parts.port
    except ValueError as exc:
        raise UsageError(f"link '{text}': {exc}", _EXAMPLES) from exc
    if parts.scheme not in SCHEMES:
        raise UsageError(f"link '{text}': starts with none of {', '.join(s + '://' for s in SCHEMES)}", _EXAMPLES)
    if parts.scheme == "rtu":
        return _serial(text, parts.netloc + parts.path, parts.query)
    if not parts.hostname:
        raise UsageError(f"link '{text}': the host is missing", _EXAMPLES)
    if parts.path.strip("/") or parts.query:
        raise UsageError(f"link '{text}': nothing may follow the port", _EXAMPLES)
    if parts.username or parts.password:
        raise UsageError(f"link '{text}': Modbus knows no user or password", _EXAMPLES)
    if port == 0:
        raise UsageError(f"link '{text}': port 0 is none", _EXAMPLES)
    return LinkAddress(parts.scheme, host=parts.hostname, port=port or _PORT)


def _serial(text: str, device: str, query: str) -> LinkAddress:
    if not device.strip("/"):
        raise UsageError(f"link '{text}': the serial port is missing", _EXAMPLES)
    settings = {"baud": "9600", "parity": "N", "stop": "1"}
    for key, value in parse_qsl(query, keep_blank_values=True):
        if key not in settings:
            raise UsageError(f"link '{text}': '{key}' is none of baud, parity, stop", _EXAMPLES)
        settings[key] = value
    if not settings["baud"].isdigit() or int(settings["baud"]) not in _BAUD_RATES:
        rates = ", ".join(map(str, _BAUD_RATES))
        raise UsageError(f"link '{text}': baud = '{settings['baud']}' is none of {rates}", _EXAMPLES)
    parity = settings["parity"].upper()
    if parity not in ("N", "E", "O"):
        raise UsageError(f"link '{text}': parity = '{settings['parity']}' is none of N, E, O", _EXAMPLES)
    if settings["stop"] not in ("1", "2"):
        raise UsageError(f"link '{text}': stop = '{settings['stop']}' is neither 1 nor 2", _EXAMPLES)
    return LinkAddress("rtu", device=device, baud=int(settings["baud"]), parity=parity, stop_bits=int(settings["stop"]))
