"""What snow is judged by: what each plane made of the light, the cold, and which units sleep (:mod:`rules.faults.snow`)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rules.case import Case
from rules.counters import counter_rise
from rules.days import runs_of, span_mask
from rules.daytable import MISSING, SKY
from rules.finding import Threshold
from rules.hard import PLAIN_LIGHT
from rules.module import ambient_estimate
from rules.ranks import Floats, Mask, quantile_of, row_quantile
from rules.silence import offline_days
from rules.witnessed import FROZEN

COLD_C = Threshold(2.5, "Celsius, mean of the coldest six hours", "common practice: snow falls and lies near freezing")
WARM_C = Threshold(10.0, "Celsius, mean of the warmest six hours", "own reasoning: 5 mm of water melt a K and day: gone by noon")
COLD_SEASON_C = Threshold(7.0, "Celsius, estimated day mean", "own reasoning: the estimate is good to some 6 K")
MARITIME = Threshold(0.5, "of the season's swing", "climate tables (from memory): 5 K either way at 35 degrees south, 11 K north")
COVERED = Threshold(0.09, "of clear-sky energy", "own reasoning: a thick overcast leaves 0.10 to 0.25, snow less")
OVERCAST = Threshold(0.16, "of clear-sky irradiance", "common practice: a thick overcast leaves some 0.10 to 0.25 on the level")
TRICKLE = Threshold(0.01, "of clear-sky energy", "own reasoning: a few per cent of light pass a thin cover at noon")
LATER_DAYS = Threshold(3, "bright days", "own reasoning: one or two may be as odd as the day in question")
LOW = Threshold(0.72, "ratio", "own reasoning: an input still partly covered")
BRIGHT = Threshold(0.3, "of clear-sky energy", "own reasoning: in less light planes differ by their share of the sky, not by snow")
DARK = Threshold(0.2, "of clear-sky energy", "own reasoning: a thin cover lets a fifth through; more is a day one can see by")
ASLEEP = Threshold(0.6, "of lit hours", "own reasoning: units are fed by their modules and sleep under snow")
LATEST_DAYS = 3  # after half of the plane is clear
AROUND = Threshold(12, "days each way", "own reasoning: longer than most snow lies, shorter than the season")
AROUND_LEAST = Threshold(6, "days", "own reasoning: the better ones of fewer may all lie under snow")
LOWEST = Threshold(0.45, "of the record's better days", "own reasoning: snow leaves a tenth, a low sun half")
ALIKE_LIGHT = Threshold(1.5, "times", "own reasoning: days of one kind of sky, and a week of them in a month")
LEAST_LEVEL = Threshold(0.15, "ratio", "own reasoning: snow leaves a tenth, the sky alone a fifth of a bright day's light")
CLEAR = Threshold(0.8, "of the clearest days", "own reasoning: sun for most of the day")
BLIND = Threshold(0.4, "of what the sensor or other planes expect", "own reasoning: as for snow; the sky's own light, no sun")
BLIND_SHARE = Threshold(0.6, "of the clear days", "own reasoning: of the clear days of some weeks snow lies on few")
BLIND_RUNS = Threshold(3, "times", "own reasoning: free under every cloud between, which no snow is")
FREE_BETWEEN = Threshold(0.6, "of what the sensor or other planes expect", "own reasoning: no snow on it")
STOOD = Threshold(0.04, "of clear-sky energy", "own reasoning: half of what a thick overcast leaves; sleepers count nothing")
MAX_DAYS = Threshold(21, "days", "own reasoning: on a pitched roof snow slides or melts within two or three weeks")


@dataclass(frozen=True)
class Sky:
    """What each input made and could have made of each day.

    ``share`` [D, N] and ``plane`` [D, P] of clear-sky energy; ``expected`` [D, P]
    the share that the sensor or the other planes let expect, NaN unknown;
    ``asleep`` [D, N] days of light on which the input's unit was mostly unheard;
    ``dull`` [D, P] the share of clear-sky energy that a thick overcast leaves a plane;
    ``light`` [D, P] the energy that ``expected`` means, h at full sun; ``heard`` [D, P] the share expected over the hours
    with rows alone where the link was lost by its own log, else NaN; ``blind`` [D, P] clear days on which a plane makes next to
    nothing as on most of them: the sun does not reach it; ``trusted`` whether a sensor stands behind ``expected``.
    """

    share: Floats
    plane: Floats
    expected: Floats
    asleep: Mask
    dull: Floats
    light: Floats
    heard: Floats
    blind: Mask
    trusted: bool

    @classmethod
    def of(cls, case: Case) -> Sky:
        planes = range(len(case.names))
        trusted = case.sensor_trust[0]
        plane = np.stack([_plane_share(case, p) for p in planes], axis=1)
        owed, told = case.expected_day
        # Only a sensor and the other planes say what to expect of a plane.
        unscaled = np.where(case.independent & (told > 0.3), owed, np.nan)
        expected = _as_usual(plane, unscaled) if trusted else unscaled
        light = expected * case.table["plane_clear_all"].sum(axis=2)
        offline = _offline(case)
        with np.errstate(invalid="ignore", divide="ignore"):
            heard = _owed_while_heard(case) * expected / unscaled
        heard[~np.stack([offline[:, case.plane_of == p].any(axis=1) for p in planes], axis=1)] = np.nan
        return cls(
            share=_day_share(case),
            plane=plane,
            expected=expected,
            asleep=_asleep(case, np.nan_to_num(light) if trusted else None) & ~offline,
            dull=np.stack([_dull(case, p) for p in planes], axis=1),
            light=light,
            heard=heard,
            blind=_blind(plane, expected, unscaled),
            trusted=trusted,
        )

    def best(self, inputs: np.ndarray) -> Floats:
        """Share of the best of some inputs on each day, [D]; 0 where none was heard."""
        out: Floats = np.nan_to_num(self.share[:, inputs], nan=0.0).max(axis=1, initial=0.0)
        return out

    def bright_before(self, d: int, inputs: np.ndarray) -> list[int]:
        """The last three of the ten days before a day on which some of the inputs were plainly free."""
        first = max(0, d - 10)
        return (first + np.flatnonzero(self.best(inputs)[first:d] > DARK.value)).tolist()[-3:]

    def makes_it(self, d: int, p: int) -> bool:
        """Whether a plane made on a day what a trusted sensor lets expect: then it is the sky that is dark."""
        return self.trusted and bool(self.plane[d, p] >= LOW.value * self.expected[d, p])

    def cover(self, d: int, p: int) -> float:
        """Share of clear-sky energy below which a plane counts as covered."""
        if self.trusted and np.isfinite(self.expected[d, p]):
            return COVERED.value
        # With nothing to tell the sky by, a plane turned from the sun may make less even of an overcast.
        return min(COVERED.value, float(self.dull[d, p]))


def _as_usual(plane: Floats, expected: Floats) -> Floats:
    """What a sensor lets expect of each plane, [D, P], on the scale of what the plane's better days ``plane`` made of it.

    In a short dull record modules were never at their best.
    """
    out = expected.copy()
    with np.errstate(invalid="ignore", divide="ignore"):
        made = np.where(expected > 0.08, plane / expected, np.nan)
    for p in range(plane.shape[1]):
        good = made[np.isfinite(made[:, p]), p]
        if good.size >= 3:
            whole = np.clip(np.quantile(good, 0.85), 0.7, 2.0) * _season_level(made[:, p])
            out[:, p] *= _light_level(made[:, p], expected[:, p], whole)
    return out


def _asleep(case: Case, light: Floats | None) -> Mask:
    """Days of light on which each input's unit was mostly unheard, [D, N].

    Parameters
    ----------
    light : what a trusted sensor lets expect of each plane, h, [D, P]; None without one. Without any row the inputs do
        not show the light, but the sensor does.
    """
    lit, gone = case.table["lit_h"], case.table["symptom_slots"][:, :, MISSING]
    asleep = (lit > 1) & (gone > ASLEEP.value * lit)
    if light is not None:
        unheard = (lit <= 0.0) & (case.table["clear"].sum(axis=2) <= 0.0)
        asleep |= (light >= PLAIN_LIGHT.value)[:, case.plane_of] & unheard
    return asleep


def _offline(case: Case) -> Mask:
    """Days on which each input's gateway was offline by its own log, [D, N]."""
    out = np.zeros((case.day_count, len(case.inputs)), bool)
    for gateway in {ref.gateway for ref in case.inputs}:
        mine = np.array([ref.gateway == gateway for ref in case.inputs])
        out |= offline_days(case, gateway)[:, None] & mine[None, :]
    return out


