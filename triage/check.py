"""One site's check: from samples to findings, once per new or changed day."""

from __future__ import annotations

import json
import zlib
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import pandas as pd

from collectors.site import SiteDescription
from collectors.store import Store, day_bounds, solar_day
from rules.case import Case
from rules.daytable import DayTable, layout_hash
from rules.engine import Judgement, judge
from rules.finding import Finding, NotJudged
from rules.learn import Completed, complete_site, is_complete
from rules.overdue import overdue
from rules.reduce import reduce_days
from rules.summary import day_rows
from triage.delivery import delivery_ages
from triage.importing import Loaded
from triage.lastcheck import save_check

#: A judgement looks back so many days: a year, so that what comes with a season is seen again.
WINDOW_DAYS = 400
#: A common night looks back so many, so that it costs the same after years (:func:`look_back_of`) ...
NIGHT_DAYS = 90
#: ... and one night in so many looks back over the whole window, for what only a season shows.
LOOK_BACK_EVERY = 28
_BATCH = 31
#: Weather may go on much longer than a record that was merely exported earlier.
_SILENT_END_S = 30 * 86400
_SAME_END_S = 36 * 3600


@dataclass(frozen=True)
class CheckResult:
    """What a check found; :meth:`to_json` is the contract form."""

    site: str
    from_day: str
    to_day: str
    irradiance_source: str
    findings: tuple[Finding, ...]
    not_judged: tuple[NotJudged, ...]
    rejected_rows: dict[str, int]
    irradiance_note: str = ""
    inferred: dict[str, str] | None = None
    days_reduced: int = 0
    #: Days before ``from_day`` are on record but were not looked at.
    bounded: bool = False
    case: Case | None = field(default=None, repr=False, compare=False)

    @property
    def needs_action(self) -> bool:
        return any(f.action in ("visit", "remote") for f in self.findings)

    def to_json(self) -> dict[str, Any]:
        return {
            "site": self.site,
            "from": self.from_day,
            "to": self.to_day,
            "irradiance_source": self.irradiance_source,
            "irradiance_note": self.irradiance_note,
            "inferred": self.inferred or {},
            "findings": [f.to_json() for f in self.findings],
            "not_judged": [n.to_json() for n in self.not_judged],
            "rejected_rows": self.rejected_rows,
        }


def check_files(site: SiteDescription, loaded: Loaded) -> CheckResult:
    """Judge loose files as they are, without a store."""
    done, table = reduce_files(site, loaded)
    return _result(done, judge(table, loaded.events), loaded.rejected_rows, len(table))


def reduce_files(site: SiteDescription, loaded: Loaded) -> tuple[Completed, DayTable]:
    """The site description without gaps, and the features of every day of loose files."""
    done = complete_site(site, loaded.telemetry)
    span = _span(loaded.telemetry, loaded.events, loaded.weather)
    return done, reduce_days(done.site, loaded.telemetry, loaded.weather, span=span)


def look_back_of(store: Store, day: int) -> int:
    """How many days the night of a solar day looks back.

    Mostly :data:`NIGHT_DAYS`; :data:`WINDOW_DAYS` once in :data:`LOOK_BACK_EVERY`
    nights, the first of a turn that is run at all. Sites have their turns on
    different nights, by a hash of their id, so that every night of a fleet costs alike.
    """
    turn = _turn(store, day)
    kept = json.loads(store.meta(_LOOKED_BACK, "{}"))
    return NIGHT_DAYS if kept.get("turn") == turn and kept.get("day") != day else WINDOW_DAYS


def _turn(store: Store, day: int) -> int:
    return (day + zlib.crc32(store.site.site.id.encode())) // LOOK_BACK_EVERY


def note_look_back(store: Store, day: int) -> None:
    """Keep that the night of a solar day looked back over the whole window."""
    _keep(store, _LOOKED_BACK, json.dumps({"turn": _turn(store, day), "day": day}))


_LOOKED_BACK = "looked_back"


