"""The case before the rules: the day table and what every rule asks of it.

Ratios, baselines, clear days, irradiance. Computed once, lazily, from features
only.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property, wraps
from math import isnan
from typing import Any, TypeVar
from weakref import WeakKeyDictionary

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from collectors.site import SiteDescription
from rules.daytable import BIN_HOURS, BINS, SKY, DayTable, plane_names
from rules.finding import Alternative, Threshold
from rules.irradiance import clear_index_levels
from rules.panel import day_offset
from rules.ranks import median_of, nearest_rank, quantile_of, row_quantile, taken
from rules.skylevels import CLEAR_AT, LEVELS, MONOTONE, SkyLevels, sky_levels
from rules.sun import Sun, sun_of

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
Answer = TypeVar("Answer")
SKY_MEAN = Threshold(0.55, "of clear sky", "common practice: a month's mean lies between 0.4 and 0.7")
OPEN_EDGE = Threshold(0.28, "of clear sky within an hour", "own reasoning: 20 degrees of azimuth error bend the course by less")
OPEN_REACH = Threshold(8, "days each way", "own reasoning: the sun's path moves less than 4 degrees in a week (pvlib SPA)")
OPEN_TRIPPED = Threshold(0.25, "h a day", "own reasoning: half of a bin at the hour of the trips")
OPEN_SHARE = Threshold(0.45, "of the day's clear-sky energy", "own reasoning: a day clear for half of its light")
OPEN_DAYS = Threshold(4, "days", "own reasoning: chance clouds do not come at one hour on four clear days")
NO_GRID_HZ = Threshold(40.0, "Hz", "own reasoning: no supply runs there; units trip far above (IEEE 1547-2018, from memory)")
OPEN_SUN_DEG = Threshold(12.0, "deg", "common practice: horizon and haze below some 10 degrees belong to the site")
OPEN_LEVEL = Threshold(0.72, "of clear sky", "own reasoning: transposition models differ by 8 % and a turned plane by 20 %")
OPEN_RANK = Threshold(0.9, "quantile", "own reasoning: the best of a few members, not the best of many by chance")
OPEN_LIFT = Threshold(1.08, "ratio", "own reasoning: four times the spread of modules of one type (1 to 2 %)")
OPEN_FIT = Threshold(0.93, "of the expected", "own reasoning: a typical member that makes all the sky allows is not in shade")
OPEN_MOST = Threshold(1.12, "of the expected", "transposition models differ by 8 %: more is another plane's course")
SENSOR_STEADY = Threshold(0.1, "median deviation", "own reasoning: under a common sky; a turned or shaded sensor errs by the hour")
SENSOR_SHADOW = Threshold(0.7, "of its usual reading", "own reasoning: model error with the hour is some 10 %, a shadow takes half")
SENSOR_DAYS = Threshold(4, "bright days around", "own reasoning: clouds come and go, what shades the sensor stays")
SENSOR_SCALE = Threshold(0.4, "of the inputs' sky", "own reasoning: a wrong constant, an old cell; less is no irradiance")
GAIN_USUAL = Threshold(0.85, "of the model", "own reasoning: ratings and clear-sky models miss by some 15 % at most")
OPEN_RIM = Threshold(0.9, "of clear sky", "own reasoning: beside a shadow a loss of a tenth is its rim, not the model's error")
FOREIGN_MISS = Threshold(0.15, "of energy", "own reasoning: shapes of planes 30 degrees apart differ by more")
FOREIGN_BETTER = Threshold(0.6, "ratio of misfits", "own reasoning: another plane must explain half of the misfit")
FOREIGN_MORE = Threshold(0.05, "of energy", "own reasoning: siblings in the same light differ by 1 to 2 %")
#: Fields of single inputs by hour.
_OF_INPUTS = ("power", "typical", "clear", "free_power", "free_typical")
#: Numbers of a day from which on adding day by day beats numpy's own running sum.
_WIDE = 300


@dataclass
class Candidate:
    """A rule's suspicion, before causes are weighed against each other.

    ``inputs`` are positions in ``site.inputs``; ``days`` is bool[D], the days on
    which the symptom was seen; ``loss_wh`` is [D]. ``strength`` 0 to 1 is the
    rule's own raw certainty, calibrated later.
    """

    fault: str
    scope: str
    inputs: tuple[int, ...]
    days: Mask
    loss_wh: Floats
    strength: float
    why: str
    evidence: dict[str, Any] = field(default_factory=dict)
    alternatives: tuple[Alternative, ...] = ()
    plane: str | None = None
    lasting: bool = False
    #: Causes that leave this symptom to be explained: rain takes no shade away.
    despite: tuple[str, ...] = ()


@dataclass(frozen=True)
class Unjudged:
    """Days on which a rule lacked what it needs, for one input (None: all)."""

    input: int | None
    fault: str
    reason: str
    days: int


@dataclass
class RuleResult:
    candidates: list[Candidate] = field(default_factory=list)
    unjudged: list[Unjudged] = field(default_factory=list)


class Case:
    """Everything the rules may ask, from a day table alone.

    Parameters
    ----------
    table : features of every day known, oldest first.
    events : gateway log (``ts``, ``source``, ``event``, ``detail``).
    """

    def __init__(self, table: DayTable, events: pd.DataFrame | None = None) -> None:
        self.table = table
        self.site: SiteDescription = table.site
        self.events = events if events is not None else pd.DataFrame(columns=["ts", "source", "event", "detail"])
        self.inputs = table.site.inputs
        self.names = plane_names(table.site)
        self.plane_of = np.array([self.names.index(ref.plane) for ref in self.inputs])
        self.unit_of = np.array([ref.unit_index for ref in self.inputs])
        self.rated = np.array([ref.module.pmax_w if ref.module else np.nan for ref in self.inputs])
        self._own: dict[tuple[int | None, bool], Floats] = {}
        self._told: dict[tuple[int, bool], Floats] = {}
        #: The case this one was made like, and planes on which nothing differs.
        self._like: tuple[Case, frozenset[int]] | None = None

    # -- shapes ----------------------------------------------------------

    @property
    def day_count(self) -> int:
        return len(self.table)

    @cached_property
    def members(self) -> NDArray[np.int64]:
        """Number of inputs on each input's plane."""
        return np.bincount(self.plane_of, minlength=len(self.names))[self.plane_of]

    def inputs_of_unit(self, unit: int) -> NDArray[np.int64]:
        return self._of_units[unit]

    @cached_property
    def _of_units(self) -> list[NDArray[np.int64]]:
        return [np.flatnonzero(self.unit_of == unit) for unit in range(len(self.site.units))]

    # -- grid ------------------------------------------------------------

    @cached_property
    def grid_outside_h(self) -> Floats:
        """Hours in which each unit saw its grid outside the window of voltage or frequency, [D, U]."""
        hertz = np.where(self.grid_went, 0.0, self.table["hz_out_h"])
        return self.table["volt_high_h"] + self.table["volt_low_h"] + hertz

    @cached_property
    def grid_went(self) -> Mask:
        """Days with a row that is the mean of a grid there for a part of it and gone for the rest, [D, U]."""
        return (self.table["ac_hz_min"] < NO_GRID_HZ.value) & (self.table["ac_dead_h"] > 0)

    def tripped(self, plane: int) -> Mask:
        """Days on which units of a plane tripped on their grid, or waited for it, for long, [D]."""
        units = np.unique(self.unit_of[self.plane_of == plane])
        return self.table["grid_trip_h"][:, units].mean(axis=1) >= OPEN_TRIPPED.value

    # -- energy ----------------------------------------------------------

    @cached_property
    def light_days(self) -> Mask:
        """Days with enough of the record inside daylight to be judged, [D]."""
        return self.table["clear_h"] > 0.5

    @cached_property
    def energy(self) -> Floats:
        """Energy recorded, h (Wh per rated watt), [D, N]."""
        return self.table["power"].sum(axis=2)

    @cached_property
    def typical(self) -> Floats:
        """What siblings made over the same slots, h, [D, N]."""
        return self.table["typical"].sum(axis=2)

    # -- sky -------------------------------------------------------------

    @cached_property
    def bin_sun(self) -> Sun:
        """Sun at the middle of every bin, arrays [D * B]."""
        start = self.table.days[:, None] * 86400 - day_offset(self.site)
        middle = start + ((np.arange(BINS) + 0.5) * 86400 / BINS).astype(np.int64)[None, :]
        return sun_of(self.site.site, middle.ravel())

    @cached_property
    def bin_azimuth(self) -> Floats:
        return self.bin_sun.azimuth_deg.reshape(-1, BINS)

    @cached_property
    def bin_elevation(self) -> Floats:
        return self.bin_sun.elevation_deg.reshape(-1, BINS)

    @cached_property
    def _lit(self) -> slice:
        """Bins from the first to the last in which siblings told anything on any day: no working on the night."""
        return first_to_last(self.table["free_typical"] > 0)

    def _sky(self, name: str) -> Floats:
        return self.table["sky"][:, SKY.index(name)]

    @cached_property
    def sky_levels(self) -> SkyLevels:
        """What each plane makes of each brightness of the sky."""
        return sky_levels(self.site, self.bin_sun, self._sky("air").ravel())

    @cached_property
    def beam_share(self) -> Floats:
        """Share of each plane's irradiance that comes straight from the sun, under the site's sky, [D, P, B].

        0 where the sky is unknown. Brightening around the sun counts as direct:
        what hides the sun hides it too.
        """
        out = np.zeros((self.day_count, len(self.names), BINS))
        for p in range(len(self.names)):
            index = self.sky_index
            if self.irradiance_source == "poa sensor" and p != int(np.max(self.table["poa_plane"])):
                # A sensor turned away from the sun hardly sees it; a plane cannot make more than the sky allows.
                made = self.plane_share[:, p] * self.sibling_lift[:, p] / (self.plane_gain[p] * self.plane_open[:, p])
                index = np.fmax(index, self.sky_levels.brightness(made, p))
            out[:, p] = self.sky_levels.beam(index, p)
        return out

    @cached_property
    def clear_beam(self) -> Floats:
        """:attr:`beam_share` under a clear sky."""
        clear = np.ones((self.day_count, BINS))
        return np.stack([self.sky_levels.beam(clear, p) for p in range(len(self.names))], axis=1)

    def like(self, fields: dict[str, Floats]) -> Case:
        """A case of the same days with other fields; what follows from site and days alone is shared."""
        other = Case(DayTable(self.site, self.table.days, fields), self.events)
        shared = ["bin_sun", "bin_azimuth", "bin_elevation"]
        if fields["sky"] is self.table["sky"]:
            shared += ["sky_levels", "clear_beam"]
            same = ("plane_typical", "plane_clear")
            if all(fields[name] is self.table[name] or np.array_equal(fields[name], self.table[name]) for name in same):
                # What the planes say of the sky as they stand.
                shared += ["plane_share", "plane_gain", "_sensor", "sensor_trust", "irradiance_source"]
                other._told.update({key: told for key, told in self._told.items() if not key[1]})
                other._own.update({key: own for key, own in self._own.items() if not key[1]})
                changed = np.any([(fields[name] != self.table[name]).any(axis=(0, 2)) for name in _OF_INPUTS], axis=0)
                other._like = self, frozenset(range(len(self.names))) - set(self.plane_of[changed].tolist())
        vars(other).update({name: vars(self)[name] for name in shared if name in vars(self)})
        return other

    def _unlike(self, name: str, out: NDArray[Any], plane_of: NDArray[np.int64]) -> list[int]:
        """Planes of which a property, [D, ...], is to be worked out; the others' columns are copied from the like case."""
        case, same = self._like or (self, frozenset())
        if same:
            told = np.isin(plane_of, list(same))
            out[:, told] = getattr(case, name)[:, told]
        return [p for p in range(len(self.names)) if p not in same]

    def share_under(self, index: float, plane: int) -> Floats:
        """Share of clear-sky power a plane makes under a sky of one clear-sky index, [D, B]."""
        return self.sky_levels.made(np.full((self.day_count, BINS), index), plane)

    @cached_property
    def sensor_share(self) -> Floats:
        """Share of clear-sky power the sensor's sky allows each plane, [D, P, B]; NaN where it is silent."""
        return np.stack([self.sky_levels.made(self.sensor_sky(p), p) for p in range(len(self.names))], axis=1)

    @cached_property
    def plane_share(self) -> Floats:
        """Each plane's typical power over its clear-sky expectation, [D, P, B]; NaN without light."""
        clear = self.table["plane_clear"]
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(clear > 0.04 * BIN_HOURS, self.table["plane_typical"] / clear, np.nan)

    @cached_property
    def plane_gain(self) -> Floats:
        """Learnt factor between a plane's clear-day power and the model, [P].

        The upper level of the plane's own share of clear sky: model error (some
        10 %) and slow dirt are in it, single faults are not.
        """
        gain = np.ones(len(self.names))
        weight = self.table["plane_clear"]
        for p in range(len(self.names)):
            share = self.plane_share[:, p]
            use = np.isfinite(share) & (weight[:, p] > 0.35 * BIN_HOURS)
            if use.sum() >= 8:
                gain[p] = min(max(quantile_of(share[use], 0.85), 0.5), 1.3)
        return gain

    @cached_property
    def foreign(self) -> Mask:
        """Input-days whose course is another plane's: worse at some hours and better at others, [D, N].

        Only a plain case: no shadow makes an input outdo its siblings. Courses are
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

        for p in self._unlike("foreign", out, self.plane_of):
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
        out, lit = np.ones((self.day_count, len(self.names), BINS)), self._lit
        for p in self._unlike("sibling_lift", out, np.arange(len(self.names))):
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
                continue  # nobody stands out
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
            sky = self.own_index(without=p, opened=False)
        bright = (np.nan_to_num(sky) > 0.6) & (clear > 0.04 * BIN_HOURS)
        held = np.where(bright, clear * self.sky_levels.made(sky, p) * self.plane_gain[p], 0.0)
        total = window_sum(held, reach)
        with np.errstate(invalid="ignore", divide="ignore"):
            fit = np.where(total > 0.1 * BIN_HOURS, window_sum(np.where(bright, made, 0.0), reach) / total, np.nan)
        upper = _rolling_upper(np.where(clear > 0.04 * BIN_HOURS, self.plane_share[:, p], np.nan), reach, 1.0)
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
        for p in self._unlike("plane_open", out, np.arange(len(self.names))):
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
                level = self._level_under(self.own_index(without=p, opened=False), share, p)
                # Clouds pull single days down: without another witness the upper level counts.
                plain = _rolling_upper(plain, int(OPEN_REACH.value), OPEN_DAYS.value)
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
        return _rolling_upper(told, int(OPEN_REACH.value), OPEN_DAYS.value, 0.5)

    def own_index(self, without: int | None = None, opened: bool = True) -> Floats:
        """Clear-sky index read from the inputs themselves, [D, B]; NaN without light.

        Parameters
        ----------
        without : leave this plane out of the witnesses.
        opened : allow for what stands before most of a plane or all of it
            (:attr:`sibling_lift`, :attr:`plane_open`).
        """
        key = (without, opened)
        if key not in self._own:
            self._own[key] = self._own_index(without, opened)
            self._own[key].flags.writeable = False
        return self._own[key]

    def _own_index(self, without: int | None, opened: bool) -> Floats:
        estimates, weights = [], []
        for p in range(len(self.names)):
            if p == without:
                continue
            estimate = self._told_by(p, opened and not self._plainly_open[p])
            estimates.append(estimate)
            members = int((self.plane_of == p).sum())
            weights.append(
                np.where(np.isfinite(estimate), self.table["plane_clear"][:, p] * min(members, 4), 0.0)
            )
        if not estimates:
            return np.full((self.day_count, BINS), np.nan)
        if len(estimates) == 1:
            return np.where(weights[0] > 0, estimates[0], np.nan)
        value, weight = np.stack(estimates), np.stack(weights)
        order = np.argsort(value, axis=0)
        value, weight = np.take_along_axis(value, order, 0), np.take_along_axis(weight, order, 0)
        total = np.cumsum(weight, axis=0)
        pick = (total < 0.6 * total[-1]).sum(axis=0)
        out = np.take_along_axis(value, np.minimum(pick, len(value) - 1)[None], 0)[0]
        return np.where(total[-1] > 0, out, np.nan)

    def _told_by(self, p: int, opened: bool) -> Floats:
        """Clear-sky index read from one plane, [D, B]; NaN without light."""
        if (p, opened) not in self._told:
            share = self.plane_share[:, p] / self.plane_gain[p]
            if opened:
                share = share * self.sibling_lift[:, p] / self.plane_open[:, p]
            self._told[p, opened] = self.sky_levels.brightness(share, p)
        return self._told[p, opened]

    @cached_property
    def _plainly_open(self) -> list[bool]:
        """Planes on which nothing lies and nothing stands before, at any hour, [P]."""
        axes = (0, 2)
        return ((self.sibling_lift == 1.0).all(axis=axes) & (self.plane_open == 1.0).all(axis=axes)).tolist()

    @cached_property
    def inputs_index(self) -> Floats:
        return self.own_index()

    @property
    def sensor_index(self) -> Floats:
        """Clear-sky index from the best sensor present, [D, B]; all NaN without one."""
        return self._sensor[0]

    def sensor_sky(self, plane: int | None = None) -> Floats:
        """Clear-sky index that the sensor tells a plane, [D, B]; None for any plane, NaN where it tells nothing.

        Thin cloud brightens a plane that the sun hardly reaches: a sensor there
        speaks for its own plane, and for others only at the hours it looks at the sun.
        """
        raw, told, at = self._sensor
        return raw if plane == at else told

    def trusted_sky(self, plane: int | None = None) -> Floats:
        """:meth:`sensor_sky` on the scale of the inputs; all NaN for a sensor that is not believed."""
        trusted, _, factor = self.sensor_trust
        return self.sensor_sky(plane) / factor if trusted else np.full((self.day_count, BINS), np.nan)

    @cached_property
    def _sensor(self) -> tuple[Floats, Floats, int]:
        """Clear-sky index by the sensor, [D, B], that of it which all planes may trust, [D, B], and the sensor's plane, -1 none."""
        sun = self.bin_sun
        shape = (self.day_count, BINS)
        clear = sun.clear_ghi.reshape(shape)
        ghi, poa = self._sky("ghi"), self._sky("poa")
        with np.errstate(invalid="ignore", divide="ignore"):
            from_ghi = np.where(clear > 30, ghi / clear, np.nan)
        from_poa, tells = np.full(shape, np.nan), np.ones(shape, bool)
        plane = int(np.max(self.table["poa_plane"], initial=-1))
        if plane >= 0 and np.isfinite(poa).any():
            name = self.names[plane]
            facing = self.site.planes[name]
            levels = clear_index_levels(sun, facing.azimuth_deg or 0.0, facing.tilt_deg or 0.0, LEVELS)
            levels = levels.reshape(len(LEVELS), *shape)
            tells = levels[:CLEAR_AT].max(axis=0) <= MONOTONE * levels[CLEAR_AT - 1 : CLEAR_AT + 1].mean(axis=0)
            levels = np.maximum.accumulate(levels, axis=0)
            above = np.clip((levels <= np.nan_to_num(poa)[None]).sum(axis=0), 1, len(LEVELS) - 1)
            low = np.take_along_axis(levels, above[None] - 1, 0)[0]
            high = np.take_along_axis(levels, above[None], 0)[0]
            part = np.clip((poa - low) / np.maximum(high - low, 1e-3), 0, 1)
            index = LEVELS[above - 1] + part * (LEVELS[above] - LEVELS[above - 1])
            from_poa = np.where(np.isfinite(poa) & (levels[10] > 30), index, np.nan)
        raw = np.where(np.isfinite(from_poa), from_poa, from_ghi)
        told = np.where(np.isfinite(from_poa) & tells, from_poa, from_ghi)
        dark = self._in_shadow(told)
        return np.where(dark, np.nan, raw), np.where(dark, np.nan, told), plane

    def _in_shadow(self, index: Floats) -> Mask:
        """Hours at which something shades the sensor, [D, B]: day for day it sees less there than the inputs do.

        Inputs lose light to faults; more than there is they never make.
        """
        if not np.isfinite(index).any():
            return np.zeros(index.shape, bool)
        own = self.own_index(opened=False)
        bright = np.isfinite(index) & (np.nan_to_num(own) > 0.5) & (self.bin_elevation > OPEN_SUN_DEG.value)
        reach = int(OPEN_REACH.value)
        seen, made = (window_sum(np.where(bright, x, 0.0), reach) for x in (index, own))
        days = window_sum(bright.astype(int), reach)
        with np.errstate(invalid="ignore", divide="ignore"):
            level = np.where(days >= SENSOR_DAYS.value, seen / made, np.nan)
        level = np.nan_to_num(level / row_quantile(level, 0.5)[:, None], nan=np.inf)
        dark = level < SENSOR_SHADOW.value
        out: Mask = dark | (with_neighbours(dark) & (level < OPEN_RIM.value))
        return out

    @cached_property
    def sensor_trust(self) -> tuple[bool, str, float]:
        """Whether the sensor can be believed: (trusted, reason, factor).

        Against clear sky first: its upper readings must lie near the clear sky
        and below what the sun can give. Then against the inputs: they may see
        less than the sensor (that is what faults do), but hardly ever more.
        """
        index, own = self.sensor_sky(), self.own_index(opened=False)
        # In a northern winter the sun never gets higher; the mean of an hour is no measure of a half one at sunrise.
        lowest = np.minimum(np.where(self.table["step_s"] >= 1800, 22.0, 15.0), 0.6 * float(self.bin_elevation.max(initial=0.0)))
        high = self.bin_elevation > lowest[:, None]
        if (np.isfinite(index) & high).sum() < 20:
            index = self.sensor_index  # it never looks at the sun
        use = np.isfinite(index) & high
        if not np.isfinite(index).any():
            return False, "no sensor", 1.0
        if use.sum() < 20:
            return False, f"sensor read in only {use.sum() / 2:.0f} h of good sun, too few to trust it", 1.0
        top = quantile_of(index[use], 0.95)
        both = use & np.isfinite(own) & (own > 0.15) & (index > 0.02)
        if both.sum() < 20:
            return 0.6 < top < 1.3, f"sensor reaches {top:.2f} of clear sky", 1.0
        ratio = index[both] / own[both]
        factor = median_of(ratio)
        scatter = median_of(np.abs(ratio / max(factor, 1e-6) - 1))
        # Near sunrise the clear sky is a guess: what the inputs see too is not impossible, unless it is the rule.
        agrees = 0.75 < factor < 1.33 and scatter <= SENSOR_STEADY.value
        if index[use].max() > 1.38 and np.mean(index[use] > 1.35) > (0.25 if agrees else 0.02):
            return False, "sensor reads more than the sun can give", factor
        if 0.75 < factor < 1.33 and scatter <= 0.2:
            return True, f"sensor agrees with the inputs within {scatter:.0%}", factor
        if SENSOR_SCALE.value < factor < 1.33 and scatter <= SENSOR_STEADY.value:
            # A wrong calibration is a factor like any other: what matters is that it stays.
            return True, f"sensor reads {factor:.2f} times what the inputs see of the sky, steadily: scaled", factor
        # A short dull record has not shown what its modules can: their gain is some 0.9 then, not what was seen.
        unseen = max(1.0, GAIN_USUAL.value / float(np.median(self.plane_gain)))
        more = float(np.mean(ratio * unseen < 0.75))
        if 0.85 < top < 1.2 and more < 0.1:
            return True, f"sensor agrees with clear sky (upper reading {top:.2f}); inputs see less", 1.0
        if not 0.75 < factor < 1.33:
            return False, f"sensor reads {factor:.3g} times what the inputs see of the sky", factor
        return False, f"sensor and inputs disagree by {scatter:.0%} at half of the times", factor

    @cached_property
    def irradiance_source(self) -> str:
        """``poa sensor``, ``ghi sensor`` or ``own inputs``."""
        if self.sensor_trust[0]:
            poa = np.isfinite(self._sky("poa")).any() and np.max(self.table["poa_plane"], initial=-1) >= 0
            return "poa sensor" if poa else "ghi sensor"
        return "own inputs"

    @cached_property
    def sky_index(self) -> Floats:
        """Clear-sky index by the best trusted source, [D, B]."""
        sensor = self.trusted_sky()
        return np.where(np.isfinite(sensor), sensor, self.inputs_index)

    @cached_property
    def expected_share(self) -> Floats:
        """Share of clear-sky power each plane should make under the site's sky, [D, P, B]."""
        out = np.empty((self.day_count, len(self.names), BINS))
        for p in range(len(self.names)):
            index, told = self.sky_index, self.trusted_sky(p)
            if len(self.names) > 1 and not np.isfinite(told).all():
                others = self.own_index(without=p)
                index = np.where(np.isfinite(others), others, index)
            index = np.where(np.isfinite(told), told, index)
            out[:, p] = self.sky_levels.made(index, p) * self.plane_gain[p]
        return out

    @cached_property
    def independent(self) -> Mask:
        """Planes whose expectation does not come from themselves, [P]."""
        return np.full(len(self.names), self.sensor_trust[0] or len(self.names) > 1)

    @cached_property
    def expected(self) -> Floats:
        """Expected energy of each input over the slots it reported, h, [D, N, B]."""
        return np.nan_to_num(self.expected_share)[:, self.plane_of] * self.table["clear"]

    @cached_property
    def expected_day(self) -> tuple[Floats, Floats]:
        """Share of a clear day's energy that the site's sky left each plane, and the clear-sky energy of the hours told, h.

        [D, P] each; the share is NaN where no hour is told.
        """
        clear, share = self.table["plane_clear_all"], self.expected_share
        told = np.isfinite(share)
        total = np.where(told, clear, 0.0).sum(axis=2)
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(told, share * clear, 0.0).sum(axis=2) / total, total

    @cached_property
    def sky_mean(self) -> Floats:
        """Share of clear-sky energy a day's sky allowed, [D]: by the sensor, else like the days around."""
        clear = self.table["plane_clear_all"]
        total = clear.sum(axis=(1, 2))
        if self.sensor_trust[0]:
            share = np.nan_to_num(self.expected_share)
            told = np.isfinite(self.expected_share)
            with np.errstate(invalid="ignore", divide="ignore"):
                own = (share * clear).sum(axis=(1, 2)) / (told * clear).sum(axis=(1, 2))
        else:
            with np.errstate(invalid="ignore", divide="ignore"):
                own = self.table["plane_typical"].sum(axis=(1, 2)) / total
            # A day lost to the fault itself says nothing about its sky.
            whole = self.table["plane_clear_all"][:, self.plane_of].sum(axis=(1, 2))
            lost = self.table["symptom_clear"].sum(axis=(1, 2)) > 0.2 * whole
            own = np.where(lost | (total < 0.5), np.nan, own)
            known, near = np.isfinite(own), np.full(self.day_count, np.nan)
            # What the days around say is asked only where a day cannot say it itself.
            for d in np.flatnonzero(~known):
                near[d] = median_of(own[max(0, d - 7) : d + 8][known[max(0, d - 7) : d + 8]])
            own = np.where(known, own, near)
        return np.where(np.isfinite(own), np.clip(own, 0.02, 1.2), SKY_MEAN.value)

    @cached_property
    def clear_weight(self) -> Floats:
        """0 to 1: how surely the direct sun shone in a bin, [D, B]."""
        index, wobble = self.sky_index, np.nan_to_num(self.table["kt_wobble"])
        bright = np.clip((np.nan_to_num(index) - 0.6) / 0.2, 0, 1)
        calm = np.clip(1.5 - wobble / 0.12, 0, 1)
        return bright * calm

    # -- witness ---------------------------------------------------------

    @cached_property
    def witness(self) -> Floats:
        """What each input should have made over the slots it reported, h, [D, N, B].

        Siblings where there are two or more; the site's sky where there are not.
        """
        # Only the direct sun is blocked: under clouds siblings say what there is.
        blocked = (1.0 - self.plane_open) / np.maximum(self.clear_beam, 0.05)
        lift = self.sibling_lift / np.maximum(1.0 - np.clip(blocked, 0.0, 0.98) * self.beam_share, 0.05)
        out = self.table["typical"] * lift[:, self.plane_of]
        # A shadow on the whole plane moves from day to day: a sky known otherwise says what that very day allowed,
        # held to what the plane makes of it at its open hours.
        closed = ((self.plane_open < 1.0) & self.independent[None, :, None])[:, self.plane_of]
        if closed.any():
            free = ((self.plane_open >= 1.0) & (self.sibling_lift <= 1.0))[:, self.plane_of] & (self.clear_weight >= 0.5)[:, None]
            reach = int(OPEN_REACH.value)
            made = window_sum(np.where(free, self.table["typical"], 0.0).sum(axis=2), reach)
            held = window_sum(np.where(free, self.expected, 0.0).sum(axis=2), reach)
            scale = np.where(held > 0.5, np.clip(made / np.maximum(held, 1e-9), 0.8, 1.25), 1.0)
            best = self.table["typical"] * self.sibling_lift[:, self.plane_of]
            out = np.where(closed, np.maximum(best, self.expected * scale[:, :, None]), out)
        alone = (self.members < 2) & self.independent[self.plane_of]
        out[:, alone] = self.expected[:, alone]
        return out

    @cached_property
    def free_witness(self) -> Floats:
        """:attr:`witness` over the slots at nobody's ceiling, where siblings are the witness, h, [D, N, B]."""
        with np.errstate(invalid="ignore", divide="ignore"):
            out = self.table["free_typical"] * np.where(self.table["typical"] > 0, self.witness / self.table["typical"], 1.0)
        alone = (self.members < 2) & self.independent[self.plane_of]
        return np.where(alone[None, :, None], self.witness, out)

    @cached_property
    def ratio(self) -> Floats:
        """Energy over witness by bin, [D, N, B]; NaN where there is too little light.

        Of the slots at nobody's ceiling, where siblings are the witness.
        """
        alone = (self.members < 2) & self.independent[self.plane_of]
        power = np.where(alone[None, :, None], self.table["power"], self.table["free_power"])
        witness = self.free_witness
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(witness > 0.04 * BIN_HOURS, power / witness, np.nan)

    @cached_property
    def day_level(self) -> Floats:
        """Upper level of the day's ratio, light-weighted 0.7 quantile over bins, [D, N].

        What shade at some hours leaves untouched; dirt, weakness and lost
        substrings pull it down.
        """
        return weighted_quantile(self.ratio, np.where(np.isfinite(self.ratio), self.witness, 0.0), 0.7)

    @cached_property
    def day_ratio(self) -> Floats:
        """Energy of the day over witness of the day, [D, N]; NaN with too little light."""
        total = self.witness.sum(axis=2)
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(total > 0.15, self.energy / total, np.nan)

    @cached_property
    def kwh_rate(self) -> float:
        return self.site.site.tariff_per_kwh or 0.0


