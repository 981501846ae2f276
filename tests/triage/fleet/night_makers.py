"""A small workspace for the tests of the night: three inputs, a few days, one of them dead."""

from __future__ import annotations

import sqlite3
import time
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd

from collectors.columns import TELEMETRY_COLUMNS
from triage.workspace import Workspace

DAY = 86400
FIRST = int(datetime(2026, 6, 1, tzinfo=UTC).timestamp())
#: Noon of the day after the last of four days: the night of 2026-06-04 is just over.
AT = datetime(2026, 6, 5, 2, 0, tzinfo=UTC)

SITE_TOML = """
[site]
id = "{id}"
latitude = 47.0
longitude = 8.0
timezone = "Europe/Zurich"
region = "north"
tariff_per_kwh = 0.3
visit_cost = 90
currency = "CHF"
[modules.M400]
pmax_w = 400
vmp_v = 34
imp_a = 11.8
voc_v = 41
isc_a = 12.4
[planes.south]
azimuth_deg = 180
tilt_deg = 30
"""
UNIT_TOML = """
[[units]]
serial = "U{n}"
inputs = [{{ input = 1, module = "M400", plane = "south" }}]
"""


def telemetry(first_day: int, days: int, dead: int | None = 2, step: int = 900) -> pd.DataFrame:
    """Five inputs under a clear sky, roughly; ``dead`` has no voltage."""
    ts = np.arange(FIRST + first_day * DAY, FIRST + (first_day + days) * DAY, step)
    hour = (ts % DAY) / 3600 + 8.0 / 15
    light = np.clip(np.cos((hour - 12.0) / 14 * np.pi), 0, None) ** 1.3
    frames = []
    for n in range(1, 6):
        power = 330.0 * light * (1 + 0.01 * n)
        lit = power > 2
        frame = pd.DataFrame({"ts": ts, "unit": f"U{n}", "input": 1}).reindex(columns=list(TELEMETRY_COLUMNS))
        frame["dc_power_w"] = power if n != dead else 0.0
        frame["dc_voltage_v"] = np.where(lit, 34.0, 0.0) if n != dead else 0.0
        frame["dc_current_a"] = frame["dc_power_w"] / 34.0
        frame["ac_voltage_v"] = 231.0
        frame["ac_frequency_hz"] = 50.0
        frame["state"] = np.where(lit, "producing", "standby")
        frames.append(frame)
    frame = pd.concat(frames).sort_values(["ts", "unit", "input"], ignore_index=True)
    return frame.astype({"state": object})


def make_workspace(folder: Path, sites: int = 3, days: int = 4) -> Workspace:
    """Sites ``roof-0`` ...; odd ones have a dead input."""
    place = Workspace(folder)
    toml = SITE_TOML + "".join(UNIT_TOML.format(n=n) for n in range(1, 6))
    frames = [telemetry(0, days, dead=None), telemetry(0, days)]
    for n in range(sites):
        with place.add_site(toml.replace("{id}", f"roof-{n}")) as store:
            store.add_telemetry(frames[n % 2], "made up")
    return place


def ledger_rows(place: Workspace) -> dict[str, list[tuple[object, ...]]]:
    """Everything a night writes that must not change when it is done twice."""
    found = {}
    for site_id in place.site_ids():
        with closing(sqlite3.connect(place.path_of(site_id))) as db:
            tables = {row[0] for row in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
            found[site_id] = [
                row
                for table in ("finding", "finding_event", "day_feature", "input_day", "stale_day")
                if table in tables
                for row in sorted(db.execute(f"SELECT * FROM {table}"), key=repr)
            ]
    return found


def slow_note(job: tuple[str, int]) -> int:
    """A job that leaves a line in a shared folder each time it is begun, and takes a while."""
    folder, number = job
    with (Path(folder) / f"{number}.begun").open("a") as note:
        note.write("x\n")
    time.sleep(0.15)
    return number


def deadly_note(job: tuple[str, int]) -> int:
    """As :func:`slow_note`, but number 3 takes its worker with it, every time."""
    import os
    import signal

    if job[1] == 3:
        os.kill(os.getpid(), signal.SIGKILL)
    return slow_note(job)
