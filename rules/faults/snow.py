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

from rules.case import Candidate, Case, Floats, Mask, RuleResult, Unjudged, runs_of, span_mask
from rules.counters import counter_rise
from rules.daytable import BIN_HOURS, IDLE, MISSING, SKY, STANDBY
from rules.daytable import DARK as DARK_ROWS
from rules.finding import Alternative, Threshold
from rules.hard import PLAIN_LIGHT
from rules.module import ambient_estimate
from rules.ranks import quantile_of, row_quantile
from rules.siblings import middle
from rules.silence import offline_days, unit_kinds

COLUMNS = ("dc_power_w", "temp_air_c")
COLD_C = Threshold(2.5, "Celsius, mean of the coldest six hours", "common practice: snow falls and lies near freezing")
WARM_C = Threshold(10.0, "Celsius, mean of the warmest six hours", "own reasoning: 5 mm of water melt a K and day: gone by noon")
COLD_SEASON_C = Threshold(8.0, "Celsius, estimated day mean", "own reasoning: the estimate is good to some 6 K")
COVERED = Threshold(0.09, "of clear-sky energy", "own reasoning: a thick overcast leaves 0.10 to 0.25, snow less")
OVERCAST = Threshold(0.16, "of clear-sky irradiance", "common practice: a thick overcast leaves some 0.10 to 0.25 on the level")
DEEP_DAYS = Threshold(2, "days", "own reasoning: one such day may be a storm's")
DEEP = Threshold(0.22, "of what a thick overcast leaves", "own reasoning: no sky is that dark all day; a cover of snow is")
DEEPEST = Threshold(0.12, "of what a thick overcast leaves", "own reasoning: half of that again: one such day is no storm's")
NIL = Threshold(0.002, "of clear-sky energy", "own reasoning: above a meter's offset; units that stand by make nothing at all")
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
FEW_DAYS = 3
FELL = Threshold(0.5, "of the day before", "own reasoning: a cover halves the light at least; dull weather goes on from day to day")
AROUND = Threshold(12, "days each way", "own reasoning: longer than most snow lies, shorter than the season")
AROUND_LEAST = Threshold(6, "days", "own reasoning: the better ones of fewer may all lie under snow")
LOWEST = Threshold(0.45, "of the record's better days", "own reasoning: snow leaves a tenth, a low sun half")
BACK = Threshold(0.85, "of the best of the plane", "own reasoning: modules of one type differ by less")
BACK_DAYS = Threshold(2, "bright days", "own reasoning: one alone may be another cause's")
ALONE_UNITS = Threshold(3, "units", "own reasoning: two may share a cable or a fault of their own")
STOOD = Threshold(0.04, "of clear-sky energy", "own reasoning: half of what a thick overcast leaves; sleepers count nothing")
WOKE_APART = Threshold(1.5, "h", "own reasoning: a link or supply comes back for all within minutes")
SCATTER = Threshold(0.1, "median deviation of siblings", "own reasoning: siblings in one light differ by 1 to 3 %")
SCATTER_MORE = Threshold(3.0, "times that of other days", "own reasoning: what parts them on other days is no snow")
SCATTER_INPUTS = Threshold(3, "inputs", "own reasoning: of two, either may be the odd one")
OPEN_VOLTS = Threshold(1.12, "of voltage at full sun", "pvlib single-diode model: 1.0 open in a hundredth of full sun, 1.2 in full")
AS_LONG = Threshold(0.75, "of the hours of the best heard", "own reasoning: what misses is no edge of the day")
AS_BRIGHT = Threshold(0.7, "of the day's light", "own reasoning: a plane shaded or turned from the sun is known by days as bright")
MAX_DAYS = Threshold(21, "days", "own reasoning: on a pitched roof snow slides or melts within two or three weeks")


