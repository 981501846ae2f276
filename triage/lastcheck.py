"""What the last check of a site covered and could not judge, kept in the site's own file."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any, Final, Protocol

from collectors.store import Store
from rules.finding import NotJudged

_KEY: Final = "last_check"


class Checked(Protocol):
    """What is kept of a check's result."""

    @property
    def from_day(self) -> str: ...
    @property
    def to_day(self) -> str: ...
    @property
    def irradiance_source(self) -> str: ...
    @property
    def not_judged(self) -> tuple[NotJudged, ...]: ...


@dataclass(frozen=True)
class LastCheck:
    """``from_day`` and ``to_day`` are solar days (ISO)."""

    from_day: str
    to_day: str
    irradiance_source: str
    not_judged: tuple[NotJudged, ...]


def save_check(store: Store, result: Checked) -> None:
    """Keep the extent of a check; the findings themselves are the ledger's."""
    body: dict[str, Any] = {
        "from_day": result.from_day,
        "to_day": result.to_day,
        "irradiance_source": result.irradiance_source,
        "not_judged": [n.to_json() for n in result.not_judged],
    }
    text = json.dumps(body, separators=(",", ":"))
    if store.meta(_KEY) != text:
        store.set_meta(_KEY, text)


def last_check(store: Store) -> LastCheck | None:
    """The last check's extent, None before the first."""
    text = store.meta(_KEY)
    if not text:
        return None
    data = json.loads(text)
    return LastCheck(**{**data, "not_judged": tuple(NotJudged(**n) for n in data["not_judged"])})
