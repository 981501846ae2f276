"""snow: modules of a plane are covered after cold weather and clear within days.

On the roof: snow on the glass. It goes by itself; nobody should climb.

Looks at: a plane's (or input's) energy near nil on a day that was cold and not
night-dark, with inputs coming back one after the other over the next days.
Columns: ``dc_power_w``; ``temp_air_c`` or a month and latitude that make snow
possible; an irradiance sensor makes it sure.

Looks the same: a very dark overcast (recovers everywhere at once), ``site-outage``
(exactly nil, units stand by), ``dead-input`` (one input, warm), ``soiling`` (slow).
"""

from __future__ import annotations

import numpy as np

from rules.case import Candidate, Case, Floats, Mask, RuleResult, Unjudged
from rules.daytable import SKY, STANDBY
from rules.finding import Alternative, Threshold
from rules.module import ambient_estimate
from rules.siblings import middle

COLUMNS = ("dc_power_w", "temp_air_c")
COLD_C = Threshold(2.5, "Celsius, mean of the coldest six hours", "common practice: snow falls and lies near freezing")
COLD_SEASON_C = Threshold(8.0, "Celsius, estimated day mean", "own reasoning: the estimate is good to some 6 K")
COVERED = Threshold(0.09, "of clear-sky energy", "own reasoning: a thick overcast leaves 0.10 to 0.25, snow less")
TRICKLE = Threshold(0.01, "of clear-sky energy", "own reasoning: a few per cent of light pass a thin cover at noon")
LOW = Threshold(0.72, "ratio", "own reasoning: an input still partly covered")
LATEST_DAYS = 3  # after half of the plane is clear
MAX_DAYS = Threshold(21, "days", "own reasoning: on a pitched roof snow slides or melts within two or three weeks")


def judge(case: Case) -> RuleResult:
    """One candidate per covered input and spell."""
    result = RuleResult()
    cold, why = _cold(case)
    unsure = int((case.light_days & ~cold & _season_possible(case)).sum())
    if unsure and not np.isfinite(case.table["sky"][:, SKY.index("air")]).any():
        result.unjudged.append(Unjudged(None, "snow", "no air temperature", unsure))
    if not cold.any():
        return result
    share = _day_share(case)
    trusted = case.sensor_trust[0]
    for p in range(len(case.names)):
        inputs = np.flatnonzero(case.plane_of == p)
        plane_share = _plane_share(case, p)
        expected = _expected_day(case, p)
        for start in np.flatnonzero(cold & case.light_days).tolist():
            if start > 0 and _covered(start - 1, plane_share, expected, trusted) and cold[start - 1]:
                continue
            if not _covered(start, plane_share, expected, trusted):
                continue
            if not _sudden(int(start), plane_share, expected, trusted) or _standing(case, inputs, int(start)):
                continue
            _spell(case, p, inputs, int(start), share, expected, trusted, why, result)
    return result


def _season_possible(case: Case) -> Mask:
    noon = case.table.days * 86400 + 43200
    return ambient_estimate(case.site.site, noon) < COLD_SEASON_C.value + 6


def _cold(case: Case) -> tuple[Mask, str]:
    air = case.table["sky"][:, SKY.index("air")]
    measured = np.isfinite(air).any(axis=1)
    ordered = np.sort(air, axis=1)[:, :12]
    some = np.isfinite(ordered).sum(axis=1)
    low = np.where(some > 0, np.nan_to_num(ordered).sum(axis=1) / np.maximum(some, 1), np.nan)
    noon = case.table.days * 86400 + 43200
    season = ambient_estimate(case.site.site, noon) - 4.0 < COLD_SEASON_C.value - 4.0
    cold = np.where(measured, np.nan_to_num(low, nan=99) <= COLD_C.value, season)
    # Snow lies on after the cold that brought it.
    lying = cold.copy()
    for k in (1, 2, 3):
        lying[k:] |= cold[:-k]
    return lying, "measured air temperature" if measured.any() else "season and latitude"


def _day_share(case: Case) -> Floats:
    """Each input's energy over clear sky for its slots, [D, N]."""
    clear = case.table["clear"].sum(axis=2)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(clear > 0.3, case.energy / clear, np.nan)


def _plane_share(case: Case, p: int) -> Floats:
    clear = case.table["plane_clear"][:, p].sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(clear > 0.3, case.table["plane_typical"][:, p].sum(axis=1) / clear, np.nan)


def _expected_day(case: Case, p: int) -> Floats:
    """Expected share of clear-sky energy of the plane, [D], by sensor or other planes; NaN unknown."""
    if not case.independent[p]:
        return np.full(case.day_count, np.nan)
    clear = case.table["plane_clear_all"][:, p]
    share = case.expected_share[:, p]
    use = np.isfinite(share)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(
            (clear * use).sum(axis=1) > 0.3,
            (np.nan_to_num(share) * clear).sum(axis=1) / (clear * use).sum(axis=1),
            np.nan,
        )


def _covered(d: int, share: Floats, expected: Floats, trusted: bool) -> bool:
    if not np.isfinite(share[d]):
        return False
    if trusted and np.isfinite(expected[d]):
        return bool(share[d] < 0.4 * expected[d] and share[d] < 0.35 and expected[d] > 0.12)
    return bool(share[d] < COVERED.value)


