"""clock-shift: the record's times are wrong by half an hour or more.

On the roof nothing is wrong: the gateway's or exporter's clock is off, stamps
were written in another zone, or a summer-time change was missed. Until it is
known, every judgement by sun position is wrong.

Looks at: when production starts and ends against sunrise and sunset, and how
far the day's course lies from the clear-sky course of the planes, on clear
days. Columns: ``timestamp``, ``dc_power_w`` or what it can be derived from.

Looks the same: a wrong azimuth in the site file (moves the course but not the
ends of the day), morning or evening horizon (moves one end only).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from rules.candidate import Candidate, RuleResult, Unjudged
from rules.case import Case, once
from rules.days import runs_of, span_mask
from rules.daytable import BIN_HOURS, BINS
from rules.faults import swapped_record
from rules.finding import Alternative, Threshold
from rules.ranks import Floats, Mask
from rules.siblings import middle
from rules.unitclock import beside_peak, gateway_lags, unit_lags

COLUMNS = ("timestamp", "dc_power_w")
_OTHERWISE = (Alternative("swapped-record", 0.03, "Whether all inputs are shifted alike."),)
MIN_SHIFT = Threshold(24.0, "min", "own reasoning: half-hour bins see less only dimly, and it harms little")
BRIGHT = Threshold(0.45, "of clear-sky energy", "own reasoning: a thick overcast has a course too, but no sun in it")
LIKENESS = Threshold(0.975, "1", "own reasoning: cosine of a clear day with its course; broken clouds fall below")
MIN_DAYS = Threshold(2, "days", "own reasoning: one day's clouds can move the course")
DULL_DAYS = Threshold(3, "dull days", "own reasoning: gloom moves both ends of a day one way by chance, hardly of three in a row")
PASSING = Threshold(45.0, "min", "own reasoning: no clock goes off by so little and comes right within days; broken clouds do")
QUIET_DAYS = Threshold(4, "days", "own reasoning: no clock is set right for days and then off by as much; clouds hide it")
WAKES = Threshold(0.006, "W per rated W", "own reasoning: a few watts of a module, where a unit starts to count")
BESIDE = Threshold(0.5, "of the shift", "own reasoning: nearer to the shift than to a right clock")
ENDS = Threshold(0.4, "of the shift", "own reasoning: horizon and gloom move the ends of the day too, by less than a clock")
COARSE = Threshold(1800.0, "s between rows", "own reasoning: a shift of an hour is two rows then, or one")
JUMP = Threshold(45.0, "min overnight", "own reasoning: summer time is 60; weather and rows of half an hour move an end by 30")
JUMP_DAYS = Threshold(4, "days each way", "own reasoning: the middle of four is not moved by one dull morning")
FAR = Threshold(240.0, "min", "own reasoning: a winter day's half; beyond, its production may run past midnight")
DARK_HOURS = Threshold(4.0, "h", "own reasoning: no roof where people live is lit for longer than 20 h of a day")
ALL_BY_NIGHT = Threshold(0.8, "of inputs", "own reasoning: some may be silent or dead")
NIGHT_SHARE = Threshold(0.1, "of the day's energy", "own reasoning: no sky makes power with the sun down; twilight makes less")
UNIT_DAYS = Threshold(4, "days", "own reasoning: siblings' clouds tell each day; chance does not agree for four")
UNIT_SHARE = Threshold(0.7, "of the days told", "own reasoning: a clock does not come and go")
UNIT_SPREAD = Threshold(12.0, "min", "own reasoning: less than half a bin; shade moves its lag with the season and the sky")
_SHIFTS = np.arange(-24, 24)


@once
def judge(case: Case) -> RuleResult:
    """Candidates per spell: for the site, or for a gateway whose clock alone is off."""
    result = RuleResult()
    gateways = list(dict.fromkeys(ref.gateway for ref in case.inputs))
    members = [np.array([r.index for r in case.inputs if r.gateway == name]) for name in gateways]
    if len(gateways) == 1:
        _judge(case, "site", members[0], result)
        result.candidates = _on_days(_beside_singles(result.candidates, _single_units(case)))
        return result
    parts = RuleResult()
    for name, inputs in zip(gateways, members, strict=True):
        _judge(case, f"gateway {name}", inputs, parts)
    result.unjudged = parts.unjudged[:1]
    found = parts.candidates
    singles = _single_units(case)
    # When every gateway is off alike, it is the site's clock (or the export's).
    for lead in found:
        alike = [
            c for c in found
            if abs(c.evidence["shift_min"] - lead.evidence["shift_min"]) < 20
            and (c.days & lead.days).sum() >= 0.5 * lead.days.sum()
        ]  # fmt: skip
        if len({c.inputs for c in alike}) == len(gateways):
            days = np.any([c.days for c in alike], axis=0)
            everyone = tuple(range(len(case.inputs)))
            found = [replace(lead, scope="site", inputs=everyone, days=days)]
            break
    # A clock seen against another gateway's needs no orientation of its planes; who lies beside it is not off himself.
    apart = [next((c for c in found if _covers(c, a) and _alike(c, a)), a) for a in _apart(case, members)]
    if apart:
        found = [c for c in found if not any(_covers(a, c) for a in apart)]
        singles = [s for s in singles if not any(_explains(case, a, s) for a in apart)]
    result.candidates = _on_days(apart + _beside_singles(found, singles))
    return result


def _on_days(found: list[Candidate]) -> list[Candidate]:
    """Those that are left a day with light: a spell of none says nothing."""
    return [c for c in found if c.days.any()]


def _apart(case: Case, members: list[np.ndarray]) -> list[Candidate]:
    """Gateways all of whose units lie off those of another gateway on the same planes, and off the sun as well."""
    swapped = {n for c in swapped_record.judge(case).candidates for n in c.inputs}
    out: list[Candidate] = []
    names, lags, told = gateway_lags(case, swapped)
    for g, (name, inputs) in enumerate(zip(names, members, strict=True)):
        edge = _edge_shift(case, _by_plane(case, inputs))
        for inside, hit, shift in _steady_lags(lags[:, g], told[:, g]):
            count = int(hit.sum())
            ends = edge[inside & np.isfinite(edge)]
            # Of two gateways each lies off the other; the ends of the day tell whose stamps fit the sun once moved.
            lies = float(np.median(ends)) if ends.size else 0.0
            # Hills and haze cut the other days as short, where there are any.
            calm = edge[~inside & told[:, g] & np.isnan(lags[:, g]) & np.isfinite(edge)]
            lies -= float(np.median(calm)) if len(calm) >= UNIT_DAYS.value else 0.0
            if abs(lies - shift) > BESIDE.value * abs(shift):
                continue
            days = inside & (hit | ~told[:, g]) & case.light_days
            out.append(
                _off(
                    case, f"the gateway {name}", "gateway", inputs, days, shift, count,
                    how=f"all of its units come {_side(shift)} those of another gateway on the same planes and {_side(shift)} "
                    "sunrise and sunset",
                    edges_min=round(lies),
                )
            )  # fmt: skip
    return out


def _side(shift: float) -> str:
    return "after" if shift > 0 else "before"


def _off(
    case: Case, who: str, scope: str, inputs: np.ndarray, days: Mask, shift: float, count: int, how: str, edges_min: int | None,
    far: float = 0.1, alternatives: tuple[Alternative, ...] = _OTHERWISE,
) -> Candidate:
    """Whose stamps are off by some minutes on some days, [D]; ``far``: what is surer of more than 45 min."""  # fmt: skip
    return Candidate(
        fault="clock-shift",
        scope=scope,
        inputs=tuple(int(n) for n in inputs),
        days=days,
        loss_wh=np.zeros(case.day_count),
        strength=float(np.clip(0.6 + 0.06 * count + far * (abs(shift) > 45), 0, 0.97)),
        why=f"Stamps of {who} lie about {abs(shift):.0f} min {'late' if shift > 0 else 'early'}: {how}, on {count} days.",
        evidence={"shift_min": round(shift), "edges_min": edges_min, "clear_days": count},
        alternatives=alternatives,
        lasting=True,
    )


def _covers(apart: Candidate, other: Candidate) -> bool:
    return set(apart.inputs) >= set(other.inputs) and bool((apart.days & other.days).sum() >= 0.5 * other.days.sum())


def _alike(c: Candidate, apart: Candidate) -> bool:
    return bool(abs(c.evidence["shift_min"] - apart.evidence["shift_min"]) <= UNIT_SPREAD.value)


def _explains(case: Case, apart: Candidate, single: Candidate) -> bool:
    """Whether a unit lies off because its siblings' middle is that of two clocks."""
    planes = np.unique(case.plane_of[list(apart.inputs)])
    both = (apart.days & single.days).sum() >= 0.5 * single.days.sum()
    less = abs(single.evidence["shift_min"]) < abs(apart.evidence["shift_min"]) + 25
    return bool(both and less and np.isin(case.plane_of[list(single.inputs)], planes).any())


