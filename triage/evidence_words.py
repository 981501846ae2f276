"""The numbers behind a finding as people read them: names with units, values in four figures."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from rules.finding import Finding
from triage.figures import plural
from triage.wording import light_words


def evidence_rows(finding: Finding) -> list[tuple[str, str]]:
    """The evidence as name and value, units out of the key's ending."""
    kept = {k: v for k, v in finding.evidence.items() if k not in _TOLD_ELSEWHERE}
    shared = kept.pop("common_cause", None)
    rows = [(_key_text(key), _of_key(key, value)) for key, value in kept.items()]
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


#: Keys whose own words say too little.
_NAMES: Final = {
    "volt_high_h": "above the voltage window (h)", "volt_low_h": "below the voltage window (h)",
    "hz_out_h": "outside the frequency window (h)", "grid_trip_h": "nothing made for it (h)",
    "ac_voltage_max_v": "highest AC voltage (V)", "ac_voltage_min_v": "lowest AC voltage (V)",
    "high_v": "upper limit (V)", "low_v": "lower limit (V)",
    "edges_min": "shift of the day's ends (min)", "clear_days": "days that tell",
    "over_others_k": "hotter than the others (K)", "hot_ratio": "output when hot", "of_light": "made of what the light offered",
    "deficit": "lacking", "depth": "direct sun taken", "lost_share": "energy taken", "drop": "below clean",
    "missing_share": "rows missing", "covered_share": "made of a clear day", "level": "level, of the rating",
    "slope_per_day": "change a day", "resets": "times it came back", "sure": "slope over its error",
    "misfit_own": "misfit to its own plane", "misfit_other": "misfit to the other plane",
    "from_deg": "shade begins at azimuth (°)", "to_deg": "shade ends at azimuth (°)", "clock": "hours",
    "longest_h": "longest (h)", "night_h": "power by night (h)", "uneven": "cleared one after the other", "cold_by": "cold by",
}  # fmt: skip
#: Shares of one, told in percent.
_SHARES: Final = frozenset(
    ("hot_ratio", "of_light", "deficit", "depth", "lost_share", "drop", "missing_share", "covered_share", "level", "slope_per_day")
)


def _key_text(key: str) -> str:
    if key in _NAMES:
        return _NAMES[key]
    for ending in sorted(_UNITS, key=len, reverse=True):
        if key.endswith(ending) and len(key) > len(ending):
            return f"{key[: -len(ending)].replace('_', ' ')} ({_UNITS[ending]})"
    return key.replace("_", " ")


def _of_key(key: str, value: Any) -> str:
    if key == "irradiance_source":
        return light_words(str(value))
    if key in _SHARES and isinstance(value, float):
        return f"{100 * value:.3g} %"
    return _value_text(value) or "none"


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