def _ill_before(case: Case, n: int, start: int) -> bool:
    """Whether the input was down on the days before the snow while its plane was not."""
    hours = case.table["symptom_slots"][:, n].sum(axis=1)
    before = [d for d in range(max(0, start - 3), start) if case.table["lit_h"][d, n] > 1]
    return bool(before) and all(hours[d] > 0.7 * case.table["lit_h"][d, n] for d in before)


def _sudden(start: int, share: Floats, expected: Floats, trusted: bool) -> bool:
    """Whether the plane was well in the days before: shade that was always there is no snow."""
    before = [d for d in range(max(0, start - 8), start) if np.isfinite(share[d])]
    if not before:
        return True
    if trusted:
        ratio = [share[d] / expected[d] for d in before if np.isfinite(expected[d]) and expected[d] > 0.1]
        return not ratio or float(np.max(ratio)) > 0.6
    return float(np.max(share[before])) > 0.2


def _standing(case: Case, inputs: np.ndarray, day: int) -> bool:
    """Whether the units say that they stand by with voltage: then it is not the light that lacks."""
    hours = case.table["symptom_slots"][day][inputs][:, STANDBY]
    lit = np.maximum(case.table["lit_h"][day, inputs], 0.5)
    units = np.unique(case.unit_of[inputs])
    resting = (case.table["fault_h"] + case.table["start_h"])[day, units].max()
    return bool((hours > 0.6 * lit).all() and (resting > 0.5 * lit.max() or case.table["ac_dead_h"][day, units].max() > 1))


def _spell(
    case: Case, p: int, inputs: np.ndarray, start: int, share: Floats, expected: Floats,
    trusted: bool, why: str, result: RuleResult,
) -> None:  # fmt: skip
    last_day = min(case.day_count, start + int(MAX_DAYS.value))
    before = np.arange(max(0, start - 10), start)
    spells: dict[int, Mask] = {}
    for n in inputs:
        days = np.zeros(case.day_count, bool)
        if _ill_before(case, int(n), start):
            spells[int(n)] = days
            continue
        for d in range(start, last_day):
            if not np.isfinite(share[d, n]):
                # A unit under snow sleeps: silence on from a covered day belongs to it.
                days[d] = case.table["lit_h"][d, n] > 1 and d > start and days[d - 1]
                continue
            reference = _reference(case, p, d, share, expected, trusted)
            if share[d, n] < LOW.value * reference or share[d, n] < COVERED.value:
                days[d] = True
            else:
                break
        spells[int(n)] = days
    ends = np.array([np.flatnonzero(s)[-1] if s.any() else start - 1 for s in spells.values()])
    # When the siblings have been clear for days, what still lies still has another cause.
    covered = ends[ends >= start]
    latest = int(np.median(covered)) + LATEST_DAYS if covered.size else start
    for days in spells.values():
        days[latest + 1 :] = False
    uneven = len(set(np.minimum(covered, latest).tolist())) > 1
    # One dark day alone: snow leaves a trickle of light where a unit that stands by makes nothing at all.
    trickle = float(np.nanmax(np.append(share[start, inputs], 0.0)))
    if not trusted and not uneven and trickle < TRICKLE.value:
        return
    usual = middle(share[before][:, inputs]) if before.size else 0.5
    for n, days in spells.items():
        if not days.any():
            continue
        loss = np.zeros(case.day_count)
        for d in np.flatnonzero(days).tolist():
            reference = max(_reference(case, p, d, share, expected, trusted), 0.0)
            if reference < 0.1:
                reference = 0.5 * float(np.nan_to_num(usual, nan=0.4))
            whole = case.table["plane_clear_all"][d, p].sum() * case.rated[n]
            loss[d] = max(reference - float(np.nan_to_num(share[d, n])), 0) * whole
        ref = case.inputs[n]
        result.candidates.append(
            Candidate(
                fault="snow",
                scope="input",
                inputs=(n,),
                days=days,
                loss_wh=loss,
                strength=0.5 + 0.25 * trusted + 0.15 * uneven + 0.05 * (why.startswith("measured")),
                why=(
                    f"{ref.label} made {100 * middle(share[days, n]):.0f} % of a clear day's energy for "
                    f"{int(days.sum())} days of cold ({why})"
                    + ("; inputs of the plane came back one after the other." if uneven else ".")
                ),
                evidence={"covered_share": round(middle(share[days, n]), 3), "uneven": uneven, "cold_by": why},
                alternatives=(
                    Alternative("site-outage", 0.05, "Power is small but not nil, and the units say they produce."),
                    Alternative("dead-input", 0.05, "Whether it comes back with the thaw."),
                ),
            )
        )  # fmt: skip


def _reference(case: Case, p: int, d: int, share: Floats, expected: Floats, trusted: bool) -> float:
    """Share of clear sky an uncovered input would have made that day."""
    if trusted and np.isfinite(expected[d]):
        return float(expected[d])
    inputs = np.flatnonzero(case.plane_of == p)
    best = float(np.nanmax(np.append(share[d, inputs], 0.0)))
    other = float(expected[d]) if np.isfinite(expected[d]) else 0.0
    return max(best, other)
