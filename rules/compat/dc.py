"""Direct current: can this module and this input live together on the coldest and the hottest day?

Voltages follow the linear law of IEC 60891 with the data sheet's coefficients; where the
open-circuit coefficient is unknown, the profile's tabulated factors. Against pvlib's
one-diode model over 20,946 crystalline modules the linear open-circuit voltage at -10 C reads
low by 0.9 % in the median and by 2.8 % at worst in a hundred: under 3 % of margin is
"near", under 5 % below -15 C.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from collectors.site import CheckOptions, InputRef, Inverter, Module, SiteDescription
from rules.compat.expected import (
    expected_start_irradiance,
    expected_start_voltage,
    open_circuit_voltage,
    operating_voltage,
)
from rules.compat.groups import InputGroup, input_groups
from rules.compat.profile import Profile
from rules.compat.result import Check, judged, unknown
from rules.finding import Threshold

_OWN = "own data: linear law against the one-diode model, tests/rules/compat/measure_library.py"
NEAR_COLD: Final = Threshold(0.03, "ratio", _OWN)
#: Below -15 C the linear law's error grows: 3.4 % at -20 C, 4.5 % at -40 C, one module in a hundred.
NEAR_VERY_COLD: Final = Threshold(0.05, "ratio", _OWN)
_VERY_COLD_C: Final = -15.0
NEAR_TABLE: Final = Threshold(
    0.05,
    "ratio",
    "own data: tabulated factors against the one-diode model, tests/rules/compat/test_profile.py",
)
NEAR_HOT: Final = Threshold(0.05, "ratio", _OWN)
NEAR_CURRENT: Final = Threshold(0.05, "ratio", "common practice: current tolerance of modules")


@dataclass(frozen=True)
class _Case:
    """What every check of one group needs."""

    group: InputGroup
    module: Module
    inverter: Inverter
    module_key: str
    inverter_key: str
    low_c: float | None
    hot_c: float
    options: CheckOptions
    profile: Profile

    @property
    def ref(self) -> InputRef:
        return self.group.refs[0]

    @property
    def where(self) -> dict[str, Any]:
        return {"scope": "DC", "place": self.group.place, "members": self.group.members}

    @property
    def gain(self) -> float:
        return 1.0 + self.options.bifacial_gain_pct / 100.0

    def missing(self, **values: object) -> list[str]:
        """Site file keys of the values that are None; a name says the table by its prefix."""
        tables = {"m": f"[modules.{self.module_key}]", "i": f"[inverters.{self.inverter_key}]", "s": "[site]"}
        names = ((name.split("_", 1), value) for name, value in values.items())
        return [f"{tables[table]} {key}" for (table, key), value in names if value is None]


def input_checks(site: SiteDescription, profile: Profile) -> Iterator[Check]:
    """Every DC check of an input, by groups of like inputs."""
    for group in input_groups(site):
        if group.module is None or group.inverter is None:
            yield _undeclared(group)
            continue
        hot_air = site.options.hot_ambient_c
        hot_c = (profile.value("hot_ambient_c") if hot_air is None else hot_air) + profile.value("hot_rise_k")
        case = _Case(
            group,
            group.module,
            group.inverter,
            group.module_name or "NAME",
            group.inverter_name or "NAME",
            site.site.record_low_c,
            hot_c,
            site.options,
            profile,
        )
        yield from _cold_open_circuit(case)
        yield _window_hot(case)
        yield _window_cold(case)
        yield _start_hot(case)
        yield _wake_up(case)
        yield _short_circuit(case)
        yield _operating_current(case)


def _undeclared(group: InputGroup) -> Check:
    missing = ["units.inputs module"] if group.module is None else []
    missing += ["units inverter"] if group.inverter is None else []
    return unknown(
        id="dc",
        title="DC checks",
        scope="DC",
        place=group.place,
        members=group.members,
        missing=missing,
    )


def _cold_open_circuit(case: _Case) -> Iterator[Check]:
    """Coldest morning, no load: against the input's maximum, and against what may be opened without load."""
    module, low_c, profile = case.module, case.low_c, case.profile
    limits = (
        (
            "voc-cold",
            "Open-circuit voltage, coldest day",
            case.inverter.max_input_v,
            "data sheet of the inverter: maximum input voltage",
            "Too much voltage destroys the input: fewer cells in series, or an inverter with a higher limit.",
        ),
        (
            "voc-cold-break",
            "Open-circuit voltage at a switch opened without load",
            case.options.no_load_break_v or profile.value("no_load_break_v"),
            "[options] no_load_break_v" if case.options.no_load_break_v else profile.source("no_load_break_v"),
            "Use a switch or connector rated for this voltage, and never open it under load.",
        ),
    )
    for check_id, title, limit, limit_source, change in limits:
        where: dict[str, Any] = {"id": check_id, "title": title, **case.where}
        missing = case.missing(m_voc_v=module.voc_v, s_record_low_c=low_c, i_max_input_v=limit)
        if module.voc_v is None or low_c is None or limit is None:
            yield unknown(**where, missing=missing, source=limit_source)
            continue
        numbers: dict[str, float | int | str] = {"Voc": module.voc_v, "Tmin": low_c}
        if module.beta_voc_pct_k is not None:
            numbers["beta"] = module.beta_voc_pct_k
            near = NEAR_COLD if low_c >= _VERY_COLD_C else NEAR_VERY_COLD
            value = float(open_circuit_voltage(module, low_c))
            formula, law = (
                "Voc x (1 + beta/100 x (Tmin - 25))",
                "linear law, IEC 60891, and the module's data sheet",
            )
            note = (
                f"Cells as cold as the air at sunrise. Real modules may stand up to {100 * near.value:.0f} % higher than this law."
            )
        else:
            factor = profile.cold_factor(low_c)
            if factor is None:
                last = profile.cold_factors[-1].down_to_c
                text = f"The table of factors ends at {last:g} C."
                missing = [f"[modules.{case.module_key}] beta_voc_pct_k"]
                yield unknown(**where, missing=missing, source=profile.cold_factors_source, note=text)
                continue
            numbers["factor"] = factor
            value = module.voc_v * factor
            formula, law = "Voc x factor(Tmin)", profile.cold_factors_source
            near = NEAR_TABLE
            note = (
                "No coefficient given: a tabulated factor. It covers four of five crystalline modules; "
                "all but one in a hundred stay within 5 % of it."
            )
        yield judged(
            **where,
            formula=formula,
            numbers=numbers,
            value=value,
            relation="<=",
            limit=limit,
            unit="V",
            near=near.value,
            source=f"{limit_source}; {law}",
            change=change,
            note=note,
        )


