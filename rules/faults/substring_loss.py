"""substring-loss: an input works at one or two thirds of its voltage with full current.

On the roof: one or two of the module's cell strings are bypassed for good: a
shorted bypass diode, a broken cell interconnect or a hot solder joint. A heat
and fire concern, not only a loss.

Looks at: voltage over the site's typical voltage in good light with current at
its siblings' level, most of the day, at every sun position. Columns:
``dc_voltage_v`` and ``dc_power_w``. Without voltages two thirds of siblings'
power missing is taken with lower confidence; one third missing is told as
``weak-input``, with this as the other cause: power alone can't tell.

Looks the same: ``shading`` of part of the module (bypass conducts only at its
hours), ``weak-input`` (voltage normal), another module type (declared).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rules.alternatives import IN_SUN, OPEN_VOLTS
from rules.candidate import Candidate, RuleResult, Unjudged, by_days, suspect
from rules.case import Case
from rules.compat.expected import voltage_at_mpp
from rules.days import runs_of, span_mask
from rules.daytable import IDLE, STANDBY
from rules.finding import Alternative, Threshold
from rules.hard import symptom_loss_wh
from rules.levels import deficit_wh, relative_levels
from rules.ranks import Floats, Mask, median_of
from rules.siblings import middle, nan_median

COLUMNS = ("dc_voltage_v", "dc_power_w")
MIN_SHARE = Threshold(0.6, "of good-light hours", "own reasoning: shade by a fixed thing bites for less of the day")
WHOLE_DAY = Threshold(0.9, "of good-light hours of its best day", "own reasoning: shade leaves the voltage whole for some hours")
MIN_HOURS = Threshold(1.0, "h of good light a day", "own reasoning: at least two bins of the day")
COLLAPSED = (
    Threshold(0.32, "of nominal Vmp", "one of three substrings at open circuit is 0.41 of Vmp (Voc over Vmp 1.23)"),
    Threshold(0.50, "of nominal Vmp", "two of three would be 0.82"),
)
FULL_AMPS = Threshold(0.9, "ratio", "own reasoning: bypassed strings leave the others' current; a shadow takes it")
MIN_DAYS = Threshold(4, "days", "own reasoning: as many as tell an hour of the day by its middle")
POWER_BAND = Threshold(0.035, "ratio", "own reasoning: module spread around a third of power")
VOLT_BAND = Threshold(0.045, "ratio", "own reasoning: half a volt of a conducting diode (common practice) and warm or cool modules")
ILL_SIBLINGS = Threshold(0.5, "of the loss by voltage", "own reasoning: both ways agree within a quarter beside healthy siblings")
OPENS = Threshold(3, "spells", "own reasoning: a bypass that comes back twice is a contact that opens with heat, not three losses")
OPEN_HOURS = Threshold(0.5, "h a day", "own reasoning: two half hours' readings at a third, on an input known for it")

_DIM = 0.01  # of the days' light: hours in which there is little to measure
_WARM = 0.92  # operating voltage over its STC value at a cell of some 50 Celsius (-0.3 %/K, from memory)
_HOTTEST = 0.78  # the same at a cell of some 100 Celsius


def judge(case: Case) -> RuleResult:
    """Candidates for every input with such days."""
    result = RuleResult()
    volts, doubtful = _day_volts(case)
    for ref in case.inputs:
        n = ref.index
        total = (ref.module.substrings if ref.module else None) or 3
        collapsed = _collapsed(case, n)
        if collapsed.sum() >= 2:
            result.candidates.append(_too_low(case, n, collapsed, total))
        seen = _by_volts(case, n, volts[:, n], doubtful, total)
        with_volts = bool(seen.judged.any())
        if not with_volts:
            blind = int(case.light_days.sum())
            if blind:
                result.unjudged.append(Unjudged(n, "substring-loss", "no dc_voltage_v in good light", blind))
            by_power = _by_power(case, n, total, seen.third_h)
            if by_power is None:
                continue
            seen = by_power
        spells = []
        for first, last in runs_of(seen.hit, ~seen.judged, most=1):
            days = span_mask(case.day_count, [(first, last)]) & (seen.hit | ~seen.judged) & case.light_days
            if days.any() and (seen.hit[first : last + 1].sum() >= 2 or seen.third_h[days].sum() >= 2.5):
                spells.append(days)
        for days in _joined(spells, seen.third_h) if with_volts else spells:
            result.candidates.append(_candidate(case, n, days, seen, total, with_volts))
    return result


@dataclass(frozen=True)
class _Seen:
    """Days on which an input stands at some of its substrings.

    Attributes
    ----------
    hit, judged : bool[D], such days, and those that can be judged.
    third_h : float64[D], hours at that level.
    share : float64[D], voltage, or power, over the siblings'.
    """

    hit: Mask
    judged: Mask
    third_h: Floats
    share: Floats


def _by_volts(case: Case, n: int, volts: Floats, doubtful: Mask, total: int) -> _Seen:
    """An input by its voltage; no day is judged where none is reported in good light.

    Parameters
    ----------
    volts, doubtful : [D], of :func:`_day_volts`.
    total : substrings of its module.
    """
    table, levels = case.table, relative_levels(case)
    good_h, third_h = table["volt_good_h"][:, n], table["third_h"][:, n]
    # Clouds that reach one end of a roof first blur a row's current, but hardly the voltage and power of the day.
    whole = _near_thirds(volts, levels.level[:, n], total)
    told = levels.judged[:, n] & np.isfinite(levels.level[:, n]) & np.isfinite(volts)
    if (good_h >= MIN_HOURS.value).sum() < MIN_DAYS.value and _lasts(whole & told, told):
        good_h = np.where(told, table["lit_h"][:, n], 0.0)  # a plane that no good light reaches has its day's voltage and power
    judged = good_h >= MIN_HOURS.value
    full = whole & judged & ~(table["amp_ratio"][:, n] <= FULL_AMPS.value)
    if not _lasts(full, judged) or not _at_no_hour_whole(case, n, full, middle(volts[full])):
        whole &= doubtful
    third_h = np.where(whole, good_h, third_h)
    hit = judged & (third_h >= MIN_SHARE.value * good_h)
    hit &= (third_h >= WHOLE_DAY.value * good_h)[hit].any()
    return _Seen(hit, judged, third_h, volts)


def _by_power(case: Case, n: int, total: int, third_h: Floats) -> _Seen | None:
    """An input by its power, at two thirds lost and more, where no voltage tells; None where that does not last."""
    levels = relative_levels(case)
    hit = np.zeros(case.day_count, bool)
    for lost in range(2, total):
        hit |= np.abs(levels.level[:, n] - (total - lost) / total) < POWER_BAND.value
    judged = levels.judged[:, n]
    if hit.sum() < MIN_DAYS.value or hit.sum() < 0.6 * judged[np.flatnonzero(hit)[0] :].sum():
        return None
    return _Seen(hit, judged, third_h, levels.level[:, n])


def _candidate(case: Case, n: int, days: Mask, seen: _Seen, total: int, with_volts: bool) -> Candidate:
    """One spell, on some days [D], of an input of ``total`` substrings."""
    hours = float(seen.third_h[days].sum())
    ratio = middle(seen.share[days & seen.hit])
    lost_strings = int(np.clip(round((1 - ratio) * total), 1, total - 1))
    measured = "voltage" if with_volts else "power"
    return suspect(
        by_days(
            f"{case.inputs[n].label} worked at {100 * ratio:.0f} % of its siblings' {measured}"
            + (" with full current" if with_volts else "")
            + f" on {{days}} days: {lost_strings} of {total} substrings bypassed.",
            {"ratio": round(ratio, 3), "measured": measured, "hours": round(hours, 1), "substrings_lost": lost_strings},
        ),
        fault="substring-loss",
        scope="input",
        inputs=(n,),
        days=days,
        loss_wh=_loss_wh(case, n, days, lost_strings / (total - lost_strings), with_volts),
        strength=(0.97 - 0.3 * np.exp(-hours / 4.0)) if with_volts else 0.5,
        alternatives=(
            Alternative("shading", 0.04, f"Whether {measured} comes back at other hours of a clear day."),
            Alternative("weak-input", 0.03 if with_volts else 0.4, IN_SUN if with_volts else OPEN_VOLTS, kin=not with_volts),
        ),
        lasting=True,
    )


def _loss_wh(case: Case, n: int, days: Mask, ratio: float, with_volts: bool) -> Floats:
    """What a healthy input would have made more on some days [D], Wh, [D].

    Beside siblings; where those are ill themselves, by its voltage: substrings in
    series carry one current, so those bypassed would have made ``ratio`` times what
    the others made, in the share of the day's good light in which they were.
    """
    beside = deficit_wh(case, n, days)
    if not with_volts:
        return beside
    good_h, third_h = case.table["volt_good_h"][:, n], case.table["third_h"][:, n]
    share = np.clip(third_h / np.maximum(good_h, 1e-9), 0.0, 1.0)
    by_volts = case.energy[:, n] * case.rated[n] * ratio * share * days
    return by_volts if beside.sum() < ILL_SIBLINGS.value * by_volts.sum() else beside


def _joined(spells: list[Mask], third_h: Floats) -> list[Mask]:
    """Spells of one input, days [D] each; many are one contact that opens and closes, told with its shorter days."""
    if len(spells) < OPENS.value:
        return spells
    return [np.any(spells, axis=0) | (third_h >= OPEN_HOURS.value)]


def _day_volts(case: Case) -> tuple[Floats, Mask]:
    """Each input's voltage of the day over its healthy neighbours', both over nominal, [D, N]; NaN if not known.

    And the days on which so many are ill that the day's table took an ill one for healthy, [D].

    The upper middle of all: faults pull voltage down, and of four inputs two may be ill.
    """
    nominal = np.array([(ref.module and voltage_at_mpp(ref.module)) or np.nan for ref in case.inputs], float)
    known = np.isfinite(nominal)
    scaled = case.table["volts"] / np.where(known, nominal, median_of(nominal[known]) if known.any() else 1.0)
    count = np.isfinite(scaled).sum(axis=1)
    ordered = np.sort(scaled, axis=1)  # NaN last
    middle_v = ordered[np.arange(len(ordered)), np.minimum(count // 2, len(case.inputs) - 1)]
    # With fewer than three voices the nominal voltage at a warm cell stands in.
    usual = np.where(count >= 3, middle_v, _WARM if known.any() else np.nan)
    if known.any():
        # No heat takes so much: then most of the site is at a third.
        usual = np.where(usual < _HOTTEST, _WARM, usual)
    # Where two thirds are healthy the day's table knows better: it looks slot by slot, at those of them that are in the light.
    lower = ordered[np.arange(len(ordered)), np.maximum((count - 1) // 3, 0)]
    doubtful = (count >= 3) & (lower < 0.85 * usual)
    return scaled / usual[:, None], doubtful


def _near_thirds(volts: Floats, level: Floats, total: int) -> Mask:
    """Days on which voltage and power of the whole day stand at the same share of substrings, [D]."""
    out = np.zeros(len(volts), bool)
    for lost in range(1, total):
        left = (total - lost) / total
        power = (level > left - 2 * VOLT_BAND.value) & (level < left + 2 * VOLT_BAND.value)
        out |= (np.abs(volts - left + 0.01 * lost) < VOLT_BAND.value) & power
    return out


def _lasts(days: Mask, judged: Mask) -> bool:
    """Whether days [D] are enough and nearly all judged ones from their first to their last: a dull sky ends a shadow."""
    where = np.flatnonzero(days)
    return len(where) >= MIN_DAYS.value and bool(len(where) >= WHOLE_DAY.value * judged[where[0] : where[-1] + 1].sum())


def _at_no_hour_whole(case: Case, n: int, days: Mask, left: float) -> bool:
    """Whether an input made more than ``left`` of its siblings' power at no hour over some days, [D]: shade frees it at some."""
    ratio = case.ratio[days, n]
    light = np.where(np.isfinite(ratio), case.witness[days, n], 0.0).sum(axis=0)
    by_hour = nan_median(ratio[:, light > _DIM * light.sum()], 0)
    return bool(by_hour.size and np.nanmax(by_hour) < left + 2 * VOLT_BAND.value)