def _beside_singles(found: list[Candidate], singles: list[Candidate]) -> list[Candidate]:
    """Clocks of gateways and those of single units, without what the other explains.

    Beside a gateway whose clock is off its plane-mates on another seem off the
    other way; a plane of few follows the one unit that is off.
    """
    own = [s for s in singles if not any(_same_shift(c, s) for c in found)]
    off = np.any([s.days for s in own], axis=0) if own else None
    return [c for c in found if off is None or (c.days & off).sum() < 0.6 * c.days.sum()] + own


def _same_shift(c: Candidate, single: Candidate) -> bool:
    both = (c.days & single.days).sum() >= 0.5 * single.days.sum()
    return bool(both) and abs(abs(c.evidence["shift_min"]) - abs(single.evidence["shift_min"])) < 25


def _steady_lags(lags: Floats, told: Mask) -> Iterator[tuple[Mask, Mask, float]]:
    """Spells in which a record lies off by one lag: their days, those that tell it, [D] each, and the minutes.

    Parameters
    ----------
    lags : [D], minutes, NaN where not off; ``told`` [D], days on which it can be said.
    """
    off = np.isfinite(lags)
    for first, last in runs_of(off, ~told, most=int(QUIET_DAYS.value)):
        inside = span_mask(len(lags), [(first, last)])
        hit = off & inside
        count, asked = int(hit.sum()), int((told & inside).sum())
        shift = float(np.median(lags[hit]))
        spread = float(np.median(np.abs(lags[hit] - shift)))
        if count >= UNIT_DAYS.value and count >= UNIT_SHARE.value * asked and spread <= UNIT_SPREAD.value:
            yield inside, hit, shift