def _window_hot(case: _Case) -> Check:
    where: dict[str, Any] = {"id": "mppt-hot", "title": "Operating voltage, hottest day", **case.where}
    value, limit = float(operating_voltage(case.module, case.hot_c)), case.inverter.mppt_min_v
    if limit is None or np.isnan(value):
        known = None if np.isnan(value) else value
        return unknown(**where, missing=case.missing(m_vmp_v=known, i_mppt_min_v=limit))
    return judged(
        **where,
        formula="Vmp x (1 + gamma/100 x (Thot - 25))",
        numbers=_vmp_numbers(case.module, Thot=case.hot_c),
        value=value,
        relation=">=",
        limit=limit,
        unit="V",
        near=NEAR_HOT.value,
        source=f"data sheet of the inverter: tracking window; Thot: {case.profile.source('hot_rise_k')}",
        change="Below the window the tracker loses the peak on hot days: more cells in series, "
        "or an inverter whose window starts lower.",
        note="An aged module stands lower still.",
    )


def _window_cold(case: _Case) -> Check:
    where: dict[str, Any] = {"id": "mppt-cold", "title": "Operating voltage, coldest day", **case.where}
    limit = case.inverter.mppt_max_v
    value = float(operating_voltage(case.module, case.low_c)) if case.low_c is not None else float("nan")
    if limit is None or case.low_c is None or np.isnan(value):
        known = operating_voltage(case.module, 25.0)
        missing = case.missing(m_vmp_v=None if np.isnan(known) else known, s_record_low_c=case.low_c, i_mppt_max_v=limit)
        return unknown(**where, missing=missing)
    return judged(
        **where,
        formula="Vmp x (1 + gamma/100 x (Tmin - 25))",
        numbers=_vmp_numbers(case.module, Tmin=case.low_c),
        value=value,
        relation="<=",
        limit=limit,
        unit="V",
        near=NEAR_COLD.value,
        source="data sheet of the inverter: tracking window",
        change="Above the window the tracker works off the peak on cold mornings: fewer cells in series, "
        "or an inverter whose window ends higher.",
    )


