"""gateway-silent: nothing at all from any unit of a gateway by day.

On the roof nothing need be wrong: the gateway indoors has no power, no
network, or has failed. Units go on producing, and their counters show it after
the gap.

Looks at: hours without a single row of any of the gateway's units, lifetime
counters across the gap, the gateway log, and whether the units waited to reconnect when they
were heard again (then their grid was gone). Columns: any; ``energy_total_wh``
decides against ``site-outage``.

Looks the same: ``site-outage`` (counters did not move), an export that ends
(outside the record nothing is judged).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from rules.candidate import Candidate, RuleResult, Unjudged
from rules.case import Case
from rules.counters import counter_rise, risen
from rules.days import alike_days, runs_of, span_mask, window_sum
from rules.daytable import BIN_HOURS, day_iso
from rules.faults.clock_shift import FAR
from rules.finding import Alternative, Threshold
from rules.ontime import bins_late, hours_off
from rules.panel import day_offset
from rules.ranks import Mask
from rules.silence import GLOOM, ONE_PIECE, gateway_kinds, left_alone, log_of

COLUMNS = ("timestamp", "energy_total_wh")
DARK_SHARE = Threshold(0.04, "of clear sky", "own reasoning: below a thick overcast; a dark roof counts nothing")
LEAST_LIGHT = Threshold(1.0, "h at full sun under a clear sky", "own reasoning: a thick overcast leaves a tenth, a few watt-hours")
TRICKLE = Threshold(0.1, "of clear sky", "own reasoning: what a thick overcast or a cover of snow leaves")
HEARD_LIGHT = Threshold(0.05, "h at full sun", "own reasoning: a few rows at noon, half an hour of low sun")
ALIKE = Threshold(0.7, "of days", "own reasoning: gateways that lose one supply are silent over the same days")
WHOLE = Threshold(0.97, "of daylight", "own reasoning: all but the rows of dusk")
LIT = Threshold(0.02, "h", "own reasoning: what a clear sky gives half an hour after sunrise")
SHORT_HOURS = Threshold(0.75, "h", "own reasoning: longer than a reconnection wait and ramp (IEEE 1547-2018: 600 s)")
SHORT_LIGHT = Threshold(0.3, "h", "own reasoning: ten times what power and counter differ by in a day (1 % of 5 h)")
SHORT_SHARE = Threshold(0.2, "of what the sky gave", "own reasoning: between nothing and all, nearer to nothing")
JUMP_MISSES = Threshold(0.75, "h", "own reasoning: a shift is told to a quarter of an hour, and a link may fall out beside it")
WAITING = Threshold(0.8, "of units heard", "own reasoning: all units wait after a supply came back (IEEE 1547-2018: 300 s)")


def judge(case: Case) -> RuleResult:
    """One candidate per gateway and run of silent days: gateway-silent, or site-outage when counters stood."""
    result = RuleResult()
    silent, _, judged = gateway_kinds(case)
    silent = silent & ~_by_night(case) & ~_set_forward(case)
    silent |= _begun_or_ended(case, silent)
    gateways = [unit.gateway for unit in case.site.units]
    everyone: Mask = np.all(silent | ~judged, axis=1) & np.any(silent, axis=1)
    for name in dict.fromkeys(gateways):
        units = [u for u, g in enumerate(gateways) if g == name]
        u = units[0]
        inputs = np.array([n for k in units for n in case.inputs_of_unit(k)])
        for first, last in runs_of(silent[:, u], ~judged[:, u]):
            days = span_mask(case.day_count, [(first, last)]) & silent[:, u]
            if left_alone(case)[days, u].any():
                continue  # told of its units
            together = bool(everyone[days].mean() >= ALIKE.value)
            found = _candidate(case, name, u, inputs, days, len(set(gateways)) == 1, together)
            if not found.evidence["gateway_log"] and _asleep(case, inputs, first, last):
                reason = "asleep in the dark or silent, not told apart: units made next to nothing before and after"
                result.unjudged += [Unjudged(int(n), found.fault, reason, int(days.sum())) for n in inputs]
                continue
            if found.fault == "site-outage" and not found.evidence["gateway_log"] and _covered(case, inputs, last):
                reason = "asleep under a cover, as the day after shows"
                result.unjudged += [Unjudged(int(n), "site-outage", reason, int(days.sum())) for n in inputs]
                continue
            result.candidates.append(found)
        for day in np.flatnonzero(judged[:, u] & ~silent[:, u]).tolist():
            short = _short_outage(case, u, units, inputs, day, name, len(set(gateways)) == 1)
            if short is not None:
                result.candidates.append(short)
        dim = int((case.light_days & ~judged[:, u]).sum())
        if dim:
            result.unjudged.append(Unjudged(None, "gateway-silent", "less than an hour of daylight in the record", dim))
    _join_gateways(case, result)
    return result


def _asleep(case: Case, inputs: np.ndarray, first: int, last: int) -> bool:
    """Whether units made next to nothing in what was heard of the days of a silence: modules that get no light feed no unit."""
    spell = slice(first, last + 1)
    clear, made = case.table["clear"][spell][:, inputs].sum(axis=(1, 2)), case.energy[spell][:, inputs].sum(axis=1)
    told = clear >= HEARD_LIGHT.value * len(inputs)
    return bool(told.any() and (made[told] < TRICKLE.value * clear[told]).all())


def _covered(case: Case, inputs: np.ndarray, last: int) -> bool:
    """Whether units made only a trickle on the day after a silence: they sleep under snow, and wake to little light."""
    if last + 1 >= case.day_count:
        return False
    made, clear = case.energy[last + 1, inputs].sum(), case.table["clear"][last + 1, inputs].sum()
    return bool(0.0 < made < GLOOM.value * clear)


def _begun_or_ended(case: Case, silent: Mask) -> Mask:
    """Days beside one of whole silence whose one long gap reaches that day, [D, U]: the silence began or ended there.

    In rows of half an hour even a gap over the better part of a day does not count as a silence by itself.
    """
    table = case.table
    gap, missing = table["quiet_gap_h"], table["quiet_missing_h"]
    whole = silent & (missing >= WHOLE.value * table["unit_day_h"])
    part = ~silent & (gap >= SHORT_HOURS.value) & (gap >= ONE_PIECE.value * missing)
    part &= window_sum(whole.astype(int), 1) > 0
    out = np.zeros_like(silent)
    for d, u in zip(*np.nonzero(part), strict=True):
        for beside, edge in ((d - 1, slice(None, 2)), (d + 1, slice(-2, None))):
            if 0 <= beside < case.day_count and whole[beside, u]:
                out[d, u] |= _unheard(case, d, case.inputs_of_unit(u), edge)
    return out


def _unheard(case: Case, day: int, inputs: np.ndarray, edge: slice) -> bool:
    """Whether there are rows for at most half of the first or the last hour of a day's light."""
    whole = case.table["plane_clear_all"][day, case.plane_of[inputs]].sum(axis=0)
    at = np.flatnonzero(whole > LIT.value * len(inputs))[edge]
    return bool(at.size and case.table["clear"][day, inputs][:, at].sum() < 0.5 * whole[at].sum())