@dataclass(frozen=True)
class _Sky:
    """What each input made and could have made of each day.

    ``share`` [D, N] and ``plane`` [D, P] of clear-sky energy; ``expected`` [D, P]
    the share that the sensor or the other planes let expect, NaN unknown;
    ``asleep`` [D, N] days of light on which the input's unit was mostly unheard;
    ``dull`` [D, P] the share of clear-sky energy that a thick overcast leaves a plane;
    ``light`` [D, P] the energy that ``expected`` means, h at full sun; ``heard`` [D, P] the share expected over the hours
    with rows alone where the link was lost by its own log, else NaN; ``trusted`` whether a sensor stands behind ``expected``.
    """

    share: Floats
    plane: Floats
    expected: Floats
    asleep: Mask
    dull: Floats
    light: Floats
    heard: Floats
    trusted: bool

    @classmethod
    def of(cls, case: Case) -> _Sky:
        planes = range(len(case.names))
        plane = np.stack([_plane_share(case, p) for p in planes], axis=1)
        owed, told = case.expected_day
        # Nobody says what to expect of a plane but the sensor and the other planes.
        expected = np.where(case.independent & (told > 0.3), owed, np.nan)
        trusted = case.sensor_trust[0]
        scale = expected.copy()
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
        offline = np.zeros_like(asleep)
        for gateway in {ref.gateway for ref in case.inputs}:
            mine = np.array([ref.gateway == gateway for ref in case.inputs])
            offline |= offline_days(case, gateway)[:, None] & mine[None, :]
        asleep &= ~offline
        dull = np.stack([_dull(case, p) for p in planes], axis=1)
        if trusted:
            # Where nobody sent a row none of the inputs shows the light, but the sensor does.
            light = np.nan_to_num(expected * case.table["plane_clear_all"].sum(axis=2))
            unheard = (lit <= 0.0) & (case.table["clear"].sum(axis=2) <= 0.0)
            asleep |= (light >= PLAIN_LIGHT.value)[:, case.plane_of] & unheard & ~offline
        light = expected * case.table["plane_clear_all"].sum(axis=2)
        with np.errstate(invalid="ignore", divide="ignore"):
            heard = _owed_while_heard(case) * expected / scale
        heard[~np.stack([offline[:, case.plane_of == p].any(axis=1) for p in planes], axis=1)] = np.nan
        return cls(share, plane, expected, asleep, dull, light, heard, trusted)


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
    def first(self) -> int:
        return min((int(np.flatnonzero(d)[0]) for d in self.days.values() if d.any()), default=self.start)

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
    for _ in range(2):  # what one plane's waking tells of a night, it tells of the others too
        starts = [s.start for spells in found for s in spells]
        for p, own in enumerate(found):
            own += _unheard(case, p, cold, sky, starts, own)
    for p, own in enumerate(found):
        own += _sleepers(case, p, cold, sky, own)
    for plane in found:
        _tell(case, plane, [s for spells in found for s in spells], sky, why, result)
    return result


def _owed_while_heard(case: Case) -> Floats:
    """What the sky let expect of each plane over the hours with rows, of clear-sky energy, [D, P]."""
    clear, share = case.table["plane_clear"], case.expected_share
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray((np.nan_to_num(share) * clear).sum(axis=2) / (np.isfinite(share) * clear).sum(axis=2))


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
    # Snow lies on after the cold that brought it, but not in warm sun.
    lying = cold.copy()
    for k in (1, 2, 3):
        lying[k:] |= cold[:-k]
    warmest = np.sort(np.where(np.isfinite(air), air, -99.0), axis=1)[:, -12:].mean(axis=1)
    lying &= warmest < WARM_C.value
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
        owed = min(expected, float(np.fmin(sky.heard[d, p], np.inf)))
        return share < HIDDEN.value * owed and share < 0.35 and expected > (0.05 if share < COVERED.value else 0.12)
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
    behind = _behind(_well_heard(case, d, inputs, sky))
    if sky.trusted and sky.light[told[-1], p] < PLAIN_LIGHT.value and 2 * behind.sum() < len(inputs):
        return False  # it was dark for want of light
    if not (1 if len(inputs) < 4 else 2) <= behind.sum() < len(inputs):
        return False
    return _sound_but(case, inputs, behind, d, sky)


def _sound_but(case: Case, inputs: np.ndarray, behind: Mask, d: int, sky: _Sky) -> bool:
    """Whether what stayed behind on day ``d`` was sound on the bright days before, and half of it on some day after."""
    well = [k for k in range(max(0, d - 10), d) if np.nanmax(np.append(sky.share[k, inputs], 0.0)) > DARK.value][-3:]
    after = range(d + 1, min(case.day_count, d + 1 + int(MAX_DAYS.value)))
    sound = [not _behind(sky.share[k, inputs])[behind].any() for k in well]
    told = [k for k in after if np.isfinite(sky.share[k, inputs]).any()]
    again = [_behind(sky.share[k, inputs])[behind].mean() <= 0.5 for k in told]
    return bool(sound) and all(sound) and (any(again) or not again)


