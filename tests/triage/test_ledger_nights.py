"""The samples replayed night by night: what the morning page would have said, and when."""

from __future__ import annotations

from datetime import date

import pytest

from collectors.store import Store, solar_day
from sample_logs import SampleSite, sample_sites
from triage.check import check_store
from triage.importing import import_files
from triage.ledger import Ledger

HARD = ("dead-input", "idle-input", "unit-standby")


@pytest.mark.slow
@pytest.mark.parametrize("sample", sample_sites(), ids=lambda s: s.id)
def test_nights_in_a_row_raise_each_fault_once_and_hard_ones_at_once(sample: SampleSite) -> None:
    """Against the truth written when the sample was made: hard faults stand by their second night."""
    with Store.create(None, sample.site.read_text(encoding="utf-8")) as store:
        import_files(
            store,
            telemetry=[sample.telemetry],
            weather=[sample.weather] if sample.weather else [],
            log=[sample.gateway_log] if sample.gateway_log else [],
        )
        ledger = Ledger(store)
        first, last = (int(solar_day(ts, store.site.site.longitude)) for ts in store.span())
        for day in range(first, last + 1):
            night = date.fromordinal(date(1970, 1, 1).toordinal() + day).isoformat()
            ledger.record(check_store(store, until_day=day), night, f"{night}T21:00:00Z")
        entries = ledger.all()
        keys = [(e.finding.fault, e.finding.unit, e.finding.input, e.finding.plane) for e in entries]
        assert len(keys) == len(set(keys))
        # Nothing comes and goes: of a month's findings none was closed and opened again.
        assert [e.finding_id for e in ledger.history() if e.event == "reopened"] == []
        for built_in in (f for f in sample.truth["faults"] if f["fault"] in HARD):
            (entry,) = [
                e
                for e in entries
                if (e.finding.fault, e.finding.unit) == (built_in["fault"], built_in["unit"])
                and e.finding.input == built_in.get("input")
            ]
            began = date.fromisoformat(built_in["first_day"])
            told = date.fromisoformat(ledger.history(entry.id)[0].at[:10])
            assert 0 <= (told - began).days <= 1
            assert entry.live
