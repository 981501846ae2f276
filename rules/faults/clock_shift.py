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

from dataclasses import replace

import numpy as np

from rules.case import Candidate, Case, Floats, RuleResult, Unjudged, runs_of, span_mask
from rules.daytable import BIN_HOURS, BINS
from rules.finding import Alternative, Threshold
from rules.siblings import typical

COLUMNS = ("timestamp", "dc_power_w")
MIN_SHIFT = Threshold(24.0, "min", "own reasoning: half-hour bins see less only dimly, and it harms little")
BRIGHT = Threshold(0.45, "of clear-sky energy", "own reasoning: a thick overcast has a course too, but no sun in it")
LIKENESS = Threshold(0.975, "1", "own reasoning: cosine of a clear day with its course; broken clouds fall below")
MIN_DAYS = Threshold(2, "days", "own reasoning: one day's clouds can move the course")
QUIET_DAYS = Threshold(4, "days", "own reasoning: no clock is set right for days and then off by as much; clouds hide it")
_SHIFTS = np.arange(-8, 9)


#: Fields of single inputs and of whole planes that lie at the hour of their stamps.
_OF_INPUTS = ("power", "typical", "free_power", "free_typical")
_OF_PLANES = ("plane_typical", "plane_power")


def on_time(case: Case) -> Case:
    """The case with every record put where the sun says it belongs; itself where no clock is off.

    Whoever asks where the sun stood must not be told by a wrong clock. What the
    clear sky would give stays where it is; weather has its own clock.
    """
    bins = np.zeros((case.day_count, len(case.inputs)))
    for c in judge(case).candidates:
        where = np.flatnonzero(c.days)
        bins[where[0] : where[-1] + 1, np.array(c.inputs)] = c.evidence["shift_min"] / 60.0 / BIN_HOURS
    if not bins.any():
        return case
    fields = dict(case.table.fields)
    for name in _OF_INPUTS:
        fields[name] = _moved(fields[name], bins)
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
                    middle, _ = typical(fields[own][d, same].T.astype(np.float32))
                    fields[theirs][d, same] = np.where(fields[own][d, same] > 0, middle[None, :], 0.0)
            fields["plane_typical"][d, p] = fields["typical"][d, mine].max(axis=0)
    return case.like(fields)


def _moved(values: Floats, bins: Floats) -> Floats:
    """Each [day, member]'s course moved ``bins`` half hours earlier, [D, M, B]; parts of one are shared out."""
    whole = np.floor(bins)
    part = (bins - whole)[:, :, None]
    at = (np.arange(BINS)[None, None, :] + whole[:, :, None].astype(np.int64)) % BINS
    return np.asarray((1 - part) * np.take_along_axis(values, at, 2) + part * np.take_along_axis(values, (at + 1) % BINS, 2))


def judge(case: Case) -> RuleResult:
    """Candidates per spell: for the site, or for a gateway whose clock alone is off."""
    result = RuleResult()
    gateways = list(dict.fromkeys(ref.gateway for ref in case.inputs))
    members = [np.array([r.index for r in case.inputs if r.gateway == name]) for name in gateways]
    if len(gateways) == 1:
        _judge(case, "site", members[0], result)
        return result
    parts = RuleResult()
    for name, inputs in zip(gateways, members, strict=True):
        _judge(case, f"gateway {name}", inputs, parts)
    result.unjudged = parts.unjudged[:1]
    found = parts.candidates
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
            result.candidates.append(replace(lead, scope="site", inputs=everyone, days=days))
            return result
    result.candidates = found
    return result


