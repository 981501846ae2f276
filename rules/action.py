"""What to do about a cause: the action, its reason and how urgent it is."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, Final

from rules.finding import Action, Severity, Threshold

VISIT_COST = Threshold(150.0, "site currency", "common practice: a van, a person and two hours; `visit_cost` in the site file")
HORIZON_DAYS = Threshold(365.0, "days", "own reasoning: a visit should pay for itself within a year")

#: First step by fault: what experience says before anyone counts money (common practice).
_FIRST: Final[dict[str, Action]] = {
    "gateway-silent": "remote",
    "site-outage": "remote",
    "grid-out-of-range": "remote",
    "curtailment": "none",
    "unit-silent": "remote",
    "patchy-comms": "watch",
    "unit-standby": "remote",
    "restart-cycling": "visit",
    "hot-derating": "watch",
    "dead-input": "visit",
    "idle-input": "visit",
    "substring-loss": "visit",
    "shading": "watch",
    "soiling": "watch",
    "snow": "none",
    "weak-input": "watch",
    "swapped-record": "remote",
    "frozen-readings": "remote",
    "clock-shift": "remote",
    "clipping": "none",
}
#: The reason of an action where nothing else decides.
USUAL_REASONS: Final[dict[Action, str]] = {
    "visit": "someone must look at the roof",
    "remote": "a remote step or a call comes first",
    "watch": "no one needs to go yet",
    "none": "nothing to do",
}
#: A heat or arc concern beats the sum of money.
_SAFETY: Final = ("substring-loss",)
#: A unit that gets too hot protects itself: what it loses says whether anyone goes to clear its air.
_PAYS: Final = ("shading", "soiling", "weak-input", "hot-derating")


def choose(
    fault: str,
    loss_wh_per_day: float,
    days: int,
    confidence: float,
    tariff: float | None,
    visit_cost: float | None,
    currency: str = "",
    evidence: Mapping[str, Any] = MappingProxyType({}),
) -> tuple[Action, Severity, str]:
    """Action, severity and the reason for the action.

    Parameters
    ----------
    loss_wh_per_day : Wh a day, at the input.
    days : days on which the symptom was seen.
    tariff : worth of a kWh in the site's currency; None unknown.
    visit_cost : cost of a visit in the same currency; None takes :data:`VISIT_COST`.
    currency : its name, for the reason.
    evidence : the finding's own: what is over, what gets hot, what stands by an order.
    """
    if evidence.get("over"):
        return "none", "low", "it is over"
    action = _FIRST[fault]
    reason = USUAL_REASONS[action]
    cost = VISIT_COST.value if visit_cost is None else visit_cost
    # What comes and goes with the sun's path is told by its own year, not by the days on which it was seen.
    kwh = evidence.get("loss_year_kwh", loss_wh_per_day / 1000.0 * HORIZON_DAYS.value)
    yearly = None if tariff is None else float(kwh) * tariff
    safety = fault in _SAFETY or evidence.get("grows_with") == "power"
    if evidence.get("all_stood") and fault == "curtailment":
        action, reason = "remote", "the whole site stood still: ask who ordered it, or what gave the order by mistake"
    elif evidence.get("kind") == "horizon":
        action, reason = "none", "nobody moves a hill: reckon with it, and look whether a wood may be cut"
    elif fault == "weak-input" and safety:
        action, reason = "visit", "a contact that gets hot is possible: safety comes before the loss"
    elif fault in _SAFETY:
        reason = "a hot spot is possible: safety comes before the loss"
    elif fault in _PAYS and yearly is not None:
        if yearly > cost and confidence >= 0.6 and fault != "shading":
            action, reason = "visit", f"a year of it costs {_sum(yearly, currency)}, more than a visit ({_sum(cost, currency)})"
        else:
            reason = f"a year of it would cost {_sum(yearly, currency)}, a visit {_sum(cost, currency)}"
    elif fault in _PAYS:
        reason = "no tariff_per_kwh in the site file to weigh a year of it against a visit"
    elif fault == "unit-standby" and days >= 3:
        action, reason = "visit", "it has lasted for days; a remote restart and the breaker should be tried on the way"
    if action == "visit" and confidence < 0.5 and not safety:
        action, reason = "watch", "not sure enough to send anyone"
    return action, _severity(fault, action, loss_wh_per_day, safety), reason


def _sum(amount: float, currency: str) -> str:
    return f"{amount:.0f} {currency}".rstrip()


def _severity(fault: str, action: Action, loss_wh_per_day: float, safety: bool) -> Severity:
    if action == "none" and fault in ("clipping", "curtailment"):
        return "info"
    if safety or fault == "site-outage":
        return "high"
    if action == "visit":
        return "high" if loss_wh_per_day > 800 else "medium"
    if fault in ("unit-standby", "gateway-silent", "unit-silent", "grid-out-of-range"):
        return "medium"
    return "low" if loss_wh_per_day < 300 else "medium"
