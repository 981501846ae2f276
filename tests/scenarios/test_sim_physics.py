"""The simulator against things outside the project: pvlib's models, geometry by hand, energy books."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pvlib
import pytest
from numpy.typing import NDArray

from sample_logs.sim import PROFILES, make_site
from sample_logs.sim.module import ModuleType, evenly_lit, held_back_voltage, make_module, unevenly_lit
from sample_logs.sim.obstacles import Box, Tree, Wall
from sample_logs.sim.sky import light_on_plane, make_sky
from sample_logs.sim.style import Style

F = NDArray[np.float64]


def _sweep(m: ModuleType, lit: list[float], cell_c: float, drop: float = 0.5) -> tuple[float, float]:
    """Maximum power and its voltage of a string of substrings, by sweeping the current.

    pvlib.pvsystem.v_from_i per substring, a bypass diode that clamps at -``drop`` V.
    """
    current = np.linspace(0.0, 16.0, 40_001)
    volts = np.zeros_like(current)
    for g in lit:
        photo, sat, rs, rsh, nvt = pvlib.pvsystem.calcparams_desoto(
            g,
            cell_c,
            m.alpha_sc_a_k,
            m.a_ref_v,
            m.photo_a,
            m.saturation_a,
            m.shunt_ohm,
            m.series_ohm,
        )
        v = pvlib.pvsystem.v_from_i(np.minimum(current, photo), photo, sat, rs, rsh, nvt) / len(lit)
        volts += np.maximum(np.where(current >= photo, -drop, v), -drop)
    best = int(np.argmax(volts * current))
    return float(volts[best] * current[best]), float(volts[best])


MODULE = make_module("test", cells=60, isc_a=10.5, voc_cell_v=0.68)


def test_table_agrees_with_pvlib_singlediode() -> None:
    g = np.array([35.0, 120.0, 333.0, 777.0, 1040.0])
    t = np.array([-4.0, 12.0, 33.0, 51.0, 68.0])
    out = pvlib.pvsystem.singlediode(*MODULE.five(g, t), method="lambertw")
    point = evenly_lit(MODULE, g, t)
    np.testing.assert_allclose(point.power_w, out["p_mp"], rtol=0.01)
    np.testing.assert_allclose(point.vmp_v, out["v_mp"], rtol=0.005)
    np.testing.assert_allclose(point.voc_v, out["v_oc"], rtol=0.005)


@pytest.mark.parametrize("cells", [54, 60, 72])
@pytest.mark.parametrize("ideality", [1.0, 1.2])
def test_ratings_lie_where_real_modules_do(cells: int, ideality: float) -> None:
    # CEC module table shipped with pvlib: crystalline modules over 200 W.
    table = pvlib.pvsystem.retrieve_sam("CECMod").T
    table = table[table["Technology"].isin(["Mono-c-Si", "Multi-c-Si"]) & (table["STC"] > 200)]
    real = {
        "fill": (table["V_mp_ref"] * table["I_mp_ref"] / table["V_oc_ref"] / table["I_sc_ref"]).astype(float),
        "vmp_voc": (table["V_mp_ref"] / table["V_oc_ref"]).astype(float),
        "gamma": table["gamma_r"].astype(float),
        "beta": (table["beta_oc"] / table["V_oc_ref"] * 100).astype(float),
    }
    m = make_module("x", cells=cells, ideality=ideality)
    ours = {
        "fill": m.pmax_w / m.voc_v / m.isc_a,
        "vmp_voc": m.vmp_v / m.voc_v,
        "gamma": m.gamma_pmax_pct_k,
        "beta": m.beta_voc_pct_k,
    }
    for name, value in ours.items():
        low, high = real[name].quantile([0.01, 0.99])
        margin = 0.1 * abs(high - low)
        assert low - margin <= value <= high + margin, f"{name} {value} not within {low}..{high}"


def test_label_is_what_the_module_makes_at_stc() -> None:
    point = evenly_lit(MODULE, np.array([1000.0]), np.array([25.0]))
    assert point.power_w[0] == pytest.approx(MODULE.pmax_w, rel=0.01)
    assert point.voc_v[0] == pytest.approx(MODULE.voc_v, rel=0.003)


def test_open_circuit_voltage_in_the_cold_follows_the_label_coefficient() -> None:
    # By hand: Voc at -10 °C is Voc(STC) * (1 + beta * (-35 K)).
    cold = evenly_lit(MODULE, np.array([1000.0]), np.array([-10.0])).voc_v[0]
    assert cold == pytest.approx(MODULE.voc_v * (1 - MODULE.beta_voc_pct_k / 100 * 35), rel=0.01)


@pytest.mark.parametrize(
    "lit",
    [[800, 800, 800], [800, 800, 100], [800, 100, 100], [800, 700, 600], [950, 950, 400], [300, 280, 60]],
)
def test_uneven_light_agrees_with_a_current_sweep(lit: list[float]) -> None:
    power, volts = _sweep(MODULE, lit, 45.0)
    point = unevenly_lit(MODULE, np.array([lit], dtype=float), np.array([45.0]))
    assert point.power_w[0] == pytest.approx(power, rel=0.025)
    assert point.vmp_v[0] == pytest.approx(volts, rel=0.05)


@pytest.mark.parametrize(("alive", "share"), [(2, 2 / 3), (1, 1 / 3)])
def test_a_shorted_substring_takes_a_third_of_the_voltage_at_full_current(alive: int, share: float) -> None:
    lit = np.full((1, 3), 850.0)
    healthy = evenly_lit(MODULE, np.array([850.0]), np.array([50.0]))
    hurt = unevenly_lit(MODULE, lit, np.array([50.0]), alive)
    # A conducting bypass diode takes its own drop besides: 0.5 V each (common practice).
    assert hurt.vmp_v[0] == pytest.approx(healthy.vmp_v[0] * share - 0.5 * (3 - alive), rel=0.01)
    current = hurt.power_w[0] / hurt.vmp_v[0]
    assert current == pytest.approx(healthy.power_w[0] / healthy.vmp_v[0], rel=0.01)


def test_held_back_power_lies_on_the_curve_towards_open_circuit() -> None:
    g, t = np.array([900.0]), np.array([48.0])
    point = evenly_lit(MODULE, g, t)
    for share in (0.9, 0.5, 0.1):
        v = held_back_voltage(MODULE, point, np.array([share]))
        i = pvlib.pvsystem.i_from_v(v, *MODULE.five(g, t))
        assert float(v[0] * i[0]) == pytest.approx(share * point.power_w[0], rel=0.04)


def test_plane_light_on_a_clear_day_agrees_with_pvlib() -> None:
    style = Style(transposition="haydavies", cloudiness=0.0)
    sky = make_sky(np.random.default_rng(3), 40.0, -3.0, 600.0, 1718841600, 1, 300, style, "clear")
    light = light_on_plane(sky, 200.0, 30.0, "haydavies")
    whole = pvlib.irradiance.get_total_irradiance(
        30.0,
        200.0,
        90 - sky.sun_elevation_deg,
        sky.sun_azimuth_deg,
        sky.dni,
        sky.ghi,
        sky.dhi,
        dni_extra=sky.extra,
        albedo=sky.albedo,
        model="haydavies",
    )["poa_global"]
    day = sky.sun_elevation_deg > 5
    np.testing.assert_allclose(light.total_sensor[day], np.asarray(whole)[day], rtol=0.02, atol=2)


def test_a_wall_hides_the_sun_below_its_top() -> None:
    # By hand: a wall 10 m away and 5 m high stands at atan(0.5) = 26.57 degrees.
    wall = Wall(-50, 10, 50, 10, 5.0)
    elevation = np.array([20.0, 26.0, 27.2, 40.0])
    passed = wall.passes(np.zeros(4), elevation, np.zeros(3), 1.0, np.zeros(4))
    assert passed[0] == 0.0
    assert passed[1] < 0.5 < passed[2]
    assert passed[3] == 1.0
    behind = wall.passes(np.full(1, 180.0), np.array([10.0]), np.zeros(3), 1.0, np.zeros(1))
    assert behind[0] == 1.0


def test_a_box_and_a_tree_stand_where_they_are_put() -> None:
    box = Box(3.0, 0.0, 0.6, 4.0)
    azimuth = np.array([90.0, 90.0, 80.0, 270.0])
    elevation = np.array([30.0, 60.0, 30.0, 30.0])
    passed = box.passes(azimuth, elevation, np.zeros(3), 1.0, np.zeros(4))
    assert passed[0] < 0.05
    assert passed[1:].tolist() == [1.0, 1.0, 1.0]
    tree = Tree(0.0, -8.0, 4.0, 2.0, porosity=0.2)
    azimuth, elevation = np.array([180.0, 150.0]), np.array([26.6, 26.6])
    passed = tree.passes(azimuth, elevation, np.zeros(3), 1.0, np.zeros(2))
    assert passed[0] == pytest.approx(0.2, abs=0.01)
    assert passed[1] == 1.0


def test_the_same_seed_makes_the_same_site_and_another_does_not() -> None:
    kind = {"days": 4, "inputs": 4, "step_s": 900}
    one, two = make_site(5, "mixed", **kind), make_site(5, "mixed", **kind)
    assert one.telemetry.equals(two.telemetry)
    assert one.truth == two.truth
    assert one.toml == two.toml
    assert not one.telemetry.equals(make_site(6, "mixed", **kind).telemetry)


def test_an_unknown_profile_is_refused() -> None:
    with pytest.raises(ValueError, match="profile must be one of"):
        make_site(1, "gremlins")


def test_profiles_cover_every_fault_slug() -> None:
    from rules.finding import FAULT_SCOPES

    assert set(FAULT_SCOPES) <= set(PROFILES)


@pytest.mark.parametrize("fault", ["dead-input", "idle-input", "shading", "substring-loss", "weak-input"])
def test_lost_energy_closes_the_books(fault: str) -> None:
    """Healthy less made is what the truth says was lost, on every input-day the fault hit."""
    site = make_site(12, fault, days=6, inputs=8, step_s=900)
    lost = site.labels[site.labels["fault"] != "clipping"].groupby(["day", "input"])["lost_wh"].sum()
    assert len(lost)
    energy = site.energy.set_index(["day", "input"]).loc[lost.index]
    gap = energy["healthy_wh"] - energy["true_wh"]
    np.testing.assert_allclose(gap.to_numpy(), lost.to_numpy(), atol=1.0)


def test_counters_and_power_tell_the_same_energy() -> None:
    style = {
        "columns": "all",
        "packet_loss": 0.0,
        "counter": "lifetime",
        "energy_step_wh": 1.0,
        "label": "end",
        "jitter_s": 0.0,
        "night_rows": "none",
    }
    site = make_site(4, "healthy", days=5, inputs=4, step_s=300, style=style)
    for _, rows in site.telemetry.groupby(["unit", "input"]):
        counted = rows["energy_total_wh"].iloc[-1] - rows["energy_total_wh"].iloc[0]
        summed = rows["dc_power_w"].sum() * 300 / 3600
        assert counted == pytest.approx(summed, rel=0.03)


def test_a_silent_unit_that_produces_jumps_and_a_dark_one_does_not() -> None:
    style = {"columns": "all", "packet_loss": 0.0, "counter": "lifetime", "energy_step_wh": 1.0}
    seen = {}
    for seed in range(40):
        site = make_site(seed, "unit-silent", days=8, inputs=6, step_s=900, style=style)
        for t in site.truth:
            if t.fault != "unit-silent":
                continue
            rows = site.telemetry[(site.telemetry["unit"] == t.unit) & (site.telemetry["input"] == 1)]
            before, after = rows[rows["ts"] < t.start_ts], rows[rows["ts"] > t.end_ts + 900]
            if before.empty or after.empty or t.days < 2:
                continue
            jump = after["energy_total_wh"].iloc[0] - before["energy_total_wh"].iloc[-1]
            seen[t.details["variant"]] = jump
        if len(seen) == 2:
            break
    assert seen["producing"] > 300
    assert abs(seen["dark"]) < 50


def test_site_files_read_back(tmp_path: Path) -> None:
    from collectors.site import load_site

    site = make_site(9, "shading", days=3, inputs=6, step_s=900, style={"weather": "full", "gateway_log": True})
    paths = site.write(tmp_path)
    assert {"site", "telemetry", "weather", "gateway_log", "truth"} == set(paths)
    assert tuple(r.key for r in load_site(paths["site"]).inputs) == site.keys
    assert tomllib.loads(site.toml)["site"]["latitude"] == pytest.approx(load_site(paths["site"]).site.latitude)