def _well_heard(case: Case, d: int, inputs: np.ndarray, sky: _Sky) -> Floats:
    """Shares of inputs on a day, NaN where far fewer rows tell than anybody's: other hours have another light."""
    seen = case.table["seen_h"][d, inputs]
    return np.where(seen >= AS_LONG.value * seen.max(), sky.share[d, inputs], np.nan)


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


def _sudden(case: Case, start: int, p: int, sky: _Sky, cold: Mask) -> bool:
    """Whether the plane was well in the days before: shade that was always there is no snow, nor is what began in the warm."""
    share, expected = sky.plane[:, p], sky.expected[:, p]
    before = [d for d in range(max(0, start - 8), start) if np.isfinite(share[d])]
    if not before:
        return True
    known = [d for d in before if np.isfinite(expected[d]) and expected[d] > 0.1]
    if known and not cold[known[-1]] and share[known[-1]] < HIDDEN.value * expected[known[-1]] and start - known[-1] == 1:
        return False
    if not sky.trusted:
        return float(np.max(share[before])) > 0.2
    bright = _as_bright([d for d in known if case.light_days[d]], start, p, sky)
    ratio = [share[d] / expected[d] for d in bright or known]
    return not ratio or float(np.max(ratio)) > 0.6


def _as_bright(days: list[int], start: int, p: int, sky: _Sky) -> list[int]:
    """Of some days those about as bright as another, or the brightest few: where the sun does not reach, dull days show nothing."""
    light = sky.light[:, p]
    alike = [d for d in days if light[d] >= AS_BRIGHT.value * light[start]]
    return alike or sorted(days, key=lambda d: -float(light[d]))[:FEW_DAYS]


def _standing(case: Case, inputs: np.ndarray, day: int) -> bool:
    """Whether the units say that they stand by with voltage: then it is not the light that lacks."""
    hours = case.table["symptom_slots"][day][inputs][:, STANDBY]
    lit = np.maximum(case.table["lit_h"][day, inputs], 0.5)
    units = np.unique(case.unit_of[inputs])
    resting = (case.table["fault_h"] + case.table["start_h"])[day, units].max()
    no_grid = case.table["ac_dead_h"][day] > 1
    if (no_grid & (case.table["fault_h"][day] > 1)).mean() >= 0.5:
        return True  # most of the site says that the grid is gone
    p = int(case.plane_of[inputs[0]])
    if no_grid.mean() >= 0.5 and _whole_while_on(case, p, day):
        return True
    if _lit_but_still(case, inputs, day).mean() >= 0.5:
        return True
    if case.tripped(p)[day] and _whole_while_on(case, p, day):
        return True
    return bool((hours > 0.6 * lit).all() and (resting > 0.5 * lit.max() or case.table["ac_dead_h"][day, units].max() > 1))


def _lit_but_still(case: Case, inputs: np.ndarray, day: int) -> Mask:
    """Which inputs stood still for most of a day with the voltage of an open module in the light, [M]: snow takes the light."""
    table = case.table
    still = table["symptom_slots"][day][inputs][:, [STANDBY, IDLE]].sum(axis=1)
    out: Mask = still > ASLEEP.value * np.maximum(table["lit_h"][day, inputs], 0.5)
    return out & (np.nan_to_num(table["zero_volts"][day, inputs]) >= OPEN_VOLTS.value)


def _whole_while_on(case: Case, p: int, day: int) -> bool:
    """Whether a plane made what the sky allowed at the hours at which it made anything: it stopped and was free."""
    clear, made = case.table["plane_clear"][day, p], case.table["plane_typical"][day, p]
    owed = clear * case.expected_share[day, p]
    on = np.isfinite(owed) & (made > TRICKLE.value * clear)
    return bool(case.independent[p]) and float(made[on].sum()) > LOW.value * max(float(owed[on].sum()), 1e-6)


def _spells(case: Case, p: int, cold: Mask, sky: _Sky) -> list[_Spell]:
    """Spells of snow on a plane."""
    inputs: np.ndarray = np.flatnonzero(case.plane_of == p)
    out: list[_Spell] = []
    until = -1
    for start in np.flatnonzero(cold & case.light_days).tolist():
        if start <= until:
            continue
        returning = False
        if not _covered(start, p, sky):
            returning = _came_back(case, p, start, sky)
            if not returning:
                continue
        elif not _sudden(case, start, p, sky, cold) or _standing(case, inputs, start):
            continue
        spell = _spell(case, p, inputs, start, returning, cold, sky)
        if spell is not None:
            out += [spell] if spell.days else []
            until = spell.last
    return out


