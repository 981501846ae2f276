"""Days on which a site made less than its sensor's light offers, and lost it in the bright hours only.

A limit that follows the house's load, or the units' own answer to a high grid
voltage, holds no level for an hour: power wanders below what the light offers. A
sensor tells that light. In dim hours all of it is made, in bright ones half or two
thirds, by all units alike; and the modules' voltage lies towards open circuit,
where no cloud, dirt or heat drives it. Dirt and snow take a share of dim hours too.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np

from rules.case import Case, once
from rules.daytable import BIN_HOURS, SYMPTOMS
from rules.finding import Threshold
from rules.gridwindow import grid_window
from rules.ontime import bins_late
from rules.ranks import Floats, Mask

BRIGHT = Threshold(0.35, "of rated power offered", "own reasoning: house loads and grid limits seldom lie higher")
DIM = Threshold(0.20, "of rated power offered", "own reasoning: house loads and grid limits seldom lie lower")
HOURS = Threshold(2.5, "h of bright light", "own reasoning: five half hours, for sensor and roof to see the same clouds")
SHORT = Threshold(0.80, "of the light offered", "own reasoning: models of sky and module miss by some per cent, clouds by ten")
PLAIN = Threshold(0.72, "of the light offered", "own reasoning: where no voltage tells, a plain shortfall")
MOST = Threshold(0.8, "of the bright half hours", "own reasoning: clouds throw single half hours up as well as down")
MANY = Threshold(0.6, "of the bright half hours", "own reasoning: where the voltage says the same, a limit may let go now and then")
EACH = Threshold(0.88, "of the light offered", "own reasoning: half of a shortfall, and beyond the scatter of half an hour")
WHOLE = Threshold(0.78, "of the light offered in dim hours", "own reasoning: sky models and readings are at their worst there")
APART = Threshold(0.12, "between dim and bright hours", "own reasoning: what dirt and snow take is a share of both")
VOLTS = Threshold(1.05, "of usual voltage", "single-diode model: at four fifths of its power a module lies 5 to 8 % higher")
DAYS = Threshold(2, "days", "own reasoning: one day's clouds may pass the roof and miss the sensor")
BLIND_DAYS = Threshold(3, "days", "own reasoning: a house's load holds for longer; without a voltage one day more")
FREE_DAYS = Threshold(4, "days", "own reasoning: what the site makes of its sensor's light when free")
STEADY = Threshold(0.9, "of the light offered", "own reasoning: a sensor that drifts or is shaded tells no limit")
BEGINS = Threshold(1.06, "of nominal grid voltage", "IEEE 1547-2018: volt-watt begins to hold back there by default")
HIGH = Threshold(1.07, "of nominal grid voltage", "IEEE 1547-2018: by default 80 % are left there, 20 % at 1.10")
DROOPS = Threshold(0.30, "of rated power offered", "IEEE 1547-2018: by default what is left up to 1.095 of nominal")
HALF_HOURS = Threshold(12, "half hours", "own reasoning: their middle is not moved by a few clouds")
FALLS = Threshold(0.90, "of the light at a lower voltage", "own reasoning: the scatter of such a middle is some per cent")
BITES = Threshold(1.0, "h a day", "own reasoning: two half hours")
COSTS = Threshold(0.03, "of the day's energy", "own reasoning: the scatter of a day's light, sensor against roof")
_USUAL = 0.7  # rank over days of what a half hour makes of the light: faults take away
_CEILING, _TOP = 0.95, 0.995
_STOOD = 0.5  # h without power, or with frozen readings, from which on a day's energy says nothing of a limit
_OTHERS = 0.5  # share of inputs that stood from which on the whole site did


@dataclass(frozen=True)
class Withheld:
    """Days of a hidden limit [D], its hours [D], energy kept back per rated watt [D, P, B] h, what was made of the light.

    ``volts``: the modules' voltage over its usual on these days; NaN where it is not reported.
    """

    days: Mask
    hours: Floats
    lost_h: Floats
    made: float
    volts: float


@dataclass(frozen=True)
class _Light:
    """What the site made of its sensor's light, by half hour.

    ``made``, ``offered`` [D, B] W per rated watt; ``usual`` [B] what it makes of the light when free; ``of_usual`` [D, B] what it
    made of that, NaN where not told; ``by_plane`` the two by plane, h, [D, P, B].
    """

    made: Floats
    offered: Floats
    usual: Floats
    of_usual: Floats
    by_plane: tuple[Floats, Floats]

    def usual_at(self, free: Mask) -> Floats:
        """What the site makes of the light by half hour, [B], from those ``free`` [D, B]; from all of them where few are."""
        part = np.where(free, self.of_usual * self.usual, np.nan)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", RuntimeWarning)
            return np.where(free.sum(axis=0) >= FREE_DAYS.value, np.nanmedian(part, axis=0), np.nanmedian(part))

    def kept_back(self, at: Mask, usual: Floats) -> Floats:
        """Energy not made in the half hours ``at`` [D, B] of what is ``usual`` [B], h, [D, P, B]."""
        made, could = self.by_plane
        return np.where(at[:, None, :], np.maximum(could * np.nan_to_num(usual) - made, 0.0), 0.0)


@once
def _of_light(case: Case) -> _Light | None:
    """What the site made of its sensor's light; None without a sensor to trust, or where too few inputs speak for the site."""
    if not case.day_count or not case.sensor_trust[0] or len(case.inputs) < 3:
        return None
    clear, made = case.table["plane_clear"], case.table["plane_typical"]
    told = np.isfinite(case.sensor_share) & (clear > 0.02 * BIN_HOURS) & np.isfinite(case.plane_share)
    # At their own ceiling units make less than the light offers, too.
    top = np.quantile(made, _TOP, axis=(0, 2))[None, :, None]
    told &= made < _CEILING * top
    could = np.where(told, np.minimum(np.nan_to_num(case.sensor_share) * clear, top), 0.0)
    made = np.where(told, made, 0.0)
    heft = np.array([case.rated[case.plane_of == p].sum() for p in range(len(case.names))]) / case.rated.sum()
    of_site, offered = (np.einsum("dpb,p->db", x, heft) / BIN_HOURS for x in (made, could))
    with np.errstate(invalid="ignore", divide="ignore"), warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        part = np.where(offered > 0.04, of_site / offered, np.nan)
        usual = np.nanquantile(part, _USUAL, axis=0)
        return _Light(of_site, offered, usual, part / usual, (made, could))


