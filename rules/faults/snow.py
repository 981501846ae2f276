"""snow: modules of a plane are covered after cold weather and clear within days.

On the roof: snow on the glass. It goes by itself; nobody should climb.

Looks at: a plane's (or input's) energy near nil on a day that was cold and not
night-dark, with inputs coming back one after the other over the next days, or sliding free in
full light; silence of units and planes on covered days belongs to it.
Columns: ``dc_power_w``; ``temp_air_c`` or a month and latitude that make snow
possible; an irradiance sensor makes it sure.

Looks the same: a very dark overcast (recovers everywhere at once), ``site-outage``
(exactly nil, units stand by), ``dead-input`` (one input, warm), ``soiling`` (slow).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rules.case import Candidate, Case, Floats, Mask, RuleResult, Unjudged, span_mask
from rules.counters import counter_rise
from rules.daytable import BIN_HOURS, IDLE, MISSING, SKY, STANDBY
from rules.daytable import DARK as DARK_ROWS
from rules.finding import Alternative, Threshold
from rules.hard import PLAIN_LIGHT
from rules.module import ambient_estimate
from rules.ranks import quantile_of, row_quantile
from rules.siblings import middle
from rules.silence import offline_days

COLUMNS = ("dc_power_w", "temp_air_c")
COLD_C = Threshold(2.5, "Celsius, mean of the coldest six hours", "common practice: snow falls and lies near freezing")
COLD_SEASON_C = Threshold(8.0, "Celsius, estimated day mean", "own reasoning: the estimate is good to some 6 K")
COVERED = Threshold(0.09, "of clear-sky energy", "own reasoning: a thick overcast leaves 0.10 to 0.25, snow less")
OVERCAST = Threshold(0.16, "of clear-sky irradiance", "common practice: a thick overcast leaves some 0.10 to 0.25 on the level")
DEEP_DAYS = Threshold(2, "days", "own reasoning: one such day may be a storm's")
DEEP = Threshold(0.22, "of what a thick overcast leaves", "own reasoning: no sky is that dark all day; a cover of snow is")
TRICKLE = Threshold(0.01, "of clear-sky energy", "own reasoning: a few per cent of light pass a thin cover at noon")
LOW = Threshold(0.72, "ratio", "own reasoning: an input still partly covered")
HIDDEN = Threshold(0.4, "of what the sensor or other planes expect", "own reasoning: below any disagreement of models and meters")
BESIDE = Threshold(0.3, "of what other planes expect", "own reasoning: a plane or clock stated wrongly costs half, not two thirds")
BRIGHT = Threshold(0.3, "of clear-sky energy", "own reasoning: in less light planes differ by their share of the sky, not by snow")
DARK = Threshold(0.2, "of clear-sky energy", "own reasoning: a thin cover lets a fifth through; more is a day one can see by")
ASLEEP = Threshold(0.6, "of lit hours", "own reasoning: units are fed by their modules and sleep under snow")
STILL = Threshold(0.4, "of lit hours", "own reasoning: an input that stopped at midday or before with the snow")
SLID_LIGHT = Threshold(0.15, "W per rated W under a clear sky", "own reasoning: above it cloud leaves a tenth")
SLID_UNDER = Threshold(0.07, "of clear sky", "own reasoning: less than fog and thick overcast leave")
SLID_FREE = Threshold(0.5, "of clear sky", "own reasoning: a module that is free; fog lifts more slowly")
SLID_HOURS = Threshold(1.5, "h", "own reasoning: longer than a start of the day in low cloud")
LATEST_DAYS = 3  # after half of the plane is clear
FELL = Threshold(0.5, "of the day before", "own reasoning: a cover halves the light at least; dull weather goes on from day to day")
AROUND = Threshold(12, "days each way", "own reasoning: longer than most snow lies, shorter than the season")
AROUND_LEAST = Threshold(6, "days", "own reasoning: the better ones of fewer may all lie under snow")
LOWEST = Threshold(0.45, "of the record's better days", "own reasoning: snow leaves a tenth, a low sun half")
BACK = Threshold(0.85, "of the best of the plane", "own reasoning: modules of one type differ by less")
BACK_DAYS = Threshold(2, "bright days", "own reasoning: one alone may be another cause's")
ALONE_UNITS = Threshold(3, "units", "own reasoning: two may share a cable or a fault of their own")
MAX_DAYS = Threshold(21, "days", "own reasoning: on a pitched roof snow slides or melts within two or three weeks")


@dataclass(frozen=True)
class _Sky:
    """What each input made and could have made of each day.

    ``share`` [D, N] and ``plane`` [D, P] of clear-sky energy; ``expected`` [D, P]
    the share that the sensor or the other planes let expect, NaN unknown;
    ``asleep`` [D, N] days of light on which the input's unit was mostly unheard;
    ``dull`` [D, P] the share of clear-sky energy that a thick overcast leaves a plane;
    ``light`` [D, P] the energy that ``expected`` means, h at full sun; ``trusted`` whether a sensor stands behind ``expected``.
    """

    share: Floats
    plane: Floats
    expected: Floats
    asleep: Mask
    dull: Floats
    light: Floats
    trusted: bool

    @classmethod
    def of(cls, case: Case) -> _Sky:
        planes = range(len(case.names))
        plane = np.stack([_plane_share(case, p) for p in planes], axis=1)
        owed, told = case.expected_day
        # Nobody says what to expect of a plane but the sensor and the other planes.
        expected = np.where(case.independent & (told > 0.3), owed, np.nan)
        trusted = case.sensor_trust[0]
        if trusted:
            # A short dull record has not seen its modules at their best: what its better days made of the light counts.
            with np.errstate(invalid="ignore", divide="ignore"):
                made = np.where(expected > 0.08, plane / expected, np.nan)
            for p in planes:
                good = made[np.isfinite(made[:, p]), p]
                if good.size >= 3:
                    expected[:, p] *= np.clip(np.quantile(good, 0.85), 0.7, 2.0) * _season_level(made[:, p])
        share = _day_share(case)
        lit, gone = case.table["lit_h"], case.table["symptom_slots"][:, :, MISSING]
        asleep = (lit > 1) & (gone > ASLEEP.value * lit)
        for gateway in {ref.gateway for ref in case.inputs}:
            mine = np.array([ref.gateway == gateway for ref in case.inputs])
            asleep &= ~(offline_days(case, gateway)[:, None] & mine[None, :])
        dull = np.stack([_dull(case, p) for p in planes], axis=1)
        light = expected * case.table["plane_clear_all"].sum(axis=2)
        return cls(share, plane, expected, asleep, dull, light, trusted)


    def cover(self, d: int, p: int) -> float:
        """Share of clear-sky energy under which a plane is covered: no less than a thick overcast leaves it, if nothing tells."""
        if self.trusted and np.isfinite(self.expected[d, p]):
            return COVERED.value
        return min(COVERED.value, float(self.dull[d, p]))


@dataclass
class _Spell:
    """A plane under snow: the days of each of its inputs, and how they came back; no inputs where it never clears."""

    plane: int
    start: int
    days: dict[int, Mask]
    uneven: bool
    elsewhere: bool
    deep: bool

    @property
    def last(self) -> int:
        return max((int(np.flatnonzero(d)[-1]) for d in self.days.values() if d.any()), default=self.start)


def judge(case: Case) -> RuleResult:
    """One candidate per covered input and spell."""
    result = RuleResult()
    cold, why = _cold(case)
    unsure = int((case.light_days & ~cold & _season_possible(case)).sum())
    if unsure and not np.isfinite(case.table["sky"][:, SKY.index("air")]).any():
        result.unjudged.append(Unjudged(None, "snow", "no air temperature", unsure))
    if not cold.any():
        return result
    sky = _Sky.of(case)
    found = [_spells(case, p, cold, sky) for p in range(len(case.names))]
    for p, own in enumerate([spells for _, spells in found]):
        if not own:
            found[p] = (p, _unheard(case, p, cold, sky, [s.start for _, spells in found for s in spells]))
    for _, plane in found:
        _tell(case, plane, [s for _, spells in found for s in spells], sky, why, result)
    return result


def _season_level(made: Floats) -> Floats:
    """What the better days around made of the sensor's light against those of the whole record, 1 at most, [D].

    In a northern midwinter the sun stays so low that modules make half of what a sensor lets expect.
    """
    whole, reach = quantile_of(made[np.isfinite(made)], 0.85), int(AROUND.value)
    edge = np.full(reach, np.nan)
    near = np.lib.stride_tricks.sliding_window_view(np.concatenate([edge, made, edge]), 2 * reach + 1)
    level = np.clip(row_quantile(near, 0.85) / max(whole, 1e-6), LOWEST.value, 1.0)
    return np.where(np.isfinite(near).sum(axis=1) >= AROUND_LEAST.value, level, 1.0)


def _season_possible(case: Case) -> Mask:
    noon = case.table.days * 86400 + 43200
    return ambient_estimate(case.site.site, noon) < COLD_SEASON_C.value + 6


def _cold(case: Case) -> tuple[Mask, str]:
    air = case.table["sky"][:, SKY.index("air")]
    measured = np.isfinite(air).any(axis=1)
    ordered = np.sort(air, axis=1)[:, :12]
    some = np.isfinite(ordered).sum(axis=1)
    low = np.where(some > 0, np.nan_to_num(ordered).sum(axis=1) / np.maximum(some, 1), np.nan)
    noon = case.table.days * 86400 + 43200
    season = ambient_estimate(case.site.site, noon) - 4.0 < COLD_SEASON_C.value - 4.0
    cold = np.where(measured, np.nan_to_num(low, nan=99) <= COLD_C.value, season)
    # Snow lies on after the cold that brought it.
    lying = cold.copy()
    for k in (1, 2, 3):
        lying[k:] |= cold[:-k]
    return lying, "measured air temperature" if measured.any() else "season and latitude"


def _day_share(case: Case) -> Floats:
    """Each input's energy over clear sky for its slots, [D, N]."""
    clear = case.table["clear"].sum(axis=2)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(clear > 0.3, case.energy / clear, np.nan)


