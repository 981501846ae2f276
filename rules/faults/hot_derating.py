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

import numpy as np
from numpy.typing import NDArray

from rules.candidate import Candidate, RuleResult, Unjudged
from rules.case import Case
from rules.daytable import HEAT_BINS, HEAT_FROM_C, HEAT_STEP_C
from rules.finding import Alternative, Threshold
from rules.held import ordered_days
from rules.ontime import bins_late
from rules.overheat import BRIGHT_HOURS, overheated
from rules.ranks import Floats, Mask, row_quantile
from rules.resistance import resistive

COLUMNS = ("temperature_c", "dc_power_w")
HOT_C = Threshold(50.0, "Celsius", "common practice: derating starts at 50 to 80 Celsius inside, by make")
COOL_K = Threshold(6.0, "K below the dips", "own reasoning: a unit that protects itself is sound a few kelvin lower")
DROP = Threshold(0.05, "ratio", "own reasoning: above the spread of a unit's ratio between cool and warm hours")
SLIGHT = Threshold(0.025, "ratio", "own reasoning: siblings part by under 1 % as they warm; heat far beyond theirs says why")
SLIGHT_DAYS = Threshold(3, "days", "own reasoning: a slight loss must come back with the heat")
FAR_K = Threshold(10.0, "K over other units", "own reasoning: units alike in one roof's wind and light differ by some kelvin")
WITHIN = Threshold(0.97, "of the day's cooler hours", "own reasoning: half of DROP; dirt takes no more from hot hours")
OVER_K = Threshold(2.0, "K over other units", "own reasoning: shade cools a unit, derating comes from being hotter")
CEILING = Threshold(0.4, "of the hours of dips", "own reasoning: a unit that is too hot seldom reaches its rating meanwhile")
FURTHER = Threshold(0.02, "of clear sky", "common practice: derating takes 2 to 5 % a kelvin; bins are 5 K")
MANY = Threshold(3, "units", "own reasoning: what more of a plane share is dirt, haze or our model; units fail one by one")
MANY_DEEP = Threshold(0.9, "of the level", "own reasoning: twice what the models of sky and module miss by")
MANY_DAYS = Threshold(8, "days", "own reasoning: a hot roof is hot on all bright days of a fortnight, haze and dirt come and go")
FALL = Threshold(0.07, "of the level", "own reasoning: models of sky and module miss by some 5 %")
PINNED_FALL = Threshold(0.045, "of the level", "own reasoning: a unit that holds one heat day after day does so by giving less")
PINNED_K = Threshold(1.6, "K", "own reasoning: the air of bright days alone differs by more")
PINNED_C = Threshold(65.0, "Celsius", "common practice: units derate from some 60 to 80 Celsius inside, by make")
PINNED_DAYS = Threshold(8, "bright days", "own reasoning: fewer may be one spell of weather")
PINNED_BRIGHT = Threshold(0.6, "of the brightest day", "own reasoning: with less light its limit is not reached")
SKY_DAYS = Threshold(5, "days", "own reasoning: heat does the same on every hot day; haze, dirt and shade do on some")
KEEPS = Threshold(0.98, "of its level", "own reasoning: siblings in the same light differ by 1 to 2 %")
MIN_HOURS = Threshold(0.5, "h a day", "own reasoning: two half hours")
MIN_ENERGY = Threshold(0.25, "h", "own reasoning: a quarter of a full-sun hour in each of cool and hot")


def judge(case: Case) -> RuleResult:
    """Candidates per unit."""
    table, result = case.table, RuleResult()
    if not case.day_count:
        return result
    warm = np.atleast_1d(np.isfinite(table["temp_max"]).any(axis=0))
    falls = {u: _falls(case, u) for u in np.flatnonzero(warm).tolist()}
    falling = np.zeros(len(case.inputs), bool)
    for u, fall in falls.items():
        falling[case.inputs_of_unit(u)] = bool(fall)
    for u in range(len(case.site.units)):
        inputs = case.inputs_of_unit(u)
        if not warm[u]:
            result.unjudged += [
                Unjudged(int(n), "hot-derating", "no temperature_c", int(case.light_days.sum())) for n in inputs
            ]
            continue
        by_sky = next((c for f in falls[u] if (c := _by_sky(case, u, inputs, f, falling)) is not None), None)
        candidate = _candidate(case, u, inputs) or by_sky or _unduly_hot(case, u, inputs)
        if candidate is not None and not _one_keeps_on(case, inputs, candidate.days):
            result.candidates.append(candidate)
    return result


