"""Resistance of cable conductors and voltage rise along a line of units.

Resistances are the largest ones IEC 60228 allows for class 2 conductors at
20 C, from memory; the tests hold them against the resistivity of annealed
copper (IEC 60028, 1/58 ohm mm²/m) and against a wiring code's table of
voltage drops. Reactance is left out: below about 50 mm² it is small beside
the resistance, and these units run near unity power factor.
"""

from __future__ import annotations

import math
from typing import Final, Literal

from rules.finding import Threshold

Material = Literal["copper", "aluminium"]
Connection = Literal["single-phase", "split-phase", "three-phase"]

#: Ohm per kilometre at 20 C by nominal area in mm².
R20_OHM_KM: Final[dict[Material, dict[float, float]]] = {
    "copper": {
        1.5: 12.1, 2.5: 7.41, 4.0: 4.61, 6.0: 3.08, 10.0: 1.83, 16.0: 1.15, 25.0: 0.727,
        35.0: 0.524, 50.0: 0.387, 70.0: 0.268, 95.0: 0.193, 120.0: 0.153, 150.0: 0.124,
        185.0: 0.0991, 240.0: 0.0754,
    },
    "aluminium": {
        10.0: 3.08, 16.0: 1.91, 25.0: 1.20, 35.0: 0.868, 50.0: 0.641, 70.0: 0.443, 95.0: 0.320,
        120.0: 0.253, 150.0: 0.206, 185.0: 0.164, 240.0: 0.125,
    },
}  # fmt: skip
TABLE_SOURCE: Final = "IEC 60228 class 2, largest resistance at 20 C, from memory"
#: Resistivity at 20 C in ohm mm²/m: IEC 60028 for copper; aluminium from memory.
RHO20: Final[dict[Material, Threshold]] = {
    "copper": Threshold(1.0 / 58.0, "ohm mm²/m", "IEC 60028, annealed copper"),
    "aluminium": Threshold(0.02826, "ohm mm²/m", "IEC 60889, from memory"),
}
#: Change of resistance with temperature at 20 C, 1/K (IEC 60028; aluminium IEC 60889, from memory).
ALPHA20: Final[dict[Material, float]] = {"copper": 0.00393, "aluminium": 0.00403}
#: Stranding makes the wire a little longer than the cable.
LAY: Final = Threshold(1.02, "ratio", "common practice, as in published tables of stranded conductors")


def awg_area_mm2(awg: int) -> float:
    """Area of an American wire gauge, mm²: diameter 0.127 mm x 92^((36 - n) / 39) (ASTM B258)."""
    diameter = 0.127 * float(92.0 ** ((36 - awg) / 39.0))
    return 0.25 * math.pi * diameter * diameter


def resistance_ohm_m(material: Material, t_conductor_c: float, mm2: float | None = None, awg: int | None = None) -> float:
    """Resistance of one conductor, ohm per metre, at a conductor temperature in Celsius.

    A size of the IEC 60228 table is looked up; any other, and wire gauges, come
    from resistivity over area, stranded.

    Raises
    ------
    ValueError : neither or both of ``mm2`` and ``awg`` are given.
    """
    if (mm2 is None) == (awg is None):
        raise ValueError("give either mm2 or awg")
    table = R20_OHM_KM[material]
    if mm2 in table:
        at_20 = table[mm2] / 1000.0
    else:
        area = awg_area_mm2(awg) if awg is not None else mm2
        assert area is not None
        at_20 = RHO20[material].value / area * LAY.value
    return at_20 * (1.0 + ALPHA20[material] * (t_conductor_c - 20.0))


def path_current(units: int, unit_a: float, connection: Connection) -> float:
    """Current times the conductors it passes, A, for ``units`` alike.

    Times the ohms of one conductor it is the voltage rise. Single- and
    split-phase units: two wires. Single-phase units spread over three phases:
    the fullest phase, plus one unit in the neutral unless they divide evenly.
    """
    if connection == "three-phase":
        fullest = -(-units // 3)
        return unit_a * (fullest + (1 if units % 3 else 0))
    return unit_a * units * 2.0


def lead_rise_v(units: int, unit_a: float, connection: Connection, ohm_m: float, length_m: float) -> float:
    """Voltage rise along a cable that carries all units, V."""
    return path_current(units, unit_a, connection) * ohm_m * length_m


def line_rise_v(units: int, unit_a: float, connection: Connection, ohm_m: float, spacing_m: float) -> float:
    """Voltage rise from the first to the last of a line of units, V.

    Segment k carries what the units beyond it make; for two wires the sum is
    ``unit_a n (n - 1) / 2 x 2 x R x spacing``.
    """
    carried = sum(path_current(n, unit_a, connection) for n in range(1, units))
    return carried * ohm_m * spacing_m


def phase_current_a(units: int, unit_a: float, connection: Connection) -> float:
    """Current in the fullest phase, A."""
    return unit_a * (-(-units // 3) if connection == "three-phase" else units)
