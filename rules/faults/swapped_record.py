"""swapped-record: an input's data fit another plane than the site file gives it.

On the roof nothing is wrong with production: two inputs were noted in each
other's place, or a module hangs on another plane than drawn. A fault found at
one of them would send someone to the wrong module.

Looks at: the clear-day course of each input against the typical course of every
plane; its own must fit badly and another's well. Columns: ``dc_power_w`` or
what it can be derived from.

Looks the same: ``shading`` (fits its own plane but for some hours),
``clock-shift`` (all inputs). Two inputs of one plane cannot be told apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from rules.candidate import RuleResult, Unjudged, by_days, suspect
from rules.case import Case, once
from rules.courses import Courses
from rules.finding import Alternative, Threshold
from rules.ranks import Floats, Mask, row_quantile
from rules.siblings import middle

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
_MOST = 0.8  # quantile of a plane's members: those that a cloud's edge reaches first or last are among them
_HINT = 0.85  # of the misfit to the own plane: worth a closer look
ODD = Threshold(3.0, "ratio of misfits", "own reasoning: an input that follows another plane is further off than those that do not")
AMONG = Threshold(1.5, "of members' misfits", "own reasoning: clouds crossing a roof set members apart by as much as that")
PASSING_DAYS = Threshold(4, "days", "own reasoning: no swap lasts two days only; two days' clouds may imitate another plane")
UNLIKE_DAYS = Threshold(6, "days", "own reasoning: of records that scatter, a few days' clouds may make two alike")
MIN_DAYS = Threshold(2, "days", "own reasoning: one day's clouds may imitate another plane")


@once
def judge(case: Case) -> RuleResult:
    """Candidates for inputs that fit another plane."""
    result = RuleResult()
    planes = len(case.names)
    if planes < 2:
        if case.day_count:
            result.unjudged.append(Unjudged(None, "swapped-record", "one plane only: a swap leaves no trace", case.day_count))
        return result
    for n, found in _explained(Courses(case)).items():
        ref, days = case.inputs[n], found.days
        mate = None if found.partner is None else case.inputs[found.partner].label
        result.candidates.append(
            suspect(
                by_days(
                    f"{ref.label} follows plane '{case.names[found.plane]}', not its own plane '{ref.plane}', on {{days}} days"
                    + (f"; {mate} does the opposite: their records are swapped." if mate else "."),
                    {
                        "fits_plane": case.names[found.plane],
                        "partner": mate,
                        "misfit_own": round(middle(found.own[days]), 3),
                        "misfit_other": round(middle(found.there[days]), 3),
                    },
                ),
                fault="swapped-record",
                scope="input",
                inputs=(n,),
                days=days,
                loss_wh=np.zeros(case.day_count),
                strength=float(np.clip(0.6 + 0.25 * (mate is not None) + 0.03 * days.sum(), 0, 0.97)),
                alternatives=(
                    Alternative("shading", 0.05, "Whether the loss of one half of the day comes with a gain in the other."),
                ),
                lasting=True,
            )
        )  # fmt: skip
    return result


@dataclass(frozen=True)
class _Follows:
    """Whose course an input has: plane, days that show it, its misfit to its own plane and to that one, all [D], its partner."""

    plane: int
    days: Mask
    own: Floats
    there: Floats
    partner: int | None


def _explained(courses: Courses) -> dict[int, _Follows]:
    """Inputs that fit another plane: swapped pairs first, then one alone on its plane, then one without a partner."""
    own = courses.own_misfits()
    fits: dict[int, dict[int, Floats]] = {}
    for n, mine in enumerate(own):
        if (mine > PLAIN_MISFIT.value).sum() < MIN_DAYS.value:
            continue
        near = {p: courses.misfit(n, p, ()) for p in range(len(courses.members)) if p != courses.case.plane_of[n]}
        near = {p: m for p, m in near.items() if (m < _HINT * mine).sum() >= MIN_DAYS.value}
        # Those it fits best come first.
        fits[n] = dict(sorted(near.items(), key=lambda i: float(np.nansum(i[1]))))
    out = _pairs(courses, own, fits)
    for n, near in fits.items():
        if len(courses.members[courses.case.plane_of[n]]) == 1 and n not in out:
            out |= _lone(courses, own, n, near)
    return _single(courses, own, {n: near for n, near in fits.items() if n not in out}) | out


def _pairs(courses: Courses, own: list[Floats], fits: dict[int, dict[int, Floats]]) -> dict[int, _Follows]:
    """Two inputs of two planes that fit each other's."""
    case = courses.case
    out: dict[int, _Follows] = {}
    best_of: dict[int, float] = {}
    for n, m in combinations(fits, 2):
        a, b = int(case.plane_of[n]), int(case.plane_of[m])
        if a == b or (b not in fits[n] and a not in fits[m]):
            continue
        # Each beside the other's neighbours, without the other.
        n_there, m_there = courses.misfit(n, b, (m,)), courses.misfit(m, a, (n,))
        before, after = own[n] + own[m], n_there + m_there
        days = (before > 2 * BAD_FIT.value) & (after < BETTER.value * before)
        days &= (n_there < GOOD_FIT.value) & (m_there < GOOD_FIT.value)
        days |= (before > 2 * PLAIN_MISFIT.value) & (after < PLAIN_BETTER.value * before)
        days &= (n_there < own[n]) & (m_there < own[m])
        # Under an even sky all planes have one course: such a day tells neither way.
        if not _steady(days, np.isfinite(before) & (np.maximum(before, after) > 2 * PLAIN_MISFIT.value)):
            continue
        told_by_mates = min(len(courses.members[a]), len(courses.members[b])) > 1
        # Members of coarse or unlike records miss each other by more.
        usual = [SURE_FIT.value, SURE_FIT.value]
        if days.sum() >= UNLIKE_DAYS.value and middle((after / before)[days]) < PLAIN_BETTER.value:
            usual = [max(SURE_FIT.value, _usual(own, courses.members[p], (n, m), days)) for p in (b, a)]
        if told_by_mates and middle(n_there[days]) > usual[0] and middle(m_there[days]) > usual[1]:
            continue  # a shadow may lie on one of two swapped records; one that is like neither plane is no other's
        if min(courses.heard(a, days), courses.heard(b, days)) < 3 and not courses.sun_agrees(n, m, days):
            continue  # of two planes of two, the other two would do as well: the sun must tell which
        # A record that is the other plane's to the watt tells more than two that are half so: the product of what is left.
        quality = float(n_there[days].sum() / own[n][days].sum() * m_there[days].sum() / own[m][days].sum())
        if quality < min(best_of.get(n, 1.0), best_of.get(m, 1.0)):
            best_of[n] = best_of[m] = quality
            out[n], out[m] = _Follows(b, days, own[n], n_there, m), _Follows(a, days, own[m], m_there, n)
    # Not those whose partner fits a third one better.
    mutual = {n: found.partner in out and out[found.partner].partner == n for n, found in out.items()}
    return {n: found for n, found in out.items() if mutual[n]}


