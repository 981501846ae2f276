"""The rules: every file in ``rules/faults``, found by its name."""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import rules.faults
from rules.candidate import RuleResult
from rules.case import Case
from rules.finding import FAULT_SCOPES


@dataclass(frozen=True)
class Rule:
    """One rule file: slug, its text for people, columns it needs, its pure function."""

    slug: str
    text: str
    columns: tuple[str, ...]
    judge: Callable[[Case], RuleResult]


@cache
def all_rules() -> tuple[Rule, ...]:
    """Every rule, by slug."""
    out = []
    for module in sorted(pkgutil.iter_modules(rules.faults.__path__), key=lambda m: m.name):
        loaded = importlib.import_module(f"rules.faults.{module.name}")
        slug = module.name.replace("_", "-")
        if slug not in FAULT_SCOPES:
            raise ValueError(f"rules/faults/{module.name}.py: '{slug}' is not a fault slug")
        out.append(Rule(slug, loaded.__doc__ or "", tuple(loaded.COLUMNS), loaded.judge))
    return tuple(out)
