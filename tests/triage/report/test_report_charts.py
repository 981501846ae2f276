"""Charts and roof plan: valid, labelled, readable without colour and under a strict policy."""

from __future__ import annotations

import json
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from typing import Any

import numpy as np
import plotly.graph_objects as go
import pytest
from report_makers import FakeView, make_finding

from rules.finding import FAULT_SCOPES, Finding
from triage.report.charts import completeness_figure, figure_table, finding_figure, site_figure
from triage.report.picking import block_size, daily_ratio, iso_day, members, sibling_band, siblings, window
from triage.report.roof import plan_day, roof_cells, roof_svg
from triage.report.traces import SHARES, block_mean, numbers, quantiles, time_axis

SCOPED = {"gateway": {"unit": None, "input": None, "plane": None}, "unit": {"input": None, "plane": None}}


def at_scope(fault: str) -> Finding:
    return make_finding(fault, **SCOPED.get(FAULT_SCOPES[fault], {}))


@pytest.mark.parametrize("fault", FAULT_SCOPES)
def test_every_fault_has_a_chart_that_plotly_accepts(view: FakeView, fault: str) -> None:
    fig = finding_figure(view, at_scope(fault))
    # Outside check: plotly's own schema, which refuses unknown keys and values.
    go.Figure(json.loads(json.dumps(fig, allow_nan=False)))
    meta = fig["layout"]["meta"]
    assert meta["caption"].endswith(".")
    assert meta["alt"].endswith(".")
    for name, axis in fig["layout"].items():
        if name.startswith("yaxis"):
            assert axis["title"]["text"]
    assert len(json.dumps(fig)) < 40_000


@pytest.mark.parametrize("fault", FAULT_SCOPES)
def test_charts_survive_a_site_without_a_single_reading(view: FakeView, fault: str) -> None:
    empty: dict[str, Any] = {
        name: np.full_like(getattr(view, name), np.nan)
        for name in ("power_w", "voltage_v", "typical_w", "expected_w", "ac_voltage_v", "temperature_c")
    }
    blind = replace(view, **empty, present=np.zeros_like(view.present), state=np.full_like(view.state, -1))
    fig = finding_figure(blind, at_scope(fault))
    go.Figure(json.loads(json.dumps(fig, allow_nan=False)))
    figure_table(fig)


@pytest.mark.parametrize("fault", ["dead-input", "gateway-silent", "shading"])
def test_a_spell_outside_the_view_still_gives_a_chart(view: FakeView, fault: str) -> None:
    far = replace(at_scope(fault), first_seen="2025-01-01", last_seen="2025-01-03")
    go.Figure(finding_figure(view, far))


def test_the_dead_input_shows_no_power_and_its_siblings_do(view: FakeView) -> None:
    fig = finding_figure(view, make_finding("dead-input"))
    ratio = next(t for t in fig["data"] if t["name"] == "share of siblings")
    assert ratio["y"][:3] == pytest.approx([98, 98, 98], abs=1)
    assert ratio["y"][3:] == [0] * 5
    own = next(t for t in fig["data"] if t["name"] == "A/2" and t.get("yaxis") == "y2")
    usual = next(t for t in fig["data"] if t["name"] == "siblings, typical")
    assert max(v for v in own["y"][96:] if v is not None) == 0
    assert max(v for v in usual["y"] if v is not None) > 350
    assert any(t.get("yaxis") == "y3" for t in fig["data"])  # voltage matters here
    assert "made 0 % of its siblings' energy" in fig["layout"]["meta"]["alt"]


def test_shade_is_told_by_the_suns_position(view: FakeView) -> None:
    fig = finding_figure(view, make_finding("shading", input=1, first_seen="2026-06-01"))
    heat = fig["data"][0]
    share = np.array([[np.nan if v is None else v for v in row] for row in heat["z"]])
    azimuth = np.array(heat["x"])
    inside = share[:, (azimuth > 103) & (azimuth < 137)]
    outside = share[:, (azimuth < 97) | (azimuth > 143)]
    assert np.nanmax(inside) == pytest.approx(29, abs=2)  # drawn: 0.3 x 0.98
    assert np.nanmin(outside) > 90
    assert "azimuth 1" in fig["layout"]["meta"]["alt"]


def test_a_sun_path_over_the_north_is_not_torn(view: FakeView) -> None:
    # Mirrored over the north: 120 degrees at dawn, 0 at noon, 240 at dusk.
    south = replace(view, sun_azimuth_deg=(540 - view.sun_azimuth_deg) % 360)
    fig = finding_figure(south, make_finding("shading", input=1, first_seen="2026-06-01"))
    x = fig["data"][0]["x"]
    assert min(x) < 0 < max(x)
    assert max(x) - min(x) < 260
    assert {"315°<br>NW", "0°<br>N", "45°<br>NE"} <= set(fig["layout"]["xaxis"]["ticktext"])
    go.Figure(fig)


