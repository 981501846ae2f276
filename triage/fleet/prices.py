"""What to reckon with where a site file does not say."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True)
class Prices:
    """What to reckon with where a site file is silent (own choice, to be set by the user).

    Attributes
    ----------
    tariff_per_kwh, visit_cost : in the site's currency.
    horizon_days : how long the loss would go on if nobody went.
    """

    tariff_per_kwh: float = 0.20
    visit_cost: float = 150.0
    horizon_days: int = 365


DEFAULT_PRICES: Final = Prices()
