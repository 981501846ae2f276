"""What voltage, power ceiling and wake-up to expect of an input: one implementation for all rules and checks.

Every function works from data sheet values and a cell temperature; scalars and
arrays are both fine and come back in the shape they went in. What the site file
leaves out is filled from medians of the module and inverter tables that pvlib
ships (NREL SAM / CEC, 2018 snapshot); ``tests/rules/compat/measure_library.py``
prints every one of them again.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from collectors.site import InputRef, Inverter, Module
from rules.finding import Threshold

_LIBRARY = "own data: median over the crystalline modules of pvlib's CEC table, measure_library.py"
_UNITS = "own data: median over inverters under 600 W of pvlib's CEC table, measure_library.py"

VMP_TO_VOC: Final = Threshold(0.810, "ratio", _LIBRARY)
VOC_PER_CELL_V: Final = Threshold(0.6255, "V", _LIBRARY)
BETA_VOC_PCT_K: Final = Threshold(-0.337, "%/K", _LIBRARY)
GAMMA_PMAX_PCT_K: Final = Threshold(
    -0.40, "%/K", "common practice: between the CEC table's median (-0.45, older types) and new types (-0.35)"
)
IDEALITY: Final = Threshold(1.03, "1", _LIBRARY)
#: Edges of the operating voltage about its nominal value, for plane irradiance
#: of 200 W/m² and more: they hold 99 % of the crystalline modules of the CEC
#: table at cell temperatures of 0 to 70 C (-8.3 to +3.0 %), widened for the
#: data sheet's own voltage tolerance (common practice: up to 3 %).
BAND_LOW: Final = Threshold(-0.10, "ratio", _LIBRARY)
BAND_HIGH: Final = Threshold(0.06, "ratio", _LIBRARY)
UNIT_EFFICIENCY: Final = Threshold(0.953, "ratio", _UNITS)
START_POWER: Final = Threshold(0.007, "ratio of rated VA", _UNITS)

_T_REF_C = 25.0
_G_REF_W_M2 = 1000.0
_KELVIN = 273.15
#: Boltzmann constant over elementary charge, V/K (SI 2019, both exact).
_K_OVER_Q = 1.380649e-23 / 1.602176634e-19

Values = NDArray[np.float64]


class VoltageBand(NamedTuple):
    """Voltages in V, each in the shape of the cell temperature; NaN where the module's voltage is unknown."""

    v_mp_low: Any
    v_mp_nominal: Any
    v_mp_high: Any
    v_oc: Any


@dataclass(frozen=True)
class InputCeiling:
    """The most one input can deliver, DC side; None is unknown.

    ``unit_w`` is the ceiling of the whole unit, ``share_w`` this input's share
    when all of them are full, ``current_w`` what the input's current limit
    allows at the operating voltage of the given cell temperature. ``power_w``
    is the lower of the two and ``limited_by`` says which.
    """

    power_w: float
    limited_by: Literal["power", "current"]
    unit_w: float | None
    share_w: float | None
    current_a: float | None
    current_w: float | None


def voltage_at_mpp(module: Module) -> float | None:
    """Operating voltage at STC, V: given, pmax / imp, or from the open-circuit voltage; None when unknown."""
    if module.vmp_v is not None:
        return module.vmp_v
    if module.imp_a is not None:
        return module.pmax_w / module.imp_a
    return module.voc_v * VMP_TO_VOC.value if module.voc_v is not None else None


def voltage_open(module: Module) -> float | None:
    """Open-circuit voltage at STC, V: given, or from the operating voltage; None when unknown."""
    if module.voc_v is not None:
        return module.voc_v
    v_mp = voltage_at_mpp(module)
    return v_mp / VMP_TO_VOC.value if v_mp is not None else None


def series_cells(module: Module) -> float | None:
    """Cells in series.

    A data sheet of half-cut cells counts both parallel halves: at less than
    0.45 V open-circuit per cell the count is halved. Without a count, the
    open-circuit voltage over the CEC table's median per cell.
    """
    v_oc = voltage_open(module)
    if module.cells is None:
        return v_oc / VOC_PER_CELL_V.value if v_oc is not None else None
    if v_oc is not None and v_oc / module.cells < 0.45:
        return module.cells / 2
    return float(module.cells)


def open_circuit_voltage(module: Module, t_cell_c: ArrayLike, poa_w_m2: ArrayLike = _G_REF_W_M2) -> Any:
    """Open-circuit voltage at a cell temperature (Celsius) and plane irradiance (W/m²), V.

    ``Voc (1 + beta (T - 25)) + n Ns k T / q ln(G / 1000)``: the linear
    temperature law of IEC 60891 and the logarithmic irradiance term of the
    one-diode model. NaN when the module's voltage is unknown, minus infinity
    never: irradiance below 0.01 W/m² counts as 0.01, and the result is not below 0.
    """
    t_cell = np.asarray(t_cell_c, dtype=float)
    v_oc, cells = voltage_open(module), series_cells(module)
    if v_oc is None or cells is None:
        return _shape(np.full(np.broadcast(t_cell, np.asarray(poa_w_m2)).shape, np.nan))
    beta = _or(module.beta_voc_pct_k, BETA_VOC_PCT_K) / 100.0
    light = np.log(np.maximum(np.asarray(poa_w_m2, dtype=float), 0.01) / _G_REF_W_M2)
    thermal = IDEALITY.value * cells * _K_OVER_Q * (t_cell + _KELVIN)
    return _shape(np.maximum(v_oc * (1.0 + beta * (t_cell - _T_REF_C)) + thermal * light, 0.0))


