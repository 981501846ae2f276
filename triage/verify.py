"""Did the visit help: the days before it against the days after, with the uncertainty said.

What is compared is a share per day, so weather drops out: energy over what the
siblings made in the same slots; where siblings share the fault or are none, the
share of lit hours without a symptom; for a fault of reporting, the share of lit
hours with a reading.

The interval is Welch's for two means of unequal variance [1]_, at 95 %, on the
daily shares; its width cannot fall below what daily shares of healthy inputs
scatter by themselves (:data:`NOISE`).

References
----------
.. [1] B. L. Welch, "The generalization of 'Student's' problem when several
   different population variances are involved", Biometrika 34, 28-35, 1947.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from rules.finding import Finding, Threshold

Verdict = Literal["fixed", "partly", "not", "open", "untold"]
Measure = Literal["siblings", "working hours", "reporting"]

VERDICT_WORDS: Final[dict[Verdict, str]] = {
    "fixed": "Fixed",
    "partly": "Better, but not whole",
    "not": "Not fixed",
    "open": "Too early to say",
    "untold": "These numbers can't say",
}

#: Fewer days than this on either side say nothing yet.
MIN_DAYS = Threshold(3, "days", source="own choice: Welch's interval needs a variance on both sides")
#: Days on either side that are looked at.
WINDOW_DAYS = Threshold(21, "days", source="own choice: long enough for clear days, short enough for one season")
#: As good as whole: a share this close to the reference.
TOLERANCE = Threshold(0.04, "ratio", source="common practice: modules of one type spread by some 3 %, the meter adds one")
#: Scatter of a healthy input's daily share that no sample of days may hide.
NOISE = Threshold(0.01, "ratio", source="common practice: resolution of a module-level unit's energy reading")
#: A day counts when it brought at least this part of the window's best day.
MIN_LIGHT = Threshold(0.2, "ratio", source="own choice: on darker days the share is noise")
#: Reporting and working hours are whole from this share on.
REPORTING_OK = Threshold(0.95, "ratio", source="own choice: one hour in twenty may be missed")

_REPORTING: Final = frozenset({"patchy-comms", "gateway-silent", "unit-silent"})
#: Faults that siblings share, or that leave no energy to compare.
_SHARED: Final = frozenset({"site-outage", "grid-out-of-range", "curtailment", "snow"})


@dataclass(frozen=True)
class DayShares:
    """Daily shares of the place of a finding.

    Parameters
    ----------
    days : [D] solar day numbers, ascending.
    share : [D] energy (or readings) over its reference; NaN where it cannot be said.
    weight : [D] size of the reference that day, any unit.
    measure : what the reference is.
    """

    days: NDArray[np.int64]
    share: NDArray[np.float64]
    weight: NDArray[np.float64]
    measure: Measure


@dataclass(frozen=True)
class Verification:
    """Before and after one visit.

    Shares are means over the days used; ``recovered`` is the part of the gap to
    ``whole`` that was closed, with its 95 % interval (None when it cannot be said).
    """

    fault: str
    place: str
    verdict: Verdict
    measure: Measure
    visit_day: str
    days_before: int
    days_after: int
    before: float | None
    after: float | None
    after_low: float | None
    after_high: float | None
    recovered: float | None
    recovered_low: float | None
    recovered_high: float | None
    whole: float
    why: str

    @property
    def word(self) -> str:
        return VERDICT_WORDS[self.verdict]

    def to_json(self) -> dict[str, Any]:
        return {k: round(v, 4) if isinstance(v, float) else v for k, v in vars(self).items()}


def measure_of(finding: Finding) -> Measure:
    """Which share tells whether this fault is gone."""
    if finding.fault in _REPORTING:
        return "reporting"
    return "working hours" if finding.fault in _SHARED or finding.unit is None else "siblings"


def judge_visit(finding: Finding, shares: DayShares, visit_day: int, visit_iso: str) -> Verification:
    """Compare the days before a visit with those after it; the day itself counts for neither.

    Before are the days on which the finding was seen, as far as the window reaches; the level that
    counts as whole is 1, or the place's own level before the fault began if that was lower.
    """
    usable = np.isfinite(shares.share) & (shares.weight >= _least_light(shares))
    first = _day_number(finding.first_seen)
    window = int(WINDOW_DAYS.value)
    days = shares.days
    is_before = usable & (days < visit_day) & (days >= visit_day - window) & (days >= first)
    is_after = usable & (days > visit_day) & (days <= visit_day + window)
    whole = _whole(shares, usable & (days < first) & (days >= first - window))
    before, after = shares.share[is_before], shares.share[is_after]
    return _verdict(finding, shares.measure, visit_iso, before, after, whole)


def _verdict(
    finding: Finding,
    measure: Measure,
    visit_iso: str,
    before: NDArray[np.float64],
    after: NDArray[np.float64],
    whole: float,
) -> Verification:
    enough = min(len(before), len(after)) >= MIN_DAYS.value
    mean_before = float(before.mean()) if len(before) else None
    mean_after = float(after.mean()) if len(after) else None
    low = high = recovered = r_low = r_high = None
    verdict: Verdict = "open"
    if enough and mean_before is not None and mean_after is not None:
        low, high = _mean_interval(after)
        gain_low, gain_high = welch_interval(after, before)
        gap = whole - mean_before
        if gap > NOISE.value:
            recovered, r_low, r_high = (mean_after - mean_before) / gap, gain_low / gap, gain_high / gap
        # Where nothing was missing before, as with a record that was put right, nothing that is whole after shows a repair.
        sound = gap <= NOISE.value and after.mean() >= whole - TOLERANCE.value
        verdict = "untold" if sound else _judge(measure, whole, mean_after, low, high, gain_low)
    return Verification(
        fault=finding.fault,
        place=finding.place,
        verdict=verdict,
        measure=measure,
        visit_day=visit_iso,
        days_before=len(before),
        days_after=len(after),
        before=mean_before,
        after=mean_after,
        after_low=low,
        after_high=high,
        recovered=recovered,
        recovered_low=r_low,
        recovered_high=r_high,
        whole=whole,
        why=_why(verdict, measure, mean_before, mean_after, low, high, len(before), len(after)),
    )


def _judge(measure: Measure, whole: float, after: float, low: float, high: float, gain_low: float) -> Verdict:
    goal = REPORTING_OK.value if measure != "siblings" else whole - TOLERANCE.value
    if after >= goal and (low >= goal - TOLERANCE.value or gain_low > 0):
        return "fixed"
    if gain_low > 0:
        return "partly"
    # Still possibly whole, still possibly unchanged: more days decide.
    return "open" if high >= goal else "not"


def welch_interval(after: NDArray[np.float64], before: NDArray[np.float64], confidence: float = 0.95) -> tuple[float, float]:
    """Interval of mean(after) - mean(before), Welch 1947, variances floored at :data:`NOISE` squared."""
    va, vb = (max(float(np.var(x, ddof=1)), NOISE.value**2) / len(x) for x in (after, before))
    freedom = (va + vb) ** 2 / (va**2 / (len(after) - 1) + vb**2 / (len(before) - 1))
    half = float(stats.t.ppf(0.5 + confidence / 2, freedom)) * math.sqrt(va + vb)
    difference = float(after.mean() - before.mean())
    return difference - half, difference + half


def _mean_interval(values: NDArray[np.float64], confidence: float = 0.95) -> tuple[float, float]:
    """Student's interval of a mean, with the same floor."""
    error = math.sqrt(max(float(np.var(values, ddof=1)), NOISE.value**2) / len(values))
    half = float(stats.t.ppf(0.5 + confidence / 2, len(values) - 1)) * error
    return float(values.mean()) - half, float(values.mean()) + half


