"""What the fleet remembers of one site: small, plain, rebuilt from the site's own file.

A site's file keeps the summary of its last night, so the fleet index can be
thrown away and rebuilt without checking anything again.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from typing import Any, Final

from collectors.site import SiteDescription
from rules.finding import ACTIONS, FAULT_SCOPES, Action, Finding, Severity
from triage.telling import uncounted
from triage.wording import ACTION_WORDS, wording

#: Statuses of a finding that still asks for something.
LIVE: Final = ("open", "acknowledged", "snoozed")


@dataclass(frozen=True)
class FindingBrief:
    """One finding as the fleet sees it.

    ``id`` is the ledger's; ``inverter`` and ``module`` are the model names of
    the site file ("" when the finding is above one unit); ``returns`` counts
    how often it was resolved and came back; ``loss_unknown`` says that the loss
    may be more than what has been counted.
    """

    id: str
    fault: str
    place: str
    action: Action
    severity: Severity
    confidence: float
    loss_wh_per_day: float
    loss_wh_total: float
    first_seen: str
    last_seen: str
    status: str
    why: str
    unit: str | None = None
    input: int | None = None
    inverter: str = ""
    module: str = ""
    returns: int = 0
    loss_unknown: bool = False

    @property
    def live(self) -> bool:
        return self.status in LIVE

    @classmethod
    def of(cls, finding: Finding, site: SiteDescription, *, id: str, status: str, returns: int = 0) -> FindingBrief:
        """Brief of a ledger entry."""
        inverter, module = models_of(site, finding.unit, finding.input)
        return cls(
            id=id,
            fault=finding.fault,
            place=finding.place,
            action=finding.action,
            severity=finding.severity,
            confidence=round(finding.confidence, 3),
            loss_wh_per_day=round(finding.loss_wh_per_day, 1),
            loss_wh_total=round(finding.loss_wh_total, 1),
            first_seen=finding.first_seen,
            last_seen=finding.last_seen,
            status=status,
            why=finding.why,
            unit=finding.unit,
            input=finding.input,
            inverter=inverter,
            module=module,
            returns=returns,
            loss_unknown=uncounted(finding),
        )


@dataclass(frozen=True)
class SiteSummary:
    """One row of the fleet.

    Attributes
    ----------
    night : ISO date the summary belongs to, "" when the site was never checked.
    at : ISO UTC time of the check.
    from_day, to_day : solar days (ISO) the check looked at.
    inverters, modules : model name of the site file -> how many units, inputs.
    findings : everything the ledger holds, live or resolved.
    new, reopened, resolved : what the last night changed.
    energy_wh, expected_wh : over the last ``window_days`` days, at the inputs (DC).
    performance : array performance ratio (IEC 61724-1) or energy over expected
        energy; which of them, and from what irradiance, ``performance_basis`` says.
    completeness : share of daylight samples that arrived, 0 to 1.
    last_sample : UTC epoch seconds of the newest sample, None if there is none.
    not_judged : how many (input, fault) pairs could not be judged.
    error : why the last night failed, "" when it did not.
    """

    site_id: str
    name: str = ""
    customer_ref: str = ""
    region: str = ""
    latitude: float | None = None
    longitude: float | None = None
    timezone: str = "UTC"
    commissioned: str = ""
    currency: str = ""
    tariff_per_kwh: float | None = None
    visit_cost: float | None = None
    inputs: int = 0
    units: int = 0
    rated_w: float = 0.0
    inverters: Mapping[str, int] = field(default_factory=dict)
    modules: Mapping[str, int] = field(default_factory=dict)
    night: str = ""
    at: str = ""
    from_day: str = ""
    to_day: str = ""
    findings: tuple[FindingBrief, ...] = ()
    new: int = 0
    reopened: int = 0
    resolved: int = 0
    window_days: int = 0
    energy_wh: float | None = None
    expected_wh: float | None = None
    performance: float | None = None
    performance_basis: str = ""
    completeness: float | None = None
    last_sample: int | None = None
    not_judged: int = 0
    error: str = ""

    @property
    def live(self) -> tuple[FindingBrief, ...]:
        """Findings that still ask for something, the costliest first."""
        return tuple(sorted((f for f in self.findings if f.live), key=lambda f: -f.loss_wh_per_day))

    @property
    def lost_wh_per_day(self) -> float:
        """What live findings cost; what is told for information (a ceiling by design) is no loss."""
        return sum(f.loss_wh_per_day for f in self.live if FAULT_SCOPES[f.fault] != "information")

    @property
    def answer(self) -> str:
        """The site in one line."""
        if self.error:
            return f"The last check failed: {self.error.splitlines()[0]}"
        if not self.night:
            return "Never checked."
        asks = sorted(self.live, key=lambda f: (ACTIONS.index(f.action), -f.loss_wh_per_day))
        if not asks:
            return "Nothing found." if not self.not_judged else "Nothing found in what could be judged."
        first = asks[0]
        more = f" and {len(asks) - 1} more" if len(asks) > 1 else ""
        return f"{ACTION_WORDS[first.action]}: {wording(first.fault).running}, {first.place}{more}."

    def with_error(self, message: str, at: str) -> SiteSummary:
        """The same site after a night that failed: what was known stays, and its night isn't behind it."""
        return replace(self, error=message, at=at, new=0, reopened=0, resolved=0)

    def to_json(self) -> dict[str, Any]:
        data: dict[str, Any] = {**vars(self), "inverters": dict(self.inverters), "modules": dict(self.modules)}
        # Not asdict: it copies every value of every finding one by one, a night asks for thousands.
        data["findings"] = [dict(vars(f)) for f in self.findings]
        return data

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> SiteSummary:
        """Inverse of :meth:`to_json`; unknown keys are ignored."""
        known = {k: data[k] for k in _FIELDS if k in data}
        known["findings"] = tuple(FindingBrief(**{k: f[k] for k in _BRIEF_FIELDS if k in f}) for f in data.get("findings", ()))
        return cls(**known)

    def dumps(self) -> str:
        return json.dumps(self.to_json(), separators=(",", ":"))

    @classmethod
    def loads(cls, text: str) -> SiteSummary:
        return cls.from_json(json.loads(text))


