"""Whether a sensor's own reading climbs under clear skies while inputs seem to sink against it (:mod:`rules.sinkingplanes`)."""

from __future__ import annotations

import numpy as np

from rules.case import Case
from rules.finding import Threshold
from rules.ranks import quantile_of, row_quantile
from rules.sawteeth import MIN_DAYS, Teeth, line_of

CALM = Threshold(0.04, "relative change within half an hour", "own reasoning: no cloud passes, as for levels against clear sky")
CALM_BINS = Threshold(4, "half hours", "own reasoning: fewer are a gap between clouds")
CLEAR = Threshold(0.85, "of the clearest days", "common practice: haze takes some 5 to 15 % of the global light")
CLIMBS = Threshold(0.7, "of the fall", "own reasoning: most of it is then the sensor's doing, and the inputs hold")
LEAST = Threshold(0.04, "of clear sky", "own reasoning: a clear-sky model's turbidity bends as much within a month or two")
TREND = Threshold(3.0, "standard errors of the slope", "common practice: one in some hundred by chance")


def sensor_climbs(case: Case, teeth: Teeth) -> bool:
    """Whether the sensor, against clear sky on clear days, rises by most of what a plane sinks against it.

    Dirt lies on the modules and lets the sensor be; a sensor that drifts leaves them what they make of a clear sky. Both are
    judged over the days of the teeth, so the haze of a season, which lies on both alike, needs a trend of its own to mislead.
    """
    calm = np.nan_to_num(case.table["kt_wobble"], nan=1.0) < CALM.value
    seen = np.where(calm, case.sensor_sky(), np.nan)
    top = np.where(np.isfinite(seen).sum(axis=1) >= CALM_BINS.value, row_quantile(seen, 0.75), np.nan)
    days = np.flatnonzero(np.isfinite(top))
    days = days[(days >= teeth.parts[0].days[0]) & (days <= teeth.parts[-1].days[-1])]
    days = days[top[days] >= CLEAR.value * quantile_of(top[days], 0.9)] if len(days) else days
    if len(days) < MIN_DAYS.value:
        return False
    moment, slope, line = line_of(days.astype(float), top[days])
    error = float(np.sqrt(((top[days] - line) ** 2).sum() / (len(days) - 2) / moment))
    return slope >= max(-CLIMBS.value * teeth.slope, TREND.value * error, LEAST.value / float(np.ptp(days)))
