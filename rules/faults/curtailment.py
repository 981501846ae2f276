"""curtailment: all units are held below what the light offers.

On the roof nothing is wrong: an export limit, an operator's order, or the
units' own response to high frequency or voltage holds them down together.

Looks at: an upper level of all units that stays flat for an hour and a half or
more, below their rating, while the clear sky's curve moves; or power falling as
frequency rises. Columns: ``dc_power_w`` or ``ac_power_w``; ``ac_frequency_hz``
for the second kind.

Looks the same: ``clipping`` (a unit's own ceiling), ``soiling`` (a share, not a
flat top), passing clouds (not flat), ``hot-derating`` (follows temperature).
"""

from __future__ import annotations

import numpy as np

from rules.case import Candidate, Case, Floats, Mask, RuleResult
from rules.daytable import BIN_HOURS
from rules.finding import Alternative, Threshold
from rules.gridwindow import grid_window

COLUMNS = ("dc_power_w", "ac_frequency_hz")
MIN_BINS = Threshold(3, "half hours", "own reasoning: no cloud keeps all units level for an hour and a half")
FLAT = Threshold(0.012, "ratio", "own reasoning: the level of several units wanders by less than a meter's per cent")
BEND = Threshold(0.06, "ratio", "own reasoning: the clear sky's curve must have moved three times as much")
BELOW = Threshold(0.92, "of clear sky", "own reasoning: model error is some 10 %, taken out by the plane's gain")
ALIKE = Threshold(0.015, "ratio", "own reasoning: an export limit or order is the same number every day")
LONG_HOURS = Threshold(2.5, "h", "own reasoning: long enough to be no coincidence of thin cloud")
HZ_RISE = Threshold(0.2, "Hz over nominal", "common practice: droop starts 0.036 to 0.2 Hz above nominal")


def judge(case: Case) -> RuleResult:
    """At most one candidate for the site."""
    table, result = case.table, RuleResult()
    clear = case.table["plane_clear"].max(axis=1)
    gain = float(np.max(case.plane_gain)) if len(case.plane_gain) else 1.0
    level, wobble, spread = table["cap_level"], table["cap_wobble"], table["cap_spread"]
    cap = np.zeros(level.shape, bool)
    for d in range(case.day_count):
        cap[d] = _flat_bins(level[d], wobble[d], spread[d], clear[d] * gain)
    # A ceiling of the units themselves is clipping.
    top = np.nanmax(np.append(level.ravel(), 0.0))
    rating = _site_ceiling(case)
    cap &= level < 0.94 * min(rating, max(top, 1e-6) if top > 0.94 * rating else rating)
    droop = _droop(case, clear * gain)
    held = cap | droop
    hours = held.sum(axis=1) * BIN_HOURS
    days = (hours >= MIN_BINS.value * BIN_HOURS) & _repeats(level, cap, droop, hours)
    if not days.any() or (len(case.inputs) < 2 and days.sum() < 2):
        return result
    expected = np.maximum(case.table["clear"] * case.plane_gain[case.plane_of][None, :, None], case.table["power"])
    lost = np.where(held[:, None, :], expected - case.table["power"], 0.0).sum(axis=2)
    levels = float(np.nanmedian(np.where(cap, level, np.nan)[days])) if cap[days].any() else None
    by_hz = bool(droop[days].sum() > cap[days].sum())
    result.candidates.append(
        Candidate(
            fault="curtailment",
            scope="site",
            inputs=tuple(range(len(case.inputs))),
            days=days,
            loss_wh=(lost * case.rated).sum(axis=1) * days,
            strength=float(np.clip(0.55 + 0.1 * hours[days].mean() / 2 + 0.1 * (days.sum() > 1), 0, 0.95)),
            why=(
                f"All units were held down for {hours[days].sum():.1f} h on {int(days.sum())} days "
                + ("while the grid's frequency was high." if by_hz else
                   f"at a level of {100 * (levels or 0):.0f} % of their rating while the sky's light went on changing.")
            ),
            evidence={"hours": round(float(hours[days].sum()), 1), "level": None if levels is None else round(levels, 3),
                      "by_frequency": by_hz},
            alternatives=(
                Alternative("clipping", 0.08, "Whether the level is the units' own rating."),
                Alternative("soiling", 0.03, "Whether mornings and evenings are low too: a cap leaves them alone."),
            ),
        )
    )  # fmt: skip
    return result


def _repeats(level: Floats, cap: Mask, droop: Mask, hours: Floats) -> Mask:
    """Days whose level returns on another day, or that were held long enough to stand alone, [D]."""
    middle = np.array([np.median(v[m]) if m.any() else np.nan for v, m in zip(level, cap, strict=True)])
    with np.errstate(invalid="ignore"):
        alike = (np.abs(middle[:, None] / middle[None, :] - 1) < ALIKE.value).sum(axis=1) >= 2
    return alike | (hours >= LONG_HOURS.value) | droop.any(axis=1)


def _site_ceiling(case: Case) -> float:
    """Upper power per rated VA a unit can reach, about 1 where ratings are declared."""
    known = [u.inverter is not None and case.site.inverters[u.inverter].rated_va is not None for u in case.site.units]
    return 1.0 if np.mean(known) > 0.5 else 1.2


def _flat_bins(level: Floats, wobble: Floats, spread: Floats, clear: Floats) -> Mask:
    """Bins inside a flat run of enough length while the clear sky moved, [B]."""
    out = np.zeros(level.shape, bool)
    rated_clear = clear / BIN_HOURS
    ok = np.isfinite(level) & (level > 0.03) & (np.nan_to_num(wobble) < FLAT.value) & (np.nan_to_num(spread) < 0.12)
    ok &= rated_clear > 0.15
    start = 0
    size = len(level)
    while start < size:
        if not ok[start]:
            start += 1
            continue
        stop = start + 1
        low = high = level[start]
        while stop < size and ok[stop]:
            low, high = min(low, level[stop]), max(high, level[stop])
            if high / low - 1 > FLAT.value:
                break
            stop += 1
        if stop - start >= MIN_BINS.value:
            curve = rated_clear[start:stop]
            bent = curve.max() / curve.min() - 1 > BEND.value
            held = float(np.median(level[start:stop]))
            # A ceiling is not exceeded by the same day's other hours.
            over = np.nanmax(np.delete(level, np.arange(start, stop)), initial=0.0) > 1.03 * held
            if bent and held < BELOW.value * curve.max() and not over:
                out[start:stop] = True
        start = max(stop, start + 1)
    return out


def _droop(case: Case, clear: Floats) -> Mask:
    """Bins with high frequency and power below the sky's, [D, B]."""
    hertz = case.table["hz_bin"]
    if not np.isfinite(hertz).any():
        return np.zeros(hertz.shape, bool)
    window = grid_window(case.site, None, hertz[np.isfinite(hertz)])
    high = hertz > window.nominal_hz + HZ_RISE.value
    share = case.plane_share
    low = np.nanmin(np.where(np.isfinite(share), share, np.inf), axis=1) < 0.85
    calm = np.nan_to_num(case.table["kt_wobble"]) < 0.25
    return high & low & calm & (clear > 0.2 * BIN_HOURS)