def _plane_share(case: Case, p: int) -> Floats:
    clear = case.table["plane_clear"][:, p].sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(clear > 0.3, case.table["plane_typical"][:, p].sum(axis=1) / clear, np.nan)


def _dull(case: Case, p: int) -> Floats:
    """Share of clear-sky energy that a thick overcast leaves a plane, [D]: least where the sun stands right before it."""
    clear = case.table["plane_clear_all"][:, p]
    left = case.share_under(OVERCAST.value, p) * case.plane_gain[p] * clear
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(clear.sum(axis=1) > 0.0, left.sum(axis=1) / clear.sum(axis=1), OVERCAST.value)


def _covered(d: int, p: int, sky: _Sky) -> bool:
    """Whether a plane made next to nothing of the light there was."""
    share, expected = float(sky.plane[d, p]), float(sky.expected[d, p])
    if not np.isfinite(share):
        return False
    if sky.trusted and np.isfinite(expected):
        if sky.light[d, p] < PLAIN_LIGHT.value:
            return False
        return share < HIDDEN.value * expected and share < 0.35 and expected > (0.05 if share < COVERED.value else 0.12)
    # Other planes in plain light speak without a sensor too.
    beside = np.isfinite(expected) and expected > BRIGHT.value and share < min(BESIDE.value * expected, DARK.value)
    return share < sky.cover(d, p) or bool(beside)


