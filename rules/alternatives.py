"""What was explained away stays in sight: as another cause, and what would settle it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from rules.candidate import Candidate
from rules.finding import Alternative, Threshold

SHARE: Final = Threshold(0.25, "of the doubt", "own reasoning: a cause that explains the symptom leaves little to its rivals")
LEAST: Final = Threshold(0.02, "1", "own reasoning: below one in fifty it would only distract")
MOST: Final = Threshold(4, "alternatives", "own reasoning: more are not read on a phone")

#: What settles a bypassed string against a weak module: from the record where it holds voltages, else at the module.
IN_SUN: Final = "Module voltage in full sun beside its siblings': a third less."
OPEN_VOLTS: Final = "Open-circuit volts at the module, unit isolated, beside a sister's: a third less means a bypassed string."

#: The one observation that speaks for a cause against whatever explained it away.
SETTLES: Final[dict[str, str]] = {
    "shading": "Whether the loss keeps to its hours on clear days and goes under cloud.",
    "soiling": "The level after the next good rain or a wash: dirt goes.",
    "snow": "Air temperature and a look from the street: snow goes within days of thaw.",
    "dead-input": "Module voltage at the input on a bright day: none if the module is cut off.",
    "idle-input": "Module voltage at the input on a bright day: full voltage with nothing drawn.",
    "weak-input": "The ratio to its siblings over clear days: weakness is the same at every hour and does not heal.",
    "substring-loss": "Module voltage in full sun against its siblings: a third or two thirds are missing.",
    "unit-silent": "Whether the gateway reaches its other units, and what the counter or the utility meter counted meanwhile.",
    "gateway-silent": "Whether the gateway answers indoors, and the lifetime counters after the gap.",
    "patchy-comms": "Signal strength, and whether rows come back in pieces.",
    "unit-standby": "Whether other units produce meanwhile; then the unit's own state and the AC volts at its connector.",
    "site-outage": "Whether grid voltage was present, and whether the counters stood still.",
    "grid-out-of-range": "Grid voltage and frequency in the minutes before each stop.",
    "curtailment": "Whether all units stop at one level, and whether a limit was ordered.",
    "restart-cycling": "States and counter at the minute of each stop and start.",
    "clipping": "Whether power stays flat at the unit's rating while the sun rises further.",
    "hot-derating": "A cool clear day: heat does not bite then.",
    "swapped-record": "Whether each input's course over a clear day fits the other's plane.",
    "frozen-readings": "Whether the readings move to the last digit while the light changes.",
    "clock-shift": "The gateway's clock against a phone's.",
}


def fitting(alternatives: Sequence[Alternative], confidence: float) -> tuple[Alternative, ...]:
    """The same, with the doubt that a finding leaves shared among its rivals: together no more than 1 less ``confidence``.

    What the record cannot tell from the fault itself (``kin``) is counted within the finding's confidence, and keeps its share.
    """
    rivals = sum(a.confidence for a in alternatives if not a.kin)
    scale = min(1.0, (1.0 - confidence) / rivals) if rivals > 0 else 1.0
    return tuple(replace(a, confidence=a.confidence * (confidence if a.kin else scale)) for a in alternatives)


def with_explained(
    accepted: Sequence[Candidate], explained: Sequence[Candidate], explains: dict[str, tuple[str, ...]]
) -> list[Candidate]:
    """Accepted causes, each with the suspicions it explained away among its alternatives.

    Parameters
    ----------
    explained : suspicions that did not hold beside an accepted cause.
    explains : which symptoms each cause explains.
    """
    extra: dict[int, dict[str, float]] = {}
    for loser in explained:
        best, most = -1, 0
        for k, winner in enumerate(accepted):
            if loser.fault not in explains[winner.fault] or not set(loser.inputs) & set(winner.inputs):
                continue
            common = int((loser.days & winner.days).sum())
            if common > most:
                best, most = k, common
        if best >= 0:
            chance = max(LEAST.value, SHARE.value * loser.strength * (1.0 - accepted[best].strength))
            mine = extra.setdefault(best, {})
            mine[loser.fault] = max(mine.get(loser.fault, 0.0), round(chance, 3))
    return [_joined(c, extra[k]) if k in extra else c for k, c in enumerate(accepted)]


def _joined(c: Candidate, extra: dict[str, float]) -> Candidate:
    told = {a.fault for a in c.alternatives}
    added = [Alternative(fault, chance, SETTLES[fault]) for fault, chance in extra.items() if fault not in told]
    ranked = sorted([*c.alternatives, *added], key=lambda a: -a.confidence)
    return replace(c, alternatives=tuple(ranked[: int(MOST.value)]))


__all__ = ["SETTLES", "fitting", "with_explained"]
