"""Data sheet values in the wrong unit or from the wrong column: asked about, never guessed.

Bounds come from the crystalline modules of the CEC table that pvlib ships (1 % to 99 %:
beta -0.43 to -0.26, gamma -0.57 to -0.35 %/K, Imp/Isc 0.88 to 0.97, Vmp/Voc 0.78 to 0.85),
opened for newer types. At NOCT (800 W/m², cell near 45 C) a crystalline module gives about
0.75 of its STC power, 0.80 of the current, 0.93 of the voltage (common practice).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

#: What a coefficient in %/K may be before it is questioned.
_USUAL: Final[Mapping[str, tuple[float, float]]] = {
    "beta_voc_pct_k": (-0.55, -0.19),
    "gamma_pmax_pct_k": (-0.65, -0.18),
    "alpha_isc_pct_k": (0.003, 0.20),
}
#: Where it can't be %/K at all: the site file refuses it.
_POSSIBLE: Final[Mapping[str, tuple[float, float]]] = {
    "beta_voc_pct_k": (-2.0, 0.5),
    "gamma_pmax_pct_k": (-2.0, 0.5),
    "alpha_isc_pct_k": (-1.0, 1.0),
}
#: Rating that a coefficient in absolute units refers to, and that unit.
_BASE: Final[Mapping[str, tuple[str, str]]] = {
    "beta_voc_pct_k": ("voc_v", "V"),
    "gamma_pmax_pct_k": ("pmax_w", "W"),
    "alpha_isc_pct_k": ("isc_a", "A"),
}
_AWG_NUMBERS: Final = (2, 3, 8, 12, 14, 18)
_MM2_SIZES: Final = (
    1.0,
    1.5,
    2.5,
    4.0,
    6.0,
    10.0,
    16.0,
    25.0,
    35.0,
    50.0,
    70.0,
    95.0,
    120.0,
    150.0,
    185.0,
    240.0,
)


@dataclass(frozen=True)
class Question:
    """A value that looks wrong, as a question; ``suggestion`` is the value it may stand for."""

    key: str
    text: str
    suggestion: float | None = None

    def to_json(self) -> dict[str, Any]:
        return {"key": self.key, "question": self.text, "suggestion": self.suggestion}


def impossible(module: Mapping[str, Any]) -> list[str]:
    """Questions about coefficients that no module has, from the raw table of a site file."""
    found: list[str] = []
    for key, (low, high) in _POSSIBLE.items():
        value = _number(module, key)
        if value is not None and not low <= value <= high:
            found.append(_coefficient(module, key, value).text)
    return found


def module_questions(module: Mapping[str, Any]) -> list[Question]:
    """Questions about one module's values (keys of ``[modules.NAME]``; missing ones are skipped)."""
    return [*_coefficients(module), *_columns(module), *_cells(module)]


def inverter_questions(inverter: Mapping[str, Any]) -> list[Question]:
    """Questions about one inverter's values (keys of ``[inverters.NAME]``)."""
    found: list[Question] = []
    rated = _number(inverter, "rated_va")
    if rated is not None and rated < 20.0:
        text = f"rated_va = {rated:g}: is that kVA? {rated:g} kVA is {rated * 1e3:g} VA"
        found.append(Question("rated_va", text, rated * 1e3))
    for low_key, high_key in (
        ("mppt_min_v", "mppt_max_v"),
        ("start_v", "max_input_v"),
        ("max_input_a", "max_isc_a"),
    ):
        low, high = _number(inverter, low_key), _number(inverter, high_key)
        if low is not None and high is not None and low > high:
            found.append(Question(low_key, f"{low_key} = {low:g} is above {high_key} = {high:g}: are the two exchanged?"))
    return found


def site_questions(site: Mapping[str, Any]) -> list[Question]:
    """Questions about ``[site]``: so far the coldest temperature's unit."""
    low = _number(site, "record_low_c")
    if low is None or low <= 20.0:
        return []
    celsius = (low - 32.0) / 1.8
    text = f"record_low_c = {low:g}: is that Fahrenheit? {low:g} °F is {celsius:.1f} °C"
    return [Question("record_low_c", text, round(celsius, 1))]


def cable_questions(cable: Mapping[str, Any]) -> list[Question]:
    """Questions about conductor sizes in mm² that read like wire gauges."""
    found: list[Question] = []
    for key in ("trunk_mm2", "unit_mm2", "mm2"):
        size = _number(cable, key)
        if size is not None and size in _AWG_NUMBERS and size not in _MM2_SIZES:
            awg = key.replace("mm2", "awg")
            text = f"{key} = {size:g}: is that a wire gauge? AWG {size:g} goes into {awg}; mm² sizes are others"
            found.append(Question(key, text))
    return found