def _collapsed(case: Case, n: int) -> Mask:
    """Days on which the input made nothing at the open-circuit voltage of one substring of three, [D]."""
    volts = case.table["zero_volts"][:, n]
    hours = case.table["symptom_slots"][:, n, IDLE] + case.table["symptom_slots"][:, n, STANDBY]
    low = (volts > COLLAPSED[0].value) & (volts < COLLAPSED[1].value)
    return low & (hours >= 1.0) & (hours >= 0.5 * case.table["lit_h"][:, n])


def _too_low(case: Case, n: int, days: Mask, total: int) -> Candidate:
    ref = case.inputs[n]
    volts = float(np.median(case.table["zero_volts"][days, n]))
    return suspect(
        by_days(
            f"{ref.label} stood at {100 * volts:.0f} % of its nominal voltage and made nothing on {{days}} days: "
            f"{total - 1} of {total} substrings bypassed leave too little voltage to start.",
            {"ratio": round(volts, 3), "measured": "voltage", "substrings_lost": total - 1},
        ),
        fault="substring-loss",
        scope="input",
        inputs=(n,),
        days=days,
        loss_wh=symptom_loss_wh(case, (IDLE, STANDBY), np.array([n])) * days,
        strength=0.75,
        alternatives=(Alternative("dead-input", 0.15, "Open-circuit voltage of the module, AC isolated: a third is left."),),
        lasting=True,
    )
