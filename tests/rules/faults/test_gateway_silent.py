from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import rules.faults.gateway_silent as rule
import rules.silence
from rules.case import Case
from rules.engine import judge
from tests.rules.conftest import MoveThreshold
from tests.rules.make import Roof, case_of, check, findings, make_roof, only, run_rule


def _silent(roof: Roof, units: list[int], first: int, last: int, dark: bool = False) -> Roof:
    for u in units:
        roof.silent(u, roof.when(first, last))
        if dark:
            roof.power[np.ix_(roof.when(first, last), roof.inputs_of(u))] = 0.0
    return roof


@pytest.fixture(scope="module")
def case() -> Case:
    return case_of(_silent(make_roof(), [0, 1, 2, 3, 4], 5, 7))


def test_silent_but_producing(case: Case) -> None:
    found = only(judge(case.table).findings)
    assert (found.fault, found.gateway, found.unit, found.days) == ("gateway-silent", "G1", None, 3)
    roof = make_roof()
    made = roof.healthy[roof.when(5, 7)].sum() / 12
    assert found.evidence["counter_rise_wh"] == pytest.approx(made, rel=0.05)
    assert found.loss_wh_total == 0
    assert found.action == "remote"


def test_silent_and_dark_is_an_outage() -> None:
    found = only(findings(_silent(make_roof(), [0, 1, 2, 3, 4], 5, 7, dark=True)))
    assert (found.fault, found.days) == ("site-outage", 3)
    assert found.loss_wh_total > 0


def test_what_counts_as_dark(case: Case, threshold: MoveThreshold) -> None:
    threshold(rule, "DARK_SHARE", 2.0)
    assert only(run_rule("gateway-silent", case).candidates).fault == "site-outage"


@pytest.mark.parametrize(("factor", "fires"), [(0.7, False), (1.5, True)])
def test_just_under_and_over_a_long_gap(factor: float, fires: bool) -> None:
    roof = make_roof(days=4, kinds="c")
    hours = factor * rules.silence.LONG_GAP.value
    for u in range(5):
        roof.silent(u, roof.when(2, 2, 10.0, 10.0 + hours))
    assert bool(run_rule("gateway-silent", case_of(roof)).candidates) is fires


def test_one_gateway_of_two() -> None:
    roof = _silent(make_roof(days=8, gateways=["A", "A", "A", "B", "B"]), [3, 4], 3, 4)
    found = only(findings(roof))
    assert (found.fault, found.gateway, found.days) == ("gateway-silent", "B", 2)


def test_one_unit_of_a_gateway_is_another_fault() -> None:
    assert {f.fault for f in findings(_silent(make_roof(days=6), [1], 2, 3))} == {"unit-silent"}


def test_a_record_that_ends_is_no_silence() -> None:
    roof = _silent(make_roof(days=8), [0, 1, 2, 3, 4], 5, 7)
    assert check(roof).findings == ()


def test_a_log_that_goes_on_shows_the_silence() -> None:
    roof = _silent(make_roof(days=8), [0, 1, 2, 3, 4], 5, 7)
    noon = [int(roof.ts[roof.when(d, d, 12, 24)][0]) for d in (5, 7)]
    events = pd.DataFrame({"ts": noon, "source": "G1", "event": ["offline", "online"], "detail": ""})
    found = only(check(roof, events=events).findings)
    assert found.fault == "gateway-silent"
    assert found.evidence["gateway_log"].startswith("offline")


def test_a_record_of_one_night_is_not_judged() -> None:
    roof = make_roof(days=3)
    table = case_of(roof).table
    table.fields["unit_day_h"][1] = 0.4
    result = run_rule("gateway-silent", Case(table))
    assert [(u.input, u.days) for u in result.unjudged] == [(None, 1)]