def _single_units(case: Case) -> list[Candidate]:
    """Units whose own stamps lie off those of their siblings."""
    out: list[Candidate] = []
    swapped = {n for c in swapped_record.judge(case).candidates for n in c.inputs}
    lags, told = unit_lags(case, swapped)
    for u, unit in enumerate(case.site.units):
        inputs = case.inputs_of_unit(u)
        if swapped & set(inputs.tolist()):
            continue  # another plane's course is late or early too
        for inside, found, shift in _steady_lags(lags[:, u], told[:, u]):
            if not _ends_move(case, inputs, found, shift):
                continue
            count = int(found.sum())
            out.append(
                _off(
                    case, f"unit {unit.serial}", "unit", inputs, inside & (found | ~told[:, u]) & case.light_days,
                    shift, count,
                    how=f"its course and every cloud in it come {_side(shift)} its siblings'",
                    edges_min=None,
                    alternatives=(
                        Alternative("swapped-record", 0.05, "Whether another unit is off the other way."),
                        Alternative("shading", 0.05, "Whether it makes more than its siblings in the other half of the day."),
                    ),
                )
            )  # fmt: skip
    return out


def _ends_move(case: Case, inputs: np.ndarray, days: Mask, shift: float) -> bool:
    """Whether a unit's days start and end beside those of its planes as its course does: shade moves a course, hardly its ends."""
    beside = case.table["plane_typical"][:, np.unique(case.plane_of[inputs])]
    apart = ((_ends(case.table["power"][:, inputs]) - _ends(beside)) * BIN_HOURS * 60)[:, days]
    apart = apart[:, np.isfinite(apart).all(axis=0)]
    # What is moved beyond the end of the light is not looked at: one end must tell.
    return not apart.size or bool((apart.mean(axis=1) * np.sign(shift)).max() >= BESIDE.value * abs(shift))