def _judge(case: Case, who: str, inputs: np.ndarray, result: RuleResult) -> None:
    power = _by_plane(case, inputs)
    course = _course_shift(case, power)
    edge = _edge_shift(case, power)
    told = np.isfinite(course) & np.isfinite(edge)
    dim = int((case.light_days & ~told).sum())
    if dim:
        result.unjudged.append(Unjudged(None, "clock-shift", "no day clear enough to see the course of the sun", dim))
    # Rows that close (or open) their interval lie half a step off: no fault.
    need = MIN_SHIFT.value + 0.75 * case.table["step_s"] / 60.0 * (case.table["step_s"] > 600)
    agree = told & (np.sign(course) == np.sign(edge))
    hit = agree & (np.abs(course) >= need) & (np.abs(edge) >= 0.8 * need)
    # Under clouds only the ends of the day speak; they must be far off, day after day.
    far = np.abs(edge) >= np.maximum(need + 15.0, 45.0)
    run = np.zeros(len(edge), bool)
    for first, last in runs_of(far, ~np.isfinite(edge)):
        same = np.sign(edge[first : last + 1][far[first : last + 1]])
        run[first : last + 1] = far[first : last + 1].sum() >= 4 and abs(same.sum()) == len(same)
    # A course that is told and lies right contradicts: low light or a horizon made the ends.
    right = np.isfinite(course) & ((np.sign(course) != np.sign(edge)) | (np.abs(course) < 0.5 * MIN_SHIFT.value))
    late = run & far & ~right
    hit |= late
    course = np.where(np.isfinite(course), course, np.where(late, edge, np.nan))
    told |= late
    for first, last in runs_of(hit, ~told, most=int(QUIET_DAYS.value)):
        inside = span_mask(case.day_count, [(first, last)])
        days = inside & (hit | ~told) & case.light_days
        count = int((hit & inside).sum())
        if count < MIN_DAYS.value:
            continue
        shift = float(np.median(course[hit & inside]))
        spread = float(np.median(np.abs(course[hit & inside] - shift)))
        if spread > 25:
            continue
        result.candidates.append(
            Candidate(
                fault="clock-shift",
                scope="site" if who == "site" else "gateway",
                inputs=tuple(int(n) for n in inputs),
                days=days,
                loss_wh=np.zeros(case.day_count),
                strength=float(np.clip(0.6 + 0.06 * count + 0.2 * (abs(shift) > 45), 0, 0.97)),
                why=(
                    f"Stamps of the {who} lie about {abs(shift):.0f} min {'late' if shift > 0 else 'early'}: production runs from "
                    f"{'after' if shift > 0 else 'before'} sunrise to {'after' if shift > 0 else 'before'} sunset by as "
                    f"much, on {count} clear days."
                ),
                evidence={"shift_min": round(shift), "edges_min": round(float(np.median(edge[hit & inside]))),
                          "clear_days": count},
                alternatives=(
                    Alternative("swapped-record", 0.03, "Whether all inputs are shifted alike."),
                ),
                lasting=True,
            )
        )  # fmt: skip


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
    shifts = np.array(_SHIFTS)
    rolled = c[:, :, (np.arange(BINS)[None, :] - shifts[:, None]) % BINS]  # [days, P, shifts, B]
    norm = np.sqrt((p**2).sum(axis=(1, 2)) * (c**2).sum(axis=(1, 2)) + 1e-12)
    likeness = np.einsum("dpb,dpsb->ds", p, rolled) / norm[:, None]
    for d, score in zip(use, likeness, strict=True):
        k = int(score.argmax())
        if score[k] < LIKENESS.value:
            continue
        fine = 0.0
        if 0 < k < len(_SHIFTS) - 1:
            a, b, e = score[k - 1], score[k], score[k + 1]
            fine = 0.5 * (a - e) / (a - 2 * b + e) if abs(a - 2 * b + e) > 1e-12 else 0.0
        out[d] = (_SHIFTS[k] + fine) * BIN_HOURS * 60
    return out


def _edge_shift(case: Case, power_by_plane: Floats) -> Floats:
    """Mean of how late production starts after sunrise and ends after sunset, minutes, [D].

    A late start by low light or horizon and an early end cancel; a shifted
    clock moves both ends the same way.
    """
    power = power_by_plane.max(axis=1) / BIN_HOURS
    up = case.bin_elevation > 0.0
    out = np.full(case.day_count, np.nan)
    for d in range(case.day_count):
        on = np.flatnonzero(power[d] > 0.006)
        day = np.flatnonzero(up[d])
        if on.size < 6 or day.size < 6 or day[0] == 0 or day[-1] == BINS - 1:
            continue
        out[d] = 0.5 * ((on[0] - day[0]) + (on[-1] - day[-1])) * BIN_HOURS * 60
    return out
