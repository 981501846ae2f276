"""One self-contained HTML file for one site: opens offline, prints to A4."""

from __future__ import annotations

import importlib
import json
import pkgutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cache
from importlib.metadata import version
from importlib.resources import files
from typing import TYPE_CHECKING, Any, Final, Protocol

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from plotly.offline import get_plotlyjs

import rules
import rules.faults
from collectors.errors import CalloutError
from collectors.site import SiteDescription
from rules.finding import Finding, NotJudged, Threshold
from triage.answer import answer_of, lost_words
from triage.compat_page import compat_fragment
from triage.compat_profiles import choose_profile
from triage.evidence_words import evidence_rows
from triage.figures import chance, clock, day_text, days_text, percent, plural, zone_text
from triage.ledger import LedgerEntry
from triage.report.charts import Figure, completeness_figure, figure_table, finding_figure, site_figure
from triage.report.picking import iso_day, view_days
from triage.report.roof import plan_caption, roof_cells, roof_svg
from triage.telling import loss_words, since_words, total_words
from triage.wording import ACTION_WORDS, SEVERITY_WORDS, Wording, light_words, wording

if TYPE_CHECKING:
    from rules.view import SiteView

_STATUS_WORDS: Final = {"open": "", "acknowledged": "acknowledged", "snoozed": "snoozed", "resolved": "over"}


class Checked(Protocol):
    """What the report needs of a check's result."""

    @property
    def from_day(self) -> str: ...
    @property
    def to_day(self) -> str: ...
    @property
    def irradiance_source(self) -> str: ...
    @property
    def irradiance_note(self) -> str: ...
    @property
    def not_judged(self) -> Sequence[NotJudged]: ...
    @property
    def rejected_rows(self) -> Mapping[str, int]: ...


@dataclass(frozen=True)
class ChartPart:
    """One chart as the template needs it."""

    id: str
    label: str
    caption: str
    alt: str
    header: list[str]
    body: list[list[str]]


@dataclass(frozen=True)
class FindingRow:
    """One finding as the template needs it."""

    finding: Finding
    words: Wording
    anchor: str
    action: str
    action_reason: str
    severity: str
    span: str
    days: str
    status: str
    evidence: list[tuple[str, str]]
    chart: ChartPart | None


def report_html(
    site: SiteDescription,
    view: SiteView | None,
    result: Checked,
    entries: Sequence[LedgerEntry],
    *,
    made_at: int,
    today: str | None = None,
) -> str:
    """The report as HTML text.

    Parameters
    ----------
    site : the site description as it was read.
    view : arrays for the charts; None when there are no readings.
    result : what the check said, for what it could not judge and its settings.
    entries : findings with their life; those resolved go to the list of the past.
    made_at : UTC epoch second that stands under the report.
    today : ISO date to hold the age of the data against; None leaves age out.
    """
    live = [entry for entry in entries if entry.live]
    past = [entry for entry in entries if not entry.live]
    answer = answer_of(
        site.site,
        [entry.finding for entry in live],
        result.not_judged,
        from_day=result.from_day,
        to_day=result.to_day,
        today=today,
        inputs=len(site.inputs),
    )
    store: dict[str, Figure] = {}
    rows = [_row(view, entry, store) for entry in live]
    context: dict[str, Any] = {
        "answer": answer,
        "rows": rows,
        "past": [_row(None, entry, {}) for entry in past],
        "period": days_text(result.from_day, result.to_day) if result.to_day else "no readings yet",
        "subtitle": _subtitle(site),
        "source_text": f"Light was judged by {light_words(result.irradiance_source)}.",
        "rejected": sorted(result.rejected_rows.items()),
        "settings": _settings(site, view, result),
        "thresholds": thresholds(),
        "made_at": clock(made_at, site.site.zone),
        "zone": zone_text(site.site),
        "version": version("callout"),
        "electrical": _electrical(site),
        **_drawn(view, rows, store),
    }
    page = _environment(site).get_template("report.html")
    return page.render(
        **context,
        css=asset("charts.css") + asset("report.css"),
        js=asset("themed.js") + asset("charts.js"),
        plotly=_plotly(),
        figures=[(name, _json(fig)) for name, fig in store.items()],
    )


