from __future__ import annotations

import numpy as np
import pytest

import rules.courses
import rules.faults.swapped_record as rule
from rules.case import Case
from rules.courses import Courses
from rules.engine import judge
from tests.rules.conftest import MoveThreshold
from tests.rules.make import Roof, case_of, findings, make_roof, run_rule

FAR = {"south": (135.0, 30.0), "west": (265.0, 30.0)}


def _swapped(roof: Roof | None = None) -> Roof:
    roof = roof or make_roof(planes=FAR, rated_va=None)
    for column in (roof.power, roof.volts):
        column[:, [1, 7]] = column[:, [7, 1]]
    return roof


@pytest.fixture(scope="module")
def case() -> Case:
    return case_of(_swapped())


def test_fires(case: Case) -> None:
    # A record that bends at another hour than its plane's sky may look clipped too: information only.
    found = [f for f in judge(case.table).findings if f.fault != "clipping"]
    assert {(f.fault, f.unit, f.input) for f in found} == {("swapped-record", "U1", 2), ("swapped-record", "U4", 2)}
    assert {f.evidence["partner"] for f in found} == {"U1/2", "U4/2"}
    assert {f.loss_wh_total for f in found} == {0.0}
    assert {f.action for f in found} == {"remote"}
    assert all(f.days >= 8 for f in found)


@pytest.mark.parametrize(
    ("names", "value"), [(("BAD_FIT", "PLAIN_MISFIT"), 0.9), (("BETTER", "PLAIN_BETTER"), 0.0), (("MIN_DAYS",), 99)]
)
def test_thresholds_count(case: Case, threshold: MoveThreshold, names: tuple[str, ...], value: float) -> None:
    assert run_rule("swapped-record", case).candidates
    for name in names:
        threshold(rule, name, value)
    assert not run_rule("swapped-record", case).candidates


def test_planes_that_hardly_differ_give_no_misfit() -> None:
    roof = _swapped(make_roof(planes={"south": (180.0, 25.0), "west": (186.0, 25.0)}))
    assert not run_rule("swapped-record", case_of(roof)).candidates


def test_one_plane_only_cannot_show_it() -> None:
    result = run_rule("swapped-record", case_of(make_roof(days=4, units=[["south"] * 2] * 3)))
    assert not result.candidates
    assert [u.reason.split(":")[0] for u in result.unjudged] == ["one plane only"]


def test_shade_of_half_a_day_fits_its_own_plane() -> None:
    roof = make_roof(planes=FAR, kinds="c")
    roof.shade(1, (60.0, 120.0), 60.0, 0.9)
    assert not findings(roof, "swapped-record")


def test_two_inputs_of_one_plane_leave_no_trace() -> None:
    roof = make_roof(planes=FAR)
    roof.power[:, [0, 1]] = roof.power[:, [1, 0]]
    assert not findings(roof, "swapped-record")


def test_planes_of_two_tell_it_too() -> None:
    # Half of a plane's members are no course to hold the plane against: each stands beside the other's neighbour.
    roof = make_roof(planes=FAR, units=(("south",) * 2, ("west",) * 2), rated_va=None)
    for column in (roof.power, roof.volts):
        column[:, [1, 2]] = column[:, [2, 1]]
    found = run_rule("swapped-record", case_of(roof)).candidates
    assert {c.inputs for c in found} == {(1,), (2,)}


def test_planes_of_two_ask_the_sun_of_the_days_of_the_swap() -> None:
    """Weeks before records were swapped for some days each follows the sun on its own plane."""
    roof = make_roof(days=16, kinds="c", planes=FAR, units=(("south",) * 2, ("west",) * 2), rated_va=None)
    when = roof.when(12, 15)
    for column in (roof.power, roof.volts):
        column[np.ix_(when, [1, 3])] = column[np.ix_(when, [3, 1])]
    assert {f.days for f in findings(roof, "swapped-record")} == {4}


