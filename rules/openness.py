"""What stands before a whole plane, which members stand out of its shadow, and which follow another plane's course.

Where most members of a plane are shaded at one hour, the typical member does
not show the shade: the open ones, the sensor and the other planes do.
"""

from __future__ import annotations

from functools import cached_property
from math import isnan

import numpy as np
import pandas as pd

from rules.days import runs_of, window_sum, with_neighbours
from rules.daytable import BIN_HOURS, BINS, DayTable
from rules.finding import Threshold
from rules.ranks import Floats, Mask, nearest_rank, rolling_upper, weighted_quantile
from rules.sensor import OPEN_REACH, OPEN_RIM, OPEN_SUN_DEG, Sensed

OPEN_EDGE = Threshold(0.28, "of clear sky within an hour", "own reasoning: 20 degrees of azimuth error bend the course by less")
OPEN_SHARE = Threshold(0.45, "of the day's clear-sky energy", "own reasoning: a day clear for half of its light")
OPEN_DAYS = Threshold(4, "days", "own reasoning: chance clouds do not come at one hour on four clear days")
OPEN_LEVEL = Threshold(0.72, "of clear sky", "own reasoning: transposition models differ by 8 % and a turned plane by 20 %")
OPEN_RANK = Threshold(0.9, "quantile", "own reasoning: the best of a few members, not the best of many by chance")
OPEN_LIFT = Threshold(1.08, "ratio", "own reasoning: four times the spread of modules of one type (1 to 2 %)")
OPEN_FIT = Threshold(0.93, "of the expected", "own reasoning: a typical member that makes all the sky allows is not in shade")
OPEN_MOST = Threshold(1.12, "of the expected", "transposition models differ by 8 %: more is another plane's course")
FOREIGN_MISS = Threshold(0.15, "of energy", "own reasoning: shapes of planes 30 degrees apart differ by more")
FOREIGN_BETTER = Threshold(0.6, "ratio of misfits", "own reasoning: another plane must explain half of the misfit")
FOREIGN_MORE = Threshold(0.05, "of energy", "own reasoning: siblings in the same light differ by 1 to 2 %")


