"""The life of findings: what the issue's user asks of it, case by case."""

from __future__ import annotations

import re
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collectors.errors import UsageError
from collectors.store import Store
from rules.finding import Finding, NotJudged
from triage.absence import QUIET_DAYS
from triage.figures import day_text
from triage.ledger import ENGINE, Ledger, LedgerDiff

SITE = """
[site]
id = "ledger-site"
latitude = 52.0
longitude = 5.0
timezone = "Europe/Amsterdam"
[planes.south]
azimuth_deg = 180
tilt_deg = 30
[[units]]
serial = "A"
[[units.inputs]]
input = 1
plane = "south"
[[units.inputs]]
input = 2
plane = "south"
[[units]]
serial = "B"
[[units.inputs]]
input = 1
plane = "south"
"""
FIRST = date(2026, 6, 1)


@dataclass(frozen=True)
class Result:
    to_day: str
    findings: tuple[Finding, ...] = ()
    not_judged: tuple[NotJudged, ...] = ()
    from_day: str = FIRST.isoformat()
    bounded: bool = False


def day(n: int) -> str:
    return (FIRST + timedelta(days=n)).isoformat()


def at(n: int) -> str:
    return f"{day(n)}T21:00:00Z"


def finding(fault: str = "dead-input", seen: tuple[int, int] = (0, 0), **changes: object) -> Finding:
    base = Finding(
        site="ledger-site",
        fault=fault,
        first_seen=day(seen[0]),
        last_seen=day(seen[1]),
        days=seen[1] - seen[0] + 1,
        confidence=0.9,
        severity="high",
        loss_wh_per_day=1500.0,
        loss_wh_total=1500.0,
        action="visit",
        why="no voltage by day",
        gateway="gateway",
        unit="A",
        input=1,
        plane="south",
    )
    return replace(base, **changes)  # type: ignore[arg-type]


@pytest.fixture
def ledger() -> Iterator[Ledger]:
    with Store.create(None, SITE) as store:
        yield Ledger(store)


def night(ledger: Ledger, n: int, *findings: Finding, not_judged: tuple[NotJudged, ...] = ()) -> LedgerDiff:
    return ledger.record(Result(day(n), findings, not_judged), day(n), at(n))


def test_a_finding_is_raised_once_and_then_seen_again(ledger: Ledger) -> None:
    assert [e.finding.fault for e in night(ledger, 0, finding()).new] == ["dead-input"]
    diff = night(ledger, 1, finding(seen=(0, 1)))
    assert diff.new == ()
    assert [e.id for e in diff.again] == [1]
    entry = ledger.get(1)
    assert (len(ledger.all()), entry.nights, entry.finding.last_seen) == (1, 2, day(1))


def test_the_same_night_twice_changes_nothing(ledger: Ledger) -> None:
    night(ledger, 0, finding())
    before = (ledger.all(), ledger.history())
    diff = night(ledger, 0, finding())
    assert (ledger.all(), ledger.history()) == before
    assert diff.news == 0


def test_spells_of_one_fault_and_place_are_one_finding(ledger: Ledger) -> None:
    night(ledger, 9, finding(seen=(0, 2), loss_wh_total=10.0), finding(seen=(5, 9), loss_wh_total=20.0))
    (entry,) = ledger.all()
    assert (entry.finding.first_seen, entry.finding.last_seen) == (day(0), day(9))
    assert (entry.finding.days, entry.finding.loss_wh_total) == (8, 30.0)
    # The sentence is the newest spell's; what was before is said beside it.
    assert entry.finding.why == f"{finding(seen=(5, 9)).why} It was there before, on 3 days since {day_text(day(0))}."


def test_a_spell_long_ago_is_not_this_one(ledger: Ledger) -> None:
    night(ledger, 40, finding(seen=(30, 40)), finding(seen=(0, 2)))
    assert ledger.get(1).finding.first_seen == day(30)


def test_a_result_without_data_changes_nothing(ledger: Ledger) -> None:
    night(ledger, 0, finding())
    assert ledger.record(Result(""), day(5), at(5)) == LedgerDiff()
    assert ledger.get(1).live