def _drawn(view: SiteView | None, rows: Sequence[FindingRow], store: dict[str, Figure]) -> dict[str, Any]:
    """Roof plan and charts of the whole site; without readings there are none."""
    if view is None:
        return {"roof": "", "roof_caption": "", "cells": [], "site_chart": None, "completeness": None}
    findings = [row.finding for row in rows]
    return {
        "roof": roof_svg(view, findings, [f"#{row.anchor}" for row in rows]),
        "roof_caption": plan_caption(view, findings),
        "cells": roof_cells(view, findings),
        "site_chart": _part("energy-chart", "Energy a day", site_figure(view), store),
        "completeness": _part("data-chart", "Readings received", completeness_figure(view), store),
    }


def asset(name: str) -> str:
    """Text of a file in ``report/static``: ``charts.css``, ``charts.js``, ``report.css``, ``themed.js``."""
    return (files("triage.report") / "static" / name).read_text("utf-8")


@dataclass(frozen=True)
class ThresholdRow:
    rule: str
    name: str
    value: str
    source: str


@cache
def thresholds() -> tuple[ThresholdRow, ...]:
    """Every threshold the rules judge by: what several rules share first, then rule by rule."""
    shared = [f"rules.{m.name}" for m in pkgutil.iter_modules(rules.__path__) if not m.ispkg]
    own = [f"rules.faults.{m.name}" for m in pkgutil.iter_modules(rules.faults.__path__)]
    rows, seen = [], set()
    for path in [*sorted(shared), *sorted(own)]:
        place = path.rpartition(".")[2].replace("_", "-") if path in own else f"shared, {path[6:]}"
        for name, value in vars(importlib.import_module(path)).items():
            if isinstance(value, Threshold) and id(value) not in seen:
                seen.add(id(value))
                title = name.strip("_").lower().replace("_", " ")
                rows.append(ThresholdRow(place, title, f"{value.value:g} {value.unit}", value.source))
    return tuple(rows)


def _row(view: SiteView | None, entry: LedgerEntry, store: dict[str, Figure]) -> FindingRow:
    finding = entry.finding
    words = wording(finding.fault)
    anchor = f"finding-{entry.id}"
    chart = None
    if view is not None:
        label = f"{words.title}, {finding.place}"
        chart = _part(f"{anchor}-chart", label, finding_figure(view, finding), store)
    status = _STATUS_WORDS[entry.status]
    if entry.snoozed_until:
        status += f" until {day_text(entry.snoozed_until)}"
    return FindingRow(
        finding=finding,
        words=words,
        anchor=anchor,
        action=ACTION_WORDS[finding.action],
        action_reason=str(finding.evidence.get("action_reason", "")),
        severity=SEVERITY_WORDS[finding.severity],
        span=days_text(finding.first_seen, finding.last_seen),
        days=plural(finding.days, "day"),
        status=status,
        evidence=evidence_rows(finding),
        chart=chart,
    )


def _part(name: str, label: str, fig: Figure, store: dict[str, Figure]) -> ChartPart:
    store[name] = fig
    header, body = figure_table(fig)
    meta = fig["layout"]["meta"]
    return ChartPart(name, label, meta["caption"], meta["alt"], header, body)


def _subtitle(site: SiteDescription) -> str:
    parts = [f"Site {site.site.id}", plural(len(site.units), "unit"), plural(len(site.inputs), "input")]
    rated = sum(ref.module.pmax_w for ref in site.inputs if ref.module)
    if rated:
        parts.append(f"{rated / 1e3:.1f} kW of modules")
    if site.site.customer_ref:
        parts.append(f"customer {site.site.customer_ref}")
    if site.site.commissioned:
        parts.append(f"in service since {day_text(site.site.commissioned.isoformat())}")
    return ", ".join(parts)


