"""Kinds of silence of a day: one long one, or many small ones."""

from __future__ import annotations

import numpy as np

from rules.case import Case, Floats, Mask, runs_of
from rules.finding import Threshold

LONG_GAP = Threshold(2.0, "h", "own reasoning: longer than a gateway restart or a modem's night update")
PATCHY_SHARE = Threshold(
    0.10, "of lit hours", "own reasoning: radio links lose a few per cent in health (common practice: under 5 %)"
)
PATCHY_RUNS = Threshold(3, "gaps a day", "own reasoning: fewer are outages, not a bad link")
ONE_PIECE = Threshold(0.6, "of the missing time", "own reasoning: most of it in one gap is an outage, not a bad link")
MIN_ROWS = Threshold(4, "rows a day", "own reasoning: fewer missing rows prove no habit")


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
    whole = longest_h >= ONE_PIECE.value * missing_h
    # Longest run that independent losses at this share would make (Schilling 1990).
    rows = np.maximum(lit_h / hours, 2.0)
    p = np.clip(share, 0.02, 0.98)
    by_chance = np.log(np.maximum(rows * (1 - p), 1.5)) / np.log(1 / p)
    whole &= longest_h / hours > 2.2 * by_chance + 2
    long = ((longest_h >= LONG_GAP.value) & (longest_h >= 3 * hours)) | ((longest_h >= 0.8 * lit_h) & (longest_h >= 3 * hours))
    silent = judged & ((share >= 0.97) | (whole & long & (share >= 0.12)))
    patchy = judged & ~silent & (runs >= PATCHY_RUNS.value) & (share >= PATCHY_SHARE.value)
    patchy &= missing_h >= MIN_ROWS.value * hours
    # Few rows a day scatter widely: beyond what a healthy link's 5 % makes by chance (binomial, 3.3 sigma).
    patchy &= share >= 0.05 + 3.3 * np.sqrt(0.05 * 0.95 / rows)
    # Long gaps among patchy days are bursts of the same bad link.
    # Not -1: without a day numpy could not tell how many columns there are.
    flat = (len(silent), int(np.prod(silent.shape[1:])))
    flat_s, flat_p = silent.reshape(flat), patchy.reshape(flat)
    flat_share, flat_j = share.reshape(flat), judged.reshape(flat)
    for u in range(flat_s.shape[1]):
        for first, last in runs_of(flat_s[:, u] | flat_p[:, u], ~flat_j[:, u], most=1):
            spell = slice(first, last + 1)
            bad = flat_p[spell, u].sum()
            if bad >= 2 and bad >= 0.3 * (flat_s[spell, u].sum() + bad):
                burst = flat_s[spell, u] & (flat_share[spell, u] < 0.97)
                flat_p[spell, u] |= burst
                flat_s[spell, u] &= ~burst
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