def _whole(shares: DayShares, healthy: NDArray[np.bool_]) -> float:
    """What counts as whole: 1, or the place's own healthy level where that is known and lower."""
    if shares.measure != "siblings" or healthy.sum() < MIN_DAYS.value:
        return 1.0
    return min(1.0, float(np.median(shares.share[healthy])))


def _least_light(shares: DayShares) -> float:
    if shares.measure != "siblings" or not len(shares.weight):
        return 0.0
    return MIN_LIGHT.value * float(np.nanmax(np.where(np.isfinite(shares.weight), shares.weight, 0.0)))


def _why(
    verdict: Verdict,
    measure: Measure,
    before: float | None,
    after: float | None,
    low: float | None,
    high: float | None,
    n_before: int,
    n_after: int,
) -> str:
    what = {
        "siblings": "of its siblings' energy",
        "working hours": "of the lit hours worked",
        "reporting": "of the lit hours reported",
    }[measure]
    days = f"({_days(n_before)} before, {_days(n_after)} after)"
    if before is None or after is None or low is None or high is None:
        return f"At least {MIN_DAYS.value:g} days with enough light are needed on each side {days}."
    span = f"95 % interval {_pct(low)} to {_pct(high)}"
    text = f"{_pct(before)} {what} before, {_pct(after)} after ({span}) {days}."
    ends = {
        "open": " More days will decide.",
        "untold": " Nothing was missing by this measure before: whether the next nights find it again tells.",
    }
    return f"{text}{ends.get(verdict, '')}"


def _pct(share: float) -> str:
    return f"{100 * share:.0f} %"


def _days(count: int) -> str:
    return f"{count} day" if count == 1 else f"{count} days"


def _day_number(iso: str) -> int:
    return int((np.datetime64(iso) - np.datetime64("1970-01-01")).astype(int))


def place_columns(finding: Finding, inputs: Sequence[Any]) -> list[int]:
    """Columns of ``site.inputs`` that a finding is about."""
    if finding.unit is not None:
        return [r.index for r in inputs if r.unit == finding.unit and finding.input in (None, r.input)]
    if finding.plane:
        return [r.index for r in inputs if r.plane == finding.plane]
    if finding.gateway:
        return [r.index for r in inputs if r.gateway == finding.gateway]
    return [r.index for r in inputs]
