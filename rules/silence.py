"""Kinds of silence on a day: one long gap, or many short ones."""

from __future__ import annotations

import numpy as np

from rules.case import Case, once
from rules.days import runs_of, span_mask
from rules.finding import Threshold
from rules.ontime import unit_hours_off
from rules.panel import day_offset
from rules.ranks import Floats, Mask, median_of

LONG_GAP = Threshold(2.0, "h", "own reasoning: longer than a gateway restart or a modem's night update")
PATCHY_SHARE = Threshold(
    0.10, "of lit hours", "own reasoning: radio links lose a few per cent in health (common practice: under 5 %)"
)
PATCHY_RUNS = Threshold(3, "gaps a day", "own reasoning: fewer are outages, not a bad link")
ONE_PIECE = Threshold(0.6, "of the missing time", "own reasoning: most of it in one gap is an outage, not a bad link")
FEW_ROWS = Threshold(3, "rows", "own reasoning: two rows in a row are lost by chance on a healthy link")
MIN_ROWS = Threshold(4, "rows a day", "own reasoning: fewer missing rows prove no habit")
BACK_AGAIN = Threshold(3, "broken days", "own reasoning: one silence breaks two days at most, those of its start and end")
WITHIN = Threshold(3, "days", "own reasoning: a bad link has better days between")
BROKEN_SHARE = Threshold(0.12, "of lit hours", "own reasoning: more than a link loses in health, by one long gap")
BROKEN_HOURS = Threshold(0.75, "h", "own reasoning: longer than a gateway restart; four rows in a row are no chance at 5 % loss")
ALONE_DAYS = Threshold(2, "days", "own reasoning: what takes a gateway takes all of its units within one")
AWAKE = Threshold(0.02, "W per rated W", "own reasoning: half of what we call light; a unit needs some 1 % to wake")
GLOOM = Threshold(0.06, "of clear sky", "own reasoning: under half of what a thick overcast leaves (0.10 to 0.25)")
EDGE = Threshold(0.75, "h", "own reasoning: a shift is told to a quarter of an hour, and units are heard before they count as lit")
EVEN_RUNS = Threshold(8, "gaps a day", "own reasoning: of fewer, alike by chance")
EVEN_SHARE = Threshold(0.4, "of the light", "own reasoning: an interval twice as long leaves every other row out: half")
EVEN_DAYS = Threshold(0.6, "of the days", "own reasoning: an interval is the same on most days, losses are not")
#: Part of an interval by which a gap is longer than the interval says.
_ROUNDING = 0.05
LOGGED_GAP = Threshold(0.75, "h", "own reasoning: three times a gateway restart; the log says that the link was lost")


