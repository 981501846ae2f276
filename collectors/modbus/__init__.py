"""Read gateways over Modbus TCP and RS-485, by SunSpec or a declared register map; never write."""

from collectors.modbus.address import LinkAddress, parse_link
from collectors.modbus.link import Link
from collectors.modbus.reader import GatewayReader
from collectors.modbus.reading import GatewayReading, UnitAnswer
from collectors.modbus.regmap import RegisterMap, load_map

__all__ = [
    "GatewayReader",
    "GatewayReading",
    "Link",
    "LinkAddress",
    "RegisterMap",
    "UnitAnswer",
    "load_map",
    "parse_link",
]
