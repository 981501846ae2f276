"""Pieces that several evidence charts share."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from triage.figures import days_text
from triage.report.picking import (
    Window,
    iso_day,
    sibling_band,
    summed,
    view_days,
)
from triage.report.traces import (
    Figure,
    band,
    line,
    time_axis,
)

if TYPE_CHECKING:
    from rules.view import SiteView


def power_traces(view: SiteView, columns: NDArray[np.int64], part: Window, panel: Figure) -> list[Figure]:
    where = time_axis(view.ts[part.cut], part.size, view.site.site)
    traces: list[Figure] = []
    if len(columns) == 1:
        limits = sibling_band(view, int(columns[0]), part)
        if limits is not None:
            traces += band("middle half of siblings", *limits, where, **panel)
    usual = part.of(summed(view.typical_w, columns))
    if np.isfinite(usual).any():
        traces.append(line("siblings, typical", "siblings", usual, where, **panel))
    else:
        expected = part.of(summed(view.expected_w, columns))
        traces.append(line("expected", "expected", expected, where, **panel))
    name = view.site.inputs[int(columns[0])].label if len(columns) == 1 else "measured"
    traces.append(line(name, "input", part.of(summed(view.power_w, columns)), where, **panel))
    return traces


def days_of(view: SiteView, part: Window) -> str:
    days = view_days(view)[part.cut]
    return days_text(iso_day(int(days[0])), iso_day(int(days[-1])))


def clock_title(view: SiteView) -> str:
    return f"Local time ({view.site.site.timezone})"
