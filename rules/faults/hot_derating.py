"""hot-derating: a unit gives less as it heats and recovers as it cools.

On the roof: a unit without air behind it, in the sun, under leaves, or with a
failing heat path. It protects itself; heat shortens its life.

Looks at: the ratio to siblings (or to the sky) by the unit's own temperature,
over all days: full when cooler, falling when hot. Columns: ``temperature_c``
and ``dc_power_w`` or ``ac_power_w``.

Where it is most of its plane: its brightest hours against the site's sky on days on which it is
unduly hot (:mod:`rules.overheat`).

A limit shows in the heat itself: it pins the unit's highest temperature day after day, where others follow air and wind.

Looks the same: ``shading`` at noon (follows the sun, not the temperature),
``clipping`` (flat), ``curtailment`` (all units at once).
"""

from __future__ import annotations

from typing import Any

import numpy as np

from rules.candidate import Candidate, RuleResult, Unjudged, by_days, suspect
from rules.case import Case
from rules.daytable import HEAT_BINS, HEAT_FROM_C, HEAT_STEP_C
from rules.finding import Alternative, Threshold
from rules.heatcurve import HOT_C, LOWER_C, MIN_ENERGY, Fall, by_heat, falls, pinned, within_days
from rules.ontime import bins_late
from rules.overheat import BRIGHT_HOURS, overheated
from rules.ranks import Mask, row_quantile
from rules.resistance import resistive

COLUMNS = ("temperature_c", "dc_power_w")
COOL_K = Threshold(6.0, "K below the dips", "own reasoning: a unit that protects itself is sound a few kelvin lower")
DROP = Threshold(0.05, "ratio", "own reasoning: above the spread of a unit's ratio between cool and warm hours")
SLIGHT = Threshold(0.025, "ratio", "own reasoning: siblings part by under 1 % as they warm; heat far beyond theirs says why")
SLIGHT_DAYS = Threshold(3, "days", "own reasoning: a slight loss must come back with the heat")
FAR_K = Threshold(10.0, "K over other units", "own reasoning: units alike in one roof's wind and light differ by some kelvin")
OVER_K = Threshold(2.0, "K over other units", "own reasoning: shade cools a unit, derating comes from being hotter")
NO_COOLER_K = Threshold(
    -0.5, "K over other units", "own reasoning: sensors of one make agree within some kelvin; shade cools a unit"
)
CEILING = Threshold(0.4, "of the hours of dips", "own reasoning: a unit that is too hot seldom reaches its rating meanwhile")
MANY = Threshold(3, "units", "own reasoning: what more of a plane share is dirt, haze or our model; units fail one by one")
MANY_DEEP = Threshold(0.9, "of the level", "own reasoning: twice what the models of sky and module miss by")
MANY_DAYS = Threshold(8, "days", "own reasoning: a hot roof is hot on all bright days of a fortnight, haze and dirt come and go")
SKY_DAYS = Threshold(5, "days", "own reasoning: heat does the same on every hot day; haze, dirt and shade do on some")
KEEPS = Threshold(0.98, "of its level", "own reasoning: siblings in the same light differ by 1 to 2 %")
MIN_HOURS = Threshold(0.5, "h a day", "own reasoning: one half hour, or parts of two")
_MILD_K = 2.0  # K under HOT_C: a dip at a lower temperature is not by heat


def judge(case: Case) -> RuleResult:
    """Candidates per unit."""
    table, result = case.table, RuleResult()
    if not case.day_count:
        return result
    warm = np.atleast_1d(np.isfinite(table["temp_max"]).any(axis=0))
    all_falls = {u: falls(case, u) for u in np.flatnonzero(warm).tolist()}
    falling = np.zeros(len(case.inputs), bool)
    for u, found in all_falls.items():
        falling[case.inputs_of_unit(u)] = bool(found)
    for u in range(len(case.site.units)):
        inputs = case.inputs_of_unit(u)
        if not warm[u]:
            result.unjudged += [Unjudged(int(n), "hot-derating", "no temperature_c", int(case.light_days.sum())) for n in inputs]
            continue
        by_sky = next((c for f in all_falls[u] if (c := _by_sky(case, u, inputs, f, falling)) is not None), None)
        candidate = _candidate(case, u, inputs) or by_sky or _unduly_hot(case, u, inputs)
        if candidate is not None and not _one_keeps_on(case, inputs, candidate.days):
            result.candidates.append(candidate)
    return result