def _came_back(case: Case, p: int, d: int, sky: _Sky) -> bool:
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
    behind = _behind(sky.share[d, inputs])
    if sky.trusted and sky.light[told[-1], p] < PLAIN_LIGHT.value and 2 * behind.sum() < len(inputs):
        return False  # it was dark for want of light
    if not (1 if len(inputs) < 4 else 2) <= behind.sum() < len(inputs):
        return False
    well = [k for k in range(max(0, d - 10), d) if np.nanmax(np.append(sky.share[k, inputs], 0.0)) > DARK.value][-3:]
    after = range(d + 1, min(case.day_count, d + 1 + int(MAX_DAYS.value)))
    sound = [not _behind(sky.share[k, inputs])[behind].any() for k in well]
    told = [k for k in after if np.isfinite(sky.share[k, inputs]).any()]
    again = [_behind(sky.share[k, inputs])[behind].mean() <= 0.5 for k in told]
    return bool(sound) and all(sound) and (any(again) or not again)


def _behind(share: Floats) -> Mask:
    """Inputs that made far less than the best of their plane."""
    best = float(np.nanmax(np.append(share, 0.0)))
    out: Mask = np.nan_to_num(share, nan=best) < LOW.value * best
    return out


def _ill_before(case: Case, n: int, start: int, asleep: Mask) -> bool:
    """Whether the input was down on the days before the snow while its plane was not, which was ``asleep`` or dark on some, [D]."""
    hours = case.table["symptom_slots"][:, n].sum(axis=1)
    before = [d for d in range(max(0, start - 3), start) if case.table["lit_h"][d, n] > 1 and not asleep[d]]
    return bool(before) and all(hours[d] > 0.7 * case.table["lit_h"][d, n] for d in before)


