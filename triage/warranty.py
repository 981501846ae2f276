"""The evidence for a warranty claim: one zip per finding that a stranger can check without us.

It holds a summary (PDF), the charts (HTML, opens offline), the raw rows behind
them (CSV), the time line, how each figure was computed, and SHA-256 sums of all
of it. The same store gives the same bytes.
"""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from dataclasses import dataclass
from datetime import date
from importlib.metadata import version
from typing import Any, BinaryIO, Final

import numpy as np
import pandas as pd
import plotly.io
from reportlab.platypus import KeepTogether

from collectors.site import InputRef, SiteDescription
from collectors.store import Store, day_bounds
from rules.finding import Finding
from rules.view import SiteView, build_view
from triage.csvout import canonical_csv, to_csv
from triage.figures import chance, day_text, percent, plural, zone_text
from triage.ledger import Ledger, LedgerEntry, LedgerEvent
from triage.paper import build_pdf, gap, line_chart, listed, roof_drawing, table, text
from triage.report.charts import finding_figure
from triage.roofplan import roof_plan, touches
from triage.telling import loss_words, total_words
from triage.verify import place_columns
from triage.wording import wording

#: Healthy days shown before the fault began, and the most days in the raw rows.
LEAD_DAYS: Final = 7
MOST_DAYS: Final = 120
_EPOCH: Final = date(1970, 1, 1).toordinal()
#: Fixed, so that the same evidence has the same checksum.
_ZIP_DATE: Final = (1980, 1, 1, 0, 0, 0)

_METHOD = """How each figure was computed
============================

Site {site}, finding {number} ({fault}), Callout {version}.

Readings
  readings.csv holds the rows as stored, UTC, of the units the finding names and of the units on the same
  planes (its siblings), from {first} to {last} (local solar days). Nothing is interpolated; an empty cell was
  not reported. Values are those the gateway sent, kept to 0.001 V, 0.001 A, 0.01 W and 0.1 Wh.

Siblings' power
  For every time, the robust typical power of the inputs on the same plane, each per rated watt, scaled to
  this input's rating. It resists a minority of faulty members. Siblings share sky, temperature and the
  model's error, so the ratio to them is the first witness.

Expected power
  From {irradiance}. Sun position: NREL SPA (NREL/TP-560-34302) by pvlib. Clear sky: Ineichen and Perez with
  pvlib's Linke turbidity table. Module power from its data sheet values in site.toml.

Loss
  {per_day}, {total} in all over {days}: the siblings' (or expected) energy less the energy recorded,
  over the times at which the fault showed.

Confidence
  {confidence}: calibrated on simulated sites with known faults; a probability that the cause named is the
  true one, not that something is wrong. finding.json lists the alternatives and what would tell them apart.

Evidence
  finding.json, key "evidence", holds every number the sentence "why" quotes.

daily.csv
  For each day and input: energy recorded and the siblings' energy over the same times, Wh: the sum of
  power times the logging step, where both are known.

SHA256SUMS
  `sha256sum -c SHA256SUMS` proves that no file was changed after it was written.
"""


@dataclass(frozen=True)
class EvidenceFile:
    """One file of the pack and its checksum."""

    name: str
    size: int
    sha256: str


def write_evidence(store: Store, number: int, target: BinaryIO, at: str) -> tuple[EvidenceFile, ...]:
    """Write the zip for one finding.

    Parameters
    ----------
    number : the finding's number in this site's ledger.
    target : open binary file.
    at : UTC ISO time that stands on the summary.

    Raises
    ------
    UsageError : no such finding.
    """
    ledger = Ledger(store)
    entry = ledger.get(number)
    history = ledger.history(number)
    finding = entry.finding
    first, last = _days(finding)
    start, end = (
        day_bounds(first, store.site.site.longitude)[0],
        day_bounds(last, store.site.site.longitude)[1],
    )
    frame = store.telemetry(start, end)
    weather = store.weather(start, end)
    view = build_view(store.site, frame, weather) if len(frame) else None
    files: dict[str, bytes] = {
        "finding.json": _json(entry.to_json()),
        "timeline.csv": _timeline(history),
        "serials.csv": _serials(store.site, finding),
        "site.toml": store.meta("site_toml").encode(),
        "readings.csv": canonical_csv(_rows(frame, store.site, finding)).encode(),
        "method.txt": _method(store.site, entry, view, first, last).encode(),
    }
    if view is not None:
        daily = _daily(view, place_columns(finding, store.site.inputs))
        files["daily.csv"] = to_csv(("day", "unit", "input", "energy_wh", "siblings_wh", "share"), daily).encode()
        files["chart.html"] = _chart(view, finding).encode()
    files["summary.pdf"] = _summary(store.site, entry, history, view, at)
    listing = tuple(EvidenceFile(name, len(body), hashlib.sha256(body).hexdigest()) for name, body in sorted(files.items()))
    files["SHA256SUMS"] = "".join(f"{f.sha256}  {f.name}\n" for f in listing).encode()
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, body in sorted(files.items()):
            info = zipfile.ZipInfo(name, _ZIP_DATE)
            info.compress_type = zipfile.ZIP_DEFLATED
            info.external_attr = 0o644 << 16
            archive.writestr(info, body)
    return listing


