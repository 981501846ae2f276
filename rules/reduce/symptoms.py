"""What ails an input in a lit slot: nothing heard, no voltage, no current, or its whole unit at rest."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from collectors.columns import STATE_CODES
from rules.daytable import DARK, DEAD, IDLE, MISSING, STANDBY, SYMPTOMS
from rules.finding import Threshold
from rules.panel import Panel
from rules.ranks import Mask
from rules.reduce.frame import Frame
from rules.reduce.slots import Features, Units
from rules.reduce.voltage import UNKNOWN_VMP_V, nominal_volts
from rules.siblings import nan_median

ZERO_POWER = Threshold(0.005, "W per rated W", "own reasoning: meter offset of 1 to 2 W on a 400 W module")
TRICKLE = Threshold(0.002, "W per rated W", "own reasoning: over a meter's last digit; units stay awake at some 1 W")
ZERO_SHARE = Threshold(0.015, "of siblings' power", "own reasoning: a leak or an offset; deep shade leaves more")
DEAD_VOLTS = Threshold(0.3, "of nominal Vmp", "own reasoning: below one of three substrings")
_LIVE_GRID_V = 60.0  # any grid that a unit can feed has more


def makes_nothing(frame: Frame) -> Mask:
    """Readings of inputs that make nothing, [D, K, N]."""
    made = frame.made_or_0
    nothing = frame.told & (made <= np.maximum(ZERO_POWER.value, ZERO_SHARE.value * frame.reference))
    # In the gloom all inputs make a watt or two: that is power, not an offset of a meter.
    return nothing & ~((made >= TRICKLE.value) & (made >= 0.5 * np.nan_to_num(frame.typical, nan=np.inf)))


def dark_units(panel: Panel, units: Units, nothing: Mask) -> Mask:
    """Units that report but make nothing on any input, [D, K, U]; ``nothing`` is that of each input, [D, K, N]."""
    told = np.isfinite(panel.power_w)
    return units.any(nothing) & ~units.any(told & ~nothing)


def symptoms(panel: Panel, frame: Frame, nothing: Mask, tripped: Mask) -> NDArray[np.int8]:
    """Symptom code of every slot and input, int8[D, K, N], -1 none.

    Parameters
    ----------
    nothing : bool[D, K, N], readings of inputs that make nothing.
    tripped : bool[D, K, U], units that wait for their grid: no symptom of theirs.
    """
    units = frame.units
    nominal = _completed(nominal_volts(panel.site), panel, frame.lit & ~nothing)
    low_volts = panel.voltage_v < DEAD_VOLTS.value * nominal
    has_volts = np.isfinite(panel.voltage_v)
    dark = dark_units(panel, units, nothing)
    voltage_told = units.any(has_volts)
    voltage_there = units.any(has_volts & ~low_volts)
    inputs_of = np.bincount(units.of, minlength=units.count)
    state = panel.state
    resting = state >= STATE_CODES["starting"]  # starting, standby, fault, off
    # A one-input unit that stays "starting" on a live grid with voltage cannot draw from its module.
    stuck = (state == STATE_CODES["starting"]) & (inputs_of == 1) & (panel.ac_voltage_v > _LIVE_GRID_V)
    # A unit that claims to produce while nothing flows has idle inputs; any other
    # unit with every input dark and voltage on one of them stands by.
    stands_by = dark & (voltage_there | ~voltage_told) & ~((state == STATE_CODES["producing"]) | stuck)
    # A unit is fed by its modules: rows without voltage on any of several inputs are the gateway's, not the unit's.
    lifeless = dark & voltage_told & ~voltage_there & (inputs_of > 1) & ((state == STATE_CODES["off"]) | (state < 0))
    hit = nothing & frame.lit
    symptom = np.full(panel.present.shape, -1, np.int8)
    symptom[hit & ~has_volts] = DARK
    symptom[hit & has_volts & ~low_volts] = IDLE
    symptom[hit & has_volts & low_volts] = DEAD
    # An input without voltage on a unit whose others have it is dead in its own right.
    symptom[hit & stands_by[:, :, units.of] & ~(has_volts & low_volts & ~resting[:, :, units.of])] = STANDBY
    symptom[tripped[:, :, units.of] & hit] = -1
    symptom[frame.lit & (~panel.present | lifeless[:, :, units.of])] = MISSING
    return symptom


def _completed(nominal: NDArray[np.float64], panel: Panel, making: Mask) -> NDArray[np.float64]:
    """Nominal voltage of each input, V, [N], the unknown ones from what the site's inputs show while ``making`` [D, K, N]."""
    if not np.isnan(nominal).any():
        return nominal
    seen = nan_median(np.where(making, panel.voltage_v, np.nan).reshape(-1, len(nominal)), 0)
    fallback = np.nanmedian(seen) if np.isfinite(seen).any() else UNKNOWN_VMP_V
    return np.where(np.isnan(nominal), fallback, nominal)


def symptom_features(panel: Panel, frame: Frame, symptom: NDArray[np.int8]) -> Features:
    """Hours, cost and first and last second of each symptom, [D, N, S], from its code by slot, int8[D, K, N]."""
    days, _, inputs = symptom.shape
    shape = (days, inputs, len(SYMPTOMS))
    slots, loss, clear = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    first, last = np.full(shape, np.nan), np.full(shape, np.nan)
    ts = panel.ts.astype(np.float64)
    for code in range(len(SYMPTOMS)):
        mask = symptom == code
        if not mask.any():
            continue
        slots[:, :, code] = mask.sum(axis=1)
        loss[:, :, code] = np.where(mask, frame.reference, 0).sum(axis=1)
        clear[:, :, code] = np.where(mask, frame.clear, 0).sum(axis=1)
        some = mask.any(axis=1)
        begin = np.take_along_axis(ts, mask.argmax(axis=1), axis=1)
        end = np.take_along_axis(ts, mask.shape[1] - 1 - mask[:, ::-1].argmax(axis=1), axis=1)
        first[:, :, code] = np.where(some, begin, np.nan)
        last[:, :, code] = np.where(some, end, np.nan)
    return {
        "symptom_slots": slots * panel.hours,
        "symptom_loss": loss * panel.hours,
        "symptom_clear": clear * panel.hours,
        "symptom_first": first,
        "symptom_last": last,
    }
