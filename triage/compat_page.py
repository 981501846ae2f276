"""The electrical check as HTML: a fragment for the report, or a page of its own."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Final

from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape
from markupsafe import Markup

from rules.compat.result import Check, CompatResult, Scope, Verdict

#: Word and sign of each verdict: never colour alone.
VERDICT_WORDS: Final[Mapping[Verdict, tuple[str, str]]] = {
    "pass": ("pass", "✓"),
    "near": ("near", "!"),
    "fail": ("fail", "✗"),
    "unknown": ("can't tell", "?"),
}
SCOPE_WORDS: Final[Mapping[Scope, str]] = {
    "DC": "Direct current, per input and unit",
    "AC": "Alternating current, per branch",
    "link": "Radio and bus",
}
NUMBER_UNITS: Final[Mapping[str, str]] = {
    "Voc": "V", "Vmp": "V", "Vstart": "V", "Tmin": "°C", "Thot": "°C", "T": "°C",
    "beta": "%/K", "gamma": "%/K",
    "Isc": "A", "Imp": "A", "Iunit": "A", "Itotal": "A", "breaker": "A", "Pmax_sum": "W", "rated_va": "VA",
}  # fmt: skip


def compat_fragment(result: CompatResult, level: int = 2) -> str:
    """The check as one ``<section class="compat">`` with its own style, to stand inside a report.

    ``level`` is that of its top heading. A page with colours of its own sets the CSS
    variables ``--compat-fail``, ``--compat-near``, ``--compat-pass``, ``--compat-unknown``.
    """
    return str(_environment().get_template("fragment.html").render(**_values(result), level=level))


def compat_page(result: CompatResult) -> str:
    """The check as a whole page that opens offline and prints."""
    fragment = Markup(compat_fragment(result, level=1))
    return str(_environment().get_template("page.html").render(fragment=fragment, title=_title(result)))


def value_text(check: Check) -> str:
    """The computed value with its unit; ``never`` for what no light brings about."""
    if check.value is None:
        return ""
    if math.isinf(check.value):
        return "never"
    return f"{figure(check.value)} {check.unit}".rstrip()


def limit_text(check: Check) -> str:
    """``at most 60 V`` or ``at least 22 V``."""
    if check.limit is None or not check.relation:
        return ""
    word = "at most" if check.relation == "<=" else "at least"
    return f"{word} {figure(check.limit)} {check.unit}".rstrip()


def room_text(check: Check) -> str:
    """Room left as a share of the limit, with its sign; empty where there is nothing to compare."""
    if check.margin is None or not math.isfinite(check.margin):
        return ""
    room = round(100.0 * check.margin)
    return f"{room:+d} %" if room else "0 %"


def numbers_text(check: Check) -> str:
    """The formula's numbers: ``Voc = 37.2 V, Tmin = -18 °C``."""
    return ", ".join(_number(key, value) for key, value in check.numbers.items())


def figure(value: float) -> str:
    """Four significant figures, thousands apart, no exponent."""
    if value == 0 or not math.isfinite(value):
        return f"{value:g}"
    digits = max(0, 3 - math.floor(math.log10(abs(value))))
    text = f"{value:,.{digits}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def counts_text(result: CompatResult) -> str:
    """``2 fail, 5 near, 20 pass``."""
    return ", ".join(f"{n} {VERDICT_WORDS[v][0]}" for v, n in result.counts().items() if n)


def places(result: CompatResult) -> list[tuple[Scope, str, list[Check]]]:
    """Checks by scope and place, in the order they were made."""
    found: dict[tuple[Scope, str], list[Check]] = {}
    for scope in SCOPE_WORDS:
        for check in result.checks:
            if check.scope == scope:
                found.setdefault((scope, check.place), []).append(check)
    return [(scope, place, checks) for (scope, place), checks in found.items()]


def _number(key: str, value: float | int | str) -> str:
    if isinstance(value, str):
        return f"{key} {value}"
    unit = NUMBER_UNITS.get(key, "")
    return f"{key} = {figure(float(value))}{f' {unit}' if unit else ''}"


def _title(result: CompatResult) -> str:
    return f"Electrical check: {result.name or result.site}"


def _values(result: CompatResult) -> dict[str, Any]:
    return {
        "result": result,
        "title": _title(result),
        "counts": counts_text(result),
        "places": places(result),
        "scope_words": SCOPE_WORDS,
        "verdict_words": VERDICT_WORDS,
        "value_text": value_text,
        "limit_text": limit_text,
        "room_text": room_text,
        "numbers_text": numbers_text,
    }


def _environment() -> Environment:
    return Environment(
        loader=PackageLoader("triage", "compat_pages"),
        autoescape=select_autoescape(["html"]),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