def _one_keeps_on(case: Case, inputs: np.ndarray, days: Mask) -> bool:
    """Whether some input keeps its level where its unit as a whole falls behind, on ``days`` [D]: heat holds back all alike."""
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
    beside = np.isin(case.plane_of, case.plane_of[inputs]) & (case.unit_of != u)
    if not beside.any():
        return None  # inputs of one unit grow hot together: none says what the others should make
    table = case.table
    dip_h, temp, over = table["dip_h"][:, u], table["dip_temp"][:, u], table["dip_over"][:, u]
    # Under a ceiling of its own a unit falls behind larger ones just when it is warm.
    ceiling = table["clipped_h"][:, inputs].max(axis=1) > CEILING.value * dip_h
    dips = (dip_h >= MIN_HOURS.value) & ~ceiling
    days = dips & (temp >= HOT_C.value)
    if not days.any():
        return None
    mild = dips & (temp < HOT_C.value - 2.0)
    if mild.sum() > 0.5 * days.sum():
        return None  # it dips as often when cool: not the heat
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
    if not (hotter >= OVER_K.value or by_day > 0.6 or (alone and by_day > 0.3)):
        return None
    if hotter < OVER_K.value and not alone and _contacts(case, inputs):
        return None
    hottest = float(np.nanmax(table["temp_max"][days, u]))
    lost = table["dip_loss"][:, u] * float(np.nanmean(case.rated[inputs])) * days
    return Candidate(
        fault="hot-derating",
        scope="unit",
        inputs=tuple(int(n) for n in inputs),
        days=days,
        loss_wh=lost,
        strength=float(np.clip(0.55 + 0.05 * max(hotter, 0) + 0.25 * max(by_day, 0) + 0.05 * (days.sum() > 2), 0, 0.97)),
        why=(
            f"Unit {case.site.units[u].serial} fell to {100 * deep:.0f} % of its siblings near {knee + COOL_K.value:.0f} °C, "
            f"{hotter:+.0f} K against the other units (hottest {hottest:.0f} °C), and was sound when cooler, on "
            f"{int(days.sum())} days."
        ),
        evidence={"temperature_c": round(knee + COOL_K.value, 1), "over_others_k": round(hotter, 1),
                  "hot_ratio": round(float(deep), 3), "temperature_max_c": round(hottest, 1)},
        alternatives=(
            Alternative("shading", 0.12, "A cool clear day: shade bites then too, heat does not."),
            Alternative("clipping", 0.05, "Whether power stays flat at the rating as temperature rises."),
        ),
    )  # fmt: skip


def _contacts(case: Case, inputs: np.ndarray) -> bool:
    """Whether every input has a resistance in its way: its loss grows with power as heat does, and needs no other cause."""
    return all(n in resistive(case) for n in inputs.tolist())


def _follows_heat(case: Case, u: int, days: np.ndarray) -> float:
    """Rank-like agreement, -1 to 1, between bright days' heat and their dips."""
    bright = case.table["heat_typical"][:, u].sum(axis=1)
    use = bright > 0.6 * np.nanmax(bright, initial=0.0)
    if use.sum() < 4 or days[use].all() or not days[use].any():
        return 0.0
    heat = case.table["temp_max"][use, u]
    return float(np.mean(heat[days[use]][:, None] > heat[~days[use]][None, :]) * 2 - 1)


#: A unit's share of clear sky by its own heat, [H], where it is highest, and where it begins to fall for good.
_Fall = tuple[NDArray[np.float64], int, int]
_LOWER_C = HEAT_FROM_C + HEAT_STEP_C * (np.arange(HEAT_BINS) - 1)  # lower edges of the bins of heat


def _by_heat(case: Case, u: int) -> tuple[Floats, Floats]:
    """What a unit made, and what a clear sky's light would have given, by its own heat, [D, H]; 0 on days of an order."""
    free = ~ordered_days(case)[:, None]
    return case.table["heat_power"][:, u] * free, case.table["heat_light"][:, u] * free