def check_store(
    store: Store, *, until_day: int | None = None, full: bool = False, look_back: int = WINDOW_DAYS, as_of: int | None = None
) -> CheckResult:
    """Reduce the days that are new or changed, then judge from features.

    Parameters
    ----------
    until_day : judge as of the end of this solar day; default everything stored.
    full : reduce every day again.
    look_back : judge over so many days; more when an older day has changed.
    as_of : UTC second by which readings are missed that should have arrived (:mod:`rules.overdue`); None misses none.
    """
    _ensure_tables(store)
    done = _completed(store)
    offset = store.site.site.longitude
    first_ts, last_ts = store.span() or (0, 0)
    if not last_ts:
        empty = judge(DayTable.empty(done.site))
        return _result(done, empty, {}, 0)
    layout = layout_hash(done.site)
    db = store.db.conn
    known = {day for (day,) in db.execute("SELECT day FROM day_feature WHERE layout = ?", (layout,))}
    if full:
        known = set()
    span = _widened((first_ts, last_ts), store.last_beside(last_ts + _SILENT_END_S))
    days = range(int(solar_day(span[0], offset)), int(solar_day(span[1], offset)) + 1)
    stale = set(store.stale_days())
    # The day in which an earlier record ended (or began) was only partly inside it.
    for edge in json.loads(store.meta("judged_span", "[]")):
        if edge not in span:
            stale.add(int(solar_day(edge, offset)))
    todo = [d for d in days if d in stale or d not in known]
    if until_day is not None:
        todo = [d for d in todo if d <= until_day]
    for start in range(0, len(todo), _BATCH):
        _reduce_into(store, done.site, layout, todo[start : start + _BATCH], span)
    _keep(store, "judged_span", json.dumps(list(span)))
    last = days[-1] if until_day is None else min(until_day, days[-1])
    if todo and todo[0] <= last - look_back:
        look_back = WINDOW_DAYS
    start = last - look_back + 1
    rows = db.execute(
        "SELECT day, features FROM day_feature WHERE layout = ? AND day BETWEEN ? AND ? ORDER BY day",
        (layout, start, last),
    ).fetchall()
    table = DayTable.unpack(done.site, [r[0] for r in rows], [r[1] for r in rows])
    events = store.events(*(day_bounds(day, offset)[0] for day in (start, last + 2)))
    bounded = look_back < WINDOW_DAYS and days[0] < start
    result = _result(done, judge(table, events), _rejected(store), len(todo), bounded)
    if look_back >= WINDOW_DAYS:
        note_look_back(store, last)
    if as_of is not None:
        late, unsaid = overdue(done.site, last_ts, delivery_ages(store, last_ts, as_of), as_of)
        result = replace(result, findings=(*result.findings, *late), not_judged=(*result.not_judged, *unsaid))
    save_check(store, result)
    return result


def _keep(store: Store, key: str, text: str) -> None:
    if store.meta(key) != text:
        store.set_meta(key, text)


def _result(done: Completed, judged: Judgement, rejected: dict[str, int], reduced: int, bounded: bool = False) -> CheckResult:
    return CheckResult(
        site=done.site.site.id,
        from_day=judged.from_day,
        to_day=judged.to_day,
        irradiance_source=judged.irradiance_source,
        findings=judged.findings,
        not_judged=judged.not_judged,
        rejected_rows=dict(rejected),
        irradiance_note=judged.irradiance_note,
        inferred=done.inferred,
        days_reduced=reduced,
        bounded=bounded,
        case=judged.case,
    )


def _span(telemetry: pd.DataFrame, events: pd.DataFrame, weather: pd.DataFrame) -> tuple[int, int] | None:
    if not len(telemetry):
        return None
    ts = telemetry["ts"]
    late = max((int(frame["ts"].max()) for frame in (events, weather) if len(frame)), default=None)
    return _widened((int(ts.min()), int(ts.max())), late)