def test_gaps_show_on_the_time_line(view: FakeView) -> None:
    fig = finding_figure(view, make_finding("unit-silent", unit="C", input=None, plane=None))
    day_means = [np.mean([v for v in row if v is not None]) for row in fig["data"][0]["z"]]
    assert day_means[:5] == [100.0] * 5
    assert day_means[5:] == [0.0] * 3
    patchy = finding_figure(view, make_finding("patchy-comms", unit="D", input=None, plane=None))
    seen = [v for row in patchy["data"][0]["z"] for v in row if v is not None]
    assert np.mean(seen) == pytest.approx(80, abs=2)  # drawn: every fifth reading missing


def test_the_site_chart_counts_only_times_with_a_reading(view: FakeView) -> None:
    fig = site_figure(view)
    made, expected = (np.array(t["y"]) for t in fig["data"])
    hours = view.step_s / 3600
    assert made.sum() == pytest.approx(np.nansum(view.power_w) * hours / 1e3, rel=1e-3)
    assert expected.sum() == pytest.approx(view.expected_w[view.present].sum() * hours / 1e3, rel=1e-3)
    go.Figure(fig)


def test_completeness_is_by_unit_and_day(view: FakeView) -> None:
    heat = completeness_figure(view)["data"][0]
    assert heat["y"] == ["A", "B", "C", "D"]
    assert heat["z"][0] == [100] * 8
    assert heat["z"][2] == [100] * 5 + [0] * 3


def test_figure_tables_give_the_same_numbers_in_few_rows(view: FakeView) -> None:
    header, body = figure_table(site_figure(view))
    assert header == ["Time or place", "measured", "expected"]
    assert len(body) == 8
    _, body = figure_table(finding_figure(view, make_finding("swapped-record")))
    assert 12 <= len(body) <= 24
    assert body[0][0].endswith(" 02:00")  # the solar day of longitude 0, on Paris' clock


# -- pieces --------------------------------------------------------------------


def test_block_means_skip_what_is_missing() -> None:
    values = np.array([1.0, 3.0, np.nan, 5.0, np.nan, np.nan, 7.0])
    assert block_mean(values, 2)[[0, 1, 3]].tolist() == [2.0, 5.0, 7.0]
    assert np.isnan(block_mean(values, 2)[2])


def test_numbers_are_json_and_gaps_are_null() -> None:
    assert numbers([1.26, np.nan, 2.0]) == [1.3, None, 2.0]
    assert numbers([1.6, np.nan], 0) == [2, None]


def test_quantiles_of_nothing_are_unknown() -> None:
    low, high = quantiles(np.array([[np.nan, np.nan], [1.0, 3.0]]), 0.0, 1.0)
    assert np.isnan(low[0])
    assert (low[1], high[1]) == (1.0, 3.0)


def test_quantiles_are_numpys() -> None:
    # Outside check: numpy.nanquantile, rows of 1 to 9 values with gaps.
    values = np.random.default_rng(5).normal(size=(200, 9))
    values[np.random.default_rng(6).random(values.shape) < 0.4] = np.nan
    values[:, 0] = np.where(np.isnan(values).all(axis=1), 1.0, values[:, 0])
    ours = np.array(quantiles(values, 0.25, 0.75))
    assert ours == pytest.approx(np.nanquantile(values, [0.25, 0.75], axis=1), nan_ok=True)


def test_the_band_forgives_one_dead_sibling_and_needs_three(view: FakeView) -> None:
    part = window(view, 20611, 20611)  # 2026-06-07: input 2 of A is dead, C is silent
    limits = sibling_band(view, 2, part)
    assert limits is not None
    assert len(siblings(view, 2)) == 5
    few = replace(view, plane_of=("a", "a", "a", "b", "b", "b", "c", "c", "c", "c"))
    assert sibling_band(few, 0, part) is None


def test_the_clock_change_is_drawn_with_every_stamp(view: FakeView) -> None:
    # Summer time began on 2026-03-29 at 01:00 UTC: last Sunday of March, EU directive 2000/84/EC.
    ts = 1_774_738_800 + 3600 * np.arange(6, dtype=np.int64)  # from 2026-03-28 23:00 UTC
    axis = time_axis(ts, 1, view.site.site)
    assert axis["x"][:4] == ["2026-03-29 00:00", "2026-03-29 01:00", "2026-03-29 03:00", "2026-03-29 04:00"]
    assert set(time_axis(ts[2:], 1, view.site.site)) == {"x0", "dx"}


def test_a_ratio_needs_light(view: FakeView) -> None:
    days, ratio = daily_ratio(view, np.array([4]))
    assert [iso_day(d) for d in days] == [f"2026-06-0{n}" for n in range(1, 9)]
    assert np.isnan(ratio[5:]).all()  # silent: unknown, not zero
    assert block_size(view) == 3


