"""shading: an input loses power whenever the sun stands behind the same thing.

On the roof: a tree, chimney, pole, dormer, neighbouring row or building. Beam
light is blocked at the same sun azimuth and elevation day after day; under a
thick overcast nothing is lost.

Looks at: what is missing against open siblings, hour by hour, as a share of the
beam that reached them; it counts when it returns at the same hours on most
sunny days around (:mod:`rules.shademap`). Where most or all of a plane stands in
shade, its best members, a sensor, the other planes or plainly clear days say
what there was. Direction and height of the obstruction follow from the sun's
place meanwhile. Columns: ``dc_power_w`` or what it can be derived from.

Looks the same: ``soiling``, ``weak-input``, ``substring-loss`` (every hour),
``snow`` (few days), low sun or a low horizon on a whole plane (all members alike: not
a fault; a high one is told as such, :mod:`rules.hills`), ``clock-shift`` (put right before the sun's place is read),
``swapped-record`` and ``frozen-readings`` (left out, and no witness for others), a contact's or
a shunt's loss (:mod:`rules.givenback`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np

from rules.behind import behind
from rules.candidate import Candidate, RuleResult, Unjudged
from rules.case import Case, once
from rules.days import runs_of, span_mask
from rules.daytable import BIN_HOURS, DARK, DEAD, IDLE, STANDBY
from rules.faults import grid_out_of_range, swapped_record
from rules.finding import Alternative, Threshold
from rules.givenback import given_back
from rules.held import held_bins, summed_bins
from rules.hills import Hill, hills
from rules.obstruction import Skyline, grows, kind_of, outline, skyline
from rules.ontime import on_time
from rules.openness import OPEN_DAYS
from rules.panel import day_offset
from rules.ranks import Floats, Mask, median_of, quantile_of
from rules.shadeloss import lost_to_shade
from rules.shademap import ShadeMap, beside_mates, falling, shade_map
from rules.shadeyear import Season, season, sky_brightness
from rules.siblings import nan_median, typical

COLUMNS = ("dc_power_w",)
_KINDS = {
    "fixed": "",
    "growing": " What hides the sun has spread since: it grows.",
    "horizon": " All of the plane lose alike, from one edge to the other: a hill, a wood or a house, wide and far off.",
    "low edge": " It is low and wide, along the plane: a row in front, a parapet or a ridge.",
}
DAY_LOSS = Threshold(0.012, "of the day's energy", "own reasoning: below, no owner would act and noise would")
HILL_LOSS = Threshold(
    0.02, "of a clear day's energy", "own reasoning: low sun and the model's error there take as much of any plane"
)
CLEAR_HOURS = Threshold(1.5, "h of clear sun", "own reasoning: in less of it a shadow may fall unseen")
DOWN_SHARE = Threshold(0.1, "of lit hours", "own reasoning: a day partly without the input says little of its shadows")
FROZEN_HOURS = Threshold(1.5, "h", "own reasoning: no sky stands still for so long, nor does the sun")
UNTRIPPED = Threshold(8, "clear days", "own reasoning: two weeks of mixed weather; the sun's path moves little meanwhile")
LONE_SHARE = Threshold(0.6, "of the clear days", "common practice: an obstacle is there on every clear day, fog and haze on some")
LOW = Threshold(0.15, "of siblings' power", "own reasoning: what a shadow on a module takes, and more than siblings differ by")
STAYS = Threshold(0.5, "of what lacked before", "own reasoning: a shadow's edge moves from day to day, its depth hardly")
AGAIN = Threshold(0.5, "of low half hours", "own reasoning: the sun's path moves by minutes a day: nearly all shadows come again")
AGAIN_LEAST = Threshold(6, "low half hours", "own reasoning: of fewer, chance may take half")
LONE_ROWS = Threshold(2, "half hours of the day", "own reasoning: a shadow passes a module in an hour or more")
CROWD = Threshold(0.7, "of a plane's members", "own reasoning: most lose alike by what all share, some have faults of their own")
FREE = Threshold(2, "members", "own reasoning: one may be another plane's record, or stand on a corner")
FREE_SHARE = Threshold(0.1, "of a plane's members", "own reasoning: the front row of ten")
STAGGER = Threshold(0.15, "of unshaded power", "own reasoning: a shadow reaches modules metres apart one by one")

#: No sibling stands free to say so: never as sure as shade on one input.
HILL_SURE = 0.86
_BEHIND_HILL = (
    Alternative("clock-shift", 0.04, "Whether power at the other end of the day runs on beyond the sun."),
    Alternative("unit-standby", 0.02, "The state that the units report at that hour: behind a hill they run."),
)
ALL_ALIKE = "all of its plane lose alike at some hours: a hill, a wide obstacle or a low sun, not told apart"

_POINTS = ("N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE", "S", "SSW", "SW", "WSW", "W", "WNW", "NW", "NNW")


def judge(case: Case) -> RuleResult:
    """One candidate per shaded input."""
    result = RuleResult()
    if not case.day_count:
        return result
    case = _credible(given_back(on_time(case), case))
    shade = shade_map(case)
    shaded = shade.shaded & ~_plane_alike(case, shade)
    falls = falling(shade, shaded)
    lost_h = lost_to_shade(case, shade, falls)
    told = shade.sunny & (shade.held > 0.05 * BIN_HOURS) & (case.clear_weight >= 0.5)[:, None]
    judged = np.count_nonzero(told, axis=2) * case.bin_hours >= CLEAR_HOURS.value
    blind = (case.light_days[:, None] & ~judged).sum(axis=0)
    for n in np.flatnonzero(blind).tolist():
        result.unjudged.append(Unjudged(n, "shading", "no clear spells long enough to see the sun's shadows", int(blind[n])))
    seen: dict[int, tuple[Mask, Mask]] = {}
    for n in np.flatnonzero(shaded.any(axis=(0, 2))).tolist():
        lost = np.where(shaded[:, n], shade.share[:, n] * shade.beam[:, n], 0.0).sum(axis=1)
        share = lost / np.maximum(shade.held[:, n].sum(axis=1), 1e-6)
        days = (share >= DAY_LOSS.value) & case.light_days
        # Under cloud there is no shadow to see: it must have been seen on two sunny days at least.
        if (days & judged[:, n]).sum() < 2:
            continue
        # Against the sky alone, what one row of the day lacks is more likely that sky's error than a shadow.
        seen_at = (shaded[:, n] & shade.sunny[:, n])[days].any(axis=0).sum()
        if case.members[n] < 2 and (seen_at < LONE_ROWS.value or _comes_and_goes(days, judged[:, n])):
            continue
        if _restless(case, n):
            continue
        seen[n] = days, judged[:, n]
    whole = [c for p, hill in hills(case).items() if (c := _whole(case, p, hill, set(seen))) is not None]
    result.unjudged += _all_alike(case, {*seen, *(n for c in whole for n in c.inputs)})
    outlines = {n: outline(case, shaded[:, n], shade.told[:, n], shade.share[:, n]) for n in seen}
    hidden_by = np.isfinite([o.line.top_deg for o in outlines.values()])
    for (n, (days, judged)), columns in zip(seen.items(), hidden_by, strict=True):
        # One tree shades several inputs: whether it grows is asked of all that look the same way.
        beside = (hidden_by & columns).any(axis=1).tolist()
        same = [o for o, overlaps in zip(outlines.values(), beside, strict=True) if overlaps]
        fallen = Fallen(shade.share[:, n], shade.beam[:, n], shade.held[:, n], shaded[:, n])
        mates = shaded[:, case.plane_of == case.plane_of[n]] & shaded[:, [n]]
        # How many of the plane's members the same hours shade.
        alike = float((mates.sum(axis=(0, 2)) >= 0.5 * shaded[:, n].sum()).mean())
        line = outlines[n].line
        kind = kind_of(line, grows(same), alike)
        result.candidates.append(_candidate(case, n, days, fallen, lost_h[:, n], judged, line, kind))
    result.candidates += whole
    return result


@dataclass(frozen=True)
class Fallen:
    """A shadow on one input or on all of a plane; arrays [D, B]: as of :class:`rules.shademap.ShadeMap`."""

    share: Floats
    beam: Floats
    held: Floats
    shaded: Mask


def _whole(case: Case, p: int, hill: Hill, told: set[int]) -> Candidate | None:
    """A plane that stands behind a hill as a whole; None where most of its members are ``told`` one by one."""
    inputs = [int(n) for n in np.flatnonzero(case.plane_of == p)]
    if len(told & set(inputs)) >= 0.5 * len(inputs):
        return None
    made = np.nan_to_num(hill.share) * case.table["clear"][:, inputs].mean(axis=1) * case.plane_gain[p]
    beam = hill.held * case.clear_beam[:, p]
    lacks = np.clip(hill.held - made, 0.0, None)
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.clip(np.nan_to_num(np.where(beam > 0.0, lacks / beam, 0.0)), 0.0, 1.0)
    days: Mask = np.logical_or.reduce(hill.edges, axis=1)
    lost = np.where(hill.behind, lacks, 0.0).sum(axis=1)[days] / np.maximum(hill.held.sum(axis=1)[days], 1e-9)
    if median_of(lost) < HILL_LOSS.value:
        return None
    open_sun = ~hill.behind & np.isfinite(hill.share) & days[:, None]
    line = skyline(case, hill.edges, hill.edges | open_sun, share)
    lost_h = np.where(hill.behind, lacks, 0.0)
    rated = case.rated[inputs]
    lead = _candidate(
        case, inputs[0], days, Fallen(share, beam, hill.held, hill.edges), lost_h, case.light_days, line, "horizon",
        top=hill.top_deg, times=float(rated.sum()) / max(float(rated[0]), 1e-9),
    )  # fmt: skip
    lead = replace(lead, alternatives=_BEHIND_HILL, strength=min(lead.strength, HILL_SURE))
    if len(inputs) == 1:
        return lead
    name = case.names[p]
    return replace(
        lead,
        scope="plane",
        inputs=tuple(inputs),
        plane=name,
        why=lead.why.replace(case.inputs[inputs[0]].label, f"Plane {name}", 1),
    )


def _all_alike(case: Case, told: set[int]) -> list[Unjudged]:
    """Inputs of planes that stand as a whole behind something at some hours, unless they are ``told`` to be shaded."""
    behind_all = (case.plane_open < 1.0).any(axis=2) & case.light_days[:, None]
    days = behind_all.sum(axis=0)
    return [
        Unjudged(n, "shading", ALL_ALIKE, int(days[case.plane_of[n]]))
        for n in range(len(case.inputs))
        if n not in told and days[case.plane_of[n]] >= OPEN_DAYS.value
    ]


def _comes_and_goes(days: Mask, judged: Mask) -> bool:
    """Whether what bit on some days, [D], left an input alone on many of the clear ones between: morning fog, no obstacle."""
    where = np.flatnonzero(days)
    span = judged & span_mask(len(days), [(int(where[0]), int(where[-1]))])
    return bool((days & judged).sum() < LONE_SHARE.value * span.sum())


def _restless(case: Case, n: int) -> bool:
    """Whether what an input lacks in low half hours is gone at the same hour of the next clear day: stops, trips, clouds."""
    lacks = 1.0 - case.ratio[:, n]
    clear = (case.clear_weight >= 0.5) & np.isfinite(lacks)
    later = np.where(clear, np.arange(len(clear))[:, None], len(clear))
    later = np.minimum.accumulate(later[::-1], axis=0)[::-1][1:]  # the next clear day for each half hour
    then = np.take_along_axis(lacks, np.minimum(later, len(clear) - 1), axis=0)
    asked = clear[:-1] & (lacks[:-1] > LOW.value) & (later < len(clear))
    again = then[asked] >= STAYS.value * lacks[:-1][asked]
    return bool(len(again) >= AGAIN_LEAST.value and again.mean() < AGAIN.value)


def _credible(case: Case) -> Case:
    """The case without what says nothing of the sun: input-days frozen, dead or of another input, hours held down.

    They are no evidence of shade, and no witness of it at others.
    """
    table = case.table
    frozen = (table["frozen_h"] >= FROZEN_HOURS.value) & (table["frozen_share"] >= DOWN_SHARE.value)
    down = table["symptom_slots"][:, :, [DEAD, IDLE, DARK, STANDBY]].sum(axis=2)
    other = frozen | case.foreign
    for c in swapped_record.judge(case).candidates:
        where = np.flatnonzero(c.days)
        other[max(where[0] - swapped_record.SWAP_SPAN, 0) : where[-1] + 1 + swapped_record.SWAP_SPAN, np.array(c.inputs)] = True
    gone = other | _tripped(case) | ((down >= DOWN_SHARE.value * np.maximum(table["lit_h"], 1.0)) & ~behind(case))
    held_down = held_bins(case)[:, None, :] | (summed_bins(case)[:, None, :] & (case.members < 2)[:, None])
    if not gone.any() and not held_down.any():
        return case
    fields = dict(table.fields)
    nothing = gone[:, :, None] | held_down
    for name in ("power", "typical", "free_power", "free_typical", "clear"):
        fields[name] = np.where(nothing, 0.0, table[name])
    fields["plane_typical"] = table["plane_typical"].copy()
    for p in range(len(case.names)):
        mine = np.flatnonzero(case.plane_of == p)
        for d in np.flatnonzero(np.logical_or.reduce(other[:, mine], axis=1)):
            left = mine[~gone[d, mine]]
            if not left.size:
                fields["plane_typical"][d, p] = 0.0
                continue
            middle, _ = typical(fields["power"][d, left].T.astype(np.float32))
            with np.errstate(invalid="ignore", divide="ignore"):
                change = np.nan_to_num(middle / table["plane_typical"][d, p], nan=1.0, posinf=1.0)
            for name in ("typical", "free_typical"):
                fields[name][d, left] *= change[None, :]
            fields["plane_typical"][d, p] = middle
    return case.like(fields)


def _tripped(case: Case) -> Mask:
    """Days on which the grid left its window, of inputs that have clear days enough without them, [D, N].

    Stops of minutes at the grid's worst hours take a part of every row's mean; a shadow is there on the other days, too.
    """
    out = np.zeros((case.day_count, len(case.inputs)), bool)
    for c in grid_out_of_range.judge(case).candidates:
        out[np.ix_(c.days, np.array(c.inputs))] = True
    out &= case.table["grid_trip_h"][:, case.unit_of] > 0.0
    clear = (case.clear_weight >= 0.5).sum(axis=1) * case.bin_hours >= CLEAR_HOURS.value
    return out & ((clear[:, None] & ~out).sum(axis=0) >= UNTRIPPED.value)


def _plane_alike(case: Case, shade: ShadeMap) -> Mask:
    """Bins of shade in which all members of a plane lose alike, from edge to edge, [D, N, B].

    That is a low sun, a horizon, a plane noted wrongly or units held down, and not
    an obstacle: a shadow's edge reaches one module before the next.
    """
    out = np.zeros_like(shade.shaded)
    for p in range(len(case.names)):
        mine = np.flatnonzero(case.plane_of == p)
        if len(mine) < 2:
            continue
        any_shade: Mask = np.logical_or.reduce(shade.shaded[:, mine], axis=1)
        if not any_shade.any():
            continue
        beside = beside_mates(case, shade, mine)
        known = np.isfinite(beside)
        apart = np.where(known, beside, -9.0).max(axis=1) - np.where(known, beside, 9.0).min(axis=1)
        more = np.where(known, beside - nan_median(beside, 1)[:, None], 0.0)
        off = np.abs(more)
        for d in np.flatnonzero(any_shade.any(axis=1)):
            for first, last in runs_of(any_shade[d]):
                edges = slice(max(first - 1, 0), last + 2)
                if apart[d, edges].max() < STAGGER.value:
                    out[d, mine, first : last + 1] = True
                    continue
                # Where some stand free beside the many, the many stand in the shadow of a row or a wall.
                if (more[d, :, first : last + 1].max(axis=1) >= STAGGER.value).sum() >= max(
                    FREE.value, FREE_SHARE.value * len(mine)
                ):
                    continue
                # One input that fails by itself is not a shadow's edge.
                crowd = off[d, :, edges].max(axis=1) < 0.5 * STAGGER.value
                dark = shade.shaded[d, mine][crowd, first : last + 1]
                if crowd.sum() >= max(2.0, CROWD.value * len(mine)) and dark.mean() > 0.5:
                    out[d, mine[crowd], first : last + 1] = True
    return out


def _candidate(
    case: Case,
    n: int,
    days: Mask,
    fallen: Fallen,
    lost_h: Floats,
    judged: Mask,
    line: Skyline,
    kind: str,
    top: float | None = None,
    times: float = 1.0,
) -> Candidate:
    """Shade on one input.

    Parameters
    ----------
    lost_h : [D, B], what it took, h; ``judged`` [D], days that could say; ``top`` height in degrees, where its edge was
        seen; ``times`` how many inputs like this one lose as much.
    """
    ref, shaded = case.inputs[n], fallen.shaded
    year = season(case, n, line, sky_brightness(case, n, fallen.beam))
    year = replace(year, loss_kwh=times * year.loss_kwh)
    edges = line.span_deg
    taken = np.where(shaded & days[:, None], fallen.share * fallen.beam, 0.0)
    east, north = _bearing(case)
    direction = float(np.degrees(np.arctan2((taken * east).sum(), (taken * north).sum())) % 360)
    biting = taken > 0.15 * taken.max()
    if top is None:
        top = quantile_of(case.bin_elevation[biting], 0.9)
    by_bin = taken.sum(axis=0)
    hours = np.flatnonzero(by_bin > 0.1 * by_bin.max())
    first_h, last_h = hours[0] * BIN_HOURS, (hours[-1] + 1) * BIN_HOURS
    where = np.flatnonzero(days)
    clock = _clock(case, int(where[-1]), float(first_h), float(last_h))
    span = np.zeros(case.day_count, bool)
    span[where[0] : where[-1] + 1] = True
    lost_wh = (lost_h * span[:, None]).sum(axis=1) * case.rated[n] * times
    clear_days = int((judged & span).sum())
    seen = int((days & judged).sum())
    depth = float(taken.sum() / max(np.where(taken > 0, fallen.beam, 0.0).sum(), 1e-9))
    return Candidate(
        fault="shading",
        scope="input",
        inputs=(n,),
        days=days,
        loss_wh=np.maximum(lost_wh, 0.0),
        strength=float(np.clip(0.55 + 0.3 * (1 - np.exp(-seen / 4.0)) + 0.3 * (depth - 0.15), 0.3, 0.97)),
        why=(
            f"{ref.label} loses {100 * depth:.0f} % of the direct sun whenever it stands near azimuth {direction:.0f}° "
            f"({_compass(direction)}) and up to {top:.0f}° high ({clock}), on {seen} of {clear_days} clear days."
            f"{_KINDS[kind]} {_season_words(year, line.top_known)}"
        ),
        evidence={
            "direction_deg": round(direction, 1),
            "height_deg": round(top, 1),
            "depth": round(depth, 3),
            "solar_hours": [round(first_h, 2), round(last_h, 2)],
            "clock": clock,
            "from_deg": edges[0],
            "to_deg": edges[1],
            "skyline": line.coarse(),
            "kind": kind,
            "top_known": line.top_known,
            "season": {"now": year.now, "all_year": year.all_year, "starts": year.starts, "ends": year.ends, "days": year.days},
            "loss_year_kwh": round(year.loss_kwh, 1),
            "clear_days": clear_days,
            "lost_share": round(float(taken.sum()) / max(float(fallen.held[days].sum()), 1e-9), 4),
            "bins": [round(float(v), 4) for v in by_bin],
        },
        alternatives=(
            Alternative("soiling", 0.05, "Whether the loss follows the hour (shade) or stays all day (dirt)."),
            Alternative(
                "substring-loss",
                0.03,
                "Voltage at other hours of a clear day: it comes back behind shade."
                if case.reports("dc_voltage_v")
                else "Whether the other hours of a clear day are whole: a bypassed string lacks its third at all of them.",
            ),
        ),
        lasting=True,
    )


@once
def _bearing(case: Case) -> tuple[Floats, Floats]:
    """Sine and cosine of the sun's azimuth, [D, B] each."""
    angle = np.radians(case.bin_azimuth)
    return np.sin(angle), np.cos(angle)


