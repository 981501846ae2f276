"""A cover of snow that is thicker on one module than on the next, with nothing but power to show it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rules import snowsky, snowsleep, snowspell
from rules.candidate import Candidate
from rules.case import Case
from rules.diagnose import diagnose
from tests.rules.conftest import MoveThreshold
from tests.rules.make import FIRST_DAY, Roof, case_of, findings, make_roof, run_rule

JANUARY = FIRST_DAY - 125


def _thin_or_thick(covers: tuple[float, ...]) -> Roof:
    """Three days under a cover that lets through another part of the light of each module, and goes from all at once."""
    roof = make_roof(days=12, first=JANUARY, kinds="c", units=[["south", "south"]] * 4, planes={"south": (180.0, 30.0)})
    for n, through in enumerate(covers * 2):
        roof.scale(n, through, roof.when(5, 7))
    return roof


def test_a_cover_is_thicker_here_than_there_and_a_cloud_is_not(threshold: MoveThreshold) -> None:
    """Common practice: siblings under one cloud make the same; no weather, no voltage is needed."""
    even, patchy = (_thin_or_thick(c) for c in ((0.04, 0.04, 0.04, 0.04), (0.02, 0.03, 0.05, 0.06)))
    assert not findings(even, "snow")
    assert findings(patchy, "snow")
    threshold(snowspell, "PATCHY", 2.0)
    assert not findings(patchy, "snow")


def test_a_cover_under_which_units_doze_shows_by_the_rows_between(threshold: MoveThreshold) -> None:
    roof = _thin_or_thick((0.02, 0.03, 0.05, 0.06))
    for u in range(4):
        roof.silent(u, roof.when(5, 7, 11.0, 13.0))
    case = case_of(roof)
    asleep = np.zeros_like(case.light_days[:, None] & np.ones((1, 8), bool))
    asleep[5:8] = True
    sky = replace(snowsky.Sky.of(case), asleep=asleep)
    cold = np.ones(12, bool)
    spell = snowspell.spell_of(case, 0, np.arange(8), 5, False, cold, sky)
    assert spell is not None
    assert spell.days[0][5:8].all()
    threshold(snowspell, "HEARD", 1.1)
    assert snowspell.spell_of(case, 0, np.arange(8), 5, False, cold, sky) is None


def _north_too(silent: tuple[int, int] = (5, 7)) -> Roof:
    """A south plane under snow for days, and a steep north one that the low sun hardly reaches, silent meanwhile."""
    roof = make_roof(days=12, first=JANUARY, kinds="c", latitude=50.0, units=[["south"] * 2] * 3 + [["north"]] * 4,
                     planes={"south": (180.0, 30.0), "north": (0.0, 45.0)})  # fmt: skip
    for n, through in enumerate((0.02, 0.03, 0.05, 0.06, 0.03, 0.05)):
        roof.scale(n, through, roof.when(5, 7))
    for u in range(3, 7):
        roof.silent(u, roof.when(*silent))
    return roof


@pytest.mark.parametrize(("silent", "told"), [((5, 7), {"south", "north"}), ((1, 4), {"south"}), ((5, 11), {"south"})])
def test_one_snow_falls_on_the_whole_roof(silent: tuple[int, int], told: set[str]) -> None:
    """Where the plane goes silent as the snow falls and comes back as it goes; not where it was silent before or stays so."""
    assert {f.plane for f in findings(_north_too(silent), "snow")} == told


def test_who_is_silent_for_a_part_of_the_snow_is_silent_for_itself(threshold: MoveThreshold) -> None:
    assert {f.plane for f in findings(_north_too(), "snow")} == {"south", "north"}
    threshold(snowsleep, "MOSTLY_QUIET", 1.1)
    assert {f.plane for f in findings(_north_too(), "snow")} == {"south"}


def test_rows_between_long_sleep_speak_where_a_sensor_sees_the_sun(threshold: MoveThreshold) -> None:
    """Two days in which units wake for an hour and make a fiftieth: a bad link's rows would hold all of it."""
    roof = make_roof(days=12, first=JANUARY, kinds="c", air_c=-4.0, units=[["south", "south"]] * 2, planes={"south": (180.0, 30.0)})
    for n in range(4):
        roof.scale(n, 0.02, roof.when(5, 7))
    for u in range(2):
        roof.silent(u, roof.when(5, 7, 8.0, 11.0) | roof.when(5, 7, 12.0, 18.0))
    case = case_of(roof, roof.weather())
    assert {c.inputs[0] for c in run_rule("snow", case).candidates} == {0, 1, 2, 3}
    found = findings(roof, weather=roof.weather())
    assert {f.fault for f in found} == {"snow"}
    dim = case_of(roof, roof.weather())
    threshold(snowspell, "BRIGHT", 2.0)
    assert not run_rule("snow", dim).candidates


def test_links_that_come_and_go_while_the_roof_lies_under_snow_are_asleep(healthy_case: Case) -> None:
    days = np.isin(np.arange(healthy_case.day_count), (3, 4, 5))
    snow = [Candidate("snow", "input", (n,), days, 100.0 * days, 0.9, "snow") for n in range(10)]
    link = Candidate("patchy-comms", "gateway", tuple(range(10)), days, 0.0 * days, 0.9, "link")
    assert {c.fault for c in diagnose(healthy_case, [*snow, link]).accepted} == {"snow"}
    assert {c.fault for c in diagnose(healthy_case, [*snow[:3], link]).accepted} == {"snow", "patchy-comms"}
