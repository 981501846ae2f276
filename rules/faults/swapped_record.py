"""swapped-record: an input's data fit another plane than the site file gives it.

On the roof nothing is wrong with production: two inputs were noted in each
other's place, or a module hangs on another plane than drawn. A fault found at
one of them would send someone to the wrong module.

Looks at: the clear-day course of each input against the typical course of every
plane; its own must fit badly and another's well. Columns: ``dc_power_w`` or
what it can be derived from.

Looks the same: ``shading`` (fits its own plane but for some hours),
``clock-shift`` (everybody). Two inputs of one plane cannot be told apart.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from rules.candidate import Candidate, RuleResult, Unjudged
from rules.case import Case, once
from rules.days import first_to_last
from rules.finding import Alternative, Threshold
from rules.ranks import Floats, Mask, median_of, taken
from rules.siblings import middle, nan_median

COLUMNS = ("dc_power_w",)
BAD_FIT = Threshold(0.07, "of energy", "own reasoning: shapes of planes 30 degrees apart differ by more")
GOOD_FIT = Threshold(0.25, "of energy", "own reasoning: a clear-sky course without its clouds still misses this much")
SURE_FIT = Threshold(0.06, "of energy", "own reasoning: siblings of one plane fit each other within a few per cent")
BETTER = Threshold(0.6, "ratio of misfits", "own reasoning: the other plane must explain at least half of the misfit")
PLAIN_MISFIT = Threshold(0.04, "of energy", "own reasoning: four times what siblings of a plane miss each other by under one sky")
PLAIN_BETTER = Threshold(0.35, "ratio of misfits", "own reasoning: a shadow leaves over a third of the misfit to any plane")
#: Dull days beside the bright ones that show a swap have it too.
SWAP_SPAN = 7
_FEW = 4
_HINT = 0.85  # of the misfit to the own plane: worth a closer look
IDLE = Threshold(0.05, "of a plane's typical power", "own reasoning: less is standing still, whatever plane it is")
MIN_LIGHT = Threshold(0.2, "h", "own reasoning: a roof turned from a winter's sun makes no more in a whole day")
ODD = Threshold(3.0, "ratio of misfits", "own reasoning: who follows another plane is further off than those who do not")
PASSING_DAYS = Threshold(4, "days", "own reasoning: nobody swaps records for two days; their clouds may be another plane's")
MIN_DAYS = Threshold(2, "days", "own reasoning: one day's clouds may imitate another plane")


@once
def judge(case: Case) -> RuleResult:
    """Candidates for inputs that fit another plane; asked for by two rules."""
    result = RuleResult()
    planes = len(case.names)
    if planes < 2:
        if case.day_count:
            result.unjudged.append(Unjudged(None, "swapped-record", "one plane only: a swap leaves no trace", case.day_count))
        return result
    courses = _Courses(case)
    size = np.bincount(case.plane_of, minlength=planes)
    own = courses.own_misfits()
    for n, (best, days, mine, theirs, mate_n) in _explained(case, courses, own, size).items():
        ref = case.inputs[n]
        mate = None if mate_n is None else case.inputs[mate_n].label
        result.candidates.append(
            Candidate(
                fault="swapped-record",
                scope="input",
                inputs=(n,),
                days=days,
                loss_wh=np.zeros(case.day_count),
                strength=float(np.clip(0.6 + 0.25 * (mate is not None) + 0.03 * days.sum(), 0, 0.97)),
                why=(
                    f"{ref.label} follows plane '{case.names[best]}', not its own plane '{ref.plane}', on "
                    f"{int(days.sum())} days"
                    + (f"; {mate} does the opposite: their records are swapped." if mate else ".")
                ),
                evidence={
                    "fits_plane": case.names[best],
                    "partner": mate,
                    "misfit_own": round(middle(mine[days]), 3),
                    "misfit_other": round(middle(theirs[days]), 3),
                },
                alternatives=(
                    Alternative("shading", 0.05, "Whether the loss of one half of the day comes with a gain in the other."),
                ),
                lasting=True,
            )
        )  # fmt: skip
    return result


def _explained(
    case: Case, courses: _Courses, own: list[Floats], size: NDArray[np.int64]
) -> dict[int, tuple[int, Mask, Floats, Floats, int | None]]:
    """Inputs that fit another plane: that plane, days, misfit to their own and to that one, and the partner of a swap."""
    planes = range(len(case.names))
    fits: dict[int, dict[int, Floats]] = {}
    for n, mine in enumerate(own):
        if (mine > PLAIN_MISFIT.value).sum() < MIN_DAYS.value:
            continue
        near = {p: courses.misfit(n, p, ()) for p in planes if p != case.plane_of[n]}
        fits[n] = {p: m for p, m in near.items() if (m < _HINT * mine).sum() >= MIN_DAYS.value}
    out: dict[int, tuple[int, Mask, Floats, Floats, int | None]] = {}
    best_of: dict[int, float] = {}
    for n, m in combinations(fits, 2):
        a, b = int(case.plane_of[n]), int(case.plane_of[m])
        if a == b or (b not in fits[n] and a not in fits[m]):
            continue
        # Each beside the other's neighbours, without the other.
        n_there, m_there = courses.misfit(n, b, (m,)), courses.misfit(m, a, (n,))
        before, after = own[n] + own[m], n_there + m_there
        days = (before > 2 * BAD_FIT.value) & (after < BETTER.value * before)
        days |= (before > 2 * PLAIN_MISFIT.value) & (after < PLAIN_BETTER.value * before)
        days &= (n_there < own[n]) & (m_there < own[m]) & (n_there < GOOD_FIT.value) & (m_there < GOOD_FIT.value)
        # Under an even sky all planes have one course: such a day tells neither way.
        if not _steady(days, np.isfinite(before) & (np.maximum(before, after) > 2 * PLAIN_MISFIT.value)):
            continue
        if min(courses.heard(a, days), courses.heard(b, days)) < 3 and not courses.sun_agrees(n, m):
            continue  # of two planes of two, the other two would do as well: the sun must tell which
        quality = float(after[days].sum() / before[days].sum())
        if quality < min(best_of.get(n, 1.0), best_of.get(m, 1.0)):
            best_of[n] = best_of[m] = quality
            out[n] = (b, days, own[n], n_there, m)
            out[m] = (a, days, own[m], m_there, n)
    for n in [n for n, found in out.items() if found[4] is not None and (found[4] not in out or out[found[4]][4] != n)]:
        del out[n]  # its partner fits a third one better
    for n, near in fits.items():
        if size[case.plane_of[n]] == 1 and n not in out:
            out |= _lone(case, courses, own, n, near)
    for n, near in fits.items():
        for p, theirs in sorted(near.items(), key=lambda i: float(np.nansum(i[1]))):
            days = (own[n] > 2 * BAD_FIT.value) & (theirs < BETTER.value * own[n]) & (theirs < SURE_FIT.value)
            plain = min(size[case.plane_of[n]], size[p]) >= _FEW and days.sum() >= 3
            if n not in out and plain and _steady(days, np.isfinite(own[n])):
                out[n] = (p, days, own[n], theirs, None)
    return out


def _lone(
    case: Case, courses: _Courses, own: list[Floats], n: int, near: dict[int, Floats]
) -> dict[int, tuple[int, Mask, Floats, Floats, int | None]]:
    """The swap, as in :func:`_explained`, of one alone on its plane, whose course only the sky tells, and poorly.

    It follows another plane's members through their clouds, and one of those follows none of the others.
    """
    a = int(case.plane_of[n])
    for p, theirs in sorted(near.items(), key=lambda i: float(np.nansum(i[1]))):
        m = courses.odd_one(p)
        if m is None:
            continue
        bright = (own[n] > 2 * PLAIN_MISFIT.value) & (theirs < PLAIN_BETTER.value * own[n])
        dull = np.isnan(own[n]) & (own[m] > PLAIN_MISFIT.value)
        days = (bright | dull) & (theirs < SURE_FIT.value)
        if bright.sum() < MIN_DAYS.value or not _steady(days, np.isfinite(theirs) & (own[m] > PLAIN_MISFIT.value)):
            continue
        if courses.sun_agrees(n, m):
            return {n: (p, days, own[n], theirs, m), m: (a, days, own[m], courses.misfit(m, a, (n,)), n)}
    return {}


def _steady(days: Mask, told: Mask) -> bool:
    """Enough days, most of those told between the first and the last, and more where others before and after say otherwise."""
    where = np.flatnonzero(days)
    if len(where) < MIN_DAYS.value or len(where) < 0.6 * told[where[0] : where[-1] + 1].sum():
        return False
    before, after = told[: where[0]].sum(), told[where[-1] + 1 :].sum()
    return bool(len(where) >= PASSING_DAYS.value or min(before, after) < MIN_DAYS.value)


class _Courses:
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
        # Who stands still beside working members is no course of his plane, however many do.
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

    def odd_one(self, plane: int) -> int | None:
        """The one member of a plane that stands out from others who are alike without it."""
        members = self.members[plane].tolist()
        for m in members if len(members) > 2 else ():
            rest = [_middle_of(self.misfit(k, plane, (m,))) for k in members if k != m]
            apart = _middle_of(self.misfit(m, plane, ()))
            if apart > max(PLAIN_MISFIT.value, ODD.value * max(rest)):
                return int(m)
        return None

    def heard(self, plane: int, days: Mask) -> int:
        """Members of a plane that reported on most of some days."""
        return int((self.power[np.ix_(days, self.members[plane])].sum(axis=2) > 0.0).mean(axis=0).round().sum())

    def sun_agrees(self, n: int, m: int) -> bool:
        """Whether two records follow the sun on each other's plane better than on their own, on bright days."""
        a, b = int(self.case.plane_of[n]), int(self.case.plane_of[m])
        skies = {p: self.case.table["plane_clear_all"][:, p, self.lit] for p in (a, b)}
        own = self._apart(n, skies[a]) + self._apart(m, skies[b])
        other = self._apart(n, skies[b]) + self._apart(m, skies[a])
        use = self.bright & np.isfinite(own) & np.isfinite(other)
        return bool(use.any() and other[use].sum() < own[use].sum())

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


def _middle_of(misfit: Floats) -> float:
    """Middle of a misfit by day, [D]; nil where no day tells."""
    return median_of(misfit[np.isfinite(misfit)]) if np.isfinite(misfit).any() else 0.0


def _middles_without(energy: Floats) -> Floats:
    """For each member the lower median of the others, [D, M, B]; NaN where there is none.

    Of the members in order one is missing: those above it move down a place.
    """
    ordered = np.sort(energy, axis=1)  # NaN last
    known = np.isfinite(energy)
    count = np.count_nonzero(known, axis=1)
    # Those known are one fewer without one of them; who is not known leaves all.
    at = np.maximum((count - 2) // 2, 0)
    below, above, rest = (taken(ordered, place, 1)[:, None] for place in (at, at + 1, np.maximum((count - 1) // 2, 0)))
    return np.where(known, np.where(energy <= below, above, below), rest)
