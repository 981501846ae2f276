"""Records put where the sun says they belong, where a clock is known to be off.

Rules that depend on where the sun stood use this; :mod:`rules.faults.clock_shift` finds out that a clock is off.
"""

from __future__ import annotations

import numpy as np

from rules.case import Case, once
from rules.daytable import BIN_HOURS, BINS
from rules.faults.clock_shift import judge
from rules.ranks import Floats, Mask
from rules.siblings import typical

#: Fields of single inputs and of whole planes that lie at the hour of their stamps.
_OF_INPUTS = ("power", "typical", "free_power", "free_typical")
_OF_PLANES = ("plane_typical", "plane_power")
#: Fields of the whole site that do; they come from the records themselves.
_OF_SITE = ("cap_level", "cap_wobble", "cap_spread", "hz_bin", "volt_bin")
#: Least index that a change is a share of.
_DIMMEST = 0.02
#: Least part of a half hour with rows that speaks for the rest; least power, of full sun, that tells a share.
_HEARD = 0.05


@once
def bins_late(case: Case) -> Floats:
    """Half hours by which the stamps of each input lie late, [D, N]; 0 where its clock is not known to be off."""
    bins = np.zeros((case.day_count, len(case.inputs)))
    for c in judge(case).candidates:
        first, last = np.flatnonzero(c.days)[[0, -1]]
        # The ends of a record are parts of days, on which no course can be told: they go with the days beside them.
        first, last = (0 if first == 1 else first), (len(bins) - 1 if last == len(bins) - 2 else last)
        bins[first : last + 1, np.array(c.inputs)] = c.evidence["shift_min"] / 60.0 / BIN_HOURS
    return bins


def hours_off(case: Case) -> Floats:
    """By how many hours the stamps of each input are wrong, either way, [D, N]: so many hours of the night may pass for light."""
    return np.abs(bins_late(case)) * BIN_HOURS


def unit_hours_off(case: Case) -> Floats:
    """The same of each unit, by the worst of its inputs, [D, U]."""
    off_h = hours_off(case)
    return np.stack([off_h[:, case.inputs_of_unit(u)].max(axis=1) for u in range(len(case.site.units))], axis=1)


def on_time(case: Case) -> Case:
    """The case with every record put where the sun says it belongs; itself where no clock is off.

    What the clear sky would give stays where it is, and so does weather, which has a clock of its own.
    """
    bins = bins_late(case)
    if not bins.any():
        return case
    fields = dict(case.table.fields)
    for name in _OF_INPUTS:
        fields[name] = _moved(fields[name], bins)
    # An input with rows for five minutes of a half hour is held against five minutes of its siblings.
    heard = heard_on_time(case)
    for name in _OF_PLANES:
        fields[name] = fields[name].copy()
    for p in range(len(case.names)):
        mine = np.flatnonzero(case.plane_of == p)
        off = bins[:, mine]
        for name in _OF_PLANES:
            fields[name][:, p] = _moved(case.table[name][:, p : p + 1], np.median(off, axis=1)[:, None])[:, 0]
        # Siblings on another clock were held against each other at different hours: now each clock's against its own.
        for d in np.flatnonzero((off != off[:, :1]).any(axis=1)):
            for clock in np.unique(off[d]):
                same = mine[off[d] == clock]
                for own, theirs in (("power", "typical"), ("free_power", "free_typical")):
                    fields[theirs][d, same] = _among(fields[own][d, same], fields[theirs][d, same], heard[d, same])
            fields["plane_typical"][d, p] = fields["typical"][d, mine].max(axis=0)
    at = (np.arange(BINS) + np.rint(np.where(one_clock(case), bins[:, 0], 0.0)).astype(np.int64)[:, None]) % BINS
    for name in _OF_SITE:
        fields[name] = np.take_along_axis(fields[name], at, 1)
    moved: Mask = np.logical_or.reduce(bins != 0.0, axis=1)
    fields["kt_wobble"] = np.where(moved[:, None], _change(fields["plane_typical"], fields["plane_clear"]), fields["kt_wobble"])
    return case.like(fields)


def _change(made: Floats, clear: Floats) -> Floats:
    """Relative change of what planes made of clear sky within each half hour, from the half hours beside it, [D, B].

    By a wrong clock the index bends all day long, and what was seen of it inside each half hour is the bend, not the clouds.

    Parameters
    ----------
    made, clear : [D, P, B], h.
    """
    whole = clear.sum(axis=1)
    index = np.where(whole > 0.0, made.sum(axis=1) / np.where(whole > 0.0, whole, 1.0), np.nan)
    # Rows an hour apart fill every second half hour.
    near, far = (_apart(index, reach) / reach for reach in (1, 2))
    change = np.where(np.isfinite(near), near, far) / np.maximum(index, _DIMMEST)
    return np.asarray(np.nan_to_num(change, nan=1.0))


def _apart(index: Floats, reach: int) -> Floats:
    """Half of the difference between what lies so many half hours after and before each, [D, B]; NaN where either is unknown."""
    padded = np.pad(index, ((0, 0), (reach, reach)), constant_values=np.nan)
    return np.asarray(np.abs(padded[:, 2 * reach :] - padded[:, : -2 * reach]) / 2.0)


def one_clock(case: Case) -> Mask:
    """Days on which the stamps of all inputs are right, or wrong by as much, [D]: what all do at once still shows."""
    bins = bins_late(case)
    return np.asarray((bins == bins[:, :1]).all(axis=1))


def _among(made: Floats, held: Floats, heard: Floats) -> Floats:
    """What members on one clock made over the slots each reported, h, [M, B].

    Parameters
    ----------
    made, held : each one's own, and what siblings on all clocks made over the same slots, h, [M, B].
    heard : part of each half hour in which each was heard, [M, B].
    """
    lit = held > _HEARD * BIN_HOURS * np.maximum(heard, _HEARD)
    over = np.nan_to_num(typical(np.where(lit, made / np.where(lit, held, 1.0), np.nan).T.astype(np.float32))[0])
    whole = np.nan_to_num(typical(np.where(heard > _HEARD, made / np.maximum(heard, _HEARD), np.nan).T.astype(np.float32))[0])
    return np.where(made > 0, np.where(lit, over * held, whole * heard), 0.0)


def heard_on_time(case: Case) -> Floats:
    """Share of each half hour of light for which an input has rows, put where the sun says it belongs, [D, N, B]."""
    whole = case.table["plane_clear_all"][:, case.plane_of]
    return _moved(np.clip(case.table["clear"] / np.where(whole > 0, whole, np.inf), 0.0, 1.0), bins_late(case))


def _moved(values: Floats, bins: Floats) -> Floats:
    """Each [day, member]'s course moved ``bins`` half hours earlier, [D, M, B]; parts of one are shared out."""
    whole = np.floor(bins)
    part = (bins - whole)[:, :, None]
    at = (np.arange(BINS)[None, None, :] + whole[:, :, None].astype(np.int64)) % BINS
    return np.asarray((1 - part) * np.take_along_axis(values, at, 2) + part * np.take_along_axis(values, (at + 1) % BINS, 2))
