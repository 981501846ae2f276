"""The roof plan as inline SVG: each input's day over its siblings' band, at its place on the roof.

Nothing is coloured by power. A cell shows the input's own curve over the band
of its siblings and, where there is a finding, its symbol and name in words.
Only classes and presentation attributes are used, so a strict content security
policy lets it through; ``report.css`` and ``app.css`` give the colours.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING, Final

import numpy as np

from rules.finding import ACTIONS, Finding
from triage.figures import day_text, percent
from triage.report.picking import (
    Window,
    day_light,
    day_number,
    iso_day,
    members,
    rated_w,
    sibling_band,
    window,
)
from triage.report.traces import Floats
from triage.roofplan import spot_of
from triage.wording import wording

if TYPE_CHECKING:
    from rules.view import SiteView

CELL_W: Final = 132
CELL_H: Final = 92
_GAP: Final = 8
_PLOT_TOP: Final = 20
_PLOT_H: Final = 46
#: The plan shows one day: the brightest of the last ones, for a curve worth comparing.
LOOK_BACK_DAYS: Final = 10
_WEIGHTS: Final = {"visit": 10_000, "remote": 100, "watch": 1, "none": 0}
_COMPASS: Final = (
    "north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west",
)  # fmt: skip


@dataclass(frozen=True)
class RoofCell:
    """One input on the plan: where it is, how it did, what was found."""

    column: int
    label: str
    plane: str
    row: int
    place: int
    share: float | None
    finding: int | None
    fault: str
    judged: bool


def plan_day(view: SiteView, findings: Sequence[Finding] = ()) -> int:
    """Solar day whose curves the plan shows.

    Of the last ten days the one on which most of the findings stood, those that
    ask for a visit before all others, and of such days the brightest; days with
    less than half the best day's light stay out.
    """
    days, light = day_light(view)
    recent = days > days[-1] - LOOK_BACK_DAYS
    good = recent & (light >= 0.5 * light[recent].max())
    spans = [(_WEIGHTS[f.action], day_number(f.first_seen), day_number(f.last_seen)) for f in findings]
    standing = np.array([sum(weight for weight, first, last in spans if first <= day <= last) for day in days.tolist()])
    best = good & (standing == standing[good].max())
    return int(days[np.argmax(np.where(best, light, -1.0))])


def plan_caption(view: SiteView, findings: Sequence[Finding] = ()) -> str:
    """What the plan shows, in a sentence."""
    day = day_text(iso_day(plan_day(view, findings)))
    return (
        f"Each cell is one input: its power on {day}, a bright one of the last {LOOK_BACK_DAYS} days, over "
        "what its siblings made (dashed: typical; grey: their middle half). The figure is its energy that "
        "day as a share of the siblings'. Rows count from the top, columns from the left."
    )


def roof_cells(view: SiteView, findings: Sequence[Finding]) -> list[RoofCell]:
    """One cell per input, in the site's order; also the table beside the plan."""
    part = _part(view, plan_day(view, findings))
    share = _shares(view, part)
    marks = _marks(view, findings)
    cells = []
    taken: set[tuple[str, int, int]] = set()
    for ref in view.site.inputs:
        plane = view.plane_of[ref.index]
        row, place = spot_of(view.site, ref)
        if row is None or place is None or (plane, row, place) in taken:
            row, place = _free(taken, plane)
        taken.add((plane, row, place))
        mark = marks.get(ref.index)
        value = float(share[ref.index])
        cells.append(
            RoofCell(
                column=ref.index,
                label=ref.label,
                plane=plane,
                row=row,
                place=place,
                share=value if value == value else None,
                finding=mark,
                fault=findings[mark].fault if mark is not None else "",
                judged=value == value,
            )
        )
    return cells


def roof_svg(view: SiteView, findings: Sequence[Finding], hrefs: Sequence[str] = ()) -> str:
    """The plan, one ``<svg>`` per plane inside a ``<div class="roof">``.

    Parameters
    ----------
    view : the site's arrays.
    findings : live findings, most urgent first: the first that covers an input marks it.
    hrefs : link of each finding, in the same order; empty for none.
    """
    part = _part(view, plan_day(view, findings))
    ceiling = _ceiling(view, part)
    cells = roof_cells(view, findings)
    blocks = []
    for plane in dict.fromkeys(cell.plane for cell in cells):
        mine = [cell for cell in cells if cell.plane == plane]
        blocks.append(_plane_svg(view, plane, mine, part, ceiling, findings, hrefs))
    return f'<div class="roof">{"".join(blocks)}</div>'


