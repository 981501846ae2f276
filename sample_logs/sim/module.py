"""A module's electricity: one diode per substring, a bypass diode across each.

The five parameters are drawn at cell level, and the ratings on the label are
then *computed* from them, so label and behaviour always agree.  The maximum
power point over irradiance and temperature is solved once per module type with
:func:`pvlib.pvsystem.singlediode` and read from a table afterwards; unequally
lit substrings are solved from the same five parameters, one candidate maximum
per substring current.

Source of the equations: De Soto et al. (2006) as in
:func:`pvlib.pvsystem.calcparams_desoto`; bypass behaviour is textbook series
connection with a clamp at the diode's forward drop.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pvlib
from numpy.typing import NDArray

F = NDArray[np.float64]

#: Forward drop of a conducting bypass diode, V (common practice: Schottky, 0.4 to 0.6 V).
BYPASS_DROP_V = 0.5
_THERMAL_V_25C = 0.025693
_G = np.concatenate([[0.5, 1, 2, 4, 7], np.arange(10, 60, 10), np.arange(60, 1601, 70)]).astype(float)
_T = np.arange(-40.0, 111.0, 10.0)


@dataclass(frozen=True)
class ModuleType:
    """A module type: label ratings (STC) and the five parameters behind them."""

    name: str
    pmax_w: float
    vmp_v: float
    imp_a: float
    voc_v: float
    isc_a: float
    gamma_pmax_pct_k: float
    beta_voc_pct_k: float
    alpha_isc_pct_k: float
    cells: int
    substrings: int
    half_cut: bool
    alpha_sc_a_k: float
    a_ref_v: float
    photo_a: float
    saturation_a: float
    shunt_ohm: float
    series_ohm: float
    linear: bool = False
    width_m: float = 1.08
    length_m: float = 1.75

    def five(self, irradiance: F, temperature: F) -> tuple[F, F, F, F, F]:
        """Photocurrent, saturation current, series, shunt, n·Ns·Vth at (W/m², °C)."""
        out = pvlib.pvsystem.calcparams_desoto(
            np.maximum(irradiance, 0.05),
            temperature,
            self.alpha_sc_a_k,
            self.a_ref_v,
            self.photo_a,
            self.saturation_a,
            self.shunt_ohm,
            self.series_ohm,
        )
        photo, sat, rs, rsh, nvt = (np.asarray(x, dtype=float) for x in out)
        shape = np.broadcast(photo, nvt).shape
        return (
            photo,
            np.broadcast_to(sat, shape),
            np.broadcast_to(rs, shape),
            np.broadcast_to(rsh, shape),
            np.broadcast_to(nvt, shape),
        )


def make_module(
    name: str,
    cells: int = 60,
    isc_a: float = 10.5,
    voc_cell_v: float = 0.68,
    ideality: float = 1.08,
    series_cell_ohm: float = 0.0045,
    shunt_cell_ohm: float = 8.0,
    substrings: int = 3,
    half_cut: bool = False,
    alpha_pct_k: float = 0.045,
    linear: bool = False,
    width_m: float = 1.08,
    length_m: float = 1.75,
) -> ModuleType:
    """Build a module type from cell-level figures; label ratings follow from them."""
    a = cells * ideality * _THERMAL_V_25C
    voc, rs, rsh = cells * voc_cell_v, cells * series_cell_ohm, cells * shunt_cell_ohm
    photo = isc_a * (1 + rs / rsh)
    sat = (photo - voc / rsh) / np.expm1(voc / a)
    blank = ModuleType(
        name,
        0,
        0,
        0,
        0,
        0,
        0,
        0,
        alpha_pct_k,
        cells,
        substrings,
        half_cut,
        isc_a * alpha_pct_k / 100,
        a,
        photo,
        float(sat),
        rsh,
        rs,
        linear,
        width_m,
        length_m,
    )
    stc = _solve(blank, np.array([1000.0, 1000.0]), np.array([25.0, 45.0]))
    gamma = (stc["p_mp"][1] / stc["p_mp"][0] - 1) / 20 * 100
    beta = (stc["v_oc"][1] / stc["v_oc"][0] - 1) / 20 * 100
    return ModuleType(
        name,
        float(stc["p_mp"][0]),
        float(stc["v_mp"][0]),
        float(stc["i_mp"][0]),
        float(stc["v_oc"][0]),
        float(stc["i_sc"][0]),
        float(gamma),
        float(beta),
        alpha_pct_k,
        cells,
        substrings,
        half_cut,
        isc_a * alpha_pct_k / 100,
        a,
        photo,
        float(sat),
        rsh,
        rs,
        linear,
        width_m,
        length_m,
    )


def _solve(m: ModuleType, irradiance: F, temperature: F) -> dict[str, F]:
    photo, sat, rs, rsh, nvt = m.five(irradiance, temperature)
    out = pvlib.pvsystem.singlediode(photo, sat, rs, rsh, nvt, method="newton")
    return {key: np.asarray(out[key], dtype=float) for key in ("i_sc", "v_oc", "i_mp", "v_mp", "p_mp")}


@dataclass(frozen=True)
class _Table:
    power_per_g: F
    vmp: F
    voc: F
    #: (V - Vmp) / (Voc - Vmp) as a function of P / Pmp from 0 to 1, right of the maximum.
    back_off: F


@lru_cache(maxsize=64)
def _table(m: ModuleType) -> _Table:
    g, t = np.meshgrid(_G, _T, indexing="ij")
    out = _solve(m, g.ravel(), t.ravel())
    shape = g.shape
    power, vmp, voc = (out[k].reshape(shape) for k in ("p_mp", "v_mp", "v_oc"))
    if m.linear:
        # The plain data-sheet model some people simulate with: power linear in light.
        power = m.pmax_w * g / 1000 * (1 + m.gamma_pmax_pct_k / 100 * (t - 25))
        power = np.maximum(power, 1e-6)
        vmp = m.vmp_v * (1 + m.beta_voc_pct_k / 100 * (t - 25)) * (1 + 0.03 * np.log(g / 1000))
        voc = m.voc_v * (1 + m.beta_voc_pct_k / 100 * (t - 25)) * (1 + 0.03 * np.log(g / 1000))
    five = m.five(np.array([800.0]), np.array([40.0]))
    one = _solve(m, np.array([800.0]), np.array([40.0]))
    v = np.linspace(one["v_mp"][0], one["v_oc"][0], 200)
    i = np.asarray(pvlib.pvsystem.i_from_v(v, *five))
    p = np.maximum(v * i, 0) / one["p_mp"][0]
    x = (v - v[0]) / (v[-1] - v[0])
    back_off = np.interp(np.linspace(0, 1, 101), p[::-1], x[::-1])
    return _Table(power / g, vmp, voc, back_off)


def _bilinear(table: F, irradiance: F, temperature: F) -> F:
    gi = np.clip(np.searchsorted(_G, irradiance, side="right") - 1, 0, len(_G) - 2)
    gf = np.clip((irradiance - _G[gi]) / (_G[gi + 1] - _G[gi]), 0, 1)
    tp = np.clip((temperature - _T[0]) / 10.0, 0, len(_T) - 1.001)
    ti = tp.astype(int)
    tf = tp - ti
    low = table[gi, ti] * (1 - tf) + table[gi, ti + 1] * tf
    high = table[gi + 1, ti] * (1 - tf) + table[gi + 1, ti + 1] * tf
    return np.asarray(low * (1 - gf) + high * gf)


@dataclass(frozen=True)
class Point:
    """Maximum power points: watts, volts, and the open-circuit volts beside them."""

    power_w: F
    vmp_v: F
    voc_v: F


def evenly_lit(m: ModuleType, irradiance: F, temperature: F) -> Point:
    """Maximum power of a whole module under (W/m², °C), any shape."""
    table = _table(m)
    g = np.maximum(irradiance, 0.0)
    scale = g * _bilinear(table.power_per_g, g, temperature)
    dark = np.clip(g / 0.5, 0, 1)  # below the table the voltage falls to zero
    return Point(
        np.asarray(scale),
        np.maximum(_bilinear(table.vmp, g, temperature), 0) * dark,
        np.maximum(_bilinear(table.voc, g, temperature), 0) * dark,
    )


def unevenly_lit(
    m: ModuleType,
    irradiance: F,
    temperature: F,
    alive: int | None = None,
    lowest_v: float = 0.0,
) -> Point:
    """Maximum power when substrings differ.

    Parameters
    ----------
    irradiance : [n, substrings], W/m².
    temperature : [n], °C.
    alive : substrings that still work; the rest are shorted by their diode.
    lowest_v : the tracker does not go below this voltage, V.
    """
    k = irradiance.shape[1]
    alive = k if alive is None else alive
    order = np.sort(irradiance, axis=1)[:, ::-1][:, :alive] if alive < k else np.sort(irradiance, axis=1)[:, ::-1]
    n = len(order)
    g = np.maximum(order, 0.05)
    t = np.broadcast_to(temperature[:, None], g.shape)
    if m.linear:
        even = evenly_lit(m, g.mean(axis=1), temperature)
        share = alive / k
        return Point(even.power_w * share, even.vmp_v * share, even.voc_v * share)
    table = _table(m)
    power = g * _bilinear(table.power_per_g, g, t)
    vmp = _bilinear(table.vmp, g, t)
    imp = power / np.maximum(vmp, 0.1)
    photo, sat, rs, rsh, nvt = (x / 1 for x in m.five(g, t))
    best_p = np.zeros(n)
    best_v = np.zeros(n)
    for j in range(alive):  # a maximum near each substring's own best current
        current = imp[:, j : j + 1]
        with np.errstate(over="ignore", invalid="ignore"):
            v = (
                np.asarray(
                    pvlib.pvsystem.v_from_i(
                        np.minimum(current, photo[:, : j + 1] * 0.9995),
                        photo[:, : j + 1],
                        sat[:, : j + 1],
                        rs[:, : j + 1],
                        rsh[:, : j + 1],
                        nvt[:, : j + 1],
                    )
                )
                / k
            )
        volts = v.sum(axis=1) - BYPASS_DROP_V * (k - (j + 1)) * (imp[:, j] > 0.01)
        volts = np.nan_to_num(volts)
        watts = np.where(volts >= lowest_v, volts * imp[:, j], 0.0)
        better = watts > best_p
        best_p = np.where(better, watts, best_p)
        best_v = np.where(better, volts, best_v)
    voc = _bilinear(table.voc, g, t).sum(axis=1) / k
    return Point(best_p, np.where(best_v > 0, best_v, voc * 0.8), voc)


def held_back_voltage(m: ModuleType, point: Point, share: F) -> F:
    """Voltage when only ``share`` (0..1) of the maximum is drawn: towards open circuit."""
    x = np.interp(np.clip(share, 0, 1), np.linspace(0, 1, 101), _table(m).back_off)
    return np.asarray(point.vmp_v + (point.voc_v - point.vmp_v) * x)
