"""Faults made the way they happen, one builder each, and what looks like them."""

from sample_logs.sim.faults.cause import DAY, Fault, whole
from sample_logs.sim.faults.grid import curtailment, gateway_silent, grid_out_of_range, site_outage
from sample_logs.sim.faults.lookalikes import far_horizon, grid_dips, short_gaps, unit_added, unit_replaced
from sample_logs.sim.faults.modules import dead_input, idle_input, snow, soiling, substring_loss, weak_input
from sample_logs.sim.faults.records import clock_shift, frozen_readings, swapped_record
from sample_logs.sim.faults.shade import cast, shading
from sample_logs.sim.faults.units import (
    hot_derating,
    patchy_comms,
    restart_cycling,
    unit_silent,
    unit_standby,
)

__all__ = [
    "DAY",
    "Fault",
    "cast",
    "clock_shift",
    "curtailment",
    "dead_input",
    "far_horizon",
    "frozen_readings",
    "gateway_silent",
    "grid_dips",
    "grid_out_of_range",
    "hot_derating",
    "idle_input",
    "patchy_comms",
    "restart_cycling",
    "shading",
    "short_gaps",
    "site_outage",
    "snow",
    "soiling",
    "substring_loss",
    "swapped_record",
    "unit_added",
    "unit_replaced",
    "unit_silent",
    "unit_standby",
    "weak_input",
    "whole",
]
