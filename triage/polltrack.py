"""What changed since the last poll, as gateway events.

"Could not reach the gateway" is an event of the gateway; "gateway answered, unit
did not" is one of the unit: the rules tell a lost link from a lost unit by it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final

import pandas as pd

from collectors.columns import EVENT_COLUMNS
from collectors.modbus import GatewayReading, UnitAnswer
from collectors.modbus.reading import Answer

#: Further apart than this, two clocks are worth a look. Common practice: a quarter of a 5-minute sample.
CLOCK_LIMIT_S: Final = 60.0
#: Beyond this a "clock" counts something else, such as uptime.
_NOT_A_CLOCK_S = 400 * 86400

Event = tuple[int, str, str, str]

_UNIT_DETAIL: Final[Mapping[Answer, str]] = {
    "gateway-says-gone": "gateway answered, unit did not",
    "no-reply": "gateway answered, unit did not",
    "refused": "unit answered, but not with values",
}


class EventTracker:
    """Turns readings of one gateway into events, each raised once.

    Parameters
    ----------
    gateway : its name, the source of its events.
    history : events already stored (``ts`` and ``EVENT_COLUMNS``), so that a restarted
        poller goes on where the last one stopped.
    """

    def __init__(self, gateway: str, history: pd.DataFrame | None = None) -> None:
        self.gateway = gateway
        self._offline: set[str] = set()
        self._alarms: dict[str, set[str]] = {}
        if history is not None:
            for row in history.itertuples(index=False):
                self._take(str(row.source), str(row.event), str(row.detail))

    def _take(self, source: str, event: str, detail: str) -> None:
        if event == "offline":
            self._offline.add(source)
        elif event == "online":
            self._offline.discard(source)
        elif event == "alarm":
            self._alarms.setdefault(source, set()).add(detail)
        elif event == "clear":
            self._alarms.get(source, set()).discard(detail)

    def events(self, reading: GatewayReading, clock_step_s: float = 0.0) -> list[Event]:
        """Events of one reading; ``clock_step_s`` is how far this computer's clock was just set."""
        found: list[Event] = []
        ts = reading.ts
        lost = _gateway_lost(reading)
        heard = reading.answered or any(a.answer in ("gateway-says-gone", "refused") for a in reading.answers)
        if lost:
            self._offline_if_new(found, ts, self.gateway, lost)
        elif heard:
            self._online_if_offline(found, ts, self.gateway, "gateway answers again")
        own: set[str] = set()
        if not lost or reading.answered:
            for answer in reading.answers:
                own |= self._unit(found, ts, answer)
        if heard and not reading.unreachable:
            if clock_step_s:
                own.add(f"the clock of this computer was set by {clock_step_s:+.0f} s")
            self._alarm_changes(found, ts, self.gateway, own)
        for serial, texts in reading.alarms.items():
            clock = reading.clocks.get(serial)
            late = clock is not None and CLOCK_LIMIT_S < abs(clock - ts) < _NOT_A_CLOCK_S
            limit = f"clock differs from this computer's by more than {CLOCK_LIMIT_S:.0f} s"
            self._alarm_changes(found, ts, serial, {*texts, *([limit] if late else [])})
        return found

    def restarted(self, ts: int, serial: str, number: int, before: float, after: float) -> Event:
        """A lifetime counter that went back."""
        detail = f"input {number}: lifetime counter went back from {before:.1f} to {after:.1f} Wh"
        return (ts, serial, "restart", f"{detail}: reset or replaced")

    def _unit(self, found: list[Event], ts: int, answer: UnitAnswer) -> set[str]:
        if answer.answer == "ok":
            for serial in answer.serials:
                self._online_if_offline(found, ts, serial, "unit answers again")
            return set()
        detail = f"{_UNIT_DETAIL[answer.answer]}: {_without_unit(answer)}"
        if not answer.serials:
            return {f"unit id {answer.unit_id}, never read yet: {detail}"}
        for serial in answer.serials:
            self._offline_if_new(found, ts, serial, detail)
        return set()

    def _offline_if_new(self, found: list[Event], ts: int, source: str, detail: str) -> None:
        if source not in self._offline:
            self._offline.add(source)
            found.append((ts, source, "offline", detail))

    def _online_if_offline(self, found: list[Event], ts: int, source: str, detail: str) -> None:
        if source in self._offline:
            self._offline.discard(source)
            found.append((ts, source, "online", detail))

    def _alarm_changes(self, found: list[Event], ts: int, source: str, texts: Iterable[str]) -> None:
        now, before = set(texts), self._alarms.get(source, set())
        found.extend((ts, source, "alarm", text) for text in sorted(now - before))
        found.extend((ts, source, "clear", text) for text in sorted(before - now))
        self._alarms[source] = now


def _gateway_lost(reading: GatewayReading) -> str:
    if reading.unreachable:
        return f"could not reach the gateway: {reading.unreachable}"
    replies = [a for a in reading.answers if a.answer != "no-reply"]
    if reading.answers and not replies:
        number = len(reading.answers)
        units = "the only unit asked did not reply" if number == 1 else f"none of {number} units replied"
        return f"could not reach the gateway: connected, but {units}"
    return ""


def _without_unit(answer: UnitAnswer) -> str:
    return answer.detail.removeprefix(f"unit {answer.unit_id}: ")


def event_frame(events: Iterable[Event]) -> pd.DataFrame:
    """Gateway log frame of events."""
    frame = pd.DataFrame(list(events), columns=["ts", *EVENT_COLUMNS])
    return frame.astype({"ts": "int64", **dict.fromkeys(EVENT_COLUMNS, "str")})


__all__ = ["CLOCK_LIMIT_S", "Event", "EventTracker", "event_frame"]