def _coefficients(module: Mapping[str, Any]) -> Iterable[Question]:
    for key, (low, high) in _USUAL.items():
        value = _number(module, key)
        if value is not None and not low <= value <= high:
            # Zero or slightly negative current coefficients exist and hardly matter.
            if key == "alpha_isc_pct_k" and -0.05 <= value <= 0.0:
                continue
            yield _coefficient(module, key, value)


def _coefficient(module: Mapping[str, Any], key: str, value: float) -> Question:
    """What unit would make the value an ordinary coefficient?"""
    low, high = _USUAL[key]
    base_key, unit = _BASE[key]
    base, cells = _number(module, base_key), _number(module, "cells")
    readings: list[tuple[str, float]] = []
    if base:
        readings += [(f"{unit}/K", value / base * 100.0), (f"m{unit}/K", value / base * 0.1)]
    readings.append(("1/K", value * 100.0))
    if base and cells and unit == "V":
        # Half-cut cells: the sheet counts both parallel halves.
        series = cells / 2 if base / cells < 0.45 else cells
        readings.append(("mV/K for each cell", value * series / base * 0.1))
    on = f" on {base_key} = {base:g} {unit}" if base else ""
    for sign, turned in ((1.0, ""), (-1.0, ", its sign lost")):
        if sign < 0 and low <= -value <= high:
            return Question(key, f"{key} = {value:g}: is the minus sign missing ({-value:g} %/K)?", -value)
        for name, meant in readings:
            if low <= sign * meant <= high:
                text = f"{key} = {value:g}: is that {name}{turned}? It would be {sign * meant:.3f} %/K{on}"
                return Question(key, text, round(sign * meant, 4))
    if base is None and abs(value) > 2.0:
        return Question(key, f"{key} = {value:g}: is that m{unit}/K? Give {base_key} too, or divide by it to get %/K")
    usual = f"{low:g} to {high:g} %/K"
    return Question(key, f"{key} = {value:g}: is that %/K? Crystalline modules have {usual}")


def _columns(module: Mapping[str, Any]) -> Iterable[Question]:
    """STC and NOCT columns mixed, or two values exchanged."""
    pmax, vmp, imp = (_number(module, k) for k in ("pmax_w", "vmp_v", "imp_a"))
    voc, isc = _number(module, "voc_v"), _number(module, "isc_a")
    if pmax and vmp and imp:
        ratio = vmp * imp / pmax
        product = f"vmp_v x imp_a = {vmp * imp:.0f} W against pmax_w = {pmax:g} W"
        if 0.68 <= ratio <= 0.82:
            yield Question("vmp_v", f"{product}: are vmp_v and imp_a from the NOCT (800 W/m²) column?")
        elif 1.22 <= ratio <= 1.47:
            yield Question("pmax_w", f"{product}: is pmax_w from the NOCT (800 W/m²) column?")
        elif 500.0 <= ratio <= 2000.0:
            yield Question("pmax_w", f"{product}: is pmax_w in kW?", pmax * 1e3)
        elif not 0.95 <= ratio <= 1.05:
            yield Question("pmax_w", f"{product}: which of the three is not the STC (1000 W/m², 25 °C) value?")
    if imp and isc:
        pair = f"imp_a = {imp:g}, isc_a = {isc:g}"
        if imp / isc > 1.08:
            yield Question("isc_a", f"{pair}: is isc_a from the NOCT column, or are the two exchanged?")
        elif imp / isc >= 1.0:
            yield Question("isc_a", f"{pair}: the short-circuit current is the larger one; are they exchanged?")
        elif imp / isc < 0.82:
            yield Question("imp_a", f"{pair}: is imp_a from the NOCT (800 W/m²) column?")
    if vmp and voc:
        pair = f"vmp_v = {vmp:g}, voc_v = {voc:g}"
        if vmp >= voc:
            yield Question("voc_v", f"{pair}: the open-circuit voltage is the larger one; are they exchanged?")
        elif vmp / voc > 0.865:
            yield Question("voc_v", f"{pair}: is voc_v from the NOCT (800 W/m²) column?")
        elif vmp / voc < 0.772:
            yield Question("vmp_v", f"{pair}: is vmp_v from the NOCT (800 W/m²) column?")


def _cells(module: Mapping[str, Any]) -> Iterable[Question]:
    voc, cells = _number(module, "voc_v"), _number(module, "cells")
    if not voc or not cells:
        return
    each = voc / cells
    # 0.5 to 0.78 V a cell in series; half-cut modules count twice as many as are in series.
    if not (0.25 <= each <= 0.39 or 0.5 <= each <= 0.78):
        series = round(voc / 0.65)
        yield Question("cells", f"cells = {cells:g} at voc_v = {voc:g} V is {each:.2f} V a cell: are {series} in series?")


def _number(values: Mapping[str, Any], key: str) -> float | None:
    """A positive or negative number, or None when absent or not a number (said elsewhere)."""
    value = values.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value)
