"""Wrong units and wrong columns are asked about: over the CEC table that pvlib ships, and one by one."""

from __future__ import annotations

from functools import cache
from typing import Any

import pandas as pd
import pvlib
import pytest

from collectors.datasheet import (
    Question,
    cable_questions,
    impossible,
    inverter_questions,
    module_questions,
    site_questions,
)
from collectors.errors import SiteFileError
from collectors.site import parse_site

SHEET: dict[str, float] = {
    "pmax_w": 405,
    "vmp_v": 31.2,
    "imp_a": 12.98,
    "voc_v": 37.2,
    "isc_a": 13.85,
    "gamma_pmax_pct_k": -0.34,
    "beta_voc_pct_k": -0.26,
    "alpha_isc_pct_k": 0.046,
    "cells": 108,
}


@cache
def _table() -> list[dict[str, float]]:
    """Every twentieth crystalline module of the CEC table (about 1,050), as site file values."""
    table = pvlib.pvsystem.retrieve_sam("cecmod").T
    table = table[table["Technology"].isin(["Mono-c-Si", "Multi-c-Si"])].iloc[::20]
    numbers = table.drop(columns=["Technology", "Bifacial", "Version", "Date", "BIPV"]).apply(pd.to_numeric)
    frame = pd.DataFrame(
        {
            "pmax_w": numbers["V_mp_ref"] * numbers["I_mp_ref"],
            "vmp_v": numbers["V_mp_ref"],
            "imp_a": numbers["I_mp_ref"],
            "voc_v": numbers["V_oc_ref"],
            "isc_a": numbers["I_sc_ref"],
            "gamma_pmax_pct_k": numbers["gamma_r"],
            "beta_voc_pct_k": numbers["beta_oc"] / numbers["V_oc_ref"] * 100.0,
            "alpha_isc_pct_k": numbers["alpha_sc"] / numbers["I_sc_ref"] * 100.0,
            "cells": numbers["N_s"],
        }
    )
    return frame.to_dict("records")


def _asked(module: dict[str, float], key: str) -> list[Question]:
    return [q for q in module_questions(module) if q.key == key]


def test_real_modules_are_hardly_ever_questioned() -> None:
    asked = [m for m in _table() if module_questions(m)]
    assert len(_table()) > 1000
    # Old types with a low Vmp/Voc, and rows whose alpha is zero in the table.
    assert len(asked) / len(_table()) < 0.04


@pytest.mark.parametrize(
    ("factor_of", "unit"),
    [
        (lambda m: m["voc_v"] * 10.0, "mV/K"),
        (lambda _m: 0.01, "1/K"),
        (lambda _m: -1.0, "minus sign"),
    ],
)
def test_voltage_coefficient_in_another_unit_is_always_asked(factor_of: Any, unit: str) -> None:
    for module in _table():
        if _asked(module, "beta_voc_pct_k"):
            continue
        wrong = module | {"beta_voc_pct_k": module["beta_voc_pct_k"] * factor_of(module)}
        (question,) = _asked(wrong, "beta_voc_pct_k")
        assert unit in question.text, wrong
        assert question.suggestion == pytest.approx(module["beta_voc_pct_k"], abs=1e-3)


def test_voltage_coefficient_in_volts_is_asked_unless_the_module_is_long() -> None:
    # V/K times 100 / Voc is %/K: from about 50 V on the two scales overlap and nobody can tell.
    modules = [m for m in _table() if m["voc_v"] < 45.0 and not _asked(m, "beta_voc_pct_k")]
    caught = sum(bool(_asked(m | {"beta_voc_pct_k": m["beta_voc_pct_k"] * m["voc_v"] / 100.0}, "beta_voc_pct_k")) for m in modules)
    assert caught / len(modules) > 0.99


def test_power_coefficient_in_watts_is_always_asked() -> None:
    for module in _table():
        # Below 150 W, W/K and %/K scales overlap.
        if module["pmax_w"] < 150.0 or _asked(module, "gamma_pmax_pct_k"):
            continue
        wrong = module | {"gamma_pmax_pct_k": module["gamma_pmax_pct_k"] * module["pmax_w"] / 100.0}
        (question,) = _asked(wrong, "gamma_pmax_pct_k")
        assert "W/K" in question.text