def _pinned(case: Case, u: int) -> bool:
    """Whether a unit gets as hot on one bright day as on the next: it holds itself at a limit; others follow air and wind."""
    heat, light = case.table["temp_max"][:, u], case.table["heat_light"][:, u].sum(axis=1)
    top = heat[np.isfinite(heat) & (light > PINNED_BRIGHT.value * light.max(initial=0.0))]
    if len(top) < PINNED_DAYS.value:
        return False
    middle = float(np.median(top))
    return middle >= PINNED_C.value and 1.4826 * float(np.median(np.abs(top - middle))) <= PINNED_K.value


def _falls(case: Case, u: int) -> list[_Fall]:
    """A unit's share of clear sky by its own heat, [H], where it is highest, and where it begins to fall for good.

    A unit held at one heat may begin twice, by less at first. Empty where it does not fall, or other than heat makes it fall:
    it takes more with every kelvin.
    """
    power, light = _by_heat(case, u)
    total = light.sum(axis=0)
    enough = total >= MIN_ENERGY.value * len(case.inputs_of_unit(u))
    if enough.sum() < 3:
        return []
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.where(enough, power.sum(axis=0) / total, np.nan)
    # Below the first edge a unit is cool because the sun is low: there the sky model is at its worst.
    if not enough[1:].any():
        return []
    peak = 1 + int(np.nanargmax(share[1:]))
    if share[peak] < 0.6:
        return []
    knees = [_knee(share, peak, least.value) for least in ((FALL, PINNED_FALL) if _pinned(case, u) else (FALL,))]
    return [(share, peak, knee) for knee in knees if knee is not None]


def _knee(share: NDArray[np.float64], peak: int, least: float) -> int | None:
    """Where a unit's share of clear sky by its own heat, [H], begins to fall by ``least`` for good; None where it does not."""
    fallen = np.flatnonzero((np.arange(HEAT_BINS) > peak) & (HOT_C.value <= _LOWER_C) & (share < (1 - least) * share[peak]))
    if not fallen.size:
        return None
    knee = int(fallen[0])
    if (np.diff(share[knee - 1 :][np.isfinite(share[knee - 1 :])]) > 0.02).any():
        return None
    # A level that was only reached at a few cool hours is no measure.
    told = share[(np.arange(HEAT_BINS) >= knee) & np.isfinite(share)]
    return None if len(told) > 1 and told[-1] > told[0] - FURTHER.value else knee


def _within_days(power: Floats, light: Floats, knee: int, inputs: int) -> bool:
    """Whether the unit gives less in the hot hours of a day than in its cooler ones: dirt that grows towards summer does not.

    ``power`` and ``light`` are [D, H]; True where too few days hold both.
    """
    before, after = slice(1, knee), slice(knee, None)
    cool, hot = light[:, before].sum(axis=1), light[:, after].sum(axis=1)
    told = np.minimum(cool, hot) >= 0.5 * MIN_ENERGY.value * inputs
    if told.sum() < 3:
        return True
    beside = (power[told][:, after].sum(axis=1) / hot[told]) / (power[told][:, before].sum(axis=1) / cool[told])
    return bool(np.median(beside) <= WITHIN.value)


