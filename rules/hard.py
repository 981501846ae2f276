"""What the hard faults share: days on which a zero symptom held long enough."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from rules.case import Case, once
from rules.days import runs_of, span_mask
from rules.daytable import MISSING, STANDBY, SYMPTOMS
from rules.finding import Threshold
from rules.ranks import Floats, Mask

MIN_HOURS = Threshold(1.0, "h", "own reasoning: longer than a reconnection wait and ramp (IEEE 1547-2018: 600 s)")
MIN_SHARE = Threshold(0.3, "of lit hours", "own reasoning: a part of the day that no cloud or wake-up explains")
PLAIN_HOURS = Threshold(2.5, "h", "own reasoning: so much of an afternoon is a stop whatever the length of the day")
EDGE_HOURS = Threshold(0.5, "h", "own reasoning: the first or last day of a longer run may be short")
PLAIN_LIGHT = Threshold(
    0.15, "h at full sun a day", "own reasoning: half of a thick overcast in midwinter; under less a unit may not wake at all"
)
GUESSED = Threshold(0.7, "of what the sky allowed", "own reasoning: a plane that is down as a whole is lit by six tenths of that")
NOTHING = Threshold(0.01, "W per rated W", "own reasoning: twice a meter's offset, far below any light on a module")
JUDGE_HOURS = Threshold(1.0, "h", "own reasoning: at least as long as the symptom must hold")


def symptom_days(hours: Floats, seen: Floats) -> tuple[Mask, Mask]:
    """Days with the symptom and days that could be judged, [D].

    Parameters
    ----------
    hours, seen : [D], hours with the symptom, and with light and a reported power.
    """
    judged = seen >= JUDGE_HOURS.value
    if not (hours >= MIN_HOURS.value).any():
        return np.zeros(len(hours), bool), judged
    share = hours / np.maximum(seen, 1e-6)
    strong = (hours >= MIN_HOURS.value) & ((share >= MIN_SHARE.value) | (hours >= PLAIN_HOURS.value))
    edge = (hours >= EDGE_HOURS.value) & (share >= 0.08)
    out = np.zeros(len(hours), bool)
    for first, last in runs_of(strong, ~judged):
        while first > 0 and edge[first - 1]:
            first -= 1
        while last + 1 < len(hours) and edge[last + 1]:
            last += 1
        out[first : last + 1] = True
    return out & (strong | edge), judged


def symptom_loss_wh(case: Case, codes: Sequence[int], inputs: NDArray[np.int64]) -> Floats:
    """Wh lost to symptoms by the inputs, [D]: siblings' energy, else a mean sky."""
    table = case.table
    total = np.zeros(case.day_count)
    planes = case.plane_of[inputs]
    share, told = case.expected_day
    sky = np.where(case.independent & (told > 0.1), share, 0.0)[:, planes]
    for code in codes:
        loss = table["symptom_loss"][:, inputs, code]
        clear = table["symptom_clear"][:, inputs, code]
        # When nobody produces, the reference is 0: a mean sky stands in.
        blind = loss < 0.1 * clear
        # When all of a plane is down, the reference is a careful guess: what a sensor or the other planes saw is better.
        low = loss < GUESSED.value * sky * clear
        lost = np.where(low & ~blind, sky * clear, np.where(blind, case.sky_mean[:, None] * clear, loss))
        total += (lost * case.rated[inputs]).sum(axis=1)
    return total


def witnessed(case: Case, codes: Sequence[int], n: int, days: Mask, judged: Mask) -> Mask:
    """Days of the runs of an input's symptom in which other inputs, or a sensor, saw light worth waking for, [D].

    On a day too dark for any unit to wake, an input without power or voltage is no different from the others.
    """
    if len(case.inputs) < 2 or not days.any():
        return days
    made = case.table["symptom_loss"][:, n, list(codes)].sum(axis=1)
    if case.sensor_trust[0]:
        made = np.fmax(made, case.sky_mean * case.table["symptom_clear"][:, n, list(codes)].sum(axis=1))
    runs = [(first, last) for first, last in runs_of(days, ~judged) if made[first : last + 1].sum() >= PLAIN_LIGHT.value]
    return days & span_mask(len(days), runs)


def certainty(hours: float, days: int) -> float:
    """Raw certainty of a symptom from the hours and days behind it, 0 to 1."""
    return float(1.0 - 0.45 * np.exp(-hours / 2.5) - 0.05 * (days < 2))


def unit_down(case: Case, code: int) -> tuple[Floats, Floats]:
    """Hours that every lit input of each unit shows a symptom, and its lit hours with a row, [D, U]."""
    hours = np.zeros((case.day_count, len(case.site.units)))
    seen = np.zeros_like(hours)
    for unit in range(len(case.site.units)):
        inputs = case.inputs_of_unit(unit)
        hours[:, unit] = case.table["symptom_slots"][:, inputs, code].max(axis=1)
        seen[:, unit] = case.table["seen_h"][:, inputs].max(axis=1)
    return hours, seen


@once
def blacked_out(case: Case) -> Mask:
    """Days on which a unit of several inputs stands without a voltage on any of them, though it reports one on other days, [D, U].

    A unit that waits for its grid sees its modules' open-circuit voltage; if none is there, the modules are missing.
    """
    table = case.table
    none = ~(np.isfinite(table["volts"]) | np.isfinite(table["zero_volts"]))
    still = table["symptom_slots"][:, :, STANDBY] >= MIN_HOURS.value
    out = np.zeros((case.day_count, len(case.site.units)), bool)
    for u in range(out.shape[1]):
        inputs = case.inputs_of_unit(u)
        if len(inputs) > 1 and not none[:, inputs].all(axis=0).any():
            out[:, u] = (none & still)[:, inputs].all(axis=1)
    return out


__all__ = [
    "MISSING",
    "PLAIN_LIGHT",
    "SYMPTOMS",
    "blacked_out",
    "certainty",
    "span_mask",
    "symptom_days",
    "symptom_loss_wh",
    "unit_down",
    "witnessed",
]