def kinds(
    missing_h: Floats, longest_h: Floats, runs: Floats, lit_h: Floats, step_s: Floats, many: bool = False
) -> tuple[Mask, Mask, Mask]:
    """Silent, patchy and judged days, each bool in the shape of ``missing_h``.

    Parameters
    ----------
    missing_h, longest_h, lit_h : hours; runs : number of gaps; step_s : s.
    many : whether several links fell silent at once; a single one may be a bad one.
    """
    hours = np.broadcast_to(step_s, missing_h.shape) / 3600.0
    judged = lit_h >= 1.0
    share = missing_h / np.maximum(lit_h, 1e-6)
    whole = longest_h >= ONE_PIECE.value * missing_h
    # Longest run that independent losses at this share would make (Schilling 1990).
    rows = np.maximum(lit_h / hours, 2.0)
    p = np.clip(share, 0.02, 0.98)
    by_chance = np.log(np.maximum(rows * (1 - p), 1.5)) / np.log(1 / p)
    # Nor is one run of four rows or more that several links lost at once, with no other gap that day.
    lone = (runs == 1) & (longest_h >= MIN_ROWS.value * hours) & np.bool_(many)
    whole &= (longest_h / hours > 2.2 * by_chance + 2) | lone
    rows_enough = longest_h >= FEW_ROWS.value * hours
    long = rows_enough & ((longest_h >= LONG_GAP.value) | (longest_h >= 0.8 * lit_h))
    silent = judged & ((share >= 0.97) | (whole & long & (share >= 0.12)))
    patchy = judged & ~silent & (runs >= PATCHY_RUNS.value) & (share >= PATCHY_SHARE.value)
    patchy &= missing_h >= MIN_ROWS.value * hours
    # Few rows a day scatter widely: beyond what a healthy link's 5 % makes by chance (binomial, 3.3 sigma).
    patchy &= share >= 0.05 + 3.3 * np.sqrt(0.05 * 0.95 / rows)
    burst = (share >= BROKEN_SHARE.value) & (longest_h >= np.maximum(MIN_ROWS.value * hours, BROKEN_HOURS.value))
    broken = judged & (silent | patchy | burst)
    # Not -1: without a day numpy could not tell how many columns there are.
    flat = (len(silent), int(np.prod(silent.shape[1:])))
    flat_s, flat_p, flat_b = silent.reshape(flat), patchy.reshape(flat), broken.reshape(flat)
    flat_whole, flat_j = (share >= 0.97).reshape(flat), judged.reshape(flat)
    for u in np.flatnonzero(flat_b.any(axis=0)).tolist():
        for first, last in runs_of(flat_b[:, u], ~flat_j[:, u], most=int(WITHIN.value)):
            _bursts(slice(first, last + 1), u, flat_s, flat_p, flat_b, flat_whole, many)
    return silent, patchy, judged


def _bursts(spell: slice, u: int, silent: Mask, patchy: Mask, broken: Mask, whole: Mask, many: bool) -> None:
    """Turn long gaps of a link that comes and goes into patchy days, in place.

    A silence breaks the day on which it starts and the day on which it ends; a link
    that comes back more often than that is a bad link, not a silent one.
    """
    apart = broken[spell, u] & ~whole[spell, u]
    bad = patchy[spell, u].sum()
    if apart.sum() < BACK_AGAIN.value and not (bad >= 2 and bad >= 0.3 * (silent[spell, u].sum() + bad)):
        return
    lone = np.zeros(apart.shape, bool)
    for first, last in runs_of(silent[spell, u] & whole[spell, u]):
        # A day that several links lose at once, with sound days beside it, is a silence of its own.
        beside = not many or bool(broken[spell, u][max(0, first - 1) : last + 2].sum() > 1)
        lone[first : last + 1] = first == last and beside
    burst = apart | (lone & (apart.sum() >= BACK_AGAIN.value))
    patchy[spell, u] |= burst
    silent[spell, u] &= ~burst


@once
def unit_kinds(case: Case) -> tuple[Mask, Mask, Mask]:
    """Kinds of each unit's own silence, its gateway being heard, [D, U]."""
    t = case.table
    inputs = np.bincount(case.unit_of, minlength=len(case.site.units))
    # Units are fed by their modules: where no sibling made anything meanwhile, it was too dark to be awake.
    awake = t["own_missing_loss"] >= AWAKE.value * inputs * t["own_missing_h"]
    awake &= t["own_gap_h"] > np.maximum(_coarser(case)[:, None], _left_out(case) * (1.0 + _ROUNDING))
    missing, longest, runs = (np.where(awake, t[name], 0.0) for name in ("own_missing_h", "own_gap_h", "own_gaps"))
    return kinds(missing, longest, runs, t["unit_lit_h"], t["step_s"][:, None])