def test_members_follow_the_scope(view: FakeView) -> None:
    assert members(view, make_finding("dead-input")).tolist() == [1]
    assert members(view, make_finding("unit-silent", unit="D", input=None, plane=None)).tolist() == [
        6,
        7,
        8,
        9,
    ]
    plane = make_finding("soiling", unit=None, input=None, plane="east")
    assert members(view, plane).tolist() == [6, 7, 8, 9]
    site = make_finding("site-outage", unit=None, input=None, plane=None, gateway=None)
    assert len(members(view, site)) == 10


# -- roof ----------------------------------------------------------------------


def test_the_plan_is_well_formed_and_obeys_a_strict_policy(view: FakeView, findings: Any) -> None:
    svg = roof_svg(view, findings, [f"#finding-{n}" for n in range(len(findings))])
    ET.fromstring(svg)
    assert "style=" not in svg
    assert "<script" not in svg
    assert not re.search(r"\son\w+=", svg)


def test_every_input_has_its_cell_with_cause_in_sign_and_words(view: FakeView, findings: Any) -> None:
    cells = roof_cells(view, findings)
    assert [c.label for c in cells] == [ref.label for ref in view.site.inputs]
    assert [c.fault for c in cells[:3]] == ["shading", "dead-input", ""]
    assert {c.fault for c in cells[4:6]} == {"unit-silent"}
    svg = roof_svg(view, findings)
    assert svg.count('class="roof-cell') == 10
    assert "×</text>" in svg
    assert ">Dead input<" in svg
    assert svg.count("<svg") == 2  # one per plane


def test_the_plan_shows_a_day_on_which_the_findings_stood(view: FakeView, findings: Any) -> None:
    assert iso_day(plan_day(view, findings)) >= "2026-06-06"
    dead = roof_cells(view, findings)[1]
    assert dead.share == pytest.approx(0.0, abs=0.01)
    silent = roof_cells(view, findings)[4]
    assert silent.share is None


def test_two_inputs_on_one_place_and_none_given_still_have_their_own(view: FakeView) -> None:
    data = view.site.model_dump()
    for unit in data["units"]:
        for item in unit["inputs"]:
            item["row"], item["column"] = (1, 1) if unit["serial"] != "D" else (None, None)
    clash = replace(view, site=type(view.site).model_validate(data))
    cells = roof_cells(clash, ())
    assert len({(c.plane, c.row, c.place) for c in cells}) == 10
    ET.fromstring(roof_svg(clash, ()))


def test_places_far_apart_do_not_blow_up_the_plan(view: FakeView) -> None:
    data = view.site.model_dump()
    data["units"][0]["inputs"][0]["column"] = 4000
    far = replace(view, site=type(view.site).model_validate(data))
    widths = [int(w) for w in re.findall(r'<svg [^>]*width="(\d+)"', roof_svg(far, ()))]
    assert max(widths) < 1000


def test_names_from_a_site_file_are_escaped(view: FakeView, findings: Any) -> None:
    hostile = replace(view, plane_of=tuple("<b onload=x>" for _ in view.plane_of))
    svg = roof_svg(hostile, findings)
    ET.fromstring(svg)
    assert "<b onload" not in svg


# -- colours -------------------------------------------------------------------


def _luminance(colour: str) -> float:
    """Relative luminance by WCAG 2.1's definition."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.03928 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _contrast(one: str, other: str) -> float:
    light, dark = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def _themes() -> list[dict[str, str]]:
    from triage.report.build import asset

    blocks = re.findall(r":root \{(.*?)\}", asset("charts.css"), re.S)
    return [{k: _long(v) for k, v in re.findall(r"--([\w-]+): (#\w+)", block)} for block in blocks]


def _long(colour: str) -> str:
    return colour if len(colour) == 7 else "#" + "".join(2 * c for c in colour[1:])


@pytest.mark.parametrize("theme", [0, 1, 2])
def test_text_and_lines_have_the_contrast_wcag_asks_for(theme: int) -> None:
    # W3C, WCAG 2.1: 1.4.3 text 4.5:1; 1.4.11 graphics 3:1.
    colours = _themes()[theme]
    for page in ("page", "panel"):
        for text in ("ink", "soft", "go", "desk", "watch", "fine", "unknown"):
            assert _contrast(colours[text], colours[page]) >= 4.5, (text, page)
        for role in ("input", "siblings", "expected", "limit", "unit", "other"):
            assert _contrast(colours[f"role-{role}"], colours[page]) >= 3.0, (role, page)


def test_shares_can_be_read_by_lightness_alone() -> None:
    steps = [_luminance(colour) for _, colour in SHARES]
    assert steps == sorted(steps)
    for theme in _themes():
        ramp = [_luminance(theme[f"share-{name}"]) for name in ("low", "half", "full")]
        assert ramp in (sorted(ramp), sorted(ramp, reverse=True))
