"""Numbers as people read them: always with a unit, times always with their zone."""

from __future__ import annotations

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

from collectors.site import SiteFacts


def energy(wh: float) -> str:
    """Energy with a fitting unit: ``820 Wh``, ``4.6 kWh``, ``1.25 MWh``."""
    size = abs(wh)
    if size < 999.5:
        return f"{wh:.0f} Wh"
    if size < 999_500:
        return f"{wh / 1e3:.1f} kWh" if size < 99_950 else f"{wh / 1e3:.0f} kWh"
    return f"{wh / 1e6:.2f} MWh"


def money(wh: float, site: SiteFacts) -> str:
    """What that energy is worth at the site's tariff; empty without a tariff."""
    if site.tariff_per_kwh is None:
        return ""
    return f"{wh / 1e3 * site.tariff_per_kwh:.2f} {site.currency}".rstrip()


def with_money(wh: float, site: SiteFacts, per: str = "") -> str:
    """Energy and its worth: ``1.2 kWh a day (0.36 EUR)``; ``none`` for nothing."""
    if wh == 0:
        return "none"
    text = f"{energy(wh)}{f' {per}' if per else ''}"
    worth = money(wh, site)
    return f"{text} ({worth})" if worth else text


def percent(share: float) -> str:
    return f"{100 * share:.0f} %"


def chance(share: float) -> str:
    """How likely another cause is: ``12 %``; a small chance is not none, ``under 1 %``."""
    return "under 1 %" if share < 0.01 else percent(share)


def plural(count: int, one: str, many: str = "") -> str:
    """``1 day``, ``3 days``."""
    return f"{count} {one if count == 1 else many or one + 's'}"


def silence(hours: float) -> str:
    """How long nothing was heard: ``2.5 days``, ``405 days``; a tenth counts while it is short."""
    days = hours / 24
    return plural(round(days), "day") if round(days) >= 10 else f"{days:.1f} days"


def day_text(iso: str) -> str:
    """``2026-06-05`` as ``5 Jun 2026``: no order of figures to mistake."""
    day = date.fromisoformat(iso)
    return f"{day.day} {day:%b %Y}"


def days_text(first: str, last: str) -> str:
    """One day or a span, saying month and year once: ``4 to 8 Jun 2026``."""
    if first == last:
        return day_text(first)
    start, end = date.fromisoformat(first), date.fromisoformat(last)
    if start.year != end.year:
        return f"{day_text(first)} to {day_text(last)}"
    month = f" {start:%b}" if start.month != end.month else ""
    return f"{start.day}{month} to {day_text(last)}"


def clock(ts: float, zone: ZoneInfo) -> str:
    """Local time and zone of an epoch second: ``5 Jun 2026 14:05 CEST``."""
    when = datetime.fromtimestamp(ts, UTC).astimezone(zone)
    return f"{when.day} {when:%b %Y %H:%M} {when.tzname()}"


def zone_text(site: SiteFacts) -> str:
    """How times are to be read: ``Times in Europe/Madrid``."""
    return f"Times in {site.timezone}"