def _unheard(case: Case, p: int, cold: Mask, sky: _Sky, starts: list[int], known: list[_Spell]) -> list[_Spell]:
    """Spells of a plane whose units all fell silent, besides those known, and came back.

    They fell silent when another plane was covered, or alone of the site and dark, or woke one after the other.
    """
    inputs = np.flatnonzero(case.plane_of == p)
    out: list[_Spell] = []
    if len(inputs) < 2:
        return out
    fell = cold & sky.asleep[:, inputs].all(axis=1)
    fell[1:] &= ~sky.asleep[:-1, inputs].any(axis=1)
    fell[:1] = False
    for old in known:
        fell[max(old.first - 1, 0) : old.last + 2] = False
    beside = {k for s in starts for k in (s - 1, s, s + 1)}
    for start in np.flatnonzero(fell).tolist():
        if out and start <= out[-1].last:
            continue
        rise = _counted(case, inputs, start, sky)
        stood = not rise >= STOOD.value  # as far as counters tell
        apart = stood and _woke_apart(case, inputs, start, sky)
        if apart or start in beside or _alone_dark(case, inputs, start, sky):
            spell = _spell(case, p, inputs, start, False, cold, sky, apart=apart, sure=rise < STOOD.value)
            out += [spell] if spell is not None and spell.days else []
    return out


def _sleepers(case: Case, p: int, cold: Mask, sky: _Sky, known: list[_Spell]) -> list[_Spell]:
    """Spells of several units of a plane that fell silent in one cold spell, others being heard, and counted nothing meanwhile.

    Three electronics do not fail in one night and mend themselves; a breaker takes a branch.
    """
    inputs = np.flatnonzero(case.plane_of == p)
    free, runs, silent = np.ones(case.day_count, bool), [], unit_kinds(case)[0]
    for old in known:
        free[max(old.first - 1, 0) : old.last + 2] = False
    for u in np.unique(case.unit_of[inputs]).tolist():
        mine = inputs[case.unit_of[inputs] == u]
        mask = silent[:, u] & sky.asleep[:, mine].all(axis=1) & cold & free
        for first, last in runs_of(mask, case.table["lit_h"][:, mine].max(axis=1) <= 1.0):
            if first > 0 and last < case.day_count - 1 and _counted(case, mine, first, sky) < STOOD.value:
                runs.append((first, last, u))
    out = []
    while runs:
        lead = runs[0]
        same = [r for r in runs if r[0] <= lead[1] + 1 and r[1] >= lead[0] - 1]
        runs = [r for r in runs if r not in same]
        units = {u for _, _, u in same}
        if len(units) < ALONE_UNITS.value or units in _branches(case):
            continue
        days = {n: np.zeros(case.day_count, bool) for n in inputs.tolist()}
        for first, last, u in same:
            for n in inputs[case.unit_of[inputs] == u].tolist():
                days[n][first : last + 1] = True
        out.append(_Spell(p, min(r[0] for r in same), days, True, False, False))
    return out


def _branches(case: Case) -> list[set[int]]:
    """The units of each branch."""
    of = [unit.branch for unit in case.site.units]
    return [{u for u, other in enumerate(of) if other == name} for name in set(of) - {None}]


def _until_awake(inputs: np.ndarray, start: int, sky: _Sky) -> int:
    """The first day from a start on which any of some inputs was heard; the number of days where none was."""
    awake = np.flatnonzero(~sky.asleep[start:, inputs].all(axis=1))
    return start + int(awake[0]) if awake.size else len(sky.asleep)


def _counted(case: Case, inputs: np.ndarray, start: int, sky: _Sky) -> float:
    """What the counters of inputs rose by over their silence from a day on, of clear-sky energy; NaN where they do not tell.

    Infinite where the silence began in plain light, or lasted longer than snow does.
    """
    day = _until_awake(inputs, start, sky)
    told, clear = case.energy[start, inputs], case.table["clear"][start, inputs].sum(axis=1)
    if day >= case.day_count or day - start > MAX_DAYS.value or (told > DARK.value * clear).any():
        return np.inf
    rise, whole = counter_rise(case, span_mask(case.day_count, [(start, day - 1)]), inputs)
    return float(rise / max(whole, 1e-6))