def _widened(span: tuple[int, int], late: int | None) -> tuple[int, int]:
    """A log or weather that goes on after the last row shows that the silence is part of the record."""
    # An export that stops within a day of the weather's end merely stopped.
    if late is None or late <= span[1] + _SAME_END_S:
        return span
    return span[0], min(late, span[1] + _SILENT_END_S)


def _ensure_tables(store: Store) -> None:
    if store.db.conn.execute("SELECT 1 FROM sqlite_master WHERE name = 'input_day'").fetchone():
        return
    store.db.conn.executescript(
        """
        CREATE TABLE IF NOT EXISTS day_feature (day INTEGER PRIMARY KEY, layout TEXT NOT NULL, features BLOB NOT NULL);
        CREATE TABLE IF NOT EXISTS input_day (day INTEGER NOT NULL, unit TEXT NOT NULL, input INTEGER NOT NULL,
            date TEXT NOT NULL, energy_wh REAL, siblings_wh REAL, ratio REAL, lit_h REAL, seen_h REAL,
            dead_h REAL, idle_h REAL, standby_h REAL, missing_h REAL, volt_ratio REAL, clipped_h REAL,
            PRIMARY KEY (day, unit, input)) WITHOUT ROWID;
        """
    )


def _completed(store: Store) -> Completed:
    """The site description without gaps; learnt once and kept until the site file changes."""
    if is_complete(store.site):
        return Completed(store.site, {})
    toml = store.meta("site_toml")
    kept = json.loads(store.meta("completed_site", "{}"))
    if kept.get("of") == toml and kept.get("days", 0) >= min(20, _days_stored(store)):
        return Completed(SiteDescription.model_validate_json(kept["site"]), kept["inferred"])
    span = store.span()
    if span is None:
        return complete_site(store.site, store.telemetry(0, 0))
    frame = store.telemetry(max(span[0], span[1] - 45 * 86400), span[1] + 1)
    done = complete_site(store.site, frame)
    store.set_meta(
        "completed_site",
        json.dumps(
            {
                "of": toml,
                "site": done.site.model_dump_json(),
                "inferred": done.inferred,
                "days": _days_stored(store),
            }
        ),
    )
    return done


def _rejected(store: Store) -> dict[str, int]:
    """Rows rejected so far, by reason, over all imports."""
    total: Counter[str] = Counter()
    for (detail,) in store.db.conn.execute("SELECT detail FROM import_run WHERE rows_rejected > 0"):
        total.update(json.loads(detail).get("rejected", {}))
    return dict(total)


def _days_stored(store: Store) -> int:
    span = store.span()
    return 0 if span is None else (span[1] - span[0]) // 86400 + 1


def _reduce_into(store: Store, site: SiteDescription, layout: str, days: Sequence[int], span: tuple[int, int]) -> None:
    """Reduce some days and store their rows, in one transaction."""
    longitude = site.site.longitude
    low = day_bounds(days[0], longitude)[0] - 3600
    high = day_bounds(days[-1], longitude)[1] + 3600
    frame, weather = store.telemetry(low, high), store.weather(low, high)
    table = reduce_days(site, frame, weather, days=days, span=span)
    rows = day_rows(table)
    with store.transaction() as db:
        db.executemany("DELETE FROM day_feature WHERE day = ?", [(int(d),) for d in days])
        db.executemany("DELETE FROM input_day WHERE day = ?", [(int(d),) for d in days])
        db.executemany(
            "INSERT INTO day_feature VALUES (?, ?, ?)",
            [(int(d), layout, table.pack(k)) for k, d in enumerate(table.days)],
        )
        db.executemany(f"INSERT INTO input_day VALUES ({', '.join('?' * 15)})", rows)
        db.executemany("DELETE FROM stale_day WHERE day = ?", [(int(d),) for d in days])


__all__ = [
    "LOOK_BACK_EVERY",
    "NIGHT_DAYS",
    "WINDOW_DAYS",
    "CheckResult",
    "check_files",
    "check_store",
    "look_back_of",
    "note_look_back",
    "reduce_files",
]
