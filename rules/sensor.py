"""The irradiance sensor of a site: what it says of the sky, and whether to believe it."""

from __future__ import annotations

from functools import cached_property

import numpy as np

from rules.days import window_sum, with_neighbours
from rules.daytable import BINS
from rules.finding import Threshold
from rules.irradiance import clear_index_levels
from rules.ranks import Floats, Mask, median_of, quantile_of, row_quantile
from rules.record import Record
from rules.skylevels import CLEAR_AT, LEVELS, MONOTONE

OPEN_REACH = Threshold(8, "days each way", "own reasoning: the sun's path moves less than 4 degrees in a week (pvlib SPA)")
OPEN_SUN_DEG = Threshold(12.0, "deg", "common practice: horizon and haze below some 10 degrees belong to the site")
SENSOR_STEADY = Threshold(0.1, "median deviation", "own reasoning: under a common sky; a turned or shaded sensor errs by the hour")
SENSOR_SHADOW = Threshold(0.7, "of its usual reading", "own reasoning: model error with the hour is some 10 %, a shadow takes half")
SENSOR_DAYS = Threshold(4, "bright days around", "own reasoning: clouds come and go, what shades the sensor stays")
SENSOR_SCALE = Threshold(0.4, "of the inputs' sky", "own reasoning: a wrong constant, an old cell; less is no irradiance")
GAIN_USUAL = Threshold(0.85, "of the model", "own reasoning: ratings and clear-sky models miss by some 15 % at most")
OPEN_RIM = Threshold(0.9, "of clear sky", "own reasoning: beside a shadow a loss of a tenth is its rim, not the model's error")

_LIT_W_M2 = 30.0  # under a clear sky; less says nothing of the sky


class Sensed(Record):
    """A record and its sensor."""

    @property
    def sensor_index(self) -> Floats:
        """Clear-sky index from the best sensor present, [D, B]; all NaN without one."""
        return self._sensor[0]

    def sensor_sky(self, plane: int | None = None) -> Floats:
        """Clear-sky index that the sensor tells a plane, [D, B]; None for any plane, NaN where it tells nothing.

        Thin cloud brightens a plane that the sun hardly reaches: a sensor there
        speaks for its own plane, and for others only at hours at which it faces the sun.
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
        ghi, poa = self.sky_of("ghi"), self.sky_of("poa")
        with np.errstate(invalid="ignore", divide="ignore"):
            from_ghi = np.where(clear > _LIT_W_M2, ghi / clear, np.nan)
        plane = int(np.max(self.table["poa_plane"], initial=-1))
        if plane >= 0 and np.isfinite(poa).any():
            from_poa, tells = self._index_by_poa(poa, plane)
        else:
            from_poa, tells = np.full(shape, np.nan), np.ones(shape, bool)
        raw = np.where(np.isfinite(from_poa), from_poa, from_ghi)
        told = np.where(np.isfinite(from_poa) & tells, from_poa, from_ghi)
        dark = self._in_shadow(told)
        return np.where(dark, np.nan, raw), np.where(dark, np.nan, told), plane

    def _index_by_poa(self, poa: Floats, plane: int) -> tuple[Floats, Mask]:
        """Clear-sky index from irradiance in a plane, W/m², and where all planes may trust it, [D, B] each."""
        facing, shape = self.site.planes[self.names[plane]], poa.shape
        levels = clear_index_levels(self.bin_sun, facing.azimuth_deg or 0.0, facing.tilt_deg or 0.0, LEVELS)
        levels = levels.reshape(len(LEVELS), *shape)
        tells = levels[:CLEAR_AT].max(axis=0) <= MONOTONE * levels[CLEAR_AT - 1 : CLEAR_AT + 1].mean(axis=0)
        levels = np.maximum.accumulate(levels, axis=0)
        above = np.clip((levels <= np.nan_to_num(poa)[None]).sum(axis=0), 1, len(LEVELS) - 1)
        low = np.take_along_axis(levels, above[None] - 1, 0)[0]
        high = np.take_along_axis(levels, above[None], 0)[0]
        part = np.clip((poa - low) / np.maximum(high - low, 1e-3), 0, 1)
        index = LEVELS[above - 1] + part * (LEVELS[above] - LEVELS[above - 1])
        return np.where(np.isfinite(poa) & (levels[CLEAR_AT - 1] > _LIT_W_M2), index, np.nan), tells

    def _in_shadow(self, index: Floats) -> Mask:
        """Hours at which something shades the sensor, [D, B]: day for day it sees less there than the inputs do.

        Inputs may lose power to faults, but never make more than the light allows.
        """
        if not np.isfinite(index).any():
            return np.zeros(index.shape, bool)
        own = self.raw_index()
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
        index, own = self.sensor_sky(), self.raw_index()
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
            poa = np.isfinite(self.sky_of("poa")).any() and np.max(self.table["poa_plane"], initial=-1) >= 0
            return "poa sensor" if poa else "ghi sensor"
        return "own inputs"
