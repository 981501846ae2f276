"""The folder of rules is the registry: names, sections, columns, thresholds."""

from __future__ import annotations

import importlib
import re
from pathlib import Path

import pytest

from collectors.columns import CSV_HEADER, WEATHER_COLUMNS
from rules.diagnose import EXPLAINS
from rules.finding import FAULT_SCOPES, Threshold
from rules.registry import Rule, all_rules

#: The fault table of the design, by scope.
SLUGS = {
    "gateway or site": "gateway-silent site-outage grid-out-of-range curtailment",
    "branch or unit": "unit-silent patchy-comms unit-standby restart-cycling hot-derating",
    "input": "dead-input idle-input substring-loss shading soiling snow weak-input",
    "record": "swapped-record frozen-readings clock-shift",
    "for information": "clipping",
}
SHARED = (
    "rules.hard", "rules.silence", "rules.levels", "rules.snowsky", "rules.snowspell", "rules.snowsleep", "rules.behind",
    "rules.clockjumps", "rules.sunclock", "rules.heatcurve", "rules.sinkingplanes", "rules.standstill",
)  # fmt: skip


def test_every_fault_has_its_file() -> None:
    wanted = {slug for slugs in SLUGS.values() for slug in slugs.split()}
    assert {r.slug for r in all_rules()} == wanted
    assert set(FAULT_SCOPES) == wanted
    assert set(EXPLAINS) == wanted
    assert len(wanted) == 20


@pytest.mark.parametrize("rule", all_rules(), ids=lambda r: r.slug)
def test_docstring_has_its_sections(rule: Rule) -> None:
    first = rule.text.splitlines()[0]
    assert first.startswith(f"{rule.slug}: ")
    for section in (r"^On the roof\b", r"^Looks at:", r"^Looks the same\b"):
        assert re.search(section, rule.text, re.MULTILINE), f"{rule.slug} lacks '{section}'"
    assert "Columns:" in rule.text


@pytest.mark.parametrize("rule", all_rules(), ids=lambda r: r.slug)
def test_columns_are_canonical(rule: Rule) -> None:
    assert rule.columns
    assert set(rule.columns) <= {*CSV_HEADER, *WEATHER_COLUMNS}


@pytest.mark.parametrize("rule", all_rules(), ids=lambda r: r.slug)
def test_thresholds_name_unit_and_source(rule: Rule) -> None:
    own = importlib.import_module(f"rules.faults.{rule.slug.replace('-', '_')}")
    uses = [own, *(importlib.import_module(m) for m in SHARED if m in Path(own.__file__ or "").read_text("utf-8"))]
    found = [(n, v) for m in uses for n, v in vars(m).items() if isinstance(v, Threshold)]
    assert found, f"{rule.slug} has no threshold"
    for name, value in found:
        assert value.unit.strip(), name
        kinds = (
            "own",
            "published",
            "common practice",
            "IEEE",
            "EN ",
            "from memory",
            "pvlib",
            "datasheet",
            "data sheet",
        )
        assert any(k in value.source for k in (*kinds, "transposition", "two of three", "one of three")), (
            f"{rule.slug}.{name}: source '{value.source}' does not say what kind it is"
        )


@pytest.mark.parametrize("rule", all_rules(), ids=lambda r: r.slug)
def test_look_alikes_are_named_and_known(rule: Rule) -> None:
    text = rule.text[rule.text.index("Looks the same") :]
    assert len(text) > 80, f"{rule.slug} names no look-alike"
    named = set(re.findall(r"``([a-z]+(?:-[a-z]+)*)``", text))
    assert named <= set(FAULT_SCOPES), f"{rule.slug} names {named - set(FAULT_SCOPES)}"


@pytest.mark.parametrize("slug", sorted(FAULT_SCOPES))
def test_every_rule_has_its_test(slug: str) -> None:
    path = Path(__file__).parent / "rules" / "faults" / f"test_{slug.replace('-', '_')}.py"
    assert path.is_file()