def _usual(own: list[Floats], members: np.ndarray, without: tuple[int, int], days: Mask) -> float:
    """By how much a plane's members, ``without`` two, usually miss each other's course on some days, [D]; 0 where none is left."""
    left = [middle(own[k][days]) for k in members.tolist() if k not in without]
    return float(np.nan_to_num(middle(np.array(left)))) if left else 0.0


def _lone(courses: Courses, own: list[Floats], n: int, near: dict[int, Floats]) -> dict[int, _Follows]:
    """The swap of one alone on its plane, whose course only the sky tells, and poorly.

    It follows another plane's members through their clouds, and one of those follows none of the others.
    """
    a = int(courses.case.plane_of[n])
    for p, theirs in near.items():
        m = _odd_one(courses, p)
        if m is None:
            continue
        bright = (own[n] > 2 * PLAIN_MISFIT.value) & (theirs < PLAIN_BETTER.value * own[n])
        dull = np.isnan(own[n]) & (own[m] > PLAIN_MISFIT.value)
        days = (bright | dull) & (theirs < SURE_FIT.value)
        if bright.sum() < MIN_DAYS.value or not _steady(days, np.isfinite(theirs) & (own[m] > PLAIN_MISFIT.value)):
            continue
        if courses.sun_agrees(n, m, days):
            return {n: _Follows(p, days, own[n], theirs, m), m: _Follows(a, days, own[m], courses.misfit(m, a, (n,)), n)}
    return {}


def _single(courses: Courses, own: list[Floats], fits: dict[int, dict[int, Floats]]) -> dict[int, _Follows]:
    """One input that fits another plane as well as its members do, without a partner the other way: wired or drawn wrongly."""
    out: dict[int, _Follows] = {}
    beside = [np.stack([own[k] for k in members], axis=1) for members in courses.members]
    usual, widest = ([row_quantile(misfits, q) for misfits in beside] for q in (0.5, _MOST))
    for n, near in fits.items():
        home = int(courses.case.plane_of[n])
        for p, theirs in near.items():
            days = (theirs < BETTER.value * own[n]) & (theirs < SURE_FIT.value)
            days |= (theirs < PLAIN_BETTER.value * own[n]) & (theirs < AMONG.value * widest[p])
            bad = own[n] > 2 * BAD_FIT.value
            # Clouds crossing a plane set its members apart from each other, too: many members rule that out, or the sun does.
            odd = days & bad & (own[n] > ODD.value * usual[home])
            many = min(len(courses.members[home]), len(courses.members[p])) >= _FEW
            like = bad & (theirs < PLAIN_BETTER.value * own[n]) & (theirs < SURE_FIT.value)
            by_many = many and _lasts(odd, bad)
            if by_many or (_lasts(like, bad) and courses.sun_tells(n, p, like)):
                out[n] = _Follows(p, odd if by_many else like, own[n], theirs, None)
                break
    return out


def _steady(days: Mask, told: Mask) -> bool:
    """Whether these are enough days, and most of those told from the first to the last; more if days around speak against it."""
    where = np.flatnonzero(days)
    if len(where) < MIN_DAYS.value or len(where) < 0.6 * told[where[0] : where[-1] + 1].sum():
        return False
    before, after = told[: where[0]].sum(), told[where[-1] + 1 :].sum()
    return bool(len(where) >= PASSING_DAYS.value or min(before, after) < MIN_DAYS.value)


def _lasts(days: Mask, told: Mask) -> bool:
    """Longer than a spell of other clouds, and steady."""
    return bool(days.sum() >= PASSING_DAYS.value and _steady(days, told))


def _odd_one(courses: Courses, plane: int) -> int | None:
    """The one member of a plane that stands out from others that are alike without it; None if there is none."""
    members = courses.members[plane].tolist()
    for m in members if len(members) > 2 else ():
        rest = np.nan_to_num([middle(courses.misfit(k, plane, (m,))) for k in members if k != m])
        if middle(courses.misfit(m, plane, ())) > max(PLAIN_MISFIT.value, ODD.value * rest.max()):
            return int(m)
    return None
