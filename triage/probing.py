"""Find out what is behind a link: unit ids, models, inputs, ratings; then draft a site and a poll file."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import tomlkit
from tomlkit.items import AoT, Table

from collectors.errors import CalloutError
from collectors.modbus import GatewayReader, Link
from collectors.modbus.address import LinkAddress
from collectors.modbus.chain import Device, SunSpecMap, find_map
from collectors.modbus.errors import BrokenReplyError, MapError, NoReplyError, RefusedError, UnitGoneError
from collectors.modbus.models import decode_model, models
from collectors.modbus.plan import HOLDING, Span
from collectors.modbus.sunspec import input_count
from collectors.modbus.types import Words

#: How long a unit id may take while scanning: most of them are not there.
SCAN_TIMEOUT_S: Final = 0.5
#: How often a unit id is asked whose connection breaks: that says nothing of the unit (own choice).
TRIES: Final = 4
_FILL = "FILL IN"


@dataclass(frozen=True)
class ProbedDevice:
    """One unit found: what it says of itself."""

    unit_id: int
    serial: str
    maker: str
    product: str
    version: str
    models: tuple[int, ...]
    inputs: int
    rated_va: float | None
    dc_power_w: float | None
    state: str | None
    latitude: float | None = None
    longitude: float | None = None
    altitude_m: float | None = None

    def to_json(self) -> dict[str, Any]:
        return {**self.__dict__, "models": list(self.models)}


@dataclass(frozen=True)
class Probe:
    """What is behind a link. Lists of unit ids; ``problems`` by unit id."""

    address: LinkAddress
    devices: tuple[ProbedDevice, ...]
    without_map: tuple[int, ...]
    silent: tuple[int, ...]
    gone: tuple[int, ...]
    problems: dict[int, str]

    def to_json(self) -> dict[str, Any]:
        return {
            "link": str(self.address),
            "devices": [d.to_json() for d in self.devices],
            "without_sunspec_map": list(self.without_map),
            "silent": list(self.silent),
            "gateway_says_gone": list(self.gone),
            "problems": {str(unit): text for unit, text in self.problems.items()},
        }


async def probe(
    address: LinkAddress,
    unit_ids: Sequence[int],
    *,
    timeout_s: float | None = None,
    on_unit: Callable[[int, int], None] = lambda _unit, _found: None,
) -> Probe:
    """Ask every unit id for a SunSpec map and read what is found once.

    Parameters
    ----------
    timeout_s : how long each unit id may take; None fits the link.
    on_unit : called after each unit id with it and the number of devices found so far.

    Raises
    ------
    LinkError : the gateway itself cannot be reached.
    """
    if timeout_s is None and not address.serial:
        timeout_s = SCAN_TIMEOUT_S
    devices: list[ProbedDevice] = []
    without_map: list[int] = []
    silent: list[int] = []
    gone: list[int] = []
    problems: dict[int, str] = {}
    async with Link(address, timeout_s=timeout_s, attempts=1) as link:
        for unit in unit_ids:
            try:
                found = await _asked(link, unit)
                if found is None:
                    without_map.append(unit)
                else:
                    devices += found
            except UnitGoneError:
                gone.append(unit)
            except BrokenReplyError as exc:
                problems[unit] = f"{_told(unit, exc)}, each of {TRIES} times; whether it is there is not known"
            except NoReplyError:
                silent.append(unit)
            except (MapError, RefusedError) as exc:
                problems[unit] = _told(unit, exc)
            on_unit(unit, len(devices))
    return Probe(address, tuple(devices), tuple(without_map), tuple(silent), tuple(gone), problems)


def _told(unit: int, problem: CalloutError) -> str:
    return problem.message.removeprefix(f"unit {unit}: ")


async def _asked(link: Link, unit: int) -> list[ProbedDevice] | None:
    """The devices behind a unit id, None without a SunSpec map; a reply that breaks is asked for again."""
    for attempt in range(1, TRIES + 1):
        try:
            found = await find_map(_reader(link, unit))
            if found is None:
                return None
            link.attempts = TRIES  # it is there: now a lost reply is worth waiting for
            return await _describe(link, unit, found)
        except BrokenReplyError:
            if attempt == TRIES:
                raise
        finally:
            link.attempts = 1
    raise AssertionError("unreachable")


def _reader(link: Link, unit: int) -> Callable[[Span], Any]:
    async def read(span: Span) -> Words:
        return await link.read(unit, span)

    return read


async def _describe(link: Link, unit: int, found: SunSpecMap) -> list[ProbedDevice]:
    reading = await GatewayReader(link, [unit]).poll(0)
    devices = []
    for device in found.devices:
        serial = device.serial or f"unit-{unit}"
        rows = reading.telemetry[reading.telemetry["unit"] == serial]
        power = rows["dc_power_w"].sum(min_count=1)
        place = await _values(link, unit, device, 305, ("Lat", "Long", "Alt"))
        capacity = await _values(link, unit, device, 702, ("VAMaxRtg", "WMaxRtg"))
        nameplate = await _values(link, unit, device, 120, ("VARtg", "WRtg"))
        ratings = [*capacity.values(), *nameplate.values()]
        devices.append(
            ProbedDevice(
                unit_id=unit,
                serial=serial,
                maker=device.maker,
                product=device.product,
                version=device.version,
                models=tuple(b.model for b in device.blocks),
                inputs=input_count(device),
                rated_va=next((r for r in ratings if r is not None), None),
                dc_power_w=round(float(power), 1) if np.isfinite(power) else None,
                state=rows["state"].iloc[0] if len(rows) else None,
                latitude=place.get("Lat"),
                longitude=place.get("Long"),
                altitude_m=place.get("Alt"),
            )
        )
    return devices


async def _values(link: Link, unit: int, device: Device, model: int, names: tuple[str, ...]) -> dict[str, float | None]:
    block = device.block(model)
    if block is None:
        return {}
    words = await link.read(unit, Span(HOLDING, block.address, min(block.size, 125)))
    decoded = decode_model(models()[model], words[np.newaxis, :], names)
    values = {name: float(decoded.fixed[name][0]) for name in names}
    return {name: value if np.isfinite(value) else None for name, value in values.items()}


# -- drafts ----------------------------------------------------------------


def draft_site(found: Probe, site_id: str, gateway: str) -> str:
    """A site file with what the devices told; what a person must add is marked ``FILL IN``."""
    doc = tomlkit.document()
    doc.add(tomlkit.comment(f"Drafted by `callout probe {found.address}`. Complete every line marked {_FILL}."))
    located = next((d for d in found.devices if d.latitude is not None and d.longitude is not None), None)
    site = tomlkit.table()
    site["id"] = site_id
    if located is not None:
        site["latitude"], site["longitude"] = located.latitude, located.longitude
        if located.altitude_m is not None:
            site["altitude_m"] = located.altitude_m
    else:
        _blank(site, "latitude", "degrees, north positive")
        _blank(site, "longitude", "degrees, east positive")
    _blank(site, "timezone", 'IANA name, such as "Europe/Madrid"')
    doc["site"] = site
    grid = tomlkit.table()
    _blank(grid, "nominal_v", "V, if you want the grid window checked")
    doc["grid"] = grid
    module = tomlkit.table()
    _blank(module, "pmax_w", "W at STC, from the module's label or data sheet")
    doc["modules"] = tomlkit.table(is_super_table=True).append("module-1", module)
    doc["inverters"] = _inverters(found)
    plane = tomlkit.table()
    plane.add(tomlkit.comment("azimuth_deg and tilt_deg may stay out: they are then inferred from the data"))
    doc["planes"] = tomlkit.table(is_super_table=True).append("plane-1", plane)
    doc["units"] = _units(found, gateway)
    return tomlkit.dumps(doc)


def _blank(table: Table, key: str, what: str) -> None:
    table.add(tomlkit.comment(f"{key} =    # {_FILL}: {what}"))


def _inverters(found: Probe) -> Table:
    inverters = tomlkit.table(is_super_table=True)
    for device in found.devices:
        name = _inverter_name(device)
        if device.inputs and name not in inverters:
            kind = tomlkit.table()
            if device.rated_va:
                kind["rated_va"] = device.rated_va
            kind["inputs"] = device.inputs
            inverters.append(name, kind)
    return inverters


def _units(found: Probe, gateway: str) -> AoT:
    units = tomlkit.aot()
    for device in found.devices:
        if not device.inputs:
            continue
        unit = tomlkit.table()
        unit["serial"] = device.serial
        unit["inverter"] = _inverter_name(device)
        unit["gateway"] = gateway
        inputs = tomlkit.aot()
        for number in range(1, device.inputs + 1):
            one = tomlkit.table()
            one.update({"input": number, "module": "module-1", "plane": "plane-1"})
            inputs.append(one)
        unit["inputs"] = inputs
        units.append(unit)
    return units


def _inverter_name(device: ProbedDevice) -> str:
    words = re.sub(r"[^a-z0-9]+", "-", f"{device.maker} {device.product}".lower()).strip("-")
    return words or "inverter-1"


def draft_poll(found: Probe, site_id: str, gateway: str) -> str:
    """A poll file for the units found."""
    doc = tomlkit.document()
    doc.add(tomlkit.comment("Drafted by `callout probe`; `callout poll --help` explains every key."))
    entry = tomlkit.table()
    entry["site"], entry["name"], entry["link"] = site_id, gateway, str(found.address)
    entry["units"] = compact_units([d.unit_id for d in found.devices])
    entry["interval_s"], entry["daylight"] = 60, "auto"
    gateways = tomlkit.aot()
    gateways.append(entry)
    doc["gateways"] = gateways
    return tomlkit.dumps(doc)


def compact_units(unit_ids: Sequence[int]) -> str:
    """``1-3,7`` for 1, 2, 3, 7."""
    ids = sorted(set(unit_ids))
    runs: list[list[int]] = []
    for unit in ids:
        if runs and unit == runs[-1][-1] + 1:
            runs[-1].append(unit)
        else:
            runs.append([unit])
    return ",".join(str(r[0]) if len(r) == 1 else f"{r[0]}-{r[-1]}" for r in runs)
