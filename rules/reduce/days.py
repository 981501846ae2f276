"""Reduce whole days of samples to one row of features each (:data:`rules.daytable.FIELDS` says what each one means).

Pure and per day: no feature of a day depends on another day, so nights add up
to the same table as one run over the whole record.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from collectors.site import SiteDescription
from rules.daytable import DayTable
from rules.gridwindow import grid_window
from rules.panel import Panel, build_panels
from rules.reduce.ceiling import at_ceiling, ceiling_features
from rules.reduce.energy import energy_features
from rules.reduce.frame import reference_frame
from rules.reduce.frozen import frozen_features, repeats_itself
from rules.reduce.grid import grid_features, grid_states
from rules.reduce.night import round_the_clock_features
from rules.reduce.silence import gap_features, silence_features
from rules.reduce.sitelevel import site_level_features
from rules.reduce.slots import Features
from rules.reduce.symptoms import makes_nothing, symptom_features, symptoms
from rules.reduce.units import unit_features
from rules.reduce.voltage import voltage_features
from rules.reduce.weather import weather_features
from rules.sun import sun_of


def reduce_days(
    site: SiteDescription,
    telemetry: pd.DataFrame,
    weather: pd.DataFrame,
    days: Sequence[int] | None = None,
    span: tuple[int, int] | None = None,
) -> DayTable:
    """Features of every wanted day.

    Parameters
    ----------
    site : a complete description (see :func:`rules.learn.complete_site`).
    telemetry, weather : canonical frames (:mod:`collectors.columns`).
    days : solar days to reduce; default all days of the span.
    span : first and last UTC second for which the record exists.
    """
    panels = build_panels(site, telemetry, span=span, days=days, trim=True)
    return DayTable.concat(site, [_reduce_panel(panel, weather) for panel in panels])


def _reduce_panel(whole: Panel, weather: pd.DataFrame) -> DayTable:
    # NaN is "not reported" and comes out as NaN or as no hours: no warning is due.
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        features = _features(whole, weather)
    return DayTable(whole.site, whole.days, {name: np.asarray(v, np.float64) for name, v in features.items()})


def _features(whole: Panel, weather: pd.DataFrame) -> Features:
    sun = sun_of(whole.site.site, whole.ts.ravel())
    window = grid_window(whole.site, whole.ac_voltage_v, whole.ac_frequency_hz)
    # Most features ask for light or power: nothing but the round-the-clock ones is computed of the night.
    panel = whole.daytime()
    slot = np.arange(whole.ts.size).reshape(whole.ts.shape)[:, whole.day]
    frame = reference_frame(panel, weather, sun.at(slot.ravel()))
    nothing = makes_nothing(frame)
    capped, below_known = at_ceiling(panel, frame)
    clipped = capped & ~repeats_itself(panel, frame, below_known)
    grid = grid_states(panel, frame, nothing, window)
    symptom = symptoms(panel, frame, nothing, grid.tripped)
    return {
        **round_the_clock_features(whole, frame.units, sun.elevation_deg.reshape(whole.ts.shape), window),
        **energy_features(panel, frame, clipped, grid.held_off),
        **ceiling_features(panel, frame, capped),
        **grid_features(panel, frame, grid, window),
        **symptom_features(panel, frame, symptom),
        **gap_features(panel, frame),
        **silence_features(panel, frame),
        **voltage_features(panel, frame, frame.lit & ~nothing),
        **frozen_features(panel, frame, clipped),
        **unit_features(panel, frame, grid),
        **site_level_features(panel, frame),
        **weather_features(panel, weather),
    }