_FIELDS: Final = frozenset(f.name for f in fields(SiteSummary))
_BRIEF_FIELDS: Final = frozenset(f.name for f in fields(FindingBrief))


def describe(site: SiteDescription) -> SiteSummary:
    """The part of a summary that the site file alone says."""
    facts = site.site
    inverters: dict[str, int] = {}
    modules: dict[str, int] = {}
    for unit in site.units:
        if unit.inverter:
            inverters[unit.inverter] = inverters.get(unit.inverter, 0) + 1
        for item in unit.inputs:
            if item.module:
                modules[item.module] = modules.get(item.module, 0) + 1
    return SiteSummary(
        site_id=facts.id,
        name=facts.name,
        customer_ref=facts.customer_ref,
        region=facts.region,
        latitude=facts.latitude,
        longitude=facts.longitude,
        timezone=facts.timezone,
        commissioned=facts.commissioned.isoformat() if facts.commissioned else "",
        currency=facts.currency,
        tariff_per_kwh=facts.tariff_per_kwh,
        visit_cost=facts.visit_cost,
        inputs=len(site.inputs),
        units=len(site.units),
        rated_w=sum(site.modules[m].pmax_w * n for m, n in modules.items()),
        inverters=inverters,
        modules=modules,
    )


def models_of(site: SiteDescription, unit: str | None, number: int | None) -> tuple[str, str]:
    """Names of the inverter and module model at a place, "" where there is no single one."""
    if unit is None:
        return "", ""
    found = next((u for u in site.units if u.serial == unit), None)
    if found is None:
        return "", ""
    kinds = {i.module for i in found.inputs if i.module and (number is None or i.input == number)}
    return found.inverter or "", kinds.pop() if len(kinds) == 1 else ""
