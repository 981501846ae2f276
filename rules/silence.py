"""Kinds of silence of a day: one long one, or many small ones."""

from __future__ import annotations

import numpy as np

from rules.case import Case, Floats, Mask
from rules.finding import Threshold

LONG_GAP = Threshold(2.0, "h", "own reasoning: longer than a gateway restart or a modem's night update")
FULL_SHARE = Threshold(0.6, "of lit hours", "own reasoning: most of the day, in however many pieces")
PATCHY_SHARE = Threshold(
    0.10, "of lit hours", "own reasoning: radio links lose a few per cent in health (common practice: under 5 %)"
)
PATCHY_RUNS = Threshold(3, "gaps a day", "own reasoning: fewer are outages, not a bad link")
#: Pieces over what chance would make of the same number of lost rows: below, the loss comes in blocks.
SCATTERED = Threshold(0.35, "ratio", "expected runs of n independent losses at share s: n s (1 - s)")


def kinds(
    missing_h: Floats, longest_h: Floats, runs: Floats, lit_h: Floats, step_s: Floats
) -> tuple[Mask, Mask, Mask]:
    """Silent, patchy and judged days, each bool in the shape of ``missing_h``.

    Parameters
    ----------
    missing_h, longest_h, lit_h : hours; runs : number of gaps; step_s : s.
    """
    hours = np.broadcast_to(step_s, missing_h.shape) / 3600.0
    judged = lit_h >= 1.0
    share = missing_h / np.maximum(lit_h, 1e-6)
    rows = lit_h / hours
    by_chance = rows * share * (1 - share)
    scattered = (runs >= SCATTERED.value * by_chance) & (runs >= PATCHY_RUNS.value)
    long = (longest_h >= LONG_GAP.value) | (longest_h >= 0.8 * lit_h)
    silent = judged & ((share >= 0.97) | (~scattered & long & (share >= 0.12)) | (~scattered & (share >= FULL_SHARE.value)))
    patchy = judged & ~silent & (runs >= PATCHY_RUNS.value) & (share >= PATCHY_SHARE.value)
    return silent, patchy, judged


def unit_kinds(case: Case) -> tuple[Mask, Mask, Mask]:
    """Kinds of each unit's own silence, its gateway being heard, [D, U]."""
    t = case.table
    return kinds(
        t["own_missing_h"], t["own_gap_h"], t["own_gaps"], t["unit_lit_h"], t["step_s"][:, None]
    )


def gateway_kinds(case: Case) -> tuple[Mask, Mask, Mask]:
    """Kinds of the silence of each unit's whole gateway, [D, U]."""
    t = case.table
    return kinds(
        t["quiet_missing_h"], t["quiet_gap_h"], t["quiet_gaps"], t["unit_day_h"], t["step_s"][:, None]
    )