def once(question: Callable[[Case], Answer]) -> Callable[[Case], Answer]:
    """Ask a question of each case once, however many rules want the answer; it goes when the case goes.

    ``cache_clear`` of what is returned forgets all answers, as with :func:`functools.lru_cache`.
    """
    kept: WeakKeyDictionary[Case, Answer] = WeakKeyDictionary()

    @wraps(question)
    def asked(case: Case) -> Answer:
        if case not in kept:
            kept[case] = question(case)
        return kept[case]

    asked.cache_clear = kept.clear  # type: ignore[attr-defined]
    return asked


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


def with_neighbours(bins: Mask) -> Mask:
    """Bins, and those on either side of them, [..., B]."""
    out = bins.copy()
    out[..., 1:] |= bins[..., :-1]
    out[..., :-1] |= bins[..., 1:]
    return out


def first_to_last(bins: Mask) -> slice:
    """From the first to the last bin with any of some, [..., B]; nothing where there are none."""
    at = np.flatnonzero(bins.reshape(-1, bins.shape[-1]).any(axis=0))
    return slice(int(at[0]), int(at[-1]) + 1) if at.size else slice(0, 0)


def alike_days(a: Mask, b: Mask) -> float:
    """Days two causes have in common, of those of either."""
    return float((a & b).sum() / max((a | b).sum(), 1))


