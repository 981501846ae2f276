"""snow: modules of a plane are covered after cold weather and clear within days.

On the roof: snow on the glass. It goes by itself; nobody should climb.

Looks at: a plane's (or input's) energy near zero on a day that was cold and not
dark as night, with inputs coming back one after the other over the next days, or sliding free in
full light; silence of units and planes on covered days belongs to it.
Columns: ``dc_power_w``; ``temp_air_c`` or a month and latitude that make snow
possible; an irradiance sensor makes it sure.

Looks the same: a very dark overcast (recovers everywhere at once), ``site-outage``
(exactly zero, units stand by, or all stopped at one moment), ``dead-input`` (one input, warm), ``soiling`` (slow).

Its parts and their thresholds: :mod:`rules.snowsky` (light, cold, sleeping units), :mod:`rules.snowspell`
(the days of a spell), :mod:`rules.snowsleep` (silent planes), :mod:`rules.snowslide` (mornings under snow).
"""

from __future__ import annotations

import numpy as np

from rules.candidate import Candidate, RuleResult, Unjudged
from rules.case import Case
from rules.days import runs_of, span_mask
from rules.daytable import IDLE, SKY, STANDBY
from rules.faults.site_outage import switched_off
from rules.finding import Alternative, Threshold
from rules.hard import PLAIN_LIGHT
from rules.held import ordered_days
from rules.ontime import bins_late, on_time
from rules.ranks import Floats, Mask
from rules.siblings import middle
from rules.snowsky import (
    BRIGHT,
    COVERED,
    DARK,
    LATEST_DAYS,
    LOW,
    TRICKLE,
    Sky,
    cold_days,
    left_behind,
    season_possible,
    sound_but,
    uncovered_share,
)
from rules.snowsleep import beneath, sleepers, unheard
from rules.snowslide import slid_free
from rules.snowspell import DEEP, DEEP_DAYS, NIL, Spell, spell_of
from rules.unlit import most_unlit

COLUMNS = ("dc_power_w", "temp_air_c")
HIDDEN = Threshold(0.4, "of what the sensor or other planes expect", "own reasoning: below any disagreement of models and meters")
BESIDE = Threshold(0.3, "of what other planes expect", "own reasoning: a plane or clock stated wrongly costs half, not two thirds")
WELL = Threshold(0.6, "of what the sensor or other planes expect", "own reasoning: a plane not always shaded, some snow left")
DIM_BEHIND = Threshold(0.5, "of the best of the plane", "own reasoning: a cover takes more, another share of the sky less")
FREE = Threshold(0.25, "of the inputs heard", "own reasoning: of a dozen the first slides free at once, of three one is no first")
FEW_DAYS = 3
LIKE_BEFORE = Threshold(0.65, "of the days before", "own reasoning: it falls from a dull sky and lies on under a clear one")
STILL = Threshold(0.25, "of lit hours", "own reasoning: longer than units wait to start, in rows of an hour too")
OPEN_VOLTS = Threshold(1.12, "of voltage at full sun", "pvlib single-diode model: 1.0 open in a hundredth of full sun, 1.2 in full")
AS_LONG = Threshold(0.75, "of the hours of the best heard", "own reasoning: what misses is no edge of the day")
AS_BRIGHT = Threshold(0.7, "of the day's light", "own reasoning: a plane shaded or turned from the sun is known by days as bright")


def judge(case: Case) -> RuleResult:
    """One candidate per covered input and spell."""
    torn = _torn(case)
    result, case = RuleResult(), on_time(case)
    cold, why = cold_days(case)
    cold &= ~torn
    unsure = int((case.light_days & ~cold & season_possible(case)).sum())
    if unsure and not np.isfinite(case.table["sky"][:, SKY.index("air")]).any():
        result.unjudged.append(Unjudged(None, "snow", "no air temperature", unsure))
    guessed = not why.startswith("measured")
    if not cold.any() and not (guessed and season_possible(case).any()):
        return result
    sky = Sky.of(case)
    cold = cold | _too_dark(case, sky) if guessed else cold
    found = [_spells(case, p, cold, sky) for p in range(len(case.names))]
    for _ in range(2):  # what one plane's waking tells of a night, it tells of the others too
        starts = [s.start for spells in found for s in spells]
        for p, own in enumerate(found):
            own += unheard(case, p, cold, sky, starts, own)
    for p, own in enumerate(found):
        own += sleepers(case, p, cold, sky, own)
    for p, own in enumerate(found):
        own += beneath(case, p, sky, [s for q, spells in enumerate(found) if q != p for s in spells if s.uneven and s.days], own)
    for plane in found:
        _tell(case, plane, [s for spells in found for s in spells], sky, why, result)
    return result