def _by_night(case: Case) -> Mask:
    """Days with rows whose stamps lie so far off that a silence in their daylight may be the night's, [D, U]."""
    far = hours_off(case) * 60.0 > FAR.value
    off = np.stack([far[:, case.inputs_of_unit(u)].any(axis=1) for u in range(len(case.site.units))], axis=1)
    return np.asarray(off & (case.table["unit_seen_h"] > 0.0))


def _set_forward(case: Case) -> Mask:
    """Days on which a clock was set forward by the length of the gap, [D, U]: stamps jumped, and nothing was silent."""
    first = np.array([case.inputs_of_unit(u)[0] for u in range(len(case.site.units))])
    late_h = bins_late(case)[:, first] * BIN_HOURS
    padded = np.concatenate([late_h[:1], late_h, late_h[-1:]])
    jump = np.maximum(np.diff(padded, axis=0)[1:], np.diff(padded, axis=0)[:-1])
    return np.asarray((jump > 0.0) & (np.abs(case.table["quiet_gap_h"] - jump) <= JUMP_MISSES.value))


def _join_gateways(case: Case, result: RuleResult) -> None:
    """One site-outage when every gateway's roof stood still over the same days."""
    dark = [c for c in result.candidates if c.fault == "site-outage" and c.scope == "gateway"]
    names = {unit.gateway for unit in case.site.units}
    for lead in list(dark):
        same = [c for c in dark if alike_days(c.days, lead.days) >= ALIKE.value]
        if len(same) == len(names) > 1 and any(c is lead for c in result.candidates):
            result.candidates = [c for c in result.candidates if not any(c is o for o in same)]
            result.candidates.append(
                replace(
                    lead,
                    scope="site",
                    inputs=tuple(sorted(n for c in same for n in c.inputs)),
                    days=np.any([c.days for c in same], axis=0),
                    loss_wh=np.sum([c.loss_wh for c in same], axis=0),
                    why=f"{'Both' if len(names) == 2 else f'All {len(names)}'} gateways alike. {lead.why}",
                )
            )


