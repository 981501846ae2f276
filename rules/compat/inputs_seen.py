"""What the clear days show of one input: does it report, produce, wake, and stand at its voltage?

Siblings are the first witness (they share sky, dirt and model error), the
clear-sky expectation the second. Voltage bands, wake-up and ceilings come from
:mod:`rules.compat.expected`, as for the checks before the roof.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np
from numpy.typing import NDArray

from collectors.site import InputRef
from rules.compat.clear_days import ClearDays, energy_ratio, middle
from rules.compat.expected import (
    BAND_HIGH,
    BAND_LOW,
    expected_clipping,
    expected_start_irradiance,
    expected_voltage_band,
)
from rules.compat.planes_seen import Weeks, plane_fits, plane_seen, strays
from rules.compat.record import Observation, Place
from rules.compat.result import Verdict
from rules.finding import Threshold
from rules.ranks import Floats

_OWN = "own choice, seen to tell the invented sample sites' faults from their healthy inputs"
PRESENT: Final = Threshold(0.95, "share of daylight", "own choice: a rare gap is no fault of the installation")
ENERGY_FAIL: Final = Threshold(0.90, "of siblings", _OWN)
ENERGY_NEAR: Final = Threshold(0.95, "of siblings", "common practice: power tolerance 3 % and some dirt")
LEVEL_LOW: Final = Threshold(0.80, "of clear sky", "common practice: mounting 10 %, sky model 8 %, losses")
BAND_SHARE: Final = Threshold(0.90, "share of time", _OWN)
BAND_LIGHT: Final = Threshold(400.0, "W/m²", "own choice: well above the 200 W/m² from which the band holds")
WAKE_LATE: Final = Threshold(1800.0, "s", "own choice: logging, reconnection wait and a tree's shadow apart")
_AWAKE_SHARE: Final = 0.005


def inputs_seen(days: ClearDays, record: Weeks) -> Iterator[Place]:
    ratio = energy_ratio(days, days.high[:, None])
    wake = _wake_s(days)
    fits = plane_fits(days.site, record)
    units = {unit.serial: unit for unit in days.site.units}
    for ref in days.site.inputs:
        module = next(i.module for i in units[ref.unit].inputs if i.input == ref.input)
        seen = [_presence(days, ref)]
        if seen[0].verdict != "fail":
            # A record that belongs to another plane is no sibling.
            astray = {i for i, fit in fits.items() if strays(days.site.inputs[i], fit)}
            others = np.array([m for m in days.members(ref) if m != ref.index and m not in astray], dtype=int)
            if len(days.site.planes) > 1:
                seen.append(plane_seen(ref, fits.get(ref.index)))
            if ref.index not in astray:
                seen.append(_energy(ratio, ref, others))
            seen += [_waking(days, wake, ref, others), _voltage(days, ref)]
        yield Place(ref.label, tuple(seen), ref.unit, ref.input, ref.plane or None, module)


def _presence(days: ClearDays, ref: InputRef) -> Observation:
    share = float(days.present[days.high, ref.index].mean()) if days.high.any() else 0.0
    verdict: Verdict = "pass"
    text = ""
    if share == 0.0:
        verdict, text = (
            "fail",
            "Never reported: not installed, not paired with the gateway, or listed wrongly.",
        )
    elif share < PRESENT.value:
        verdict, text = "near", "Gaps in the record: look at the signal and the gateway's place."
    return Observation(
        "present",
        "Reports",
        verdict,
        100.0 * share,
        "% of daylight",
        f"at least {100 * PRESENT.value:.0f} %",
        text,
    )


def _good_sibling(ratio: Floats) -> Floats:
    """Upper quartile of siblings, [D]: a fault only ever lowers one, and few siblings may share it."""
    known = np.isfinite(ratio).any(axis=1)
    good = np.full(len(ratio), np.nan)
    good[known] = np.nanquantile(ratio[known], 0.75, axis=1)
    return good


def _energy(ratio: Floats, ref: InputRef, others: NDArray[np.int64]) -> Observation:
    words = ("energy", "Energy against siblings")
    own = middle(ratio[:, ref.index])
    # Day by day, then the middle day: snow or a visit on one day must not decide.
    share = middle(ratio[:, ref.index] / _good_sibling(ratio[:, others]))
    if not np.isfinite(own):
        return Observation(*words, "unknown", None, "%", "", "Give the plane's orientation and the module.")
    if not np.isfinite(share):
        text = "No sibling on this plane: judged against clear sky only, which can't see small losses."
        low = own < LEVEL_LOW.value
        return Observation(*words, "near" if low else "unknown", 100.0 * own, "% of clear sky", "80 to 115 %", text)
    expected = f"at least {100 * ENERGY_NEAR.value:.0f} %"
    text = "Shade, dirt, a lost substring, a wrong module rating in the file: compare voltage and hours."
    if share >= ENERGY_NEAR.value:
        return Observation(*words, "pass", 100.0 * share, "%", expected)
    return Observation(*words, "near" if share >= ENERGY_FAIL.value else "fail", 100.0 * share, "%", expected, text)


def _wake_s(days: ClearDays) -> Floats:
    """First output of each input on each clear day, seconds into the day's grid, [D, N]; NaN: none."""
    rated = np.array([ref.module.pmax_w if ref.module else np.nan for ref in days.site.inputs])
    awake = (days.power > _AWAKE_SHARE * rated).reshape(days.days.size, -1, rated.size)
    first = awake.argmax(axis=1) * float(days.step_s)
    return np.where(awake.any(axis=1), first, np.nan)


