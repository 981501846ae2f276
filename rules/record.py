"""The record of a site: its day table by plane, unit and input, and the sky as its planes stand under it."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from collectors.site import SiteDescription
from rules.days import first_to_last
from rules.daytable import BIN_HOURS, BINS, SKY, DayTable, plane_names
from rules.finding import Threshold
from rules.panel import day_offset
from rules.ranks import Floats, Mask, quantile_of
from rules.skylevels import SkyLevels, sky_levels
from rules.sun import Sun, sun_of

TRIPPED = Threshold(0.25, "h a day", "own reasoning: half of a bin at the hour of the trips")
NO_GRID_VOLTS = Threshold(0.5, "of the usual voltage", "units cease to feed in there (IEEE 1547-2018: 0.5 p.u., from memory)")
NO_GRID_HZ = Threshold(40.0, "Hz", "own reasoning: no supply runs there; units trip far above (IEEE 1547-2018, from memory)")


#: Fields of the day table that hold something where a telemetry column does.
_SEEN_IN: Final[dict[str, tuple[str, ...]]] = {
    "dc_voltage_v": ("volts",),
    "energy_total_wh": ("counter_last",),
    "ac_voltage_v": ("ac_volts_med",),
    "ac_frequency_hz": ("ac_hz_max",),
    "temperature_c": ("temp_max",),
    "state": ("start_h", "fault_h"),
    "signal_dbm": ("signal",),
}


class Record:
    """What stands in a day table, by plane, unit and input; worked out once, when asked.

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
        self._raw: dict[int | None, Floats] = {}
        self._raw_told: dict[int, Floats] = {}
        #: The record this one was made like, and planes on which nothing differs.
        self._like: tuple[Record, frozenset[int]] | None = None

    # -- shapes ----------------------------------------------------------

    @property
    def day_count(self) -> int:
        return len(self.table)

    def reports(self, column: str) -> bool:
        """Whether the record holds values of a telemetry column by day: what to look at next must be there to be seen.

        A state counts once it says more than ``producing``, by light.
        """
        return any(bool((np.nan_to_num(self.table[name]) != 0.0).any()) for name in _SEEN_IN[column])

    @cached_property
    def members(self) -> NDArray[np.int64]:
        """Number of inputs on each input's plane."""
        return np.bincount(self.plane_of, minlength=len(self.names))[self.plane_of]

    def inputs_of_unit(self, unit: int) -> NDArray[np.int64]:
        return self._of_units[unit]

    @cached_property
    def _of_units(self) -> list[NDArray[np.int64]]:
        return [np.flatnonzero(self.unit_of == unit) for unit in range(len(self.site.units))]

    @cached_property
    def bin_hours(self) -> float:
        """Hours a filled half hour of the day table stands for: where rows are rarer, only every other one is filled."""
        rare = self.day_count and np.median(self.table["step_s"]) > 1800
        return 2 * BIN_HOURS if rare else BIN_HOURS

    # -- grid ------------------------------------------------------------

    @cached_property
    def grid_outside_h(self) -> Floats:
        """Hours in which each unit saw its grid outside the window of voltage or frequency, [D, U]."""
        low = np.where(self.grid_went, 0.0, self.table["hz_out_h"] + self.table["volt_low_h"])
        return self.table["volt_high_h"] + low

    @cached_property
    def grid_went(self) -> Mask:
        """Days with a row that is the mean of a grid there for a part of it and gone for the rest, [D, U]."""
        volts = self.table["volt_bin"]
        usual = float(np.nanmedian(volts)) if np.isfinite(volts).any() else np.nan
        part = np.asarray((volts < NO_GRID_VOLTS.value * usual).any(axis=1))[:, None]
        return (part | (self.table["ac_hz_min"] < NO_GRID_HZ.value)) & (self.table["ac_dead_h"] > 0)

    def tripped(self, plane: int) -> Mask:
        """Days on which units of a plane tripped on their grid, or waited for it, for long, [D]."""
        units = np.unique(self.unit_of[self.plane_of == plane])
        return self.table["grid_trip_h"][:, units].mean(axis=1) >= TRIPPED.value

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

    @cached_property
    def least_step(self) -> Floats:
        """The least energy above nothing that each input recorded in a half hour, h, [N]: no finer than its counter counts."""
        power = self.table["power"]
        return np.asarray(np.where(power > 0.0, power, np.inf).min(axis=(0, 2), initial=np.inf))

    # -- sky -------------------------------------------------------------

    @cached_property
    def bin_sun(self) -> Sun:
        """Sun at the middle of every bin, arrays [D * B]."""
        return self.sun_after(0)

    def sun_after(self, late_s: int) -> Sun:
        """Sun so many seconds after the middle of every bin."""
        start = self.table.days[:, None] * 86400 - day_offset(self.site) + late_s
        middle = start + ((np.arange(BINS) + 0.5) * 86400 / BINS).astype(np.int64)[None, :]
        return sun_of(self.site.site, middle.ravel())

    @cached_property
    def bin_azimuth(self) -> Floats:
        return self.bin_sun.azimuth_deg.reshape(-1, BINS)

    @cached_property
    def bin_elevation(self) -> Floats:
        return self.bin_sun.elevation_deg.reshape(-1, BINS)

    @cached_property
    def lit(self) -> slice:
        """Bins from the first to the last in which siblings told anything on any day: no working on the night."""
        return first_to_last(self.table["free_typical"] > 0)

    def sky_of(self, name: str) -> Floats:
        """One quantity of the site's own weather by half hour, [D, B]; NaN where it was not measured."""
        return self.table["sky"][:, SKY.index(name)]

    @cached_property
    def sky_levels(self) -> SkyLevels:
        """What each plane makes of each brightness of the sky."""
        return sky_levels(self.site, self.bin_sun, self.sky_of("air").ravel())

    @cached_property
    def clear_beam(self) -> Floats:
        """:attr:`beam_share` under a clear sky."""
        clear = np.ones((self.day_count, BINS))
        return np.stack([self.sky_levels.beam(clear, p) for p in range(len(self.names))], axis=1)

    def share_under(self, index: float, plane: int) -> Floats:
        """Share of clear-sky power a plane makes under a sky of one clear-sky index, [D, B]."""
        return self.sky_levels.made(np.full((self.day_count, BINS), index), plane)

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

    def raw_index(self, without: int | None = None) -> Floats:
        """Clear-sky index read from the planes as they stand, [D, B]; NaN without light.

        ``without`` leaves one plane out of the witnesses.
        """
        if without not in self._raw:
            told = {p: self.raw_told(p) for p in range(len(self.names)) if p != without}
            self._raw[without] = self.weighed(told)
        return self._raw[without]

    def raw_told(self, p: int) -> Floats:
        """Clear-sky index read from one plane as it stands, [D, B]; NaN without light."""
        if p not in self._raw_told:
            self._raw_told[p] = self.sky_levels.brightness(self.plane_share[:, p] / self.plane_gain[p], p)
        return self._raw_told[p]

    def weighed(self, told: Mapping[int, Floats]) -> Floats:
        """One clear-sky index, [D, B], from what planes told, each weighed by its light and (up to four) its members.

        The weighted 0.6 quantile: faults only ever darken a plane. Not to be written to.
        """
        weights = {
            p: np.where(np.isfinite(index), self.table["plane_clear"][:, p] * min(int((self.plane_of == p).sum()), 4), 0.0)
            for p, index in told.items()
        }
        if not told:
            out = np.full((self.day_count, BINS), np.nan)
        elif len(told) == 1:
            ((p, index),) = told.items()
            out = np.where(weights[p] > 0, index, np.nan)
        else:
            value, weight = np.stack(list(told.values())), np.stack(list(weights.values()))
            order = np.argsort(value, axis=0)
            value, weight = np.take_along_axis(value, order, 0), np.take_along_axis(weight, order, 0)
            total = np.cumsum(weight, axis=0)
            pick = (total < 0.6 * total[-1]).sum(axis=0)
            out = np.take_along_axis(value, np.minimum(pick, len(value) - 1)[None], 0)[0]
            out = np.where(total[-1] > 0, out, np.nan)
        out.flags.writeable = False
        return out

    def unlike(self, name: str, out: NDArray[Any], plane_of: NDArray[np.int64]) -> list[int]:
        """Planes of which a property, [D, ...], is to be worked out; the others' columns are copied from the like case."""
        case, same = self._like or (self, frozenset())
        if same:
            told = np.isin(plane_of, list(same))
            out[:, told] = getattr(case, name)[:, told]
        return [p for p in range(len(self.names)) if p not in same]
