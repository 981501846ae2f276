"""Where nothing was heard: of an input, of a unit whose gateway heard others, of a whole gateway."""

from __future__ import annotations

import numpy as np

from rules.finding import Threshold
from rules.panel import Panel
from rules.reduce.frame import LEAST_SKY, Frame
from rules.reduce.slots import Features, longest_run

DAYLIGHT = Threshold(0.15, "W per rated W", "own reasoning: under a clear sky; from here on a unit is awake under thick cloud too")
HORIZON_DEG = Threshold(5.0, "deg", "common practice: a lower sun belongs to hills, trees and haze")
GAP_LIGHT = Threshold(0.05, "W per rated W", "own reasoning: under a clear sky; earlier and later units wake and sleep one by one")


def gap_features(panel: Panel, frame: Frame) -> Features:
    """Runs of slots, in daylight, without a row of the input."""
    missing = ~panel.present & (frame.clear >= GAP_LIGHT.value) & panel.covered[:, :, None]
    longest, runs = longest_run(missing)
    return {"gaps": runs.astype(float), "longest_gap_h": longest * np.float32(panel.hours)}


def silence_features(panel: Panel, frame: Frame) -> Features:
    """Tell a silent unit (``own``) from a silent gateway (``quiet``), slot by slot."""
    hours, units = panel.hours, frame.units
    present = units.any(panel.present)
    brightest = np.zeros(present.shape, np.float32)
    for n, u in enumerate(units.of):
        np.maximum(brightest[:, :, u], frame.clear[:, :, n], out=brightest[:, :, u])
    lit = units.any(frame.lit)
    # In winter a plane may turn its back on the sun all day: half of its best is its day.
    least = np.clip(0.5 * brightest.max(axis=1, keepdims=True), LEAST_SKY.value, DAYLIGHT.value)
    daylight = (brightest >= least) & (panel.covered & (frame.elevation >= HORIZON_DEG.value))[:, :, None]
    gateways = [u.gateway for u in panel.site.units]
    quiet = np.zeros(present.shape, bool)
    for name in dict.fromkeys(gateways):
        mine = np.array([g == name for g in gateways])
        quiet[:, :, mine] = ~present[:, :, mine].any(axis=2, keepdims=True)
    quiet &= daylight
    own = ~present & ~quiet & lit
    out: Features = {
        "unit_lit_h": (lit & ~quiet).sum(axis=1) * hours,
        "unit_day_h": daylight.sum(axis=1) * hours,
        "own_missing_loss": np.where(own, units.sum(frame.reference), 0).sum(axis=1) * hours,
        "quiet_clear": np.where(quiet, units.sum(frame.clear), 0).sum(axis=1) * hours,
    }
    for name, mask in (("quiet", quiet), ("own", own)):
        longest, runs = longest_run(mask)
        out[f"{name}_gap_h"], out[f"{name}_gaps"] = longest * hours, runs.astype(float)
        out[f"{name}_missing_h"] = mask.sum(axis=1) * hours
    return out