def _woke_apart(case: Case, inputs: np.ndarray, start: int, sky: _Sky) -> bool:
    """Whether inputs that fell silent together woke hours apart or far apart in power, though alike before and after.

    A supply or a link that comes back does so for all at once, and with all that the sky gives.
    """
    day = _until_awake(inputs, start, sky)
    while day < case.day_count - 1 and day < start + MAX_DAYS.value and not np.isfinite(sky.share[day, inputs]).any():
        day += 1  # a few rows of the evening tell nothing yet
    well = [k for k in range(max(0, start - 10), start) if np.nanmax(np.append(sky.share[k, inputs], 0.0)) > DARK.value][-3:]
    if not well or not np.isfinite(sky.share[well][:, inputs]).any(axis=0).all():
        return False
    first = np.array([_first_row(case, inputs, k) for k in (day, *well)])
    late = first[0] - np.median(first[1:], axis=0)
    late = late - late.min() > WOKE_APART.value / BIN_HOURS
    if len(np.unique(case.unit_of[inputs[late]])) < 2:
        late[:] = False  # one unit may be silent for itself
    behind = _behind(sky.share[day, inputs]) | late
    least = 1 if len(inputs) < 4 else 2
    if least <= behind.sum() < len(inputs) and _sound_but(case, inputs, behind, day, sky):
        return True
    after = [k for k in range(day + 1, min(case.day_count, day + 4)) if sky.plane[k, case.plane_of[inputs[0]]] > DARK.value]
    usual = [_scatter(sky.share[k, inputs]) for k in (*well, *after)]
    now = _scatter(sky.share[day, inputs])
    return len(inputs) >= SCATTER_INPUTS.value and now > max(SCATTER.value, SCATTER_MORE.value * float(np.nanmax(usual)))


def _first_row(case: Case, inputs: np.ndarray, day: int) -> Floats:
    """The bin of each input's first row in light on a day; that after the last where there is none."""
    told = case.table["clear"][day, inputs] > 0.0
    out: Floats = np.where(told.any(axis=1), told.argmax(axis=1), told.shape[1]).astype(float)
    return out


def _scatter(share: Floats) -> float:
    """Middle deviation of siblings from their middle one, over it; NaN where none is heard."""
    good = share[np.isfinite(share)]
    return float(np.median(np.abs(good / max(np.median(good), 1e-6) - 1.0))) if good.size else np.nan


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
    case: Case,
    p: int,
    inputs: np.ndarray,
    start: int,
    returning: bool,
    cold: Mask,
    sky: _Sky,
    *,
    apart: bool = False,
    sure: bool = False,
) -> _Spell | None:
    """The spell of a plane that begins on a day; ``apart`` where its units woke so, ``sure`` where its silence is no link's."""
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
        usual = _usual(n, start, inputs, sky)
        for d in range(start, last_day):
            # A unit under snow sleeps: silence on a covered day belongs to it; a day without light changes nothing.
            if (sky.asleep[d, n] and not _free_early(case, n, d, inputs, sky)) or not np.isfinite(share[d, n]):
                days[d] = under and bool(sky.asleep[d, n] or case.table["lit_h"][d, n] > 1)
                continue
            reference = _reference(p, d, inputs, sky)
            # The plane's own level says what is dark for all; an input lies longer when it falls behind the others.
            covered = share[d, n] < LOW.value * usual * reference or (sky.plane[d, p] < sky.cover(d, p) and not returning)
            if not covered:
                break
            days[d] = under = True
        else:
            if last_day - start == int(MAX_DAYS.value) < case.day_count - start:
                days[:], endless = False, True  # what never clears is another cause
    for n, days in spells.items():
        _back_whole(n, days, inputs, sky, _usual(n, start, inputs, sky))
        while days.any() and not np.isfinite(share[last := int(np.flatnonzero(days)[-1]), n]) and not sky.asleep[last, n]:
            days[last] = False  # nobody heard of it that day
    # A silence of all at the end of a spell has no covered day after it: it may be anything,
    # unless their gateway heard others meanwhile.
    told = (~sky.asleep[:, inputs].all(axis=1) | _alone_asleep(case, inputs) | sure) & np.any(list(spells.values()), axis=0)
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
    uneven = returning or apart or len(set(covered_ends.tolist())) > 1 or _one_by_one(share[:, inputs], int(covered_ends.max()))
    for n, days in spells.items():
        for d in (int(np.flatnonzero(days)[-1]), int(np.flatnonzero(days)[-1]) + 1) if days.any() else ():
            if d > start and d < case.day_count and _slid(case, n, d):
                days[d] = uneven = True
    # One dark day alone: snow leaves a trickle of light where a unit that stands by makes nothing at all.
    trickle = float(np.nanmax(np.append(share[start, inputs], 0.0)))
    deepest = NIL.value < trickle < DEEP.value * sky.dull[start, p] and _whole(case, p, start) < DEEPEST.value * sky.dull[start, p]
    nobody = float(np.nanmax(np.append(share[start], 0.0))) < TRICKLE.value
    if (nobody or not sky.trusted) and not (uneven or sure or deepest) and trickle < TRICKLE.value:
        return None
    seen = [d for d in np.flatnonzero(np.any(list(spells.values()), axis=0)).tolist() if np.isfinite(sky.plane[d, p])]
    elsewhere = any(sky.expected[d, p] > max(0.12, 2.5 * sky.plane[d, p]) for d in seen)
    deep = deepest or sum(sky.plane[d, p] < DEEP.value * sky.dull[d, p] for d in seen) >= DEEP_DAYS.value
    _reach_back(case, p, start, spells, returning, cold, sky)
    return _Spell(p, start, spells, uneven, elsewhere, deep)


