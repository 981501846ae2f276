"""shading: an input loses power whenever the sun stands behind the same thing.

On the roof: a tree, chimney, pole, dormer, neighbouring row or building. Beam
light is blocked at the same sun azimuth and elevation day after day; under a
thick overcast nothing is lost.

Looks at: the ratio to siblings in half-hour bins of the sun's path, in clear
spells, against the same day's unshaded level; a loss counts when it returns in
the same bins of most clear days around. Direction and height of the obstruction
follow from the bins. Columns: ``dc_power_w`` or what it can be derived from.

Looks the same: ``soiling``, ``weak-input``, ``substring-loss`` (every hour),
``snow`` (few days), low sun on a whole plane (not a fault), ``clock-shift`` and
``swapped-record`` (both sides of noon).
"""

from __future__ import annotations

import numpy as np

from rules.case import Candidate, Case, Floats, Mask, RuleResult, Unjudged
from rules.daytable import BIN_HOURS
from rules.finding import Alternative, Threshold

COLUMNS = ("dc_power_w",)
BIN_LOSS = Threshold(0.10, "ratio", "own reasoning: three times the spread of a module's ratio within a clear day")
DAY_LOSS = Threshold(0.012, "of the day's energy", "own reasoning: below, no owner would act and noise would")
REPEAT = Threshold(0.6, "of clear days around", "own reasoning: a fixed thing shades on most clear days, chance does not")
AROUND = Threshold(8, "days each way", "own reasoning: the sun's path moves less than 4 degrees in a week (pvlib SPA)")
MIN_CLEAR = Threshold(3, "clear days around", "own reasoning: two may agree by chance")
LONE_LOSS = Threshold(0.25, "ratio", "transposition models differ by some 10 % and more at low sun (own comparison)")
LONE_SUN_DEG = Threshold(15.0, "deg", "own reasoning: below, model error of a lone plane outweighs its shade")
LOW_SUN_DEG = Threshold(4.0, "deg", "common practice: horizon and haze below 5 degrees belong to the site")


def judge(case: Case) -> RuleResult:
    """One candidate per shaded input."""
    result = RuleResult()
    loss = _bin_loss(case)
    clear = case.clear_weight >= 0.5
    high = case.bin_elevation >= LOW_SUN_DEG.value
    for ref in case.inputs:
        n = ref.index
        # A guessed sky errs most at low sun: a lone input needs a plain case.
        lone = case.members[n] < 2
        seen = np.isfinite(loss[:, n]) & clear & (case.bin_elevation >= LONE_SUN_DEG.value if lone else high)
        judged = (seen & (case.witness[:, n] > 0.05 * BIN_HOURS)).sum(axis=1) >= 3
        blind = int((case.light_days & ~judged).sum())
        if blind:
            result.unjudged.append(Unjudged(n, "shading", "no clear spells long enough to see the sun's shadows", blind))
        repeated = _repeated(loss[:, n], seen, LONE_LOSS.value if lone else BIN_LOSS.value)
        lost = np.where(repeated & seen, np.maximum(loss[:, n], 0) * case.witness[:, n], 0).sum(axis=1)
        share = lost / np.maximum(case.witness[:, n].sum(axis=1), 1e-6)
        # A day counts when the shaded bins of that very day were clear and lossy.
        days = (share >= DAY_LOSS.value) & judged
        if days.sum() < 2:
            continue
        result.candidates.append(_candidate(case, n, days, repeated, loss[:, n], seen))
    return result


def _bin_loss(case: Case) -> Floats:
    """Share lost in each bin against the day's own upper level, [D, N, B]."""
    level = np.where(np.isfinite(case.day_level), case.day_level, 1.0)
    # On a day mostly in shade the day's own level is too low: the input's usual level stands in.
    usual = np.full(level.shape[1], np.nan)
    for n in range(level.shape[1]):
        good = case.day_level[:, n][np.isfinite(case.day_level[:, n])]
        usual[n] = np.quantile(good, 0.75) if good.size else np.nan
    usual = np.where(np.isfinite(usual), np.minimum(usual, 1.05), 1.0)
    near = level > 0.8 * usual
    level = np.where(near, level, np.minimum(usual, np.maximum(level, 0.3)))
    return 1.0 - case.ratio / level[:, :, None]