def _judge(case: Case, who: str, inputs: np.ndarray, result: RuleResult) -> None:
    power = _by_plane(case, inputs)
    course = _course_shift(case, power)
    edge = _edge_shift(case, power)
    # So far off, a day's production runs over midnight and has no ends: power by night stands for them.
    by_night = _night_share(case, power) >= NIGHT_SHARE.value
    over_midnight = by_night & (power[:, :, [0, -1]] > 0).any(axis=(1, 2))
    # The dark hours between its end and its start lie off the sun's own as far, whatever shape the course has.
    # One input may repeat itself by night; nearly all of several do not.
    awake = (case.table["night_power_h"][:, inputs] > 0.0).mean(axis=1) >= ALL_BY_NIGHT.value
    dark = np.where(over_midnight & awake & np.bool_(len(inputs) >= 3), _dark_shift(case, power), np.nan)
    dark = np.where(np.abs(dark) > FAR.value, dark, np.nan)
    course = np.where(np.isfinite(course), course, dark)
    edge = np.where(np.abs(course) > FAR.value, np.where(by_night, course, np.nan), np.where(over_midnight, np.nan, edge))
    told = np.isfinite(course) & np.isfinite(edge)
    dim = int((case.light_days & ~told).sum())
    if dim:
        result.unjudged.append(Unjudged(None, "clock-shift", "no day clear enough to see the course of the sun", dim))
    # Rows that close (or open) their interval lie half a step off: no fault.
    need = MIN_SHIFT.value + 0.75 * case.table["step_s"] / 60.0 * (case.table["step_s"] > 600)
    agree = told & (np.sign(course) == np.sign(edge))
    hit = agree & (np.abs(course) >= need) & (np.abs(edge) >= 0.8 * need)
    # Under clouds only the ends of the day speak; they must be far off, day after day, and both of them the same way:
    # snow and gloom put off the start and bring on the end.
    same_way = _same_way(case, power)
    far = (np.abs(edge) >= np.maximum(need + 15.0, 45.0)) & same_way
    run = np.zeros(len(edge), bool)
    for first, last in runs_of(far, ~np.isfinite(edge)):
        same = np.sign(edge[first : last + 1][far[first : last + 1]])
        run[first : last + 1] = far[first : last + 1].sum() >= 4 and abs(same.sum()) == len(same)
    # A course that is told and lies right contradicts: low light or a horizon made the ends.
    right = np.isfinite(course) & ((np.sign(course) != np.sign(edge)) | (np.abs(course) < 0.5 * MIN_SHIFT.value))
    late = run & far & ~right
    jumped = _jumps(case, power, edge, course)
    late &= jumped == 0
    hit |= late | (jumped != 0)
    course = np.where(jumped != 0, jumped, np.where(np.isfinite(course), course, np.where(late, edge, np.nan)))
    told |= late | (jumped != 0)
    # One clear day may be enough where the dull ones beside it start and end as far off.
    dull = ~np.isfinite(course) & (np.abs(edge) >= 0.8 * need) & same_way
    for first, last in runs_of(hit, ~told, most=int(QUIET_DAYS.value)):
        inside = span_mask(case.day_count, [(first, last)])
        count = int((hit & inside).sum())
        if count < MIN_DAYS.value and _beside(dull & (np.sign(edge) == np.sign(edge[first])), first, last) < DULL_DAYS.value:
            continue
        shift = float(np.median(course[hit & inside]))
        spread = float(np.median(np.abs(course[hit & inside] - shift)))
        if spread > 25:
            continue
        if count < QUIET_DAYS.value and abs(shift) < PASSING.value and right[:first].any() and right[last + 1 :].any():
            continue
        ends = edge[hit & inside & np.isfinite(edge)]
        if ends.size and float(np.median(ends)) * np.sign(shift) < ENDS.value * abs(shift):
            continue  # of two sides of a jump that whose ends fit the sun is right
        # Days beside them that lie as far off, though not far enough to tell by themselves.
        wide = 0.25 * case.table["step_s"] / 60.0 * (case.table["step_s"] > 600)
        alike = ~(edge * np.sign(shift) < BESIDE.value * abs(shift) + wide) & case.light_days
        alike &= ~(np.abs(course - shift) > BESIDE.value * abs(shift) + wide)
        while first > 0 and alike[first - 1]:
            first -= 1
        while last + 1 < case.day_count and alike[last + 1]:
            last += 1
        inside = span_mask(case.day_count, [(first, last)])
        days = inside & (hit | alike | ~told) & case.light_days
        result.candidates.append(
            _off(
                case, f"the {who}", "site" if who == "site" else "gateway", inputs, days, shift, count,
                how=f"production runs from {_side(shift)} sunrise to {_side(shift)} sunset by as much",
                edges_min=round(float(np.median(ends))) if ends.size else None,
                far=0.2,
            )
        )  # fmt: skip