def plane_title(view: SiteView, name: str) -> str:
    """``south: facing south-west (225°), tilt 30°``."""
    plane = view.site.planes.get(name)
    title = name or "plane not on file"
    if plane is None:
        return title
    parts = []
    if plane.azimuth_deg is not None:
        parts.append(f"facing {_COMPASS[round(plane.azimuth_deg / 45) % 8]} ({plane.azimuth_deg:.0f}°)")
    if plane.tilt_deg is not None:
        parts.append(f"tilt {plane.tilt_deg:.0f}°")
    return f"{title}: {', '.join(parts)}" if parts else title


def _plane_svg(
    view: SiteView,
    plane: str,
    cells: Sequence[RoofCell],
    part: Window,
    ceiling: float,
    findings: Sequence[Finding],
    hrefs: Sequence[str],
) -> str:
    rows, places = _steps([c.row for c in cells]), _steps([c.place for c in cells])
    width = (max(places.values()) + 1) * (CELL_W + _GAP) + _GAP
    height = (max(rows.values()) + 1) * (CELL_H + _GAP) + _GAP
    title = plane_title(view, plane)
    body = []
    for cell in cells:
        x = _GAP + places[cell.place] * (CELL_W + _GAP)
        y = _GAP + rows[cell.row] * (CELL_H + _GAP)
        inner = _cell_svg(view, cell, part, ceiling)
        if cell.finding is not None and hrefs:
            label = escape(f"{cell.label}: {wording(cell.fault).title}", quote=True)
            inner = f'<a href="{escape(hrefs[cell.finding], quote=True)}" aria-label="{label}">{inner}</a>'
        action = f" roof-{findings[cell.finding].action}" if cell.finding is not None else ""
        body.append(f'<g class="roof-cell{action}" transform="translate({x} {y})">{inner}</g>')
    name = escape(f"Roof plan, {title}", quote=True)
    return (
        f'<figure class="roof-plane"><figcaption>{escape(title)}</figcaption>'
        f'<div class="roof-scroll" tabindex="0" role="region" aria-label="{name}">'
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" '
        f'viewBox="0 0 {width} {height}" class="roof-svg">{"".join(body)}</svg></div></figure>'
    )


def _steps(numbers: Sequence[int], widest: int = 40) -> dict[int, int]:
    """Position of each row or column number from 0; gaps stay, unless numbers are wildly apart."""
    kinds = sorted(set(numbers))
    if kinds[-1] - kinds[0] < widest:
        return {n: n - kinds[0] for n in kinds}
    return {n: place for place, n in enumerate(kinds)}


def _cell_svg(view: SiteView, cell: RoofCell, part: Window, ceiling: float) -> str:
    """One cell drawn at the origin."""
    words = wording(cell.fault) if cell.fault else None
    note = _fitted(words.short) if words is not None else "" if cell.judged else "no reading"
    parts = [
        f"<title>{escape(_spoken(cell))}</title>",
        f'<rect class="roof-box" width="{CELL_W}" height="{CELL_H}" rx="3"/>',
        _curves(view, cell.column, part, ceiling),
        f'<text class="roof-label" x="6" y="14">{escape(cell.label[-11:])}</text>',
    ]
    if cell.share is not None:
        shown = percent(cell.share)
        parts.append(f'<text class="roof-share" x="{CELL_W - 6}" y="14" text-anchor="end">{shown}</text>')
    if words is not None:
        parts.append(f'<text class="roof-symbol" x="6" y="{CELL_H - 8}">{escape(words.symbol)}</text>')
    if note:
        at = 22 if words is not None else 6
        parts.append(f'<text class="roof-note" x="{at}" y="{CELL_H - 9}">{escape(note)}</text>')
    return "".join(parts)


