"""The data-sheet formulas against a one-diode model over the module table that pvlib ships.

    python tests/rules/compat/measure_library.py

The reference is pvlib's CEC parameter set and single-diode solution (pvlib 0.16.1; the
table is NREL's SAM library, 2018 snapshot), crystalline types only. Not a measurement:
the model is the reference because it is what the data sheets were fitted with.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import pandas as pd
import pvlib
from numpy.typing import NDArray

_TEXT = ("Technology", "Bifacial", "STC", "PTC", "Version", "Date", "BIPV")


@cache
def crystalline(step: int = 1) -> pd.DataFrame:
    """Every ``step``-th crystalline module of the table, numbers as numbers."""
    table = pvlib.pvsystem.retrieve_sam("cecmod").T
    table = table[table["Technology"].isin(["Mono-c-Si", "Multi-c-Si"])].iloc[::step].copy()
    for column in table.columns.difference(_TEXT):
        table[column] = pd.to_numeric(table[column], errors="coerce")
    return table


@cache
def small_units() -> pd.DataFrame:
    """Inverters of the table under 600 W AC: the module-level ones."""
    table = pvlib.pvsystem.retrieve_sam("cecinverter").T
    for column in ("Paco", "Pdco", "Pso"):
        table[column] = pd.to_numeric(table[column], errors="coerce")
    return table[table["Paco"] < 600.0]


def one_diode(table: pd.DataFrame, poa_w_m2: float, t_cell_c: float) -> dict[str, NDArray[np.float64]]:
    """pvlib's CEC model of each module: ``v_oc``, ``v_mp``, ``p_mp`` ..."""
    names = ("alpha_sc", "a_ref", "I_L_ref", "I_o_ref", "R_sh_ref", "R_s", "Adjust")
    values = [table[name].to_numpy(float) for name in names]
    with np.errstate(all="ignore"):
        light, dark, series, shunt, thermal = pvlib.pvsystem.calcparams_cec(poa_w_m2, t_cell_c, *values)
        solved: Any = pvlib.pvsystem.singlediode(light, dark, series, shunt, thermal)
    return {name: np.asarray(solved[name], dtype=float) for name in ("v_oc", "v_mp", "p_mp")}


def linear_voc(table: pd.DataFrame, t_cell_c: float) -> NDArray[np.float64]:
    """Data-sheet form: ``Voc (1 + beta (T - 25))``."""
    return (table["V_oc_ref"] + table["beta_oc"] * (t_cell_c - 25.0)).to_numpy(float)


def linear_vmp(table: pd.DataFrame, t_cell_c: float) -> NDArray[np.float64]:
    """Our form: ``Vmp (1 + gamma (T - 25))`` with the power coefficient."""
    return (table["V_mp_ref"] * (1.0 + table["gamma_r"] / 100.0 * (t_cell_c - 25.0))).to_numpy(float)


def band_ratios(table: pd.DataFrame) -> NDArray[np.float64]:
    """One-diode operating voltage over our nominal one, for 0-70 C and 200-1000 W/m2, less one."""
    found = [
        one_diode(table, poa, t_cell)["v_mp"] / linear_vmp(table, t_cell) - 1.0
        for t_cell in (0.0, 10.0, 25.0, 40.0, 55.0, 70.0)
        for poa in (200.0, 300.0, 400.0, 600.0, 800.0, 1000.0)
    ]
    return np.concatenate(found)


def medians(table: pd.DataFrame) -> dict[str, float]:
    """The stand-ins for what a site file leaves out."""
    return {
        "vmp_to_voc": float((table["V_mp_ref"] / table["V_oc_ref"]).median()),
        "voc_per_cell_v": float((table["V_oc_ref"] / table["N_s"]).median()),
        "beta_voc_pct_k": float((table["beta_oc"] / table["V_oc_ref"] * 100.0).median()),
        "gamma_pmax_pct_k": float(table["gamma_r"].median()),
        # a_ref = n Ns k T / q at 25 C; k T / q is 25.693 mV there.
        "ideality": float((table["a_ref"] / (table["N_s"] * 0.0256926)).median()),
    }


def percent(errors: NDArray[np.float64]) -> str:
    low, middle, high = np.nanquantile(errors, [0.01, 0.5, 0.99]) * 100.0
    return f"1 % {low:+.2f} %, median {middle:+.2f} %, 99 % {high:+.2f} %"


def main() -> None:
    table = crystalline()
    print(f"{len(table)} crystalline modules")
    for name, value in medians(table).items():
        print(f"median {name:18} {value:.4f}")
    for t_cell in (-40.0, -20.0, -10.0, 0.0, 45.0, 70.0):
        voc = linear_voc(table, t_cell) / one_diode(table, 1000.0, t_cell)["v_oc"] - 1.0
        vmp = linear_vmp(table, t_cell) / one_diode(table, 1000.0, t_cell)["v_mp"] - 1.0
        print(f"{t_cell:+4.0f} C  Voc: {percent(voc)}   Vmp: {percent(vmp)}")
    ratios = np.nanquantile(band_ratios(table), [0.005, 0.5, 0.995]) * 100.0
    print("operating voltage band, 0.5 %, median, 99.5 %:", np.round(ratios, 2))
    units = small_units()
    print(f"{len(units)} units under 600 W: efficiency", np.round((units.Paco / units.Pdco).median(), 4))
    print("start power / rating", np.round((units.Pso / units.Paco).median(), 4))


if __name__ == "__main__":
    main()