def _owed_while_heard(case: Case) -> Floats:
    """What the sky let expect of each plane over the hours with rows, of clear-sky energy, [D, P]."""
    clear, share = case.table["plane_clear"], case.expected_share
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray((np.nan_to_num(share) * clear).sum(axis=2) / (np.isfinite(share) * clear).sum(axis=2))


def _blind(plane: Floats, expected: Floats, sky: Floats) -> Mask:
    """Clear days on which a plane made next to nothing, as on most clear days around, and well under the clouds between, [D, P].

    A plane turned from the winter sun, known by a wrong azimuth, has only the sky's light: least of it under a clear sky.

    Parameters
    ----------
    plane, expected, sky : share of clear-sky energy made, expected of the plane, and allowed by the sky, [D, P]; NaN unknown.
    """
    best = np.nanmax(np.append(sky, np.zeros((len(plane), 1)), axis=1), axis=1)
    clear = best >= CLEAR.value * quantile_of(best, 0.95)
    with np.errstate(invalid="ignore", divide="ignore"):
        made = plane / expected
    out = np.zeros(plane.shape, bool)
    for p in range(plane.shape[1]):
        told = np.isfinite(made[:, p]) & clear
        low = told & (made[:, p] < BLIND.value)
        runs = runs_of(low, ~(made[:, p] > FREE_BETWEEN.value))
        for first, last in runs:
            start, end = max(first - int(AROUND.value), 0), last + int(AROUND.value)
            near = sum(start <= b and a <= end for a, b in runs)
            share = low[start : end + 1].sum() / told[start : end + 1].sum()
            if near >= BLIND_RUNS.value and share >= BLIND_SHARE.value:
                out[first : last + 1, p] = low[first : last + 1]
    return out


