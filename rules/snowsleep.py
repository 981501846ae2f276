"""Snow under which units are silent: they are fed by their modules and sleep there (:mod:`rules.faults.snow`)."""

from __future__ import annotations

import numpy as np

from rules.case import Case
from rules.counters import counter_rise
from rules.days import runs_of, span_mask
from rules.daytable import BIN_HOURS
from rules.finding import Threshold
from rules.ranks import Floats, Mask
from rules.silence import unit_kinds
from rules.snowsky import BRIGHT, DARK, LOW, MAX_DAYS, STOOD, TRICKLE, Sky, counted_share, left_behind, sound_but, until_awake
from rules.snowspell import Spell, spell_of

ALONE_UNITS = Threshold(3, "units", "own reasoning: two may share a cable or a fault of their own")
WOKE_APART = Threshold(1.5, "h", "own reasoning: a link or supply comes back for all within minutes")
SCATTER = Threshold(0.1, "median deviation of siblings", "own reasoning: siblings in one light differ by 1 to 3 %")
SCATTER_MORE = Threshold(3.0, "times that of other days", "own reasoning: what parts them on other days is no snow")
MOSTLY_QUIET = Threshold(0.5, "of the days of the snow", "own reasoning: units that sleep now and then wake now and then")
BEFORE_DAYS = 4
SCATTER_INPUTS = Threshold(3, "inputs", "own reasoning: of two, either may be the odd one")


def unheard(case: Case, p: int, cold: Mask, sky: Sky, starts: list[int], known: list[Spell]) -> list[Spell]:
    """Spells, besides those known, in which all units of a plane fell silent and came back.

    Snow it is if another plane was covered then, if they alone of the site slept and counted nothing, or if they woke one
    after the other.
    """
    inputs = np.flatnonzero(case.plane_of == p)
    out: list[Spell] = []
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
        rise = counted_share(case, inputs, start, sky)
        stood = not rise >= STOOD.value  # as far as counters tell
        apart = stood and _woke_apart(case, inputs, start, sky)
        if apart or start in beside or _alone_dark(case, inputs, start, sky):
            spell = spell_of(case, p, inputs, start, False, cold, sky, apart=apart, sure=rise < STOOD.value)
            out += [spell] if spell is not None and spell.days else []
    return out


def sleepers(case: Case, p: int, cold: Mask, sky: Sky, known: list[Spell]) -> list[Spell]:
    """Spells of several units of a plane that fell silent in one cold spell, others being heard, and counted nothing meanwhile.

    Three units do not fail in one night and mend themselves; a breaker would take a whole branch.
    """
    inputs = np.flatnonzero(case.plane_of == p)
    free, runs, silent = np.ones(case.day_count, bool), [], unit_kinds(case)[0]
    for old in known:
        free[max(old.first - 1, 0) : old.last + 2] = False
    for u in np.unique(case.unit_of[inputs]).tolist():
        mine = inputs[case.unit_of[inputs] == u]
        mask = silent[:, u] & sky.asleep[:, mine].all(axis=1) & cold & free
        for first, last in runs_of(mask, case.table["lit_h"][:, mine].max(axis=1) <= 1.0):
            if first > 0 and last < case.day_count - 1 and counted_share(case, mine, first, sky) < STOOD.value:
                runs.append((first, last, u))
    out = []
    while runs:
        lead = runs[0]
        same = [r for r in runs if r[0] <= lead[1] + 1 and r[1] >= lead[0] - 1]
        runs = [r for r in runs if r not in same]
        units = {u for _, _, u in same}
        if len(units) < ALONE_UNITS.value or units in _groups(case, "branch"):
            continue
        days = {n: np.zeros(case.day_count, bool) for n in inputs.tolist()}
        for first, last, u in same:
            for n in inputs[case.unit_of[inputs] == u].tolist():
                days[n][first : last + 1] = True
        out.append(Spell(p, min(r[0] for r in same), days, True, False, False))
    return out


