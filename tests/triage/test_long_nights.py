"""Many more nights than one looks back over: the ledger says what one long run would have said."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from datetime import date, timedelta

import pytest

from collectors.store import Store, solar_day
from tests.rules.make import Roof, make_roof
from triage.check import LOOK_BACK_EVERY, NIGHT_DAYS, WINDOW_DAYS, check_store, look_back_of
from triage.ledger import Ledger, LedgerEntry

DAYS = 170
#: First days may differ by so many: hindsight shows a slow beginning a little earlier.
FIRST_SEEN_DAYS = 3
#: Days out of sight count with the loss of the days in sight.
LOSS = 0.10


def _roof() -> Roof:
    """Faults of half a year: most began before a late night looks back, one is mended after that."""
    roof = make_roof(days=DAYS, step=900, units=[["south"] * 3, ["south"] * 3, ["south"] * 3])
    roof.dead(1, roof.when(20))
    roof.scale(0, 0.8, roof.when(10))
    roof.shade(3, (95.0, 145.0), 60.0, 0.9)
    roof.bypass(4, 1, roof.when(30, 140))
    roof.dead(5, roof.when(60, 66))
    roof.idle(7, roof.when(DAYS - 15))
    return roof


def _iso(day: int) -> str:
    return (date(1970, 1, 1) + timedelta(days=day)).isoformat()


@pytest.fixture(scope="module")
def ledgers() -> Iterator[tuple[Ledger, Ledger, Counter[int]]]:
    """The ledger of one run over the whole, of all nights in a row, and how far those looked back."""
    roof = _roof()
    frame = roof.frame()
    looks: Counter[int] = Counter()
    with Store.create(None, roof.text) as long, Store.create(None, roof.text) as nightly:
        for store in (long, nightly):
            store.add_telemetry(frame, "whole")
        result = check_store(long)
        Ledger(long).record(result, result.to_day, f"{result.to_day}T21:00:00Z")
        # Reduced at once: what the nights differ in is how far they look back.
        check_store(nightly)
        nightly.set_meta("looked_back", "{}")
        first, last = (int(solar_day(ts, roof.site.site.longitude)) for ts in nightly.span() or ())
        for day in range(first, last + 1):
            look = look_back_of(nightly, day)
            looks[look] += 1
            night = check_store(nightly, until_day=day, look_back=look)
            assert night.bounded == (look == NIGHT_DAYS and day - first >= NIGHT_DAYS)
            Ledger(nightly).record(night, _iso(day), f"{_iso(day)}T21:00:00Z")
        yield Ledger(long), Ledger(nightly), looks


def _by_place(entries: list[LedgerEntry]) -> dict[tuple[str, str], LedgerEntry]:
    """Faults alone: whether a unit meets its ceiling is information, and comes and goes with the weather."""
    return {(e.finding.fault, e.finding.place): e for e in entries if e.finding.fault != "clipping"}


def _days(one: str, other: str) -> int:
    return abs((date.fromisoformat(one) - date.fromisoformat(other)).days)


def test_most_nights_look_back_over_a_bounded_window(ledgers: tuple[Ledger, Ledger, Counter[int]]) -> None:
    looks = ledgers[2]
    assert looks[WINDOW_DAYS] <= DAYS // LOOK_BACK_EVERY + 1
    assert looks[NIGHT_DAYS] == DAYS - looks[WINDOW_DAYS]


def test_what_stands_after_all_nights_is_what_one_long_run_finds(ledgers: tuple[Ledger, Ledger, Counter[int]]) -> None:
    whole, nights = (_by_place(ledger.open()) for ledger in ledgers[:2])
    assert {fault for fault, _ in whole} >= {"dead-input", "idle-input", "weak-input", "shading"}
    assert nights.keys() == whole.keys()
    for key, entry in whole.items():
        other = nights[key]
        assert other.status == entry.status, key
        assert _days(other.finding.first_seen, entry.finding.first_seen) <= FIRST_SEEN_DAYS, key
        assert _days(other.finding.last_seen, entry.finding.last_seen) <= 1, key
        assert other.finding.loss_wh_total == pytest.approx(entry.finding.loss_wh_total, rel=LOSS), key


def test_what_was_mended_is_over_though_it_began_out_of_sight(ledgers: tuple[Ledger, Ledger, Counter[int]]) -> None:
    whole, nights = ({k: e for k, e in _by_place(ledger.all()).items() if not e.live} for ledger in ledgers[:2])
    assert {fault for fault, _ in whole} >= {"dead-input", "substring-loss"}
    for key in whole:
        assert nights[key].finding.last_seen == whole[key].finding.last_seen, key


def test_no_finding_comes_and_goes_with_the_look_back(ledgers: tuple[Ledger, Ledger, Counter[int]]) -> None:
    faults = {e.id for e in _by_place(ledgers[1].all()).values()}
    again = [e for e in ledgers[1].history() if e.event == "reopened" and e.finding_id in faults]
    # While every night still sees the whole record, a verdict may flicker for want of clear days.
    bounded = _iso(int(solar_day(int(_roof().ts.min()), _roof().site.site.longitude)) + NIGHT_DAYS)
    assert [e for e in again if e.at[:10] >= bounded] == []
    assert len(again) <= 2