def _torn(case: Case) -> Mask:
    """The first and last day of a record, [D], where a clock is off then: put right, a part of their rows lies outside of it."""
    off = (bins_late(case) != 0).any(axis=1)
    off[1:-1] = False
    return np.asarray(off)


def _too_dark(case: Case, sky: Sky) -> Mask:
    """Days of a season of possible snow among those in a row on which a plane made a trickle that no sky leaves, [D]."""
    deep = ((sky.plane > NIL.value) & (sky.plane < DEEP.value * sky.dull)).any(axis=1) & case.light_days & season_possible(case)
    rows = [(first, last) for first, last in runs_of(deep) if last - first + 1 >= DEEP_DAYS.value]
    return span_mask(case.day_count, rows)


def _covered(case: Case, d: int, p: int, sky: Sky) -> bool:
    """Whether a plane made next to nothing of the light there was."""
    share, expected = float(sky.plane[d, p]), float(sky.expected[d, p])
    if not np.isfinite(share) or sky.blind[d, p]:
        return bool(share < DEEP.value * sky.dull[d, p])
    if sky.trusted and np.isfinite(expected):
        if sky.light[d, p] < PLAIN_LIGHT.value:
            return False
        owed = min(expected, float(np.fmin(sky.heard[d, p], np.inf)))
        return share < HIDDEN.value * owed and share < 0.35 and expected > (0.05 if share < COVERED.value else 0.12)
    heard = sky.share[d, case.plane_of == p]
    if (heard > BRIGHT.value).sum() >= FREE.value * np.isfinite(heard).sum():
        return False  # so many in plain light at once: no cover of the plane, but others that stand still
    # Other planes in plain light speak without a sensor too.
    beside = np.isfinite(expected) and expected > BRIGHT.value and share < min(BESIDE.value * expected, DARK.value)
    return share < sky.cover(d, p) or bool(beside)


def _came_back(case: Case, p: int, d: int, sky: Sky) -> bool:
    """Whether inputs of a plane that was dark the day before come back one after the other on day ``d``.

    Clouds leave all at once; what stayed behind must have been sound before.
    """
    inputs = np.flatnonzero(case.plane_of == p)
    # The day before, or the last one heard of: units under snow sleep.
    told = [k for k in range(max(0, d - LATEST_DAYS), d) if np.isfinite(sky.plane[k, p])]
    asleep = [k for k in range(max(0, d - LATEST_DAYS), d) if sky.asleep[k, inputs].all()]
    if len(inputs) < 2 or not told or len(asleep) < d - 1 - told[-1] or sky.plane[told[-1], p] > DARK.value:
        return False
    if sky.trusted and sky.plane[told[-1], p] > LOW.value * sky.expected[told[-1], p]:
        return False  # it made what a dull sky left
    if _standing(case, inputs, told[-1]):
        return False  # it stood still without grid, whatever the light
    shares = _well_heard(case, d, inputs, sky)
    behind = left_behind(shares)
    if not sky.trusted and sky.best(inputs)[d] <= DARK.value:
        # In dim light inputs that see more of the sky make more; snow takes most of it.
        behind &= np.nan_to_num(shares) < DIM_BEHIND.value * sky.best(inputs)[d]
    if sky.trusted and sky.light[told[-1], p] < PLAIN_LIGHT.value and 2 * behind.sum() < len(inputs):
        return False  # it was dark for want of light
    if not (1 if len(inputs) < 4 else 2) <= behind.sum() < len(inputs):
        return False
    return sound_but(case, inputs, behind, d, sky)


def _well_heard(case: Case, d: int, inputs: np.ndarray, sky: Sky) -> Floats:
    """Shares of inputs on a day, NaN for those with far fewer rows than others: other hours have another light."""
    seen = case.table["seen_h"][d, inputs]
    return np.where(seen >= AS_LONG.value * seen.max(), sky.share[d, inputs], np.nan)


def _sudden(case: Case, start: int, p: int, sky: Sky, cold: Mask) -> bool:
    """Whether the plane was well on the days before: shade that was always there is not snow, nor is what began in warm weather."""
    share, expected = sky.plane[:, p], sky.expected[:, p]
    before = [d for d in range(max(0, start - 8), start) if np.isfinite(share[d])]
    if not before:
        return _well_later(case, start, p, sky)
    known = [d for d in before if np.isfinite(expected[d]) and expected[d] > 0.1]
    if known and not cold[known[-1]] and share[known[-1]] < HIDDEN.value * expected[known[-1]] and start - known[-1] == 1:
        return False
    if not sky.trusted:
        # After days dull for all, it is no lasting shade if the plane is bright again soon.
        dull = float(np.nanmax(sky.share[before])) <= DARK.value
        return float(np.max(share[before])) > 0.2 or (dull and bool((share[start : start + FEW_DAYS + 1] > BRIGHT.value).any()))
    bright = _as_bright([d for d in known if case.light_days[d]], start, p, sky)
    ratio = [share[d] / expected[d] for d in bright or known]
    return not ratio or float(np.max(ratio)) > WELL.value