def _waking(days: ClearDays, wake: Floats, ref: InputRef, others: NDArray[np.int64]) -> Observation:
    """Late against siblings, or, without them, against the light at which the input should wake."""
    words = ("wake-up", "Wakes")
    own = wake[:, ref.index]
    spoke = np.isfinite(days.power[:, ref.index]).reshape(own.size, -1).any(axis=1)
    if dark := int((~np.isfinite(own) & spoke).sum()):
        text = f"No output on {dark} of {own.size} clear days."
        return Observation(*words, "fail", None, "", "every morning", text)
    late, against = _late_against_siblings(own, wake[:, others]), "siblings"
    if not np.isfinite(late):
        late, against = _late_against_light(days, own, ref), "the expected light"
    if not np.isfinite(late):
        text = "Give the inverter's start-up voltage and the module's voltage."
        return Observation(*words, "unknown", None, "min", "", text)
    wait = days.site.grid.reconnect_s or 0.0
    allowed = WAKE_LATE.value + 2.0 * days.step_s + wait
    verdict: Verdict = "pass" if late <= allowed / 2.0 else "near" if late <= allowed else "fail"
    text = "" if verdict == "pass" else "Morning shade, or a start-up voltage reached late: see the start rows."
    return Observation(
        *words,
        verdict,
        max(late, 0.0) / 60.0,
        f"min after {against}",
        f"within {allowed / 120.0:.0f} min",
        text,
    )


def _late_against_siblings(own: Floats, others: Floats) -> float:
    known = np.isfinite(own) & np.isfinite(others).any(axis=1) if others.size else np.zeros(own.shape, bool)
    if not known.any():
        return float("nan")
    return float(np.median(own[known] - np.nanmedian(others[known], axis=1)))


def _late_against_light(days: ClearDays, own: Floats, ref: InputRef) -> float:
    light = days.poa[:, ref.index]
    needed = np.asarray(expected_start_irradiance(ref, np.nan_to_num(days.air, nan=15.0)), dtype=float)
    with np.errstate(invalid="ignore"):
        ready = (light >= needed).reshape(days.days.size, -1)
    due = np.where(ready.any(axis=1), ready.argmax(axis=1) * float(days.step_s), np.nan)
    known = np.isfinite(due) & np.isfinite(own)
    return float(np.median(own[known] - due[known])) if known.any() else float("nan")


def _voltage(days: ClearDays, ref: InputRef) -> Observation:
    words = ("voltage", "Operating voltage")
    volts = days.voltage[:, ref.index]
    if ref.module is None or not np.isfinite(volts).any():
        missing = "The record has no DC voltage." if ref.module else "Name the module."
        return Observation(*words, "unknown", None, "V", "", missing)
    band = expected_voltage_band(ref.module, days.t_cell[:, ref.index])
    working = (days.poa[:, ref.index] >= BAND_LIGHT.value) & np.isfinite(volts) & np.isfinite(band.v_mp_nominal)
    ceiling = expected_clipping(ref)
    if ceiling is not None:
        # A full unit works above the band on purpose.
        working &= ~(days.power[:, ref.index] >= 0.97 * ceiling.power_w)
    working &= days.power[:, ref.index] > 0.3 * days.expected[:, ref.index]
    if working.sum() < 6:
        text = "Too little unclipped output in good light, or no module voltage in the file."
        return Observation(*words, "unknown", None, "V", "", text)
    inside = (volts >= band.v_mp_low) & (volts <= band.v_mp_high)
    share = float(inside[working].mean())
    middle = float(np.median(volts[working]))
    low, high = float(np.median(band.v_mp_low[working])), float(np.median(band.v_mp_high[working]))
    expected = f"{low:.1f} to {high:.1f} V"
    if share >= BAND_SHARE.value:
        return Observation(*words, "pass", middle, "V", expected)
    part = float(np.median(volts[working] / band.v_mp_nominal[working]))
    if 1.0 + BAND_LOW.value <= part <= 1.0 + BAND_HIGH.value:
        out = 100.0 * (1.0 - share)
        text = f"Outside its band {out:.0f} % of the time: passing shade, or a contact that comes and goes."
        return Observation(*words, "near", middle, "V", expected, text)
    text = _voltage_text(ref, part)
    return Observation(*words, "near" if 0.85 < part < 1.1 else "fail", middle, "V", expected, text)


def _voltage_text(ref: InputRef, part: float) -> str:
    count = (ref.module.substrings if ref.module else None) or 3
    for lost in range(1, count):
        if abs(part - (count - lost) / count) < 0.5 / count * 0.8:
            return f"About {count - lost} of {count} substrings: a lost bypass group, or steady shade on it."
    if part > 1.1:
        return "Higher than this module gives: another module is fitted, or the file names the wrong one."
    return "Lower than this module gives: another module, shade, or poor contacts."
