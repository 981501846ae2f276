"""The numbers behind a finding, as people read them."""

from __future__ import annotations

from dataclasses import replace

from rules.finding import Finding
from triage.evidence_words import evidence_rows
from triage.figures import chance

PLAIN = Finding(
    site="s", fault="unit-silent", unit="U1", first_seen="2026-06-01", last_seen="2026-06-01", days=1, confidence=0.9,
    severity="high", loss_wh_per_day=1.0, loss_wh_total=1.0, action="visit", why="",
)  # fmt: skip


def _rows(**evidence: object) -> dict[str, str]:
    return dict(evidence_rows(replace(PLAIN, evidence=evidence)))


def test_every_quantity_has_its_unit_beside_its_name() -> None:
    rows = _rows(signal_dbm=-88.0, over_others_k=11.8, shift_min=-60, loss_year_kwh=8.4, temperature_c=77.4, hours=4.25)
    assert rows == {
        "signal (dBm)": "-88", "hotter than the others (K)": "11.8", "shift (min)": "-60", "loss year (kWh)": "8.4",
        "temperature (°C)": "77.4", "hours": "4.25",
    }  # fmt: skip


def test_no_number_is_written_with_an_exponent() -> None:
    assert _rows(counter_rise_wh=25784.5, small=0.0041) == {"counter rise (Wh)": "25 784", "small": "0.0041"}


def test_nothing_known_is_unknown_and_a_branch_is_named() -> None:
    cause = {"level": "branch", "name": "B2", "units": ["a", "b"], "tell_apart": "Look at its breaker."}
    assert _rows(no_grid_voltage_h=None, common_cause=cause) == {
        "no grid voltage (h)": "unknown", "common cause": "branch B2, 2 units", "what would settle it": "Look at its breaker.",
    }  # fmt: skip


def test_an_empty_answer_is_none() -> None:
    assert _rows(gateway_log="", neighbours=[]) == {"gateway log": "none", "neighbours": "none"}


def test_a_small_chance_is_not_none() -> None:
    assert [chance(p) for p in (0.004, 0.0, 0.01, 0.37)] == ["under 1 %", "under 1 %", "1 %", "37 %"]


def test_shares_are_percent_and_terse_names_are_spelt_out() -> None:
    assert _rows(depth=0.352, slope_per_day=-0.0041, volt_high_h=11.65, irradiance_source="ghi sensor") == {
        "direct sun taken": "35.2 %", "change a day": "-0.41 %", "above the voltage window (h)": "11.65",
        "irradiance source": "a horizontal light sensor (GHI)",
    }  # fmt: skip