def _season_level(made: Floats) -> Floats:
    """What the better days around made of the sensor's light against those of the whole record, 1 at most, [D].

    In a northern midwinter the sun stays so low that modules make half of what a sensor lets expect.
    """
    whole, reach = quantile_of(made[np.isfinite(made)], 0.85), int(AROUND.value)
    edge = np.full(reach, np.nan)
    near = np.lib.stride_tricks.sliding_window_view(np.concatenate([edge, made, edge]), 2 * reach + 1)
    level = np.clip(row_quantile(near, 0.85) / max(whole, 1e-6), LOWEST.value, 1.0)
    return np.where(np.isfinite(near).sum(axis=1) >= AROUND_LEAST.value, level, 1.0)


def _light_level(made: Floats, expected: Floats, usual: Floats) -> Floats:
    """What a plane's better days made of light about as bright as each day's, [D]: ``usual`` at most.

    A plane turned from the sun, or known by a wrong azimuth, makes its share of dull days and hardly any of bright ones.
    """
    with np.errstate(invalid="ignore"):
        alike = np.abs(np.log(expected[:, None] / expected[None, :])) <= np.log(ALIKE_LIGHT.value)
    near = np.where(alike, made[None, :], np.nan)
    level = np.clip(row_quantile(near, 0.85), LEAST_LEVEL.value, None)
    enough = np.isfinite(near).sum(axis=1) >= AROUND_LEAST.value
    return np.where(enough, np.minimum(usual, level), usual)


def season_possible(case: Case) -> Mask:
    """Days of a season in which it may be cold enough for snow, [D]."""
    return winter_mean(case) < COLD_SEASON_C.value + 6


def winter_mean(case: Case) -> Floats:
    """Mean air temperature of days by season and latitude, Celsius, [D]; half the season's swing where the sea is near.

    South of the equator hardly any land lies far from the sea at the latitudes of winters: climate tables have Sydney at 13,
    Melbourne at 10 and Auckland at 11 Celsius in July (from memory), Tokyo and New York at 5 and 0 in January.
    """
    noon, half = case.table.days * 86400 + 43200, 43200
    mean = (ambient_estimate(case.site.site, noon) + ambient_estimate(case.site.site, noon + half)) / 2.0
    if case.site.site.latitude >= 0.0:
        return np.asarray(mean)
    year = np.arange(0, 365, 5) * 86400
    yearly = float(np.mean([ambient_estimate(case.site.site, year), ambient_estimate(case.site.site, year + half)]))
    return np.asarray(yearly + MARITIME.value * (mean - yearly))


