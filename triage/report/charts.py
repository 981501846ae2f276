"""Charts as plotly JSON (plain dicts, no script): one per finding, and the site's own."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING, Final

import numpy as np

from rules.finding import FAULT_SCOPES, Finding
from triage.figures import energy, percent
from triage.report import evidence_power, evidence_reporting, evidence_units
from triage.report.picking import iso_day, summed, view_days
from triage.report.roof import roof_svg
from triage.report.traces import Figure, day_ticks, figure, figure_table, numbers, panels

if TYPE_CHECKING:
    from rules.view import SiteView

__all__ = [
    "FIGURES",
    "Figure",
    "completeness_figure",
    "figure_table",
    "finding_figure",
    "roof_svg",
    "site_figure",
]

_onset = partial(evidence_power.power_figure, onset=True)

#: Which chart shows a fault.
FIGURES: Final[dict[str, Callable[[SiteView, Finding], Figure]]] = {
    "gateway-silent": evidence_reporting.reporting_figure,
    "site-outage": evidence_units.grid_figure,
    "grid-out-of-range": evidence_units.grid_figure,
    "curtailment": evidence_power.expected_figure,
    "unit-silent": evidence_reporting.reporting_figure,
    "patchy-comms": evidence_reporting.reporting_figure,
    "unit-standby": evidence_units.grid_figure,
    "restart-cycling": evidence_units.grid_figure,
    "hot-derating": evidence_units.heat_figure,
    "dead-input": partial(_onset, voltage=True),
    "idle-input": partial(_onset, voltage=True),
    "substring-loss": partial(evidence_power.power_figure, voltage=True),
    "shading": evidence_power.shade_figure,
    "soiling": evidence_power.power_figure,
    "snow": _onset,
    "weak-input": partial(evidence_power.power_figure, voltage=True),
    "swapped-record": evidence_power.planes_figure,
    "frozen-readings": _onset,
    "clock-shift": evidence_power.expected_figure,
    "clipping": evidence_power.power_figure,
}
assert FIGURES.keys() == FAULT_SCOPES.keys(), "every fault has its chart"


def finding_figure(view: SiteView, finding: Finding) -> Figure:
    """The evidence chart of a finding.

    Returns plotly's JSON form ``{"data", "layout"}``; ``layout["meta"]`` holds
    ``caption`` and ``alt``. :func:`figure_table` gives its numbers as a table.
    """
    return FIGURES.get(finding.fault, evidence_power.power_figure)(view, finding)


def site_figure(view: SiteView) -> Figure:
    """Energy a day, measured against expected, kWh."""
    columns = np.arange(len(view.site.inputs))
    days, where = np.unique(view_days(view), return_inverse=True)
    hours = view.step_s / 3600
    # Expected only where there is a reading: a gap is not a shortfall.
    seen = np.isfinite(view.power_w)
    made = np.bincount(where, np.nan_to_num(summed(view.power_w, columns)), len(days)) * hours / 1e3
    due = np.where(seen, np.nan_to_num(view.expected_w), 0.0).sum(axis=1)
    expected = np.bincount(where, due, len(days)) * hours / 1e3
    stamps = [iso_day(d) for d in days]
    data = [
        {"type": "bar", "name": "measured", "meta": "input", "x": stamps, "y": numbers(made, 2),
         "marker": {"color": "#0072B2"}},
        {"type": "scatter", "mode": "markers", "name": "expected", "meta": "expected", "x": stamps,
         "y": numbers(expected, 2), "marker": {"symbol": "line-ew-open", "size": 12, "color": "#B87A00",
                                               "line": {"width": 3, "color": "#B87A00"}}},
    ]  # fmt: skip
    layout = panels(["Energy (kWh a day)"])
    layout["yaxis"]["rangemode"] = "tozero"
    layout["xaxis"] |= day_ticks(stamps)
    total, ought = float(made.sum()), float(expected.sum())
    share = f", {percent(total / ought)} of expected" if ought > 0 else ""
    alt = f"{energy(1e3 * total)} measured over {len(days)} days{share}."
    caption = "DC energy of all inputs a day; expected counts only times with a reading: a gap is no loss."
    return figure(data, layout, caption=caption, alt=alt, height=320)


def completeness_figure(view: SiteView) -> Figure:
    """Readings received of each unit by day."""
    whole = Finding(
        site=view.site.site.id, fault="gateway-silent", first_seen=iso_day(int(view_days(view)[0])),
        last_seen=iso_day(int(view_days(view)[-1])), days=0, confidence=0.0, severity="info",
        loss_wh_per_day=0.0, loss_wh_total=0.0, action="none", why="",
    )  # fmt: skip
    return evidence_reporting.reporting_figure(view, whole)
