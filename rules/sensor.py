"""The irradiance sensor of a site: what it says of the sky, and whether to believe it."""

from __future__ import annotations

from functools import cached_property
from typing import Final

import numpy as np

from rules.days import window_sum, with_neighbours
from rules.daytable import BINS
from rules.finding import Threshold
from rules.poaindex import LIT_W_M2, global_of, index_by_poa, poa_under, transposed
from rules.ranks import Floats, Mask, median_of, quantile_of, row_quantile
from rules.record import Record
from rules.sun import Sun

OPEN_REACH = Threshold(8, "days each way", "own reasoning: the sun's path moves less than 4 degrees in a week (pvlib SPA)")
OPEN_SUN_DEG = Threshold(12.0, "deg", "common practice: horizon and haze below some 10 degrees belong to the site")
SENSOR_STEADY = Threshold(0.1, "median deviation", "own reasoning: under a common sky; a turned or shaded sensor errs by the hour")
SENSOR_SHADOW = Threshold(0.7, "of its usual reading", "own reasoning: model error with the hour is some 10 %, a shadow takes half")
SENSOR_DAYS = Threshold(4, "bright days around", "own reasoning: clouds come and go, what shades the sensor stays")
SENSOR_SCALE = Threshold(0.4, "of the inputs' sky", "own reasoning: a wrong constant, an old cell; less is no irradiance")
GAIN_USUAL = Threshold(0.85, "of the model", "own reasoning: ratings and clear-sky models miss by some 15 % at most")
OPEN_RIM = Threshold(0.9, "of clear sky", "own reasoning: beside a shadow a loss of a tenth is its rim, not the model's error")

