"""After the roof: do the first clear days show every input present, awake, in place and at its voltage?"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta
from typing import Final

import numpy as np
import pandas as pd

from collectors.site import SiteDescription
from rules.compat.clear_days import (
    CLEAR_DAY,
    PARTLY_CLEAR_DAY,
    ClearDays,
    choose_days,
    clear_stamps,
    energy_ratio,
    expect,
    middle,
)
from rules.compat.inputs_seen import LEVEL_LOW, inputs_seen
from rules.compat.planes_seen import Weeks, first_weeks, orientation_seen
from rules.compat.record import CommissionRecord, Observation, Place
from rules.finding import Threshold
from rules.panel import build_panels

LEVEL_HIGH: Final = Threshold(1.15, "of clear sky", "common practice: mounting 10 %, sky model 8 %")


def commission(
    site: SiteDescription,
    telemetry: pd.DataFrame,
    weather: pd.DataFrame,
    wanted: int = 3,
    day_from: int | None = None,
) -> CommissionRecord:
    """The commissioning record from a site's first clear days.

    Parameters
    ----------
    telemetry, weather : canonical frames.
    wanted : clear days to use, the earliest ones.
    day_from : solar day number to start from; None is the start of the record.

    Raises
    ------
    ValueError : no telemetry, or none from that day on.
    """
    panels = [p for p in build_panels(site, telemetry) if day_from is None or p.days[-1] >= day_from]
    if not panels:
        raise ValueError("no telemetry")
    found: list[tuple[int, float]] = []
    chosen: ClearDays | None = None
    second: ClearDays | None = None
    for panel in panels:
        expected = expect(panel, weather)
        share, stamps = clear_stamps(panel, expected)
        share = np.where(panel.days >= (day_from or panel.days[0]), share, 0.0)
        found += zip(panel.days.tolist(), share.tolist(), strict=True)
        # One panel's days share a step; a later panel is only asked when the earlier ones had none.
        clear = np.flatnonzero(share >= CLEAR_DAY.value)[:wanted]
        if clear.size:
            chosen = choose_days(panel, expected, stamps, clear)
            break
        partly = np.flatnonzero(share >= PARTLY_CLEAR_DAY.value)
        if second is None and partly.size:
            best = partly[np.argsort(-share[partly], kind="stable")[:wanted]]
            second = choose_days(panel, expected, stamps, np.sort(best))
    chosen = chosen or second
    record = first_weeks(panels, weather)
    last = int(panels[-1].days[-1])
    first = max(int(panels[0].days[0]), day_from or 0)
    clearest = max(found, key=lambda pair: pair[1])
    nothing = (Place("site", (_no_clear_day(clearest),)),)
    return CommissionRecord(
        site=site.site.id,
        name=site.site.name,
        first_day=_iso(first),
        last_day=_iso(last),
        clear_days=tuple(_iso(int(d)) for d in chosen.days) if chosen else (),
        clearest=(_iso(clearest[0]), clearest[1]),
        partly_clear=chosen is not None and chosen is second,
        site_places=tuple(_site_places(chosen, record)) if chosen else nothing,
        inputs=tuple(inputs_seen(chosen, record)) if chosen else (),
    )


def _site_places(days: ClearDays, record: Weeks) -> Iterator[Place]:
    yield Place("site", tuple(_site_observations(days)))
    for name in dict.fromkeys(ref.plane for ref in days.site.inputs):
        seen = (orientation_seen(days.site, record, name),)
        yield Place(f"plane {name}" if name else "plane not named", seen, plane=name or None)


def _site_observations(days: ClearDays) -> Iterator[Observation]:
    level = middle(energy_ratio(days, days.clear).ravel())
    expected = f"{100 * LEVEL_LOW.value:.0f} to {100 * LEVEL_HIGH.value:.0f} %"
    if np.isfinite(level):
        good = LEVEL_LOW.value <= level <= LEVEL_HIGH.value
        text = "The whole site is off: module ratings, orientation, altitude in the file, haze or heavy dirt."
        yield Observation(
            "level", "Energy against clear sky", "pass" if good else "near", 100.0 * level, "%", expected,
            "" if good else text,
        )  # fmt: skip
    else:
        text = "Give orientation and module."
        yield Observation("level", "Energy against clear sky", "unknown", None, "%", expected, text)
    yield _ac_voltage(days)
    yield _signal(days)


def _ac_voltage(days: ClearDays) -> Observation:
    words = ("ac-voltage", "Highest AC voltage at a unit")
    if not np.isfinite(days.ac_voltage).any():
        return Observation(*words, "unknown", None, "V", "", "The record has no AC voltage.")
    by_unit = np.nanmax(np.where(np.isfinite(days.ac_voltage), days.ac_voltage, -np.inf), axis=0)
    worst = int(by_unit.argmax())
    value, serial = float(by_unit[worst]), days.site.units[worst].serial
    limit = days.site.grid.high_v
    if limit is None:
        return Observation(*words, "unknown", value, "V", "", "Give [grid] high_v.")
    expected = f"below {limit:g} V ([grid] high_v)"
    if value < 0.99 * limit:
        return Observation(*words, "pass", value, f"V, at {serial}", expected)
    text = "On sunny days with little load this unit leaves the grid: see the voltage rise rows."
    return Observation(*words, "near" if value <= limit else "fail", value, f"V, at {serial}", expected, text)


def _signal(days: ClearDays) -> Observation:
    words = ("signal", "Weakest radio signal")
    if not np.isfinite(days.signal).any():
        return Observation(*words, "unknown", None, "dBm", "", "The record has no signal.")
    ordered = np.sort(days.signal[:, np.isfinite(days.signal).any(axis=0)], axis=0)
    middle = np.nanmedian(ordered, axis=0)
    serials = np.array([u.serial for u in days.site.units])[np.isfinite(days.signal).any(axis=0)]
    worst = int(middle.argmin())
    return Observation(*words, "pass", float(middle[worst]), f"dBm, at {serials[worst]}", "for the record")


def _no_clear_day(clearest: tuple[int, float]) -> Observation:
    return Observation(
        "clear-day",
        "A clear day",
        "unknown",
        100.0 * clearest[1],
        "% clear",
        f"at least {100 * CLEAR_DAY.value:.0f} %",
        f"No day was clear enough yet; the clearest was {_iso(clearest[0])}. Try again after a clear day.",
    )


def _iso(day: int) -> str:
    return (date(1970, 1, 1) + timedelta(days=int(day))).isoformat()