def _start_hot(case: _Case) -> Check:
    """Waking again at noon on the hottest day, after an outage."""
    where: dict[str, Any] = {"id": "start-hot", "title": "Waking at noon on the hottest day", **case.where}
    limit = expected_start_voltage(case.ref)
    value = float(open_circuit_voltage(case.module, case.hot_c))
    if limit is None or np.isnan(value):
        known = None if np.isnan(value) else value
        return unknown(**where, missing=case.missing(m_voc_v=known, i_start_v=limit))
    beta = case.module.beta_voc_pct_k
    return judged(
        **where,
        formula="Voc x (1 + beta/100 x (Thot - 25))",
        numbers={
            "Voc": _known(case.module.voc_v, "from Vmp"),
            "beta": _known(beta, "typical"),
            "Thot": case.hot_c,
        },
        value=value,
        relation=">=",
        limit=limit,
        unit="V",
        near=NEAR_HOT.value,
        source="data sheet of the inverter: start-up voltage",
        change="After an outage on a hot day the unit would stay dark until the evening: "
        "more cells in series, or a unit that starts at a lower voltage.",
    )


def _wake_up(case: _Case) -> Check:
    where: dict[str, Any] = {"id": "wake-up", "title": "Light at which the input wakes", **case.where}
    value = float(expected_start_irradiance(case.ref, 25.0))
    if np.isnan(value):
        missing = case.missing(m_voc_v=case.module.voc_v, i_start_v=expected_start_voltage(case.ref))
        return unknown(**where, missing=missing)
    never = np.isinf(value)
    return judged(
        **where,
        formula="1000 W/m² x exp((Vstart - Voc) / (n Ns k T / q)), at least the unit's own need",
        numbers={
            "Vstart": _known(expected_start_voltage(case.ref), "unknown"),
            "Voc": _known(case.module.voc_v, "from Vmp"),
            "T": 25.0,
        },
        value=value,
        relation="<=",
        limit=case.profile.value("wake_w_m2"),
        unit="W/m²",
        near=0.0,
        source=f"one-diode model; {case.profile.source('wake_w_m2')}",
        change="This input never wakes: its module can't reach the start-up voltage."
        if never
        else "It wakes late and sleeps early every day: late wake-up is then no fault but this match.",
        worst="fail" if never else "near",
    )


def _short_circuit(case: _Case) -> Check:
    where: dict[str, Any] = {"id": "isc", "title": "Short-circuit current with safety factor", **case.where}
    isc, limit = case.module.isc_a, case.inverter.max_isc_a
    if isc is None or limit is None:
        return unknown(**where, missing=case.missing(m_isc_a=isc, i_max_isc_a=limit))
    factor = case.options.isc_factor or case.profile.value("isc_factor")
    source = "[options] isc_factor" if case.options.isc_factor else case.profile.source("isc_factor")
    return judged(
        **where,
        formula="Isc x factor x (1 + bifacial gain)",
        numbers={"Isc": isc, "factor": factor, "bifacial_gain_pct": case.options.bifacial_gain_pct},
        value=isc * factor * case.gain,
        relation="<=",
        limit=limit,
        unit="A",
        near=NEAR_CURRENT.value,
        source=f"data sheet of the inverter: short-circuit rating of the input; {source}",
        change="Ask the maker in writing whether this module is allowed, or use a unit with a higher rating.",
        note="The factor covers skies above 1000 W/m² (cloud edges, snow, altitude), the positive tolerance "
        "of the module and heat at the terminals.",
    )


def _operating_current(case: _Case) -> Check:
    where: dict[str, Any] = {"id": "imp", "title": "Operating current in full sun", **case.where}
    limit = case.inverter.max_input_a
    imp = case.module.imp_a
    if imp is None and case.module.vmp_v is not None:
        imp = case.module.pmax_w / case.module.vmp_v
    if imp is None or limit is None:
        return unknown(**where, missing=case.missing(m_imp_a=imp, i_max_input_a=limit))
    return judged(
        **where,
        formula="Imp x (1 + bifacial gain)",
        numbers={"Imp": imp, "bifacial_gain_pct": case.options.bifacial_gain_pct},
        value=imp * case.gain,
        relation="<=",
        limit=limit,
        unit="A",
        near=0.0,
        source="data sheet of the inverter: continuous input current",
        change="The tracker holds the current at its limit in strong sun, which is lost energy, not danger; "
        "the row on clipping says how much in a year.",
        worst="near",
    )


def _vmp_numbers(module: Module, **temperature: float) -> dict[str, float | int | str]:
    return {
        "Vmp": _known(module.vmp_v, "from Pmax/Imp or Voc"),
        "gamma": _known(module.gamma_pmax_pct_k, "typical"),
        **temperature,
    }


def _known(value: float | None, stand_in: str) -> float | str:
    return value if value is not None else stand_in
