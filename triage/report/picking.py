"""Which inputs and which days a chart shows."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from collectors.store import day_bounds, solar_day
from rules.finding import Finding
from triage.report.traces import Floats, block_mean, quantiles

if TYPE_CHECKING:
    from rules.view import SiteView

#: Lines are drawn from quarter-hour means: finer than a pixel on any page.
CHART_STEP_S: Final = 900
_EPOCH: Final = date(1970, 1, 1)


def day_number(iso: str) -> int:
    """Days since 1970-01-01 of an ISO date."""
    return (date.fromisoformat(iso) - _EPOCH).days


def iso_day(number: int) -> str:
    return date.fromordinal(_EPOCH.toordinal() + int(number)).isoformat()


@dataclass(frozen=True)
class Window:
    """A run of samples of the view: ``view.ts[cut]``, drawn in blocks of ``size``."""

    cut: slice
    size: int

    def of(self, values: Floats) -> Floats:
        """Block means of a ``[T, ...]`` array inside the window."""
        return block_mean(values[self.cut], self.size)


def block_size(view: SiteView) -> int:
    return max(1, CHART_STEP_S // max(int(view.step_s), 1))


def window(view: SiteView, first_day: int, last_day: int) -> Window:
    """Solar days ``first_day`` to ``last_day``, both inclusive, as far as the view reaches."""
    longitude = view.site.site.longitude
    start = day_bounds(first_day, longitude)[0]
    end = day_bounds(last_day, longitude)[1]
    low, high = np.searchsorted(view.ts, [start, end])
    if high <= low:  # outside the view: show its end
        low, high = max(0, len(view.ts) - 86400 // max(int(view.step_s), 1)), len(view.ts)
    return Window(slice(int(low), int(high)), block_size(view))


def view_days(view: SiteView) -> NDArray[np.int64]:
    """Solar day of each sample, [T]."""
    days: NDArray[np.int64] = solar_day(view.ts, view.site.site.longitude)
    return days


def members(view: SiteView, finding: Finding) -> NDArray[np.int64]:
    """Columns of the inputs a finding speaks of, never empty."""
    found = [
        ref.index
        for ref in view.site.inputs
        if (finding.unit is None or ref.unit == finding.unit)
        and (finding.input is None or ref.input == finding.input)
        and (finding.unit is not None or finding.gateway in (None, ref.gateway))
        and (finding.unit is not None or not finding.plane or view.plane_of[ref.index] == finding.plane)
    ]
    return np.array(found or range(len(view.site.inputs)), dtype=np.int64)


def units_of(view: SiteView, columns: NDArray[np.int64]) -> list[int]:
    """Units that hold these inputs, in the site's order."""
    return sorted({view.site.inputs[int(i)].unit_index for i in columns})


def siblings(view: SiteView, column: int) -> NDArray[np.int64]:
    """The other inputs on the same plane."""
    plane = view.plane_of[column]
    return np.array([i for i, p in enumerate(view.plane_of) if p == plane and i != column], dtype=np.int64)


def rated_w(view: SiteView) -> Floats:
    """Module rating per input, W; 1 where the site file gives none, so that ratios still hold."""
    return np.array([ref.module.pmax_w if ref.module else 1.0 for ref in view.site.inputs])


def sibling_band(view: SiteView, column: int, part: Window) -> tuple[Floats, Floats] | None:
    """The middle half of the siblings, scaled to this input's rating; None below three of them.

    Quartiles, so that one dead sibling among five does not pull the band down.
    """
    others = siblings(view, column)
    if len(others) < 3:
        return None
    rated = rated_w(view)
    scaled = part.of(view.power_w[:, others]) / rated[others] * rated[column]
    return quantiles(scaled, 0.25, 0.75)


def summed(values: Floats, columns: NDArray[np.int64]) -> Floats:
    """Sum over inputs of what is there; NaN where none is."""
    chosen = values[:, columns]
    there = np.isfinite(chosen)
    return np.where(there.any(axis=1), np.where(there, chosen, 0.0).sum(axis=1), np.nan)


def daily_ratio(view: SiteView, columns: NDArray[np.int64]) -> tuple[list[int], Floats]:
    """Energy over what the siblings made, per solar day; NaN on days without either."""
    power, typical = view.power_w[:, columns], view.typical_w[:, columns]
    both = np.isfinite(power) & np.isfinite(typical)
    days, where = np.unique(view_days(view), return_inverse=True)
    made = np.bincount(where, np.where(both, power, 0.0).sum(axis=1), len(days))
    usual = np.bincount(where, np.where(both, typical, 0.0).sum(axis=1), len(days))
    # Below a tenth of the brightest day a ratio is noise.
    enough = usual > 0.1 * max(float(usual.max(initial=0.0)), 1e-9)
    return days.tolist(), np.where(enough, made / np.maximum(usual, 1e-9), np.nan)


def day_light(view: SiteView) -> tuple[NDArray[np.int64], Floats]:
    """Solar days of the view, and how much light each had where there are readings of it (any unit)."""
    days, where = np.unique(view_days(view), return_inverse=True)
    typical = np.nan_to_num(view.typical_w).sum(axis=1)
    if not typical.any():
        typical = np.nan_to_num(view.expected_w).sum(axis=1)
    # Days whose rows are mostly missing show nothing, however bright.
    light = np.bincount(where, typical * view.present.mean(axis=1), len(days))
    return days, light.astype(np.float64)


def brightest_day(view: SiteView, first_day: int, last_day: int) -> int:
    """The brightest day between the two, as far as the view reaches."""
    days, light = day_light(view)
    inside = (days >= first_day) & (days <= last_day)
    return int(days[np.argmax(np.where(inside, light, -1.0) if inside.any() else light)])