def window_sum(values: NDArray[Any], reach: int) -> NDArray[Any]:
    """Sum over some days each way, in the shape and type of ``values``; the first axis is days."""
    days = len(values)
    total = np.zeros((days + 1, *values.shape[1:]), values.dtype)
    if values[:1].size < _WIDE:
        np.cumsum(values, axis=0, out=total[1:])
    else:
        # numpy's cumsum along the first axis jumps a whole day at each number: three times slower.
        for day in range(days):
            np.add(total[day], values[day], out=total[day + 1])
    out = np.empty_like(values)
    whole = max(days - reach, 0)  # days with all of the days after them
    out[:whole] = total[days - whole + 1 :]
    out[whole:] = total[days]
    out[reach + 1 :] -= total[1 : whole]
    return out


def _rolling_upper(values: Floats, reach: int, need: float, q: float = 0.8) -> Floats:
    """Upper level (``q`` quantile) of each column within some days each way, [D, B]; NaN with fewer than ``need``."""
    out = np.full(values.shape, np.nan)
    if not len(values):
        return out
    edge = np.full((reach, values.shape[1]), np.nan)
    padded = np.concatenate([edge, values, edge])
    known = np.isfinite(padded).any(axis=0)  # no sorting of night hours
    window = np.lib.stride_tricks.sliding_window_view(padded[:, known], 2 * reach + 1, axis=0)
    upper, count = nearest_rank(window, q, 2)
    out[:, known] = np.where(count >= need, upper, np.nan)
    return out


