"""How well a site turns light into energy, and how much of its record arrived.

With a trusted plane-of-array sensor this is the array performance ratio of
IEC 61724-1 (final array yield over reference yield, DC side): ``(E_A / P_0) /
(H_i / G_ref)``, over the inputs of the sensor's plane. Without one there is no
in-plane irradiation and so no performance ratio: what is given instead is
energy over expected energy, and it is named so. Only figures of one kind may
be compared; where the inputs themselves were the sensor, a fault that all of
them share does not show.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rules.case import Case
from rules.daytable import BIN_HOURS, SKY

#: Reference irradiance of IEC 61724-1 (that of STC, IEC 60904-3), W/m2.
REFERENCE_W_M2: Final = 1000.0
RATIO: Final = "array performance ratio"
OVER_EXPECTED: Final = "energy over expected energy"


@dataclass(frozen=True)
class Performance:
    """Figures over a span of days.

    Attributes
    ----------
    value : the ratio, None when there was not enough light.
    basis : what it is, then where its irradiance came from.
    energy_wh, expected_wh : DC energy recorded and expected over the slots reported.
    completeness : share of lit time that was reported, missing days included; None without any light.
    days : days in the span.
    """

    value: float | None
    basis: str
    energy_wh: float
    expected_wh: float
    completeness: float | None
    days: int


def performance(case: Case, to_day: int, days: int) -> Performance:
    """Figures over the ``days`` days that end with ``to_day`` (both solar day numbers, inclusive).

    A span that begins before the record does is cut there; days without any
    row inside it count as missing.
    """
    numbers = case.table.days
    from_day = max(to_day - days + 1, int(numbers[0])) if len(numbers) else to_day
    pick = (numbers >= from_day) & (numbers <= to_day)
    span = max(to_day - from_day + 1, 1)
    rated = np.nan_to_num(case.rated)
    energy = float((case.energy[pick].sum(axis=0) * rated).sum())
    expected = float((case.expected[pick].sum(axis=(0, 2)) * rated).sum())
    source = case.irradiance_source
    if source == "poa sensor":
        plane, value = _performance_ratio(case, pick, rated)
        basis = f"{RATIO}, poa sensor of plane '{plane}'"
    else:
        value = energy / expected if expected > 0 else None
        basis = f"{OVER_EXPECTED}, {source}"
    return Performance(value, basis, energy, expected, _completeness(case, pick, span), span)


def _performance_ratio(case: Case, pick: NDArray[np.bool_], rated: NDArray[np.float64]) -> tuple[str, float | None]:
    table = case.table
    plane = int(np.max(table["poa_plane"]))
    on_plane = case.plane_of == plane
    poa = table["sky"][pick][:, SKY.index("poa")]
    with np.errstate(invalid="ignore", divide="ignore"):
        # Irradiation only counts over the slots an input reported: silence is not poor performance.
        reported = table["clear"][pick] / table["plane_clear_all"][pick][:, [plane]]
    usable = np.isfinite(poa)[:, None, :] & np.isfinite(reported) & (poa > 0)[:, None, :]
    reference = np.where(usable, poa[:, None, :] / REFERENCE_W_M2 * BIN_HOURS * reported, 0.0).sum(axis=(0, 2))
    made = np.where(usable, table["power"][pick], 0.0).sum(axis=(0, 2))
    weight = rated * on_plane
    total = float((reference * weight).sum())
    return case.names[plane], float((made * weight).sum()) / total if total > 0 else None


def _completeness(case: Case, pick: NDArray[np.bool_], span: int) -> float | None:
    lit, seen = case.table["lit_h"][pick].sum(), case.table["seen_h"][pick].sum()
    if lit <= 0:
        return None if pick.any() else 0.0
    # A day without a single row isn't in the table: it weighs as much as the mean of the others.
    return float(seen / lit * pick.sum() / span)