def _one_keeps_on(case: Case, inputs: np.ndarray, days: Mask) -> bool:
    """Whether some input keeps its level while its unit falls behind, on ``days`` [D]: heat would hold back all of them."""
    if len(inputs) < 2:
        return False
    ratio = case.ratio[:, inputs].swapaxes(0, 1)  # [M, D, B]
    usual = row_quantile(ratio.reshape(len(inputs), -1), 0.5)
    level = ratio[:, days] / np.maximum(usual, 0.1)[:, None, None]
    low = np.isfinite(level).all(axis=0) & (level.mean(axis=0) < 1 - DROP.value)
    light = np.where(low, case.free_witness[days][:, inputs].swapaxes(0, 1), 0.0)
    told = light.sum(axis=(1, 2))
    kept = np.nansum(level * light, axis=(1, 2)) / np.maximum(told, 1e-9)
    return bool((kept[told >= MIN_ENERGY.value] >= KEEPS.value).any())


def _candidate(case: Case, u: int, inputs: np.ndarray) -> Candidate | None:
    """A unit that falls behind its siblings as it heats, and is sound when cooler."""
    beside = np.isin(case.plane_of, case.plane_of[inputs]) & (case.unit_of != u)
    if not beside.any():
        return None  # inputs of one unit grow hot together: none tells what the others should make
    table = case.table
    temp, over = table["dip_temp"][:, u], table["dip_over"][:, u]
    days = _hot_dips(case, u, inputs)
    if not days.any():
        return None
    knee = float(np.median(temp[days])) - COOL_K.value
    upper = HEAT_FROM_C + HEAT_STEP_C * np.arange(HEAT_BINS)
    # The last bin has no upper edge: it holds the dips of whoever dips beyond it.
    cool = (upper <= knee + HEAT_STEP_C / 2) & (np.arange(HEAT_BINS) < HEAT_BINS - 1)
    power, typical = table["heat_power"][:, u], table["heat_typical"][:, u]
    cool_t, hot_t = typical[:, cool].sum(), typical[days][:, ~cool].sum()
    if cool_t < MIN_ENERGY.value or hot_t < MIN_ENERGY.value:
        return None
    sound = power[:, cool].sum() / cool_t
    deep = power[days][:, ~cool].sum() / hot_t / max(sound, 0.05)
    same_t = typical[days][:, cool].sum()
    same = power[days][:, cool].sum() / same_t if same_t > 0.1 else sound
    hotter = float(np.median(over[days]))
    drop = SLIGHT.value if hotter >= FAR_K.value and days.sum() >= SLIGHT_DAYS.value else DROP.value
    alone = len(case.site.units) < 3
    by_day = _follows_heat(case, u, days)
    # Shade lets go again at the same heat; heat never does: the hottest hours are the worst.
    told = np.flatnonzero((typical[days].sum(axis=0) >= MIN_ENERGY.value) & ~cool)
    if told.size and power[days][:, told[-1]].sum() > (1 - drop) * sound * typical[days][:, told[-1]].sum():
        return None
    if deep > 1 - drop or sound < 0.9 or same < 0.95 * sound:
        return None
    if not (hotter >= OVER_K.value or (by_day > 0.6 and hotter >= NO_COOLER_K.value) or (alone and by_day > 0.3)):
        return None
    if hotter < OVER_K.value and not alone and _contacts(case, inputs):
        return None
    lost = table["dip_loss"][:, u] * float(np.nanmean(case.rated[inputs])) * days

    def tell(days: Mask) -> tuple[str, dict[str, Any]]:
        hottest = float(np.nanmax(table["temp_max"][days, u]))
        why = (
            f"Unit {case.site.units[u].serial} fell to {100 * deep:.0f} % of its siblings near {knee + COOL_K.value:.0f} °C, "
            f"{hotter:+.0f} K against the other units (hottest {hottest:.0f} °C), and was sound when cooler, on "
            f"{int(days.sum())} days."
        )
        return why, {
            "temperature_c": round(knee + COOL_K.value, 1), "over_others_k": round(hotter, 1),
            "hot_ratio": round(float(deep), 3), "temperature_max_c": round(hottest, 1),
        }  # fmt: skip

    return suspect(
        tell,
        fault="hot-derating",
        scope="unit",
        inputs=tuple(int(n) for n in inputs),
        days=days,
        loss_wh=lost,
        strength=float(np.clip(0.55 + 0.05 * max(hotter, 0) + 0.25 * max(by_day, 0) + 0.05 * (days.sum() > 2), 0, 0.97)),
        alternatives=(
            Alternative("shading", 0.12, "A cool clear day: shade bites then too, heat does not."),
            Alternative("clipping", 0.05, "Whether power stays flat at the rating as temperature rises."),
        ),
    )  # fmt: skip


