"""Canonical columns: the one place where their names and units stand.

A *canonical telemetry frame* is a :class:`pandas.DataFrame` in long form, one
row per input and time, sorted by ``ts``, ``unit``, ``input`` with no duplicate
key, with these columns (all present; NaN means not reported, never zero):

=================  =========  ================================================
column             dtype      meaning
=================  =========  ================================================
ts                 int64      UTC epoch seconds
unit               str        serial of the module-level inverter
input              int64      input (tracker) number, from 1
dc_voltage_v       float64    module voltage, V
dc_current_a       float64    module current, A
dc_power_w         float64    module power, W
energy_total_wh    float64    the input's lifetime counter, Wh
ac_voltage_v       float64    grid voltage at the unit, V
ac_frequency_hz    float64    grid frequency at the unit, Hz
ac_power_w         float64    unit's AC power, W
temperature_c      float64    unit's own temperature, Celsius
state              object     one of STATES, or None
signal_dbm         float64    radio signal at the gateway, dBm
=================  =========  ================================================
"""

from __future__ import annotations

from typing import Final

KEY_COLUMNS: Final = ("ts", "unit", "input")
INPUT_COLUMNS: Final = ("dc_voltage_v", "dc_current_a", "dc_power_w", "energy_total_wh")
UNIT_COLUMNS: Final = (
    "ac_voltage_v",
    "ac_frequency_hz",
    "ac_power_w",
    "temperature_c",
    "state",
    "signal_dbm",
)
TELEMETRY_COLUMNS: Final = (*KEY_COLUMNS, *INPUT_COLUMNS, *UNIT_COLUMNS)

#: Header of the plain CSV, exactly.
CSV_HEADER: Final = ("timestamp", "unit", "input", *INPUT_COLUMNS, *UNIT_COLUMNS)

STATES: Final = ("producing", "starting", "standby", "fault", "off")
#: Code of each state in the store; NULL is "not reported".
STATE_CODES: Final = {name: code for code, name in enumerate(STATES)}

#: Weather frame: ``ts`` and ``plane`` ("" unless the row holds a plane's
#: irradiance), then these, all float64.
WEATHER_COLUMNS: Final = (
    "ghi_w_m2",
    "poa_w_m2",
    "dni_w_m2",
    "dhi_w_m2",
    "temp_air_c",
    "temp_module_c",
    "wind_m_s",
)
WEATHER_HEADER: Final = ("timestamp", *WEATHER_COLUMNS)

#: Gateway log frame: ``ts`` (int64), then these, all str.
EVENT_COLUMNS: Final = ("source", "event", "detail")
EVENT_HEADER: Final = ("timestamp", *EVENT_COLUMNS)
EVENTS: Final = ("online", "offline", "restart", "alarm", "clear")
