"""A profile of limits: a data file that says for every number where it comes from.

Profiles are TOML files beside this one, or anyone's own file of the same shape.
Reading the file is for the caller; :func:`parse_profile` takes its text.
"""

from __future__ import annotations

import tomllib
from itertools import pairwise
from typing import Final

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from collectors.errors import LayoutError

#: Every limit a profile must give, its unit, and what it means.
LIMITS: Final[dict[str, tuple[str, str]]] = {
    "isc_factor": ("1", "short-circuit current is multiplied by this"),
    "no_load_break_v": ("V", "highest DC voltage across a switch or connector that is opened without load"),
    "hot_ambient_c": ("C", "air temperature of the hottest day"),
    "hot_rise_k": ("K", "cell above air at 1000 W/m²"),
    "dc_ac_ratio": ("1", "module rating over unit rating"),
    "clipping_loss_pct": ("%", "energy lost in a year by the unit's ceiling"),
    "wake_w_m2": ("W/m²", "irradiance by which an input should be awake"),
    "altitude_m": ("m", "highest site without a statement of the maker"),
    "breaker_share": ("1", "share of the breaker's rating that may flow for hours"),
    "conductor_c": ("C", "conductor temperature for the voltage rise"),
    "rise_branch_pct": ("%", "voltage rise along one branch"),
    "rise_total_pct": ("%", "voltage rise from the meter to the last unit"),
    "supply_high_pu": ("1", "highest usual voltage at the meter over nominal"),
    "low_pu": ("1", "lower end of the unit's grid window over nominal"),
    "high_pu": ("1", "upper end of the unit's grid window over nominal"),
    "reconnect_s": ("s", "shortest wait after a grid disturbance"),
    "ramp_s": ("s", "longest ramp after that wait"),
    "radio_margin_db": ("dB", "radio link margin"),
    "bus_length_m": ("m", "longest RS-485 line"),
    "bus_product_mbit_m_s": ("Mbit m/s", "line rate times length"),
    "bus_unit_loads": ("1", "unit loads on one RS-485 line"),
    "bus_use": ("1", "share of the polling interval that polling may take"),
}


class Limit(BaseModel):
    """One number and where it comes from."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    value: float
    source: str = Field(min_length=8)


class ColdFactor(BaseModel):
    """Open-circuit voltage factor down to a temperature, for crystalline silicon."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    down_to_c: float
    factor: float = Field(ge=1.0, le=1.6)


class Profile(BaseModel):
    """Limits for one kind of installation."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: str = Field(pattern=r"^[a-z0-9][a-z0-9-]*$")
    title: str
    nominal_v: float = Field(gt=0)
    nominal_hz: float = Field(gt=0)
    status: str = Field(min_length=20)
    limits: dict[str, Limit]
    cold_factors: tuple[ColdFactor, ...] = Field(min_length=2)
    cold_factors_source: str

    @model_validator(mode="after")
    def _complete(self) -> Profile:
        if missing := sorted(LIMITS.keys() - self.limits.keys()):
            raise ValueError(f"limits {', '.join(missing)} are missing")
        if extra := sorted(self.limits.keys() - LIMITS.keys()):
            raise ValueError(f"limits {', '.join(extra)} are not known; known are {', '.join(LIMITS)}")
        steps = [(f.down_to_c, f.factor) for f in self.cold_factors]
        if steps != sorted(steps, key=lambda s: -s[0]) or any(b[1] <= a[1] for a, b in pairwise(steps)):
            raise ValueError("cold_factors must get colder and larger from line to line")
        return self

    def value(self, key: str) -> float:
        return self.limits[key].value

    def source(self, key: str) -> str:
        return self.limits[key].source

    def cold_factor(self, lowest_c: float) -> float | None:
        """Tabulated factor at a lowest temperature, Celsius; 1 above the table, None below its end."""
        if lowest_c >= 25.0:
            return 1.0
        return next((f.factor for f in self.cold_factors if lowest_c >= f.down_to_c), None)


def parse_profile(text: str, source: str) -> Profile:
    """Read a profile's text; ``source`` names the file in errors.

    Raises
    ------
    LayoutError : not TOML, or a limit is missing, unknown or without its source.
    """
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as exc:
        raise LayoutError(f"{source}: not valid TOML: {exc}", "Correct that line and try again.") from exc
    try:
        return Profile.model_validate(data)
    except ValidationError as exc:
        lines = [
            f"{source}: {'.'.join(str(part) for part in error['loc']) or 'profile'}: " + error["msg"].removeprefix("Value error, ")
            for error in exc.errors()
        ]
        raise LayoutError("\n".join(lines), "`callout compat --show-profile iec-230` prints a complete one to start from.") from exc
