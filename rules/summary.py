"""Plain rows of a day table, for people who query the store by hand."""

from __future__ import annotations

from math import isnan

import numpy as np

from rules.daytable import DARK, DEAD, IDLE, MISSING, STANDBY, DayTable, day_iso

Row = tuple[int, str, int, str, *tuple[float | None, ...]]


def day_rows(table: DayTable) -> list[Row]:
    """One row per day and input: energy (Wh), siblings' energy, ratio, hours by symptom.

    Ratio is the energy over what siblings made in the same slots; None where
    there was no light.
    """
    rated = np.array([ref.module.pmax_w if ref.module else np.nan for ref in table.site.inputs])
    energy = table["power"].sum(axis=2) * rated
    siblings = table["typical"].sum(axis=2) * rated
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.where(siblings > 0.1 * rated, energy / siblings, np.nan)
    hours = table["symptom_slots"]
    columns = np.stack(
        [
            energy, siblings, ratio, table["lit_h"], table["seen_h"],
            hours[:, :, DEAD] + hours[:, :, DARK], hours[:, :, IDLE], hours[:, :, STANDBY], hours[:, :, MISSING],
            table["volt_ratio"], table["clipped_h"],
        ],
        axis=2,
    )  # fmt: skip
    plain = np.round(columns, 4).tolist()
    return [
        (day, ref.unit, ref.input, day_iso(day), *(None if isnan(v) else v for v in of_day[ref.index]))
        for day, of_day in zip(table.days.tolist(), plain, strict=True)
        for ref in table.site.inputs
    ]