def beneath(case: Case, p: int, sky: Sky, spells: list[Spell], known: list[Spell]) -> list[Spell]:
    """Spells, besides those known, of a plane whose units sent nothing while other planes lay under snow, and came back with them.

    A plane that the winter sun hardly reaches shows no light by which to miss its rows; but one snow falls on the whole roof.

    Parameters
    ----------
    spells : of the other planes, sure ones.
    """
    inputs = np.flatnonzero(case.plane_of == p)
    heard: Mask = case.table["seen_h"][:, inputs] > 0.0
    out: list[Spell] = []
    for other in spells:
        first, last = other.first, other.last
        if any(old.first <= last + 1 and old.last >= first - 1 for old in (*known, *out)) or last + 1 >= case.day_count:
            continue
        awake = heard[max(first - BEFORE_DAYS, 0) : first].sum(axis=0) >= 0.5 * min(first, BEFORE_DAYS)
        mine, rows = inputs[awake], heard[:, awake]
        quiet: Mask = ~np.logical_or.reduce(rows, axis=1)
        # They fell silent as it fell, most of its days long, and woke as it went.
        if first == 0 or len(mine) < 2 or not quiet[first : first + 2].any() or quiet[last + 1]:
            continue
        if quiet[first : last + 1].mean() < MOSTLY_QUIET.value:
            continue
        inside = span_mask(case.day_count, [(first, last)])
        best = sky.best(mine)
        behind = np.nan_to_num(sky.share[:, mine], nan=np.inf) < LOW.value * best[:, None]
        under = (~rows | behind) & inside[:, None]
        out.append(Spell(p, first, {int(n): under[:, k] for k, n in enumerate(mine)}, True, True, False))
    return out


def _groups(case: Case, name: str) -> list[set[int]]:
    """The units of each ``branch`` or ``gateway``."""
    of = [getattr(unit, name) for unit in case.site.units]
    return [{u for u, other in enumerate(of) if other == name} for name in set(of) - {None}]


def _woke_apart(case: Case, inputs: np.ndarray, start: int, sky: Sky) -> bool:
    """Whether inputs that fell silent together woke hours apart, or far apart in power, though alike before and after.

    When a supply or a link comes back, it does so for all at once, and with all the power that the sky allows.
    """
    day = until_awake(inputs, start, sky)
    while day < case.day_count - 1 and day < start + MAX_DAYS.value and not np.isfinite(sky.share[day, inputs]).any():
        day += 1  # a few rows of the evening tell nothing yet
    well = sky.bright_before(start, inputs)
    if not well or not np.isfinite(sky.share[well][:, inputs]).any(axis=0).all():
        return False
    first = np.array([_first_row(case, inputs, k) for k in (day, *well)])
    late = first[0] - np.median(first[1:], axis=0)
    late = late - late.min() > WOKE_APART.value / BIN_HOURS
    if len(np.unique(case.unit_of[inputs[late]])) < 2:
        late[:] = False  # one unit may be silent for a reason of its own
    behind = left_behind(sky.share[day, inputs]) | late
    least = 1 if len(inputs) < 4 else 2
    if least <= behind.sum() < len(inputs) and sound_but(case, inputs, behind, day, sky):
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
    """Median deviation of siblings from their median, relative to it; NaN where none is heard."""
    good = share[np.isfinite(share)]
    return float(np.median(np.abs(good / max(np.median(good), 1e-6) - 1.0))) if good.size else np.nan


def _alone_dark(case: Case, inputs: np.ndarray, start: int, sky: Sky) -> bool:
    """Whether the units of a plane, and only they, slept through bright days and counted nothing meanwhile.

    Not so where they are a branch or a gateway: those fall silent together whichever way their modules face.
    """
    units = set(case.unit_of[inputs].tolist())
    if units in _groups(case, "branch") + _groups(case, "gateway"):
        return False
    day = until_awake(inputs, start, sky)
    others = ~np.isin(np.arange(len(case.inputs)), inputs)
    bright = sky.expected[start:day, case.plane_of[inputs[0]]] > BRIGHT.value
    if len(units) < ALONE_UNITS.value or not others.any() or sky.asleep[start][others].any():
        return False
    if day >= case.day_count or not bright.any():
        return False
    rise, clear = counter_rise(case, span_mask(case.day_count, [(start, day - 1)]), inputs)
    return bool(np.isfinite(rise) and rise < TRICKLE.value * clear)