def _hot_dips(case: Case, u: int, inputs: np.ndarray) -> Mask:
    """Days on which a unit falls behind its siblings while it is hot, [D]; none where it does so as often when cool."""
    dip_h, temp = case.table["dip_h"][:, u], case.table["dip_temp"][:, u]
    # Under a ceiling of its own a unit falls behind larger ones just when it is warm.
    ceiling = case.table["clipped_h"][:, inputs].max(axis=1) > CEILING.value * dip_h
    dips = (dip_h >= MIN_HOURS.value) & ~ceiling
    days = dips & (temp >= HOT_C.value)
    mild = dips & (temp < HOT_C.value - _MILD_K)
    return days if mild.sum() <= 0.5 * days.sum() else np.zeros_like(days)


def _contacts(case: Case, inputs: np.ndarray) -> bool:
    """Whether every input has a resistance in its way: its loss grows with power, as heat does, and explains the rest."""
    return all(n in resistive(case) for n in inputs.tolist())


def _follows_heat(case: Case, u: int, days: np.ndarray) -> float:
    """How surely bright days with a dip are the hotter ones, -1 to 1: 1 when each was hotter than any without; 0 if few tell."""
    bright = case.table["heat_typical"][:, u].sum(axis=1)
    use = bright > 0.6 * np.nanmax(bright, initial=0.0)
    if use.sum() < 4 or days[use].all() or not days[use].any():
        return 0.0
    heat = case.table["temp_max"][use, u]
    return float(np.mean(heat[days[use]][:, None] > heat[~days[use]][None, :]) * 2 - 1)


