"""The shape of a commissioning record: what the first clear days showed, input by input."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from rules.compat.result import VERDICTS, Verdict

CAUTION: Final = (
    "Drawn from the gateway's record alone. It replaces no inspection and no measurement: local codes, "
    "the makers' instructions and licensed practice prevail. Isolate AC first, lock and prove dead; never "
    "open a DC connector under load; treat modules and their cables as live in daylight; secure yourself "
    "on the roof."
)


@dataclass(frozen=True)
class Observation:
    """One thing seen: its value in ``unit``, what was expected as text, and the verdict.

    ``text`` says what it means or what to do, where the verdict isn't "pass".
    """

    id: str
    title: str
    verdict: Verdict
    value: float | str | None
    unit: str
    expected: str
    text: str = ""

    def to_json(self) -> dict[str, Any]:
        value = round(self.value, 4) if isinstance(self.value, float) else self.value
        return {
            "id": self.id,
            "title": self.title,
            "verdict": self.verdict,
            "value": value,
            "unit": self.unit,
            "expected": self.expected,
            "text": self.text,
        }


@dataclass(frozen=True)
class Place:
    """Observations of one input (``unit`` and ``input``), unit, plane or the site."""

    label: str
    observations: tuple[Observation, ...]
    unit: str | None = None
    input: int | None = None
    plane: str | None = None
    module: str | None = None

    @property
    def verdict(self) -> Verdict:
        found = {o.verdict for o in self.observations}
        return next((v for v in VERDICTS if v in found), "unknown")

    def to_json(self) -> dict[str, Any]:
        return {
            "label": self.label,
            "unit": self.unit,
            "input": self.input,
            "plane": self.plane,
            "module": self.module,
            "verdict": self.verdict,
            "observations": [o.to_json() for o in self.observations],
        }


@dataclass(frozen=True)
class CommissionRecord:
    """The whole record.

    ``clear_days`` are the ISO dates it rests on, empty when no day was clear
    enough; ``partly_clear`` when the best there were had clouds.
    """

    site: str
    name: str
    first_day: str
    last_day: str
    clear_days: tuple[str, ...]
    clearest: tuple[str, float] | None
    partly_clear: bool
    site_places: tuple[Place, ...]
    inputs: tuple[Place, ...]
    caution: str = CAUTION

    @property
    def places(self) -> tuple[Place, ...]:
        return (*self.site_places, *self.inputs)

    @property
    def verdict(self) -> Verdict:
        found = {p.verdict for p in self.places}
        return next((v for v in VERDICTS if v in found), "unknown")

    def counts(self) -> dict[Verdict, int]:
        """Inputs by verdict."""
        return {v: sum(p.verdict == v for p in self.inputs) for v in VERDICTS}

    def to_json(self) -> dict[str, Any]:
        return {
            "site": self.site,
            "name": self.name,
            "from": self.first_day,
            "to": self.last_day,
            "clear_days": list(self.clear_days),
            "clearest": {"day": self.clearest[0], "share": round(self.clearest[1], 3)} if self.clearest else None,
            "partly_clear": self.partly_clear,
            "verdict": self.verdict,
            "counts": self.counts(),
            "site_places": [p.to_json() for p in self.site_places],
            "inputs": [p.to_json() for p in self.inputs],
            "caution": self.caution,
        }