def _beside(days: Mask, first: int, last: int) -> int:
    """How many days of a kind, [D], follow each other right before or right after a span."""
    before, after = days[:first][::-1], days[last + 1 :]
    return int(max(np.cumprod(before).sum(), np.cumprod(after).sum()))


def _by_plane(case: Case, inputs: np.ndarray) -> Floats:
    """Typical power of some inputs by plane, [D, P, B]; 0 on planes without them."""
    if len(inputs) == len(case.inputs):
        return case.table["plane_typical"]
    out = np.zeros_like(case.table["plane_typical"])
    for p in range(len(case.names)):
        mine = inputs[case.plane_of[inputs] == p]
        if mine.size:
            out[:, p] = np.median(case.table["power"][:, mine], axis=1)
    return out


def _course_shift(case: Case, power: Floats) -> Floats:
    """Minutes by which each day's course lies after the clear-sky course, [D]; NaN on dull days."""
    used = power.sum(axis=2) > 0.2 * case.table["plane_clear_all"].sum(axis=2)
    clear = case.table["plane_clear_all"] * used[:, :, None]
    power = power * used[:, :, None]
    # Each plane counts by its course, not by how well it yields.
    with np.errstate(invalid="ignore", divide="ignore"):
        scale = np.where(used, clear.sum(axis=2) / power.sum(axis=2), 0.0)
    bright = power.sum(axis=(1, 2)) > BRIGHT.value * clear.sum(axis=(1, 2))
    power = power * np.nan_to_num(scale)[:, :, None] * bright[:, None, None]
    out = np.full(case.day_count, np.nan)
    use = np.flatnonzero((power.sum(axis=(1, 2)) >= 0.5) & (clear.sum(axis=(1, 2)) >= 0.5))
    p, c = power[use], clear[use]
    norm = np.sqrt((p**2).sum(axis=(1, 2)) * (c**2).sum(axis=(1, 2)) + 1e-12)
    # The product of a course with the other turned by any number of bins, all numbers at once (correlation theorem).
    turned = np.fft.irfft((np.fft.rfft(p) * np.fft.rfft(c).conj()).sum(axis=1), BINS)
    likeness = turned[:, _SHIFTS % BINS] / norm[:, None]
    best = likeness.argmax(axis=1)
    at = np.clip(best, 1, len(_SHIFTS) - 2)
    low, top, high = (np.take_along_axis(likeness, (at + k)[:, None], 1)[:, 0] for k in (-1, 0, 1))
    fine = np.where(best == at, beside_peak(low, top, high), 0.0)
    out[use] = np.where(likeness.max(axis=1) >= LIKENESS.value, (_SHIFTS[best] + fine) * BIN_HOURS * 60, np.nan)
    return out