OWN_BRIGHT = Threshold(0.5, "of clear sky", "own reasoning: a bright sky sets the scale, a dull one is model error")
OWN_LEAST = Threshold(20, "half hours", "own reasoning: ten hours of good light")
#: A plane's own sensor over what its inputs see of the sky: beyond, it is tagged, turned or wired wrongly.
OWN_SCALE: Final = (0.75, 1.33)
LONG_ROWS = Threshold(900.0, "s", "own reasoning: half of a shorter row moves a low sun by less than sky models miss")
STAMPED = Threshold(0.75, "of the deviation", "own data: where rows are stamped otherwise it falls to half, elsewhere by a tenth")


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
        raw, told = self._sensor
        if plane is None or plane == self.sensor_plane:
            return told if plane is None else raw
        own = self.own_sensors.get(plane)
        return told if own is None else np.where(np.isfinite(own), own, told)

    def trusted_sky(self, plane: int | None = None) -> Floats:
        """:meth:`sensor_sky` on the scale of the inputs; all NaN for a sensor that is not believed."""
        trusted, _, factor = self.sensor_trust
        return self.sensor_sky(plane) / factor if trusted else np.full((self.day_count, BINS), np.nan)

    @cached_property
    def sensor_plane(self) -> int:
        """Plane of the site's irradiance sensor, -1 none."""
        return int(np.max(self.table["poa_plane"], initial=-1))

    @cached_property
    def _sensor(self) -> tuple[Floats, Floats]:
        """Clear-sky index by the sensor, and that of it which all planes may trust, [D, B] each."""
        raw, told = self._read(self.sky_sun)
        dark = self._in_shadow(told)
        return np.where(dark, np.nan, raw), np.where(dark, np.nan, told)

    @cached_property
    def sky_sun(self) -> Sun:
        """Sun as the weather's readings saw it beside the inputs', at every bin, arrays [D * B].

        Nobody says whether a long row is stamped where it begins, in its middle or where it ends, and the
        weather's may be stamped otherwise than the inputs': half a row moved, it then agrees with them far better.
        """
        late, step_s = self.table["sky_late"], self.table["step_s"]
        late_s = 60 * round(median_of(late[np.isfinite(late)]) / 60.0) if np.isfinite(late).any() else 0
        row_s = median_of(step_s) if len(step_s) else 0.0
        plain = self.sun_after(late_s)
        if row_s < LONG_ROWS.value:
            return plain
        suns = [plain, *(self.sun_after(late_s + round(k * row_s)) for k in (-0.5, 0.5))]
        apart = [self._apart(sun) for sun in suns]
        best = int(np.argmin(apart))
        return suns[best] if apart[best] < STAMPED.value * apart[0] else plain

    def _apart(self, sun: Sun) -> float:
        """Median deviation of the sensor, if its readings saw this sun, from what the inputs see; infinite if few tell."""
        _, told = self._read(sun)
        own = self.raw_index()
        both = np.isfinite(told) & (np.nan_to_num(own) > 0.15) & (self.bin_elevation > OPEN_SUN_DEG.value)
        if both.sum() < OWN_LEAST.value:
            return np.inf
        ratio = told[both] / own[both]
        return median_of(np.abs(ratio / median_of(ratio) - 1.0))

    def _read(self, sun: Sun) -> tuple[Floats, Floats]:
        """Clear-sky index by the sensor and that of it which all planes may trust, [D, B] each, if its readings saw this sun."""
        shape = (self.day_count, BINS)
        ghi, dni, dhi, poa = (self.sky_of(name).ravel() for name in ("ghi", "dni", "dhi", "poa"))
        with np.errstate(invalid="ignore", divide="ignore"):
            from_ghi = np.where(sun.clear_ghi > LIT_W_M2, global_of(sun, ghi, dni, dhi) / sun.clear_ghi, np.nan)
        from_poa, tells = np.full(poa.size, np.nan), np.ones(poa.size, bool)
        if self.sensor_plane >= 0 and np.isfinite(poa).any():
            from_poa, tells = index_by_poa(sun, poa, self.site.planes[self.names[self.sensor_plane]])
        known = np.isfinite(from_poa)
        raw, told = np.where(known, from_poa, from_ghi), np.where(known & tells, from_poa, from_ghi)
        return raw.reshape(shape), told.reshape(shape)

    @cached_property
    def own_sensors(self) -> dict[int, Floats]:
        """What planes other than the sensor's know of their own light, as a clear-sky index, [D, B] by plane.

        By a sensor of their own, or by the beam and the diffuse light where both are measured: no sky
        model stands between. Scaled to what the plane's inputs see of the sky, then like the site's sensor.
        """
        out: dict[int, Floats] = {}
        _, told = self._sensor
        _, _, factor = self.sensor_trust
        sun, parts = self.sky_sun, [self.sky_of(name).ravel() for name in ("ghi", "dni", "dhi")]
        for p, name in enumerate(self.names) if np.isfinite(told).any() else ():
            facing = self.site.planes[name]
            poa = self.table["plane_poa"][:, p].ravel()
            poa = np.where(np.isfinite(poa), poa, transposed(sun, facing, *parts))
            high = (self.bin_elevation > OPEN_SUN_DEG.value).ravel() & np.isfinite(poa)
            if p == self.sensor_plane or not high.any():
                continue
            for sky in (self.raw_told(p).ravel(), told.ravel() / factor):  # a plane that the sun does not reach tells no sky itself
                both = high & (np.nan_to_num(sky) > OWN_BRIGHT.value)
                if both.sum() >= OWN_LEAST.value:
                    break
            else:
                continue
            scale = median_of((poa / poa_under(sun, sky, facing))[both])
            if OWN_SCALE[0] < scale < OWN_SCALE[1]:
                index = index_by_poa(sun, poa / scale, facing)[0].reshape(told.shape)
                out[p] = np.where(self._in_shadow(index), np.nan, index * factor)
        return out

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
            poa = np.isfinite(self.sky_of("poa")).any() and self.sensor_plane >= 0
            return "poa sensor" if poa else "ghi sensor"
        return "own inputs"