def test_a_new_spell_after_a_repair_begins_anew(ledger: Ledger) -> None:
    night(ledger, 0, finding())
    night(ledger, 1)
    night(ledger, 30, finding(seen=(30, 30)), finding())
    assert ledger.get(1).finding.first_seen == day(30)


def test_a_renamed_plane_or_gateway_raises_nothing_twice(ledger: Ledger) -> None:
    night(ledger, 0, finding())
    night(ledger, 1, finding(seen=(0, 1), plane="inferred 1", gateway="attic"))
    assert len(ledger.all()) == 1


def test_a_shorter_look_back_does_not_forget_the_beginning(ledger: Ledger) -> None:
    night(ledger, 5, finding(seen=(0, 5)))
    night(ledger, 6, finding(seen=(4, 6)))
    assert ledger.get(1).finding.first_seen == day(0)


def test_an_acknowledged_finding_stays_so_when_seen_again(ledger: Ledger) -> None:
    night(ledger, 0, finding())
    ledger.acknowledge(1, "anna", at(0), "van on Thursday")
    night(ledger, 1, finding(seen=(0, 1)))
    assert ledger.get(1).status == "acknowledged"
    event = ledger.history(1)[-1]
    assert (event.who, event.at, event.event, event.detail) == (
        "anna",
        at(0),
        "acknowledged",
        "van on Thursday",
    )


def test_a_judged_night_without_the_symptom_resolves(ledger: Ledger) -> None:
    night(ledger, 0, finding())
    diff = night(ledger, 1)
    assert [e.id for e in diff.resolved] == [1]
    assert ledger.get(1).status == "resolved"
    assert (ledger.history(1)[-1].who, ledger.history(1)[-1].event) == (ENGINE, "resolved")
    assert ledger.open() == []
    assert len(ledger.all()) == 1


@pytest.mark.parametrize(
    "blind",
    [
        NotJudged("A", 1, "dead-input", "no rows", 1),
        NotJudged("A", None, "dead-input", "no rows", 1),
        NotJudged(None, None, "dead-input", "no data", 1),
        NotJudged(None, None, "all", "no data", 1),
    ],
)
def test_a_night_that_could_not_judge_the_place_resolves_nothing(ledger: Ledger, blind: NotJudged) -> None:
    night(ledger, 0, finding())
    assert night(ledger, 1, not_judged=(blind,)).resolved == ()
    assert ledger.get(1).status == "open"
    # One more quiet day than days not judged: one of them was judged.
    assert len(night(ledger, 2, not_judged=(blind,)).resolved) == 1


@pytest.mark.parametrize(
    "other",
    [
        NotJudged("A", 2, "dead-input", "no rows", 9),
        NotJudged("B", None, "dead-input", "no rows", 9),
        NotJudged("A", 1, "shading", "overcast", 9),
    ],
)
def test_another_place_or_fault_not_judged_does_not_hold_it(ledger: Ledger, other: NotJudged) -> None:
    night(ledger, 0, finding())
    assert len(night(ledger, 1, not_judged=(other,)).resolved) == 1


def test_a_night_without_data_resolves_nothing(ledger: Ledger) -> None:
    night(ledger, 0, finding())
    diff = ledger.record(Result(day(0)), day(3), at(3))  # data end on the finding's last day
    assert diff.resolved == ()
    assert ledger.get(1).live


def test_a_wide_finding_is_judged_when_one_member_is(ledger: Ledger) -> None:
    unit = finding("unit-standby", input=None, plane=None)
    night(ledger, 0, unit)
    one = NotJudged("A", 1, "unit-standby", "gap", 1)
    both = (one, NotJudged("A", 2, "unit-standby", "gap", 1))
    assert night(ledger, 1, not_judged=both).resolved == ()
    assert len(night(ledger, 1, not_judged=(one,)).resolved) == 1