def _by_sky(case: Case, u: int, inputs: np.ndarray, found: Fall, falling: Mask) -> Candidate | None:
    """A unit on whose plane no other keeps cool, and which so has no siblings: judged by its share of clear sky by its own heat.

    The hottest hours are the brightest: there the share of clear sky should be
    highest, not fall away. The module's own loss by heat is part of the expectation.

    Parameters
    ----------
    found : one of what :func:`rules.heatcurve.falls` says of the unit.
    falling : [N], inputs of units whose share falls so.
    """
    planes = np.unique(case.plane_of[inputs])
    mine = np.isin(np.arange(len(case.inputs)), inputs)
    if not all((mine | falling)[case.plane_of == p].mean() > 0.6 for p in planes):
        return None
    share, peak, knee = found.share, found.peak, found.knee
    table = case.table
    power, light = by_heat(case, u)
    after = np.arange(HEAT_BINS) >= knee
    deep = float(power[:, after].sum() / light[:, after].sum()) / float(share[peak])
    days = (light[:, after].sum(axis=1) > 0.15 * len(inputs)) & (
        power[:, after].sum(axis=1) < (1 - DROP.value) * share[peak] * light[:, after].sum(axis=1)
    )
    days &= table["clipped_h"][:, inputs].max(axis=1) < CEILING.value * light[:, after].sum(axis=1) / len(inputs)
    together = np.unique(case.unit_of[falling & np.isin(case.plane_of, planes)]).size > MANY.value
    if together and not pinned(case, u):
        # Heat falls off a shelf; what sinks from the coolest hours on, on many units, is the sky's or the model's.
        shelf = float(power[:, peak:knee].sum() / light[:, peak:knee].sum())
        if deep * float(share[peak]) > MANY_DEEP.value * shelf or days.sum() < MANY_DAYS.value:
            return None
    days &= (bins_late(case)[:, inputs] == 0.0).all(axis=1)  # where its stamps are wrong the sky is another hour's
    if days.sum() < SKY_DAYS.value or not within_days(power[days], light[days], knee, len(inputs)):
        return None
    if case.independent[planes].all() and _all_that_was(case, inputs, days):
        return None  # it is the clear sky that falls short, not the unit
    lost = np.maximum(share[peak] * light[:, after].sum(axis=1) - power[:, after].sum(axis=1), 0)
    return suspect(
        by_days(
            f"Unit {case.site.units[u].serial}, with none that keeps cool on its plane, gave {100 * deep:.0f} % of its own "
            f"level above {LOWER_C[knee]:.0f} °C, where the sun is brightest, on {{days}} days.",
            {"temperature_c": float(LOWER_C[knee]), "hot_ratio": round(deep, 3)},
        ),
        fault="hot-derating",
        scope="unit",
        inputs=tuple(int(n) for n in inputs),
        days=days,
        loss_wh=lost * float(np.mean(case.rated[inputs])) * days,
        strength=float(np.clip(0.5 + 1.0 * (1 - deep) + 0.02 * days.sum(), 0, 0.85)),
        alternatives=(
            Alternative("clipping", 0.15, "Whether power stays flat at the rating as temperature rises."),
            Alternative("shading", 0.15, "A cool clear day: shade bites then too, heat does not."),
        ),
    )


def _all_that_was(case: Case, inputs: np.ndarray, days: Mask) -> bool:
    """Whether inputs made all that the site's sky allowed them in the brightest hours of some days, [D]."""
    owed, made = case.expected[days][:, inputs].sum(axis=1), case.table["power"][days][:, inputs].sum(axis=1)
    bright = owed >= BRIGHT_HOURS.value * owed.max(axis=1, keepdims=True)
    return bool((made * bright).sum() >= KEEPS.value * (owed * bright).sum())


def _unduly_hot(case: Case, u: int, inputs: np.ndarray) -> Candidate | None:
    """A unit that makes less than the sky allows in its brightest hours, on days on which it is unduly hot."""
    found = overheated(case, u)
    if found is None or (not found.alone and _contacts(case, inputs)):
        return None

    def tell(days: Mask) -> tuple[str, dict[str, Any]]:
        hottest = float(np.nanmax(case.table["temp_max"][days, u]))
        why = (
            f"Unit {case.site.units[u].serial} gave {100 * found.ratio:.0f} % of its usual part of the sky's light in its "
            f"brightest hours, and more in dimmer ones, on {int(days.sum())} days on which it was {found.over_k:.0f} K "
            f"hotter than the other units or than on its sound days (hottest {hottest:.0f} °C)."
        )
        return why, {
            "over_others_k": round(found.over_k, 1), "hot_ratio": round(found.ratio, 3), "temperature_max_c": round(hottest, 1),
        }  # fmt: skip

    return suspect(
        tell,
        fault="hot-derating",
        scope="unit",
        inputs=tuple(int(n) for n in inputs),
        days=found.days,
        loss_wh=found.lost_h * float(np.nanmean(case.rated[inputs])),
        strength=float(np.clip(0.6 + 1.0 * (1 - found.ratio) + 0.01 * found.days.sum(), 0, 0.95)),
        alternatives=(
            Alternative("shading", 0.12, "A cool clear day: shade bites then too, heat does not."),
            Alternative("clipping", 0.05, "Whether power stays flat at the rating as temperature rises."),
        ),
    )  # fmt: skip
