"""Courses of planes over the day, by their members, and how badly inputs fit them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rules.case import Case
from rules.days import first_to_last
from rules.finding import Threshold
from rules.ranks import Floats, Mask, taken
from rules.siblings import nan_median

IDLE = Threshold(0.05, "of a plane's typical power", "own reasoning: less is standing still, whatever plane it is")
MIN_LIGHT = Threshold(0.2, "h", "own reasoning: a roof turned from a winter's sun makes no more in a whole day")
SUNNY = Threshold(2, "days", "own reasoning: one bright day may have had its clouds at the hours that tell planes apart")
TOLD_BY_SUN = Threshold(
    0.6, "ratio of misfits", "own reasoning: haze and shade leave either plane its share; the sun's way takes the rest"
)


class Courses:
    """Courses of planes over the day, by their members, and how badly inputs fit them."""

    def __init__(self, case: Case) -> None:
        self.case = case
        table = case.table
        # Of the bins between the first and the last with light: no working on the night.
        self.lit = first_to_last(table["clear"] > 0)
        self.power = table["power"][:, :, self.lit]
        # At a ceiling every course is flat.
        told = table["clear"][:, :, self.lit] > 0
        free = told & (table["free_power"][:, :, self.lit] >= 0.95 * self.power - 0.002)
        self.free = free
        # An input that stands still while others work shows nothing of its plane's course, however many do so.
        works = self.power >= IDLE.value * table["plane_typical"][:, case.plane_of][:, :, self.lit]
        self.shown = np.where(free & works, self.power, np.nan)
        self.bright = (case.clear_weight >= 0.5).sum(axis=1) >= 6
        self.members = [np.flatnonzero(case.plane_of == p) for p in range(len(case.names))]
        self._kept: dict[tuple[int, tuple[int, ...]], Floats] = {}

    def course(self, plane: int, without: tuple[int, ...]) -> Floats:
        """Middle of the members' energy by bin, [D, B]; the site's sky where none is left."""
        key = (plane, without)
        if key not in self._kept:
            members = [n for n in self.members[plane].tolist() if n not in without]
            if members:
                out = nan_median(self.shown[:, members], 1)
            else:
                out = (self.case.expected_share[:, plane] * self.case.table["plane_clear_all"][:, plane])[:, self.lit]
            self._kept[key] = out
        return self._kept[key]

    def own_misfits(self) -> list[Floats]:
        """:meth:`misfit` of every input to the course of its plane's other members."""
        out: list[Floats] = [np.zeros(0)] * len(self.case.inputs)
        for p, members in enumerate(self.members):
            if len(members) == 1:
                out[members[0]] = self.misfit(int(members[0]), p, ())
                continue
            course = _middles_without(self.shown[:, members])
            apart = self._apart(members, course)
            for k, n in enumerate(members.tolist()):
                out[n] = apart[:, k]
                self._kept[p, (n,)] = course[:, k]
        return out

    def heard(self, plane: int, days: Mask) -> int:
        """Members of a plane that reported on most of some days."""
        return int((self.power[np.ix_(days, self.members[plane])].sum(axis=2) > 0.0).mean(axis=0).round().sum())

    def sun_agrees(self, n: int, m: int, days: Mask) -> bool:
        """Whether two records follow the sun on each other's plane better than on their own, on the bright ones of some days."""
        a, b = int(self.case.plane_of[n]), int(self.case.plane_of[m])
        own = self._under_sky(n, a) + self._under_sky(m, b)
        other = self._under_sky(n, b) + self._under_sky(m, a)
        use = days & self.bright & np.isfinite(own) & np.isfinite(other)
        return bool(use.any() and other[use].sum() < own[use].sum())

    def sun_tells(self, n: int, plane: int, days: Mask) -> bool:
        """Whether the sun's way over a plane explains a record, and over its own plane does not, on bright ones of some days."""
        own, other = self._under_sky(n, int(self.case.plane_of[n])), self._under_sky(n, plane)
        use = days & self.bright & np.isfinite(own) & np.isfinite(other)
        return bool(use.sum() >= SUNNY.value and other[use].sum() < TOLD_BY_SUN.value * own[use].sum())

    def _under_sky(self, n: int, plane: int) -> Floats:
        """Share of an input's energy that a plane's course under a clear sky leaves unexplained, [D]; NaN on dark days."""
        return self._apart(n, self.case.table["plane_clear_all"][:, plane, self.lit])

    def misfit(self, n: int, plane: int, without: tuple[int, ...]) -> Floats:
        """Share of an input's energy that a plane's course leaves unexplained, [D]; NaN on dull days."""
        course = self.course(plane, (*without, n) if self.case.plane_of[n] == plane else without)
        # Siblings share the clouds; a course by the sky alone is good for bright days only.
        apart = self._apart(n, course)
        by_siblings = any(m not in without and m != n for m in self.members[plane].tolist())
        return apart if by_siblings else np.where(self.bright, apart, np.nan)

    def _apart(self, n: int | NDArray[np.int64], course: Floats) -> Floats:
        """Share of an input's energy that a course of any scale leaves unexplained, [D]; NaN on dark days.

        Parameters
        ----------
        n : the input, or several [M].
        course : [D, B], or one for each of several inputs [D, M, B]; gives [D, M].
        """
        use = self.free[:, n] & np.isfinite(course)
        power, shape = np.where(use, self.power[:, n], 0.0), np.where(use, course, 0.0)
        total = power.sum(axis=-1)
        with np.errstate(invalid="ignore", divide="ignore"):
            scale = (power * shape).sum(axis=-1) / (shape**2).sum(axis=-1)
            miss = np.abs(power - scale[..., None] * shape).sum(axis=-1) / total
        enough = (total > MIN_LIGHT.value) & (shape.sum(axis=-1) > MIN_LIGHT.value)
        return np.where(enough, miss, np.nan)


def _middles_without(energy: Floats) -> Floats:
    """For each member the lower median of the others, [D, M, B]; NaN where there is none.

    Of the members in order one is missing: those above it move down a place.
    """
    ordered = np.sort(energy, axis=1)  # NaN last
    known = np.isfinite(energy)
    count = np.count_nonzero(known, axis=1)
    # Leaving out a known member leaves one fewer; leaving out an unknown one leaves them all.
    at = np.maximum((count - 2) // 2, 0)
    below, above, rest = (taken(ordered, place, 1)[:, None] for place in (at, at + 1, np.maximum((count - 1) // 2, 0)))
    return np.where(known, np.where(energy <= below, above, below), rest)
