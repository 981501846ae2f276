"""Saw-teeth in a course of day levels: stretches that sink, between rains (:mod:`rules.faults.soiling`)."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from statistics import median
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rules.finding import Threshold
from rules.levels import Segment
from rules.ranks import Floats, median_of

MIN_SLOPE = Threshold(0.0008, "per day", "published soiling rates: some 0.1 to 0.5 % per dry day (from memory)")
MIN_DROP = Threshold(0.033, "ratio", "own reasoning: what the slope must add up to above the scatter")
MIN_DAYS = Threshold(6, "judged days", "own reasoning: a slope over fewer days is weather")
MIN_RESET = Threshold(0.015, "ratio", "own reasoning: less than a tooth of a few dry days, well over a level's scatter")
LAST_DAY = Threshold(0.13, "ratio", "own reasoning: the sky of one day bends a roof's level by up to a tenth; rain is told by two")
PART_DAYS = Threshold(5, "judged days", "own reasoning: a shorter tooth has no slope of its own")
PARTING = Threshold(20.0, "F of one parting", "own reasoning: the best of some hundred places; 4 would do for one (F table, 5 %)")
TOOTH = 3  # judged days a tooth must have to show a slope
_MOST_IN_A_DAY = 0.05  # dust does not fall so fast: a step down is another cause
FLAT = 0.35  # of the common slope: under it a stretch does not sink


@dataclass(frozen=True)
class Teeth:
    """A saw-tooth: stretches that sink, between rains.

    ``parts`` sink one by one; ``slope`` per day is common to them; ``sure`` is
    that slope over its standard error; ``clean`` the level without dirt;
    ``washed`` the largest step up at once, days before against days after.
    ``by_wash``: that step alone tells of dirt, and ``sure`` is it over the level's scatter (:mod:`rules.washes`).
    """

    parts: list[Segment]
    slope: float
    sure: float
    resets: int
    clean: float
    drop: float
    washed: float
    by_wash: bool = False


def saw_teeth(level: Floats, noise: float, least: float, whole: bool = False) -> Teeth | None:
    """The saw-tooth in a course of day levels, [D], NaN where not judged; None if it does not sink.

    Parameters
    ----------
    least : standard errors of the slope to be sure.
    whole : the course is a plane's or roof's: the rain that ends one tooth tells too.
    """
    days = np.flatnonzero(np.isfinite(level))
    if len(days) < MIN_DAYS.value:
        return None
    y = level[days]
    rise = max(MIN_RESET.value, 4.0 * noise)
    fall = max(_MOST_IN_A_DAY, 6.0 * noise)
    cuts, up, plain = [0], {0: False}, y.tolist()
    # No step without a good part of it from one day to the next: most days are passed by so.
    for k in (np.flatnonzero(np.abs(np.diff(y)) > 0.5 * min(rise, fall)) + 1).tolist():
        step = median(plain[k : k + 2]) - median(plain[max(cuts[-1], k - 2) : k])
        if whole and k == len(plain) - 1 and 0.0 < step < LAST_DAY.value:
            continue
        alone = (plain[k] - plain[k - 1]) * np.sign(step) > 0.5 * abs(step)
        if alone and (step > rise or step < -fall):
            cuts.append(k)
            up[k] = step > 0
    return _teeth(days, y, cuts, up, noise, least, whole)


def spread_teeth(level: Floats, noise: float, least: float) -> Teeth | None:
    """The saw-tooth of a plane's course whose resets drown in its scatter, [D]: cut where one slope then fits all teeth best.

    A plane's level scatters with the sky by more than a rain brings; its dozens of days still tell where the teeth part.
    """
    days = np.flatnonzero(np.isfinite(level))
    if len(days) < 2 * PART_DAYS.value:
        return None
    y = level[days]
    cuts = _partings(days.astype(float), y)
    return _teeth(days, y, cuts, dict.fromkeys(cuts, True) | {0: False}, noise, least, whole=True) if len(cuts) > 1 else None


def _partings(t: Floats, y: Floats) -> list[int]:
    """Where teeth begin, the first at 0: each parting lets a common slope fit far better, and rises."""
    n, near = len(t), int(PART_DAYS.value)
    zero = np.zeros(1)
    sums = [np.concatenate([zero, np.cumsum(v)]) for v in (np.ones(n), t, y, t * t, t * y, y * y)]

    def within(a: Any, b: Any) -> tuple[Any, Any, Any]:
        """Sums of t t, t y and y y about their means over [a, b)."""
        m, st, sy, tt, ty, yy = (v[b] - v[a] for v in sums)
        return tt - st * st / m, ty - st * sy / m, yy - sy * sy / m

    cuts = [0]
    while True:
        ends = [*cuts[1:], n]
        tt, ty, yy = (sum(v) for v in zip(*(within(a, b) for a, b in zip(cuts, ends, strict=True)), strict=True))
        before = float(yy - ty * ty / tt)
        best, gain = None, 0.0
        for a, b in zip(cuts, ends, strict=True):
            k = np.arange(a + near, b - near + 1)
            if not k.size:
                continue
            old, left, right = within(a, b), within(np.full(k.size, a), k), within(k, np.full(k.size, b))
            s_tt, s_ty, s_yy = (w - o + x + z for w, o, x, z in zip((tt, ty, yy), old, left, right, strict=True))
            slope = s_ty / s_tt
            means = [(v[k] - v[a]) / (k - a) for v in sums[1:3]], [(v[b] - v[k]) / (b - k) for v in sums[1:3]]
            rise = (means[1][1] - slope * means[1][0]) - (means[0][1] - slope * means[0][0])
            drop = np.where((slope < 0) & (rise > MIN_RESET.value), before - (s_yy - s_ty * slope), 0.0)
            if drop.max() > gain:
                best, gain = int(k[drop.argmax()]), float(drop.max())
        spare = n - len(cuts) - 2
        if best is None or spare < near or gain < PARTING.value * (before - gain) / spare:
            return cuts
        cuts = sorted([*cuts, best])


def _teeth(
    days: NDArray[np.int64], y: Floats, cuts: list[int], up: dict[int, bool], noise: float, least: float, whole: bool
) -> Teeth | None:
    """Teeth between cuts (positions in ``days``), if they sink together."""
    rise = max(MIN_RESET.value, 4.0 * noise)
    parts, rest, count = _parts(days, y, cuts, noise)
    sinking = [s for s in parts if s.slope < 0]
    if not sinking:
        return None
    sigma = max(float(np.sqrt(rest / max(count, 1))), noise, 0.003)
    slope, moment = _common(sinking)
    sure = -slope * float(np.sqrt(moment)) / sigma
    sinking = [s for s in sinking if s.slope <= FLAT * slope]
    falls, _ = _common(sinking)
    top = max(s.start for s in parts)
    # What stays is no dirt, unless it stays clean: small rains take the little there is.
    odd = sum(len(s.days) for s in parts if s.slope > FLAT * slope and s.middle < top - 0.4 * (top - min(p.end for p in sinking)))
    long = sum(len(s.days) for s in sinking)
    resets = sum(up.values())
    after = [s.start for s in sinking if up.get(int(np.searchsorted(days, s.days[0])), False)]
    ends_clean = len(cuts) > 1 and up[cuts[-1]] and float(np.median(y[cuts[-1] :])) > sinking[-1].end + rise
    # Teeth with a rain between, or a plane's one and the rain that ends it, tell more than one long slope.
    needed = 0.75 * least if resets and (len(sinking) > 1 or (ends_clean and whole)) else least
    enough = long >= MIN_DAYS.value and odd <= 0.3 * (long + odd)
    if slope > -MIN_SLOPE.value or sure < needed or not enough:
        return None
    clean = max(max(s.start for s in sinking), float(np.max(after, initial=0.0)))
    if ends_clean:
        clean = max(clean, float(np.median(y[cuts[-1] :][:3])))
    if whole and resets:
        # A season or haze bends a plane's course too: what it makes after the rain is nearer to clean than how a fall began.
        washed = [*after, *([float(np.median(y[cuts[-1] :]))] if ends_clean else [])]
        clean = min(clean, max(washed)) if washed else clean
    drop = clean - min(s.end for s in sinking)
    if drop < MIN_DROP.value or drop < 3.0 * sigma:
        return None
    steps = [np.median(y[c : c + TOOTH]) - np.median(y[max(a, c - TOOTH) : c]) for a, c in pairwise(cuts) if up[c]]
    return Teeth(sinking, falls, sure, resets, clean, drop, max([0.0, *map(float, steps)]))


def _parts(days: NDArray[np.int64], y: Floats, cuts: list[int], noise: float) -> tuple[list[Segment], float, int]:
    """A line through each stretch between cuts, what the lines leave of the squares, and in how many degrees of freedom."""
    parts: list[Segment] = []
    rest, count = 0.0, 0
    for start, stop in pairwise([*cuts, len(y)]):
        if stop - start < TOOTH:
            continue
        t, z = days[start:stop].astype(float), y[start:stop]
        _, slope, line = line_of(t, z)
        apart = np.abs(z - line)
        kept = apart <= max(3.0 * 1.4826 * median_of(apart), noise)
        if kept.sum() >= max(TOOTH, 0.7 * len(z)) and not kept.all():
            # A day of odd weather is not part of a tooth.
            t, z = t[kept], z[kept]
            _, slope, line = line_of(t, z)
        scatter = float(np.sqrt(((z - line) ** 2).sum() / max(len(z) - 2, 1)))
        parts.append(Segment(t.astype(np.int64), float(line[0]), float(line[-1]), slope, scatter))
        rest, count = rest + float(((z - line) ** 2).sum()), count + len(z) - 2
    return parts, rest, count


def from_onset(teeth: Teeth, level: Floats, noise: float) -> Teeth | None:
    """The same teeth without the clean days before dirt began to gather; None where it gathers from the first day on.

    A level that stays and then sinks fits far better than one line from the first day on.

    Parameters
    ----------
    level : the course the teeth are of, [D]; ``noise`` its scatter.
    """
    parts = [_sinking(s, level) for s in teeth.parts]
    if all(new is old for new, old in zip(parts, teeth.parts, strict=True)):
        return None
    slope, moment = _common(parts)
    spare = [len(s.days) - 2 for s in parts]
    rest = sum(s.scatter**2 * n for s, n in zip(parts, spare, strict=True))
    sigma = max(float(np.sqrt(rest / max(sum(spare), 1))), noise, 0.003)
    clean = max(s.start for s in parts)
    drop = clean - min(s.end for s in parts)
    sure = -slope * float(np.sqrt(moment)) / sigma
    return replace(teeth, parts=parts, slope=slope, sure=sure, clean=clean, drop=drop)


def _sinking(part: Segment, level: Floats) -> Segment:
    """The days of a stretch from which on it sinks, where it stayed before."""
    t, y = part.days.astype(float), level[part.days]
    best = after = None
    before = float(((y - line_of(t, y)[2]) ** 2).sum())
    for k in range(TOOTH, len(y) - int(PART_DAYS.value) + 1):
        _, slope, line = line_of(t[k:], y[k:])
        rest = float(((y[:k] - y[:k].mean()) ** 2).sum() + ((y[k:] - line) ** 2).sum())
        if slope < part.slope and (best is None or rest < best):
            best = rest
            scatter = float(np.sqrt(((y[k:] - line) ** 2).sum() / max(len(line) - 2, 1)))
            after = Segment(part.days[k:], float(line[0]), float(line[-1]), slope, scatter)
    if best is None or after is None or before - best < PARTING.value * best / max(len(y) - 4, 1):
        return part
    return after


def _common(parts: list[Segment]) -> tuple[float, float]:
    """The slope common to some stretches, and the spread of their days that tells it."""
    moments = np.array([_moment(s) for s in parts])
    return float(moments @ [s.slope for s in parts] / moments.sum()), float(moments.sum())


def _moment(part: Segment) -> float:
    return float(((part.days - part.days.mean()) ** 2).sum())


def line_of(t: Floats, z: Floats) -> tuple[float, float, Floats]:
    """Spread of the times, slope and points of the straight line through a series, [T]."""
    middle, beside = z.sum() / len(z), t - t.sum() / len(t)
    moment = float((beside**2).sum())
    slope = float((beside * (z - middle)).sum()) / moment
    return moment, slope, middle + slope * beside


def at_once(teeth: Teeth, level: Floats) -> bool:
    """Whether the stretches that sink fall at a stroke each, and not slowly: two levels fit them better than a line does.

    ``level`` is the course the teeth are of, [D].
    """
    slow = sudden = 0.0
    spare = sum(len(part.days) for part in teeth.parts)
    for part in teeth.parts:
        t, y = part.days.astype(float), level[part.days]
        slow += float(((y - line_of(t, y)[2]) ** 2).sum())
        first = np.arange(1, len(y))  # days before the stroke
        total = np.cumsum(y)[:-1]
        between = total**2 / first + (y.sum() - total) ** 2 / (len(y) - first)
        sudden += float((y**2).sum() - between.max())
    # Two levels are fitted at the best of all places: that takes about as many freedoms as a line again.
    free = max(spare - 4 * len(teeth.parts), 1) / max(spare - 2 * len(teeth.parts), 1)
    return sudden < free * slow