@pytest.mark.parametrize("fault", ["dead-input", "shading", "patchy-comms"])
def test_quiet_days_decide_when_it_is_over(ledger: Ledger, fault: str) -> None:
    quiet = QUIET_DAYS.get(fault, 1)
    night(ledger, 0, finding(fault))
    assert night(ledger, quiet - 1, finding(fault)).resolved == ()
    assert len(night(ledger, quiet, finding(fault)).resolved) == 1


def test_it_reopens_when_the_symptom_returns(ledger: Ledger) -> None:
    night(ledger, 0, finding())
    night(ledger, 1)
    diff = night(ledger, 2, finding(seen=(0, 2)))
    assert [e.id for e in diff.reopened] == [1]
    assert ledger.get(1).status == "open"
    assert [e.event for e in ledger.history(1)] == ["opened", "resolved", "reopened"]
    assert diff.new == ()


def test_the_record_of_an_old_spell_does_not_reopen_it(ledger: Ledger) -> None:
    night(ledger, 0, finding())
    night(ledger, 1)
    assert night(ledger, 2, finding()).reopened == ()  # last seen on day 0 still
    assert ledger.get(1).status == "resolved"


def test_a_fault_first_read_of_when_past_never_opens(ledger: Ledger) -> None:
    diff = night(ledger, 20, finding(seen=(3, 5)))
    assert diff.new == ()
    assert [e.status for e in diff.over] == ["resolved"]
    assert [e.event for e in ledger.history(1)] == ["opened", "resolved"]


def test_a_person_resolves_and_the_engine_reopens_only_on_a_later_day(ledger: Ledger) -> None:
    night(ledger, 0, finding())
    ledger.resolve(1, "ben", f"{day(1)}T10:00:00Z", "plug reseated")
    night(ledger, 1, finding(seen=(0, 1)))  # dead that morning still, before ben came
    assert ledger.get(1).status == "resolved"
    night(ledger, 2, finding(seen=(0, 2)))
    assert ledger.get(1).status == "open"
    assert [(e.who, e.event) for e in ledger.history(1)] == [
        (ENGINE, "opened"),
        ("ben", "resolved"),
        (ENGINE, "reopened"),
    ]


def test_a_snooze_keeps_quiet_until_its_date_in_the_sites_zone(ledger: Ledger) -> None:
    night(ledger, 0, finding())
    ledger.snooze(1, day(3), "anna", at(0), "tree cut then")
    assert (ledger.get(1).status, ledger.get(1).snoozed_until) == ("snoozed", day(3))
    night(ledger, 2, finding(seen=(0, 2)))
    assert ledger.get(1).status == "snoozed"
    assert ledger.wake(f"{day(2)}T21:59:00Z") == ()
    # Amsterdam's summer time is UTC+2: there the day begins at 22:00 UTC.
    assert [e.status for e in ledger.wake(f"{day(2)}T22:00:00Z")] == ["open"]


def test_a_snoozed_finding_wakes_with_the_night(ledger: Ledger) -> None:
    night(ledger, 0, finding())
    ledger.snooze(1, day(1), "anna", at(0))
    assert [e.id for e in night(ledger, 1, finding(seen=(0, 1))).woken] == [1]
    assert ledger.get(1).status == "open"


def test_a_snoozed_finding_that_is_gone_is_resolved(ledger: Ledger) -> None:
    night(ledger, 0, finding())
    ledger.snooze(1, day(9), "anna", at(0))
    assert len(night(ledger, 1).resolved) == 1


def test_a_changed_action_is_told(ledger: Ledger) -> None:
    night(ledger, 0, finding(action="watch"))
    diff = night(ledger, 1, finding(seen=(0, 1), action="visit"))
    assert [e.finding.action for e in diff.changed] == ["visit"]
    assert ledger.history(1)[-1].detail == "action watch -> visit"


def test_a_wider_fault_that_came_later_hides_but_does_not_resolve(ledger: Ledger) -> None:
    night(ledger, 0, finding())
    silent = finding("unit-silent", (1, 1), input=None, plane=None)
    assert night(ledger, 1, silent).resolved == ()
    assert {e.finding.fault for e in ledger.open()} == {"dead-input", "unit-silent"}