def _sudden(start: int, p: int, sky: _Sky) -> bool:
    """Whether the plane was well in the days before: shade that was always there is no snow."""
    share, expected = sky.plane[:, p], sky.expected[:, p]
    before = [d for d in range(max(0, start - 8), start) if np.isfinite(share[d])]
    if not before:
        return True
    if sky.trusted:
        ratio = [share[d] / expected[d] for d in before if np.isfinite(expected[d]) and expected[d] > 0.1]
        return not ratio or float(np.max(ratio)) > 0.6
    return float(np.max(share[before])) > 0.2


def _standing(case: Case, inputs: np.ndarray, day: int) -> bool:
    """Whether the units say that they stand by with voltage: then it is not the light that lacks."""
    hours = case.table["symptom_slots"][day][inputs][:, STANDBY]
    lit = np.maximum(case.table["lit_h"][day, inputs], 0.5)
    units = np.unique(case.unit_of[inputs])
    resting = (case.table["fault_h"] + case.table["start_h"])[day, units].max()
    no_grid = case.table["ac_dead_h"][day] > 1
    if (no_grid & (case.table["fault_h"][day] > 1)).mean() >= 0.5:
        return True  # most of the site says that the grid is gone
    if no_grid.mean() >= 0.5 and _whole_while_on(case, int(case.plane_of[inputs[0]]), day):
        return True
    return bool((hours > 0.6 * lit).all() and (resting > 0.5 * lit.max() or case.table["ac_dead_h"][day, units].max() > 1))


def _whole_while_on(case: Case, p: int, day: int) -> bool:
    """Whether a plane made what the sky allowed at the hours at which it made anything: it stopped and was free."""
    clear, made = case.table["plane_clear"][day, p], case.table["plane_typical"][day, p]
    owed = clear * case.expected_share[day, p]
    on = np.isfinite(owed) & (made > TRICKLE.value * clear)
    return bool(case.independent[p]) and float(made[on].sum()) > LOW.value * max(float(owed[on].sum()), 1e-6)


def _spells(case: Case, p: int, cold: Mask, sky: _Sky) -> tuple[int, list[_Spell]]:
    """Spells of snow on a plane."""
    inputs, out = np.flatnonzero(case.plane_of == p), []
    until = -1
    for start in np.flatnonzero(cold & case.light_days).tolist():
        if start <= until:
            continue
        returning = False
        if not _covered(start, p, sky):
            returning = _came_back(case, p, start, sky)
            if not returning:
                continue
        elif not _sudden(start, p, sky) or _standing(case, inputs, start):
            continue
        spell = _spell(case, p, inputs, start, returning, cold, sky)
        if spell is not None:
            out += [spell] if spell.days else []
            until = spell.last
    return p, out


def _unheard(case: Case, p: int, cold: Mask, sky: _Sky, starts: list[int]) -> list[_Spell]:
    """A plane whose units all fell silent when another plane was covered, or alone of the site and dark, and came back."""
    inputs = np.flatnonzero(case.plane_of == p)
    fell = cold & sky.asleep[:, inputs].all(axis=1) & (len(inputs) > 1)
    fell[1:] &= ~sky.asleep[:-1, inputs].any(axis=1)
    fell[:1] = False
    beside = {k for s in starts for k in (s - 1, s, s + 1)}
    for start in np.flatnonzero(fell).tolist():
        if start in beside or _alone_dark(case, inputs, start, sky):
            spell = _spell(case, p, inputs, start, False, cold, sky)
            return [spell] if spell is not None and spell.days else []
    return []