def _json(value: Any) -> bytes:
    return (json.dumps(value, indent=1, default=str) + "\n").encode()


def _days(finding: Finding) -> tuple[int, int]:
    first = date.fromisoformat(finding.first_seen).toordinal() - _EPOCH - LEAD_DAYS
    last = date.fromisoformat(finding.last_seen).toordinal() - _EPOCH
    return max(first, last - MOST_DAYS + 1), last


def _rows(frame: pd.DataFrame, site: SiteDescription, finding: Finding) -> pd.DataFrame:
    """Rows of the units named and of their siblings; everything for a finding above one unit."""
    if finding.unit is None and finding.plane is None:
        return frame
    columns = place_columns(finding, site.inputs)
    planes = {site.inputs[c].plane for c in columns}
    units = {r.unit for r in site.inputs if r.plane in planes or r.index in columns}
    return frame[frame["unit"].isin(units)]


def _daily(view: SiteView, columns: list[int]) -> list[list[Any]]:
    """Day, serial, input, energy, siblings' energy over the same times (Wh), share."""
    start, _ = day_bounds(0, view.site.site.longitude)
    days, where = np.unique((view.ts - start) // 86400, return_inverse=True)
    hours = view.step_s / 3600
    rows: list[list[Any]] = []
    for c in columns:
        both = np.isfinite(view.power_w[:, c]) & np.isfinite(view.typical_w[:, c])
        made = np.bincount(where, np.where(both, view.power_w[:, c], 0.0), len(days)) * hours
        usual = np.bincount(where, np.where(both, view.typical_w[:, c], 0.0), len(days)) * hours
        ref: InputRef = view.site.inputs[c]
        rows += [
            [date.fromordinal(_EPOCH + int(d)).isoformat(), ref.unit, ref.input, round(float(m), 1),
             round(float(u), 1), round(float(m / u), 4) if u > 0 else ""]
            for d, m, u in zip(days, made, usual, strict=True)
        ]  # fmt: skip
    return rows


def _chart(view: SiteView, finding: Finding) -> str:
    figure = finding_figure(view, finding)
    caption = str(figure["layout"].get("meta", {}).get("caption", ""))
    figure = {**figure, "layout": {**figure["layout"], "title": {"text": caption, "font": {"size": 13}}}}
    html: str = plotly.io.to_html(figure, include_plotlyjs=True, full_html=True, div_id="chart", validate=False)
    return html


def _timeline(history: list[LedgerEvent]) -> bytes:
    return to_csv(("at_utc", "who", "event", "detail"), [(e.at, e.who, e.event, e.detail) for e in history]).encode()


def _serials(site: SiteDescription, finding: Finding) -> bytes:
    header = ("unit", "input", "inverter", "module", "plane", "row", "column", "branch", "gateway", "named")
    names = {(u.serial, i.input): (u.inverter or "", i.module or "") for u in site.units for i in u.inputs}
    rows = [
        (r.unit, r.input, *names[r.key], r.plane, r.row or "", r.column or "", r.branch, r.gateway,
         "yes" if touches(finding, r) else "")
        for r in site.inputs
    ]  # fmt: skip
    return to_csv(header, rows).encode()


def _method(site: SiteDescription, entry: LedgerEntry, view: SiteView | None, first: int, last: int) -> str:
    f = entry.finding
    return _METHOD.format(
        site=site.site.id,
        number=entry.id,
        fault=f.fault,
        version=version("callout"),
        first=date.fromordinal(_EPOCH + first).isoformat(),
        last=date.fromordinal(_EPOCH + last).isoformat(),
        irradiance=view.irradiance_source if view else "no readings",
        per_day=loss_words([f]),
        total=total_words([f]),
        days=plural(f.days, "day"),
        confidence=percent(f.confidence),
    )


def _summary(site: SiteDescription, entry: LedgerEntry, history: list[LedgerEvent], view: SiteView | None, at: str) -> bytes:
    f, words = entry.finding, wording(entry.finding.fault)
    facts = site.site
    story = [
        text(f"{words.title}: {f.place}", "h1"),
        text(f"{facts.name or facts.id}{f', reference {facts.customer_ref}' if facts.customer_ref else ''}"),
        text(f.why),
        text(words.means, "small"),
        table(["What", "Value"], _facts(site, f, at), [1, 3]),
    ]
    if f.evidence:
        rows = [[k, _plain(v)] for k, v in f.evidence.items()]
        story += [text("Numbers", "h2"), table(["Quantity", "Value"], rows, [1, 2])]
    if f.alternatives:
        story.append(text("It could also be", "h2"))
        rows = [[wording(a.fault).title, chance(a.confidence), a.tell_apart] for a in f.alternatives]
        story.append(table(["Cause", "How likely", "What settles it"], rows, [2, 1, 5]))
    if view is not None:
        story += _charts(view, place_columns(f, site.inputs))
    planes = [p for p in roof_plan(site, [f]) if any(s.marks for s in p.slots)]
    for plane in planes[:2]:
        story += [gap(4), text(f"{plane.name}: {plane.facing}", "small"), roof_drawing(plane)]
    story.append(text("Time line (UTC)", "h2"))
    story.append(
        table(
            ["When", "Who", "What"],
            [[e.at, e.who, f"{e.event} {e.detail}"] for e in history[-40:]],
            [2, 1, 4],
        )
    )
    story += [
        text("Checked by", "h2"),
        listed(
            [
                "readings.csv: the rows as recorded",
                "method.txt: how each figure was computed",
                "SHA256SUMS: checksums",
            ]
        ),
    ]
    out = io.BytesIO()
    build_pdf(
        out,
        f"{words.title}, {f.place}",
        story,
        f"{facts.id}, finding {entry.id}. Evidence, no verdict on liability.",
    )
    return out.getvalue()


def _facts(site: SiteDescription, f: Finding, at: str) -> list[list[str]]:
    commissioned = site.site.commissioned
    return [
        ["First and last seen", f"{day_text(f.first_seen)} to {day_text(f.last_seen)}, on {plural(f.days, 'day')}"],
        ["Loss", f"{loss_words([f])}, {total_words([f])} in all"],
        ["Confidence in the cause", percent(f.confidence)],
        ["Serials", ", ".join(dict.fromkeys(r.unit for r in site.inputs if touches(f, r))) or "whole site"],
        ["Commissioned", commissioned.isoformat() if commissioned else "not on file"],
        ["Written", f"{at}. {zone_text(site.site)}, unless UTC is said."],
    ]


def _plain(value: Any) -> str:
    if isinstance(value, (list, tuple)):
        return ", ".join(map(_plain, value))[:300]
    return value if isinstance(value, str) else json.dumps(value, default=str)[:300]


def _charts(view: SiteView, columns: list[int]) -> list[Any]:
    """Energy a day over the span, and power over its last day, against the siblings."""
    by_day: dict[str, list[float]] = {}
    for day, _unit, _input, made, usual, _share in _daily(view, columns):
        pair = by_day.setdefault(day, [0.0, 0.0])
        pair[0], pair[1] = pair[0] + made, pair[1] + usual
    days = sorted(by_day)
    energy_lines = [
        (name, [(float(n), by_day[d][k] / 1000) for n, d in enumerate(days)])
        for k, name in enumerate(("recorded", "siblings over the same times"))
    ]
    start, end = day_bounds(int((view.ts[-1] - day_bounds(0, view.site.site.longitude)[0]) // 86400), view.site.site.longitude)
    cut = (view.ts >= start) & (view.ts < end) & (view.sun_elevation_deg > -1)
    power = view.power_w[cut][:, columns]
    usual_w = view.typical_w[cut][:, columns]
    hours = (view.ts[cut] - start) / 3600
    lines = []
    for name, values in (("recorded", power), ("siblings", usual_w)):
        seen = np.isfinite(values).any(axis=1)  # what was not reported is no zero
        sums = np.nansum(values[seen], axis=1)
        lines.append((name, [(float(h), float(v)) for h, v in zip(hours[seen], sums, strict=True)]))
    step = max(1, -(-len(days) // 6))
    ticks = [(float(n), d) for n, d in enumerate(days) if n % step == 0]
    last = days[-1] if days else ""
    clock_ticks = [(float(h), f"{h}:00") for h in range(0, 25, 2) if hours.min() <= h <= hours.max()]
    return [
        KeepTogether([text("Energy a day", "h2"), line_chart(energy_lines, "day", "kWh", ticks)]),
        KeepTogether(
            [
                text(f"Power on {last}", "h2"),
                line_chart(lines, "hour of local solar time", "W", clock_ticks),
            ]
        ),
    ]
