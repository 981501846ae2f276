"""The obstacle that shades an input: its outline in the sky, and what it may be.

Where the sun stood while an input was in shade, and where it stood while it was
not, gives a skyline: how high the obstacle reaches in each direction. A fixed one
always hides the same part of the sky; if a part that was open is hidden weeks
later, it grows. :mod:`rules.shadeyear` tells when the sun's path meets the skyline.

The skyline of a long straight edge is the profile angle of solar geometry,
``tan(profile) = tan(elevation) / cos(azimuth - normal)`` (J. A. Duffie, W. A.
Beckman, Solar Engineering of Thermal Processes, chapter 1; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rules.case import Case, once
from rules.daytable import BINS
from rules.finding import Threshold
from rules.ranks import Floats, Mask, median_of, quantile_of

EDGE_DEG = Threshold(4.0, "deg", "own reasoning: half of what the sun climbs in half an hour; a top so near an open sun is seen")
GROWN_AFTER = Threshold(28, "days", "own reasoning: nothing grows to be seen in less")
GROWN_SHARE = Threshold(0.1, "of the places in the sky seen again", "own reasoning: the edge of a fixed thing moves by less")
GROWN_RIM = Threshold(
    1.35, "of the root of those places", "own reasoning: what is uncertain is the rim, and a rim goes with the root of the area"
)
GROWN_PLACES = Threshold(10, "places of 2 by 2 degrees", "own reasoning: fewer are the outline's uncertainty")
LOW_WIDE_DEG = Threshold(45.0, "deg", "own reasoning: wider than a tree or a chimney beside a roof")
LOW_TOP_DEG = Threshold(25.0, "deg", "own reasoning: rows and parapets are set for a free winter noon (common practice: 20 to 25)")

_COLUMN_DEG = 2.0
_COLUMNS = int(360 / _COLUMN_DEG)
_PARTS = 6  # moments of half an hour at which the sun's place is looked up


@dataclass(frozen=True)
class Skyline:
    """The outline of what shades an input, by direction; arrays [180], 2 degrees each, NaN where it never shaded.

    ``top_deg`` is how high it reaches, ``foot_deg`` where light comes under it (0:
    nowhere seen), ``share`` of the beam it takes; ``seen_over`` where the sun was
    seen free above it, so that the top is known and not only passed.
    """

    top_deg: Floats
    foot_deg: Floats
    share: Floats
    seen_over: Mask

    def hides_at(self, column: NDArray[np.int64], elevation_deg: Floats) -> Floats:
        """Share of the beam it takes at each place of the sun, [T]; directions as :func:`column_of` gives them."""
        with np.errstate(invalid="ignore"):
            inside = (elevation_deg <= self.top_deg[column]) & (elevation_deg > self.foot_deg[column])
        return np.where(inside, np.nan_to_num(self.share[column]), 0.0)

    def coarse(self, wide_deg: int = 15) -> list[float | None]:
        """How high it reaches, a figure for every ``wide_deg`` from north clockwise, degrees; None where it is not."""
        tops = self.top_deg
        parts = [tops[int(a / _COLUMN_DEG) : int((a + wide_deg) / _COLUMN_DEG)] for a in range(0, 360, wide_deg)]
        middles = [median_of(t[np.isfinite(t)]) for t in parts]
        return [None if np.isnan(m) else round(m, 1) for m in middles]

    @property
    def width_deg(self) -> float:
        return float(np.isfinite(self.top_deg).sum() * _COLUMN_DEG)

    @property
    def span_deg(self) -> tuple[float, float]:
        """Azimuths between which it stands, clockwise."""
        known = np.isfinite(self.top_deg)
        if known.all() or not known.any():
            return 0.0, 360.0
        # It begins after the widest gap.
        at = np.flatnonzero(known)
        gap = np.diff(np.r_[at, at[0] + _COLUMNS])
        last = int(gap.argmax())
        return float(at[(last + 1) % at.size] * _COLUMN_DEG), float((at[last] + 1) * _COLUMN_DEG % 360)

    @property
    def top_known(self) -> bool:
        """Whether the sun was seen free above at least half of the outline."""
        known = np.isfinite(self.top_deg)
        return bool(self.seen_over[known].mean() >= 0.5) if known.any() else False


def skyline(case: Case, shaded: Mask, told: Mask, share: Floats) -> Skyline:
    """The outline that fits where the sun stood in shade and out of it.

    Parameters
    ----------
    shaded, told : [D, B], bins in shade, and bins that could say.
    share : [D, B], of the beam missing.
    """
    path = _sun_path(case)
    (column, elevation, of_bin), (free_column, free_elevation, _) = path.at(shaded), path.at(told & ~shaded)
    top = np.full(_COLUMNS, -np.inf)
    low = np.full(_COLUMNS, np.inf)
    np.maximum.at(top, column, elevation)
    np.minimum.at(low, column, elevation)
    taken = np.bincount(column, share.ravel()[of_bin], minlength=_COLUMNS)
    count = np.bincount(column, minlength=_COLUMNS)
    over = np.full(_COLUMNS, np.inf)
    above = free_elevation > top[free_column]
    np.minimum.at(over, free_column[above], free_elevation[above])
    under = np.full(_COLUMNS, 0.0)
    below = free_elevation < low[free_column]
    np.maximum.at(under, free_column[below], free_elevation[below])
    known = count > 0
    seen_over = known & (over - top <= 2 * EDGE_DEG.value)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(known, taken / count, np.nan)
        # An obstacle that hid the sun at its highest place seen reaches a little higher still.
        rim = np.where(seen_over, 0.5 * (top + over), top + 0.5 * EDGE_DEG.value)
        foot = np.where(under > 0, 0.5 * (under + low), 0.0)
    out = Skyline(top_deg=np.where(known, rim, np.nan), foot_deg=np.where(known, foot, np.nan), share=mean, seen_over=seen_over)
    return _bridged(out)


def grown(case: Case, shaded: Mask, told: Mask) -> tuple[int, int]:
    """Places in the sky, 2 by 2 degrees, seen again weeks later: (newly hidden, hidden then and seen before).

    Only the same place at both times counts: a fixed thing with a gap under it
    looks as if it grew when the sun climbs from the gap into it.
    """
    column, elevation, of_bin = _sun_path(case).at(told)
    spot = column * 45 + np.minimum((elevation / _COLUMN_DEG).astype(np.int64), 44)
    dark = shaded.ravel()[of_bin]
    cells = _COLUMNS * 45
    # Places that were never hidden tell neither growth nor loss.
    ever = np.zeros(cells, bool)
    ever[spot[dark]] = True
    some = ever[spot]
    spot, dark, of_bin = spot[some], dark[some], of_bin[some]
    day = case.table.days[of_bin // BINS].astype(np.float64)
    # Days ascend: of several at one place the last one written stays.
    first, last = np.full(cells, np.inf), np.full(cells, -np.inf)
    first[spot[::-1]] = day[::-1]
    last[spot] = day
    again = last - first >= GROWN_AFTER.value
    span = GROWN_AFTER.value / 2
    early, late = day <= first[spot] + span, day >= last[spot] - span
    was, size_was = np.bincount(spot[early], dark[early], cells), np.bincount(spot[early], minlength=cells)
    now, size_now = np.bincount(spot[late], dark[late], cells), np.bincount(spot[late], minlength=cells)
    with np.errstate(invalid="ignore", divide="ignore"):
        before, after = was / size_was, now / size_now
    hidden = again & (after >= 0.75)
    opened = again & (before >= 0.75) & (after <= 0.25)
    new = hidden & (before <= 0.25)
    return int(new.sum() - opened.sum()), int(hidden.sum())


@dataclass(frozen=True)
class Outline:
    """What one input sees of the obstacle: its skyline, and what :func:`grown` tells of it."""

    line: Skyline
    new: int
    seen_again: int


def outline(case: Case, shaded: Mask, told: Mask, share: Floats) -> Outline:
    """The skyline of one input and whether it spread; parameters as of :func:`skyline`."""
    return Outline(skyline(case, shaded, told, share), *grown(case, shaded, told))


def grows(outlines: Sequence[Outline]) -> bool:
    """Whether what these inputs see has spread, taken together."""
    new = sum(o.new for o in outlines)
    again = np.array([max(o.seen_again, 0) for o in outlines])
    return bool(
        new >= GROWN_PLACES.value and new >= GROWN_SHARE.value * again.sum() and new >= GROWN_RIM.value * np.sqrt(again).sum()
    )


def kind_of(line: Skyline, growing: bool, members_share: float) -> str:
    """``growing`` tree, ``low edge`` along the plane (row, parapet, ridge), or ``fixed``.

    Parameters
    ----------
    growing : as :func:`grows` tells.
    members_share : of the plane's members that the same hours shade, 0 to 1.
    """
    if growing:
        return "growing"
    tops = line.top_deg[np.isfinite(line.top_deg)]
    wide = line.width_deg >= LOW_WIDE_DEG.value
    if wide and tops.size and quantile_of(tops, 0.9) <= LOW_TOP_DEG.value and members_share >= 0.5:
        return "low edge"
    return "fixed"


def column_of(azimuth_deg: Floats) -> NDArray[np.int64]:
    """Column of a skyline for each azimuth, degrees clockwise from north."""
    return (np.floor(np.asarray(azimuth_deg) / _COLUMN_DEG).astype(np.int64)) % _COLUMNS


@dataclass(frozen=True)
class _Path:
    """The sun at some moments of every bin while it is up: column and elevation [M], and where each bin begins [D * B + 1]."""

    column: NDArray[np.int64]
    elevation_deg: Floats
    begin: NDArray[np.int64]

    def at(self, bins: Mask) -> tuple[NDArray[np.int64], Floats, NDArray[np.int64]]:
        """Columns, elevations and bins (positions in [D * B]) of the moments in some bins, [D, B]."""
        where = np.flatnonzero(bins)
        size = self.begin[where + 1] - self.begin[where]
        of_bin = np.repeat(where, size)
        moment = np.arange(len(of_bin)) + np.repeat(self.begin[where] - np.cumsum(size) + size, size)
        return self.column[moment], self.elevation_deg[moment], of_bin


@once
def _sun_path(case: Case) -> _Path:
    """The sun's place at moments of half an hour, along its path between the middles of the bins."""
    az, el = np.radians(case.bin_azimuth), np.radians(case.bin_elevation)
    path = np.stack([np.cos(el) * np.sin(az), np.cos(el) * np.cos(az), np.sin(el)])
    at = (np.arange(_PARTS) + 0.5) / _PARTS - 0.5
    before, after = np.roll(path, 1, axis=2), np.roll(path, -1, axis=2)
    near = np.where(at < 0, before[..., None], after[..., None])
    fine = (1 - np.abs(at)) * path[..., None] + np.abs(at) * near
    fine /= np.linalg.norm(fine, axis=0)
    elevation = np.degrees(np.arcsin(np.clip(fine[2], -1, 1)))
    up = elevation > 0
    azimuth = np.degrees(np.arctan2(fine[0][up], fine[1][up])) % 360
    begin = np.concatenate([np.zeros(1, np.int64), np.cumsum(up.sum(axis=2).ravel())])
    return _Path(column_of(azimuth), elevation[up], begin)


def _bridged(line: Skyline) -> Skyline:
    """Fill gaps of up to three columns between hidden ones: the sun steps over them near its noon."""
    known = np.isfinite(line.top_deg)
    at = np.flatnonzero(known)
    if at.size < 2:
        return line
    top, foot, share, over = line.top_deg.copy(), line.foot_deg.copy(), line.share.copy(), line.seen_over.copy()
    gaps = np.diff(at, append=at[0] + _COLUMNS) - 1
    for a, gap in zip(at[(gaps > 0) & (gaps <= 3)].tolist(), gaps[(gaps > 0) & (gaps <= 3)].tolist(), strict=True):
        b = a + gap + 1
        for k in range(1, gap + 1):
            part, c = k / (gap + 1), (a + k) % _COLUMNS
            for out in (top, foot, share):
                out[c] = (1 - part) * out[a] + part * out[b % _COLUMNS]
            over[c] = over[a] and over[b % _COLUMNS]
    return Skyline(top, foot, share, over)