def _whole(case: Case, p: int, d: int) -> float:
    """What a plane made of all of a day's clear-sky energy, whether heard or not."""
    made, clear = case.table["plane_typical"][d, p].sum(), case.table["plane_clear_all"][d, p].sum()
    return float(made / max(clear, 1e-6))


def _usual(n: int, start: int, inputs: np.ndarray, sky: _Sky) -> float:
    """What an input made of the best of its plane on the bright days before a spell, 1 at most: the weak stay behind always."""
    best = np.nan_to_num(np.nanmax(np.append(sky.share[:start, inputs], np.zeros((start, 1)), axis=1), axis=1))
    well = np.flatnonzero((best > DARK.value) & np.isfinite(sky.share[:start, n]))[-5:]
    return min(1.0, float(np.median(sky.share[well, n] / best[well]))) if well.size else 1.0


def _free_early(case: Case, n: int, d: int, inputs: np.ndarray, sky: _Sky) -> bool:
    """Whether an input that was hardly heard on a day made in the day's first third what its best sibling made of that day."""
    clear = case.table["clear"][d, n]
    whole = np.cumsum(case.table["plane_clear_all"][d, case.plane_of[n]])
    early = whole < whole[-1] / 3.0
    best = float(np.nanmax(np.append(np.where(sky.asleep[d, inputs], np.nan, sky.share[d, inputs]), 0.0)))
    owed = float(clear[early].sum())
    return owed > 0.0 and best > 0.0 and float(case.table["power"][d, n, early].sum()) > LOW.value * best * owed


def _one_by_one(share: Floats, last: int) -> bool:
    """Whether members of a plane, shares [D, M], were far apart on the last day of a spell and alike on the next."""
    if last + 1 >= len(share) or not np.isfinite(share[last : last + 2]).all() or share.shape[1] < 2:
        return False
    (low, low_next), (high, high_next) = share[last : last + 2].min(axis=1), share[last : last + 2].max(axis=1)
    return bool(high > DARK.value and low < LOW.value * high and high_next > DARK.value and low_next > BACK.value * high_next)


def _back_whole(n: int, days: Mask, inputs: np.ndarray, sky: _Sky, usual: float) -> None:
    """Drop the days on which an input stayed behind and then never came back whole, in place: that is another cause."""
    if not days.any():
        return
    end = int(np.flatnonzero(days)[-1])
    best = np.nan_to_num(np.nanmax(np.append(sky.share[:, inputs], np.zeros((len(days), 1)), axis=1), axis=1))
    after = np.arange(end + 1, min(len(days), end + 1 + int(MAX_DAYS.value)))
    after = after[(best[after] > BRIGHT.value) & np.isfinite(sky.share[after, n])]
    if after.size < BACK_DAYS.value or np.median(sky.share[after, n] / best[after]) >= BACK.value * usual:
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
    asleep: Mask = np.all(sky.asleep[:, list(spells)], axis=1)
    dark = asleep | (np.nan_to_num(sky.plane[:, p], nan=1.0) < TRICKLE.value)
    while first > 0 and dark[first - 1] and cold[first - 1] and start - first < MAX_DAYS.value:
        first -= 1
    while first < start and not asleep[first]:
        first += 1
    if first < start and (first == 0 or _counted(case, np.array(list(spells)), first, sky) >= STOOD.value):
        first = start
    for n, days in spells.items():
        days[first:start] = (days[start] or returning) and bool(np.isfinite(sky.share[:first, n]).any())
    start = first
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