@once
def gateway_kinds(case: Case) -> tuple[Mask, Mask, Mask]:
    """Kinds of the silence of each unit's whole gateway, [D, U].

    A gap that the gateway's own log explains may be shorter.
    """
    t = case.table
    hours = t["step_s"][:, None] / 3600.0
    whole, gap, gaps = gateway_gaps(case)
    gloomy = _gloomy(case)
    none = gloomy | (gap <= _coarser(case)[:, None])
    missing, longest, runs = (np.where(none, 0.0, x) for x in (whole, gap, gaps))
    silent, patchy, judged = kinds(missing, longest, runs, t["unit_day_h"], t["step_s"][:, None], many=True)
    long = (gap >= LOGGED_GAP.value) & (gap >= 2 * hours) & (gap >= ONE_PIECE.value * whole)
    told = judged & ~silent & long & (whole >= PATCHY_SHARE.value * t["unit_day_h"])
    for u in np.flatnonzero(told.any(axis=0)).tolist():
        logged = told[:, u] & offline_days(case, case.site.units[u].gateway)
        silent[:, u] |= logged
        patchy[:, u] &= ~logged
    return silent, patchy, judged


@once
def _left_out(case: Case) -> Floats:
    """What an interval of its own leaves out between two rows of each unit's gateway, h, [U]; 0 where it has none.

    A gateway that is asked every quarter of an hour beside one asked every five minutes leaves two of three rows
    out, evenly, day after day; lost rows leave gaps of many lengths.
    """
    t = case.table
    missing, gap, runs, day = t["quiet_missing_h"], t["quiet_gap_h"], t["quiet_gaps"], t["unit_day_h"]
    even = (runs >= EVEN_RUNS.value) & (missing >= EVEN_SHARE.value * day) & (np.abs(runs * gap - missing) <= 1.5 * gap)
    slow = even.sum(axis=0) >= EVEN_DAYS.value * np.maximum((day >= 1.0).sum(axis=0), 1)
    return np.array([median_of(g[e]) if s and e.any() else 0.0 for g, e, s in zip(gap.T, even.T, slow, strict=True)])


def _without_interval(case: Case) -> tuple[Floats, Floats, Floats]:
    """Hours that each unit's gateway missed, the longest gap, h, and the number of gaps, [D, U], without its interval's own."""
    t, usual = case.table, _left_out(case)
    missing, gap, runs = t["quiet_missing_h"], t["quiet_gap_h"], t["quiet_gaps"]
    here = (usual > 0.0) & (runs >= EVEN_RUNS.value)
    if not here.any():
        return missing, gap, runs
    longer = here & (gap > 1.5 * usual)
    left = np.where(longer, np.maximum(missing - runs * usual, gap - usual), 0.0)
    few = np.where(longer, np.maximum(np.rint(left / np.maximum(gap, 1e-9)), 1.0), 0.0)
    return np.where(here, left, missing), np.where(here & ~longer, 0.0, gap), np.where(here, few, runs)


def _coarser(case: Case) -> Floats:
    """What rows a longer interval apart leave out on a day on which the interval changed, h, [D]; 0 on other days."""
    step = case.table["step_s"]
    beside = np.concatenate([step[:1], step, step[-1:]])
    return np.asarray(np.maximum(np.maximum(beside[:-2], beside[2:]) - step, 0.0) / 3600.0 * (1.0 + _ROUNDING))


def gateway_gaps(case: Case) -> tuple[Floats, Floats, Floats]:
    """Hours that each unit's whole gateway missed, the longest gap of them, h, and the number of gaps, [D, U].

    Without those of a wrong clock: stamps that are hours off leave one end of each day's light without rows.
    """
    off = unit_hours_off(case)
    missing, gap, runs = _without_interval(case)
    edge = (off > 0.0) & (gap > 0.0) & (gap <= off + EDGE.value)
    missing, runs = np.where(edge, missing - gap, missing), np.where(edge, runs - 1, runs)
    # The second longest gap is not on file: it is no longer than the longest, nor than all the others together.
    return missing, np.where(edge, np.minimum(gap, missing), gap), runs


