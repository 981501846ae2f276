"""The voltage arithmetic is checked against pvlib's single-diode model."""

from __future__ import annotations

import numpy as np
import pvlib
import pytest

import rules.faults.substring_loss as rule
from rules.case import Case
from tests.rules.conftest import MoveThreshold
from tests.rules.make import FIRST_DAY, Roof, case_of, findings, make_roof, only, run_rule


def _bypassed(lost: int = 1) -> Roof:
    roof = make_roof()
    return roof.bypass(2, lost, roof.when(5))


@pytest.fixture(scope="module")
def case() -> Case:
    return case_of(_bypassed())


@pytest.mark.parametrize("lost", [1, 2])
def test_fires(lost: int) -> None:
    roof = _bypassed(lost)
    found = only(findings(roof))
    assert (found.fault, found.unit, found.input, found.days) == ("substring-loss", "U2", 1, 9)
    assert found.evidence["substrings_lost"] == lost
    assert found.evidence["ratio"] == pytest.approx((3 - lost) / 3, abs=0.03)
    assert found.loss_wh_total == pytest.approx(roof.lost_wh(), rel=0.2)
    assert (found.action, found.severity) == ("visit", "high")


@pytest.mark.parametrize("lost", [1, 2])
def test_the_thirds_are_those_of_a_single_diode_model(lost: int) -> None:
    """pvlib, De Soto single-diode model: two (or one) of three cell strings at one current.

    A bypassed third takes its share of the module's voltage and 0.5 V more (a
    conducting diode, common practice) at an unchanged maximum-power current.
    """
    strings, cells = 3, 108
    il, i0, rs, rsh, nnsvth = pvlib.pvsystem.calcparams_desoto(
        800.0, 45.0, alpha_sc=0.006, a_ref=cells * 0.0257, I_L_ref=13.9, I_o_ref=3e-11, R_sh_ref=300.0, R_s=0.2
    )
    whole = pvlib.pvsystem.singlediode(il, i0, rs, rsh, nnsvth)
    volts = np.linspace(0, float(whole["v_oc"]) / strings, 4000)
    amps = pvlib.pvsystem.i_from_v(volts, il, i0, rs / strings, rsh / strings, nnsvth / strings)
    left = volts * (strings - lost) - 0.5 * lost
    best = int(np.argmax(left * amps))
    ratio = left[best] / float(whole["v_mp"])
    assert ratio == pytest.approx((strings - lost) / strings, abs=0.06)
    assert amps[best] == pytest.approx(float(whole["i_mp"]), rel=0.05)
    # What such a module shows must fall inside the rule's band around a third or two.
    roof = make_roof(days=6, kinds="c")
    when = roof.when(2)
    roof.power[when, 2] *= ratio * amps[best] / float(whole["i_mp"])
    roof.volts[when, 2] *= ratio
    assert [f.evidence["substrings_lost"] for f in findings(roof, "substring-loss")] == [lost]


@pytest.mark.parametrize(("name", "value"), [("MIN_SHARE", 1.1), ("MIN_HOURS", 20.0), ("WHOLE_DAY", 1.1)])
def test_thresholds_count(case: Case, threshold: MoveThreshold, name: str, value: float) -> None:
    assert run_rule("substring-loss", case).candidates
    threshold(rule, name, value)
    threshold(rule, "POWER_BAND", 0.0)  # with no voltage to judge by, power would speak
    assert not run_rule("substring-loss", case).candidates


@pytest.mark.parametrize(("factor", "fires"), [(0.75, False), (1.25, True)])
def test_just_under_and_over_the_share_of_the_day(factor: float, fires: bool) -> None:
    roof = make_roof(days=8, kinds="c")
    good = float(case_of(roof).table["volt_good_h"][4, 2])
    hours = factor * rule.WHOLE_DAY.value * good
    roof.bypass(2, 1, roof.when(2, 7, 12.2 - hours / 2, 12.2 + hours / 2))
    assert bool(run_rule("substring-loss", case_of(roof)).candidates) is fires


@pytest.mark.parametrize(("factor", "days"), [(0.75, 2), (1.25, 3)])
def test_a_part_of_a_day_beside_whole_ones(factor: float, days: int) -> None:
    roof = make_roof(days=8, kinds="c")
    good = float(case_of(roof).table["volt_good_h"][4, 2])
    hours = factor * rule.MIN_SHARE.value * good
    roof.bypass(2, 1, roof.when(6, 7) | roof.when(5, 5, 12.2 - hours / 2, 12.2 + hours / 2))
    assert int(only(run_rule("substring-loss", case_of(roof)).candidates).days.sum()) == days


def test_low_current_at_full_voltage_is_weakness() -> None:
    roof = make_roof()
    roof.scale(2, 2 / 3, roof.when(3))
    assert {f.fault for f in findings(roof)} == {"weak-input"}


def test_bypass_at_some_hours_is_shade() -> None:
    roof = make_roof(kinds="c")
    roof.bypass(2, 1, roof.when(0, 99, 8.0, 10.5))
    assert {f.fault for f in findings(roof)} == {"shading"}


def test_by_power_alone_it_is_less_sure(threshold: MoveThreshold) -> None:
    roof = _bypassed(2)
    roof.without |= {"dc_voltage_v", "dc_current_a"}
    case = case_of(roof)
    blind = only(run_rule("substring-loss", case).candidates)
    assert blind.evidence["measured"] == "power"
    assert blind.strength < only(run_rule("substring-loss", case_of(_bypassed(2))).candidates).strength
    threshold(rule, "POWER_BAND", 0.0)
    assert not run_rule("substring-loss", case).candidates


