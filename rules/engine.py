"""The whole judgement: day table in, findings out. Pure."""

from __future__ import annotations

import re
from collections import defaultdict
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from rules.action import choose
from rules.alternatives import fitting
from rules.calibration import calibrated
from rules.candidate import Candidate
from rules.case import Case
from rules.days import runs_of
from rules.daytable import DayTable, day_iso
from rules.diagnose import diagnose
from rules.finding import Finding, NotJudged, Threshold
from rules.reduce import reduce_days
from rules.registry import all_rules

#: A symptom gone for so many judged days, then back, is told as two spells.
_SPELL_BREAK = 1
#: What shows on some days only, by the weather or the load of the grid, is one cause and not one each week.
_WITH_WEATHER = ("curtailment", "grid-out-of-range", "hot-derating", "patchy-comms", "restart-cycling")
COMES_AND_GOES = Threshold(5, "judged days", "own reasoning: a week's weather; longer apart it may be another cause")
_ONE = re.compile(r"((?<![\d.])1(?: clear| judged)? day)s\b")
#: Suspicions less likely than this are not told: most were wrong on train sites (tests.scenarios.calibrate).
_TOLD = 0.3


@dataclass(frozen=True)
class Judgement:
    """Everything the rules can say about a site from its day table; ``case`` is what they said it from."""

    findings: tuple[Finding, ...]
    not_judged: tuple[NotJudged, ...]
    irradiance_source: str
    irradiance_note: str
    from_day: str
    to_day: str
    case: Case | None = field(default=None, repr=False, compare=False)


def judge(table: DayTable, events: pd.DataFrame | None = None) -> Judgement:
    """Run every rule and weigh the causes.

    Parameters
    ----------
    table : features of all days known, oldest first.
    events : gateway log frame, if any.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        case = Case(table, events)
        candidates: list[Candidate] = []
        unjudged: dict[tuple[int | None, str, str], int] = defaultdict(int)
        for rule in all_rules():
            result = rule.judge(case)
            candidates += result.candidates
            for u in result.unjudged:
                unjudged[(u.input, u.fault, u.reason)] += u.days
        # What is too unsure to be told, or left no day, explains nothing away.
        told = [c for c in candidates if c.days.any() and calibrated(c.fault, c.strength) >= _TOLD]
        diagnosis = diagnose(case, told)
        findings = [f for c in diagnosis.accepted for f in _findings(case, c)]
        findings.sort(key=lambda f: (-f.loss_wh_per_day, f.fault, f.place))
        lit = np.flatnonzero(table["covered_h"] > 0) if len(table) else np.zeros(0, int)
        return Judgement(
            findings=tuple(findings),
            not_judged=tuple(_not_judged(case, unjudged)),
            irradiance_source=case.irradiance_source,
            irradiance_note=case.sensor_trust[1] if len(table) else "no days",
            from_day=table.iso(int(lit[0])) if lit.size else "",
            to_day=table.iso(int(lit[-1])) if lit.size else "",
            case=case,
        )


def _not_judged(case: Case, unjudged: dict[tuple[int | None, str, str], int]) -> list[NotJudged]:
    out = []
    for (n, fault, reason), days in sorted(unjudged.items(), key=lambda i: (i[0][1], -1 if i[0][0] is None else i[0][0], i[0][2])):
        ref = None if n is None else case.inputs[n]
        out.append(NotJudged(ref.unit if ref else None, ref.input if ref else None, fault, reason, days))
    return out


def singular(text: str) -> str:
    """A sentence in which one day is no "1 days": rules count without asking how many."""
    return _ONE.sub(r"\1", text)


def _findings(case: Case, c: Candidate) -> list[Finding]:
    """One finding per spell of a cause."""
    quiet = ~case.light_days
    most = int(COMES_AND_GOES.value) if c.fault in _WITH_WEATHER else _SPELL_BREAK
    if c.fault in ("shading", "weak-input", "substring-loss", "soiling", "clipping", "swapped-record", "clock-shift"):
        most = 10**6
    return [_finding(case, c, first, last) for first, last in runs_of(c.days, quiet, most=most)]


def _finding(case: Case, c: Candidate, first: int, last: int) -> Finding:
    days = c.days.copy()
    days[:first] = False
    days[last + 1 :] = False
    count = int(days.sum())
    inside = np.zeros(case.day_count, bool)
    inside[first : last + 1] = True
    total = float(np.nan_to_num(c.loss_wh * inside).sum())
    confidence = calibrated(c.fault, c.strength)
    facts = case.site.site
    per_day = total / max(count, 1)
    why, evidence = (c.why, c.evidence) if c.tell is None else c.tell(days)
    action, severity, reason = choose(
        c.fault, per_day, count, confidence, facts.tariff_per_kwh, facts.visit_cost, facts.currency or "", evidence
    )  # fmt: skip
    ref = case.inputs[c.inputs[0]]
    gateways = {case.inputs[n].gateway for n in c.inputs}
    planes = {case.inputs[n].plane for n in c.inputs}
    return Finding(
        site=facts.id,
        fault=c.fault,
        first_seen=case.table.iso(first),
        last_seen=case.table.iso(last),
        days=count,
        confidence=confidence,
        severity=severity,
        loss_wh_per_day=per_day,
        loss_wh_total=total,
        action=action,
        why=singular(why),
        gateway=None if c.scope == "site" else (gateways.pop() if len(gateways) == 1 else None),
        unit=ref.unit if c.scope in ("unit", "input") else None,
        input=ref.input if c.scope == "input" else None,
        plane=c.plane if c.scope == "plane" else (planes.pop() if c.scope == "input" and len(planes) == 1 else None),
        alternatives=fitting(c.alternatives, confidence),
        evidence={
            **evidence,
            "action_reason": reason,
            "irradiance_source": case.irradiance_source,
            "dates": [day_iso(d) for d in case.table.days[days].tolist()],
        },
    )


__all__ = ["Judgement", "judge", "reduce_days"]