@once
def left_alone(case: Case) -> Mask:
    """Days on which a gateway seems silent because its units fell silent one by one, [D, U].

    The last unit heard fell silent days after all others had; or the gateway has one unit only, and its log
    notes no trouble of its own, as it would without power or link.
    """
    own = unit_kinds(case)[0]
    quiet, _, judged = gateway_kinds(case)
    out = np.zeros_like(own)
    gateways = [unit.gateway for unit in case.site.units]
    everyone: Mask = np.all(quiet | ~judged, axis=1)
    for name in dict.fromkeys(gateways):
        units = [u for u, g in enumerate(gateways) if g == name]
        for first, last in runs_of(quiet[:, units[0]], ~judged[:, units[0]]):
            days = span_mask(case.day_count, [(first, last)]) & quiet[:, units[0]]
            shared = len(set(gateways)) > 1 and everyone[days].mean() > 0.5
            if not shared and _one_left(case, own, units, first) and not _gateway_trouble(case, name, units[0], first, last):
                out[np.ix_(days, np.array(units))] = True
    return out


def _one_left(case: Case, own: Mask, units: list[int], first: int) -> bool:
    """Whether only one of some units was still heard on the days before their gateway fell silent; a lone one if there is a log."""
    if len(units) == 1:
        return bool(len(case.events))
    heard = np.flatnonzero(case.table["unit_seen_h"][:first, units].max(axis=1) > 0.0)[-int(ALONE_DAYS.value) :]
    gone = own[heard][:, units]
    return len(heard) >= ALONE_DAYS.value and bool(gone.all(axis=0).sum() == gone.any(axis=0).sum() == len(units) - 1)


def _gateway_trouble(case: Case, name: str, u: int, first: int, last: int) -> bool:
    """Whether a gateway's log notes that its link was lost as a silence began, or a restart as it ended."""
    ts, event = log_of(case, name)
    day = (ts + day_offset(case.site)) // 86400 - case.table.days[0]
    lost = (event == "offline") & (day >= first - 1) & (day <= last)
    back = bool(case.table["quiet_missing_h"][last, u] < 0.97 * case.table["unit_day_h"][last, u])
    return bool((lost | ((event == "restart") & (day >= last) & (day <= last + (not back)))).any())


def _gloomy(case: Case) -> Mask:
    """Days on which the inputs heard behind each unit's gateway made next to nothing, [D, U]: units sleep and wake in the gloom."""
    of = np.array([ref.gateway for ref in case.inputs])
    out = np.zeros((case.day_count, len(case.site.units)), bool)
    clear_by_input = case.table["clear"].sum(axis=2)
    for name in dict.fromkeys(of.tolist()):
        clear, made = clear_by_input[:, of == name].sum(axis=1), case.energy[:, of == name].sum(axis=1)
        gloom = (clear > 0.0) & (made < GLOOM.value * clear)
        gloom &= case.table["longest_gap_h"][:, of == name].min(axis=1) < LONG_GAP.value
        out[:, [u for u, unit in enumerate(case.site.units) if unit.gateway == name]] = gloom[:, None]
    return out


def log_of(case: Case, gateway: str) -> tuple[np.ndarray, np.ndarray]:
    """Times (UTC s) and kinds of what the log notes of a gateway's own link and power, oldest first."""
    events = case.events
    if not len(events):
        return np.zeros(0, np.int64), np.zeros(0, object)
    about = events["source"].isin([gateway, "gateway", case.site.site.id])
    mine = events[about & events["event"].isin(["offline", "online", "restart"])].sort_values("ts", kind="stable")
    return mine["ts"].to_numpy(np.int64), mine["event"].to_numpy(object)


def offline_days(case: Case, gateway: str) -> Mask:
    """Days on which the gateway was offline at some time by its own log, [D]."""
    ts, event = log_of(case, gateway)
    out = np.zeros(case.day_count, bool)
    start = case.table.days * 86400 - day_offset(case.site)
    for k in np.flatnonzero(event == "offline").tolist():
        until = ts[k + 1] if k + 1 < len(ts) else ts[k]
        out |= (start < until + 1) & (start + 86400 > ts[k])
    return out