def _well_later(case: Case, start: int, p: int, sky: Sky) -> bool:
    """Whether a plane without rows before a day makes what is expected on most bright days after its first good one."""
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = sky.plane[start:, p] / sky.expected[start:, p]
    bright = (sky.expected[start:, p] > BRIGHT.value) & np.isfinite(ratio) & case.light_days[start:]
    up = np.flatnonzero((sky.plane[start:, p] > DARK.value) & bright)
    ratio = ratio[up[0] :][bright[up[0] :]] if up.size else ratio[:0]
    return ratio.size < FEW_DAYS or float(np.median(ratio)) > WELL.value


def _as_bright(days: list[int], start: int, p: int, sky: Sky) -> list[int]:
    """Those of some days that are about as bright as day ``start``, or the brightest few: a plane without sun differs by day."""
    light = sky.light[:, p]
    alike = [d for d in days if light[d] >= AS_BRIGHT.value * light[start]]
    return alike or sorted(days, key=lambda d: -float(light[d]))[:FEW_DAYS]


def _standing(case: Case, inputs: np.ndarray, day: int) -> bool:
    """Whether the units stand by with voltage, by what they report: then it is not light that is missing."""
    if switched_off(case)[day]:
        return True
    if most_unlit(case, inputs, day):
        return False
    hours = case.table["symptom_slots"][day][inputs][:, STANDBY]
    lit = np.maximum(case.table["lit_h"][day, inputs], 0.5)
    units = np.unique(case.unit_of[inputs])
    resting = (case.table["fault_h"] + case.table["start_h"])[day, units].max()
    no_grid = case.table["ac_dead_h"][day] > 1
    if (no_grid & (case.table["fault_h"][day] > 1)).mean() >= 0.5:
        return True  # most of the site says that the grid is gone
    p = int(case.plane_of[inputs[0]])
    if (no_grid.mean() >= 0.5 or case.tripped(p)[day]) and (_whole_while_on(case, p, day) or _open_in_light(case, inputs, day)):
        return True
    # Most of the site, too: a plane that the sun hardly reaches shows no voltage.
    if any(_lit_but_still(case, some, day).mean() >= 0.5 for some in (inputs, np.arange(len(case.inputs)))):
        return True
    return bool((hours > 0.6 * lit).all() and (resting > 0.5 * lit.max() or case.table["ac_dead_h"][day, units].max() > 1))


def _lit_but_still(case: Case, inputs: np.ndarray, day: int) -> Mask:
    """Which inputs stood still for long at the voltage of an open module in the light, [M]; under snow there is no light."""
    table = case.table
    still = table["symptom_slots"][day][inputs][:, [STANDBY, IDLE]].sum(axis=1)
    out: Mask = still > STILL.value * np.maximum(table["lit_h"][day, inputs], 0.5)
    return out & (np.nan_to_num(table["zero_volts"][day, inputs]) >= OPEN_VOLTS.value)


def _open_in_light(case: Case, inputs: np.ndarray, day: int) -> bool:
    """Whether most inputs that made nothing for a while showed the voltage of an open module in the light meanwhile."""
    volts = case.table["zero_volts"][day, inputs]
    return bool((volts >= OPEN_VOLTS.value).sum() >= 0.5 * max(1, np.isfinite(volts).sum()))


def _rationed(case: Case, p: int, day: int, sky: Sky) -> bool:
    """Whether an order held that day and the plane made more than light through a cover gives: a limit takes planes in turn."""
    return bool(ordered_days(case)[day]) and not float(sky.plane[day, p]) < DEEP.value * sky.cover(day, p)


def _whole_while_on(case: Case, p: int, day: int) -> bool:
    """Whether a plane made what the sky allowed at the hours at which it made anything: it stopped and was free."""
    clear, made = case.table["plane_clear"][day, p], case.table["plane_typical"][day, p]
    owed = clear * case.expected_share[day, p]
    on = np.isfinite(owed) & (made > TRICKLE.value * clear)
    return bool(case.independent[p]) and float(made[on].sum()) > LOW.value * max(float(owed[on].sum()), 1e-6)