def test_two_that_are_like_neither_plane_are_not_swapped(threshold: MoveThreshold) -> None:
    """Where shadows bend a course it may lie nearer to the other plane's, yet well off it: so do these blends of both."""
    roof = make_roof(kinds="c", planes=FAR, rated_va=None)
    own, other = roof.power[:, [1, 7]].copy(), roof.power[:, [7, 1]].copy()
    roof.power[:, [1, 7]] = 0.35 * own + 0.65 * other
    assert not run_rule("swapped-record", case_of(roof)).candidates
    threshold(rule, "SURE_FIT", 1.0)
    assert {c.inputs for c in run_rule("swapped-record", case_of(roof)).candidates} == {(1,), (7,)}


def test_a_ceiling_is_no_other_plane() -> None:
    # Flat-topped days of one unit look like anybody's: common practice, DC over AC ratio above one.
    roof = make_roof(planes=FAR, kinds="c")
    for n in (4, 5, 6, 7):
        roof.power[:, n] = np.minimum(roof.power[:, n], 0.45 * roof.power[:, n].max())
    assert not run_rule("swapped-record", case_of(roof)).candidates


def test_two_planes_of_which_two_each_are_heard_ask_the_sun() -> None:
    """Others are silent, so either pair could be the swapped one: only the sun tells which."""
    roof = make_roof(days=10, kinds="c", planes=FAR, rated_va=None, units=[["south"] * 2] * 2 + [["west"] * 2] * 2)
    for column in (roof.power, roof.volts):
        column[:, [0, 4]] = column[:, [4, 0]]
    for u in (1, 3):
        roof.silent(u, roof.when(4))
    assert {c.inputs for c in run_rule("swapped-record", case_of(roof)).candidates} == {(0,), (4,)}


def test_a_swap_of_two_days_that_others_before_and_after_deny_is_none(threshold: MoveThreshold) -> None:
    roof = make_roof(planes=FAR, rated_va=None, kinds="c")
    for column in (roof.power, roof.volts):
        column[np.ix_(roof.when(6, 7), [1, 7])] = column[np.ix_(roof.when(6, 7), [7, 1])]
    case = case_of(roof)
    assert not run_rule("swapped-record", case).candidates
    threshold(rule, "PASSING_DAYS", 2)
    assert run_rule("swapped-record", case).candidates


def test_members_that_stand_still_are_no_course(threshold: MoveThreshold) -> None:
    """Two of five dead: the lower middle of the other four is a dead one's."""
    roof = make_roof(planes=FAR, rated_va=None, units=[["south"] * 5, ["west"] * 5])
    for n in (0, 1):
        roof.scale(n, 0.02, roof.when(3))  # a dead input's last watts
    case = case_of(roof)
    rest = Courses(case).own_misfits()[2]
    assert np.nanmax(rest) < rule.PLAIN_MISFIT.value
    threshold(rules.courses, "IDLE", 0.0)
    assert np.nanmax(Courses(case_of(roof)).own_misfits()[2][:3]) < rule.PLAIN_MISFIT.value
    assert not run_rule("swapped-record", case).candidates


def test_a_roof_turned_from_a_winters_sun_tells_it_too(threshold: MoveThreshold) -> None:
    roof = _swapped()
    roof.power *= 0.06
    assert {c.inputs for c in run_rule("swapped-record", case_of(roof)).candidates} == {(1,), (7,)}
    threshold(rules.courses, "MIN_LIGHT", 0.5)
    assert not run_rule("swapped-record", case_of(roof)).candidates


def test_a_day_spent_at_a_ceiling_tells_of_nobody_who_is_not() -> None:
    """A unit with fewer live inputs never reaches the ceiling its neighbours stand at for most of the day."""
    roof = make_roof(planes=FAR, kinds="c", rated_va=None, units=[["south"] * 4] * 3 + [["west"] * 4])
    for n in range(8):
        roof.power[:, n] = np.minimum(roof.power[:, n], 0.45 * roof.power[:, n].max())
    apart = np.array(Courses(case_of(roof)).own_misfits())
    assert np.nanmax(apart) < rule.PLAIN_MISFIT.value


