"""DC power where a record does not hold it: from volts and amperes, from counters, from the unit's AC power."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from rules.ranks import F32

#: Power that a counter's smallest step is worth at most, W, in the window it is differenced over:
#: own reasoning, a few per cent of a module in good light.
_COUNTER_NOISE_W: Final = 15.0
#: A counter's smallest rise, Wh: less is rounding.
_LEAST_RISE_WH: Final = 0.05
#: Rows so far apart that half of one matters for where the sun stood, s.
_FAR_APART_S: Final = 1800
#: No module-level input gives more, W.
_MOST_INPUT_W: Final = 2000.0
#: DC to AC efficiency assumed where only AC power is known (common practice for module-level units).
_AC_EFFICIENCY: Final = 0.96


def completed_power(
    power: F32,
    voltage: F32,
    current: F32,
    energy: NDArray[np.float64],
    ac_power: F32,
    unit_of: NDArray[np.int64],
    step_s: int,
) -> F32:
    """DC power with its gaps filled: volts times amperes, else the counter's rise, else the unit's AC power.

    Parameters
    ----------
    power, voltage, current : [D, K, N], W, V, A; NaN where not reported.
    energy : [D, K, N] lifetime counter, Wh.
    ac_power : [D, K, U], W.
    unit_of : [N], unit of each input.
    step_s : length of a slot, s.

    Returns
    -------
    [D, K, N], W; NaN where nothing tells.
    """
    missing = np.isnan(power)
    if not missing.any():
        return power
    product = voltage * current
    power = np.where(missing, product, power)
    missing = np.isnan(power)
    wanted = missing & np.isfinite(energy)
    if wanted.any():
        # Counters are differenced only where nothing better was read.
        some = np.flatnonzero(wanted.any(axis=(0, 1)))
        rise = _counter_power(energy[:, :, some], step_s)
        power[:, :, some] = np.where(missing[:, :, some], rise, power[:, :, some])
        missing = np.isnan(power)
    if missing.any() and np.isfinite(ac_power).any():
        power = np.where(missing, _left_of_ac(power, missing, ac_power, unit_of), power)
    return power.astype(np.float32)


def _left_of_ac(power: F32, missing: NDArray[np.bool_], ac_power: F32, unit_of: NDArray[np.int64]) -> F32:
    """What a unit's AC power leaves beside its inputs that are known, shared by those that are ``missing``, W, [D, K, N].

    One cell may be blank where the input makes nothing: its neighbour's power is not its own.
    """
    of_unit = (unit_of[:, None] == np.arange(ac_power.shape[2])).astype(np.float32)
    known, blank = np.nan_to_num(power) @ of_unit, missing.astype(np.float32) @ of_unit
    left = np.maximum(ac_power / np.float32(_AC_EFFICIENCY) - known, 0.0) / np.maximum(blank, 1.0)
    return np.asarray(left[:, :, unit_of], np.float32)


def _counter_power(energy: NDArray[np.float64], step_s: int) -> NDArray[np.float64]:
    """Power from the rise of lifetime counters, W, [D, K, M]; NaN where the counter was not read.

    Coarse counters (10 Wh) are differenced over up to an hour, so that a step
    of the counter does not look like a burst of power.
    """
    slots = energy.shape[1]
    rises = np.diff(energy, axis=1)
    smallest = float(np.min(rises[rises > _LEAST_RISE_WH], initial=np.inf))
    quantum = smallest if np.isfinite(smallest) else 1.0
    half = int(np.clip(np.ceil(quantum * 3600.0 / _COUNTER_NOISE_W / step_s), 1, max(1, 3600 // step_s))) / 2.0
    if step_s >= _FAR_APART_S:
        half = max(half, 1.0)  # what an hour's rise is worth belongs to its middle, half a row before the stamp
    before, after = int(np.floor(half + 0.5)), int(np.floor(half))
    # The stamp closes its interval: with a window of one slot the rise is the one just ended.
    index = np.arange(slots)
    low, high = np.maximum(index - before, 0), np.minimum(index + after, slots - 1)
    out = np.full(energy.shape, np.nan)
    for d in range(energy.shape[0]):
        for n in range(energy.shape[2]):
            told = np.isfinite(energy[d, :, n])
            if told.sum() < 2:
                continue
            first, last = index[told][[0, -1]]
            whole = np.interp(index, index[told], energy[d, told, n])
            # What was counted before the day's first row has no hour.
            begin, end = np.clip(low, first, last), np.clip(high, first, last)
            told &= end > begin
            out[d, told, n] = ((whole[end] - whole[begin]) * 3600.0 / (np.maximum(end - begin, 1) * step_s))[told]
    out[(out < 0) | (out > _MOST_INPUT_W)] = np.nan
    return out