WIDE = {"unit": None, "input": None, "plane": None}


@pytest.mark.parametrize("wider", ["gateway-silent", "site-outage", "snow"])
def test_days_under_a_wider_fault_are_no_days_without_the_symptom(ledger: Ledger, wider: str) -> None:
    """The record goes on, by weather or a log, while nothing arrives: the old spell is still in the result."""
    night(ledger, 5, finding(seen=(0, 5)))
    dark = finding(wider, seen=(6, 20), **WIDE)
    assert night(ledger, 20, finding(seen=(0, 5)), dark).resolved == ()
    assert night(ledger, 21, dark).resolved != ()  # heard again, and the place judged without the symptom


def test_under_a_grid_out_of_range_there_are_hours_enough_to_see_by(ledger: Ledger) -> None:
    night(ledger, 5, finding(seen=(0, 5)))
    trips = finding("grid-out-of-range", seen=(6, 20), **WIDE)
    assert [e.id for e in night(ledger, 20, finding(seen=(0, 5)), trips).resolved] == [1]


def test_the_only_unit_of_a_silent_gateway_is_not_judged_either(ledger: Ledger) -> None:
    whole = {"gateway": "gateway", "unit": "B", "input": None}
    night(ledger, 5, finding("unit-standby", seen=(0, 5), **whole))
    silent = finding("unit-silent", seen=(6, 20), **whole)
    assert night(ledger, 20, finding("unit-standby", seen=(0, 5), **whole), silent).resolved == ()


def test_a_wider_cause_of_the_same_spell_takes_over(ledger: Ledger) -> None:
    night(ledger, 0, finding())
    standby = finding("unit-standby", (0, 1), input=None, plane=None)
    diff = night(ledger, 1, standby)
    assert [e.finding.fault for e in diff.resolved] == ["dead-input"]
    assert ledger.history(1)[-1].detail == "now judged as unit-standby of unit A"


@pytest.mark.parametrize(
    "place", [{"unit": "Z"}, {"unit": "A", "input": 9}, {"unit": None, "input": None, "plane": "attic"}], ids=str
)
def test_what_is_taken_down_and_out_of_the_site_file_is_over(ledger: Ledger, place: dict[str, object]) -> None:
    raised = night(ledger, 0, finding(**place)).new[0]
    # A wider fault at another place neither takes it over nor hides it.
    silent = finding("unit-silent", (0, 1), unit="B", input=None)
    (ended,) = night(ledger, 1, silent).resolved
    assert ended.id == raised.id
    assert ledger.history(raised.id)[-1].detail == f"{raised.finding.place} is no longer in the site file"
    # A slip in a serial, put right: the same record tells of the same fault, and it stands again.
    assert [e.id for e in night(ledger, 1, finding(seen=(0, 1), **place)).reopened] == [raised.id]


def test_an_older_night_never_undoes_a_newer_one(ledger: Ledger) -> None:
    night(ledger, 5, finding(seen=(0, 5)))
    assert night(ledger, 3).resolved == ()
    night(ledger, 3, finding(seen=(0, 3)))
    assert ledger.get(1).finding.last_seen == day(5)


def test_notes_and_undoing_carry_who_and_when(ledger: Ledger) -> None:
    night(ledger, 0, finding())
    ledger.note(1, "owner saw a bird's nest", "caro", at(1))
    ledger.acknowledge(1, "anna", at(2))
    ledger.acknowledge(1, "anna", at(3))  # said already: no second event
    ledger.reopen(1, "anna", at(4), "wrong site")
    assert [(e.who, e.at, e.event) for e in ledger.history(1)[1:]] == [
        ("caro", at(1), "note"),
        ("anna", at(2), "acknowledged"),
        ("anna", at(4), "reopened"),
    ]


