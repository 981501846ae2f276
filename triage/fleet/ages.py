"""How old a site is, in the bands the trade thinks in."""

from __future__ import annotations

from datetime import date
from typing import Final

#: Upper bound in years and name of each band: early failures, the usual
#: workmanship warranty, the usual unit warranty, beyond (common practice).
BANDS: Final = (
    (2.0, "under 2 years"),
    (5.0, "2 to 5 years"),
    (10.0, "5 to 10 years"),
    (1e9, "over 10 years"),
)
DAYS_PER_YEAR: Final = 365.25


def age_years(commissioned: str, today: str) -> float | None:
    """Age in years, None when the site file does not say; never negative."""
    if not commissioned:
        return None
    return max(days_between(commissioned, today), 0) / DAYS_PER_YEAR


def age_band(commissioned: str, today: str) -> str:
    """Name of the band, "" when the age is unknown."""
    age = age_years(commissioned, today)
    return "" if age is None else next(name for bound, name in BANDS if age < bound)


def days_between(first: str, last: str) -> int:
    """Days from one ISO date to another."""
    return (date.fromisoformat(last) - date.fromisoformat(first)).days