@once
def withheld(case: Case) -> Withheld | None:
    """Days of a limit that only the sensor's light shows; None without any, or without a sensor to trust."""
    light = _of_light(case)
    if light is None:
        return None
    told = np.isfinite(light.of_usual)
    bright, dim = told & (light.offered > BRIGHT.value), told & (light.offered < DIM.value)
    in_bright, in_dim = _share(light, bright), _share(light, dim)
    hours = bright.sum(axis=1) * case.bin_hours
    each = ((light.of_usual < EACH.value) & bright).sum(axis=1) / np.maximum(bright.sum(axis=1), 1)
    judged = (hours >= HOURS.value) & ~_otherwise(case)
    short = judged & (each >= MANY.value) & (in_bright < SHORT.value)
    # A day without a dim half hour leaves it to the voltage.
    whole = (in_dim >= WHOLE.value) & (in_dim > in_bright + APART.value)
    free = judged & (in_bright >= EACH.value)
    if short.sum() < DAYS.value or free.sum() < FREE_DAYS.value:
        return None
    volts = _volts(case, free)
    blind = ~np.isfinite(volts)
    days = short & (whole | np.isnan(in_dim)) & (volts >= VOLTS.value)
    plain = short & whole & blind & (in_bright < PLAIN.value) & (each >= MOST.value)
    if plain.sum() >= BLIND_DAYS.value and np.quantile(in_bright[judged & ~(short & whole)], 0.1) >= STEADY.value:
        days |= plain
    if days.sum() < DAYS.value:
        return None
    lifted = volts[days & ~blind]
    return Withheld(
        days, hours * days, light.kept_back(days[:, None] & bright, light.usual), float(np.median(in_bright[days])),
        float(np.median(lifted)) if lifted.size else np.nan,
    )  # fmt: skip


@once
def by_grid_volts(case: Case) -> Withheld | None:
    """Days on which the units made the less of the sensor's light the higher the grid's voltage was; None without any.

    That is the units' own answer to a high voltage (volt-watt). Without it the two are not linked, or the other
    way round: power lifts the voltage, so that more is made where it is high.
    """
    light, table = _of_light(case), case.table
    if light is None or not np.isfinite(table["volt_bin"]).any():
        return None
    nominal = grid_window(case.site, np.ravel(table["ac_volts_med"]), np.ravel(table["ac_hz_max"])).nominal_v
    volts = table["volt_bin"] / nominal
    told = np.isfinite(light.of_usual) & (light.offered > DROOPS.value) & ~_otherwise(case)[:, None]
    low, high = told & (volts < BEGINS.value), told & (volts >= HIGH.value)
    middle = told & (volts >= BEGINS.value) & ~high
    if min(low.sum(), high.sum()) < HALF_HOURS.value:
        return None
    usual, between, least = (float(np.median(light.of_usual[at])) if at.any() else np.nan for at in (low, middle, high))
    if not least < FALLS.value * usual or between < least or between > usual:
        return None
    free = light.usual_at(low)
    part = light.of_usual * light.usual / free
    at = (middle | high) & (part < _CEILING)
    hours = at.sum(axis=1) * case.bin_hours
    due = np.where(told, np.nan_to_num(light.offered * free), 0.0).sum(axis=1)
    lost = np.where(at, light.offered * free - light.made, 0.0).sum(axis=1)
    days = (hours >= BITES.value) & (lost >= COSTS.value * due) & (high & at).any(axis=1)
    if days.sum() < DAYS.value:
        return None
    return Withheld(days, hours * days, light.kept_back(at & days[:, None], free), least / usual, np.nan)


def _share(light: _Light, told: Mask) -> Floats:
    """Part of what was due that was made in the half hours told, [D]; NaN where none was."""
    due = np.where(told, light.offered * light.usual, 0.0).sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.where(told, light.made, 0.0).sum(axis=1) / due)


def _otherwise(case: Case) -> Mask:
    """Days on which something else made the site fall short of its light, or stamps are wrong, [D]."""
    table = case.table
    stood = (table["symptom_slots"][:, :, 1 : len(SYMPTOMS)].sum(axis=2) > _STOOD).mean(axis=1) >= _OTHERS
    frozen = np.median(table["frozen_h"], axis=1) > _STOOD
    grid = (case.grid_outside_h + table["grid_trip_h"]).max(axis=1) > 0.0
    return np.asarray(stood | frozen | grid | (bins_late(case) != 0.0).any(axis=1))


def _volts(case: Case, free: Mask) -> Floats:
    """The middle input's voltage of each day over its usual on free days, [D]; NaN where none is reported."""
    volts = case.table["volts"]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        return np.asarray(np.nanmedian(volts / np.nanmedian(volts[free], axis=0), axis=1))