def _spells(case: Case, p: int, cold: Mask, sky: Sky) -> list[Spell]:
    """Spells of snow on a plane."""
    inputs: np.ndarray = np.flatnonzero(case.plane_of == p)
    out: list[Spell] = []
    until = -1
    for start in np.flatnonzero(cold & case.light_days).tolist():
        if start <= until:
            continue
        returning = False
        if not _covered(case, start, p, sky):
            slid = bool(slid_free(case)[start, p]) and not _standing(case, inputs, start)
            returning = _came_back(case, p, start, sky) or slid
            if not returning:
                continue
        elif not _sudden(case, start, p, sky, cold) or _standing(case, inputs, start) or _rationed(case, p, start, sky):
            continue
        spell = spell_of(case, p, inputs, start, returning, cold, sky)
        if spell is not None:
            out += [spell] if spell.days else []
            until = spell.last
    return out


def _strength(trusted: bool, apart: bool, measured: bool) -> float:
    """Raw certainty: a lone dark spell that ends everywhere at once is mostly cloud."""
    return 0.42 + 0.33 * trusted + 0.23 * apart + 0.05 * measured - 0.08 * (trusted and apart)


def _tell(case: Case, mine: list[Spell], every: list[Spell], sky: Sky, why: str, result: RuleResult) -> None:
    """Candidates of a plane's spells; other planes that were covered at the same time and came back otherwise confirm."""
    for spell in mine:
        beside = [o for o in every if o is not spell and o.plane != spell.plane and abs(o.start - spell.start) <= 2]
        apart = spell.elsewhere or spell.deep or any(o.uneven or o.last != spell.last for o in beside)
        before = np.arange(max(0, spell.start - 10), spell.start)
        usual = middle(sky.share[before][:, np.array(list(spell.days))]) if before.size else 0.5
        for n, days in spell.days.items():
            if days.any():
                loss = _loss(case, spell, n, days, sky, usual)
                result.candidates.append(_candidate(case, spell, n, days, loss, sky, apart, why))


def _loss(case: Case, spell: Spell, n: int, days: Mask, sky: Sky, usual: float) -> Floats:
    """Wh an input lost on the days of a spell, [D]; ``usual`` is what its plane made of clear sky on the days before."""
    loss, inputs = np.zeros(case.day_count), np.array(list(spell.days))
    for d in np.flatnonzero(days).tolist():
        reference = max(uncovered_share(spell.plane, d, inputs, sky), 0.0)
        if reference < DARK.value and not (sky.trusted and np.isfinite(sky.expected[d, spell.plane])):
            # No input was free: the sky of a day with snow on the glass is like that of the days before, no darker.
            reference = max(reference, LIKE_BEFORE.value * float(np.nan_to_num(usual, nan=0.4)))
        whole = case.table["plane_clear_all"][d, spell.plane].sum() * case.rated[n]
        loss[d] = max(reference - float(np.nan_to_num(sky.share[d, n])), 0) * whole
    return loss


def _candidate(case: Case, spell: Spell, n: int, days: Mask, loss_wh: Floats, sky: Sky, apart: bool, why: str) -> Candidate:
    """One input of a spell, its days and loss [D]; ``apart`` where other planes or the sensor confirm it, ``why`` it was cold."""
    uneven = spell.uneven
    made = sky.share[days, n][np.isfinite(sky.share[days, n])]
    if uneven:
        shown = "; inputs of the plane came back one after the other."
    elif apart and sky.trusted:
        shown = "; the sensor saw more light."
    elif spell.deep:
        shown = "; no cloud is so dark for days."
    else:
        shown = "; other planes made more, or cleared on other days." if apart else "."
    share = _share(middle(made) if made.size else 0.0)
    return Candidate(
        fault="snow",
        scope="input",
        inputs=(n,),
        days=days,
        loss_wh=loss_wh,
        strength=_strength(sky.trusted, uneven or apart, why.startswith("measured")),
        why=f"{case.inputs[n].label} made {share} for {int(days.sum())} days of cold ({_by(why)}){shown}",
        evidence={"covered_share": round(middle(made), 3) if made.size else None, "uneven": uneven, "cold_by": why},
        alternatives=(
            Alternative(
                "site-outage", 0.05, "A look from the street; an outage ends for all at once, snow leaves module by module."
            ),
            Alternative("dead-input", 0.05, "A look from the street, and whether it comes back with the thaw."),
        ),
    )


def _share(made: float) -> str:
    return f"{100 * made:.0f} % of a clear day's energy" if made >= 0.005 else "nothing"


def _by(why: str) -> str:
    """By what days are called cold, for the sentence."""
    return why if why.startswith("measured") else f"by {why}: no air temperature is known"