def _night_share(case: Case, power: Floats) -> Floats:
    """Share of each day's energy that lies where the sun is down, [D]; 0 on days without any."""
    whole = power.sum(axis=1)
    down = np.where(case.bin_elevation < 0.0, whole, 0.0).sum(axis=1)
    return np.asarray(down / np.maximum(whole.sum(axis=1), 1e-9))


def _edge_shift(case: Case, power: Floats) -> Floats:
    """Mean of how late production starts and ends against the sun, minutes, [D].

    A late start by low light or horizon and an early end cancel; a shifted
    clock moves both ends the same way. A plane turned away from the evening
    ends before sunset: against its own clear-sky course too, whichever lies nearer.
    """
    on, lit = _ends(power), _ends(case.table["plane_clear_all"])
    up = _ends((case.bin_elevation > 0.0)[:, None].astype(np.float64))
    whole = (up[0] > 0) & (up[1] < BINS - 1) & (lit[0] > 0)
    by_sun, by_course = ((0.5 * ((on[0] - end[0]) + (on[1] - end[1])) * BIN_HOURS * 60) for end in (up, lit))
    nearer = np.where(by_sun * by_course < 0, 0.0, np.where(np.abs(by_course) < np.abs(by_sun), by_course, by_sun))
    return np.where(whole, nearer, np.nan)


def _same_way(case: Case, power: Floats) -> Mask:
    """Days that both start and end after, or both before, the sun or the planes' clear-sky course, [D]."""
    on = _ends(power)
    up, lit = _ends((case.bin_elevation > 0.0)[:, None].astype(np.float64)), _ends(case.table["plane_clear_all"])
    return np.asarray(np.logical_or.reduce([np.prod(on - ends, axis=0) > 0.0 for ends in (up, lit)]))


def _dark_shift(case: Case, power: Floats) -> Floats:
    """Minutes by which the middle of each day's longest time without power lies after that of the sun's night, [D].

    Round the clock: a day whose production runs over midnight is dark from its end to its start. NaN without some dark hours.
    """
    on = power.max(axis=1) > WAKES.value * BIN_HOURS
    asked = (on.sum(axis=1) >= 6) & ((~on).sum(axis=1) * BIN_HOURS >= DARK_HOURS.value)
    out = np.full(case.day_count, np.nan)
    for d in np.flatnonzero(asked).tolist():
        apart = _middle_of_gap(on[d]) - _middle_of_gap(case.bin_elevation[d] > 0.0)
        out[d] = ((apart + BINS / 2) % BINS - BINS / 2) * BIN_HOURS * 60
    return out


def _middle_of_gap(on: Mask) -> float:
    """Middle of the longest run of False round the clock, bins; NaN without any or without a True."""
    turn = int(on.argmax())
    runs = runs_of(~np.roll(on, -turn))
    if not runs or not on.any():
        return np.nan
    first, last = max(runs, key=lambda run: run[1] - run[0])
    return 0.5 * (first + last) + turn


def _ends(power_by_plane: Floats) -> Floats:
    """First and last bin of each day with power on any plane, [2, D]; NaN on days with hardly any."""
    on = power_by_plane.max(axis=1) > WAKES.value * BIN_HOURS
    ends = np.stack([on.argmax(axis=1), BINS - 1 - on[:, ::-1].argmax(axis=1)]).astype(float)
    return np.where(on.sum(axis=1) >= 6, ends, np.nan)