# NOCT column from STC, common practice: power 0.75, current 0.80, voltage 0.93.
@pytest.mark.parametrize(
    "mixed",
    [
        {"pmax_w": 0.75},
        {"imp_a": 0.80, "vmp_v": 0.93},
        {"imp_a": 0.80, "pmax_w": 0.80},
        {"isc_a": 0.80},
    ],
)
def test_noct_column_mixed_with_stc_is_asked(mixed: dict[str, float]) -> None:
    asked = 0
    for module in _table():
        wrong = module | {key: module[key] * factor for key, factor in mixed.items()}
        asked += any("NOCT" in q.text for q in module_questions(wrong))
    assert asked / len(_table()) > 0.98


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"beta_voc_pct_k": -97}, "mV/K"),
        ({"beta_voc_pct_k": 97}, "sign lost"),
        ({"beta_voc_pct_k": -2.1}, "for each cell"),
        ({"beta_voc_pct_k": -0.9}, "is that %/K"),
        ({"alpha_isc_pct_k": 6.4}, "mA/K"),
        ({"voc_v": 31.2, "vmp_v": 37.2, "imp_a": 10.9}, "exchanged"),
        ({"isc_a": 12.98, "imp_a": 13.1}, "exchanged"),
        ({"pmax_w": 0.405}, "kW"),
        ({"pmax_w": 445}, "which of the three"),
        ({"cells": 72, "voc_v": 31.5, "vmp_v": 26.0, "imp_a": 15.58, "isc_a": 16.5}, "in series"),
        ({"voc_v": 35.1}, "NOCT"),
        ({"vmp_v": 28.6, "pmax_w": 371}, "NOCT"),
    ],
)
def test_one_wrong_value_asks_one_fitting_question(change: dict[str, float], words: str) -> None:
    assert module_questions(SHEET) == []
    found = module_questions(SHEET | change)
    assert [q for q in found if words in q.text], found
    assert all("?" in q.text for q in found)


def test_missing_values_ask_nothing() -> None:
    assert module_questions({"pmax_w": 400}) == []
    assert module_questions({"pmax_w": True, "vmp_v": "x"}) == []
    (question,) = module_questions({"pmax_w": 400, "beta_voc_pct_k": -97})
    assert "voc_v" in question.text


def test_inverter_site_and_cable_units() -> None:
    (kva,) = inverter_questions({"rated_va": 0.4})
    assert kva.suggestion == 400.0
    assert [q.key for q in inverter_questions({"mppt_min_v": 60, "mppt_max_v": 16})] == ["mppt_min_v"]
    assert inverter_questions({"rated_va": 400, "mppt_min_v": 16, "mppt_max_v": 60}) == []
    (fahrenheit,) = site_questions({"record_low_c": 23})
    assert fahrenheit.suggestion == -5.0
    assert site_questions({"record_low_c": -5}) == []
    assert [q.key for q in cable_questions({"trunk_mm2": 12, "unit_mm2": 2.5})] == ["trunk_mm2"]
    assert cable_questions({"mm2": 10}) == []


SITE = """
[site]
id = "s"
latitude = 40.0
longitude = -3.0
timezone = "Europe/Madrid"
[modules.m]
pmax_w = 405
voc_v = 37.2
beta_voc_pct_k = {beta}
[[units]]
serial = "A"
[[units.inputs]]
input = 1
module = "m"
"""


def test_site_file_asks_instead_of_naming_a_bound() -> None:
    with pytest.raises(SiteFileError) as caught:
        parse_site(SITE.format(beta="-97"), "roof.toml")
    assert str(caught.value).startswith(
        "roof.toml: modules.m: beta_voc_pct_k = -97: is that mV/K? It would be -0.261 %/K on voc_v = 37.2 V"
    )
    assert impossible({"beta_voc_pct_k": -0.26}) == []
    assert parse_site(SITE.format(beta="-0.26")).modules["m"].beta_voc_pct_k == -0.26