def _curves(view: SiteView, column: int, part: Window, ceiling: float) -> str:
    """Band and dashed line of the siblings, and the input's line."""
    own = part.of(view.power_w[:, column])
    limits = sibling_band(view, column, part)
    drawn = []
    if limits is not None:
        low, high = (_points(side, ceiling) for side in limits)
        if len(low) > 1:
            drawn.append(f'<polygon class="roof-band" points="{_join([*high, *low[::-1]])}"/>')
    usual = part.of(view.typical_w[:, column])
    if not np.isfinite(usual).any():
        usual = part.of(view.expected_w[:, column])
    points = _points(usual, ceiling)
    if len(points) > 1:
        drawn.append(f'<polyline class="roof-usual" points="{_join(points)}"/>')
    for run in _runs(own, ceiling):
        drawn.append(f'<polyline class="roof-line" points="{_join(run)}"/>')
    return "".join(drawn)


def _points(values: Floats, ceiling: float) -> list[tuple[float, float]]:
    """SVG points of what is finite."""
    where = np.flatnonzero(np.isfinite(values))
    x = 6 + where * (CELL_W - 12) / max(len(values) - 1, 1)
    y = _PLOT_TOP + _PLOT_H * (1 - np.clip(values[where] / ceiling, 0, 1))
    return list(zip(np.round(x, 1).tolist(), np.round(y, 1).tolist(), strict=True))


def _runs(values: Floats, ceiling: float) -> list[list[tuple[float, float]]]:
    """Points split where a reading is missing, so that a gap shows as a gap."""
    points = _points(values, ceiling)
    where = np.flatnonzero(np.isfinite(values))
    cuts = np.flatnonzero(np.diff(where) > 1) + 1
    pieces = np.split(np.arange(len(points)), cuts)
    return [[points[int(i)] for i in piece] for piece in pieces if len(piece) > 1]


def _join(points: Sequence[tuple[float, float]]) -> str:
    return " ".join(f"{x:g},{y:g}" for x, y in points)


def _part(view: SiteView, day: int) -> Window:
    part = window(view, day, day)
    # Night is the same for all: cut it off, so that the curve has the room.
    up = np.flatnonzero(view.sun_elevation_deg[part.cut] > -1)
    if not len(up):
        return part
    start = part.cut.start
    return Window(slice(start + int(up[0]), start + int(up[-1]) + 1), max(part.size, len(up) // 56))


def _ceiling(view: SiteView, part: Window) -> float:
    """One scale for the whole roof, W."""
    tops = [float(np.nanmax(part.of(a), initial=0.0)) for a in (view.power_w, view.typical_w)]
    return max(*tops, 1e-6)


def _shares(view: SiteView, part: Window) -> Floats:
    """Energy of each input over its siblings' in the plan's day; over expected where it has none."""
    power = view.power_w[part.cut]
    out = np.full(power.shape[1], np.nan)
    rated = rated_w(view)
    for reference in (view.expected_w[part.cut], view.typical_w[part.cut]):
        both = np.isfinite(power) & np.isfinite(reference)
        made = np.where(both, power, 0.0).sum(axis=0)
        usual = np.where(both, reference, 0.0).sum(axis=0)
        # A tenth of an hour at full power is too little to divide by.
        enough = usual * view.step_s / 3600 > 0.1 * rated
        out = np.where(enough, made / np.maximum(usual, 1e-9), out)
    return out


def _marks(view: SiteView, findings: Sequence[Finding]) -> dict[int, int]:
    """Input column -> the finding that marks it: the most urgent, the narrowest first."""
    order = sorted(
        range(len(findings)),
        key=lambda n: (ACTIONS.index(findings[n].action), len(members(view, findings[n]))),
    )
    marks: dict[int, int] = {}
    for n in order:
        for column in members(view, findings[n]).tolist():
            marks.setdefault(column, n)
    return marks


def _free(taken: set[tuple[str, int, int]], plane: str, across: int = 8) -> tuple[int, int]:
    """The next free place of a plane, for inputs the site file gives none."""
    n = 0
    while (plane, n // across + 1, n % across + 1) in taken:
        n += 1
    return n // across + 1, n % across + 1


def _fitted(text: str, most: int = 17) -> str:
    return text if len(text) <= most else text[: most - 1].rstrip() + "…"


def _spoken(cell: RoofCell) -> str:
    share = f"{percent(cell.share)} of siblings" if cell.share is not None else "no reading to compare"
    fault = f", {wording(cell.fault).title}" if cell.fault else ""
    return f"{cell.label}, row {cell.row}, column {cell.place}: {share}{fault}"