def _electrical(site: SiteDescription) -> Markup:
    """The electrical check as a page of the report, where the site file chooses a profile of limits."""
    if not site.grid.profile:
        return Markup("")
    from rules.compat.check import check_site  # only sites that chose a profile pay for it

    try:
        result = check_site(site, choose_profile(None, site))
    except CalloutError as exc:
        return Markup("<h2>Electrical check</h2><p>{}</p>").format(exc.message)
    return Markup(compat_fragment(result, level=2))


def _settings(site: SiteDescription, view: SiteView | None, result: Checked) -> list[tuple[str, str]]:
    facts, grid = site.site, site.grid
    judged = "none"
    if result.to_day:
        span = (date.fromisoformat(result.to_day) - date.fromisoformat(result.from_day)).days + 1
        judged = f"{days_text(result.from_day, result.to_day)} ({plural(span, 'day')})"
    rows = [
        ("Days judged", judged),
        ("Times in", facts.timezone),
        ("Irradiance", ", ".join(filter(None, (light_words(result.irradiance_source), result.irradiance_note)))),
        ("Place", f"{facts.latitude:.3f}°, {facts.longitude:.3f}°, {facts.altitude_m:.0f} m"),
    ]
    if view is not None:
        rows.append(("Logging step", f"{view.step_s / 60:g} min"))
        ends = view_days(view)[[0, -1]]
        rows.append(("Days in the charts", days_text(iso_day(int(ends[0])), iso_day(int(ends[1])))))
        for name in dict.fromkeys(view.plane_of):
            given = site.planes.get(name)
            own = given is not None and given.azimuth_deg is not None and given.tilt_deg is not None
            rows.append((f"Plane {name or 'not on file'}", _plane(view, name, "on file" if own else "inferred")))
    window = [_window(grid.low_v, grid.high_v, "V"), _window(grid.low_hz, grid.high_hz, "Hz")]
    rows.append(("Grid window", ", ".join(filter(None, window)) or "not on file"))
    if facts.tariff_per_kwh is not None:
        rows.append(("Worth of energy", f"{facts.tariff_per_kwh:g} {facts.currency}".rstrip() + " per kWh"))
    if facts.visit_cost is not None:
        rows.append(("Cost of a visit", f"{facts.visit_cost:g} {facts.currency}".rstrip()))
    return rows


def _plane(view: SiteView, name: str, origin: str) -> str:
    plane = view.site.planes.get(name)
    if plane is None or plane.azimuth_deg is None or plane.tilt_deg is None:
        return "orientation unknown"
    return f"azimuth {plane.azimuth_deg:.0f}°, tilt {plane.tilt_deg:.0f}° ({origin})"


def _environment(site: SiteDescription) -> Environment:
    env = Environment(
        loader=PackageLoader("triage.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    env.filters["day"] = day_text
    env.filters["percent"] = percent
    env.filters["chance"] = chance
    env.filters["since"] = lambda answer: since_words(answer.since, answer.data_from)
    env.filters["lost"] = lambda answer: lost_words(answer, site.site)
    env.filters["loss"] = lambda finding, per="a day": loss_words([finding], site.site, per)
    env.filters["total"] = lambda finding: total_words([finding], site.site)
    env.filters["words"] = wording
    return env


def _json(fig: Figure) -> str:
    """JSON that can stand inside a script element."""
    text = json.dumps(fig, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")


@cache
def _plotly() -> str:
    return str(get_plotlyjs()).replace("</script", "<\\/script")


def _window(low: float | None, high: float | None, unit: str) -> str:
    if low is None and high is None:
        return ""
    if low is None or high is None:
        return f"up to {high:g} {unit}" if low is None else f"from {low:g} {unit}"
    return f"{low:g} to {high:g} {unit}"
