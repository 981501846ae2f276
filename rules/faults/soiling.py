"""soiling: output sinks slowly and comes back with rain or cleaning.

On the roof: dust, pollen, soot, droppings. Uneven over a plane it shows against
siblings; even, it shows only against clear sky or a sensor.

Looks at: the day level against siblings, and the plane's clear-day level
against expectation: a slow steady fall over a week or more, and steps back up.
Columns: ``dc_power_w`` or what it can be derived from.

Looks the same: ``weak-input`` (no slope), ``shading`` by a growing tree (bound
to sun position), the season (expectation takes it out only roughly: even
soiling without a sensor is judged with low confidence).
"""

from __future__ import annotations

import numpy as np

from rules.case import Candidate, Case, Floats, RuleResult
from rules.finding import Alternative, Threshold
from rules.levels import Segment, relative_levels, segments
from rules.ranks import median_of, row_quantile

COLUMNS = ("dc_power_w",)
MIN_SLOPE = Threshold(0.0008, "per day", "published soiling rates: some 0.1 to 0.5 % per dry day (from memory)")
MIN_DROP = Threshold(0.025, "ratio", "own reasoning: what the slope must add up to above the scatter")
MIN_DAYS = Threshold(6, "judged days", "own reasoning: a slope over fewer days is weather")


def judge(case: Case) -> RuleResult:
    """Candidates for inputs that sink against siblings, and planes that sink together."""
    result = RuleResult()
    levels = relative_levels(case)
    for ref in case.inputs:
        n = ref.index
        if case.members[n] < 2:
            continue
        found = _saw_teeth(levels.segments[n], levels.noise[n])
        if found:
            result.candidates.append(_candidate(case, (n,), None, found, ref.label))
    for p, name in enumerate(case.names):
        level, noise = _plane_level(case, p)
        found = _saw_teeth(segments(level, noise), noise)
        total = sum(s.start - s.end for s in found)
        if not case.sensor_trust[0]:
            # Haze and season bend a guessed expectation: only a long plain fall or a reset convinces.
            reset = len(found) > 1 or (found and found[0].days[-1] < np.flatnonzero(np.isfinite(level))[-1])
            found = [s for s in found if len(s.days) >= 8 and s.start - s.end >= (0.06 if reset else 0.12)]
        if found and total >= 2 * MIN_DROP.value:
            inputs = tuple(int(n) for n in np.flatnonzero(case.plane_of == p))
            result.candidates.append(_candidate(case, inputs, name, found, f"Plane {name}"))
    return result


def _saw_teeth(parts: list[Segment], noise: float) -> list[Segment]:
    out = []
    for k, s in enumerate(parts):
        drop = s.start - s.end
        long = len(s.days) >= MIN_DAYS.value
        back = k + 1 < len(parts) and parts[k + 1].start - s.end > 0.6 * drop
        need = max(MIN_DROP.value, (2.0 if back else 3.0) * max(s.scatter, 0.5 * noise))
        if long and s.slope <= -MIN_SLOPE.value and drop >= need:
            out.append(s)
    return out


def _plane_level(case: Case, p: int) -> tuple[Floats, float]:
    """Clear-bin level of a plane against expectation, [D], and its scatter."""
    share = case.plane_share[:, p]
    if case.sensor_trust[0]:
        with np.errstate(invalid="ignore", divide="ignore"):
            share = share / case.expected_share[:, p]
        use = np.isfinite(share) & (case.table["plane_clear"][:, p] > 0.15) & (case.sky_index > 0.4)
    else:
        use = np.isfinite(share) & (case.table["plane_clear"][:, p] > 0.15) & (np.nan_to_num(case.table["kt_wobble"], nan=1) < 0.04)
    count = use.sum(axis=1)
    mine = np.flatnonzero(case.plane_of == p)
    ill = (case.table["symptom_slots"][:, mine].sum(axis=2) >= 1.0).mean(axis=1) > 0.2
    level = row_quantile(np.where(use & ((count >= 4) & ~ill)[:, None], share, np.nan), 0.75)
    if not case.sensor_trust[0]:
        # Without a sensor a dull day is no witness: keep days near the running top.
        plain = level.tolist()
        for d in np.flatnonzero(np.isfinite(level)).tolist():
            if plain[d] < max(v for v in plain[max(0, d - 6) : d + 7] if v == v) - 0.12:
                plain[d] = float("nan")
        level = np.array(plain)
    good = level[np.isfinite(level)]
    noise = 1.4826 * median_of(np.abs(np.diff(good))) / np.sqrt(2) if len(good) > 4 else 0.05
    return level, max(noise, 0.008)


def _candidate(
    case: Case, inputs: tuple[int, ...], plane: str | None, found: list[Segment], who: str
) -> Candidate:
    days = np.zeros(case.day_count, bool)
    lost = np.zeros(case.day_count)
    top = max(s.start for s in found)
    for s in found:
        inside = np.arange(s.days[0], s.days[-1] + 1)
        line = s.start + s.slope * (inside - s.days[0])
        below = np.clip(top - line, 0, None)
        dirty = below > 0.015
        days[inside[dirty]] = True
        lost[inside] = below / max(top, 0.1)
    energy = sum(case.witness[:, n].sum(axis=1) * case.rated[n] for n in inputs)
    slope = float(np.median([s.slope for s in found]))
    drop = max(top - s.end for s in found)
    scatter = max(max(s.scatter for s in found), 0.004)
    return Candidate(
        fault="soiling",
        scope="plane" if plane is not None else "input",
        inputs=inputs,
        days=days,
        loss_wh=lost * energy,
        strength=float(np.clip(0.35 + 0.12 * drop / scatter / 2 + 0.1 * (len(found) - 1), 0, 0.95)),
        why=(
            f"{who} sank by {-100 * slope:.2f} % a day to {100 * drop:.0f} % below clean"
            + (f" and came back {len(found) - 1} times." if len(found) > 1 else ".")
        ),
        evidence={"slope_per_day": round(slope, 5), "drop": round(drop, 3), "resets": len(found) - 1},
        alternatives=(
            Alternative("weak-input", 0.15, "The level after the next good rain: dirt goes, weakness stays."),
            Alternative("shading", 0.1, "Whether the loss is the same at every hour: a growing tree bites at its own hours."),
        ),
        plane=plane,
        lasting=True,
    )  # fmt: skip
