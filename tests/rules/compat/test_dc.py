"""DC checks: worked by hand, and each limit seen to change the verdict just over and just under."""

from __future__ import annotations

from typing import Any

import pytest

from rules.compat.check import check_site
from rules.compat.dc import input_checks
from rules.compat.dc_unit import unit_checks
from rules.compat.profile import Profile
from rules.compat.result import Check


def _one(checks: Any, check_id: str) -> Check:
    (found,) = [c for c in checks if c.id == check_id]
    return found


def test_healthy_roof_passes_everything(make_site: Any, iec: Profile) -> None:
    result = check_site(make_site(), iec)
    assert {c.id: c.verdict for c in result.checks if c.verdict != "pass"} == {}
    assert result.verdict == "pass"


def test_worked_example_of_the_coldest_day(make_site: Any, iec: Profile) -> None:
    # By hand: 40.0 V, -0.28 %/K, -10 C: 43.92 V.
    check = _one(input_checks(make_site(), iec), "voc-cold")
    assert check.value == pytest.approx(43.92)
    assert check.numbers == {"Voc": 40.0, "Tmin": -10.0, "beta": -0.28}
    assert check.limit == 65.0
    assert "IEC 60891" in check.source
    assert len(check.members) == 6


def test_tabulated_factor_where_no_coefficient_is_known(make_site: Any, iec: Profile) -> None:
    # Table, from memory: 1.14 for -6 to -10 C.
    check = _one(input_checks(make_site({"modules.m.beta_voc_pct_k": None}), iec), "voc-cold")
    assert check.value == pytest.approx(40.0 * 1.14)
    assert "from memory" in check.source
    assert "factor(Tmin)" in check.formula
    beyond = {"modules.m.beta_voc_pct_k": None, "site.record_low_c": -45}
    check = _one(input_checks(make_site(beyond), iec), "voc-cold")
    assert check.verdict == "unknown"
    assert "beta_voc_pct_k" in check.change


# (changed key, value that fails, value that is near, value that passes)
@pytest.mark.parametrize(
    ("check_id", "key", "fail", "near", "passing"),
    [
        ("voc-cold", "inverters.i.max_input_v", 43.9, 44.5, 46.0),
        ("voc-cold", "inverters.i.max_input_v", 43.0, 45.2, 45.4),
        ("voc-cold-break", "options.no_load_break_v", 43.9, 44.5, 46.0),
        # Hot: 31.2 x (1 - 0.0034 x 46) = 26.32 V.
        ("mppt-hot", "inverters.i.mppt_min_v", 26.4, 26.0, 25.0),
        ("mppt-hot", "options.hot_ambient_c", None, None, 25.0),
        # Cold: 31.2 x (1 + 0.0034 x 35) = 34.91 V.
        ("mppt-cold", "inverters.i.mppt_max_v", 34.9, 35.5, 36.5),
        # 40 x (1 - 0.0028 x 46) = 34.85 V.
        ("start-hot", "inverters.i.start_v", 34.9, 34.0, 33.0),
        # 13.85 x 1.25 = 17.31 A.
        ("isc", "inverters.i.max_isc_a", 17.3, 17.5, 18.5),
        ("isc", "options.isc_factor", 1.5, 1.4, 1.25),
        ("imp", "inverters.i.max_input_a", None, 12.9, 13.0),
        ("altitude", "inverters.i.max_altitude_m", 400, None, 430),
        ("inputs", "inverters.i.inputs", 1, None, 2),
        ("dc-ac-ratio", "inverters.i.rated_va", None, 539.0, 541.0),
        ("wake-up", "inverters.i.start_v", 60.0, 37.0, 34.0),
    ],
)
def test_each_limit_changes_the_verdict(
    make_site: Any, iec: Profile, check_id: str, key: str, fail: Any, near: Any, passing: Any
) -> None:
    for verdict, value in (("fail", fail), ("near", near), ("pass", passing)):
        if value is None:
            continue
        site = make_site({key: value})
        check = _one([*input_checks(site, iec), *unit_checks(site, iec)], check_id)
        assert check.verdict == verdict, (check_id, value, check.value, check.limit)
        assert bool(check.change) == (verdict != "pass")