def _alone_dark(case: Case, inputs: np.ndarray, start: int, sky: _Sky) -> bool:
    """Whether the units of a plane, and they alone, slept through bright days and counted nothing meanwhile.

    A breaker takes a branch and a gateway its units, whichever way they look.
    """
    units = set(case.unit_of[inputs].tolist())
    for name in ("branch", "gateway"):
        of = [getattr(unit, name) for unit in case.site.units]
        if units == {u for u, group in enumerate(of) if group is not None and group == of[min(units)]}:
            return False
    awake = np.flatnonzero(~sky.asleep[start:, inputs].all(axis=1))
    last = start + int(awake[0]) - 1 if awake.size else case.day_count - 1
    others = ~np.isin(np.arange(len(case.inputs)), inputs)
    bright = sky.expected[start : last + 1, case.plane_of[inputs[0]]] > BRIGHT.value
    if len(units) < ALONE_UNITS.value or not others.any() or sky.asleep[start][others].any() or not awake.size or not bright.any():
        return False
    rise, clear = counter_rise(case, span_mask(case.day_count, [(start, last)]), inputs)
    return bool(np.isfinite(rise) and rise < TRICKLE.value * clear)


def _spell(
    case: Case, p: int, inputs: np.ndarray, start: int, returning: bool, cold: Mask, sky: _Sky
) -> _Spell | None:
    share = sky.share
    last_day = min(case.day_count, start + int(MAX_DAYS.value))
    spells: dict[int, Mask] = {}
    endless = False
    for n in inputs.tolist():
        days = np.zeros(case.day_count, bool)
        spells[n] = days
        if _ill_before(case, n, start, np.asarray(sky.asleep[:, inputs].all(axis=1) | (sky.plane[:, p] < TRICKLE.value))):
            continue
        under = start > 0 and _awake_before(n, start, inputs, sky)
        for d in range(start, last_day):
            # A unit under snow sleeps: silence on a covered day belongs to it; a day without light changes nothing.
            if sky.asleep[d, n] or not np.isfinite(share[d, n]):
                days[d] = under and bool(case.table["lit_h"][d, n] > 1)
                continue
            reference = _reference(p, d, inputs, sky)
            # The plane's own level says what is dark for all; an input lies longer when it falls behind the others.
            covered = share[d, n] < LOW.value * reference or (sky.plane[d, p] < sky.cover(d, p) and not returning)
            if not covered:
                break
            days[d] = under = True
        else:
            if last_day - start == int(MAX_DAYS.value) < case.day_count - start:
                days[:], endless = False, True  # what never clears is another cause
    for n, days in spells.items():
        _back_whole(n, days, inputs, sky)
        while days.any() and not np.isfinite(share[last := int(np.flatnonzero(days)[-1]), n]) and not sky.asleep[last, n]:
            days[last] = False  # nobody heard of it that day
    # A silence of all at the end of a spell has no covered day after it: it may be anything,
    # unless their gateway heard others meanwhile.
    told = (~sky.asleep[:, inputs].all(axis=1) | _alone_asleep(case, inputs)) & np.any(list(spells.values()), axis=0)
    for days in spells.values():
        days[int(np.flatnonzero(told)[-1]) + 1 if told.any() else start :] = False
    ends = np.array([np.flatnonzero(s)[-1] if s.any() else start - 1 for s in spells.values()])
    # When the siblings have been clear for days, what still lies still has another cause.
    covered_ends = ends[ends >= start]
    if not covered_ends.size:
        return _Spell(p, last_day - 1, {}, False, False, False) if endless else None
    latest = int(np.median(covered_ends)) + LATEST_DAYS
    for days, end in zip(spells.values(), ends.tolist(), strict=True):
        days[latest + 1 if end <= latest else 0 :] = False
    covered_ends = covered_ends[covered_ends <= latest]
    uneven = returning or len(set(covered_ends.tolist())) > 1 or _one_by_one(share[:, inputs], int(covered_ends.max()))
    for n, days in spells.items():
        for d in (int(np.flatnonzero(days)[-1]), int(np.flatnonzero(days)[-1]) + 1) if days.any() else ():
            if d > start and d < case.day_count and _slid(case, n, d):
                days[d] = uneven = True
    # One dark day alone: snow leaves a trickle of light where a unit that stands by makes nothing at all.
    trickle = float(np.nanmax(np.append(share[start, inputs], 0.0)))
    nobody = float(np.nanmax(np.append(share[start], 0.0))) < TRICKLE.value
    if (nobody or not sky.trusted) and not uneven and trickle < TRICKLE.value:
        return None
    seen = [d for d in np.flatnonzero(np.any(list(spells.values()), axis=0)).tolist() if np.isfinite(sky.plane[d, p])]
    elsewhere = any(sky.expected[d, p] > max(0.12, 2.5 * sky.plane[d, p]) for d in seen)
    deep = sum(sky.plane[d, p] < DEEP.value * sky.dull[d, p] for d in seen) >= DEEP_DAYS.value
    _reach_back(case, p, start, spells, returning, cold, sky)
    return _Spell(p, start, spells, uneven, elsewhere, deep)


