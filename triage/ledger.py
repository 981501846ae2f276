"""The life of a finding across nights: opened once, then acknowledged, snoozed, resolved or reopened.

Two tables in the site's file: ``finding`` holds what stands now, ``finding_event``
every change with who and when. The engine signs as :data:`ENGINE`. Time is
passed in, never read.

When a symptom that isn't seen is over, :mod:`triage.absence` says.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime
from typing import Any, Final, Literal

from collectors.errors import UsageError
from collectors.site import SiteDescription
from collectors.store import Store
from rules.finding import ACTIONS, Finding
from triage.absence import Absence, Judged, carried, joined, place_of

Status = Literal["open", "acknowledged", "snoozed", "resolved"]
#: Name that stands under a change the engine made.
ENGINE: Final = "engine"

_SCHEMA: Final = """
CREATE TABLE IF NOT EXISTS finding (
    id INTEGER PRIMARY KEY, key TEXT NOT NULL UNIQUE, fault TEXT NOT NULL,
    gateway TEXT, unit TEXT, input INTEGER, plane TEXT,
    status TEXT NOT NULL CHECK (status IN ('open', 'acknowledged', 'snoozed', 'resolved')),
    opened_at TEXT NOT NULL, changed_at TEXT NOT NULL, snoozed_until TEXT,
    first_seen TEXT NOT NULL, last_seen TEXT NOT NULL, last_night TEXT NOT NULL,
    resolved_day TEXT, nights INTEGER NOT NULL, body TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS finding_event (
    id INTEGER PRIMARY KEY, finding_id INTEGER NOT NULL REFERENCES finding(id),
    at TEXT NOT NULL, who TEXT NOT NULL, event TEXT NOT NULL, detail TEXT NOT NULL DEFAULT '');
"""
_INDICES: Final = """
CREATE INDEX IF NOT EXISTS finding_status ON finding(status);
CREATE INDEX IF NOT EXISTS finding_event_of ON finding_event(finding_id);
"""
_COLUMNS = "id, body, status, opened_at, changed_at, snoozed_until, last_night, nights, resolved_day"


@dataclass(frozen=True)
class LedgerEntry:
    """One finding and where it stands.

    ``opened_at`` and ``changed_at`` are UTC ISO times, ``last_night`` the last
    solar day recorded, ``nights`` on how many of them it was seen.
    """

    id: int
    finding: Finding
    status: Status
    opened_at: str
    changed_at: str
    snoozed_until: str | None = None
    last_night: str = ""
    nights: int = 0
    resolved_day: str | None = None

    @property
    def live(self) -> bool:
        return self.status != "resolved"

    def to_json(self) -> dict[str, Any]:
        """The finding's contract form with its life added."""
        return {
            **self.finding.to_json(),
            "id": self.id,
            "status": self.status,
            "opened_at": self.opened_at,
            "changed_at": self.changed_at,
            "snoozed_until": self.snoozed_until,
            "nights": self.nights,
        }


@dataclass(frozen=True)
class LedgerEvent:
    """One change of one finding: who, when, what."""

    id: int
    finding_id: int
    at: str
    who: str
    event: str
    detail: str

    def to_json(self) -> dict[str, Any]:
        return dict(vars(self))


@dataclass(frozen=True)
class LedgerDiff:
    """What one night changed. ``over`` are faults first read of when already past;
    ``changed`` are live ones whose action changed; ``woken`` came back from a snooze."""

    new: tuple[LedgerEntry, ...] = ()
    again: tuple[LedgerEntry, ...] = ()
    resolved: tuple[LedgerEntry, ...] = ()
    reopened: tuple[LedgerEntry, ...] = ()
    over: tuple[LedgerEntry, ...] = ()
    changed: tuple[LedgerEntry, ...] = ()
    woken: tuple[LedgerEntry, ...] = ()

    @property
    def news(self) -> int:
        """How many changes a person would want to hear of."""
        return sum(map(len, (self.new, self.resolved, self.reopened, self.changed, self.woken)))


class Ledger:
    """Findings of one site's store."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._db = store.db.conn
        #: Numbers of snoozed findings whose day has come where that cannot be written down.
        self._awake: set[int] = set()
        if self._db.execute("SELECT 1 FROM sqlite_master WHERE name = 'finding_event'").fetchone() is None:
            # A file that cannot be written and was never checked holds no finding.
            self._db.executescript((_SCHEMA + _INDICES) if store.mode != "refused" else _SCHEMA.replace("TABLE", "TEMP TABLE"))

    # -- reading -----------------------------------------------------------

    def all(self) -> list[LedgerEntry]:
        """Every finding ever raised, most urgent first, resolved ones last."""
        rows = self._db.execute(f"SELECT {_COLUMNS} FROM finding")
        return sorted(map(self._entry, rows), key=_urgency)

    def open(self) -> list[LedgerEntry]:
        """Those not resolved (acknowledged and snoozed ones too), most urgent first."""
        return [entry for entry in self.all() if entry.live]

    def get(self, finding_id: int) -> LedgerEntry:
        """One entry; UsageError when there is no such number."""
        row = self._db.execute(f"SELECT {_COLUMNS} FROM finding WHERE id = ?", (finding_id,)).fetchone()
        if row is None:
            raise UsageError(
                f"site '{self._store.site.site.id}' has no finding {finding_id}",
                "`callout findings SITE --all` lists them with their numbers.",
            )
        return self._entry(row)

    def _entry(self, row: Sequence[Any]) -> LedgerEntry:
        entry = _entry(row)
        return replace(entry, status="open", snoozed_until=None) if entry.id in self._awake else entry

    def history(self, finding_id: int | None = None) -> list[LedgerEvent]:
        """Every change of one finding (of all, without a number), oldest first."""
        where, values = ("", ()) if finding_id is None else ("WHERE finding_id = ?", (finding_id,))
        rows = self._db.execute(f"SELECT id, finding_id, at, who, event, detail FROM finding_event {where} ORDER BY id", values)
        return [LedgerEvent(*row) for row in rows]

    # -- the engine --------------------------------------------------------

    def record(self, result: Judged, night: str, at: str) -> LedgerDiff:
        """Take in one night's result, in one transaction; the same night twice changes nothing.

        Parameters
        ----------
        result : the check's result.
        night : solar day the check ran for, ISO date.
        at : UTC ISO time of the run.
        """
        night, at = _day("night", night), _time(at)
        if not result.to_day:
            return LedgerDiff()  # no data: nothing was judged
        spells: dict[str, list[Finding]] = {}
        for finding in result.findings:
            spells.setdefault(_identity(finding), []).append(finding)
        seen = {key: joined(several) for key, several in spells.items()}
        with self._store.transaction() as db:
            # Days after the last one with data were not judged, whatever night it is.
            until = min(night, _day("to_day", result.to_day))
            run = _Night(db, night, at, _local_day(at, self._store.site), until)
            judge = Absence(self._store.site, result, until)
            rows = db.execute(f"SELECT key, {_COLUMNS} FROM finding").fetchall()
            known = {str(row[0]): _entry(row[1:]) for row in rows}
            unseen = [e.finding for key, e in known.items() if e.live and key not in seen and judge.out_of_sight(e.finding)]
            for key, finding in seen.items():
                entry = known.get(key)
                if entry is None:
                    if judge.waits(finding, unseen):
                        continue
                    self._raise(run, key, finding, judge.gone(finding))
                elif night >= entry.last_night:
                    self._see(run, entry, finding, judge)
            for key, entry in known.items():
                if key not in seen and entry.live and night >= entry.last_night:
                    self._miss(run, entry, judge)
        return LedgerDiff(**{name: tuple(self.get(i) for i in ids) for name, ids in run.diff.items()})

    def _raise(self, run: _Night, key: str, finding: Finding, over: bool) -> None:
        values = {
            "key": key,
            "fault": finding.fault,
            "gateway": finding.gateway,
            "unit": finding.unit,
            "input": finding.input,
            "plane": finding.plane,
            "status": "resolved" if over else "open",
            "opened_at": run.at,
            "changed_at": run.at,
            "first_seen": finding.first_seen,
            "last_seen": finding.last_seen,
            "last_night": run.night,
            "resolved_day": run.until if over else None,
            "nights": 1,
            "body": _dump(finding),
        }
        marks = ", ".join("?" * len(values))
        cursor = run.db.execute(f"INSERT INTO finding ({', '.join(values)}) VALUES ({marks})", tuple(values.values()))
        number = int(cursor.lastrowid or 0)
        run.log(number, "opened", f"seen {finding.first_seen} to {finding.last_seen}")
        if over:
            run.log(number, "resolved", f"already over: last seen {finding.last_seen}")
        run.diff["over" if over else "new"].append(number)

    def _see(self, run: _Night, entry: LedgerEntry, finding: Finding, judge: Absence) -> None:
        if not entry.live and finding.last_seen <= (entry.resolved_day or ""):
            return  # the record of an old spell, not its return
        before = entry.finding
        if entry.live:
            # A shorter look back must not forget when it began, nor what it cost by then.
            if before.first_seen < judge.from_day:
                finding = carried(before, finding, judge.from_day)
            finding = replace(finding, first_seen=min(before.first_seen, finding.first_seen))
        later = run.night > entry.last_night and finding.last_seen > before.last_seen
        run.db.execute(
            "UPDATE finding SET body = ?, first_seen = ?, last_seen = ?, last_night = ?, nights = nights + ? WHERE id = ?",
            (_dump(finding), finding.first_seen, finding.last_seen, run.night, int(later), entry.id),
        )
        if judge.gone(finding):
            if entry.live:
                run.end(entry, f"last seen {finding.last_seen}; judged without it up to {run.until}")
            return
        if not entry.live:
            run.set(entry, "open", "reopened", f"seen again on {finding.last_seen}")
            return
        run.diff["again"].append(entry.id)
        if finding.action != before.action:
            run.log(entry.id, "changed", f"action {before.action} -> {finding.action}")
            run.diff["changed"].append(entry.id)
        run.wake(entry)

    def _miss(self, run: _Night, entry: LedgerEntry, judge: Absence) -> None:
        finding = entry.finding
        if judge.unlisted(finding):
            # No day stands under it: listed again, and seen on the same days, it is open again.
            run.end(entry, f"{finding.place} is no longer in the site file", dated=False)
            return
        if judge.out_of_sight(finding):
            run.wake(entry)
            return
        heir = judge.heir(finding)
        if heir is not None:
            run.end(entry, f"now judged as {heir.fault} of {heir.place}")
        elif judge.gone(finding) and not judge.hidden(finding):
            run.end(entry, f"last seen {finding.last_seen}; judged without it up to {run.until}")
        else:
            run.wake(entry)

    # -- people ------------------------------------------------------------

    def acknowledge(self, finding_id: int, who: str, at: str, note: str = "") -> LedgerEntry:
        """Somebody takes it on; it stays acknowledged when seen again."""
        return self._act(finding_id, who, at, "acknowledged", "acknowledged", note)

    def snooze(self, finding_id: int, until: str, who: str, at: str, note: str = "") -> LedgerEntry:
        """Keep it quiet until a date (ISO); it returns as open on that date if still there."""
        until = _day("until", until)
        if until <= _local_day(_time(at), self._store.site):
            raise UsageError(f"snooze until {until}: that day is not ahead", "Give a later date, YYYY-MM-DD.")
        return self._act(finding_id, who, at, "snoozed", "snoozed", note, until)

    def resolve(self, finding_id: int, who: str, at: str, note: str = "") -> LedgerEntry:
        """Somebody says it is mended; the engine reopens it if seen on a later day."""
        return self._act(finding_id, who, at, "resolved", "resolved", note)

    def reopen(self, finding_id: int, who: str, at: str, note: str = "") -> LedgerEntry:
        """Undo an acknowledgement, a snooze or a resolution."""
        return self._act(finding_id, who, at, "open", "reopened", note)

    def note(self, finding_id: int, text: str, who: str, at: str) -> LedgerEvent:
        """Add a remark; the status stays."""
        if not text.strip():
            raise UsageError("the note is empty", "Give its text.")
        at, who = _time(at), _who(who)
        with self._store.transaction() as db:
            self.get(finding_id)
            _log(db, finding_id, at, who, "note", text.strip())
        return self.history(finding_id)[-1]

    def wake(self, at: str) -> tuple[LedgerEntry, ...]:
        """Open the snoozed findings whose date has come; for use before a page is shown."""
        at = _time(at)
        today = _local_day(at, self._store.site)
        waiting = [entry for entry in self.all() if _due(entry, today)]
        if self._store.mode == "refused":
            self._awake |= {entry.id for entry in waiting}
        if not waiting or self._store.mode == "refused":
            return tuple(self.get(entry.id) for entry in waiting)
        with self._store.transaction() as db:
            due = [entry for entry in self.all() if _due(entry, today)]
            for entry in due:
                _set(db, entry.id, "open", at)
                _log(db, entry.id, at, ENGINE, "woken", f"snoozed until {entry.snoozed_until}")
        return tuple(self.get(entry.id) for entry in due)

    def _act(
        self,
        finding_id: int,
        who: str,
        at: str,
        status: Status,
        event: str,
        note: str,
        until: str | None = None,
    ) -> LedgerEntry:
        at, who = _time(at), _who(who)
        with self._store.transaction() as db:
            entry = self.get(finding_id)
            if (entry.status, entry.snoozed_until) == (status, until) and not note:
                return entry  # said already
            if not entry.live and status in ("acknowledged", "snoozed"):
                raise UsageError(
                    f"finding {finding_id} is resolved and can't be {event}",
                    f"`callout findings SITE --reopen {finding_id}` opens it again.",
                )
            _set(db, finding_id, status, at, until=until, day=_local_day(at, self._store.site))
            _log(db, finding_id, at, who, event, ". ".join(filter(None, (until and f"until {until}", note))))
        return self.get(finding_id)


@dataclass(frozen=True)
class _Night:
    """One run of the engine over the ledger, inside its transaction."""

    db: sqlite3.Connection
    night: str
    at: str
    today: str
    until: str
    diff: dict[str, list[int]] = field(default_factory=lambda: {name: [] for name in LedgerDiff.__dataclass_fields__})

    def log(self, finding_id: int, event: str, detail: str) -> None:
        _log(self.db, finding_id, self.at, ENGINE, event, detail)

    def set(self, entry: LedgerEntry, status: Status, event: str, detail: str, day: str | None = None) -> None:
        _set(self.db, entry.id, status, self.at, day=day)
        self.log(entry.id, event, detail)
        self.diff[event].append(entry.id)

    def end(self, entry: LedgerEntry, detail: str, *, dated: bool = True) -> None:
        self.db.execute("UPDATE finding SET last_night = ? WHERE id = ?", (self.night, entry.id))
        self.set(entry, "resolved", "resolved", detail, self.until if dated else None)

    def wake(self, entry: LedgerEntry) -> None:
        if _due(entry, self.today):
            self.set(entry, "open", "woken", f"snoozed until {entry.snoozed_until}")


def _identity(finding: Finding) -> str:
    return json.dumps([finding.fault, *place_of(finding)])


def _urgency(entry: LedgerEntry) -> tuple[Any, ...]:
    finding = entry.finding
    return (not entry.live, ACTIONS.index(finding.action), -finding.loss_wh_per_day, entry.id)


def _entry(row: Sequence[Any]) -> LedgerEntry:
    number, body, *rest = row
    return LedgerEntry(int(number), Finding.from_json(json.loads(body)), *rest)


def _dump(finding: Finding) -> str:
    def plain(value: Any) -> Any:
        return value.tolist() if hasattr(value, "tolist") else str(value)

    return json.dumps(finding.to_json(), default=plain, ensure_ascii=False)


def _log(db: sqlite3.Connection, finding_id: int, at: str, who: str, event: str, detail: str) -> None:
    db.execute(
        "INSERT INTO finding_event (finding_id, at, who, event, detail) VALUES (?, ?, ?, ?, ?)",
        (finding_id, at, who, event, detail),
    )


def _set(
    db: sqlite3.Connection,
    finding_id: int,
    status: Status,
    at: str,
    *,
    until: str | None = None,
    day: str | None = None,
) -> None:
    db.execute(
        "UPDATE finding SET status = ?, changed_at = ?, snoozed_until = ?, resolved_day = ? WHERE id = ?",
        (status, at, until, day if status == "resolved" else None, finding_id),
    )


def _due(entry: LedgerEntry, today: str) -> bool:
    return entry.status == "snoozed" and (entry.snoozed_until or "") <= today


def _day(name: str, text: str) -> str:
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError as exc:
        raise UsageError(f"{name} = '{text}' is not a date", "Write it as YYYY-MM-DD.") from exc


def _time(text: str) -> str:
    try:
        when = datetime.fromisoformat(text)
    except ValueError as exc:
        raise UsageError(f"'{text}' is not a time", "Write it as 2026-06-30T21:15:00Z.") from exc
    when = when if when.tzinfo else when.replace(tzinfo=UTC)
    return when.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _who(name: str) -> str:
    if not name.strip():
        raise UsageError("a change needs a name", "Give who makes it, for instance --who anna.")
    return name.strip()


def _local_day(at: str, site: SiteDescription) -> str:
    return datetime.fromisoformat(at).astimezone(site.site.zone).date().isoformat()