def cold_days(case: Case) -> tuple[Mask, str]:
    """Days on which snow may fall or lie, [D], and by what: measured air, or season and latitude."""
    air = case.table["sky"][:, SKY.index("air")]
    measured = np.isfinite(air).any(axis=1)
    ordered = np.sort(air, axis=1)[:, :12]
    some = np.isfinite(ordered).sum(axis=1)
    low = np.where(some > 0, np.nan_to_num(ordered).sum(axis=1) / np.maximum(some, 1), np.nan)
    season = winter_mean(case) < COLD_SEASON_C.value
    cold = np.where(measured, np.nan_to_num(low, nan=99) <= COLD_C.value, season)
    # Snow lies on after the cold that brought it, but not in warm sun.
    lying = cold.copy()
    for k in (1, 2, 3):
        lying[k:] |= cold[:-k]
    warmest = np.sort(np.where(np.isfinite(air), air, -99.0), axis=1)[:, -12:].mean(axis=1)
    lying &= warmest < WARM_C.value
    return lying, "measured air temperature" if measured.any() else "season and latitude"


def _day_share(case: Case) -> Floats:
    """Each input's energy over clear sky for its slots, [D, N]; NaN where its record stood still and shows no sky."""
    clear = case.table["clear"].sum(axis=2)
    told = (clear > 0.3) & ~(case.table["frozen_share"] >= FROZEN.value)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(told, case.energy / clear, np.nan)


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


def uncovered_share(p: int, d: int, inputs: np.ndarray, sky: Sky) -> float:
    """Share of clear sky an uncovered input would have made that day."""
    expected = float(sky.expected[d, p])
    if sky.trusted and np.isfinite(expected):
        return expected
    best = float(np.nanmax(np.append(sky.share[d, inputs], 0.0)))
    # Other planes may be under other clouds or snow of their own: they count when they are plainly bright.
    return max(best, expected if np.isfinite(expected) and expected > BRIGHT.value and best < DARK.value else 0.0)


def left_behind(share: Floats) -> Mask:
    """Inputs that made far less than the best of their plane."""
    best = float(np.nanmax(np.append(share, 0.0)))
    out: Mask = np.nan_to_num(share, nan=best) < LOW.value * best
    return out


def sound_but(case: Case, inputs: np.ndarray, behind: Mask, d: int, sky: Sky) -> bool:
    """Whether what stayed behind on day ``d`` was sound on the bright days before, and half of it on some day after.

    In a record without a bright day before, the bright ones after tell: shade and faults stay.
    """
    well = sky.bright_before(d, inputs)
    after = range(d + 1, min(case.day_count, d + 1 + int(MAX_DAYS.value)))
    sound = [not left_behind(sky.share[k, inputs])[behind].any() for k in well]
    if not well:
        bright = [k for k in range(d + 1, case.day_count) if sky.best(inputs)[k] > BRIGHT.value]
        sound = [sum(not left_behind(sky.share[k, inputs])[behind].any() for k in bright) >= LATER_DAYS.value]
    told = [k for k in after if np.isfinite(sky.share[k, inputs]).any()]
    again = [left_behind(sky.share[k, inputs])[behind].mean() <= 0.5 for k in told]
    return bool(sound) and all(sound) and (any(again) or not again)


def counted_share(case: Case, inputs: np.ndarray, start: int, sky: Sky) -> float:
    """What the counters of inputs rose by over their silence from a day on, of clear-sky energy; NaN where they do not tell.

    Infinite where the silence began in plain light, or lasted longer than snow does.
    """
    day = until_awake(inputs, start, sky)
    told, clear = case.energy[start, inputs], case.table["clear"][start, inputs].sum(axis=1)
    if day >= case.day_count or day - start > MAX_DAYS.value or (told > DARK.value * clear).any():
        return np.inf
    rise, whole = counter_rise(case, span_mask(case.day_count, [(start, day - 1)]), inputs)
    return float(rise / max(whole, 1e-6))


def until_awake(inputs: np.ndarray, start: int, sky: Sky) -> int:
    """The first day from a start on which any of some inputs was heard; the number of days where none was."""
    awake = np.flatnonzero(~sky.asleep[start:, inputs].all(axis=1))
    return start + int(awake[0]) if awake.size else len(sky.asleep)