def _one_by_one(share: Floats, last: int) -> bool:
    """Whether members of a plane, shares [D, M], were far apart on the last day of a spell and alike on the next."""
    if last + 1 >= len(share) or not np.isfinite(share[last : last + 2]).all() or share.shape[1] < 2:
        return False
    (low, low_next), (high, high_next) = share[last : last + 2].min(axis=1), share[last : last + 2].max(axis=1)
    return bool(high > DARK.value and low < LOW.value * high and high_next > DARK.value and low_next > BACK.value * high_next)


def _back_whole(n: int, days: Mask, inputs: np.ndarray, sky: _Sky) -> None:
    """Drop the days on which an input stayed behind and then never came back whole, in place: that is another cause."""
    if not days.any():
        return
    end = int(np.flatnonzero(days)[-1])
    best = np.nan_to_num(np.nanmax(np.append(sky.share[:, inputs], np.zeros((len(days), 1)), axis=1), axis=1))
    after = np.arange(end + 1, min(len(days), end + 1 + int(MAX_DAYS.value)))
    after = after[(best[after] > BRIGHT.value) & np.isfinite(sky.share[after, n])]
    if after.size < BACK_DAYS.value or np.median(sky.share[after, n] / best[after]) >= BACK.value:
        return
    days[np.nan_to_num(sky.share[:, n], nan=1.0) < LOW.value * best] = False


def _alone_asleep(case: Case, inputs: np.ndarray) -> Mask:
    """Days on which every unit of some inputs was silent for itself, its gateway hearing others, [D]."""
    units = np.unique(case.unit_of[inputs])
    own, lit = case.table["own_missing_h"][:, units], case.table["unit_lit_h"][:, units]
    out: Mask = (own > ASLEEP.value * lit).all(axis=1) & (lit.min(axis=1) > 0)
    return out


def _awake_before(n: int, start: int, inputs: np.ndarray, sky: _Sky) -> bool:
    """Whether an input was heard on the last day before on which anybody of its plane was."""
    heard = np.flatnonzero(~sky.asleep[:start, inputs].all(axis=1))
    return bool(heard.size) and not sky.asleep[heard[-1], n]


def _reach_back(
    case: Case, p: int, start: int, spells: dict[int, Mask], returning: bool, cold: Mask, sky: _Sky
) -> None:
    """Days before the one that shows the snow: those it lay on unseen, and that of its fall, in place."""
    first = start
    if returning:
        while first > 0 and start - first < LATEST_DAYS and cold[first - 1] and sky.plane[first - 1, p] <= DARK.value:
            first -= 1
        # Who was free on the day itself lay under a thin cover before only if the light fell at once, not with dull days.
        well = sky.plane[first - 1, p] if first > 0 else np.nan
        sudden = bool(first < start and sky.plane[first, p] < FELL.value * well)
        for days in spells.values():
            days[first:start] = days[start] or sudden
    if first == 0 or not cold[first - 1] or returning:
        return
    d, bad = first - 1, (MISSING, STANDBY, IDLE, DARK_ROWS)
    expected = float(sky.expected[d, p])
    for n, days in spells.items():
        if not days[first] or not case.table["lit_h"][d, n] > 0.5:
            continue
        share = float(sky.share[d, n])
        still = case.table["symptom_slots"][d, n][list(bad)].sum() > STILL.value * case.table["lit_h"][d, n]
        low = sky.trusted and expected > 0.05 and share < LOW.value * expected
        days[d] = bool(still or low or _evening(case, n, d) < sky.cover(d, p))