def _course_cuts(ends: Floats, course: Floats) -> Iterator[tuple[int, float]]:
    """Days, by number, on which the course of clear days jumped and stayed so, and the minutes of each jump.

    Gloom or snow around the night hides by how much the ends of the day moved then, not that both lie apart since.

    Parameters
    ----------
    ends : first and last light of each day after the sun's, [2, D], minutes.
    course : minutes by which the day lies late, [D]; NaN where not told.
    """
    told, near = np.flatnonzero(np.isfinite(course)), int(JUMP_DAYS.value)
    taken = 0
    for i in range(near - 1, len(told) - near + 2):
        before, after = told[max(i - near, 0) : i], told[i : i + near]
        was, became = (float(np.median(course[part])) for part in (before, after))
        step = became - was
        if i - taken < near - 1 or abs(step) < JUMP.value:
            continue
        # Hourly rows round a course to one hour or the next from day to day.
        apart = np.concatenate([course[told[taken:i]] - was, course[after] - became])
        if (np.abs(apart) > UNIT_SPREAD.value).sum() > 1:
            continue
        early, late = (np.median(ends[:, part[0] : part[-1] + 1], axis=1) for part in (before, after))
        if ((late - early) * np.sign(step)).min() < ENDS.value * abs(step):
            continue
        # The night from which on the ends lie nearer to those after than to those before.
        reach = np.arange(before[-2], after[1] + 1)
        to_early, to_late = (np.abs(ends[:, reach] - side[:, None]).sum(axis=0) for side in (early, late))
        cost = np.concatenate([[0.0], np.cumsum(to_early)]) + np.concatenate([np.cumsum(to_late[::-1])[::-1], [0.0]])
        yield int(reach[0] + np.argmin(cost[1:-1]) + 1), step
        taken = i


def _jumps(case: Case, power: Floats, edge: Floats, course: Floats) -> Floats:
    """Minutes by which a clock of coarse rows jumped against the part of the record that lies best, [D]; 0 elsewhere.

    Rows an hour apart hide a shift of an hour behind their own width, but not
    the night on which both ends of the day moved the same way and stayed so:
    the sun moves them minutes a week, clouds move them apart. Where the course is told
    before and after, it must have moved too: snow and gloom take both ends of some days.
    """
    out = np.zeros(case.day_count)
    if not len(out) or np.median(case.table["step_s"]) < COARSE.value:
        return out
    minutes = _ends(power) * BIN_HOURS * 60
    days = np.flatnonzero(np.isfinite(minutes[0]))
    x, near = minutes[:, days], int(JUMP_DAYS.value)
    cuts, steps = [0], [0.0]
    for k in range(near, len(days) - near + 1):
        moved = np.median(x[:, k : k + near], axis=1) - np.median(x[:, k - near : k], axis=1)
        night = x[:, k] - x[:, k - 1]
        both = moved[0] * moved[1] > 0 and np.abs(moved).min() >= JUMP.value and np.ptp(moved) <= JUMP.value
        if both and (np.abs(night) >= JUMP.value).all() and k - cuts[-1] >= near and days[k] - days[k - 1] <= near:
            cuts.append(k)
            steps.append(float(moved.mean()))
    sun = _ends((case.bin_elevation > 0.0)[:, None].astype(np.float64)) * BIN_HOURS * 60
    for k, step in _course_cuts(x - sun[:, days], course[days]):
        if all(abs(k - other) >= near for other in cuts):
            at = int(np.searchsorted(cuts, k))
            cuts.insert(at, k)
            steps.insert(at, step)
    if len(cuts) == 1:
        return out
    level = np.cumsum(steps)
    parts = [days[a:b] for a, b in zip(cuts, [*cuts[1:], len(days)], strict=True)]
    lies = [middle(edge[part]) for part in parts]
    # A course is told to a row's width only: the mean of several says what lies between.
    told = [course[part][np.isfinite(course[part])] for part in parts]
    courses = [float(of.mean()) if of.size else np.nan for of in told]
    # Rows that open or close their hour lie half an hour off; where two parts lie alike the earlier was believed so far.
    best = min(range(len(cuts)), key=lambda i: (np.nan_to_num(abs(lies[i]), nan=1e6) // JUMP.value, i))
    for i, a in enumerate(cuts):
        last = days[cuts[i + 1] - 1] if i + 1 < len(cuts) else case.day_count - 1
        shift = level[i] - level[best]
        course_too = courses[i] - courses[best]
        if abs(shift) >= JUMP.value and not abs(course_too - shift) > BESIDE.value * abs(shift):
            out[days[a] : last + 1] = shift
    return out