def test_one_alone_on_its_plane_is_swapped_with_the_odd_one_it_follows(threshold: MoveThreshold) -> None:
    """Only the sky tells the course of a plane of one; the other plane's clouds tell whose record it has."""
    roof = make_roof(planes=FAR, rated_va=None, units=[["south"], ["west"] * 4], kinds="cmmc")
    for column in (roof.power, roof.volts):
        column[:, [0, 2]] = column[:, [2, 0]]
    case = case_of(roof)
    courses = Courses(case)
    follows = courses.own_misfits(), 0, {1: courses.misfit(0, 1, ())}
    assert set(rule._lone(courses, *follows)) == {0, 2}
    assert {c.inputs for c in run_rule("swapped-record", case).candidates} == {(0,), (2,)}
    threshold(rule, "ODD", 1e6)
    assert not rule._lone(courses, *follows)


def test_one_alone_that_faces_like_others_of_whom_one_is_shaded_is_no_swap() -> None:
    roof = make_roof(planes={"south": (170.0, 30.0), "west": (190.0, 30.0)}, units=[["south"], ["west"] * 4], kinds="cmmc")
    roof.shade(2, (60.0, 160.0), 60.0, 0.9)
    assert not run_rule("swapped-record", case_of(roof)).candidates


@pytest.mark.parametrize(("widest", "told"), [(1.5, True), (0.2, False)])
def test_clouds_that_cross_a_roof_set_all_its_members_apart(widest: float, told: bool, threshold: MoveThreshold) -> None:
    """A record wired to the other roof's end fits it no better than that roof's ends fit each other, a unit's minute apart."""
    roof = make_roof(planes=FAR, rated_va=None, kinds="m", units=[["south"] * 4, ["west"] * 4], step=300)
    rng = np.random.default_rng(3)
    passing = np.repeat(rng.uniform(0.85, 1.15, (len(roof.ts) // 12 + 1, 8)), 12, axis=0)[: len(roof.ts)]
    roof.power[:] = roof.power * passing
    roof.power[:, 5] = roof.power[:, 1] * passing[:, 5]
    threshold(rule, "AMONG", widest)
    assert ([c.inputs for c in run_rule("swapped-record", case_of(roof)).candidates] == [(5,)]) is told


def test_who_fits_another_plane_where_his_own_is_all_apart_is_none() -> None:
    """A pole's shadow that crosses a plane leaves each member another course: one of them is the other plane's by chance."""
    planes, units = {"south": (150.0, 30.0), "west": (180.0, 30.0)}, [["south"] * 4, ["west"] * 4]
    roof = make_roof(planes=planes, rated_va=None, kinds="c", units=units)
    for n, (first, last) in enumerate(((60.0, 120.0), (90.0, 140.0), (110.0, 160.0), (60.0, 150.0))):
        roof.shade(n, (first, last), 70.0, 0.95)
    assert not run_rule("swapped-record", case_of(roof)).candidates


def _restless() -> Roof:
    roof = make_roof(planes=FAR, rated_va=None)
    roof.power *= 1.0 + 0.25 * np.random.default_rng(3).standard_normal(roof.power.shape)
    return _swapped(roof)


def test_members_that_miss_each_other_leave_two_swapped_ones_as_much(monkeypatch: pytest.MonkeyPatch) -> None:
    """Modules twisted by a degree and meters that scatter (common practice) are no closer to a plane than to each other."""
    case = case_of(_restless())
    assert rule.middle(Courses(case).misfit(1, 1, (7,))) > rule.SURE_FIT.value
    assert {n: follows.partner for n, follows in rule._explained(Courses(case)).items()} == {1: 7, 7: 1}
    with monkeypatch.context() as patch:
        patch.setattr(rule, "UNLIKE_DAYS", type(rule.UNLIKE_DAYS)(99, "", ""))
        assert not any(follows.partner for follows in rule._explained(Courses(case)).values())
    monkeypatch.setattr(rule, "_usual", lambda *_: 0.0)
    assert not any(follows.partner for follows in rule._explained(Courses(case)).values())