def operating_voltage(module: Module, t_cell_c: ArrayLike) -> Any:
    """Voltage at the maximum power point, V, at a cell temperature in Celsius; NaN when unknown.

    ``Vmp (1 + gamma (T - 25))``: the power coefficient stands in for the
    voltage's, since the current hardly moves with temperature. Against the
    one-diode model over the CEC table that is within 2 % for 98 % of the
    crystalline modules from 0 to 45 C, and within -2.3 to +4.2 % at 70 C.
    """
    t_cell = np.asarray(t_cell_c, dtype=float)
    v_mp = voltage_at_mpp(module)
    if v_mp is None:
        return _shape(np.full(t_cell.shape, np.nan))
    gamma = _or(module.gamma_pmax_pct_k, GAMMA_PMAX_PCT_K) / 100.0
    return _shape(v_mp * (1.0 + gamma * (t_cell - _T_REF_C)))


def expected_voltage_band(module: Module, t_cell_c: ArrayLike) -> VoltageBand:
    """Where a healthy, unshaded input's voltage lies at a cell temperature (Celsius).

    The band about the operating voltage holds for plane irradiance of
    200 W/m² and more; a unit held back by its power ceiling works above it, up to ``v_oc``.
    """
    nominal = operating_voltage(module, t_cell_c)
    return VoltageBand(
        v_mp_low=nominal * (1.0 + BAND_LOW.value),
        v_mp_nominal=nominal,
        v_mp_high=nominal * (1.0 + BAND_HIGH.value),
        v_oc=open_circuit_voltage(module, t_cell_c),
    )


def expected_unit_ceiling_w(inverter: Inverter | None) -> float | None:
    """DC power at which the whole unit is full, W: rated VA (at unity power factor) over its efficiency."""
    if inverter is None or inverter.rated_va is None:
        return None
    return inverter.rated_va / UNIT_EFFICIENCY.value


def expected_clipping(ref: InputRef, connected: int | None = None, t_cell_c: float = 50.0) -> InputCeiling | None:
    """Power at which this input flattens, or None when neither limit is known.

    Parameters
    ----------
    connected : inputs in use on the unit; the inverter type's number by default.
        (An idle input leaves its share of the unit's power to the others.)
    t_cell_c : cell temperature in Celsius at which the current limit is turned into watts.
    """
    if ref.inverter is None:
        return None
    unit_w = expected_unit_ceiling_w(ref.inverter)
    count = connected or ref.inverter.inputs
    share_w = unit_w / count if unit_w is not None and count else None
    current_a = ref.inverter.max_input_a
    v_mp = float(operating_voltage(ref.module, t_cell_c)) if ref.module is not None else float("nan")
    current_w = current_a * v_mp if current_a is not None and np.isfinite(v_mp) else None
    if share_w is None and current_w is None:
        return None
    by_current = share_w is None or (current_w is not None and current_w < share_w)
    power_w = current_w if by_current else share_w
    assert power_w is not None
    return InputCeiling(power_w, "current" if by_current else "power", unit_w, share_w, current_a, current_w)


def expected_start_voltage(ref: InputRef) -> float | None:
    """Voltage the input must reach before the unit wakes, V: start-up, else the window's lower end."""
    if ref.inverter is None:
        return None
    return ref.inverter.start_v if ref.inverter.start_v is not None else ref.inverter.mppt_min_v


def expected_start_irradiance(ref: InputRef, t_cell_c: ArrayLike) -> Any:
    """Plane irradiance at which the input wakes, W/m²; NaN when unknown, infinite when it never does.

    The later of two: the open-circuit voltage reaches the start-up voltage
    (the logarithm of :func:`open_circuit_voltage` solved for irradiance), and
    the module gives the power the unit itself needs.
    """
    t_cell = np.asarray(t_cell_c, dtype=float)
    v_start = expected_start_voltage(ref)
    if ref.module is None or v_start is None:
        return _shape(np.full(t_cell.shape, np.nan))
    cells = series_cells(ref.module)
    if cells is None:
        return _shape(np.full(t_cell.shape, np.nan))
    at_stc_light = np.asarray(open_circuit_voltage(ref.module, t_cell), dtype=float)
    thermal = IDEALITY.value * cells * _K_OVER_Q * (t_cell + _KELVIN)
    # Beyond ten suns the exponent says only "never".
    exponent = (v_start - at_stc_light) / thermal
    by_voltage = np.where(exponent > np.log(10.0), np.inf, _G_REF_W_M2 * np.exp(np.minimum(exponent, 3.0)))
    by_power = _own_need_w(ref) / ref.module.pmax_w * _G_REF_W_M2
    return _shape(np.maximum(by_voltage, by_power))


def _own_need_w(ref: InputRef) -> float:
    """Power one input must bring for the unit to run, W; 0 when the unit's rating is unknown."""
    if ref.inverter is None or ref.inverter.rated_va is None:
        return 0.0
    return ref.inverter.rated_va * START_POWER.value / (ref.inverter.inputs or 1)


def _or(value: float | None, default: Threshold) -> float:
    return value if value is not None else default.value


def _shape(values: Values) -> Any:
    """An array stays an array, a scalar becomes a float."""
    return float(values) if np.ndim(values) == 0 else values
