"""The electrical check stands in the report where the site file chooses a profile of limits."""

from __future__ import annotations

from collectors.site import parse_site
from triage.report.build import report_html

SITE = """
[site]
id = "t"
latitude = 50
longitude = 8
timezone = "Europe/Berlin"
record_low_c = -15
{grid}
[modules.m]
pmax_w = 400
vmp_v = 34
voc_v = 41
isc_a = 12
imp_a = 11.8
beta_voc_pct_k = -0.27
[inverters.i]
rated_va = 380
inputs = 1
max_input_v = 60
[planes.p]
azimuth_deg = 180
tilt_deg = 30
[[units]]
serial = "A"
inverter = "i"
[[units.inputs]]
input = 1
module = "m"
plane = "p"
"""


class _Result:
    irradiance_source = "own inputs"
    from_day = to_day = ""
    not_judged = ()
    rejected_rows: dict[str, int] = {}  # noqa: RUF012
    inferred: dict[str, str] = {}  # noqa: RUF012
    irradiance_note = ""
    findings = ()


def _page(grid: str) -> str:
    return report_html(parse_site(SITE.format(grid=grid)), None, _Result(), [], made_at=0)  # type: ignore[arg-type]


def test_a_chosen_profile_brings_the_check_into_the_report() -> None:
    assert '<section class="compat"' in _page('[grid]\nprofile = "iec-230"')


def test_without_a_profile_there_is_none() -> None:
    assert 'class="compat"' not in _page("")


def test_an_unknown_profile_is_said_and_does_not_cost_the_report() -> None:
    page = _page('[grid]\nprofile = "nowhere"')
    assert "nowhere" in page
    assert "How this was judged" in page