def test_the_most_urgent_stands_first_and_the_resolved_last(ledger: Ledger) -> None:
    night(ledger, 0, finding("idle-input"))
    night(
        ledger,
        1,
        finding("clipping", (1, 1), action="none"),
        finding("shading", (1, 1), action="watch"),
        finding("dead-input", (1, 1), unit="B", loss_wh_per_day=10.0),
        finding("dead-input", (1, 1), input=2, loss_wh_per_day=20.0),
    )
    order = [(e.finding.fault, e.finding.place) for e in ledger.all()]
    assert order == [
        ("dead-input", "A/2"),
        ("dead-input", "B/1"),
        ("shading", "A/1"),
        ("clipping", "A/1"),
        ("idle-input", "A/1"),
    ]


@pytest.mark.parametrize(
    ("act", "message"),
    [
        (lambda book: book.get(7), "has no finding 7"),
        (lambda book: book.acknowledge(1, " ", at(0)), "needs a name"),
        (lambda book: book.acknowledge(1, "anna", "yesterday"), "'yesterday' is not a time"),
        (lambda book: book.snooze(1, "soon", "anna", at(0)), "until = 'soon' is not a date"),
        (lambda book: book.snooze(1, day(0), "anna", at(0)), "not ahead"),
        (lambda book: book.note(1, "  ", "anna", at(0)), "note is empty"),
    ],
)
def test_mistakes_are_named_and_change_nothing(ledger: Ledger, act: object, message: str) -> None:
    night(ledger, 0, finding())
    before = ledger.history()
    with pytest.raises(UsageError, match=re.escape(message)):
        act(ledger)  # type: ignore[operator]
    assert ledger.history() == before


def test_a_resolved_finding_cannot_be_acknowledged(ledger: Ledger) -> None:
    night(ledger, 0, finding())
    ledger.resolve(1, "ben", at(0))
    with pytest.raises(UsageError, match="is resolved"):
        ledger.acknowledge(1, "anna", at(1))


def test_a_failing_night_leaves_the_ledger_as_it_was(ledger: Ledger) -> None:
    night(ledger, 0, finding())
    before = (ledger.all(), ledger.history())
    with pytest.raises(ValueError, match="broken"):
        night(ledger, 1, finding(unit="B", seen=(1, 1)), finding(unit="A", input=2, last_seen="broken"))
    assert (ledger.all(), ledger.history()) == before


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(["night", "acknowledge", "snooze", "resolve", "reopen"]),
            st.integers(0, 3),
            st.booleans(),
        ),
        max_size=25,
    )
)
def test_whatever_happens_each_fault_stands_once_and_history_tells_how_it_stands(
    steps: list[tuple[str, int, bool]],
) -> None:
    places = [("A", 1), ("A", 2), ("B", 1), ("B", None)]
    told = {"opened": "open", "reopened": "open", "woken": "open"}
    with Store.create(None, SITE) as store:
        book, today = Ledger(store), 0
        for act, which, seen in steps:
            if act == "night":
                today += 1
                unit, number = places[which]
                night(book, today, *([finding(seen=(today, today), unit=unit, input=number)] if seen else []))
                continue
            entries = book.all()
            if not entries:
                continue
            entry = entries[which % len(entries)]
            extra = (day(today + 2),) if act == "snooze" else ()
            try:
                getattr(book, act)(entry.id, *extra, "anna", at(today))
            except UsageError:
                assert entry.status == "resolved"
        keys = [(e.finding.fault, e.finding.unit, e.finding.input) for e in book.all()]
        assert len(keys) == len(set(keys))
        for entry in book.all():
            events = [e.event for e in book.history(entry.id) if e.event != "changed"]
            assert events[0] == "opened"
            assert told.get(events[-1], events[-1]) == entry.status
            assert (entry.snoozed_until is not None) == (entry.status == "snoozed")


def test_two_processes_at_once_raise_nothing_twice(tmp_path: Path) -> None:
    """The night's run and a person's `callout call` may meet."""
    path = tmp_path / "site.sqlite"
    Store.create(path, SITE).close()

    def record(n: int) -> int:
        with Store.open(path) as store:
            return len(Ledger(store).record(Result(day(0), (finding(), finding(input=2))), day(0), at(n)).new)

    with ThreadPoolExecutor(8) as pool:
        assert sum(pool.map(record, range(8))) == 2
    with Store.open(path) as store:
        assert [e.event for e in Ledger(store).history()] == ["opened", "opened"]


