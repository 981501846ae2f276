"""An input that stands behind something all day, which may fall asleep there."""

from __future__ import annotations

import numpy as np
import pytest

import rules.behind
import rules.pretenders
import rules.shademap as shademap
from rules.behind import asleep_behind, behind, only_in_shadow
from rules.engine import judge
from tests.rules.conftest import MoveThreshold
from tests.rules.make import Roof, case_of, make_roof, only

KINDS = "ccocmo"


def _behind(sleeps: bool = True, depth: float = 0.95) -> Roof:
    """Something that takes the beam at all hours and leaves the sky's own light; the input sleeps where little is left."""
    roof = make_roof(days=18, kinds=KINDS).shade(2, (0.0, 360.0), 90.0, depth)
    little = (roof.power[:, 2] < 0.15 * roof.healthy[:, 2].max()) & (roof.healthy[:, 2] > 120.0)
    return roof.idle(2, little & sleeps)


def _told(roof: Roof) -> set[tuple[str, str]]:
    return {(f.fault, f.place) for f in judge(case_of(roof).table).findings}


@pytest.mark.parametrize("sleeps", [False, True])
def test_it_is_told_as_shade_alone(sleeps: bool) -> None:
    roof = _behind(sleeps)
    found = only(judge(case_of(roof).table).findings)
    assert (found.fault, found.place) == ("shading", "U2/1")
    assert found.loss_wh_total == pytest.approx(roof.lost_wh(), rel=0.2)


def test_its_sleep_would_pass_for_idle(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rules.pretenders, "PRETENDS", ())
    assert ("idle-input", "U2/1") in _told(_behind())


def test_an_input_idle_for_days_is_idle_in_the_shade_too() -> None:
    """Under a dull sky it made nothing either."""
    shaded = _behind(sleeps=False)
    assert ("idle-input", "U2/1") in _told(shaded.idle(2, shaded.when(5, 9)))
    open_to_the_sun = make_roof(days=18, kinds=KINDS)
    assert _told(open_to_the_sun.idle(2, open_to_the_sun.when(5, 9))) == {("idle-input", "U2/1")}


def test_a_contact_that_opens_in_the_warm_hours_of_sunny_days_is_no_shade() -> None:
    """Whole under the dull sky and in the morning's sun, then nothing: no shadow takes the sky's own light."""
    roof = make_roof(days=18, kinds=KINDS)
    warm = (roof.day % len(KINDS) != 2) & (roof.day % len(KINDS) != 5) & roof.when(0, 99, 8.5, 20.0)
    roof.idle(2, warm)
    case = case_of(roof)
    assert not behind(case).any()
    assert _told(roof) == {("idle-input", "U2/1")}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(rules.behind, "_whole_at_some_hour", lambda *_: False)
        assert behind(case_of(roof))[2]


def test_who_makes_its_part_of_a_dull_sky_only_sleeps() -> None:
    roof = _behind()
    days = roof.day[:: 86400 // roof.step] >= 6
    assert asleep_behind(case_of(roof), 2, days)
    assert not asleep_behind(case_of(roof), 3, days)
    assert not asleep_behind(case_of(roof.idle(2, roof.when(6))), 2, days)


def test_it_is_held_against_its_siblings_own_level() -> None:
    """No hour shows its own: what it makes in the shade is none."""
    level = shademap.unshaded_level(case_of(_behind(sleeps=False)))
    assert (level[:, 2] == 1.0).all()
    assert np.abs(level[:, 3] - 1.0).max() < 0.05


@pytest.mark.parametrize("roof", ["weak", "most of the day"])
def test_what_does_not_stand_behind_something(roof: str) -> None:
    """A fault takes its share of any light; an input with some hours of open sun a day shows its level then."""
    made = make_roof(days=18, kinds=KINDS)
    if roof == "weak":
        made.scale(2, 0.4, made.when())
    else:
        made.shade(2, (0.0, 210.0), 90.0, 0.95)
    assert not behind(case_of(made)).any()


@pytest.mark.parametrize(("name", "value"), [("BEAM_LEAST", 0.05), ("BEAM_MORE", 0.95)])
def test_thresholds_count(threshold: MoveThreshold, name: str, value: float) -> None:
    case = case_of(_behind())
    assert np.flatnonzero(behind(case)).tolist() == [2]
    threshold(rules.behind, name, value)
    assert not behind(case).any()


@pytest.mark.parametrize("alone", [True, False])
def test_a_standstill_at_the_hours_of_a_deep_shadow_only(threshold: MoveThreshold, alone: bool) -> None:
    roof = make_roof(days=14, kinds="c").shade(2, (60.0, 130.0), 90.0, 0.95)
    case = case_of(roof)
    shade = next(f.evidence for f in judge(case.table).findings if f.fault == "shading")
    in_shadow = (roof.sun_azimuth > 60.0) & (roof.sun_azimuth < 130.0)
    roof.idle(2, roof.when(5, 8) & (in_shadow if alone else roof.hour < 15.0))
    idle = case_of(roof)
    days = np.isin(np.arange(idle.day_count), np.arange(5, 9))
    assert only_in_shadow(idle, 2, days, shade) is alone
    # A shallow shadow puts nobody to sleep.
    assert not only_in_shadow(idle, 2, days, shade | {"depth": 0.4})
    assert {f.fault for f in judge(idle.table).findings} == ({"shading"} if alone else {"shading", "idle-input"})
    threshold(rules.behind, "FREE_SUN", 1.2 if alone else 0.0)
    assert only_in_shadow(idle, 2, days, shade) is not alone