class Opened(Sensed):
    """A record, its sensor, and what stands before its planes."""

    def __init__(self, table: DayTable, events: pd.DataFrame | None = None) -> None:
        super().__init__(table, events)
        self._own: dict[int | None, Floats] = {}
        self._told: dict[int, Floats] = {}

    @cached_property
    def foreign(self) -> Mask:
        """Input-days whose course is another plane's: worse at some hours and better at others, [D, N].

        Only plain cases count: no shadow makes an input outdo its siblings. Courses are
        those of the days around, of siblings or of the clear sky, whichever fits.
        """
        planes, reach = len(self.names), int(OPEN_REACH.value)
        out = np.zeros((self.day_count, len(self.inputs)), bool)
        if planes < 2:
            return out
        courses = [window_sum(self.table[name], reach) for name in ("plane_typical", "plane_clear_all")]
        shapes = [course / np.maximum(course.sum(axis=2, keepdims=True), 1e-9) for course in courses]

        def miss(made: Floats, p: int) -> Floats:
            return np.minimum(*(np.abs(made - shape[:, p, None]).sum(axis=2) for shape in shapes))

        for p in self.unlike("foreign", out, self.plane_of):
            mine = np.flatnonzero(self.plane_of == p)
            power, typical = self.table["power"][:, mine], self.table["typical"][:, mine]
            made = window_sum(power, reach)
            total = np.maximum(made.sum(axis=2), 1e-9)
            made /= total[..., None]
            more = window_sum(np.maximum(power - typical, 0.0).sum(axis=2), reach) / total
            own = miss(made, p)
            odd = (own > FOREIGN_MISS.value) & (more > FOREIGN_MORE.value)
            some = odd.any(axis=0)
            if some.any():
                others = np.min([miss(made[:, some], q) for q in range(planes) if q != p], axis=0)
                out[:, mine[some]] = odd[:, some] & (others < FOREIGN_BETTER.value * own[:, some])
        return out

    @cached_property
    def sibling_lift(self) -> Floats:
        """What a plane's open members make over its typical member, by hour, 1 and more, [D, P, B].

        Where a shadow covers most of a plane, the typical member stands in it
        too; one that stands out of it at the same hour of most sunny days says
        so. Never more than the clear sky allows, and that very day's own figure:
        under clouds open and shaded members make the same.
        """
        out, lit = np.ones((self.day_count, len(self.names), BINS)), self.lit
        for p in self.unlike("sibling_lift", out, np.arange(len(self.names))):
            mine = np.flatnonzero(self.plane_of == p)
            if len(mine) < 3 or lit.stop == 0:
                continue
            power, typical, clear = (self.table[name][:, mine, lit] for name in ("free_power", "free_typical", "clear"))
            told = (typical > 0.02 * BIN_HOURS) & ~self.foreign[:, mine, None]
            with np.errstate(invalid="ignore", divide="ignore"):
                sun = np.nanmax(np.where(clear > 0.04 * BIN_HOURS, power / clear, 0.0), axis=1) / self.plane_gain[p]
            sunny = np.clip((sun - 0.4) / 0.3, 0.0, 1.0)[:, None] * told
            reach = int(OPEN_REACH.value)
            made, held = window_sum(power * sunny, reach), window_sum(typical * sunny, reach)
            with np.errstate(invalid="ignore", divide="ignore"):
                usual = np.where(held > 0.1 * BIN_HOURS, made / held, np.nan)
            level = np.maximum(weighted_quantile(usual, np.where(np.isfinite(usual), held, 0.0), 0.5), 1.0)[:, :, None]
            upper = np.nan_to_num(nearest_rank(usual / level, OPEN_RANK.value, 1)[0])
            high = upper >= OPEN_LIFT.value
            if not high.any():
                continue  # no member stands out
            days = high.any(axis=1)
            with np.errstate(invalid="ignore", divide="ignore"):
                today = np.where(told[days], power[days] / typical[days], np.nan)
            lift = np.clip(nearest_rank(today / level[days], OPEN_RANK.value, 1)[0], 1.0, 1.25 * upper[days])
            fit = self._fit(p)[days, lit]
            most = np.where(fit <= OPEN_FIT.value, OPEN_MOST.value / np.maximum(fit, 0.05), 1.0)
            most = np.where(np.isfinite(fit), np.maximum(most, 1.0), np.inf)
            out[days, p, lit] = np.where(high[days], np.minimum(np.nan_to_num(lift, nan=1.0), most), 1.0)
        return out

    def _fit(self, p: int) -> Floats:
        """How much of the expected a plane's typical member made under a bright sky of the days around, [D, B].

        Under the sky of a sensor or of the other planes; with neither, its upper
        share of clear sky. NaN where nothing tells.
        """
        reach = int(OPEN_REACH.value)
        clear, made = self.table["plane_clear"][:, p], self.table["plane_typical"][:, p]
        if self.sensor_trust[0]:
            sky = self.trusted_sky(p)
        else:
            sky = self.raw_index(without=p)
        bright = (np.nan_to_num(sky) > 0.6) & (clear > 0.04 * BIN_HOURS)
        held = np.where(bright, clear * self.sky_levels.made(sky, p) * self.plane_gain[p], 0.0)
        total = window_sum(held, reach)
        with np.errstate(invalid="ignore", divide="ignore"):
            fit = np.where(total > 0.1 * BIN_HOURS, window_sum(np.where(bright, made, 0.0), reach) / total, np.nan)
        upper = rolling_upper(np.where(clear > 0.04 * BIN_HOURS, self.plane_share[:, p], np.nan), reach, 1.0)
        return np.where(np.isfinite(fit), fit, upper / self.plane_gain[p])

    @cached_property
    def plane_open(self) -> Floats:
        """How much of a clear sky's power each plane's open members still reach at each hour, 0 to 1, [D, P, B].

        A tree that shades a whole plane leaves no sibling to tell; but clouds do
        not come at the same minute of every day. The upper level of the plane's
        share of clear sky over some two weeks, by time of day, over the plane's
        gain: 1 where the plane is open (or the sun too low to say), less where
        something stands before it. A sensor or the other planes say how bright
        the sky was; without them only days that were plainly clear at other hours.
        """
        out = np.ones((self.day_count, len(self.names), BINS))
        lowest = OPEN_SUN_DEG.value + np.where(self.table["step_s"] >= 1800, 6.0, 0.0)
        for p in self.unlike("plane_open", out, np.arange(len(self.names))):
            mine = self.plane_of == p
            clear = self.table["clear"][:, mine].sum(axis=1)
            typical = self.table["typical"][:, mine].sum(axis=1) * self.sibling_lift[:, p]
            use = (clear > 0.08 * BIN_HOURS * mine.sum()) & (self.bin_elevation >= lowest[:, None])
            # Units that trip and wait at the same hours of many days stand in no shade.
            use &= ~self.tripped(p)[:, None]
            with np.errstate(invalid="ignore", divide="ignore"):
                share = np.where(use, typical / clear, np.nan) / self.plane_gain[p]
            if self.sensor_trust[0]:
                level = self._level_under(self.trusted_sky(p), share, p)
            else:
                lit = np.where(use, clear, 0.0)
                open_part = (lit * (np.nan_to_num(share) > 0.88)).sum(axis=1) / np.maximum(lit.sum(axis=1), 1e-9)
                plain = np.where((open_part < OPEN_SHARE.value)[:, None], np.nan, share)
                level = self._level_under(self.raw_index(without=p), share, p)
                # Clouds pull single days down: without another witness the upper level counts.
                plain = rolling_upper(plain, int(OPEN_REACH.value), OPEN_DAYS.value)
                # An obstacle is there every day: light of which power was made on any day is open to the plane.
                reached = rolling_upper(share, int(OPEN_REACH.value), OPEN_DAYS.value)
                plain = np.where(np.isfinite(plain), np.maximum(plain, reached), np.nan)
                level = np.where(np.isfinite(level), level, plain)
            lit = np.where(np.isfinite(level), clear, 0.0)
            part = (lit * (np.nan_to_num(level) > 0.85)).sum(axis=1) / np.maximum(lit.sum(axis=1), 1e-9)
            # A plane down for weeks is not in shade: some hours must be open.
            shaded = np.isfinite(level) & (level < OPEN_LEVEL.value) & (part > 0.3)[:, None]
            shaded = _sharp(shaded, level)
            for _ in range(2):  # the shadow's rim takes part of a half hour
                shaded |= with_neighbours(shaded) & np.isfinite(level) & (level < OPEN_RIM.value)
            out[:, p] = np.where(shaded, np.clip(level, 0.12, 1.0), 1.0)
        return out

    def _level_under(self, sky: Floats, share: Floats, p: int) -> Floats:
        """Median over the days around of a plane's share of clear sky over what a bright sky allowed, [D, B]."""
        with np.errstate(invalid="ignore", divide="ignore"):
            told = np.where(np.nan_to_num(sky) > 0.65, share / self.sky_levels.made(sky, p), np.nan)
        return rolling_upper(told, int(OPEN_REACH.value), OPEN_DAYS.value, 0.5)

    def own_index(self, without: int | None = None) -> Floats:
        """Clear-sky index read from the inputs, [D, B]; NaN without light.

        Allows for what stands before most of a plane or all of it
        (:attr:`sibling_lift`, :attr:`plane_open`). ``without`` leaves one plane
        out of the witnesses.
        """
        if without not in self._own:
            told = {p: self._told_by(p) for p in range(len(self.names)) if p != without}
            self._own[without] = self.weighed(told)
        return self._own[without]

    def _told_by(self, p: int) -> Floats:
        """Clear-sky index read from the open members of one plane, [D, B]; NaN without light."""
        if self._plainly_open[p]:
            return self.raw_told(p)
        if p not in self._told:
            share = self.plane_share[:, p] / self.plane_gain[p]
            share = share * self.sibling_lift[:, p] / self.plane_open[:, p]
            self._told[p] = self.sky_levels.brightness(share, p)
        return self._told[p]

    @cached_property
    def _plainly_open(self) -> list[bool]:
        """Whether each plane is free of shadows at all hours, [P]."""
        axes = (0, 2)
        return ((self.sibling_lift == 1.0).all(axis=axes) & (self.plane_open == 1.0).all(axis=axes)).tolist()

    @cached_property
    def inputs_index(self) -> Floats:
        return self.own_index()

    @cached_property
    def sky_index(self) -> Floats:
        """Clear-sky index by the best trusted source, [D, B]."""
        sensor = self.trusted_sky()
        return np.where(np.isfinite(sensor), sensor, self.inputs_index)


def _sharp(shaded: Mask, level: Floats) -> Mask:
    """Shaded bins of groups with a sharp edge, [D, B].

    A shadow comes or goes within half an hour; a turned plane or a clock that
    is off bends the whole course.
    """
    out = np.zeros_like(shaded)
    for d in np.flatnonzero(shaded.any(axis=1)).tolist():
        row = level[d].tolist()
        for first, last in runs_of(shaded[d]):
            opening, closing = row[first : first + 2], row[max(last - 1, first) : last + 1]
            if isnan(opening[-1]):
                continue  # one half hour with nothing known after it
            before = max([0.0, *(v for v in row[max(first - 2, 0) : first] if not isnan(v))])
            after = max([0.0, *(v for v in row[last + 1 : last + 3] if not isnan(v))])
            out[d, first : last + 1] = max(before - min(opening), after - min(closing)) >= OPEN_EDGE.value
    return out