def weighted_quantile(values: Floats, weights: Floats, q: float) -> Floats:
    """Weighted quantile over the last axis; NaN where no weight."""
    used = (weights > 0).any(axis=tuple(range(weights.ndim - 1)))
    if not used.all() and used.any():
        values, weights = values[..., used], weights[..., used]  # no sorting of night hours
    # numpy takes eight times as long to order rows with NaN in them: infinity stands as far behind.
    order = np.argsort(np.where(np.isnan(values), np.inf, values), axis=-1)
    order += np.arange(0, order.size, max(order.shape[-1], 1)).reshape(*order.shape[:-1], 1)
    weight = np.cumsum(weights.ravel().take(order), axis=-1)
    total = weight[..., -1:]
    pick = np.minimum((weight < q * total).sum(axis=-1), values.shape[-1] - 1)
    out = values.ravel().take(taken(order, pick, -1))
    return np.where(total[..., 0] > 0, out, np.nan)


def runs_of(mask: Mask, bridge: Mask | None = None, most: int = 0) -> list[tuple[int, int]]:
    """Runs of True as (first, last) positions.

    Parameters
    ----------
    bridge : positions that neither break nor make a run (days not judged).
    most : at most so many other False positions are bridged too.
    """
    hits = mask.nonzero()[0].tolist()
    if not hits:
        return []
    breaks = ~mask if bridge is None else ~mask & ~bridge
    hard = breaks.cumsum().tolist()
    runs: list[tuple[int, int]] = []
    first = last = hits[0]
    for hit in hits[1:]:
        if hard[hit] - hard[last] > most:
            runs.append((first, last))
            first = hit
        last = hit
    runs.append((first, last))
    return runs


def span_mask(size: int, spans: Sequence[tuple[int, int]]) -> Mask:
    out = np.zeros(size, bool)
    for first, last in spans:
        out[first : last + 1] = True
    return out


def pct(value: float) -> str:
    return f"{100 * value:.0f} %"


Evidence = Mapping[str, Any]