@dataclass(frozen=True)
class _Silence:
    """What is known of one silence of a gateway.

    Attributes
    ----------
    hours : of daylight without a row.
    rise : Wh that counters rose by; NaN where they do not tell.
    known : the counters tell whether the units produced.
    stood : the units made nothing, by their counters.
    waiting : the units waited to reconnect at its start or end.
    lit : the sky gave enough light to produce.
    log : what the gateway's log notes, "" for nothing.
    """

    hours: float
    rise: float
    known: bool
    stood: bool
    waiting: bool
    lit: bool
    log: str


def _silence(case: Case, name: str, u: int, inputs: np.ndarray, days: Mask) -> _Silence:
    """What counters, units and log say of a silence over some days, [D]; ``u`` is one of the gateway's units."""
    table = case.table
    rise, clear = counter_rise(case, days, inputs)
    hours = float(table["quiet_missing_h"][days, u].sum())
    log = _logged(case, name, days)
    units = np.unique(case.unit_of[inputs])
    # What was made in other, shorter gaps of those days, or in rows that single units lost, is no sign of life in the long one.
    beside = float(1 - table["quiet_gap_h"][days, u].sum() / hours) if hours > 0 else 0.0
    if clear > 0:
        rest = 1.0 - float(table["quiet_clear"][days][:, units].sum() * np.nanmean(case.rated)) / clear
        beside = max(beside, rest * float(case.sky_mean[days].mean()))
    # A counter that stands over an hour of winter's gloom says nothing.
    # Nor does one where the stamps are wrong by so much that half of the gap may have lain in the dark.
    off_h = float(hours_off(case)[days][:, inputs].max(axis=1).sum())
    bright = off_h <= 0.5 * hours and clear >= LEAST_LIGHT.value * float(np.nansum(case.rated[inputs]))
    lit = table["quiet_clear"][days][:, units].sum() >= LEAST_LIGHT.value * len(inputs)
    known = np.isfinite(rise) and clear > 0 and (bright or rise > DARK_SHARE.value * clear)
    waiting = _waiting(case, units, days)
    # Units that waited for their grid, or a gateway that started anew, were without it: what was made between its
    # return and the first row is no sign of life in the gap.
    returned = waiting or log.startswith("restart")
    least = max(DARK_SHARE.value, SHORT_SHARE.value * float(case.sky_mean[days].mean())) if returned else DARK_SHARE.value
    stood = known and rise < (least + max(beside, 0.0)) * clear
    return _Silence(hours, rise, bool(known), bool(stood), waiting, bool(lit), log)