def test_a_third_of_power_alone_is_weakness_or_this() -> None:
    roof = _bypassed()
    roof.without |= {"dc_voltage_v", "dc_current_a"}
    found = only(findings(roof))
    other = {a.fault: a.confidence for a in found.alternatives}
    assert found.fault == "weak-input"
    assert other["substring-loss"] > 0.3


def test_two_of_four_ill_do_not_pass_for_healthy() -> None:
    # The lower median voltage of four inputs is an ill one when two are.
    roof = make_roof(units=(("south",) * 2,) * 2)
    for n in (1, 2):
        roof.bypass(n, 1, roof.when(3))
    assert {c.inputs[0] for c in run_rule("substring-loss", case_of(roof)).candidates} == {1, 2}


def test_without_voltages_it_is_said() -> None:
    roof = make_roof(days=4)
    roof.without |= {"dc_voltage_v"}
    assert "no dc_voltage_v in good light" in {u.reason for u in run_rule("substring-loss", case_of(roof)).unjudged}


def _opening(roof: Roof, *spells: tuple[int, int, float]) -> Roof:
    """A contact open on days from ``first`` to ``last`` for some hours about noon, where the module is hottest."""
    for first, last, hours in spells:
        roof.bypass(2, 1, roof.when(first, last) & (np.abs(roof.hour - 12.5) < hours / 2))
    return roof


def test_a_contact_that_opens_with_heat_is_one_loss(threshold: MoveThreshold) -> None:
    """Hot days at two thirds from morning to evening, cooler ones for an hour or not at all: one contact, told once."""
    roof = _opening(make_roof(days=16, kinds="c"), (1, 2, 12.0), (4, 4, 1.5), (6, 7, 12.0), (10, 11, 12.0), (13, 13, 1.5))
    case = case_of(roof)
    found = run_rule("substring-loss", case).candidates
    assert [np.flatnonzero(c.days).tolist() for c in found] == [[1, 2, 4, 6, 7, 10, 11, 13]]
    assert found[0].loss_wh.sum() == pytest.approx(roof.lost_wh(), rel=0.2)
    threshold(rule, "OPEN_HOURS", 3.0)
    assert [int(c.days.sum()) for c in run_rule("substring-loss", case).candidates] == [6]
    threshold(rule, "OPENS", 4)
    assert [int(c.days.sum()) for c in run_rule("substring-loss", case).candidates] == [2, 2, 2]


def test_a_few_ill_ones_among_the_few_in_the_light_are_not_healthy() -> None:
    """Two of six have lost a substring; in the morning the other plane says nothing of their voltage."""
    roof = make_roof(units=[["south", "south"]] * 2 + [["west", "west"]], planes={"south": (100.0, 30.0), "west": (280.0, 60.0)})
    for n in (2, 3):
        roof.bypass(n, 1, roof.when(4))
    assert {(f.fault, f.unit, f.days) for f in findings(roof) if f.fault == "substring-loss"} == {("substring-loss", "U2", 10)}


def _blurred(lasts: bool) -> Roof:
    """A third of the voltage gone all day, and a third of the hours with a current that a cloud's edge takes or gives."""
    roof = make_roof(days=14, kinds="c")
    roof.bypass(2, 1, roof.when(4))
    for start in range(7, 18, 3):
        roof.scale(2, 0.75, roof.when(4, start=float(start), end=start + 0.9))
    if not lasts:
        whole = roof.when(7, 8)
        roof.power[whole, 2], roof.volts[whole, 2] = roof.healthy[whole, 2], roof.volts[whole, 3]
    return roof


@pytest.mark.parametrize("lasts", [True, False])
def test_a_current_that_clouds_blur_hides_no_lost_third(lasts: bool, threshold: MoveThreshold) -> None:
    """Voltage and the day's upper power at two thirds, at no hour more; a near shadow's third comes back under a dull sky."""
    case = case_of(_blurred(lasts))
    assert bool(run_rule("substring-loss", case).candidates) is lasts
    threshold(rule, "FULL_AMPS", 1.2)
    assert not run_rule("substring-loss", case).candidates


def test_a_plane_that_hardly_any_good_light_reaches_has_its_days_voltage_and_power(threshold: MoveThreshold) -> None:
    """A roof that looks away from the sun in winter: the day's voltage stands at two thirds in any light (single-diode model)."""
    planes = {"south": (20.0, 22.0)}
    roof = make_roof(
        days=14, kinds="oom", planes=planes, units=[["south"] * 2] * 4, latitude=44.0, first=FIRST_DAY - 116
    )  # fmt: skip
    roof.bypass(2, 1, roof.when(5))
    case = case_of(roof)
    assert (case.table["volt_good_h"][:, 2] >= rule.MIN_HOURS.value).sum() < rule.MIN_DAYS.value
    found = only(run_rule("substring-loss", case).candidates)
    assert (found.inputs, found.days[:5].any(), found.days.sum()) == ((2,), False, 9)
    threshold(rule, "MIN_DAYS", 12)
    assert not run_rule("substring-loss", case).candidates


@pytest.mark.parametrize("lost", [1, 2])
def test_loss_beside_siblings_that_are_ill_themselves(lost: int, threshold: MoveThreshold) -> None:
    """Of three inputs one is dead and one bypassed: the plane's usual level is the ill input's own.

    Substrings in series carry one current, so what the bypassed ones would have made
    is told by those left (text-book series circuit; the single-diode test above).
    """
    roof = make_roof(units=(("south",),) * 3)
    roof.dead(0, roof.when(2)).bypass(1, lost, roof.when(5))
    true = roof.lost_wh([1])
    found = only(findings(roof, "substring-loss"))
    assert found.loss_wh_total == pytest.approx(true, rel=0.2)
    threshold(rule, "ILL_SIBLINGS", 0.0)
    assert only(findings(roof, "substring-loss")).loss_wh_total < 0.75 * true