def _slid(case: Case, n: int, d: int) -> bool:
    """Whether an input made a trickle in good morning light and then, within the hour, its share: the snow slid off."""
    clear, power = case.table["clear"][d, n], case.table["power"][d, n]
    light = np.flatnonzero(clear > SLID_LIGHT.value * BIN_HOURS)
    if light.size < 5:
        return False
    ratio = power[light] / clear[light]
    under = int(np.argmax(ratio > SLID_UNDER.value)) if (ratio > SLID_UNDER.value).any() else light.size
    width = max(BIN_HOURS, float(case.table["step_s"][d]) / 3600.0)
    return bool(under * width >= SLID_HOURS.value and (ratio[under : under + 3] >= SLID_FREE.value).any())


def _evening(case: Case, n: int, d: int) -> float:
    """Share of clear-sky energy an input made over the last third of a day's light; 1 where not told."""
    clear = case.table["clear"][d, n]
    total = np.cumsum(clear)
    if total[-1] <= 0.3:
        return 1.0
    late = total > 2 / 3 * total[-1]
    return float(case.table["power"][d, n, late].sum() / max(clear[late].sum(), 1e-6))


def _strength(trusted: bool, apart: bool, measured: bool) -> float:
    """Raw certainty: a lone dark spell that ends everywhere at once is mostly cloud."""
    return 0.42 + 0.33 * trusted + 0.23 * apart + 0.05 * measured - 0.08 * (trusted and apart)


def _tell(case: Case, mine: list[_Spell], every: list[_Spell], sky: _Sky, why: str, result: RuleResult) -> None:
    """Candidates of a plane's spells; other planes that were covered at the same time and came back otherwise confirm."""
    share = sky.share
    for spell in mine:
        beside = [o for o in every if o is not spell and o.plane != spell.plane and abs(o.start - spell.start) <= 2]
        apart = spell.elsewhere or spell.deep or any(o.uneven or o.last != spell.last for o in beside)
        uneven = spell.uneven
        before = np.arange(max(0, spell.start - 10), spell.start)
        inputs = np.array(list(spell.days))
        usual = middle(share[before][:, inputs]) if before.size else 0.5
        for n, days in spell.days.items():
            if not days.any():
                continue
            loss = np.zeros(case.day_count)
            for d in np.flatnonzero(days).tolist():
                reference = max(_reference(spell.plane, d, inputs, sky), 0.0)
                if reference < 0.1 and not (sky.trusted and np.isfinite(sky.expected[d, spell.plane])):
                    reference = 0.5 * float(np.nan_to_num(usual, nan=0.4))
                whole = case.table["plane_clear_all"][d, spell.plane].sum() * case.rated[n]
                loss[d] = max(reference - float(np.nan_to_num(share[d, n])), 0) * whole
            ref = case.inputs[n]
            made = share[days, n][np.isfinite(share[days, n])]
            result.candidates.append(
                Candidate(
                    fault="snow",
                    scope="input",
                    inputs=(n,),
                    days=days,
                    loss_wh=loss,
                    strength=_strength(sky.trusted, uneven or apart, why.startswith("measured")),
                    why=(
                        f"{ref.label} made {100 * middle(made) if made.size else 0:.0f} % of a clear day's energy for "
                        f"{int(days.sum())} days of cold ({why})"
                        + ("; inputs of the plane came back one after the other." if uneven
                           else "; the sensor saw more light." if apart and sky.trusted
                           else "; no cloud is so dark for days." if spell.deep
                           else "; other planes made more, or cleared on other days." if apart else ".")
                    ),
                    evidence={"covered_share": round(middle(made), 3) if made.size else None, "uneven": uneven, "cold_by": why},
                    alternatives=(
                        Alternative("site-outage", 0.05, "Power is small but not nil, and the units say they produce."),
                        Alternative("dead-input", 0.05, "Whether it comes back with the thaw."),
                    ),
                )
            )  # fmt: skip


def _reference(p: int, d: int, inputs: np.ndarray, sky: _Sky) -> float:
    """Share of clear sky an uncovered input would have made that day."""
    expected = float(sky.expected[d, p])
    if sky.trusted and np.isfinite(expected):
        return expected
    best = float(np.nanmax(np.append(sky.share[d, inputs], 0.0)))
    # Other planes under other clouds and snow of their own: they count when they are plainly bright.
    return max(best, expected if np.isfinite(expected) and expected > BRIGHT.value and best < DARK.value else 0.0)