def _candidate(case: Case, name: str, u: int, inputs: np.ndarray, days: Mask, only_gateway: bool, all_silent: bool) -> Candidate:
    """A silence as an outage where the units made nothing meanwhile, else as the gateway's own."""
    told = _silence(case, name, u, inputs, days)
    # Without counters: a supply that failed takes every gateway, and leaves the units waiting to reconnect.
    unknown = told.lit and not told.known and not told.log.startswith("offline")
    if told.stood or (unknown and (told.waiting or (all_silent and not only_gateway))):
        return _outage(case, name, inputs, days, only_gateway, told)
    return _silent_gateway(case, name, inputs, days, told)


def _outage(case: Case, name: str, inputs: np.ndarray, days: Mask, only_gateway: bool, told: _Silence) -> Candidate:
    """A silence over which the units made nothing."""
    units = np.unique(case.unit_of[inputs])
    per_day = case.table["quiet_clear"][:, units].sum(axis=1) * float(np.nanmean(case.rated)) * case.sky_mean
    if told.stood:
        text = f" and the counters {risen(told.rise)} meanwhile: {'the site' if only_gateway else 'they'} made nothing"
    elif told.waiting:
        text = "; no counter tells whether it produced, but the units waited to reconnect when last or next heard"
    else:
        text = "; no counter tells whether it produced, but every gateway fell silent at once"
    logged = f"; the gateway log notes {told.log}" if told.log else ""
    return Candidate(
        fault="site-outage",
        scope="site" if only_gateway else "gateway",
        inputs=tuple(int(n) for n in inputs),
        days=days,
        loss_wh=per_day * days,
        strength=float(1 - 0.4 * np.exp(-told.hours / 3.0)) * (1.0 if told.stood else 0.85 if told.waiting else 0.7),
        why=(
            f"No unit {'' if only_gateway else f'of gateway {name} '}sent anything for {told.hours:.1f} h of daylight"
            f"{f' on {int(days.sum())} days' if days.sum() > 1 else ''}{text}{logged}."
        ),
        evidence={
            "hours": round(told.hours, 2),
            "counter_rise_wh": round(told.rise, 1) if told.stood else None,
            "gateway_log": told.log,
            "waiting": told.waiting,
        },
        alternatives=(
            Alternative(
                "gateway-silent", 0.05 if told.stood else 0.3, "Read the lifetime counters: a rise would mean it produced."
            ),
        ),
        lasting=True,
    )


def _silent_gateway(case: Case, name: str, inputs: np.ndarray, days: Mask, told: _Silence) -> Candidate:
    """A silence behind which the units may have gone on."""
    counted = case.reports("energy_total_wh")
    lost_power = not told.known and told.log.startswith("restart")
    logged = f"; the gateway log notes {told.log}" if told.log else ""
    if told.known:
        produced = f"the counters rose by {told.rise / 1000:.2f} kWh meanwhile: the roof produced{logged}."
    else:
        tells = "after the gap tells yet" if counted else "is reported that could tell"
        produced = f"no counter {tells} whether the roof produced{logged}."
    return Candidate(
        fault="gateway-silent",
        scope="gateway",
        inputs=tuple(int(n) for n in inputs),
        days=days,
        loss_wh=np.zeros(case.day_count),
        # In the gloom of midwinter units sleep, and a gateway has nothing to pass on.
        strength=float(1 - 0.4 * np.exp(-told.hours / 3.0))
        * (1.0 if told.known or told.log.startswith("offline") else 0.85 if told.lit else 0.4),
        why=f"Gateway {name} passed on nothing for {told.hours:.1f} h of daylight on {int(days.sum())} days; {produced}",
        evidence={
            "hours": round(told.hours, 2),
            "counter_rise_wh": round(told.rise, 1) if told.known else None,
            "gateway_log": told.log,
        },
        alternatives=(
            Alternative(
                "site-outage",
                0.05 if told.known else 0.4 if lost_power else 0.25,
                "Ask whether the house has power; afterwards the counters: no rise means the site was down."
                if counted
                else "Ask whether the house has power, and read the utility meter by day and by night.",
            ),
        ),
        lasting=True,
    )


