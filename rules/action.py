"""What to do about a cause: the action, its reason and how urgent it is."""

from __future__ import annotations

from typing import Final

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
    "hot-derating": "visit",
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
#: A heat or arc concern beats the sum of money.
_SAFETY: Final = ("substring-loss", "hot-derating")
_PAYS: Final = ("shading", "soiling", "weak-input")


def choose(
    fault: str, loss_wh_per_day: float, days: int, confidence: float, tariff: float | None, visit_cost: float | None
) -> tuple[Action, Severity, str]:
    """Action, severity and the reason for the action.

    Parameters
    ----------
    loss_wh_per_day : Wh a day, at the input.
    days : days on which the symptom was seen.
    tariff : worth of a kWh in the site's currency; None unknown.
    visit_cost : cost of a visit in the same currency; None takes :data:`VISIT_COST`.
    """
    action = _FIRST[fault]
    reason = {
        "visit": "someone must look at the roof",
        "remote": "a remote step or a call comes first",
        "watch": "no one needs to go yet",
        "none": "nothing to do",
    }[action]
    cost = VISIT_COST.value if visit_cost is None else visit_cost
    yearly = None if tariff is None else loss_wh_per_day / 1000.0 * HORIZON_DAYS.value * tariff
    if fault in _SAFETY:
        reason = "a hot spot is possible: safety comes before the loss"
    elif fault in _PAYS and yearly is not None:
        if yearly > cost and confidence >= 0.6 and fault != "shading":
            action, reason = "visit", f"a year of it costs {yearly:.0f}, more than a visit ({cost:.0f})"
        else:
            reason = f"a year of it would cost {yearly:.0f}, a visit {cost:.0f}"
    elif fault == "unit-standby" and days >= 3:
        action, reason = "visit", "it has lasted for days; a remote restart and the breaker should be tried on the way"
    if action == "visit" and confidence < 0.5 and fault not in _SAFETY:
        action, reason = "watch", "not sure enough to send anyone"
    return action, _severity(fault, action, loss_wh_per_day), reason


def _severity(fault: str, action: Action, loss_wh_per_day: float) -> Severity:
    if fault == "clipping" or fault == "curtailment":
        return "info"
    if fault in _SAFETY or fault == "site-outage":
        return "high"
    if action == "visit":
        return "high" if loss_wh_per_day > 800 else "medium"
    if fault in ("unit-standby", "gateway-silent", "unit-silent", "grid-out-of-range"):
        return "medium"
    return "low" if loss_wh_per_day < 300 else "medium"
