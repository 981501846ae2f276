"""The case before the rules: the day table and what every rule asks of it.

From the ground up: the record (``record.py``), its sensor (``sensor.py``), what
stands before whole planes (``openness.py``), and here what each input should
have made. All from features, once, when asked.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property, wraps
from typing import TypeVar
from weakref import WeakKeyDictionary

import numpy as np

from rules.days import window_sum
from rules.daytable import BIN_HOURS, BINS, DayTable
from rules.finding import Threshold
from rules.openness import Opened
from rules.ranks import Floats, Mask, median_of, weighted_quantile
from rules.sensor import OPEN_REACH

Answer = TypeVar("Answer")
SKY_MEAN = Threshold(0.55, "of clear sky", "common practice: a month's mean lies between 0.4 and 0.7")
#: Fields of single inputs by hour.
_OF_INPUTS = ("power", "typical", "clear", "free_power", "free_typical")


class Case(Opened):
    """Everything that rules may ask of a site's record, from a day table alone."""

    def like(self, fields: dict[str, Floats]) -> Case:
        """A case of the same days with other fields; what follows from site and days alone is shared."""
        other = Case(DayTable(self.site, self.table.days, fields), self.events)
        shared = ["bin_sun", "sky_sun", "bin_azimuth", "bin_elevation"]
        if fields["sky"] is self.table["sky"]:
            shared += ["sky_levels", "clear_beam"]
            same = ("plane_typical", "plane_clear")
            if all(fields[name] is self.table[name] or np.array_equal(fields[name], self.table[name]) for name in same):
                # What the planes say of the sky as they stand.
                shared += ["plane_share", "plane_gain", "_sensor", "own_sensors", "sensor_trust", "irradiance_source"]
                other._raw_told.update(self._raw_told)
                other._raw.update(self._raw)
                changed = np.any([(fields[name] != self.table[name]).any(axis=(0, 2)) for name in _OF_INPUTS], axis=0)
                other._like = self, frozenset(range(len(self.names))) - set(self.plane_of[changed].tolist())
        vars(other).update({name: vars(self)[name] for name in shared if name in vars(self)})
        return other

    # -- expected --------------------------------------------------------

    @cached_property
    def beam_share(self) -> Floats:
        """Share of each plane's irradiance that comes straight from the sun, under the site's sky, [D, P, B].

        0 where the sky is unknown. Brightening around the sun counts as direct:
        what hides the sun hides it too.
        """
        out = np.zeros((self.day_count, len(self.names), BINS))
        for p in range(len(self.names)):
            index = self.sky_index
            if p in self.own_sensors:
                told = self.trusted_sky(p)
                index = np.where(np.isfinite(told), told, index)
            elif self.irradiance_source == "poa sensor" and p != self.sensor_plane:
                # A sensor turned away from the sun hardly sees it; a plane cannot make more than the sky allows.
                made = self.plane_share[:, p] * self.sibling_lift[:, p] / (self.plane_gain[p] * self.plane_open[:, p])
                index = np.fmax(index, self.sky_levels.brightness(made, p))
            out[:, p] = self.sky_levels.beam(index, p)
        return out

    @cached_property
    def sensor_share(self) -> Floats:
        """Share of clear-sky power the sensor's sky allows each plane, [D, P, B]; NaN where it is silent."""
        return np.stack([self.sky_levels.made(self.sensor_sky(p), p) for p in range(len(self.names))], axis=1)

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
        """:attr:`witness`, where it is siblings, over the slots without a ceiling of theirs or the input's, h, [D, N, B]."""
        with np.errstate(invalid="ignore", divide="ignore"):
            out = self.table["free_typical"] * np.where(self.table["typical"] > 0, self.witness / self.table["typical"], 1.0)
        alone = (self.members < 2) & self.independent[self.plane_of]
        return np.where(alone[None, :, None], self.witness, out)

    @cached_property
    def ratio(self) -> Floats:
        """Energy over witness by bin, [D, N, B]; NaN where there is too little light.

        Where siblings are the witness, of the slots without a ceiling of theirs or the input's.
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