def _repeated(loss: Floats, seen: Mask, need: float) -> Mask:
    """Bins whose loss returns on most clear days around, [D, B]."""
    lossy = (loss > need) & seen
    days = len(loss)
    reach = int(AROUND.value)
    count = _window_sum(lossy.astype(float), reach)
    of = _window_sum(seen.astype(float), reach)
    # The shadow's edge wanders by a bin over weeks: a neighbour bin may vote half.
    side = np.zeros_like(count)
    side[:, 1:] += 0.25 * count[:, :-1]
    side[:, :-1] += 0.25 * count[:, 1:]
    enough = np.minimum(MIN_CLEAR.value, max(2.0, days / 3.0))
    return (of >= enough) & (np.minimum(count + 0.5 * side, of) >= REPEAT.value * of) & (count >= 2)


def _window_sum(values: Floats, reach: int) -> Floats:
    padded = np.zeros((len(values) + 2 * reach + 1, values.shape[1]))
    padded[reach + 1 : reach + 1 + len(values)] = values
    total = np.cumsum(padded, axis=0)
    return total[2 * reach + 1 :] - total[: -(2 * reach + 1)]


def _candidate(case: Case, n: int, days: Mask, repeated: Mask, loss: Floats, seen: Mask) -> Candidate:
    ref = case.inputs[n]
    weight = np.where(repeated & seen & days[:, None], np.maximum(loss, 0) * case.witness[:, n], 0)
    total = float(weight.sum())
    azimuth, elevation = case.bin_azimuth, case.bin_elevation
    angle = np.radians(azimuth)
    direction = float(np.degrees(np.arctan2((weight * np.sin(angle)).sum(), (weight * np.cos(angle)).sum())) % 360)
    biting = weight > 0.15 * weight.max()
    top = float(np.quantile(elevation[biting], 0.9))
    by_bin = weight.sum(axis=0)
    hours = np.flatnonzero(by_bin > 0.1 * by_bin.max())
    first_h, last_h = hours[0] * BIN_HOURS, (hours[-1] + 1) * BIN_HOURS
    # Loss on every day of the spell: seen bins as measured, cloudy ones have none to lose.
    lost = np.where(repeated, np.maximum(loss, 0) * case.witness[:, n], 0)
    span = np.zeros(case.day_count, bool)
    where = np.flatnonzero(days)
    span[where[0] : where[-1] + 1] = True
    lost_wh = np.nansum(lost, axis=1) * case.rated[n] * span
    clear_days = int(((seen & (case.witness[:, n] > 0.05 * BIN_HOURS)).sum(axis=1) >= 3)[where[0] : where[-1] + 1].sum())
    depth = float(np.nansum(weight) / max(np.nansum(np.where(weight > 0, case.witness[:, n], 0)), 1e-9))
    return Candidate(
        fault="shading",
        scope="input",
        inputs=(n,),
        days=days,
        loss_wh=lost_wh,
        strength=float(np.clip(0.55 + 0.3 * (1 - np.exp(-days.sum() / 4.0)) + 0.3 * (depth - 0.15), 0.3, 0.97)),
        why=(
            f"{ref.label} loses {100 * depth:.0f} % whenever the clear sun stands near azimuth {direction:.0f}° and up to "
            f"{top:.0f}° high (solar time {_clock(first_h)} to {_clock(last_h)}), on {int(days.sum())} of {clear_days} clear days."
        ),
        evidence={
            "direction_deg": round(direction, 1),
            "height_deg": round(top, 1),
            "depth": round(depth, 3),
            "solar_hours": [round(first_h, 2), round(last_h, 2)],
            "clear_days": clear_days,
            "lost_share": round(total / max(float(case.witness[days, n].sum()), 1e-9), 4),
            "bins": [round(float(v), 4) for v in by_bin],
        },
        alternatives=(
            Alternative("soiling", 0.05, "Whether the loss follows the hour (shade) or stays all day (dirt)."),
            Alternative("substring-loss", 0.03, "Voltage at other hours of a clear day: it comes back behind shade."),
        ),
        lasting=True,
    )


def _clock(hours: float) -> str:
    return f"{int(hours):02d}:{round(hours % 1 * 60):02d}"