def _by_sky(case: Case, u: int, inputs: np.ndarray, found: _Fall, falling: Mask) -> Candidate | None:
    """A unit whose plane has none that keeps cool has no siblings: its share of clear sky by its own heat tells.

    The hottest hours are the brightest: there the share of clear sky should be
    highest, not fall away. The module's own loss by heat is in the expectation.

    Parameters
    ----------
    found : one of what :func:`_falls` says of the unit.
    falling : [N], inputs of units whose share falls so.
    """
    planes = np.unique(case.plane_of[inputs])
    mine = np.isin(np.arange(len(case.inputs)), inputs)
    if not all((mine | falling)[case.plane_of == p].mean() > 0.6 for p in planes):
        return None
    share, peak, knee = found
    table = case.table
    power, light = _by_heat(case, u)
    after = np.arange(HEAT_BINS) >= knee
    deep = float(power[:, after].sum() / light[:, after].sum()) / float(share[peak])
    days = (light[:, after].sum(axis=1) > 0.15 * len(inputs)) & (
        power[:, after].sum(axis=1) < (1 - DROP.value) * share[peak] * light[:, after].sum(axis=1)
    )
    days &= table["clipped_h"][:, inputs].max(axis=1) < CEILING.value * light[:, after].sum(axis=1) / len(inputs)
    together = np.unique(case.unit_of[falling & np.isin(case.plane_of, planes)]).size > MANY.value
    if together and not _pinned(case, u):
        # Heat falls off a shelf; what sinks from the coolest hours on, on many units, is the sky's or the model's.
        shelf = float(power[:, peak:knee].sum() / light[:, peak:knee].sum())
        if deep * float(share[peak]) > MANY_DEEP.value * shelf or days.sum() < MANY_DAYS.value:
            return None
    days &= (bins_late(case)[:, inputs] == 0.0).all(axis=1)  # where its stamps are wrong the sky is another hour's
    if days.sum() < SKY_DAYS.value or not _within_days(power[days], light[days], knee, len(inputs)):
        return None
    if case.independent[planes].all() and _all_that_was(case, inputs, days):
        return None  # it is the clear sky that falls short, not the unit
    lost = np.maximum(share[peak] * light[:, after].sum(axis=1) - power[:, after].sum(axis=1), 0)
    return Candidate(
        fault="hot-derating",
        scope="unit",
        inputs=tuple(int(n) for n in inputs),
        days=days,
        loss_wh=lost * float(np.mean(case.rated[inputs])) * days,
        strength=float(np.clip(0.5 + 1.0 * (1 - deep) + 0.02 * days.sum(), 0, 0.85)),
        why=(
            f"Unit {case.site.units[u].serial}, with none that keeps cool on its plane, gave {100 * deep:.0f} % of its own "
            f"level above {_LOWER_C[knee]:.0f} °C, where the sun is brightest, on {int(days.sum())} days."
        ),
        evidence={"temperature_c": float(_LOWER_C[knee]), "hot_ratio": round(deep, 3)},
        alternatives=(
            Alternative("clipping", 0.15, "Whether power stays flat at the rating as temperature rises."),
            Alternative("shading", 0.15, "A cool clear day: shade bites then too, heat does not."),
        ),
    )


def _all_that_was(case: Case, inputs: np.ndarray, days: Mask) -> bool:
    """Whether inputs made what the site's sky allowed them in the brightest hours of some days, [D]."""
    owed, made = case.expected[days][:, inputs].sum(axis=1), case.table["power"][days][:, inputs].sum(axis=1)
    bright = owed >= BRIGHT_HOURS.value * owed.max(axis=1, keepdims=True)
    return bool((made * bright).sum() >= KEEPS.value * (owed * bright).sum())


def _unduly_hot(case: Case, u: int, inputs: np.ndarray) -> Candidate | None:
    """A unit short of the site's sky in its brightest hours on days on which it is far hotter than the others or than before."""
    found = overheated(case, u)
    if found is None or (not found.alone and _contacts(case, inputs)):
        return None
    hottest = float(np.nanmax(case.table["temp_max"][found.days, u]))
    return Candidate(
        fault="hot-derating",
        scope="unit",
        inputs=tuple(int(n) for n in inputs),
        days=found.days,
        loss_wh=found.lost_h * float(np.nanmean(case.rated[inputs])),
        strength=float(np.clip(0.6 + 1.0 * (1 - found.ratio) + 0.01 * found.days.sum(), 0, 0.95)),
        why=(
            f"Unit {case.site.units[u].serial} gave {100 * found.ratio:.0f} % of its usual part of the sky's light in its "
            f"brightest hours, and more in dimmer ones, on {int(found.days.sum())} days on which it was {found.over_k:.0f} K "
            f"hotter than the other units or than on its sound days (hottest {hottest:.0f} °C)."
        ),
        evidence={"over_others_k": round(found.over_k, 1), "hot_ratio": round(found.ratio, 3),
                  "temperature_max_c": round(hottest, 1)},
        alternatives=(
            Alternative("shading", 0.12, "A cool clear day: shade bites then too, heat does not."),
            Alternative("clipping", 0.05, "Whether power stays flat at the rating as temperature rises."),
        ),
    )  # fmt: skip