def test_near_voc_leaves_the_error_of_the_linear_law(make_site: Any, iec: Profile) -> None:
    # 43.92 V: 3 % of the limit is the line between near and pass.
    site = make_site({"inverters.i.max_input_v": 43.92 / 0.97 + 0.01})
    assert _one(input_checks(site, iec), "voc-cold").verdict == "pass"
    site = make_site({"inverters.i.max_input_v": 43.92 / 0.97 - 0.01})
    assert _one(input_checks(site, iec), "voc-cold").verdict == "near"


def test_the_deeper_the_cold_the_more_room_is_asked_for(make_site: Any, iec: Profile) -> None:
    # One module in a hundred stands 2.8 % above the linear law at -10 C, 4.5 % at -40 C (one-diode model).
    for low, verdict in ((-15.0, "pass"), (-15.1, "near")):
        voc = 40.0 * (1 - 0.0028 * (low - 25.0))
        site = make_site({"site.record_low_c": low, "inverters.i.max_input_v": voc / 0.96})
        assert _one(input_checks(site, iec), "voc-cold").verdict == verdict


def test_bifacial_gain_raises_the_currents(make_site: Any, iec: Profile) -> None:
    plain = list(input_checks(make_site(), iec))
    gained = list(input_checks(make_site({"options.bifacial_gain_pct": 10}), iec))
    for check_id in ("isc", "imp"):
        ratio = (_one(gained, check_id).value or 0) / (_one(plain, check_id).value or 1)
        assert ratio == pytest.approx(1.1)


@pytest.mark.parametrize(
    ("key", "check_id", "named"),
    [
        ("site.record_low_c", "voc-cold", "[site] record_low_c"),
        ("modules.m.voc_v", "voc-cold", "[modules.m] voc_v"),
        ("inverters.i.max_input_v", "voc-cold", "[inverters.i] max_input_v"),
        ("inverters.i.mppt_min_v", "mppt-hot", "[inverters.i] mppt_min_v"),
        ("inverters.i.mppt_max_v", "mppt-cold", "[inverters.i] mppt_max_v"),
        ("modules.m.isc_a", "isc", "[modules.m] isc_a"),
        ("inverters.i.max_input_a", "imp", "[inverters.i] max_input_a"),
        ("site.altitude_m", "altitude", "[site] altitude_m"),
        ("inverters.i.rated_va", "dc-ac-ratio", "[inverters.i] rated_va"),
    ],
)
def test_a_missing_number_is_named_never_passed(make_site: Any, iec: Profile, key: str, check_id: str, named: str) -> None:
    site = make_site({key: None})
    check = _one([*input_checks(site, iec), *unit_checks(site, iec)], check_id)
    assert check.verdict == "unknown"
    assert named in check.change
    assert check.value is None


def test_start_voltage_falls_back_and_is_named_when_nothing_is_known(make_site: Any, iec: Profile) -> None:
    gone = {"inverters.i.start_v": None, "inverters.i.mppt_min_v": None}
    check = _one(input_checks(make_site(gone), iec), "start-hot")
    assert check.verdict == "unknown"
    assert "[inverters.i] start_v" in check.change


def test_undeclared_module_or_inverter_is_one_row(make_site: Any, iec: Profile) -> None:
    site = make_site({"units.0.inverter": None, "units.1.inputs.0.module": None})
    undeclared = [c for c in input_checks(site, iec) if c.id == "dc"]
    assert [c.verdict for c in undeclared] == ["unknown", "unknown"]


def test_mixed_modules_are_grouped_and_told(make_site: Any, iec: Profile) -> None:
    other = {"pmax_w": 300, "vmp_v": 31.0, "imp_a": 9.7, "voc_v": 38.0, "isc_a": 10.2}
    site = make_site({"modules.other": other, "units.0.inputs.1.module": "other"})
    checks = [*input_checks(site, iec), *unit_checks(site, iec)]
    assert [len(c.members) for c in checks if c.id == "voc-cold"] == [5, 1]
    mixed = _one(checks, "mixed-modules")
    assert mixed.members == ("U1",)
    assert "m and other" in mixed.note


def test_high_site_without_a_statement_is_near(make_site: Any, iec: Profile) -> None:
    assert _one(unit_checks(make_site({"site.altitude_m": 2100}), iec), "altitude").verdict == "near"