def _season_words(year: Season, top_known: bool) -> str:
    """When it bites next and what a year of it costs, by the sun's path.

    A top that the sun was not seen free above may be higher: the season then is longer at both ends.
    """
    early, late = ("about ", "about ") if top_known else ("at the latest ", "at the earliest ")
    if year.all_year:
        when = "By the sun's path it bites all year"
    elif year.starts is None or year.ends is None:
        when = "By the sun's path it hardly bites in the year to come"
    elif year.now:
        when = f"By the sun's path it bites until {late}{year.ends} and again from {early}{year.starts}"
    else:
        when = f"By the sun's path it bites again from {early}{year.starts} until {late}{year.ends}"
    unseen = "" if top_known or year.all_year else "; its top was not seen"
    if year.loss_kwh < 0.5:
        cost = "less than 1 kWh" if top_known else "1 kWh or more"
    else:
        cost = f"{'some' if top_known else 'at least'} {year.loss_kwh:.0f} kWh"
    return f"{when}{unseen}: {cost} a year under a sky like the record's."


def _clock(case: Case, day: int, first: float, last: float) -> str:
    """Hours of local mean solar time on the clock of the site in that season, to five minutes: ``about 14:50 to 17:50 AEDT``."""
    start = int(case.table.days[day]) * 86400 - day_offset(case.site)
    stamps = (round((start + 3600.0 * hour) / 300.0) * 300 for hour in (first, last))
    begin, end = (datetime.fromtimestamp(ts, UTC).astimezone(case.site.site.zone) for ts in stamps)
    return f"about {begin:%H:%M} to {end:%H:%M} {end.tzname()}"


def _compass(azimuth_deg: float) -> str:
    """One of sixteen points: ``WNW``."""
    return _POINTS[round(azimuth_deg / 22.5) % 16]
