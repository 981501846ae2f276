"""Lifetime counters that wrap, told from counters that were reset."""

from __future__ import annotations

from typing import Final

import numpy as np

from collectors.modbus.reading import Floats

#: More than any one input can make. Common practice: module-level inputs stay below 1 kW.
MAX_INPUT_W: Final = 2000.0
#: Counters in floats and the store's 0.1 Wh step may seem to go back by this much.
_SLACK_WH = 0.5
_LEAST_HOURS = 0.25


def unwrap(
    value: Floats, span: Floats, last_total: Floats, hours: Floats, max_input_w: float = MAX_INPUT_W
) -> tuple[Floats, Floats]:
    """Continue counters over their wrap.

    A counter that went back has wrapped if the energy since ``last_total`` could
    have been made in that time; otherwise it was reset or the unit replaced, and
    counts from its own zero.

    Parameters
    ----------
    value : counters as read, Wh (NaN: not reported).
    span : energy at which each wraps, Wh (inf: never).
    last_total : continued counters at the last reading, Wh (NaN: none).
    hours : time since then, h.
    max_input_w : what an input can make at most, W.

    Returns
    -------
    total : continued counters, Wh.
    reset : 1.0 where the counter was reset, else 0.0.
    """
    known = np.isfinite(value) & np.isfinite(last_total)
    wraps = np.isfinite(span) & (span > 0)
    safe_span = np.where(wraps, span, 1.0)
    turns = np.where(known & wraps, np.floor(np.where(known, last_total, 0.0) / safe_span), 0.0)
    total = value + turns * np.where(wraps, span, 0.0)
    back = known & (total < last_total - _SLACK_WH)
    gained = total + safe_span - last_total
    wrapped = back & wraps & (gained <= max_input_w * np.maximum(hours, _LEAST_HOURS))
    reset = back & ~wrapped
    total = np.where(wrapped, total + safe_span, np.where(reset, value, total))
    return total, reset.astype(np.float64)