def _short_outage(
    case: Case, u: int, units: list[int], inputs: np.ndarray, day: int, name: str, only_gateway: bool
) -> Candidate | None:
    """A gap too short to be called a silence, over which every counter stood in plain light."""
    table = case.table
    gap, missing = float(table["quiet_gap_h"][day, u]), float(table["quiet_missing_h"][day, u])
    if gap < SHORT_HOURS.value or gap * 3600 < 3 * table["step_s"][day] or gap < 0.9 * missing:
        return None
    days = span_mask(case.day_count, [(day, day)])
    light = table["quiet_clear"][day, units].sum() * case.sky_mean[day]
    rise, clear = counter_rise(case, days, inputs)
    if bins_late(case)[day, inputs].any():
        return None
    if not np.isfinite(rise) or light < SHORT_LIGHT.value * len(inputs) or rise > SHORT_SHARE.value * case.sky_mean[day] * clear:
        return None
    # A clock set forward leaves a gap in which nothing was counted too: a second witness must speak.
    log = _logged(case, name, days)
    if not log and not _waiting(case, np.array(units), days):
        return None
    loss = np.zeros(case.day_count)
    loss[day] = light * float(np.nanmean(case.rated))
    return Candidate(
        fault="site-outage",
        scope="site" if only_gateway else "gateway",
        inputs=tuple(int(n) for n in inputs),
        days=days,
        loss_wh=loss,
        strength=float(1 - 0.4 * np.exp(-gap / 3.0)),
        why=(
            f"No unit {'' if only_gateway else f'of gateway {name} '}sent anything for {gap:.1f} h of daylight "
            f"and the counters {risen(rise)} meanwhile: {'the site' if only_gateway else 'they'} made nothing"
            f"{f'; the gateway log notes {log}' if log else '; the units waited to reconnect'}."
        ),
        evidence={"hours": round(gap, 2), "counter_rise_wh": round(rise, 1), "gateway_log": log},
        alternatives=(Alternative("gateway-silent", 0.1, "Read the lifetime counters: a rise would mean it produced."),),
        lasting=True,
    )


def _waiting(case: Case, units: np.ndarray, days: np.ndarray) -> bool:
    """Whether the units stood by or started on the first or last day of a silence, and hardly do on others."""
    rest = (case.table["start_h"] + case.table["fault_h"])[:, units]
    where = np.flatnonzero(days)
    edges = [int(where[0]), min(int(where[-1]), case.day_count - 1)]
    if where[0] > 0 and case.table["quiet_gap_h"][where[0], units[0]] >= 0.9 * case.table["unit_day_h"][where[0], units[0]]:
        edges.append(int(where[0]) - 1)
    heard = case.table["unit_lit_h"][:, units] > 0.5
    for d in edges:
        near = [k for k in range(max(0, d - 10), min(case.day_count, d + 11)) if not days[k] and k not in edges]
        usual = np.median(rest[near], axis=0) if near else np.zeros(len(units))
        more = (rest[d] > usual + 1e-6)[heard[d]]
        often = np.mean((rest[near] > 1e-6).mean(axis=1) >= WAITING.value) if near else 1.0
        if more.size >= 2 and more.mean() >= WAITING.value and often < 0.2:
            return True
    return False


def _logged(case: Case, name: str, days: np.ndarray) -> str:
    """Days on which the log says this gateway went offline or restarted, as text."""
    ts, event = log_of(case, name)
    at = (ts + day_offset(case.site)) // 86400
    # A link lost the evening before is lost until the log says otherwise.
    follow = np.append(at[1:], case.table.days[days][-1] + 1)
    begun = (event == "offline") & (at == case.table.days[days][0] - 1) & (follow > at)
    hit = ((event != "online") & np.isin(at, case.table.days[days])) | begun
    if not hit.any():
        return ""
    # A link that was lost says more than the restart that may have ended it.
    noted, when = event[hit], at[hit]
    pick = int(np.argmax(noted == "offline")) if (noted == "offline").any() else 0
    return f"{noted[pick]} on {day_iso(int(when[pick]))}"