def test_the_tables_are_plain_and_the_entry_keeps_the_contract(ledger: Ledger) -> None:
    night(ledger, 0, finding(evidence={"voltage_v": 0.4}))
    shown = ledger.get(1).to_json()
    assert {"site", "fault", "evidence", "status", "id", "opened_at"} <= shown.keys()
    assert shown["evidence"] == {"voltage_v": 0.4}
    assert Finding.from_json(shown) == replace(finding(), alternatives=(), evidence={"voltage_v": 0.4})


# -- a night that looks back over less than is on record -----------------------


def _night(ledger: Ledger, n: int, first: int, *findings: Finding) -> LedgerDiff:
    return ledger.record(Result(day(n), findings, from_day=day(first), bounded=True), day(n), at(n))


def _dated(seen: tuple[int, int], fault: str = "dead-input", **changes: object) -> Finding:
    dates = [day(n) for n in range(seen[0], seen[1] + 1)]
    return finding(fault, seen, loss_wh_per_day=100.0, loss_wh_total=100.0 * len(dates), evidence={"dates": dates}, **changes)


def test_what_lies_out_of_sight_still_counts(ledger: Ledger) -> None:
    night(ledger, 60, _dated((0, 60)))
    for n in (61, 62, 62):  # the same night twice adds nothing
        _night(ledger, n, n - 10, _dated((n - 10, n)))
    (entry,) = ledger.open()
    assert (entry.finding.first_seen, entry.finding.last_seen) == (day(0), day(62))
    assert entry.finding.days == 63
    assert entry.finding.loss_wh_total == pytest.approx(6300.0)
    assert entry.finding.evidence["dates"] == [day(n) for n in range(63)]


def test_not_seeing_what_began_out_of_sight_ends_nothing_until_the_long_look(ledger: Ledger) -> None:
    night(ledger, 60, _dated((0, 60), "soiling"))
    for n in range(61, 70):
        assert _night(ledger, n, n - 10).resolved == ()
    assert ledger.open()[0].status == "open"
    assert len(night(ledger, 70).resolved) == 1


def test_a_mended_fault_ends_though_it_began_out_of_sight(ledger: Ledger) -> None:
    night(ledger, 60, _dated((0, 60)))
    assert len(_night(ledger, 61, 51, _dated((51, 60))).resolved) == 1


def test_that_a_tree_grows_stands_until_the_next_long_look(ledger: Ledger) -> None:
    def shade(seen: tuple[int, int], kind: str) -> Finding:
        f = _dated(seen, "shading", why=f"it is {kind}")
        return replace(f, evidence={**f.evidence, "kind": kind})

    night(ledger, 60, shade((0, 60), "growing"))
    _night(ledger, 61, 51, shade((51, 61), "fixed"))
    (entry,) = ledger.open()
    assert (entry.finding.evidence["kind"], entry.finding.why) == ("growing", "it is growing")
    assert entry.finding.last_seen == day(61)
    assert entry.finding.evidence["dates"] == [day(n) for n in range(62)]
    night(ledger, 62, shade((0, 62), "fixed"))  # a long look that says otherwise
    assert ledger.open()[0].finding.why == "it is fixed"


def test_another_name_for_what_began_out_of_sight_waits_for_the_long_look(ledger: Ledger) -> None:
    night(ledger, 60, _dated((0, 60), "soiling"))
    assert _night(ledger, 61, 51, _dated((51, 61), "weak-input")).new == ()
    # What plainly begins in sight, or elsewhere, is told at once.
    assert len(_night(ledger, 72, 52, _dated((71, 72), "dead-input")).new) == 1
    assert len(_night(ledger, 72, 52, _dated((52, 72), "weak-input", unit="B")).new) == 1
    assert len(night(ledger, 74, _dated((0, 74), "weak-input")).new) == 1
