"""The numbers behind a finding as people read them: names with units, values in four figures."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from rules.finding import Finding
from triage.figures import plural


def evidence_rows(finding: Finding) -> list[tuple[str, str]]:
    """The evidence as name and value, units out of the key's ending."""
    kept = {k: v for k, v in finding.evidence.items() if k not in _TOLD_ELSEWHERE}
    shared = kept.pop("common_cause", None)
    rows = [(_key_text(key), _value_text(value)) for key, value in kept.items()]
    if shared:
        rows.append(("common cause", f"{shared['level']} {shared['name']}, {plural(len(shared['units']), 'unit')}"))
        rows.append(("what would settle it", shared["tell_apart"]))
    return rows


#: The chart tells days and sun positions better, the facts above it the reason of the action.
_TOLD_ELSEWHERE: Final = ("dates", "bins", "action_reason")
_UNITS: Final = {
    "_wh": "Wh", "_w": "W", "_v": "V", "_a": "A", "_hz": "Hz", "_c": "°C", "_deg": "°", "_h": "h", "_s": "s",
    "_pct": "%", "_days": "days", "_w_m2": "W/m²", "_kwh": "kWh", "_dbm": "dBm", "_k": "K", "_min": "min",
}  # fmt: skip


def _key_text(key: str) -> str:
    for ending in sorted(_UNITS, key=len, reverse=True):
        if key.endswith(ending) and len(key) > len(ending):
            return f"{key[: -len(ending)].replace('_', ' ')} ({_UNITS[ending]})"
    return key.replace("_", " ")


def _value_text(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        # Four figures, and never an exponent: nobody reads 2.578e+04 Wh on a phone.
        return f"{value:,.0f}".replace(",", " ") if abs(value) >= 1000 else f"{value:.4g}"
    if isinstance(value, Mapping):
        return ", ".join(f"{k} {_value_text(v)}" for k, v in value.items())
    if isinstance(value, (list, tuple)) and len(value) > 12:
        return f"{len(value)} values"
    if isinstance(value, (list, tuple)):
        return ", ".join(_value_text(v) for v in value)
    return "unknown" if value is None else str(value)
